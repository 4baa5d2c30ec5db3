"""What comes in and goes out at a site, counted: arrivals by feed and day, what is stuck, what waits to be said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Date, case, cast, func, select

from service.store.tables import arrivals, cursors, outbox, rejections

DAYS: Final = 14
"""How many days are counted, today among them."""


@dataclass(frozen=True, slots=True)
class Feed:
    """One way in. `by_day` has every day of the last `DAYS` at the site, oldest first; `longest` is the longest time
    between two arrivals within them, and `gaps` how many such times there were."""

    name: str
    last: datetime
    by_day: tuple[tuple[date, int], ...]
    longest: timedelta | None
    gaps: int


@dataclass(frozen=True, slots=True)
class Stuck:
    """Arrivals that are kept and could not be worked out: `problem` is the kind of fault."""

    problem: str
    number: int
    attempts: int
    since: datetime


@dataclass(frozen=True, slots=True)
class Said:
    """Steps that a channel still has to say: `waiting` (not tried yet), `put-off` (will be tried again at `next`), or
    `refused` (will not be taken until somebody changes something), all with the same `problem`."""

    channel: str
    state: str
    problem: str
    number: int
    attempts: int
    since: datetime
    next: datetime


@dataclass(frozen=True, slots=True)
class Traffic:
    """All of it at one site. `cursors`: how far each feed has come, and when that was kept."""

    feeds: tuple[Feed, ...]
    stuck: tuple[Stuck, ...]
    said: tuple[Said, ...]
    cursors: Mapping[str, tuple[Mapping[str, Any], datetime]]
    rejected: int


def look(connection: Connection, site: str, zone: ZoneInfo, today: date) -> Traffic:
    """What comes in and goes out at a site whose calendar day is `today` in its time zone."""
    first = today - timedelta(days=DAYS - 1)
    begins = datetime.combine(first, time(), zone)
    counted = _by_day(connection, site, begins, zone.key)
    gaps = _gaps(connection, site, begins)
    a = arrivals.c
    last = connection.execute(select(a.feed, func.max(a.received_at)).where(a.site == site).group_by(a.feed))
    days = [first + timedelta(days=n) for n in range(DAYS)]
    feeds = tuple(
        Feed(name, moment, tuple((day, counted.get((name, day), 0)) for day in days), *gaps.get(name, (None, 0)))
        for name, moment in sorted(tuple(row) for row in last)
    )
    c, r = cursors.c, rejections.c
    kept = {
        row.feed: (row.value, row.updated_at)
        for row in connection.execute(select(c.feed, c.value, c.updated_at).where(c.site == site))
    }
    rejected = connection.execute(select(func.count()).where(r.site == site, r.superseded_at.is_(None))).scalar_one()
    return Traffic(feeds, _stuck(connection, site), _said(connection, site), kept, rejected)


def _by_day(connection: Connection, site: str, begins: datetime, zone: str) -> dict[tuple[str, date], int]:
    a = arrivals.c
    day = cast(func.timezone(zone, a.received_at), Date).label("day")
    query = select(a.feed, day, func.count().label("number")).where(a.site == site, a.received_at >= begins)
    return {(row.feed, row.day): row.number for row in connection.execute(query.group_by(a.feed, day))}


def _gaps(connection: Connection, site: str, begins: datetime) -> dict[str, tuple[timedelta | None, int]]:
    a = arrivals.c
    before = func.lag(a.received_at).over(partition_by=a.feed, order_by=a.received_at)
    times = select(a.feed, (a.received_at - before).label("gap")).where(a.site == site, a.received_at >= begins)
    gap = times.subquery().c
    query = select(gap.feed, func.max(gap.gap), func.count(gap.gap)).where(gap.gap > timedelta(0)).group_by(gap.feed)
    return {feed: (longest, number) for feed, longest, number in connection.execute(query)}


def _stuck(connection: Connection, site: str) -> tuple[Stuck, ...]:
    a = arrivals.c
    problem = func.coalesce(a.problem, "").label("problem")
    query = (
        select(problem, func.count(), func.max(a.attempts), func.min(a.received_at))
        .where(a.site == site, a.state != "digested")
        .group_by(problem)
        .order_by(func.count().desc())
    )
    return tuple(Stuck(*row) for row in connection.execute(query))


def _said(connection: Connection, site: str) -> tuple[Said, ...]:
    """What waits, and of what was refused the last word about each step."""
    o = outbox.c
    latest = select(func.max(o.id)).where(o.site == site).group_by(o.channel, o.patient, o.step)
    problem = func.coalesce(o.problem, "").label("problem")
    state = case((o.state == "refused", "refused"), (o.attempts > 0, "put-off"), else_="waiting").label("state")
    query = (
        select(
            o.channel, state, problem, func.count(), func.max(o.attempts), func.min(o.created_at), func.min(o.due_at)
        )
        .where(o.site == site, o.state.in_(("waiting", "refused")), o.id.in_(latest))
        .group_by(o.channel, state, problem)
        .order_by(o.channel, state, func.count().desc())
    )
    return tuple(Said(*row) for row in connection.execute(query))
