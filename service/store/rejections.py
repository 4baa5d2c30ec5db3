"""What could not be read: kept, shown, and taken off when it is answered; never dropped.

A newer version of the resource answers a rejection, and so does a later reading of the same version, under another
mapping, that finds nothing wrong any more in its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, Row, and_, func, insert, or_, select, update

from service.core.infant import Fact, Reading, Rejection, Version, newest, standing
from service.store import troubles
from service.store.facts import version_of
from service.store.tables import infants, rejections

ADULT: Final = "this is the record of somebody who was not a newborn when first named, and it names no infant"
"""Why a birth weight on an adult's record is refused: by the decision, not by the reading."""


def settle(
    connection: Connection, site: str, read: Sequence[tuple[int, Reading]], known: Mapping[str, Sequence[Fact]],
    now: datetime,
) -> list[int]:  # fmt: skip
    """Keep what could not be read of some readings, each with its arrival, and take off what has been answered. `known`
    is all that was said of their resources, these readings included. The arrivals of what is new."""
    latest = {resource: standing({fact.version for fact in told})[-1] for resource, told in known.items() if told}
    before = kept(connection, site, known)
    open_ones = {_mark(row.resource, row.version_label, row): row for row in before if row.superseded_at is None}
    outdated = {
        _mark(row.resource, row.version_label, row)
        for row in before
        if _is_outdated(row.resource, row.version_label, latest)
    }
    new: list[tuple[int, Version, Rejection, bool]] = []
    seen = open_ones.keys() | outdated
    for arrival, reading in read:
        label = reading.version.label
        for rejection in reading.rejections:
            mark = _mark(reading.resource, label, rejection)
            if mark not in seen:
                seen.add(mark)
                old = _is_outdated(reading.resource, label, latest)
                new.append((arrival, reading.version, replace(rejection, resource=reading.resource), old))
    add(connection, site, new, now)
    again = {(reading.resource, reading.version.label): reading for _, reading in read}
    answered = [
        row.id
        for mark, row in open_ones.items()
        if mark in outdated or _is_answered(row, again.get((row.resource, row.version_label)))
    ]
    _explain_again(connection, site, open_ones, again)
    if answered:
        r = rejections.c
        connection.execute(update(rejections).where(r.site == site, r.id.in_(answered)).values(superseded_at=now))
    return [arrival for arrival, *_ in new]


def add(
    connection: Connection, site: str, refused: Sequence[tuple[int, Version, Rejection, bool]], now: datetime
) -> None:
    """Keep rejections, each with its arrival, the version it is about, and whether a newer version is known already."""
    if refused:
        known = troubles.ids(connection, site, (each.trouble for _, _, each, _ in refused if each.trouble))
        connection.execute(
            insert(rejections),
            [
                {
                    "site": site, "arrival": arrival, "resource": rejection.resource, **version_of(version),
                    "patient": rejection.patient, "about": rejection.about, "path": rejection.path,
                    "reason": rejection.reason, "recorded_at": now, "superseded_at": now if superseded else None,
                    "trouble": known[troubles.mark(rejection.trouble)] if rejection.trouble else None,
                }
                for arrival, version, rejection, superseded in refused
            ],
        )  # fmt: skip


def refuse_adult(connection: Connection, site: str, said: Iterable[Fact], arrival: int, now: datetime) -> None:
    """A birth weight or gestational age on the record of somebody who is no newborn, naming no infant."""
    current, _ = newest(said)
    wrong = [fact for fact in current if fact.name in ("birth_weight", "gestation")]
    seen = {_mark(row.resource, row.version_label, row) for row in kept(connection, site, {f.resource for f in wrong})}
    refused = []
    for fact in wrong:
        rejection = Rejection(fact.resource, "Observation.subject", ADULT, "", fact.name)
        if _mark(fact.resource, fact.version.label, rejection) not in seen:
            refused.append((arrival, fact.version, rejection, False))
    add(connection, site, refused, now)


def kept(connection: Connection, site: str, resources: Iterable[str]) -> list[Row[Any]]:
    """Every rejection kept for these resources, current or not."""
    query = select(rejections).where(rejections.c.site == site, rejections.c.resource.in_(list(resources)))
    return list(connection.execute(query))


def of_arrivals(connection: Connection, site: str, ids: Iterable[int]) -> set[int]:
    """The rejections in force that these arrivals gave."""
    r = rejections.c
    query = select(r.id).where(r.site == site, r.arrival.in_(list(ids)), r.superseded_at.is_(None))
    return set(connection.execute(query).scalars())


def current(
    connection: Connection, sites: Sequence[str], patients: Sequence[str] | None = None,
    known_at: datetime | None = None, limit: int | None = None, offset: int = 0,
) -> list[Row[Any]]:  # fmt: skip
    """Rejections of these sites nobody has answered (`known_at`: had answered by then), newest first, with the infant's
    opaque key where known; from the one numbered `offset` on, at most `limit`."""
    where: list[ColumnElement[bool]] = [rejections.c.superseded_at.is_(None)]
    if known_at is not None:
        open_then = or_(rejections.c.superseded_at.is_(None), rejections.c.superseded_at > known_at)
        where = [rejections.c.recorded_at <= known_at, open_then]
    where.append(rejections.c.site.in_(sites))
    if patients is not None:
        where.append(rejections.c.patient.in_(patients))
    query = (
        select(rejections, infants.c.key)
        .join(
            infants,
            and_(infants.c.site == rejections.c.site, infants.c.patient == rejections.c.patient),
            isouter=True,
        )
        .where(*where)
        .order_by(rejections.c.recorded_at.desc(), rejections.c.id.desc())
        .limit(limit)
        .offset(offset)
    )
    return list(connection.execute(query))


def count(connection: Connection, sites: Sequence[str]) -> int:
    """How many rejections of these sites nobody has answered with a newer version."""
    query = select(func.count()).where(rejections.c.superseded_at.is_(None), rejections.c.site.in_(sites))
    return connection.execute(query).scalar_one()


def _explain_again(
    connection: Connection, site: str, open_ones: Mapping[tuple[str, str, str, str], Any],
    again: Mapping[tuple[str, str], Reading],
) -> None:  # fmt: skip
    """What the mapping lacks for rejections that are made again, where it was not known or is another trouble now."""
    said = {
        _mark(reading.resource, label, each): each.trouble
        for (_, label), reading in again.items()
        for each in reading.rejections
    }
    known = troubles.ids(connection, site, (each for mark in open_ones if (each := said.get(mark))))
    r = rejections.c
    for mark, row in open_ones.items():
        if mark in said:
            trouble = said[mark]
            now = known[troubles.mark(trouble)] if trouble else None
            if now != row.trouble:
                connection.execute(update(rejections).where(r.site == site, r.id == row.id).values(trouble=now))


def _mark(resource: str, label: str, rejection: Any) -> tuple[str, str, str, str]:
    """What makes a rejection the same one, whenever it is made."""
    return resource, label, rejection.path, rejection.reason


def _is_outdated(resource: str, label: str, latest: Mapping[str, Version]) -> bool:
    """Whether a newer version of the resource is known. What has no id of its own is never answered by another."""
    return "/" in resource and resource in latest and latest[resource].label != label


def _is_answered(row: Any, reading: Reading | None) -> bool:
    """Whether a later reading of the same version finds nothing wrong any more where this rejection did."""
    if reading is None or reading.version.reading <= row.version_reading:
        return False
    if row.reason == ADULT and row.about in {fact.name for fact in reading.facts}:
        return False
    return (row.path, row.reason) not in {(each.path, each.reason) for each in reading.rejections}
