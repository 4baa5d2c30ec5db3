"""Facts. Append-only: nothing here changes what was once said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, Row, and_, func, insert, select

from service.core.history import Recorded
from service.core.infant import Fact, Version
from service.store.names import Membership
from service.store.tables import arrivals, facts


def append(connection: Connection, site: str, said: Sequence[tuple[int, Fact]], now: datetime) -> None:
    """Add facts, each with the id of the arrival that said it."""
    if said:
        connection.execute(
            insert(facts),
            [
                {
                    "site": site, "arrival": arrival, "resource": fact.resource, **version_of(fact.version),
                    "patient": fact.patient, "name": fact.name, "value": dict(fact.value), "rank": fact.rank,
                    "certain": fact.certain, "issued": fact.issued, "recorded_at": now,
                }
                for arrival, fact in said
            ],
        )  # fmt: skip


def of_patients(
    connection: Connection, site: str, patients: Iterable[str], known_at: datetime | None = None
) -> dict[str, list[Fact]]:
    """Every fact, of every version, by the patient id it was said of; `known_at`: recorded up to that instant."""
    found: dict[str, list[Fact]] = {patient: [] for patient in patients}
    if not found:
        return found
    query = select(facts).where(facts.c.site == site, facts.c.patient.in_(list(found))).order_by(facts.c.id)
    if known_at is not None:
        query = query.where(facts.c.recorded_at <= known_at)
    for row in connection.execute(query):
        found[row.patient].append(fact_of(row))
    return found


def recorded(connection: Connection, site: str, names: Sequence[Membership]) -> list[Recorded]:
    """Every fact said of a record under any of its names while the name was its own, in the order in which it came to
    count: when it was recorded, or when the name was taken for the record's."""
    query = (
        select(facts, arrivals.c.feed)
        .join(arrivals, and_(arrivals.c.site == facts.c.site, arrivals.c.id == facts.c.arrival))
        .where(facts.c.site == site, facts.c.patient.in_({each.name for each in names}))
        .order_by(facts.c.id)
    )
    rows = list(connection.execute(query))
    found = []
    for each in names:
        for row in rows:
            at = row.recorded_at if each.since is None else max(row.recorded_at, each.since)
            if row.patient == each.name and (each.until is None or at < each.until):
                found.append(Recorded(fact_of(row), at, row.feed, each.until))
    return sorted(found, key=lambda each: each.at)


def of_resources(connection: Connection, site: str, resources: Iterable[str]) -> dict[str, list[Fact]]:
    """Every fact, of every version, by the resource that said it."""
    found: dict[str, list[Fact]] = {resource: [] for resource in resources}
    query = select(facts).where(facts.c.site == site, facts.c.resource.in_(list(found))).order_by(facts.c.id)
    for row in connection.execute(query):
        found[row.resource].append(fact_of(row))
    return found


def places(connection: Connection, site: str, known_at: datetime | None = None) -> list[Fact]:
    """Every fact about a place of the site; `known_at`: recorded up to that instant."""
    query = select(facts).where(facts.c.site == site, facts.c.patient == "", facts.c.name == "place")
    if known_at is not None:
        query = query.where(facts.c.recorded_at <= known_at)
    return [fact_of(row) for row in connection.execute(query.order_by(facts.c.id))]


def dated_ahead(connection: Connection, site: str, zone: str, today: date) -> list[str]:
    """Patient ids of whom something was recorded before the day it is dated on, and the day has come."""
    day = facts.c.value["on"].astext
    query = select(facts.c.patient).where(
        facts.c.site == site, facts.c.patient != "", day <= today.isoformat(),
        day > func.to_char(func.timezone(zone, facts.c.recorded_at), "YYYY-MM-DD"),
    )  # fmt: skip
    return list(connection.execute(query.distinct()).scalars())


def fact_of(row: Row[Any]) -> Fact:
    """The fact a row of `facts` holds."""
    return Fact(
        patient=row.patient, name=row.name, value=row.value, resource=row.resource,
        version=Version(row.version_number, row.version_updated, row.version_label, row.version_reading),
        rank=row.rank, certain=row.certain, issued=row.issued,
    )  # fmt: skip


def version_of(version: Version) -> dict[str, Any]:
    """The columns that hold a version, in facts and rejections."""
    return {
        "version_number": version.number,
        "version_updated": version.updated,
        "version_label": version.label,
        "version_reading": version.reading,
    }
