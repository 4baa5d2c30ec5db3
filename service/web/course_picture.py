"""The picture of one infant's course on the axis of postmenstrual age.

From top to bottom: weeks, weights among the centiles of a reference, the right eye above the left with each exam's zone
and stage, what comes next, what was agreed, calendar months. Letters and shapes carry the meaning; colour only helps.
Horizontal places are percentages, so the picture is as wide as its column, and where a column is too narrow for its
letters it scrolls, today in sight, beside labels that stay. No style attribute and no script.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from markupsafe import Markup, escape

from service.core.centiles import SOURCE, centiles
from service.core.course import Course
from service.core.decision import Decision
from service.core.findings import SIDES, Side
from service.core.infant import Infant
from service.web.axis import LETTER, Axis, at, beside, stack, text
from service.web.course_words import coming, say_age_on
from service.web.course_words import say_course as say_course
from service.web.eye_mark import draw_eye, explain, letters
from service.web.phrases import tell
from service.web.view import join_words, say_day
from service.web.words import N_, _, say_date

NO_PICTURE: Final = N_("No picture: without %(missing)s the postmenstrual age is not known.")

_GUTTER: Final = 104
_LINE: Final = 16
_MARK: Final = 32
_EXAM: Final = _MARK + 2 * _LINE + 8
_STEP: Final = 42
_STOREY: Final = 24
_WEIGHTS: Final = 190
_LONGEST: Final = 30
_MARGIN: Final = 9
_AHEAD: Final = timedelta(days=28)
_CENTILES: Final = {
    "male": N_("Grey: 3rd, 50th and 97th centile of boys (%(source)s)"),
    "female": N_("Grey: 3rd, 50th and 97th centile of girls (%(source)s)"),
    "": N_("Grey: 3rd, 50th and 97th centile of girls, the sex not being recorded (%(source)s)"),
}
_FIRST_WEEKS: Final = timedelta(days=70)
"""The axis reaches this far beyond what has happened, or beyond birth, so that today stays in sight on a phone. What
lies further ahead is named at the edge, or in words only."""


def draw_course(infant: Infant, course: Course, decision: Decision, today: date) -> Markup:
    """The picture as a figure, or a sentence that says why there is none. An age known in whole weeks is drawn from its
    younger reading; values that differ between records are drawn as the preferred one, and the words say so."""
    born, gestation = infant.born.value, infant.gestation.value
    lacking = [_("a day of birth")] if born is None or not born.exact else []
    if gestation is None:
        lacking.append(_("a gestational age at birth"))
    if born is None or gestation is None or lacking:
        return Markup('<p class="meaning">{}</p>').format(_(NO_PICTURE, missing=join_words(lacking)))
    if today < born.low:
        return Markup('<p class="meaning">{}</p>').format(_("No picture: the day of birth lies ahead."))
    last = _last(born.low, course, decision, today)
    axis = Axis(born.low, gestation.low, max(gestation.low - 5, 0), gestation.low + (last - born.low).days + _MARGIN)
    rows = [
        _heading(infant, axis, today, gestation.high),
        *_weights(infant, axis, today),
        *(_eye(course, side, axis) for side in SIDES),
        *_next(decision, axis, today),
        *_agreed(infant, course, axis, today),
        _months(axis),
    ]
    height = sum(row.height for row in rows)
    drawn, labels, top = "", "", 0
    for row in rows:
        rule = f'<line class="rule" x1="0" x2="100%" y1="{top}" y2="{top}"/>' if top else ""
        labels += f'{rule}<svg y="{top}" overflow="visible">{row.label}</svg>'
        drawn += f'{rule}<svg y="{top}" width="100%" height="{row.height}" overflow="visible">{row.body}</svg>'
        top += row.height
    upper, lower = rows[0].height, height - rows[-1].height
    weeks = "".join(_upright("week", axis.percent(age), upper, lower) for age in axis.weeks())
    now = _upright("today", axis.middle(today), upper - 4, height)
    named = escape(_("Picture of the course"))
    reel = "reel late" if axis.middle(today) > 50 else "reel"
    title = _("Course from birth at %(birth)s to %(now)s today", birth=gestation, now=say_age_on(infant, today))
    said = " ".join(f"{say_day(day, today)}: {words}." for day, words in say_course(infant, course, decision, today))
    return Markup(  # noqa: S704 -- every piece is a number or escaped where it is written
        '<figure class="course"><div class="frame">'
        f'<svg class="labels" width="{_GUTTER}" height="{height}" aria-hidden="true">{labels}</svg>'
        f'<div class="{reel}" role="region" aria-label="{named}" tabindex="0">'
        '<svg class="plot" role="img" aria-labelledby="course-title" aria-describedby="course-said" '
        f'width="{axis.width}" height="{height}"><title id="course-title">{escape(title)}</title>'
        f'<desc id="course-said">{escape(said)}</desc>{weeks}{now}{drawn}</svg></div></div>'
        f"{_legend(infant, course)}</figure>"
    )


def _last(born: date, course: Course, decision: Decision, today: date) -> date:
    """The last day to be drawn."""
    days = [exam.on for exam in course.exams] + [each.on for each in course.treatments]
    days += [each.until for each in course.deferrals] + [each.appointment for each in course.hand_overs]
    reach = max(today + _AHEAD, born + _FIRST_WEEKS)
    days += [min(step.window.closes, reach) for step in coming(decision, today) if step.window.opens <= reach]
    return max([today, born + _AHEAD, *(day for day in days if day <= reach)])


@dataclass(frozen=True, slots=True)
class _Row:
    """Pixels high; `label` stands before it and stays, `body` along the axis."""

    height: int
    label: str
    body: str


def _label(words: str, y: float, kind: str = "") -> str:
    return text(words, _GUTTER - 6, y, kind, "end")


def _upright(kind: str, percent: float, top: float, bottom: float) -> str:
    return f'<line class="{kind}" x1="{percent:.2f}%" x2="{percent:.2f}%" y1="{top}" y2="{bottom}"/>'


def _heading(infant: Infant, axis: Axis, today: date, oldest: int) -> _Row:
    """Weeks; birth, as wide as the doubt about it; and today."""
    shown = [age for age in axis.weeks() if 16 <= axis.pixels(axis.percent(age)) <= axis.width - 16]
    body = "".join(text(f"{age // 7}w", f"{axis.percent(age):.2f}%", 15, "soft") for age in shown)
    birth, until, now = axis.percent(axis.birth + 0.5), axis.percent(oldest + 0.5), axis.middle(today)
    words = _("today %(age)s", age=say_age_on(infant, today))
    born = beside(_("born %(age)s", age=infant.gestation.value), until, 37, axis, 11)
    here = beside(words, now, 37, axis, 10, "strong")
    height = 44
    if here.start < born.end and born.start < here.end:
        here, height = beside(words, now, 55, axis, 10, "strong"), 62
    body += (
        f'<rect class="doubt" x="{birth:.2f}%" y="29" width="{until - birth:.2f}%" height="6"/>'
        f'<circle class="birth" cx="{birth:.2f}%" cy="32" r="5"/>{born.svg}{here.svg}'
    )
    body += at(now, f'<path class="now" d="M-7 {height - 14} H7 L0 {height - 3} Z"/>')
    return _Row(height, _label(_("weeks"), 15, "soft"), body)


def _weights(infant: Infant, axis: Axis, today: date) -> list[_Row]:
    """Weights on a scale that doubles from line to line, among the 3rd, 50th and 97th centile. No weight, no row."""
    at_birth = infant.birth_weight.value
    points = [(axis.birth + 0.5, at_birth)] if at_birth else []
    points += [
        (axis.age(each.on) + 0.5, each.grams)
        for each in infant.weights
        if axis.birth <= axis.age(each.on) <= axis.age(today) and each.grams > 0
    ]
    if not points:
        return []
    ages = sorted({axis.birth, axis.end, *range(-(-axis.birth // 7) * 7, axis.end, 7)})
    curves = [(age, found) for age in ages if (found := centiles(infant.sex == "male", age)) is not None]
    values = [*(grams for _, grams in points), *(grams for _, found in curves for grams in found)]
    low, high = math.log2(min(values)), math.log2(max(values) + 1)

    def y(grams: float) -> float:
        return round(24 + (_WEIGHTS - 44) * (high - math.log2(grams)) / (high - low), 1)

    def line(pairs: Iterable[tuple[float, float]]) -> str:
        return " ".join(f"{10 * axis.percent(age):.1f},{y(grams)}" for age, grams in pairs)

    drawn, body = "", ""
    if curves:
        back = [(age, found.low) for age, found in reversed(curves)]
        drawn += f'<polygon class="between" points="{line([*((age, found.high) for age, found in curves), *back])}"/>'
        end, last = curves[-1]
        for n, name in enumerate((_("3rd"), _("50th"), _("97th"))):
            drawn += f'<polyline class="centile" points="{line((age, found[n]) for age, found in curves)}"/>'
            body += text(name, f"{axis.percent(end):.2f}%", y(last[n]) - 4, "soft", "end")
    drawn += f'<polyline class="weights" points="{line(points)}"/>'
    marks = [("birth", 5.0) if at_birth else ("weighed", 3.2), *[("weighed", 3.2)] * (len(points) - 1)]
    for (kind, radius), (age, grams) in reversed(list(zip(marks, points, strict=True))):
        body += f'<circle class="{kind}" cx="{axis.percent(age):.2f}%" cy="{y(grams)}" r="{radius}"/>'
    for n, lower in ((0, -10), (-1, 18))[: len(points)]:
        age, grams = points[n]
        body += beside(f"{grams} g", axis.percent(age), y(grams) + lower, axis, 4, "strong").svg
    lines = [500 * 2**n for n in range(-2, 7) if 24 < y(500 * 2**n) < _WEIGHTS - 6]
    grid = "".join(f'<line class="week" x1="0" x2="100%" y1="{y(each)}" y2="{y(each)}"/>' for each in lines)
    labels = _label(_("Weight"), 18) + "".join(_label(f"{each} g", y(each) + 4, "soft") for each in lines)
    stretched = f'width="100%" height="{_WEIGHTS}" viewBox="0 0 1000 {_WEIGHTS}" preserveAspectRatio="none"'
    return [_Row(_WEIGHTS, labels, f"{grid}<svg {stretched}>{drawn}</svg>{body}")]


def _eye(course: Course, side: Side, axis: Axis) -> _Row:
    """One eye: a mark for each exam with zone and stage beneath it, a bar for each treatment named above."""
    exams = [exam for exam in course.exams if axis.shows(exam.on)]
    treated = [each for each in course.treated(side) if axis.shows(each.on)]
    name = _("Right eye") if side == "right" else _("Left eye")
    if not exams and not treated:
        return _Row(40, _label(name, 25), text(_("no exam yet"), 12, 25, "soft", "start"))
    named = [beside(tell(each.kind), axis.middle(each.on), 0, axis, 6) for each in treated]
    above = stack((words.start, words.end) for words in named)
    middles = [axis.pixels(axis.middle(exam.on)) for exam in exams]
    wide = [max(_MARK, *(len(line) * LETTER + 4 for line in letters(exam.eye(side)))) / 2 for exam in exams]
    storeys = stack((middle - half, middle + half) for middle, half in zip(middles, wide, strict=True))
    top = 6 + (max(above, default=-1) + 1) * 20
    height = top + (max(storeys, default=0) + 1) * _EXAM + 4
    body = ""
    for each, storey in zip(treated, above, strict=True):
        x, y = axis.middle(each.on), 20 + storey * 20
        body += at(x, f'<path class="treated" d="M-2 {y - 12} H2 V{height - _EXAM + _MARK} H-2 Z"/>')
        body += beside(tell(each.kind), x, y, axis, 6, "strong").svg
    for exam, storey in zip(exams, storeys, strict=True):
        eye, y = exam.eye(side), top + storey * _EXAM
        words = "".join(text(line, 0, y + _MARK + 13 + n * _LINE, "strong") for n, line in enumerate(letters(eye)))
        body += at(axis.middle(exam.on), f'<g transform="translate(0 {y + _MARK // 2})">{draw_eye(eye)}</g>{words}')
    return _Row(height, _label(name, top + _MARK // 2 + 5), body)


def _next(decision: Decision, axis: Axis, today: date) -> list[_Row]:
    """A band for each window: opens, the line of the best day, closes; named beside it."""
    body = ""
    steps = coming(decision, today)
    for n, step in enumerate(steps):
        days, y, window = step.days, 6 + n * _STEP, step.window
        opens, closes = axis.percent(axis.age(window.opens)), axis.percent(axis.age(window.closes) + 1)
        if opens >= 100:
            x, shift, anchor, days = 100.0, -6, "end", f"{days} →"
        elif closes <= 0:
            x, shift, anchor, days = 0.0, 6, "start", f"← {days}"
        else:
            opens, closes = max(opens, 0), min(closes, 100)
            size = f'x="{opens:.2f}%" width="{closes - opens:.2f}%" y="{y + 4}" height="26" rx="3"'
            body += f'<rect class="window" {size}/>'
            if axis.shows(window.due):
                body += _upright("due", axis.middle(window.due), y + 4, y + 30)
            before = axis.pixels(opens) > max(len(step.name), len(days)) * LETTER + 12
            x, shift, anchor = (opens, -8, "end") if before else (closes, 8, "start")
        words = text(step.name, shift, 14, "strong", anchor) + text(days, shift, 31, "", anchor)
        body += at(x, words, y)
    return [_Row(10 + len(steps) * _STEP, _label(_("Next"), 28), body)] if steps else []


def _agreed(infant: Infant, course: Course, axis: Axis, today: date) -> list[_Row]:
    """What people agreed and wrote down, and leaving hospital."""
    items = [
        (each.on, each.until, _("put off until %(day)s", day=say_day(each.until, today))) for each in course.deferrals
    ]
    items += [
        (each.appointment, each.appointment, _("exam at %(place)s", place=_short(each.to)))
        for each in course.hand_overs
    ]
    if infant.in_hospital is False and infant.left_on is not None:
        items.append((infant.left_on, infant.left_on, _("left hospital")))
    if course.closing is not None:
        items.append((course.closing.on, course.closing.on, _("closed")))
    if course.followed_up is not None:
        items.append((course.followed_up, course.followed_up, _("refraction and alignment")))
    shown = sorted(
        (on, min(max(on, until), axis.day(axis.end - 1)), words) for on, until, words in items if axis.shows(on)
    )
    if not shown:
        return []
    named = [beside(words, axis.middle(until), 0, axis, 10, since=axis.middle(on)) for on, until, words in shown]
    starts = [axis.pixels(axis.middle(on)) for on, _, _ in shown]
    ends = [axis.pixels(axis.middle(until)) for _, until, _ in shown]
    storeys = stack(
        (min(x, each.start) - 8, max(end, each.end) + 8) for x, end, each in zip(starts, ends, named, strict=True)
    )
    body = ""
    for (on, until, words), storey in zip(shown, storeys, strict=True):
        y = 22 + storey * _STOREY
        x, end = axis.middle(on), axis.middle(until)
        if until > on:
            body += f'<line class="put-off" x1="{x:.2f}%" x2="{end:.2f}%" y1="{y - 4}" y2="{y - 4}"/>'
            body += f'<circle class="agreed" cx="{end:.2f}%" cy="{y - 4}" r="4"/>'
        body += at(x, '<path class="agreed" d="M-5 -5 H5 V5 H-5 Z"/>', y - 4)
        body += beside(words, end, y, axis, 10, since=x).svg
    return [_Row(14 + (max(storeys) + 1) * _STOREY, _label(_("Agreed"), 22), body)]


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _months(axis: Axis) -> _Row:
    """The first of each month that has room for its name; the year where it is new."""
    first, body, year, taken = axis.day(axis.start), "", 0, 0.0
    day = first.replace(day=1)
    while axis.age(day) < axis.end:
        x = axis.pixels(axis.percent(axis.age(day)))
        words = say_date(day, "MMM" if day.year == year else "MMM y")
        wide = len(words) * LETTER + 10
        if day >= first and taken <= x <= axis.width - wide:
            percent = axis.percent(axis.age(day))
            body += _upright("tick", percent, 0, 20) + at(percent, text(words, 5, 17, "soft", "start"))
            year, taken = day.year, x + wide
        day = (day + timedelta(days=32)).replace(day=1)
    return _Row(26, _label(_("months"), 17, "soft"), body)


def _legend(infant: Infant, course: Course) -> str:
    """What the shapes, letters and lines mean, as far as they appear."""
    said = explain([exam.eye(side) for exam in course.exams for side in SIDES])
    if infant.weights or infant.birth_weight.value:
        said += f"<span>{escape(_(_CENTILES.get(infant.sex or '', _CENTILES['']), source=SOURCE))}</span>"
    return f'<figcaption class="course-legend">{said}</figcaption>' if said else ""
