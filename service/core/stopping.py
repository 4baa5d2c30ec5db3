"""When to ask whether acute screening may stop: an edition's stop rules over the whole history of both eyes.

A rule only asks. The answer is a named person's, and until it is given the window closes when the next exam is late.
No rule speaks of an injected eye: that one is watched, and asked about, on its own (core/course.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from service.core.care import Care, Stop
from service.core.course import AgeOn, Course
from service.core.findings import SIDES, Exam, Eye, Side, Zone
from service.core.intervals import is_prethreshold_or_worse, need
from service.core.window import NextStep, Reason, Window


def propose_closing(course: Course, care: Care, age: AgeOn, awaited: Sequence[NextStep]) -> NextStep | None:
    """The question whether screening may stop, if a rule holds for each eye and nothing is `awaited` but the next
    exam; else None. One exam is enough only if it shows both eyes fully vascularized."""
    windows = [step.window for step in awaited if step.window is not None]
    if not windows or any(step.kind != "repeat-exam" for step in awaited):
        return None
    if any(course.injections(side) for side in SIDES) or not all(course.complete(side) for side in SIDES):
        return None
    last = course.exams[-1]
    if not last.complete:
        return None
    full = all(last.eye(side).vessels == Zone.FULL for side in SIDES)
    if not full and min(len(_looks(course, side)) for side in SIDES) < 2:
        return None
    rules = [next((stop for stop in care.stops if _holds(stop, course, side, age)), None) for side in SIDES]
    held = [rule for rule in rules if rule is not None]
    if len(held) < len(SIDES):
        return None
    words = "; ".join(f"{side} eye: {last.eye(side)} ({rule.id})" for side, rule in zip(SIDES, held, strict=True))
    due, closes = min(window.due for window in windows), min(window.closes for window in windows)
    text = f"acute screening may stop: {words}. A named clinician closes it, or the eyes are seen again by then"
    origin = held[0].origin
    return NextStep("decision", Window(last.on, due, closes), Reason(held[0].id, origin.cite, text, origin.surety))


def _looks(course: Course, side: Side) -> list[list[Eye]]:
    """What was seen of an eye, day by day, where it was seen completely: two records of one day are one look."""
    days: dict[date, list[Eye]] = {}
    for exam in course.complete(side):
        days.setdefault(exam.on, []).append(exam.eye(side))
    return list(days.values())


def _holds(stop: Stop, course: Course, side: Side, age: AgeOn) -> bool:
    looks, now = _looks(course, side), age(course.complete(side)[-1].on)
    if stop.never is not None and any(_seen(stop.never, course, exam, side) for exam in course.exams):
        return False
    if stop.never == "treatment-requiring" and course.treated(side):
        return False
    young = stop.from_age is not None and (now is None or now < stop.from_age)
    if young or (stop.from_age is not None and any(is_prethreshold_or_worse(eye) for eye in looks[-1])):
        return False
    if stop.regressing and not (
        _regressed(stop, looks[-stop.regressing :]) and _successive(stop.regressing, course, side)
    ):
        return False
    if stop.vessels is None:
        return True
    unsure = stop.confirm_below is not None and (now is None or now < stop.confirm_below)
    if unsure and len(looks) < 2:
        return False
    return all(_reach(stop, eye) for look in looks[-2 if unsure else -1 :] for eye in look)


def _reach(stop: Stop, eye: Eye) -> bool:
    """Zone III is zone III only where the nasal vessels were seen to reach the ora serrata (ICROP3)."""
    if eye.vessels is None or stop.vessels is None or eye.vessels < stop.vessels:
        return False
    return eye.vessels == Zone.FULL or eye.nasal_at_ora is True


def _regressed(stop: Stop, looks: Sequence[Sequence[Eye]]) -> bool:
    eyes = [eye for look in looks for eye in look]
    enough = len(looks) == stop.regressing and all(eye.regressing for eye in eyes)
    return enough and (not stop.complete or all(eye.regression == "complete" and eye.where != Zone.I for eye in eyes))


def _successive(times: int, course: Course, side: Side) -> bool:
    """Whether nothing active was seen since the first of the last exams, not even poorly, which is no look."""
    first = sorted({exam.on for exam in course.complete(side)})[-times:][0]
    since = [exam.eye(side) for exam in course.exams if exam.on >= first]
    return not any(eye.any_rop and not eye.regressing for eye in since)


def _seen(what: str, course: Course, exam: Exam, side: Side) -> bool:
    """Whether an exam, however poor, showed what a rule says must never have been seen. A zone not recorded may have
    been any."""
    eye = exam.eye(side)
    if what == "treatment-requiring":
        return need(eye) is not None
    if what == "posterior-rop":
        return eye.any_rop and eye.where not in (Zone.III, Zone.FULL)
    return eye.any_rop or bool(course.treated(side))
