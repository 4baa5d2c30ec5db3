"""Arrivals: what came in, kept byte for byte before anybody tries to read it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, insert, select, update

from service.store.tables import arrivals


@dataclass(frozen=True, slots=True)
class Arrival:
    """One thing a feed brought: `body` as it came, `method` and `path` as an HTTP feed saw them."""

    site: str
    feed: str
    body: bytes
    method: str = ""
    path: str = ""


@dataclass(frozen=True, slots=True)
class Kept:
    """An arrival with the id the store gave it."""

    id: int
    received_at: datetime
    arrival: Arrival


def keep(connection: Connection, came: Sequence[Arrival], now: datetime) -> list[Kept]:
    """Store arrivals in order; each gets an id. They are durable once the transaction commits.

    They are stored as digested, for the same transaction digests them: where that fails, call `mark_failed`.
    """
    if not came:
        return []
    rows = [
        {
            "site": a.site, "received_at": now, "feed": a.feed, "method": a.method, "path": a.path, "body": a.body,
            "state": "digested", "digested_at": now, "attempts": 1,
        }
        for a in came
    ]  # fmt: skip
    statement = insert(arrivals).returning(arrivals.c.id, sort_by_parameter_order=True)
    ids = connection.execute(statement, rows).scalars().all()
    return [Kept(id, now, arrival) for id, arrival in zip(ids, came, strict=True)]


def undigested(connection: Connection, site: str, limit: int) -> list[Kept]:
    """The oldest arrivals of a site that nobody has digested, locked until the transaction ends; rows another
    worker holds are left to it."""
    query = (
        select(arrivals)
        .where(arrivals.c.site == site, arrivals.c.state != "digested")
        .order_by(arrivals.c.attempts, arrivals.c.id)
        .limit(limit)
        .with_for_update(skip_locked=True)
    )
    return [
        Kept(row.id, row.received_at, Arrival(site, row.feed, row.body, row.method, row.path))
        for row in connection.execute(query)
    ]


def mark_digested(connection: Connection, site: str, ids: Sequence[int], now: datetime) -> None:
    """These arrivals have been read: what they say is in facts and rejections."""
    connection.execute(
        update(arrivals)
        .where(arrivals.c.site == site, arrivals.c.id.in_(ids))
        .values(state="digested", digested_at=now, problem=None, attempts=arrivals.c.attempts + 1)
    )


def mark_failed(connection: Connection, site: str, id: int, problem: str) -> None:
    """This arrival could not be digested and will be tried again. `problem` holds no value of a patient."""
    connection.execute(
        update(arrivals)
        .where(arrivals.c.site == site, arrivals.c.id == id)
        .values(state="failed", problem=problem, digested_at=None, attempts=arrivals.c.attempts + 1)
    )


def body_of(connection: Connection, site: str, id: int) -> bytes:
    """The bytes of one arrival."""
    return bytes(
        connection.execute(select(arrivals.c.body).where(arrivals.c.site == site, arrivals.c.id == id)).scalar_one()
    )


def sites_waiting(connection: Connection) -> set[str]:
    """Sites with an arrival that nobody has digested."""
    return set(connection.execute(select(arrivals.c.site).where(arrivals.c.state != "digested").distinct()).scalars())


def last_heard(connection: Connection, site: str, but: str) -> datetime | None:
    """When anything last came in at a site by another feed than this one."""
    query = select(arrivals.c.received_at).where(arrivals.c.site == site, arrivals.c.feed != but)
    return connection.execute(query.order_by(arrivals.c.id.desc()).limit(1)).scalar()
