"""Encounter and Location: where the infant is, in which bed of which unit, and when a stay ended."""

from __future__ import annotations

from typing import Final

from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, clean
from service.fhir.instants import read_local_day, read_sortable
from service.fhir.references import WRONG_SUBJECT, patient_of, place_of

OPEN: Final = frozenset({"arrived", "triaged", "in-progress", "onleave", "on-hold"})
RETRACTED: Final = frozenset({"cancelled", "entered-in-error"})
"""R4 encounter-status, and what R5 renamed; every other status (finished, discharged, completed) is closed, except
unknown or none, which is open until there is an end."""

ELSEWHERE: Final = frozenset({"AMB", "VR", "HH", "FLD", "PRENC"})
"""v3-ActCode classes of Encounters that put nobody in a bed: ambulatory, virtual, home, field, pre-admission."""

KINDS: Final = {
    "bd": "bed", "ro": "room", "co": "corridor", "lvl": "level", "wa": "ward", "wi": "wing", "bu": "building",
    "si": "site", "area": "area", "ho": "house",
}  # fmt: skip
"""Codes of R4 location-physical-type, from a bed outwards."""

_FINEST = list(KINDS.values())


def read_encounter(draft: Draft) -> None:
    """The stay one Encounter says, at the place where the infant is now (or was last)."""
    encounter = draft.element
    if _class(encounter) in ELSEWHERE:
        return
    try:
        subject = encounter.element("subject") or encounter.element("patient")
        if subject is None:
            raise Unreadable("Encounter.subject", f"{WRONG_SUBJECT}: it is missing")
        patient = patient_of(subject, draft.entries)
    except Unreadable as error:
        draft.reject(error, about="stay")
        return
    draft.attempt(lambda: _stay(draft, patient), patient, "stay")


def _stay(draft: Draft, patient: str) -> None:
    encounter, zone = draft.element, draft.site.timezone
    status = (encounter.text("status") or "unknown").casefold()
    if status in RETRACTED:
        draft.say(patient, "retracted", {})
        return
    period = encounter.element("period") or Element({}, "Encounter.period")
    since, until = (read_local_day(period.text(end), zone) for end in ("start", "end"))
    place, words = _place(draft)
    draft.say(
        patient,
        "stay",
        {
            "encounter": clean(status, 60),
            "open": status in OPEN or (status == "unknown" and until is None),
            "place": place,
            "place_text": words,
            "since": None if since is None else since.isoformat(),
            "until": None if until is None else until.isoformat(),
            "disposition": _disposition(encounter),
        },
        issued=read_sortable(period.text("start"), zone) or "",
    )


def _class(encounter: Element) -> str:
    """Encounter.class: a Coding in R4, a list of CodeableConcept in R5."""
    value = encounter.fields.get("class")
    value = value[0] if isinstance(value, list) and value else value
    if isinstance(value, dict) and isinstance(value.get("coding"), list) and value["coding"]:
        value = value["coding"][0]
    code = value.get("code") if isinstance(value, dict) else None
    return code if isinstance(code, str) else ""


def _place(draft: Draft) -> tuple[str | None, str | None]:
    """The place of the latest stay that was really taken: an open one before an ended one, an active one before one
    only held; of several at once (ward, room and bed listed side by side) the finest, in words all of them."""
    stays = []
    for location in draft.element.elements("location"):
        status = location.text("status")
        where = location.element("location")
        if status == "planned" or where is None:
            continue
        period = location.element("period") or Element({}, "")
        start, end = (read_sortable(period.text(key), draft.site.timezone) for key in ("start", "end"))
        kind = place_kind(location)
        key = (end is None and status != "completed", status != "reserved", start or "", end or "")
        stays.append((key, kind, *place_of(where, draft.entries)))
    if not stays:
        return None, None
    latest = max(key for key, *_ in stays)
    now = sorted(
        ((kind, place, words) for key, kind, place, words in stays if key == latest),
        key=lambda stay: _FINEST.index(stay[0]) if stay[0] in _FINEST else len(_FINEST),
    )
    words = " ".join(dict.fromkeys(text for _, _, text in reversed(now) if text))
    return next((place for _, place, _ in now if place), None), words or None


def place_kind(element: Element) -> str | None:
    """bed, room, ward, … from physicalType (R4) or form (R5); None when it says none of them."""
    concept = element.fields.get("physicalType") or element.fields.get("form")
    codings = concept.get("coding") if isinstance(concept, dict) else None
    for coding in codings if isinstance(codings, list) else []:
        if isinstance(coding, dict) and isinstance(code := coding.get("code"), str) and code in KINDS:
            return KINDS[code]
    return None


def _disposition(encounter: Element) -> str | None:
    """Where the infant went on leaving: the code of discharge-disposition, else its words."""
    stay = encounter.element("hospitalization") or encounter.element("admission")
    concept = None if stay is None else stay.element("dischargeDisposition")
    if concept is None:
        return None
    codes = [code for coding in concept.elements("coding") if (code := coding.text("code"))]
    text = codes[0] if codes else concept.text("text")
    return None if text is None else clean(text, 200)


def read_location(draft: Draft) -> None:
    """The name, kind and surroundings of a place; it belongs to no infant."""
    location = draft.element

    def read() -> None:
        part_of = location.element("partOf")
        numbers = [value for number in location.elements("identifier") if (value := number.text("value"))]
        name = next(filter(None, [location.text("name"), *location.texts("alias"), *numbers]), None)
        draft.say(
            "",
            "place",
            {
                "name": None if name is None else clean(name, 200),
                "part_of": None if part_of is None else place_of(part_of, draft.entries)[0],
                "kind": place_kind(location),
            },
        )

    draft.attempt(read, about="place")
