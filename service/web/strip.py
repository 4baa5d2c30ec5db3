"""The picture in a row: birth, today and the window on the axis of postmenstrual age, as an inline SVG.

The axis is the same for every row (22 to 44 weeks, wider only where an infant needs it), so that rows can be compared
by eye. Horizontal places are percentages: the strip is as wide as its column and its letters stay readable. There is no
style attribute and no script in it, so it obeys a strict content security policy; colours come from classes.
"""

from __future__ import annotations

from datetime import date
from typing import Final

from markupsafe import Markup, escape

from service.core.ages import Gestation, format_age
from service.core.decision import Ages, Window
from service.web.words import _

FIRST_WEEK: Final = 22
LAST_WEEK: Final = 44
HEIGHT: Final = 44


def draw_strip(ages: Ages, window: Window | None, today: date) -> Markup | None:
    """The strip for an infant of these ages `today`, or None where a postmenstrual age is not known.

    An age known in whole weeks is drawn from its younger reading, with the birth mark as wide as the doubt.
    """
    if ages.gestation is None or ages.postnatal_days is None or ages.postnatal_days < 0:
        return None
    gestation = Gestation.parse(ages.gestation)
    birth, now = gestation.low, gestation.low + ages.postnatal_days

    def age_on(day: date) -> int:
        return now + (day - today).days

    marks = [birth, gestation.high, now]
    if window is not None:
        marks += [age_on(window.opens), age_on(window.closes) + 1]
    start = min(FIRST_WEEK * 7, *(mark - 3 for mark in marks))
    end = max(LAST_WEEK * 7, *(mark + 7 for mark in marks))

    def place(age: float) -> str:
        return f"{100 * (age - start) / (end - start):.2f}%"

    def width(days: float) -> str:
        return f"{100 * days / (end - start):.2f}%"

    step = 4 if (end - start) // 7 <= 30 else 8
    weeks = [week for week in range(-(-start // 7), end // 7) if week % step == 0]
    said = _("Born at %(birth)s, %(now)s today", birth=ages.gestation, now=format_age(now))
    parts = [f'<line class="axis" x1="0" x2="100%" y1="{HEIGHT - 17}" y2="{HEIGHT - 17}"/>']
    parts += [
        f'<line class="axis" x1="{place(week * 7)}" x2="{place(week * 7)}" y1="{HEIGHT - 17}" y2="{HEIGHT - 13}"/>'
        f'<text class="week" x="{place(week * 7)}" y="{HEIGHT - 2}" text-anchor="middle">{week}w</text>'
        for week in weeks
    ]
    if window is not None:
        opens, due, closes = age_on(window.opens), age_on(window.due), age_on(window.closes)
        first, last = format_age(max(opens, 0)), format_age(max(closes, 0))
        said = _("%(said)s; window from %(first)s to %(last)s", said=said, first=first, last=last)
        parts.append(
            f'<rect class="window" x="{place(opens)}" width="{width(closes + 1 - opens)}" y="6" height="18" rx="3"/>'
            f'<line class="due" x1="{place(due + 0.5)}" x2="{place(due + 0.5)}" y1="6" y2="24"/>'
        )
    parts.append(
        f'<rect class="lived" x="{place(birth)}" width="{width(now - birth)}" y="13" height="4" rx="2"/>'
        f'<rect class="birth" x="{place(birth)}" width="{width(gestation.high - birth)}" y="9" height="12" rx="6"/>'
        f'<circle class="birth" cx="{place((birth + gestation.high) / 2)}" cy="15" r="5"/>'
        f'<svg x="{place(now + 0.5)}" y="0" width="1" height="{HEIGHT}" overflow="visible">'
        f'<path class="today" d="M0 8 L-6 0 L6 0 Z M-1 6 H1 V{HEIGHT - 17} H-1 Z"/></svg>'
    )
    return Markup(  # noqa: S704 -- every piece above is a number or escaped here
        f'<svg class="strip" role="img" aria-label="{escape(said)}" width="100%" height="{HEIGHT}">'
        f"{''.join(parts)}</svg>"
    )
