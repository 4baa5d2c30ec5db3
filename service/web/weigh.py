"""What to know before a sheet is filled in, and what to weigh before it is saved. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from service.core.ages import Gestation, format_age
from service.core.chart import read_booking
from service.core.decision import Decision
from service.core.findings import SIDES, Side
from service.core.window import Window
from service.fhir.step import EXAMS, is_closed
from service.flow import InfantView
from service.web.past import written
from service.web.shapes import eye_json
from service.web.sheets import Sheet
from service.web.typed import Answers, type_again
from service.web.view import (
    capitalize,
    count_days,
    flag_bookings,
    say_booking,
    say_dates_in,
    say_day,
    say_task,
    say_times,
)
from service.web.words import _

REBOOK_DAYS: Final = 7
"""An exam that was put off is held within so many days of the intended day (RCPCH, Screening of ROP, 2022; from
memory)."""


@dataclass(frozen=True, slots=True)
class LastTime:
    """What was found of an eye the last time it was seen: the day, the words, and what would have to be typed to say it
    again, by the names of the fields."""

    on: date
    words: str
    typed: dict[str, list[str]]


def last_time(seen: InfantView, today: date) -> dict[Side, LastTime]:
    """What may be taken over for each eye. How well it could be seen, and the note, are of one exam and stay there."""
    found: dict[Side, LastTime] = {}
    for exam in seen.course.until(today).exams:
        for side in SIDES:
            eye = exam.eye(side)
            if eye.has_findings:
                said = {name: value for name, value in eye_json(eye).items() if name not in ("view", "note")}
                found[side] = LastTime(exam.on, str(eye), type_again(said))
    return found


def say_before(sheet: Sheet, seen: InfantView, watch_age: int | None, today: date) -> Iterator[str]:
    """What to know before a sheet is filled in."""
    decision = seen.decision
    if sheet.path == "close":
        asked = [step for step in (decision.next, *decision.also) if step.kind == "decision" and step.eye is None]
        yield from (_("It is proposed: %(text)s.", text=say_dates_in(step.reason.text, today)) for step in asked)
        if not asked:
            yield _("Nothing proposes it: no rule of the edition asks yet whether the exams may stop.")
        yield from _watched(seen, watch_age)
    if sheet.path == "book":
        yield from _booked(decision, today)
    if sheet.path == "defer" and decision.deferrals:
        yield _("This exam was put off %(times)s already.", times=say_times(len(decision.deferrals)))
    if sheet.path == "defer" and (window := _exam_window(decision)):
        yield _(
            "The exam is due on %(due)s, last day %(closes)s; rebook within %(days)s days of the intended day "
            "(UK 2022, from memory): by %(latest)s.",
            due=say_day(window.due, today), closes=say_day(window.closes, today), days=REBOOK_DAYS,
            latest=say_day(_latest(window), today),
        )  # fmt: skip


def _booked(decision: Decision, today: date) -> Iterator[str]:
    if window := decision.next.window:
        task = say_task(decision.next.kind, decision.missing)
        yield _(
            "%(task)s: due on %(due)s, last day %(closes)s.",
            task=task, due=say_day(window.due, today), closes=say_day(window.closes, today),
        )  # fmt: skip


def bookings(seen: InfantView, today: date) -> Iterator[tuple[str, str]]:
    """Each booking that no exam has answered, in words, and the id under which it was typed in here: there it is moved
    or cancelled. "" where the site sent it."""
    here = {fact.resource: each.id for each in written(seen) if not each.withdrawn for fact in each.says}
    for fact in seen.current:
        if fact.name == "booking":
            booking = read_booking(fact.value)
            if booking in seen.decision.bookings:
                said = say_booking(booking, today)
                words = (
                    _("Booked already for %(day)s. A new one stands beside it.", day=said)
                    if booking.day >= today
                    else _("Missed: booked for %(day)s, and no exam is on record since", day=said) + "."
                )
                yield words, here.get(fact.resource, "")


def _watched(seen: InfantView, watch_age: int | None) -> Iterator[str]:
    injected = [side for side in SIDES if seen.course.injections(side)]
    now = seen.decision.ages.postmenstrual
    if injected and watch_age is not None and (now is None or Gestation.parse(now).low < watch_age):
        eyes = _("both eyes were injected")
        if len(injected) == 1:
            eyes = _("the right eye was injected") if injected == ["right"] else _("the left eye was injected")
        yield capitalize(
            _(
                "%(eyes)s, and %(age)s postmenstrual age is not reached: the infant stays on the list until then, "
                "unless another unit takes over, a palliative decision was made, or the infant has died.",
                eyes=eyes, age=format_age(watch_age),
            )
        )  # fmt: skip


def warn(sheet: Sheet, seen: InfantView, then: Decision, answers: Answers, today: date) -> Iterator[str]:
    """What to weigh before this is saved."""
    window = _exam_window(seen.decision)
    if sheet.path == "defer" and window is not None:
        until = date.fromisoformat(str(answers.value["until"]))
        if until > _latest(window):
            late = (until - window.due).days
            yield _(
                "That is %(late)s after the intended day, %(due)s. An exam that was put off is held within %(days)s "
                "days of it (UK 2022, from memory): by %(latest)s.",
                late=count_days(late), due=say_day(window.due, today), days=REBOOK_DAYS,
                latest=say_day(_latest(window), today),
            )  # fmt: skip
    if sheet.path == "hand-over" and window is not None:
        day = date.fromisoformat(str(answers.value["date"]))
        if day > window.closes:
            yield _("That is %(late)s after the last day of the window.", late=count_days((day - window.closes).days))
    if sheet.path == "book":
        yield from (f"{flag}." for flag in flag_bookings(then, today))
    if sheet.path == "close" and not is_closed(then):
        yield _("The infant stays on the list: this does not close the course, for the reason given below.")


def _exam_window(decision: Decision) -> Window | None:
    steps = [step for step in (decision.next, *decision.also) if step.kind in EXAMS]
    return steps[0].window if steps else None


def _latest(window: Window) -> date:
    return window.due + timedelta(days=REBOOK_DAYS)
