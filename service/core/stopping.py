"""When to ask whether acute screening may stop: an edition's stop rules over the whole history of both eyes.

A rule only asks. The answer is a named person's, and until it is given the window closes when the next exam is late.
No rule speaks of an injected eye: that one is watched, and asked about, on its own (core/course.py).
"""

from __future__ import annotations

from collections.abc import Sequence

from service.core.care import Care, Stop
from service.core.course import AgeOn, Course
from service.core.findings import SIDES, Exam, Side, Zone
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
    if not full and min(len(course.complete(side)) for side in SIDES) < 2:
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


def _holds(stop: Stop, course: Course, side: Side, age: AgeOn) -> bool:
    exams = course.complete(side)
    eye, now = exams[-1].eye(side), age(exams[-1].on)
    if stop.never is not None and any(_seen(stop.never, course, exam, side) for exam in course.exams):
        return False
    if stop.never == "treatment-requiring" and course.treated(side):
        return False
    if stop.from_age is not None and (now is None or now < stop.from_age or is_prethreshold_or_worse(eye)):
        return False
    if stop.regressing and not _regressed(stop, exams[-stop.regressing :], side):
        return False
    if stop.vessels is None:
        return True
    unsure = stop.confirm_below is not None and (now is None or now < stop.confirm_below)
    if unsure and len(exams) < 2:
        return False
    return all(_reach(stop, exam, side) for exam in exams[-2 if unsure else -1 :])


def _reach(stop: Stop, exam: Exam, side: Side) -> bool:
    vessels = exam.eye(side).vessels
    return vessels is not None and stop.vessels is not None and vessels >= stop.vessels


def _regressed(stop: Stop, exams: Sequence[Exam], side: Side) -> bool:
    eyes = [exam.eye(side) for exam in exams]
    enough = len(eyes) == stop.regressing and all(eye.regressing for eye in eyes)
    return enough and (not stop.complete or all(eye.regression == "complete" and eye.where != Zone.I for eye in eyes))


def _seen(what: str, course: Course, exam: Exam, side: Side) -> bool:
    """Whether an exam, however poor, showed what a rule says must never have been seen. A zone not recorded may have
    been any."""
    eye = exam.eye(side)
    if what == "treatment-requiring":
        return need(eye) is not None
    if what == "posterior-rop":
        return eye.any_rop and eye.where not in (Zone.III, Zone.FULL)
    return eye.any_rop or bool(course.treated(side))
