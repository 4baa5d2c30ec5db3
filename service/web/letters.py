"""Two letters about one infant, to print: one for the family in plain words, one for whoever takes over. Pure.

Only what is on record is said; what is not known is a blank to fill in by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from service.core.ages import date_at_postmenstrual, format_age
from service.core.course import HandOver
from service.core.findings import SIDES
from service.core.window import Window
from service.fhir.step import EXAMS, is_closed
from service.flow import InfantView
from service.web.past import Done, done, say_details
from service.web.view import Asked, capitalize, say_day, say_long_day, say_steps
from service.web.words import N_, _

KINDS: Final = ("family", "clinic")
MOST_EXAMS: Final = 6
"""Exams and treatments in the clinical letter, the newest: it stays on one page, and the number of others is said."""

WHY: Final = N_(
    "Babies who are born early can get changes at the back of the eye. You cannot see them, and your baby cannot show "
    "you. Only an eye check can find them. When they are found in time, they can be treated. When they are missed, "
    "they can harm your baby’s sight. So each check has its own day, even when your baby looks well."
)
"""Why it matters, for a reader of about eleven years."""
_INJECTED: Final = {
    "right": N_("Your baby had medicine put into the right eye."),
    "left": N_("Your baby had medicine put into the left eye."),
    "both": N_("Your baby had medicine put into both eyes."),
}
_SEEN: Final = {"right": N_("right eye on %(day)s: %(said)s"), "left": N_("left eye on %(day)s: %(said)s")}
_WATCHED: Final = {
    "right": N_("the right eye was injected"),
    "left": N_("the left eye was injected"),
    "both": N_("both eyes were injected"),
}


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
        told.append(_("The last eye check was on %(day)s.", day=say_long_day(last[0].on)))
    treated = sorted({each.on for each in seen.course.until(today).treatments})
    told += [_("Your baby’s eyes were treated on %(day)s.", day=say_long_day(on)) for on in treated[-1:]]
    if injected := [side for side in SIDES if seen.course.until(today).injections(side)]:
        until = _day_at(seen, watch_age)
        told.append(
            " ".join(
                (
                    _(_INJECTED["both" if len(injected) > 1 else injected[0]]),
                    _("After that, the changes can come back, even months later."),
                    _("The checks go on until about %(day)s.", day=say_long_day(until))
                    if until
                    else _("The checks go on for some months."),
                )
            )
        )
    appointed = over is not None and (window is None or over.appointment >= today)
    finished = is_closed(decision) or step.kind == "none"
    title = _("Eye treatment for") if step.kind == "treatment" else _("The next eye check of")
    return FamilyLetter(
        title=_("The eye checks of") if finished else title,
        what=_plain_task(step.kind),
        place=over.place if over is not None and appointed else "",
        day=say_long_day(over.appointment) if over is not None and appointed else "",
        between=_plain_days(window, step.by, today),
        before=say_long_day(window.closes) if window and window.closes >= today else "",
        told=tuple(told),
        finished=finished,
    )


def _plain_task(kind: str) -> str:
    if kind == "treatment":
        return _("Your baby’s eyes need treatment soon.")
    if kind == "long-term":
        return _("Your baby’s eyes need a check of how well they see and how they move together.")
    if kind == "decision":
        return _("The eye doctor will talk with you about what comes next for your baby’s eyes.")
    if kind in EXAMS:
        return _("Your baby needs an eye check.")
    return ""


def _plain_days(window: Window | None, by: str | None, today: date) -> str:
    if window is None:
        return ""
    if window.closes < today:
        return _("as soon as possible: the last day was %(day)s", day=say_long_day(window.closes))
    if by is not None:
        moment = datetime.fromisoformat(by)
        day = _("%(day)s at %(time)s", day=say_long_day(moment.date()), time=f"{moment:%H:%M}")
        return _("not later than %(time)s", time=day)
    if window.opens == window.closes:
        return _("on %(day)s", day=say_long_day(window.closes))
    if window.opens < today:
        return _("not later than %(time)s", time=say_long_day(window.closes))
    return _("from %(first)s to %(last)s", first=say_long_day(window.opens), last=say_long_day(window.closes))


def write_clinic(seen: InfantView, today: date, watch_age: int | None) -> ClinicLetter:
    """The clinical letter."""
    rows = [row for row in done(seen, today) if row.on <= today]
    course = seen.course.until(today)
    details = [
        _(_SEEN[side], day=say_day(course.exams[-1].on, today), said="; ".join(said))
        for side in SIDES
        if course.exams and (said := say_details(course.exams[-1].eye(side)))
    ]
    watch = ""
    injected = [side for side in SIDES if course.injections(side)]
    if injected and watch_age is not None:
        until = _day_at(seen, watch_age)
        watch = _(
            "%(eyes)s: reactivation is looked for until %(age)s postmenstrual age, %(reached)s; after that a named "
            "clinician decides",
            eyes=_(_WATCHED["both" if len(injected) > 1 else injected[0]]),
            age=format_age(watch_age),
            reached=_("reached on %(day)s", day=say_long_day(until)) if until else _("on a day that is not known"),
        )
    return ClinicLetter(
        steps=say_steps(seen.decision, today),
        done=tuple(rows[:MOST_EXAMS]),
        earlier=len(rows[MOST_EXAMS:]),
        details=tuple(details),
        watch=capitalize(watch),
        hand_over=seen.decision.hand_over,
        closed=str(seen.decision.closing) if seen.decision.closing and is_closed(seen.decision) else "",
    )


def _day_at(seen: InfantView, age: int | None) -> date | None:
    """The day on which the infant reaches a postmenstrual age at the latest, by the preferred values."""
    born, gestation = seen.infant.born.value, seen.infant.gestation.value
    if age is None or born is None or gestation is None:
        return None
    return date_at_postmenstrual(born.high, gestation.low, age)
