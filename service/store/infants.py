"""Where every infant stands now, and every decision that led there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, and_, func, insert, select
from sqlalchemy.dialects.postgresql import insert as upsert

from service.core.decision import Decision, to_json
from service.store.tables import arrivals, decisions, infants


def rows_of(connection: Connection, site: str, patients: Iterable[str]) -> dict[str, Row[Any]]:
    """The infants' rows with the body of their last decision, by patient."""
    query = _with_decision().where(infants.c.site == site, infants.c.patient.in_(list(patients)))
    return {row.patient: row for row in connection.execute(query)}


def row_by_key(connection: Connection, key: UUID) -> Row[Any] | None:
    """The infant with this opaque key."""
    return connection.execute(_with_decision().where(infants.c.key == key)).one_or_none()


def pending(connection: Connection, site: str | None) -> list[Row[Any]]:
    """Every infant for whom something is to come, with the last decision."""
    query = _with_decision().where(infants.c.kind != "none")
    return list(connection.execute(query if site is None else query.where(infants.c.site == site)))


def patients(connection: Connection, site: str) -> list[str]:
    """Every patient id the site's infants go by."""
    return list(connection.execute(select(infants.c.patient).where(infants.c.site == site)).scalars())


def decided_otherwise(connection: Connection, site: str, policy: str, revision: int) -> list[str]:
    """Patients whose last decision was made under another edition or revision."""
    query = (
        select(infants.c.patient)
        .join(decisions, and_(decisions.c.site == infants.c.site, decisions.c.id == infants.c.decision))
        .where(infants.c.site == site, (decisions.c.policy != policy) | (decisions.c.revision != revision))
    )
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


def judgement(decision: Decision) -> dict[str, Any]:
    """The columns `infants` and `decisions` share."""
    window = decision.next.window
    return {
        "state": decision.state, "eligible": decision.eligible, "kind": decision.next.kind,
        "opens": window and window.opens, "due": window and window.due, "closes": window and window.closes,
    }  # fmt: skip


def put(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Write infants' rows; `key`, `known_since` and `first_seen` of a row that exists stay as they are."""
    if rows:
        connection.execute(_PUT, rows)


def history(connection: Connection, site: str, patient: str) -> list[Row[Any]]:
    """Every decision about the infant, newest first."""
    query = select(decisions).where(decisions.c.site == site, decisions.c.patient == patient)
    return list(connection.execute(query.order_by(decisions.c.id.desc())))


def count_by_state(connection: Connection) -> dict[tuple[str, str], int]:
    """Number of infants by site and state."""
    query = select(infants.c.site, infants.c.state, func.count()).group_by(infants.c.site, infants.c.state)
    return {(site, state): count for site, state, count in connection.execute(query)}


def high_water(connection: Connection, sites: Iterable[str]) -> int:
    """A number that grows whenever something came in or was decided at any of the sites."""
    total = 0
    for site in sites:
        for table in (arrivals, decisions):
            total += connection.execute(
                select(func.coalesce(func.max(table.c.id), 0)).where(table.c.site == site)
            ).scalar_one()
    return total


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
