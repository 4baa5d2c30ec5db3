"""Facts and rejections. Append-only: nothing here changes what was once said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, insert, select, update

from service.core.infant import Fact, Rejection, Version
from service.store.tables import facts, infants, rejections


def append(connection: Connection, site: str, said: Sequence[tuple[int, Fact]], now: datetime) -> None:
    """Add facts, each with the id of the arrival that said it."""
    if said:
        connection.execute(
            insert(facts),
            [
                {
                    "site": site, "arrival": arrival, "resource": fact.resource, **_version(fact.version),
                    "patient": fact.patient, "name": fact.name, "value": dict(fact.value), "rank": fact.rank,
                    "certain": fact.certain, "issued": fact.issued, "recorded_at": now,
                }
                for arrival, fact in said
            ],
        )  # fmt: skip


def of_patients(connection: Connection, site: str, patients: Iterable[str]) -> dict[str, list[Fact]]:
    """Every fact, of every version, by the patient id it was said of."""
    found: dict[str, list[Fact]] = {patient: [] for patient in patients}
    if not found:
        return found
    query = select(facts).where(facts.c.site == site, facts.c.patient.in_(list(found))).order_by(facts.c.id)
    for row in connection.execute(query):
        found[row.patient].append(fact_of(row))
    return found


def of_resources(connection: Connection, site: str, resources: Iterable[str]) -> dict[str, list[Fact]]:
    """Every fact, of every version, by the resource that said it."""
    found: dict[str, list[Fact]] = {resource: [] for resource in resources}
    query = select(facts).where(facts.c.site == site, facts.c.resource.in_(list(found))).order_by(facts.c.id)
    for row in connection.execute(query):
        found[row.resource].append(fact_of(row))
    return found


def places(connection: Connection, site: str) -> list[Fact]:
    """Every fact about a place of the site."""
    query = select(facts).where(facts.c.site == site, facts.c.patient == "", facts.c.name == "place")
    return [fact_of(row) for row in connection.execute(query.order_by(facts.c.id))]


def fact_of(row: Row[Any]) -> Fact:
    """The fact a row of `facts` holds."""
    return Fact(
        patient=row.patient, name=row.name, value=row.value, resource=row.resource,
        version=Version(row.version_number, row.version_updated, row.version_label),
        rank=row.rank, certain=row.certain, issued=row.issued,
    )  # fmt: skip


# --- rejections ----------------------------------------------------------------------------------------------------


def reject(
    connection: Connection, site: str, refused: Sequence[tuple[int, Version, Rejection, bool]], now: datetime
) -> None:
    """Keep rejections, each with its arrival, the version it is about, and whether a newer version is known already."""
    if refused:
        connection.execute(
            insert(rejections),
            [
                {
                    "site": site, "arrival": arrival, "resource": rejection.resource, **_version(version),
                    "patient": rejection.patient, "about": rejection.about, "path": rejection.path,
                    "reason": rejection.reason, "recorded_at": now, "superseded_at": now if superseded else None,
                }
                for arrival, version, rejection, superseded in refused
            ],
        )  # fmt: skip


def kept_rejections(connection: Connection, site: str, resources: Iterable[str]) -> list[Row[Any]]:
    """Every rejection kept for these resources, current or not."""
    query = select(rejections).where(rejections.c.site == site, rejections.c.resource.in_(list(resources)))
    return list(connection.execute(query))


def supersede(connection: Connection, site: str, ids: Sequence[int], now: datetime) -> None:
    """These rejections have been answered by a newer version."""
    if ids:
        connection.execute(
            update(rejections).where(rejections.c.site == site, rejections.c.id.in_(ids)).values(superseded_at=now)
        )


def current_rejections(
    connection: Connection, site: str | None, patients: Sequence[str] | None = None
) -> list[Row[Any]]:
    """Rejections nobody has answered with a newer version, newest first, with the infant's opaque key where known."""
    where: list[ColumnElement[bool]] = [rejections.c.superseded_at.is_(None)]
    if site is not None:
        where.append(rejections.c.site == site)
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
    )
    return list(connection.execute(query))


def _version(version: Version) -> dict[str, Any]:
    return {
        "version_number": version.number,
        "version_updated": version.updated,
        "version_label": version.label,
    }
