"""The picture of the coming weeks: how many infants each site's examiner should see in which week, as bars.

Pure. Only what is asked for now is counted, each infant once, in the week of its best day (late: in this week); every
exam asks for another, so the later weeks will fill.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from markupsafe import Markup, escape

from service.core.worklist import Entry
from service.fhir.sites import Site
from service.fhir.step import EXAMS
from service.web.view import say_day
from service.web.words import _, ngettext_, say_date

WEEKS: Final = 6
HEIGHT: Final = 74
BASE: Final = 52
"""Where the bars stand, in pixels from the top; beneath are the days."""
TALLEST: Final = 34


@dataclass(frozen=True, slots=True)
class Load:
    """What one site's weeks hold. `weeks` are their Mondays, `counts` the infants to be seen in each, `late` those of
    the first week whose window has passed."""

    site: str
    name: str
    weeks: tuple[date, ...]
    counts: tuple[int, ...]
    late: int

    def words(self) -> tuple[str, ...]:
        """Each week and its number, to read instead of the picture."""
        return tuple(
            f"{say_week(monday, self.weeks[0], first=monday == self.weeks[0])}: {count}"
            for monday, count in zip(self.weeks, self.counts, strict=True)
        )


def count_load(
    entries: Iterable[Entry], today_of: Callable[[str], date], sites: Mapping[str, Site], weeks: int = WEEKS
) -> list[Load]:
    """The load of each site, from its own week on. What is due after the last week is not in it."""
    counted: dict[str, list[int]] = {id: [0] * weeks for id in sites}
    late = dict.fromkeys(sites, 0)
    mondays = {id: _monday(today_of(id)) for id in sites}
    for entry in entries:
        if entry.kind not in EXAMS:
            continue
        today = today_of(entry.site)
        week = (_monday(max(entry.window.due, today)) - mondays[entry.site]).days // 7
        if week < weeks:
            counted[entry.site][week] += 1
            late[entry.site] += today > entry.window.closes
    return [
        Load(
            id, site.name, tuple(mondays[id] + timedelta(weeks=each) for each in range(weeks)), tuple(counted[id]),
            late[id],
        )
        for id, site in sites.items()
    ]  # fmt: skip


def draw_load(load: Load, highest: int) -> Markup:
    """One site's bars, with the number above each. `highest`: the number the tallest bar of all sites stands for, so
    that sites can be compared by eye. Places along it are percentages; there is no style attribute in it."""
    step = 100 / len(load.weeks)
    said = _("%(site)s, exams by week: %(weeks)s", site=load.name, weeks="; ".join(load.words()))
    parts = [f'<line class="axis" x1="0" x2="100%" y1="{BASE}" y2="{BASE}"/>']
    for number, (monday, count) in enumerate(zip(load.weeks, load.counts, strict=True)):
        day = escape(say_date(monday, "d MMM"))
        left, middle = f"{number * step + step * 0.14:.2f}%", f"{(number + 0.5) * step:.2f}%"
        tall = TALLEST * count / highest if highest else 0
        if count:
            parts.append(
                f'<rect class="bar" x="{left}" width="{step * 0.72:.2f}%" y="{BASE - tall:.1f}" height="{tall:.1f}"/>'
            )
        if number == 0 and load.late:
            part = TALLEST * load.late / highest
            parts.append(
                f'<rect class="bar late" x="{left}" width="{step * 0.72:.2f}%" y="{BASE - part:.1f}" '
                f'height="{part:.1f}"/>'
            )
        parts.append(
            f'<text class="number{"" if count else " none"}" x="{middle}" y="{BASE - tall - 5:.1f}" '
            f'text-anchor="middle">{count}</text>'
            f'<text class="week" x="{middle}" y="{BASE + 16}" text-anchor="middle">{day}</text>'
        )
    return Markup(  # noqa: S704 -- every piece above is a number, a day or escaped here
        f'<svg class="load" role="img" aria-label="{escape(said)}" width="100%" height="{HEIGHT}">'
        f"{''.join(parts)}</svg>"
    )


def highest(loads: Sequence[Load]) -> int:
    """The largest number of any week of any site."""
    return max((count for load in loads for count in load.counts), default=0)


def say_week(monday: date, beside: date, *, first: bool = False) -> str:
    """`This week`, `week of Mon 9 Jun`."""
    return _("this week") if first else _("week of %(day)s", day=say_day(monday, beside))


def say_late(load: Load) -> str:
    """How many of this week's are late; "" where none is."""
    return ngettext_("%(n)s late", "%(n)s late", load.late) if load.late else ""


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())
