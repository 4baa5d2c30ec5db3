"""Observation to weights, gestational age at birth, risk flags and findings: whose, how sure, observed when.

What the value is, `values` says; what its coding means, and how strong it is, the mapping files.
"""

from __future__ import annotations

from datetime import date
from typing import Final

from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, quote
from service.fhir.findings import ABOUT as FINDING
from service.fhir.findings import say_findings
from service.fhir.instants import read_local_day, read_sortable
from service.fhir.references import WRONG_SUBJECT, locate, patient_of
from service.fhir.sites import Site
from service.fhir.values import READERS, Coded, meaning_of, value_keys

CERTAIN: Final = frozenset({"final", "amended", "corrected"})
RETRACTED: Final = frozenset({"entered-in-error", "cancelled"})
PROVISIONAL: Final = frozenset({"registered", "preliminary", "unknown"})
"""R4 observation-status; what is provisional counts, but never to call an infant ineligible."""

NOT_OBSERVED: Final = ("ignore", "treatment")
"""Concepts that an Observation never says: a treatment is a Procedure."""


def read_observation(draft: Draft) -> None:
    """Facts of one Observation into `draft`. An Observation whose codes mean nothing here gives none."""
    observation = draft.element
    try:
        groups = _groups(observation, draft.site)
    except Unreadable as error:
        draft.reject(error, _known_patient(draft))
        return
    if not groups:
        return
    about = groups[0].code.concept
    try:
        patient = _patient(draft)
        status = observation.text("status")
        observation.refuse_modifiers()
    except Unreadable as error:
        draft.reject(error, _known_patient(draft), about)
        return
    word = (status or "").casefold()
    if word in RETRACTED:
        draft.say(patient, "retracted", {})
        return
    if word not in CERTAIN | PROVISIONAL:
        reason = "is missing" if status is None else f"{quote(status)} is not a status of an Observation"
        odd = Unreadable("Observation.status", f"{reason}; taken as provisional")
        draft.reject(odd, patient, about, doubtful=False)
    if word == "registered":  # asked for; what has no result yet says nothing
        groups = [group for group in groups if value_keys(group.holder) or group.holder.has("component")]
    if any(group.code.concept == FINDING for group in groups):
        say_findings(draft, patient, word in CERTAIN, _effective(observation))
    for group in groups:
        if group.code.concept != FINDING:
            _say(draft, group, patient, word in CERTAIN)


def _groups(observation: Element, site: Site) -> list[Coded]:
    """The Observation itself when its code is known; else those of its components whose code is (a panel)."""
    code = meaning_of(observation.element("code"), site)
    if code is not None:
        return [] if code.concept in NOT_OBSERVED else [Coded(code, observation)]
    groups = []
    for component in observation.elements("component"):
        meaning = meaning_of(component.element("code"), site)
        if meaning is not None and meaning.concept not in NOT_OBSERVED and meaning.part is None:
            groups.append(Coded(meaning, component))
    return groups


def _patient(draft: Draft) -> str:
    """The patient an Observation is about: the one its focus names (a value about the mother that names the infant),
    else its subject."""
    focused = {
        patient_of(focus, draft.entries) for focus in draft.element.elements("focus") if _names_patient(focus, draft)
    }
    if len(focused) > 1:
        raise Unreadable("Observation.focus", "names several patients; a value is of one")
    if focused:
        return focused.pop()
    subject = draft.element.element("subject")
    if subject is None:
        raise Unreadable("Observation.subject", f"{WRONG_SUBJECT}: it is missing")
    return patient_of(subject, draft.entries)


def _names_patient(focus: Element, draft: Draft) -> bool:
    reference = focus.text("reference") or ""
    found = locate(reference, draft.entries)
    return (found[0] if found else (focus.text("type") or reference.partition("?")[0])) == "Patient"


def _known_patient(draft: Draft) -> str:
    """The patient for a rejection, where that much can be read."""
    try:
        return _patient(draft)
    except Unreadable:
        return ""


def _say(draft: Draft, group: Coded, patient: str, certain: bool) -> None:
    code, site = group.code, draft.site
    try:
        value = READERS[code.concept](group, site)
    except Unreadable as error:
        draft.reject(error, patient, code.concept)
        return
    if value is None:
        return
    if code.concept == "weight":
        day = draft.attempt(lambda: _weighed_on(draft.element, site), patient, code.concept)
        if day is None:
            return
        value = {"on": day.isoformat(), **value}
    effective = _effective(draft.element)
    if code.concept == "respiratory":
        on = read_local_day(effective, site.timezone)
        value = {"on": None if on is None else on.isoformat(), **value}
    if code.concept == "gestation" and code.rank > 1 and (day := read_local_day(effective, site.timezone)):
        value["observed"] = day.isoformat()
    issued = draft.element.fields.get("issued")
    when = read_sortable(issued if isinstance(issued, str) else None, site.timezone)
    draft.say(patient, code.concept, value, code.rank, certain, when or read_sortable(effective, site.timezone) or "")


def _weighed_on(observation: Element, site: Site) -> date:
    """The day at the site of a weight: growth is counted in days, so one that is not known is not guessed."""
    period = observation.element("effectivePeriod")
    given = [observation.text(key) for key in ("effectiveDateTime", "effectiveInstant")]
    given += [period.text(end) for end in ("start", "end")] if period is not None else []
    days = {read_local_day(text, site.timezone) for text in given if text is not None}
    day = next(iter(days), None)
    if day is None or len(days) > 1:
        raise Unreadable("Observation.effective", "does not name the one day on which this was weighed")
    return day


def _effective(observation: Element) -> str | None:
    """effectiveDateTime, effectiveInstant, or the start of effectivePeriod. An unreadable one orders nothing."""
    for key in ("effectiveDateTime", "effectiveInstant"):
        if isinstance(text := observation.fields.get(key), str):
            return text.strip()
    period = observation.fields.get("effectivePeriod")
    start = period.get("start") if isinstance(period, dict) else None
    return start.strip() if isinstance(start, str) else None
