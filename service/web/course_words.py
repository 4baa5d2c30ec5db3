"""The course of one infant in words, day by day: the table beneath the picture, and what is said of the picture to
those who do not see it. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final

from service.core.ages import format_age
from service.core.course import Course
from service.core.decision import Decision
from service.core.findings import SIDES, Exam, Treatment
from service.core.infant import Infant, Weighing
from service.core.window import NextStep, Window
from service.web.phrases import tell
from service.web.view import capitalize, join_words, say_dates_in, say_day, say_task
from service.web.words import N_, _

_WEEK: Final = 7
_EYES: Final[Mapping[tuple[str, ...], str]] = {
    ("right",): N_("right eye"), ("left",): N_("left eye"), ("right", "left"): N_("both eyes"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Coming:
    """Something to be done in a window: what, for which eye, and when, in words."""

    name: str
    days: str
    window: Window


def say_course(infant: Infant, course: Course, decision: Decision, today: date) -> list[tuple[date, str]]:
    """Everything the picture shows, and what it has no room for, as (day, sentence) from birth on. What is dated after
    `today` says so."""
    told: list[tuple[date, str]] = []
    if infant.born.value is not None:
        told.append((infant.born.value.low, _say_birth(infant)))
    told += _say_weights(infant)
    told += [(exam.on, _say_exam(infant, exam)) for exam in course.exams]
    told += [(each.on, _say_treatment(each)) for each in course.treatments]
    told += [(each.on, tell(str(each))) for each in course.deferrals]
    told += [(each.on, tell(str(each))) for each in course.hand_overs]
    if infant.in_hospital is False and infant.left_on is not None:
        told.append((infant.left_on, _("left hospital")))
    if course.closing is not None:
        told.append((course.closing.on, tell(str(course.closing))))
    if course.followed_up is not None:
        told.append((course.followed_up, _("refraction and alignment looked at, or handed over")))
    told = [(day, _("%(said)s (dated ahead)", said=text) if day > today else text) for day, text in told]
    age = say_age_on(infant, today)
    told.append((today, _("today") if age is None else _("today, %(age)s postmenstrual age", age=age)))
    told += [(each.window.opens, f"{each.name}: {each.days}") for each in coming(decision, today)]
    told.sort(key=lambda each: each[0])
    return [(day, capitalize(say_dates_in(text, today))) for day, text in told]


def coming(decision: Decision, today: date) -> list[Coming]:
    """What is to be done, the next step first; what is the same for both eyes is said once."""
    steps = [step for step in (decision.next, *decision.also) if step.window is not None]
    found: dict[tuple[str, Window | None, str | None], list[str]] = {}
    for step in steps:
        eyes = found.setdefault((step.kind, step.window, step.by), [])
        if step.eye is not None and step.eye not in eyes:
            eyes.append(step.eye)
    said = []
    for (kind, window, _by), eyes in found.items():
        step = next(each for each in steps if (each.kind, each.window) == (kind, window))
        eye = f", {say_eyes(eyes)}" if eyes else ""
        name = f"{say_task(kind, decision.missing)}{eye}"
        if window is not None:
            said.append(Coming(name, _say_window(step, window, today), window))
    return said


def _say_window(step: NextStep, window: Window, today: date) -> str:
    opens, due, closes = (say_day(day, today) for day in (window.opens, window.due, window.closes))
    if step.kind == "data-needed":
        return _("by %(day)s", day=closes)
    if window.opens == window.closes:
        return _("on %(day)s", day=opens)
    if window.due in (window.opens, window.closes):
        return _("%(first)s to %(last)s", first=opens, last=closes)
    return _("%(first)s to %(last)s, best on %(due)s", first=opens, last=closes, due=due)


def say_age_on(infant: Infant, day: date) -> str | None:
    """Postmenstrual age on a day, by the preferred values and the younger reading; None where it is not known."""
    born, gestation = infant.born.value, infant.gestation.value
    if born is None or not born.exact or gestation is None:
        return None
    age = gestation.low + (day - born.low).days
    return format_age(age) if age >= 0 else None


def _say_birth(infant: Infant) -> str:
    born, gestation, grams = infant.born.value, infant.gestation.value, infant.birth_weight.value
    said = _("born")
    if born is not None and not born.exact:
        said = _("born between %(first)s and %(last)s", first=born.low.isoformat(), last=born.high.isoformat())
    others = (
        _("%(born)s at %(age)s", born=said, age=gestation)
        if gestation is not None
        else _("%(born)s, gestational age not known", born=said),
        f"{grams} g" if grams is not None else _("birth weight not known"),
    )
    text = ", ".join(others)
    known = ((_("date of birth"), infant.born), (_("gestational age"), infant.gestation),
             (_("weight"), infant.birth_weight))  # fmt: skip
    differ = [name for name, attribute in known if attribute.conflicting]
    return _("%(said)s (%(names)s: records differ)", said=text, names=join_words(differ)) if differ else text


def _say_weights(infant: Infant) -> Iterator[tuple[date, str]]:
    """One sentence for each stretch of seven days."""
    week: list[Weighing] = []
    for weighing in infant.weights:
        if week and (weighing.on - week[0].on).days >= _WEEK:
            yield week[0].on, _say_week(week)
            week = []
        week.append(weighing)
    if week:
        yield week[0].on, _say_week(week)


def _say_week(week: Sequence[Weighing]) -> str:
    first, *others = week
    gaps = {(later.on - earlier.on).days for earlier, later in pairwise(week)}
    if len(week) > 2 and gaps == {1}:
        grams = join_words([str(each.grams) for each in week])
        return _("weighed daily to %(day)s: %(grams)s g", day=week[-1].on.isoformat(), grams=grams)
    later = [_("%(grams)s g on %(day)s", grams=each.grams, day=each.on.isoformat()) for each in others]
    return _("weighed %(grams)s", grams=join_words([f"{first.grams} g", *later]))


def _say_exam(infant: Infant, exam: Exam) -> str:
    age = say_age_on(infant, exam.on)
    by = f" ({exam.examiner})" if exam.examiner else ""
    eyes = "; ".join(f"{_(_EYES[(side,)])} {tell(str(exam.eye(side)))}" for side in SIDES)
    what = _("exam") if age is None else _("exam at %(age)s", age=age)
    return f"{what}{by}: {eyes}"


def _say_treatment(treatment: Treatment) -> str:
    what = _("injection of %(agent)s", agent=treatment.agent) if treatment.agent else tell(treatment.kind)
    return f"{what}, {say_eyes(treatment.sides)}"


def say_eyes(sides: Sequence[str]) -> str:
    """`right eye`, `both eyes`."""
    return _(_EYES[tuple(side for side in SIDES if side in sides)])
