"""From facts to a course: what was done to an infant's eyes, and what was agreed.

An exam may come whole, or finding by finding: the findings of one day are one exam. Where records of one day disagree
about an eye, the worse finding counts. What could not be read is told apart from what was never sent.

What was said before a correction that cannot be read may be wrong: it can ask for something, and takes nothing away. An
eye in such an exam counts as seen poorly, such a treatment answers nothing, such a closing, hand-over or visit months
later does not count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, tzinfo
from typing import Any, Final

from service.core.course import Booking, Closing, Course, Deferral, HandOver
from service.core.findings import PLUS, REGRESSIONS, SIDES, STAGES, VIEWS, Exam, Eye, Treatment, parse_exam, parse_eye
from service.core.findings import parse_treatment as _treatment
from service.core.infant import Fact, newest
from service.errors import ConfigurationError

DONE: Final = ("exam", "finding", "treatment")
"""Facts that change what is due; one that could not be read is said beside the course."""

_SETTLES: Final = ("closing", "hand_over", "long_term")
"""Facts after which something is no longer asked for."""

_TOLD: Final = (*DONE, "closing", "deferral", "hand_over", "booking", "long_term")


def read_course(facts: Iterable[Fact], zone: tzinfo | None = None) -> Course:
    """The course that an infant's facts describe, of every version of every resource. `zone` is the site's: the hours
    of a treatment clock are hours that pass. Never raises: the facts were read strictly when they came in."""
    facts = list(facts)
    if not any(fact.name in _TOLD or fact.value.get("of") in DONE for fact in facts):
        return Course(zone=zone)
    current, earlier = newest(facts)
    said: dict[str, list[Fact]] = {}
    for fact in [*current, *(_doubted(fact) for fact in earlier if fact.name not in _SETTLES)]:
        said.setdefault(fact.name, []).append(fact)
    exams = [exam for fact in said.get("exam", []) if (exam := _exam(fact)) is not None]
    lost = {str(fact.value.get("of")) for fact in said.get("unreadable", [])}
    closings = sorted(said.get("closing", []), key=lambda fact: (fact.value["on"], fact.version.updated, fact.resource))
    return Course.of(
        [*exams, *_gathered(said.get("finding", []))],
        [treated for fact in said.get("treatment", []) if (treated := _treated(fact)) is not None],
        _closing(closings[-1].value) if closings else None,
        deferrals=[_deferral(fact.value) for fact in said.get("deferral", [])],
        hand_overs=[_hand_over(fact.value) for fact in said.get("hand_over", [])],
        followed_up=min((_day(fact.value["on"]) for fact in said.get("long_term", [])), default=None),
        unread=tuple(name for name in DONE if name in lost),
        zone=zone,
        bookings=[read_booking(fact.value) for fact in said.get("booking", [])],
    )


def _exam(fact: Fact) -> Exam | None:
    try:
        exam = parse_exam(fact.value, fact.resource)
    except ConfigurationError:  # written under rules that have been tightened since: seen, and not enough to go by
        return Exam(_day(fact.value["on"]), Eye(view="poor"), Eye(view="poor"), resource=fact.resource)
    return Exam(exam.on, exam.right, exam.left, exam.at, exam.examiner, exam.method, exam.adverse_events, fact.resource)


def _treated(fact: Fact) -> Treatment | None:
    try:
        treated = _treatment(fact.value, fact.resource)
    except ConfigurationError:
        return None  # nothing stops a clock that does not say what was done
    return replace(treated, resource=fact.resource, certain=fact.certain)


def _doubted(fact: Fact) -> Fact:
    """The same, if nobody is sure of it: whatever was seen was seen poorly."""
    parts = ("of",) if fact.name == "finding" else SIDES if fact.name == "exam" else ()
    seen = {part: fact.value[part] for part in parts if part in fact.value}
    poorly = {part: {**of, "view": "none" if of.get("view") == "none" else "poor"} for part, of in seen.items()}
    return replace(fact, value={**fact.value, **poorly}, certain=False)


# --- findings that came one by one ---------------------------------------------------------------------------------


def _gathered(findings: Sequence[Fact]) -> list[Exam]:
    """One exam for each day on which findings were made, the earliest time of that day being the exam's."""
    days: dict[date, list[Fact]] = {}
    for fact in sorted(findings, key=lambda fact: (fact.resource, str(fact.value))):
        days.setdefault(_day(fact.value["on"]), []).append(fact)
    return [
        Exam(
            on, _eye(of_day, "right"), _eye(of_day, "left"),
            at=min((fact.value["at"] for fact in of_day if fact.value.get("at")), default=""),
            resource=of_day[0].resource,
        )
        for on, of_day in days.items()
    ]  # fmt: skip


def _eye(findings: Sequence[Fact], side: str) -> Eye:
    """What the findings say of one eye; UNSEEN when they say nothing of it. Findings that cannot go together leave out
    what would reassure."""
    shares = [fact.value["of"] for fact in findings if fact.value["eyes"] in (side, "both")]
    if not shares:
        return Eye(view="none")
    together = {key: _worst(key, [share[key] for share in shares if key in share]) for share in shares for key in share}
    if together.get("zone") == "I":
        together.pop("posterior", None)
    if together.get("view") == "none" and len(together) > 1:
        together["view"] = "poor"  # somebody saw something
    for data in (together, {key: value for key, value in together.items() if not _reassures(key, value)}):
        try:
            return parse_eye(data, side)
        except ConfigurationError:
            continue
    return Eye(view="poor")


_ZONES: Final = ("I", "posterior II", "II", "III", "full")
_GRADES: Final[Mapping[str, tuple[str, ...]]] = {  # the worst first
    "zone": _ZONES, "vascularization": _ZONES, "stage": STAGES[::-1], "plus": PLUS[::-1], "regression": REGRESSIONS,
    "view": VIEWS[::-1],
}  # fmt: skip
_CHOICES: Final[Mapping[str, Callable[[list[Any]], Any]]] = {
    "nasal_at_ora": all, "clock_hours": max, "avascular_extent": max, "clock_positions": " ".join,
    "avascular_site": lambda texts: ", ".join(sorted(set(texts))), "note": lambda texts: "; ".join(sorted(set(texts))),
}  # fmt: skip


def _worst(key: str, values: list[Any]) -> Any:
    if key in _GRADES:
        return min((str(value) for value in values), key=_GRADES[key].index)
    return _CHOICES.get(key, any)(values)


def _reassures(key: str, value: Any) -> bool:
    return key in ("regression", "nasal_at_ora", "clock_hours", "near_zone_i") or value in ("0", "full", "none")


# --- what was agreed -----------------------------------------------------------------------------------------------


def _closing(value: Mapping[str, Any]) -> Closing:
    return Closing(
        _day(value["on"]), str(value["by"]), str(value["why"]), str(value.get("basis", "")), str(value.get("note", ""))
    )


def _deferral(value: Mapping[str, Any]) -> Deferral:
    return Deferral(
        _day(value["on"]), _day(value["until"]), str(value["reason"]), str(value["ophthalmologist"]),
        str(value["neonatologist"]),
    )  # fmt: skip


def _hand_over(value: Mapping[str, Any]) -> HandOver:
    return HandOver(
        _day(value["on"]), str(value["to"]), str(value["place"]), _day(value["date"]), str(value["by"]),
        bool(value.get("parents_told")),
    )  # fmt: skip


def read_booking(value: Mapping[str, Any]) -> Booking:
    """The booking that the value of a fact says."""
    words = {key: str(value.get(key, "")) for key in ("time", "place", "examiner", "by")}
    return Booking(_day(value["on"]), _day(value["date"]), **words)


def _day(text: Any) -> date:
    return date.fromisoformat(str(text))
