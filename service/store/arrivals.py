"""Arrivals: what came in, kept byte for byte before anybody tries to read it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, select, update

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


def keep(connection: Connection, came: Sequence[Arrival], now: datetime, mapping: Mapping[str, int]) -> list[Kept]:
    """Store arrivals in order; each gets an id. They are durable once the transaction commits.

    They are stored as digested, for the same transaction digests them, under the `mapping` of their site: where that
    fails, call `mark_failed`.
    """
    if not came:
        return []
    rows = [
        {
            "site": a.site, "received_at": now, "feed": a.feed, "method": a.method, "path": a.path, "body": a.body,
            "state": "digested", "digested_at": now, "attempts": 1, "mapping": mapping[a.site],
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
    return [_kept(row) for row in connection.execute(query)]


def read_otherwise(connection: Connection, site: str, mapping: int, limit: int) -> list[Kept]:
    """The oldest arrivals of a site that were last read under an earlier mapping than this one, locked until the
    transaction ends. What nobody could digest is left to `undigested`."""
    a = arrivals.c
    query = select(arrivals).where(a.site == site, a.mapping < mapping, a.state == "digested")
    return [_kept(row) for row in connection.execute(query.order_by(a.mapping, a.id).limit(limit).with_for_update())]


def with_ids(connection: Connection, site: str, ids: Collection[int]) -> list[Kept]:
    """These arrivals of a site, those among them that were digested once, oldest first, locked until the transaction
    ends."""
    a = arrivals.c
    query = select(arrivals).where(a.site == site, a.id.in_(list(ids)), a.state == "digested").order_by(a.id)
    return [_kept(row) for row in connection.execute(query.with_for_update())]


def latest(connection: Connection, site: str, limit: int) -> list[Kept]:
    """What came last at a site, newest first."""
    query = select(arrivals).where(arrivals.c.site == site).order_by(arrivals.c.id.desc()).limit(limit)
    return [_kept(row) for row in connection.execute(query)]


def count(connection: Connection, site: str) -> int:
    """How many arrivals of a site are kept."""
    return connection.execute(select(func.count()).where(arrivals.c.site == site)).scalar_one()


def _kept(row: Row[Any]) -> Kept:
    return Kept(row.id, row.received_at, Arrival(row.site, row.feed, row.body, row.method, row.path))


def count_read_otherwise(connection: Connection, site: str, mapping: int) -> int:
    """How many arrivals were last read under an earlier mapping."""
    a = arrivals.c
    query = select(func.count()).where(a.site == site, a.mapping < mapping, a.state == "digested")
    return connection.execute(query).scalar_one()


def any_read_otherwise(connection: Connection, site: str, mapping: int) -> bool:
    """Whether an arrival was last read under an earlier mapping."""
    a = arrivals.c
    query = select(a.id).where(a.site == site, a.mapping < mapping, a.state == "digested").limit(1)
    return connection.execute(query).first() is not None


def mark_read(connection: Connection, site: str, ids: Collection[int], mapping: int) -> None:
    """These arrivals have been read again, under this mapping."""
    connection.execute(
        update(arrivals).where(arrivals.c.site == site, arrivals.c.id.in_(list(ids))).values(mapping=mapping)
    )


def mark_digested(connection: Connection, site: str, ids: Sequence[int], now: datetime, mapping: int) -> None:
    """These arrivals have been read: what they say is in facts and rejections."""
    connection.execute(
        update(arrivals)
        .where(arrivals.c.site == site, arrivals.c.id.in_(ids))
        .values(state="digested", digested_at=now, problem=None, attempts=arrivals.c.attempts + 1, mapping=mapping)
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


def bodies(connection: Connection, site: str, ids: Collection[int]) -> dict[int, bytes]:
    """The bytes of these arrivals, by id."""
    query = select(arrivals.c.id, arrivals.c.body).where(arrivals.c.site == site, arrivals.c.id.in_(list(ids)))
    return {row.id: bytes(row.body) for row in connection.execute(query)}


def sites_waiting(connection: Connection) -> set[str]:
    """Sites with an arrival that nobody has digested."""
    return set(connection.execute(select(arrivals.c.site).where(arrivals.c.state != "digested").distinct()).scalars())


def last_heard(connection: Connection, site: str, but: str) -> datetime | None:
    """When anything last came in at a site by another feed than this one."""
    query = select(arrivals.c.received_at).where(arrivals.c.site == site, arrivals.c.feed != but)
    return connection.execute(query.order_by(arrivals.c.id.desc()).limit(1)).scalar()
