"""Two letters about one infant, to print: one for the family in plain words, one for whoever takes over. Pure.

Only what is on record is said; what is not known is a blank to fill in by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

from service.core.ages import date_at_postmenstrual, format_age
from service.core.course import HandOver
from service.core.findings import SIDES
from service.core.window import Window
from service.fhir.step import EXAMS, is_closed
from service.flow import InfantView
from service.web.past import Done, done, say_details
from service.web.view import Asked, say_clock, say_day, say_long_day, say_steps

KINDS: Final = ("family", "clinic")
MOST_EXAMS: Final = 6
"""Exams and treatments in the clinical letter, the newest: it stays on one page, and the number of others is said."""

WHY: Final = (
    "Babies who are born early can get changes at the back of the eye. You cannot see them, and your baby cannot show "
    "you. Only an eye check can find them. When they are found in time, they can be treated. When they are missed, "
    "they can harm your baby’s sight. So each check has its own day, even when your baby looks well."
)
"""Why it matters, for a reader of about eleven years."""


@dataclass(frozen=True, slots=True)
class FamilyLetter:
    """For parents. `title` goes before the name; `what` is to be done; `place` and `day` are those agreed, else "" and
    a blank; `between` is when it has to be; `before` the last day; `told` are sentences about this baby alone."""

    title: str
    what: str
    place: str
    day: str
    between: str
    before: str
    told: tuple[str, ...]
    finished: bool


@dataclass(frozen=True, slots=True)
class ClinicLetter:
    """For the clinic that looks at the eyes next. `watch_until` is the day on which an injected eye reaches the age up
    to which it is watched, "" without one."""

    steps: tuple[Asked, ...]
    done: tuple[Done, ...]
    earlier: int
    details: tuple[str, ...]
    watch: str
    hand_over: HandOver | None
    closed: str


def write_family(seen: InfantView, today: date, watch_age: int | None) -> FamilyLetter:
    """The family's letter. `watch_age` is the postmenstrual age in days up to which an injected eye is watched."""
    decision, over = seen.decision, seen.decision.hand_over
    step, told = decision.next, []
    window = step.window if step.kind not in ("data-needed", "none") else None
    last = seen.course.until(today).exams[-1:]
    if last:
        told.append(f"The last eye check was on {say_long_day(last[0].on)}.")
    treated = sorted({each.on for each in seen.course.until(today).treatments})
    told += [f"Your baby’s eyes were treated on {say_long_day(on)}." for on in treated[-1:]]
    if injected := [side for side in SIDES if seen.course.until(today).injections(side)]:
        eyes = "both eyes" if len(injected) > 1 else f"the {injected[0]} eye"
        until = _day_at(seen, watch_age)
        end = f" The checks go on until about {say_long_day(until)}." if until else " The checks go on for some months."
        told.append(
            f"Your baby had medicine put into {eyes}. After that, the changes can come back, even months later.{end}"
        )
    appointed = over is not None and (window is None or over.appointment >= today)
    finished = is_closed(decision) or step.kind == "none"
    title = "Eye treatment for" if step.kind == "treatment" else "The next eye check of"
    return FamilyLetter(
        title="The eye checks of" if finished else title,
        what=_plain_task(step.kind),
        place=over.place if over is not None and appointed else "",
        day=say_long_day(over.appointment) if over is not None and appointed else "",
        between=_plain_days(window, step.by, today),
        before=say_long_day(window.closes) if window else "",
        told=tuple(told),
        finished=finished,
    )


def _plain_task(kind: str) -> str:
    if kind == "treatment":
        return "Your baby’s eyes need treatment soon."
    if kind == "long-term":
        return "Your baby’s eyes need a check of how well they see and how they move together."
    if kind == "decision":
        return "The eye doctor will talk with you about what comes next for your baby’s eyes."
    if kind in EXAMS:
        return "Your baby needs an eye check."
    return ""


def _plain_days(window: Window | None, by: str | None, today: date) -> str:
    if window is None:
        return ""
    if by is not None:
        return f"not later than {say_clock(by, today)}"
    if window.opens == window.closes:
        return f"on {say_long_day(window.closes)}"
    return f"from {say_long_day(window.opens)} to {say_long_day(window.closes)}"


def write_clinic(seen: InfantView, today: date, watch_age: int | None) -> ClinicLetter:
    """The clinical letter."""
    rows = [row for row in done(seen, today) if row.on <= today]
    course = seen.course.until(today)
    details = [
        f"{side} eye on {say_day(course.exams[-1].on, today)}: {'; '.join(said)}"
        for side in SIDES
        if course.exams and (said := say_details(course.exams[-1].eye(side)))
    ]
    watch = ""
    injected = [side for side in SIDES if course.injections(side)]
    if injected and watch_age is not None:
        until = _day_at(seen, watch_age)
        eyes = "both eyes were" if len(injected) > 1 else f"the {injected[0]} eye was"
        watch = (
            f"{eyes} injected: reactivation is looked for until {format_age(watch_age)} postmenstrual age"
            + (f", reached on {say_long_day(until)}" if until else "; the day is not known")
            + "; after that a named clinician decides"
        )
    return ClinicLetter(
        steps=say_steps(seen.decision, today),
        done=tuple(rows[:MOST_EXAMS]),
        earlier=len(rows[MOST_EXAMS:]),
        details=tuple(details),
        watch=watch[:1].upper() + watch[1:],
        hand_over=seen.decision.hand_over,
        closed=str(seen.decision.closing) if seen.decision.closing and is_closed(seen.decision) else "",
    )


def _day_at(seen: InfantView, age: int | None) -> date | None:
    """The day on which the infant reaches a postmenstrual age at the latest, by the preferred values."""
    born, gestation = seen.infant.born.value, seen.infant.gestation.value
    if age is None or born is None or gestation is None:
        return None
    return date_at_postmenstrual(born.high, gestation.low, age)
