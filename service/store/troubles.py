"""What a site's mapping lacks, kept as it is read: codings and words without a meaning, the rejections that each would
answer, and the arrivals that say nothing for want of it. Counted where they stand, however many they are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, Connection, and_, case, func, select, tuple_
from sqlalchemy.dialects.postgresql import insert as upsert

from service.core.infant import Reading, Trouble
from service.store.tables import arrivals, infants, rejections, silent, troubles

READ_AT_ONCE: Final = 2_000_000
"""Bytes of arrivals that are read again while somebody waits: some 2,000 resources."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """Equal troubles of a site. `id` is that of the trouble; None: no entry of a mapping answers them, and `about`,
    `place` (a path without its numbers) and `reason` are what they share. `number` of them (rejections, or resources
    that say nothing) about `infants` that are known, first and last on record when; `arrival`, `resource` and `path`
    are of the last."""

    id: int | None
    trouble: Trouble | None
    about: str
    place: str
    reason: str
    number: int
    infants: int
    first: datetime
    last: datetime
    arrival: int
    resource: str
    path: str


def ids(connection: Connection, site: str, found: Iterable[Trouble]) -> dict[tuple[str, ...], int]:
    """The ids of these troubles, under what `mark` says of each; new ones are kept. Hold the site's lock."""
    wanted = {mark(each): each for each in found}
    if not wanted:
        return {}
    known = _known(connection, site, wanted)
    rows = [
        {"site": site, "section": each.section, "system": each.system, "code": each.code, "kind": each.kind,
         "words": each.words}
        for key, each in wanted.items() if key not in known
    ]  # fmt: skip
    if rows:
        connection.execute(upsert(troubles).on_conflict_do_nothing(index_elements=_KEY), rows)
        known = _known(connection, site, wanted)
    return known


def mark(trouble: Trouble) -> tuple[str, str, str, str]:
    """What makes a trouble the same one, whatever words stand beside it."""
    return trouble.section, trouble.system, trouble.code, trouble.kind


def note_silent(
    connection: Connection, site: str, readings: Sequence[tuple[int, Reading]], mapping: int
) -> None:  # fmt: skip
    """Keep which of these readings, each with its arrival, say nothing for want of a meaning under this mapping."""
    found = [(arrival, reading.resource, reading.silent) for arrival, reading in readings if reading.silent]
    known = ids(connection, site, (trouble for _, _, trouble in found))
    rows: dict[tuple[int, int], dict[str, Any]] = {}
    for arrival, resource, trouble in found:
        key = known[mark(trouble)], arrival
        row = rows.setdefault(key, {"site": site, "trouble": key[0], "arrival": arrival, "number": 0})
        row |= {"resource": resource, "number": row["number"] + 1, "mapping": mapping}
    if rows:
        statement = upsert(silent)
        changed = {name: statement.excluded[name] for name in ("resource", "number", "mapping")}
        statement = statement.on_conflict_do_update(index_elements=["site", "trouble", "arrival"], set_=changed)
        connection.execute(statement, list(rows.values()))


def refused(connection: Connection, site: str) -> list[Gathered]:
    """Everything that could not be read at a site and has not been answered, equal troubles together: those that an
    entry of the mapping answers first, the most first."""
    r, i = rejections.c, infants.c
    groups = _refused_groups()
    same = and_(i.site == r.site, i.patient == r.patient)
    counted = (
        select(
            func.max(r.id).label("sample"), func.count().label("number"), func.min(r.recorded_at).label("first"),
            func.count(i.patient.distinct()).label("infants"),
        )
        .join_from(rejections, infants, same, isouter=True)
        .where(*_open(site))
        .group_by(r.trouble, *groups)
        .subquery()
    )  # fmt: skip
    c = counted.c
    query = (
        select(rejections, *groups, c.number, c.first, c.infants, *_WORDS)
        .join_from(counted, rejections, and_(r.site == site, r.id == c.sample))
        .join(troubles, and_(troubles.c.site == r.site, troubles.c.id == r.trouble), isouter=True)
        .order_by(r.trouble.is_(None), c.number.desc(), r.id.desc())
    )
    return [
        Gathered(row.trouble, _trouble(row), row.group_about, row.group_place, row.group_reason, row.number,
                 row.infants, row.first, row.recorded_at, row.arrival, row.resource, row.path)
        for row in connection.execute(query)
    ]  # fmt: skip


def silences(connection: Connection, site: str) -> list[Gathered]:
    """Every code of a site that says nothing for want of a meaning, among all arrivals, the most first."""
    s = silent.c
    counted = (
        select(
            s.trouble, func.sum(s.number).label("number"), func.min(s.arrival).label("begin"),
            func.max(s.arrival).label("sample"),
        )
        .join_from(silent, arrivals, _as_last_read())
        .where(s.site == site)
        .group_by(s.trouble)
        .subquery()
    )  # fmt: skip
    c, first, last = counted.c, arrivals.alias().c, arrivals.alias().c
    query = (
        select(
            c.trouble, c.number, first.received_at.label("first"), last.received_at.label("last"), c.sample, s.resource,
            *_WORDS,
        )
        .join_from(counted, silent, and_(s.site == site, s.trouble == c.trouble, s.arrival == c.sample))
        .join(troubles, and_(troubles.c.site == site, troubles.c.id == c.trouble))
        .join(first.received_at.table, and_(first.site == site, first.id == c.begin))
        .join(last.received_at.table, and_(last.site == site, last.id == c.sample))
        .order_by(c.number.desc(), c.trouble)
    )  # fmt: skip
    return [
        Gathered(row.trouble, _trouble(row), "", "", "", int(row.number), 0, row.first, row.last, row.sample,
                 row.resource, f"{row.kind}.code")
        for row in connection.execute(query)
    ]  # fmt: skip


def arrivals_of_refused(connection: Connection, site: str, group: Sequence[Gathered]) -> tuple[list[int], int]:
    """The arrivals that brought these rejections: the newest, as many as are read at once, and how many there are."""
    r, groups = rejections.c, _refused_groups()
    same = tuple_(func.coalesce(r.trouble, 0), *groups).in_(
        [(each.id or 0, each.about, each.place, each.reason) for each in group]
    )
    return _newest(connection, site, select(r.arrival).where(*_open(site), same).distinct().subquery().c.arrival)


def arrivals_of_silent(connection: Connection, site: str, group: Sequence[Gathered]) -> tuple[list[int], int]:
    """As `arrivals_of_refused`, of codes that say nothing."""
    s = silent.c
    query = select(s.arrival).join_from(silent, arrivals, _as_last_read())
    query = query.where(s.site == site, s.trouble.in_([each.id for each in group])).distinct()
    return _newest(connection, site, query.subquery().c.arrival)


_KEY: Final = ["site", "section", "system", "code", "kind"]
_WORDS: Final = (
    troubles.c.section, troubles.c.system, troubles.c.code, troubles.c.kind, troubles.c.words,
)  # fmt: skip


def _known(connection: Connection, site: str, marks: Iterable[tuple[str, ...]]) -> dict[tuple[str, ...], int]:
    t = troubles.c
    key = (t.section, t.system, t.code, t.kind)
    query = select(t.id, *key).where(t.site == site, tuple_(*key).in_(list(marks)))
    return {tuple(row[1:]): row.id for row in connection.execute(query)}


def _open(site: str) -> tuple[ColumnElement[bool], ...]:
    return rejections.c.site == site, rejections.c.superseded_at.is_(None)


def _as_last_read() -> ColumnElement[bool]:
    """What was noted of an arrival under the mapping that it was last read under."""
    s, a = silent.c, arrivals.c
    return and_(a.site == s.site, a.id == s.arrival, a.mapping == s.mapping)


def _refused_groups() -> tuple[ColumnElement[str], ...]:
    """What rejections that no mapping answers must share to be the same trouble."""
    r = rejections.c
    place = func.regexp_replace(r.path, r"\[\d+\]", "", "g")
    return tuple(
        case((r.trouble.is_(None), each), else_="").label(f"group_{name}")
        for name, each in (("about", r.about), ("place", place), ("reason", r.reason))
    )


def _trouble(row: Any) -> Trouble | None:
    return Trouble(row.section, row.system, row.code, row.words, row.kind) if row.section else None


def _newest(connection: Connection, site: str, came: ColumnElement[int]) -> tuple[list[int], int]:
    a = arrivals.c
    size = func.octet_length(a.body)
    so_far = func.sum(size).over(order_by=a.id.desc()) - size
    sized = select(a.id, so_far.label("so_far")).where(a.site == site, a.id.in_(select(came))).subquery().c
    query = select(sized.id).where(sized.so_far < READ_AT_ONCE).order_by(sized.id)
    return list(connection.execute(query).scalars()), connection.execute(select(func.count(came))).scalar_one()
