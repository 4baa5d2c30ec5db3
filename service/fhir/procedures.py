"""Procedure to treatment, what was done to which eye on which day; and to what helps an infant to breathe.

Only what is said to be completed counts: a treatment on record stops the clock of the one that is due.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import Any, Final

from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, clean, quote
from service.fhir.findings import read_eye, read_when
from service.fhir.instants import read_local_day, read_sortable
from service.fhir.references import WRONG_SUBJECT, patient_of
from service.fhir.sites import Code
from service.fhir.values import meaning_of, say_concept

ABOUT: Final = "treatment"
SUPPORT: Final = "respiratory"
GOES_ON: Final = frozenset({"in-progress", "on-hold", "unknown", ""})
RETRACTED: Final = frozenset({"entered-in-error", "not-done"})
AHEAD: Final = frozenset({"preparation", "in-progress"})
"""R4 event-status: what has not been done yet, and will be said again when it has."""


def read_procedure(draft: Draft) -> None:
    """The treatment one Procedure says, into `draft`. A Procedure whose code means no treatment here says nothing."""
    procedure = draft.element
    try:
        code = meaning_of(procedure.element("code"), draft.site)
    except Unreadable as error:
        draft.reject(error, _known_patient(draft))
        return
    if code is None or code.concept not in (ABOUT, SUPPORT):
        return
    patient = ""
    try:
        patient = _patient(draft)
        procedure.refuse_modifiers()
        status = (procedure.text("status") or "").casefold()
    except Unreadable as error:
        draft.reject(error, patient, code.concept)
        return
    if code.concept == SUPPORT:
        _say_support(draft, patient, status)
        return
    if status in AHEAD:
        return
    if status != "completed":
        draft.say(patient, "retracted", {})
        if status not in RETRACTED:
            words = f"{quote(status)} does" if status else "is missing: this does"
            reason = f"{words} not say that the treatment was done, so it counts as not done"
            draft.reject(Unreadable("Procedure.status", reason), patient, ABOUT, doubtful=False)
        return
    value = draft.attempt(lambda: _treatment(draft, code), patient, ABOUT)
    if value is not None:
        when = read_sortable(_performed(procedure)[1], draft.site.timezone)
        draft.say(patient, ABOUT, value, issued=when or "")


def _say_support(draft: Draft, patient: str, status: str) -> None:
    """Respiratory support that goes on or has ended; what is only planned helps nobody to breathe yet."""
    procedure, zone = draft.element, draft.site.timezone
    concept = procedure.element("code")
    if status in RETRACTED:
        draft.say(patient, "retracted", {})
    elif status != "preparation" and concept is not None:
        start = _performed(procedure)[1]
        on = read_local_day(start, zone)
        value = {
            "what": clean(say_concept(concept), 120),
            "on": None if on is None else on.isoformat(),
            "until": None if status in GOES_ON else _ended(procedure, zone) or (on and on.isoformat()) or "ended",
        }
        draft.say(patient, SUPPORT, value, issued=read_sortable(start, zone) or "")


def _ended(procedure: Element, zone: tzinfo) -> str | None:
    for stem in ("performed", "occurrence"):
        period = procedure.fields.get(f"{stem}Period")
        end = period.get("end") if isinstance(period, dict) else None
        if isinstance(end, str) and (day := read_local_day(end, zone)) is not None:
            return day.isoformat()
    return None


def _patient(draft: Draft) -> str:
    subject = draft.element.element("subject")
    if subject is None:
        raise Unreadable("Procedure.subject", f"{WRONG_SUBJECT}: it is missing")
    return patient_of(subject, draft.entries)


def _known_patient(draft: Draft) -> str:
    try:
        return _patient(draft)
    except Unreadable:
        return ""


def _treatment(draft: Draft, code: Code) -> Mapping[str, Any]:
    path, text = _performed(draft.element)
    on, _ = read_when(text, path, draft.site)
    eyes = _eyes(draft, code)
    return {"on": on.isoformat(), "eyes": eyes, "kind": code.kind, **({"agent": code.agent} if code.agent else {})}


def _performed(procedure: Element) -> tuple[str, str | None]:
    """Where the Procedure says when it was done (R5: occurrence), and what it says; the start of a period."""
    for stem in ("performed", "occurrence"):
        if isinstance(text := procedure.fields.get(f"{stem}DateTime"), str):
            return procedure.at(f"{stem}DateTime"), text.strip()
        period = procedure.fields.get(f"{stem}Period")
        start = period.get("start") if isinstance(period, dict) else None
        if isinstance(start, str):
            return procedure.at(f"{stem}Period.start"), start.strip()
    return procedure.at("performed"), None


def _eyes(draft: Draft, code: Code) -> str:
    """The eye or eyes that bodySite names, of those the code leaves open. Right and left together are both."""
    procedure = draft.element
    named = {side for site in procedure.elements("bodySite") if (side := read_eye(site, draft.site))}
    sides = "both" if named == {"right", "left"} or "both" in named else next(iter(named), "")
    if code.eyes and sides not in ("", code.eyes, "both"):
        raise Unreadable("Procedure.bodySite", f"names {sides}, but the code says {code.eyes}")
    if not (eyes := code.eyes or sides):
        raise Unreadable("Procedure.bodySite", "names no eye, so nobody can say which was treated")
    return eyes
