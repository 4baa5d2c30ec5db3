"""Facts. Append-only: nothing here changes what was once said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import Connection, Date, Numeric, Row, and_, case, cast, distinct, false, func, insert, select, tuple_

from service.core.history import Recorded
from service.core.infant import GENERAL_CODE_DAYS, Fact, Version
from service.store.names import Membership
from service.store.tables import aliases, arrivals, facts, infants


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
    """Patient ids of whom something was recorded before the day it is dated on or begins, and the day has come."""
    day = func.coalesce(facts.c.value["on"].astext, facts.c.value["since"].astext)
    query = select(facts.c.patient).where(
        facts.c.site == site, facts.c.patient != "", day <= today.isoformat(),
        day > func.to_char(func.timezone(zone, facts.c.recorded_at), "YYYY-MM-DD"),
    )  # fmt: skip
    return list(connection.execute(query.distinct()).scalars())


_AT_BIRTH: Final = ("born", "gestation", "birth_weight", "risk")
"""What eligibility may rest on."""


def at_birth(connection: Connection, site: str) -> list[Row[Any]]:
    """What eligibility rests on, of everybody at a site who is not to be examined by the last decision: `patient`,
    `gestation` (the fewest days), `grams` (the least) and `at_risk`, of all ever said of each, corrected or not.

    `gestation` and `grams` are None where possibly none counts: where no resource says one in each of its versions and
    for certain, where one was sent that could not be read, and where the record goes by other names as well.
    """
    value, name = facts.c.value, facts.c.name
    version = tuple_(facts.c.version_number, facts.c.version_updated, facts.c.version_label, facts.c.version_reading)
    versions = func.count(distinct(version))

    def least(said: str, key: str, kind: Any) -> Any:
        return func.min(cast(value[key].astext, kind)).filter(name == said)

    def always(said: str) -> Any:
        return versions.filter(name == said) == versions

    def sure(said: str) -> Any:
        return func.bool_and(facts.c.certain).filter(name == said)

    def lost(said: str) -> Any:
        return func.bool_or((name == "unreadable") & (value["of"].astext == said))

    late = func.max(cast(value["observed"].astext, Date)).filter((name == "gestation") & (facts.c.rank > 1))
    off = infants.c.state == "not-eligible"
    telling = select(facts.c.resource).where(facts.c.site == site, name.in_((*_AT_BIRTH, "unreadable")))
    each = (
        select(
            facts.c.patient,
            func.bool_or(name == "risk").label("at_risk"),
            least("born", "low", Date).label("born"), always("born").label("birth_stands"), late.label("late"),
            least("gestation", "low", Numeric).label("gestation"), lost("gestation").label("gestation_lost"),
            (always("gestation") & sure("gestation")).label("gestation_stands"),
            least("birth_weight", "grams", Numeric).label("grams"), lost("birth_weight").label("grams_lost"),
            (always("birth_weight") & sure("birth_weight")).label("grams_stand"),
        )
        .join(infants, and_(infants.c.site == facts.c.site, infants.c.patient == facts.c.patient))
        .where(facts.c.site == site, off, facts.c.resource.in_(telling))
        .group_by(facts.c.patient, facts.c.resource)
        .subquery()
    )  # fmt: skip
    other, said = aliases.alias(), facts.alias()
    named = (
        select(aliases.c.patient)
        .where(
            aliases.c.site == site,
            aliases.c.alias.not_like("%|%")
            | select(said.c.id).where(said.c.site == site, said.c.patient == aliases.c.alias).exists()
            | select(other.c.alias).where(other.c.site == site, other.c.patient == aliases.c.alias).exists(),
        )
    )  # fmt: skip
    alone = infants.c.patient.not_in(named)
    early = func.max(each.c.late).is_(None) | (
        func.bool_or(each.c.birth_stands) & (func.max(each.c.late) <= func.min(each.c.born) + GENERAL_CODE_DAYS)
    )
    gestation = func.bool_or(each.c.gestation_stands) & ~func.bool_or(each.c.gestation_lost) & early
    grams = func.bool_or(each.c.grams_stand) & ~func.bool_or(each.c.grams_lost)
    query = (
        select(
            infants.c.patient,
            func.coalesce(func.bool_or(each.c.at_risk), false()).label("at_risk"),
            case((gestation & alone, func.min(each.c.gestation))).label("gestation"),
            case((grams & alone, func.min(each.c.grams))).label("grams"),
        )
        .join(each, each.c.patient == infants.c.patient, isouter=True)
        .where(infants.c.site == site, off)
        .group_by(infants.c.patient)
    )
    return list(connection.execute(query))


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
