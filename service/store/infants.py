"""Where every infant stands now, and every decision that led there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Integer, Row, Text, and_, cast, func, insert, or_, select, text
from sqlalchemy.dialects.postgresql import ARRAY
from sqlalchemy.dialects.postgresql import insert as upsert

from service.core.decision import Decision, from_json, to_json
from service.core.infant import Infant
from service.store.lookup import words_of
from service.store.tables import arrivals, decisions, infants

_PENDING: Final = text("infants.kind <> 'none'")
"""Something is to come. Word for word as the partial index has it: a bound parameter would hide the index."""


def rows_of(connection: Connection, site: str, patients: Iterable[str]) -> dict[str, Row[Any]]:
    """The infants' rows with the body of their last decision, by patient."""
    query = _with_decision().where(infants.c.site == site, infants.c.patient.in_(list(patients)))
    return {row.patient: row for row in connection.execute(query)}


def row_by_key(connection: Connection, key: UUID) -> Row[Any] | None:
    """The infant with this opaque key."""
    return connection.execute(_with_decision().where(infants.c.key == key)).one_or_none()


def by_keys(connection: Connection, site: str, keys: Sequence[UUID]) -> list[Row[Any]]:
    """The site's infants with these opaque keys."""
    return list(connection.execute(select(infants).where(infants.c.site == site, infants.c.key.in_(keys))))


def pending(connection: Connection, site: str) -> list[Row[Any]]:
    """Every infant for whom something is to come."""
    return list(connection.execute(select(infants).where(_PENDING, infants.c.site == site)))


def called(connection: Connection, sites: Sequence[str], name: str) -> list[tuple[str, str]]:
    """(site, key) of the infants with this Patient id; if there are none, with this number or this key."""
    query = select(infants.c.site, infants.c.patient, infants.c.key).where(
        infants.c.site.in_(sites),
        or_(infants.c.patient == name, infants.c.identifier == name, cast(infants.c.key, Text) == name),
    )
    rows = list(connection.execute(query.order_by(infants.c.site, infants.c.patient)))
    by_id = [row for row in rows if row.patient == name]
    return [(row.site, str(row.key)) for row in by_id or rows]


def last_decided(connection: Connection, site: str, known_at: datetime) -> list[Row[Any]]:
    """Every infant for whom something was to come by the last decision up to an instant, with that decision."""
    last = (
        select(func.max(decisions.c.id))
        .where(decisions.c.site == site, decisions.c.decided_at <= known_at)
        .group_by(decisions.c.patient)
    )
    query = (
        select(infants.c.site, infants.c.patient, infants.c.key, infants.c.known_since, decisions.c.body)
        .join(decisions, and_(decisions.c.site == infants.c.site, decisions.c.patient == infants.c.patient))
        .where(infants.c.site == site, decisions.c.id.in_(last), decisions.c.kind != "none")
    )
    return list(connection.execute(query))


def known(
    connection: Connection, site: str, day: date, known_at: datetime | None = None,
    among: Iterable[str] | None = None,
) -> dict[str, Row[Any]]:  # fmt: skip
    """Every infant the site knew by the end of a day (and at an instant), by patient; `among` these alone."""
    query = select(infants).where(infants.c.site == site, infants.c.known_since <= day)
    if among is not None:
        query = query.where(infants.c.patient == func.any(cast(list(among), ARRAY(Text))))
    if known_at is not None:
        query = query.where(infants.c.first_seen <= known_at)
    return {row.patient: row for row in connection.execute(query.order_by(infants.c.patient))}


def examined(connection: Connection, site: str, day: date, since: datetime) -> dict[str, Row[Any]]:
    """Every infant whose last exam was on a day or later, by patient; of those whose row changed since an instant."""
    query = (
        select(infants)
        .join(decisions, and_(decisions.c.site == infants.c.site, decisions.c.id == infants.c.decision))
        .where(
            infants.c.site == site, infants.c.changed_at >= since,
            decisions.c.body["last"]["on"].astext >= day.isoformat(),
        )
    )  # fmt: skip
    return {row.patient: row for row in connection.execute(query)}


def patients(connection: Connection, site: str, everyone: bool = False) -> list[str]:
    """The patient ids of the site's infants for whom something is to come, or of everyone."""
    query = select(infants.c.patient).where(infants.c.site == site)
    return list(connection.execute(query if everyone else query.where(_PENDING)).scalars())


def decided_otherwise(connection: Connection, site: str, policy: str, revision: int) -> list[str]:
    """Patients whose last decision was made under another edition or revision."""
    query = (
        select(infants.c.patient)
        .join(decisions, and_(decisions.c.site == infants.c.site, decisions.c.id == infants.c.decision))
        .where(infants.c.site == site, (decisions.c.policy != policy) | (decisions.c.revision != revision))
    )
    return list(connection.execute(query).scalars())


def closed_after_treatment(connection: Connection, site: str) -> list[str]:
    """Patients whose course is closed and who were treated."""
    query = (
        select(infants.c.patient)
        .join(decisions, and_(decisions.c.site == infants.c.site, decisions.c.id == infants.c.decision))
        .where(
            infants.c.site == site, infants.c.state == "closed",
            cast(decisions.c.body["treatments"].astext, Integer) > 0,
        )
    )  # fmt: skip
    return list(connection.execute(query).scalars())


def decide(connection: Connection, site: str, made: Sequence[Decision], now: datetime) -> list[int]:
    """Add decisions; their ids in the same order."""
    if not made:
        return []
    rows = [
        {
            "site": site, "patient": decision.patient, "decided_at": now, "as_of": decision.as_of,
            "policy": decision.policy, "revision": decision.revision, **judgement(decision), "body": to_json(decision),
        }
        for decision in made
    ]  # fmt: skip
    statement = insert(decisions).returning(decisions.c.id, sort_by_parameter_order=True)
    return list(connection.execute(statement, rows).scalars())


@dataclass(frozen=True, slots=True)
class Change:
    """An infant about whom something else is decided now than before. `before` is None for one who was not known."""

    key: str
    name: str
    identifier: str
    before: Decision | None
    after: Decision


def last_decision(connection: Connection, site: str) -> int:
    """The id of the last decision made at a site; 0 before the first."""
    query = select(func.coalesce(func.max(decisions.c.id), 0)).where(decisions.c.site == site)
    return int(connection.execute(query).scalar_one())


def decided_since(connection: Connection, site: str, last: int) -> list[Change]:
    """Everybody about whom something was decided after a decision, with what stood before it."""
    d = decisions.c
    found = connection.execute(select(d.patient).where(d.site == site, d.id > last).distinct()).scalars().all()
    before = {
        row.patient: from_json(row.body)
        for row in connection.execute(
            select(d.patient, d.body).where(d.site == site, d.id <= last, d.patient.in_(found)).order_by(d.id)
        )
    }
    return [
        Change(str(row.key), row.name, row.identifier, before.get(patient), from_json(row.body))
        for patient, row in sorted(rows_of(connection, site, found).items())
    ]


def judgement(decision: Decision) -> dict[str, Any]:
    """The columns `infants` and `decisions` share."""
    window = decision.next.window
    return {
        "state": decision.state, "eligible": decision.eligible, "kind": decision.next.kind,
        "opens": window and window.opens, "due": window and window.due, "closes": window and window.closes,
    }  # fmt: skip


def row_of(
    site: str, infant: Infant, key: UUID, where: tuple[str, str], decision: Decision, id: int, now: datetime
) -> dict[str, Any]:
    """An infant as its row holds it: in a unit and a bed (`where`), by a decision that has been kept under an id."""
    return {
        "site": site, "patient": infant.patient, "key": key, "known_since": infant.known_since, "first_seen": now,
        "changed_at": now, "decision": id, **judgement(decision), "name": infant.name, "identifier": infant.identifier,
        "unit": where[0], "bed": where[1], "left_hospital": infant.in_hospital is False,
        "leaves_on": infant.leaves_on, "support": infant.support,
    }  # fmt: skip


def put(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Write infants' rows with what they can be found by; `key`, `known_since` and `first_seen` of a row that exists
    stay as they are."""
    if rows:
        found_by = [{**row, "words": words_of(row["name"], row["identifier"], row["bed"])} for row in rows]
        connection.execute(_PUT, found_by)


def history(connection: Connection, site: str, patient: str, known_at: datetime | None = None) -> list[Row[Any]]:
    """Every decision about the infant (made up to an instant), newest first."""
    query = select(decisions).where(decisions.c.site == site, decisions.c.patient == patient)
    if known_at is not None:
        query = query.where(decisions.c.decided_at <= known_at)
    return list(connection.execute(query.order_by(decisions.c.id.desc())))


def count_by_state(connection: Connection, site: str) -> dict[str, int]:
    """Number of a site's infants by state."""
    query = (
        select(infants.c.state, func.count().label("number")).where(infants.c.site == site).group_by(infants.c.state)
    )
    return {row.state: row.number for row in connection.execute(query)}


def high_water(connection: Connection, sites: Iterable[str]) -> dict[str, int]:
    """For each site a number that grows whenever something came in or was decided there."""
    return {
        site: sum(
            connection.execute(select(func.coalesce(func.max(table.c.id), 0)).where(table.c.site == site)).scalar_one()
            for table in (arrivals, decisions)
        )
        for site in sites
    }


def _with_decision() -> Any:
    return select(infants, decisions.c.body, decisions.c.decided_at).join(
        decisions, and_(decisions.c.site == infants.c.site, decisions.c.id == infants.c.decision), isouter=True
    )


def _put() -> Any:
    statement = upsert(infants)
    kept = {"site", "patient", "key", "known_since", "first_seen"}
    changed = {column.name: statement.excluded[column.name] for column in infants.c if column.name not in kept}
    return statement.on_conflict_do_update(index_elements=["site", "patient"], set_=changed)


_PUT = _put()
