"""What is counted of each infant, kept: a row is true as long as nothing was recorded or decided of it since."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, and_, func, or_, select
from sqlalchemy.dialects.postgresql import insert as upsert

from service.core.figures import DEFINITION, Counted
from service.store.tables import figures, infants


def stale(connection: Connection, site: str, limit: int, since: datetime | None = None) -> dict[str, Row[Any]]:
    """Infants of whom what is kept is no longer true, or nothing is kept, by patient; whoever changed last comes
    first. Since an instant: only those changed from then on, which is quick."""
    query = _stale(select(infants), site)
    if since is not None:
        query = query.where(infants.c.changed_at >= since)
    query = query.order_by(infants.c.changed_at.desc(), infants.c.patient).limit(limit)
    return {row.patient: row for row in connection.execute(query)}


def count_stale(connection: Connection, site: str) -> int:
    """How many of them there are."""
    return int(connection.execute(_stale(select(func.count()).select_from(infants), site)).scalar_one())


def keep(
    connection: Connection, site: str, counted: Iterable[tuple[str, datetime, Sequence[Counted]]]
) -> None:  # fmt: skip
    """Keep what was counted of infants: (patient, the `changed_at` it was counted at, what was counted). Whoever was
    changed meanwhile stays stale."""
    rows = [
        {
            "site": site, "patient": patient, "changed_at": changed_at, "definition": DEFINITION,
            "counted": [f"{each.figure} {each.day.isoformat()} {each.outcome}" for each in found],
            "last": max((each.day for each in found), default=None),
        }
        for patient, changed_at, found in counted
    ]  # fmt: skip
    if rows:
        statement = upsert(figures)
        changed = {name: statement.excluded[name] for name in ("changed_at", "definition", "counted", "last")}
        connection.execute(statement.on_conflict_do_update(index_elements=["site", "patient"], set_=changed), rows)


def counted(connection: Connection, site: str, since: date) -> list[tuple[Counted, int]]:
    """Everything kept that was settled on a day or later, and how often."""
    kept = select(func.unnest(figures.c.counted).label("each"))
    each = kept.where(figures.c.site == site, figures.c.last >= since).subquery().c.each
    settled = func.split_part(each, " ", 2)  # a day as text sorts as a day
    query = select(each, func.count()).where(settled >= since.isoformat()).group_by(each)
    return [(_counted(word), times) for word, times in connection.execute(query)]


def _counted(word: str) -> Counted:
    figure, day, outcome = word.split(" ")
    return Counted(figure, date.fromisoformat(day), outcome)


def _stale(query: Any, site: str) -> Any:
    kept: ColumnElement[bool] = and_(figures.c.site == infants.c.site, figures.c.patient == infants.c.patient)
    outdated = or_(
        figures.c.patient.is_(None), figures.c.changed_at != infants.c.changed_at, figures.c.definition != DEFINITION
    )
    return query.join(figures, kept, isouter=True).where(infants.c.site == site, outdated)
