"""The ranked list. The sort key *is* the specification: see `rank`."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from service.core.ages import Gestation
from service.core.decision import Decision, Kind, Window

Bucket = Literal["overdue", "today", "this-week", "later"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One infant who needs something, as the list shows it.

    `key` is the infant's opaque id in URLs and published resources; `identifier` the site's own number (shown to
    people, never in a URL or a log).
    """

    site: str
    key: str
    patient: str
    name: str
    identifier: str
    unit: str
    bed: str
    left_hospital: bool
    decision: Decision
    kind: Kind
    window: Window
    leaves_on: date | None = None
    support: str = ""

    @property
    def needs_hand_over(self) -> bool:
        """Whether the infant has left and nobody is on record who takes over."""
        return self.left_hospital and any(step.kind == "hand-over" for step in self.decision.also)


def rank(entries: Iterable[Entry], today_at: Callable[[str], date]) -> list[Entry]:
    """The list in the order in which somebody should act. `today_at(site)` is the site's own calendar day.

    The order is:

    1. late before not late: the site's today is after `closes`;
    2. among the late, more days over first; among the others, fewer days left to `closes` first; an exam that was put
       off more than once counts as a week later for each further time (a choice of this project);
    3. then `due`, then `opens`, earlier first;
    4. who has left hospital with nobody to take over, then who has left, then who is still on the unit;
    5. the younger at birth first (not known counts as youngest), then the lighter (likewise);
    6. site and key, so that the order never depends on chance.

    What cannot be judged yet and who has left hospital rank by their own date like everyone else: never last by
    default. Days are counted on each site's own calendar, so that two time zones never compare instants.
    """
    return sorted(entries, key=lambda entry: _order(entry, today_at(entry.site)))


def _order(entry: Entry, today: date) -> tuple[object, ...]:
    window, ages = entry.window, entry.decision.ages
    left = (window.closes - today).days - 7 * max(len(entry.decision.deferrals) - 1, 0)
    gestation = Gestation.parse(ages.gestation).low if ages.gestation else 0
    return (
        left,  # negative when late
        (window.due - today).days,
        (window.opens - today).days,
        not entry.needs_hand_over,
        not entry.left_hospital,
        gestation,
        entry.decision.birth_weight or 0,
        entry.site,
        entry.key,
    )


def bucket(entry: Entry, today: date) -> Bucket:
    """Where the list shows it: overdue after `closes`; today from `due` on, and while a treatment clock runs; this week
    when `due` is one to six days ahead; later otherwise. Computed at read time: midnight needs no job."""
    if today > entry.window.closes:
        return "overdue"
    if today >= entry.window.due or entry.kind == "treatment":  # its clock is running
        return "today"
    return "this-week" if (entry.window.due - today).days < 7 else "later"


def days_over(entry: Entry, today: date) -> int:
    """Whole days past `closes`; 0 when not late."""
    return max((today - entry.window.closes).days, 0)


def round_day(window: Window, today: date, weekdays: Collection[int]) -> date | None:
    """The day of a round on which a window is best kept: the first from `due` on, else the last before it; never
    before today, nor before the window opens, nor after it closes. Late: the next round. `weekdays`: the days on which
    rounds are held, 0 is Monday; empty: every day. None where no round falls into what is left of the window."""
    start = max(window.opens, today)
    if today > window.closes:
        return next(_rounds(today, today + timedelta(days=6), weekdays), None)
    best = next(_rounds(max(window.due, start), window.closes, weekdays), None)
    return best or max(_rounds(start, window.due, weekdays), default=None)


def _rounds(first: date, last: date, weekdays: Collection[int]) -> Iterator[date]:
    days = (first + timedelta(days=each) for each in range((last - first).days + 1))
    return (day for day in days if not weekdays or day.weekday() in weekdays)
