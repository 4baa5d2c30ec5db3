"""Patient to birth date, sex, names, numbers, links; records of fetuses told apart."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, tzinfo
from typing import Final

from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, clean, quote
from service.fhir.instants import read_days, read_instant, read_local_day
from service.fhir.references import WRONG_SUBJECT, is_id, patient_of

BIRTH_TIME: Final = "http://hl7.org/fhir/StructureDefinition/patient-birthTime"

FETAL_PROFILE: Final = "Patient-decedent-fetus"
FETAL_EXTENSION: Final = "Extension-patient-fetal-death-vr"
"""Last parts of the profile and extension of HL7 BFDR and its Vital Records common library (R4)."""

GENDERS: Final = frozenset({"male", "female", "other", "unknown"})

_Range = tuple[date, date]


def read_patient(draft: Draft) -> None:
    """Facts of one Patient into `draft`. Each part is read alone: an odd name never costs the birth date."""
    element = draft.element
    patient = element.fields.get("id")
    if not isinstance(patient, str) or not is_id(patient):
        draft.reject(Unreadable("Patient.id", "is missing or is no FHIR id, so nothing can be said of anybody"))
        return
    if modifiers := element.extensions("modifierExtension"):
        draft.reject(Unreadable(modifiers[0].path, "may change the meaning in a way not known here"), patient)

    fetal = draft.attempt(lambda: _is_fetal(element), patient)
    replaced = draft.attempt(lambda: _links(draft, patient), patient, "replaced_by")
    if fetal:
        draft.say(patient, "fetal", {})
    parts: dict[str, Callable[[], None]] = {
        "born": lambda: _born(draft, patient, expected=not (fetal or replaced)),
        "sex": lambda: _sex(draft, patient),
        "multiple": lambda: _multiple(draft, patient),
        "deceased": lambda: _deceased(draft, patient),
        "identifier": lambda: _identifiers(draft, patient),
        "name": lambda: _name(draft, patient),
    }
    for about, read in parts.items():
        draft.attempt(read, patient, about)


def _is_fetal(element: Element) -> bool:
    meta = element.fields.get("meta")
    profiles = Element(meta, "Patient.meta").texts("profile") if isinstance(meta, dict) else []
    if any(_last(profile) == FETAL_PROFILE for profile in profiles):
        return True
    marks = [*element.extensions(), *element.beside("deceasedBoolean").extensions()]
    marks += element.beside("deceasedDateTime").extensions()
    return any(_last(mark.fields.get("url")) == FETAL_EXTENSION and mark.flag("valueBoolean") for mark in marks)


def _last(url: object) -> str:
    return url.partition("|")[0].rpartition("/")[2] if isinstance(url, str) else ""


def _born(draft: Draft, patient: str, expected: bool) -> None:
    """The date of birth as days at the place of birth: birthDate, and birthTime where it says another day."""
    element, zone = draft.element, draft.site.timezone
    timed = _birth_time(element, zone)
    text = element.text("birthDate")
    dated = None if text is None else read_days(text) or _days_of_time(text, zone)
    if dated is not None:
        _say_born(draft, patient, dated)
    if timed and not (dated and any(dated[0] <= day <= dated[1] for day in timed)):
        # Without birthDate, a time given in UTC may belong to either of two days at the place of birth.
        _say_born(draft, patient, (min(timed), max(timed)) if dated is None else (timed[0], timed[0]))
    if text is not None and dated is None:
        raise Unreadable("Patient.birthDate", f"{quote(text)} is not a date")
    if text is None and not timed and expected and not element.absent_reason("birthDate"):
        reason = "is missing: this may be the record of a fetus, or not complete yet"
        draft.reject(Unreadable("Patient.birthDate", reason), patient, "born", doubtful=False)


def _say_born(draft: Draft, patient: str, days: _Range) -> None:
    draft.say(patient, "born", {"low": days[0].isoformat(), "high": days[1].isoformat()})


def _birth_time(element: Element, zone: tzinfo) -> list[date]:
    """The days a birthTime may mean: the one written in it, then (a time in UTC) the one it was at the site."""
    for extension in [*element.beside("birthDate").extensions(), *element.extensions()]:
        text = extension.fields.get("valueDateTime")
        if extension.fields.get("url") == BIRTH_TIME and isinstance(text, str):
            return _days_written(text.strip(), zone)
    return []


def _days_written(text: str, zone: tzinfo) -> list[date]:
    written = read_days(text[:10])
    if written is None or written[0] != written[1]:
        return []
    moment = read_instant(text, zone)
    in_utc = moment is not None and text[-1:] in "Zz"
    return list(dict.fromkeys([written[0], *([moment.astimezone(zone).date()] if in_utc and moment else [])]))


def _days_of_time(text: str, zone: tzinfo) -> _Range | None:
    """A birthDate sent with a time of day."""
    days = _days_written(text, zone) if text[10:11] in ("T", " ") else []
    return (min(days), max(days)) if days else None


def _sex(draft: Draft, patient: str) -> None:
    gender = draft.element.text("gender")
    if gender is None:
        return
    if gender.lower() not in GENDERS:
        raise Unreadable("Patient.gender", f"{quote(gender)} is not one of {', '.join(sorted(GENDERS))}")
    draft.say(patient, "sex", {"code": gender.lower()})


def _multiple(draft: Draft, patient: str) -> None:
    element = draft.element
    order = element.number("multipleBirthInteger")
    if order is not None:
        if not 1 <= order <= 12 or order != int(order):
            raise Unreadable("Patient.multipleBirthInteger", "is not a birth order")
        draft.say(patient, "multiple", {"order": int(order)})
    elif element.flag("multipleBirthBoolean"):
        draft.say(patient, "multiple", {"order": None})


def _deceased(draft: Draft, patient: str) -> None:
    element = draft.element
    text = element.text("deceasedDateTime")
    if text is not None:
        if read_days(text[:10]) is None and read_days(text) is None:
            raise Unreadable("Patient.deceasedDateTime", f"{quote(text)} is not a date")
        day = read_local_day(text, draft.site.timezone)
        draft.say(patient, "deceased", {"on": None if day is None else day.isoformat()})
    elif element.flag("deceasedBoolean"):
        draft.say(patient, "deceased", {"on": None})


def _identifiers(draft: Draft, patient: str) -> None:
    """Every identifier; rank 1 for the one people at the site read aloud, 2 for the rest.

    The shown one is that of the site file's system, else the one marked usual, else a medical record number.
    """
    found = []
    for identifier in draft.element.elements("identifier"):
        value = draft.attempt(lambda i=identifier: i.text("value"), patient)  # type: ignore[misc]
        if value is not None and identifier.fields.get("use") != "old":
            found.append((identifier, clean(value, 200)))
    shown = min(found, key=lambda pair: _preference(pair[0], draft.site.identifier_system), default=None)
    for pair in found:
        system = pair[0].fields.get("system")
        value = {"system": clean(system, 500) if isinstance(system, str) else "", "value": pair[1]}
        draft.say(patient, "identifier", value, rank=1 if pair is shown else 2)


def _preference(identifier: Element, shown: str | None) -> int:
    if shown is not None and identifier.fields.get("system") == shown:
        return 0
    if identifier.fields.get("use") == "usual":
        return 1
    type = identifier.fields.get("type")
    codings = type.get("coding") if isinstance(type, dict) else None
    record = isinstance(codings, list) and any(isinstance(c, dict) and c.get("code") == "MR" for c in codings)
    return 2 if record else 4 if identifier.fields.get("use") in ("temp", "secondary") else 3


_NAME_USES: Final = ("official", "usual", None, "temp", "anonymous", "nickname")


def _name(draft: Draft, patient: str) -> None:
    """The name to show: official before usual before the rest; former names never."""
    texts = []
    for name in draft.element.elements("name"):
        use = name.fields.get("use")
        text = name.text("text") or " ".join(filter(None, [*name.texts("given"), name.text("family")]))
        if text and use in _NAME_USES:
            texts.append((_NAME_USES.index(use), clean(text, 200)))
    if texts:
        draft.say(patient, "name", {"text": min(texts, key=lambda pair: pair[0])[1]})


def _links(draft: Draft, patient: str) -> bool:
    """Merges. `replaced-by` says this record must not be used any more; `replaces` says it of the other. Links need
    not be mutual. True when this record is replaced."""
    replaced = False
    for link in draft.element.elements("link"):
        type = link.text("type")
        if type not in ("replaced-by", "replaces"):
            continue
        other = link.element("other")
        if other is None:
            raise Unreadable(link.at("other"), "is missing")
        name = patient_of(other, draft.entries)
        if name == patient:
            raise Unreadable(other.path, f"{WRONG_SUBJECT}: a record cannot replace itself")
        loser, winner = (patient, name) if type == "replaced-by" else (name, patient)
        draft.say(loser, "replaced_by", {"patient": winner})
        replaced = replaced or type == "replaced-by"
    return replaced
