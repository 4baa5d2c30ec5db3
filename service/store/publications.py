"""The read side of what is published: current versions by search, one version, the history of one resource.

`outbox.publish` writes the rows. A search is a list of `Term`s that must all hold; each term holds when one of its
alternatives does. Pages are cut by key (`after`), not by number, so that a row published meanwhile moves nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final, Literal
from uuid import UUID

from sqlalchemy import (
    ColumnElement,
    Connection,
    Date,
    Row,
    and_,
    cast,
    false,
    func,
    literal,
    not_,
    or_,
    select,
    true,
    tuple_,
)
from sqlalchemy.dialects.postgresql import JSONB

from service.core.infant import Infant, assemble
from service.fhir.write import INFANT_SYSTEM, STEP_SYSTEM
from service.store import facts, names
from service.store.database import Database
from service.store.tables import aliases, decisions, infants, publications

Resource = dict[str, Any]
Order = Literal["period", "_lastUpdated", "_id"]

NO_PERIOD: Final = date(9999, 12, 31)
"""Sorts what has no period behind everything that has one."""


@dataclass(frozen=True, slots=True)
class Token:
    """A coded value or an identifier. `system` None: any; "": none at all. `value` None: any value of the system."""

    system: str | None
    value: str | None


@dataclass(frozen=True, slots=True)
class Span:
    """A date as asked for: `prefix` eq ne gt lt ge le sa eb, and the moments it covers, `low` up to but not `high`."""

    prefix: str
    low: datetime
    high: datetime


@dataclass(frozen=True, slots=True)
class Term:
    """One search parameter: `field` and the alternatives, of which one must hold.

    Fields: id, status (texts); infant (UUIDs); identifier, group, code, owner (Tokens); updated, period (Spans).
    """

    field: str
    alternatives: tuple[str | UUID | Token | Span, ...]


@dataclass(frozen=True, slots=True)
class Published:
    """One version of a ServiceRequest or Task. `body` carries meta.versionId and meta.lastUpdated."""

    type: str
    id: str
    version: int
    updated: datetime
    period_end: date | None
    site: str
    body: Resource


@dataclass(frozen=True, slots=True)
class Person:
    """One infant for the Patient resource. `gone` is a sentence when the record is no infant of ours (any more)."""

    site: str
    key: str
    changed_at: datetime
    infant: Infant
    gone: str | None


class Publications:
    """Reads publications of the sites named; another site's rows in the same database are not seen."""

    def __init__(self, database: Database, sites: Iterable[str]) -> None:
        self._database, self._sites = database, sorted(sites)

    def read(self, type: str, id: str, version: int | None = None) -> Published | None:
        """The version in force, or the one asked for; None when there is no such row."""
        which = publications.c.current if version is None else publications.c.version == version
        with self._database.transaction() as connection:
            row = connection.execute(select(publications).where(*self._one(type, id), which)).one_or_none()
        return None if row is None else _published(row)

    def history(self, type: str, id: str) -> list[Published]:
        """Every version, newest first; empty when there is no such resource."""
        query = select(publications).where(*self._one(type, id)).order_by(publications.c.version.desc())
        with self._database.transaction() as connection:
            return [_published(row) for row in connection.execute(query)]

    def search(
        self, type: str, terms: Sequence[Term], limit: int, order: Order = "period", descending: bool = False,
        after: tuple[Any, str, str] | None = None,
    ) -> tuple[int, list[Published], tuple[Any, str, str] | None]:  # fmt: skip
        """Total of all pages, one page of at most `limit`, and where the next page starts (None on the last)."""
        matches = and_(
            publications.c.site.in_(self._sites),
            publications.c.type == type,
            publications.c.current,
            *(or_(false(), *(_holds(term.field, each) for each in term.alternatives)) for term in terms),
        )
        key = tuple_(_sort_column(order), publications.c.site, publications.c.id)
        columns = [_sort_column(order), publications.c.site, publications.c.id]
        query = select(publications).where(matches).limit(limit + 1)
        query = query.order_by(*(column.desc() if descending else column.asc() for column in columns))
        if after is not None:
            bound = tuple_(*(literal(value, column.type) for value, column in zip(after, columns, strict=True)))
            query = query.where(key < bound if descending else key > bound)
        with self._database.transaction() as connection:
            total = connection.execute(select(func.count()).select_from(publications).where(matches)).scalar_one()
            rows = [_published(row) for row in connection.execute(query)]
        page = rows[:limit]
        return total, page, (_sort_key(page[-1], order) if len(rows) > limit and page else None)

    def named(self, type: str, ids: Sequence[str]) -> dict[str, Published]:
        """The versions in force of these ids, by id."""
        where = (publications.c.site.in_(self._sites), publications.c.type == type, publications.c.current)
        with self._database.transaction() as connection:
            rows = connection.execute(select(publications).where(*where, publications.c.id.in_(ids)))
            return {row.id: _published(row) for row in rows}

    def open_tasks(self) -> dict[tuple[str, str, str], str]:
        """(site, infant's key, step) -> id of the Task that asks for that step now."""
        query = select(publications.c.site, publications.c.key, publications.c.step, publications.c.id).where(
            publications.c.site.in_(self._sites), publications.c.type == "Task", publications.c.current,
            publications.c.status == "requested",
        )  # fmt: skip
        with self._database.transaction() as connection:
            return {(row.site, str(row.key), row.step): row.id for row in connection.execute(query)}

    # --- people ----------------------------------------------------------------------------------------------------

    def person(self, key: UUID) -> Person | None:
        """The infant with this key."""
        found = self._people(infants.c.key == key, limit=1)
        return found[0] if found else None

    def people(
        self, keys: Sequence[UUID] | None, identifiers: Sequence[Sequence[Token]], updated: Sequence[Sequence[Span]],
        limit: int, after: tuple[str, str] | None = None,
    ) -> tuple[int, list[Person], tuple[str, str] | None]:  # fmt: skip
        """Infants (not parents, fetuses or merged records) that match: total, one page, where the next one starts."""
        conditions: list[ColumnElement[bool]] = [
            func.coalesce(decisions.c.body["closed_by"].astext, "deceased") == "deceased",
            *(or_(false(), *(_identified(token) for token in tokens)) for tokens in identifiers),
            *(or_(false(), *(_moment(infants.c.changed_at, span) for span in spans)) for spans in updated),
        ]
        if keys is not None:
            conditions.append(infants.c.key.in_(keys))
        total = self._count_people(and_(*conditions))
        if after is not None:
            conditions.append(tuple_(infants.c.site, infants.c.patient) > tuple_(literal(after[0]), literal(after[1])))
        rows = self._people(and_(*conditions), limit + 1)
        page = rows[:limit]
        last = (page[-1].site, page[-1].infant.patient) if len(rows) > limit and page else None
        return total, page, last

    def _count_people(self, where: ColumnElement[bool]) -> int:
        query = select(func.count()).select_from(_with_decision()).where(infants.c.site.in_(self._sites), where)
        with self._database.transaction() as connection:
            return connection.execute(query).scalar_one()

    def _people(self, where: ColumnElement[bool], limit: int) -> list[Person]:
        query = (
            select(infants, decisions.c.body)
            .select_from(_with_decision())
            .where(infants.c.site.in_(self._sites), where)
            .order_by(infants.c.site, infants.c.patient)
            .limit(limit)
        )
        with self._database.transaction() as connection:
            return [_person(connection, row) for row in connection.execute(query).all()]

    def _one(self, type: str, id: str) -> tuple[ColumnElement[bool], ...]:
        return publications.c.site.in_(self._sites), publications.c.type == type, publications.c.id == id


def _published(row: Row[Any]) -> Published:
    meta = {"versionId": str(row.version), "lastUpdated": _instant(row.updated)}
    # jsonb keeps no order; people who read the answer look for these three first.
    first = {"resourceType": row.type, "id": row.id, "meta": {**row.body.get("meta", {}), **meta}}
    body = first | {name: value for name, value in row.body.items() if name not in first}
    return Published(row.type, row.id, row.version, row.updated, row.period_end, row.site, body)


def _person(connection: Connection, row: Row[Any]) -> Person:
    """The record with what was said of it under its older ids."""
    said = facts.of_patients(connection, row.site, names.family(connection, row.site, row.patient))
    infant = assemble(row.patient, [fact for each in said.values() for fact in each], row.known_since)
    closed_by = (row.body or {}).get("closed_by")
    gone = None if closed_by in (None, "deceased") else str(row.body["because"][0]["text"])
    return Person(row.site, str(row.key), row.changed_at, infant, gone)


def _with_decision() -> Any:
    return infants.outerjoin(decisions, and_(decisions.c.site == infants.c.site, decisions.c.id == infants.c.decision))


def _sort_column(order: Order) -> ColumnElement[Any]:
    if order == "_lastUpdated":
        return publications.c.updated
    if order == "_id":
        return publications.c.id
    return func.coalesce(publications.c.period_end, cast(literal(NO_PERIOD), Date), type_=Date())


def _sort_key(row: Published, order: Order) -> tuple[Any, str, str]:
    first: Mapping[Order, Any] = {
        "_lastUpdated": row.updated,
        "_id": row.id,
        "period": row.period_end or NO_PERIOD,
    }
    return first[order], row.site, row.id


def _holds(field: str, want: str | UUID | Token | Span) -> ColumnElement[bool]:
    """SQL for one alternative. The caller pairs fields and kinds of value; any other pair is a fault in the program."""
    match field, want:
        case "id", str():
            return publications.c.id == want
        case "status", str():
            return publications.c.status == want
        case "infant", UUID():
            return publications.c.key == want
        case "identifier", Token():
            return _of_system(want, STEP_SYSTEM, publications.c.identifier == want.value)
        case "group", Token():
            return _of_system(want, INFANT_SYSTEM, publications.c.key.cast(publications.c.id.type) == want.value)
        case "code", Token():
            return _coded(publications.c.body["code"]["coding"], want)
        case "owner", Token():
            return _owned(want)
        case "updated", Span():
            return _moment(publications.c.updated, want)
        case "period", Span():
            return _period(want)
    raise ValueError(f"cannot search {field}")


def _of_system(want: Token, ours: str, same: ColumnElement[bool]) -> ColumnElement[bool]:
    if want.system not in (None, ours):
        return false()
    return same if want.value is not None else true()


def _coded(codings: Any, want: Token) -> ColumnElement[bool]:
    if want.system == "":
        return false()
    asked = {"system": want.system, "code": want.value}
    pattern = {name: value for name, value in asked.items() if value is not None}
    return codings.cast(JSONB).contains([pattern])  # type: ignore[no-any-return]


def _owned(want: Token) -> ColumnElement[bool]:
    """By the owner's identifier, or (without a system) by its name as displayed."""
    owner = publications.c.body["owner"]
    asked = {name: value for name, value in (("system", want.system), ("value", want.value)) if value is not None}
    by_identifier = owner.cast(JSONB).contains({"identifier": asked})
    return or_(by_identifier, publications.c.owner == want.value) if not want.system else by_identifier


def _identified(want: Token) -> ColumnElement[bool]:
    """An infant by our own key, or by an identifier of the site (kept as an alias `system|value`)."""
    own = _of_system(want, INFANT_SYSTEM, infants.c.key.cast(infants.c.patient.type) == want.value)
    if want.value is None and want.system == INFANT_SYSTEM:
        return true()
    other = select(aliases.c.alias).where(aliases.c.site == infants.c.site, aliases.c.patient == infants.c.patient)
    if want.system is None:
        named = other.where(aliases.c.alias.endswith(f"|{want.value}", autoescape=True))
        return or_(own, named.exists(), infants.c.identifier == want.value)
    if want.value is None:
        named = other.where(aliases.c.alias.startswith(f"{want.system}|", autoescape=True))
    else:
        named = other.where(aliases.c.alias == f"{want.system}|{want.value}")
    return or_(own, named.exists())


def _moment(column: ColumnElement[Any], span: Span) -> ColumnElement[bool]:
    """An instant against a date, http://hl7.org/fhir/R4/search.html#prefix."""
    within = and_(column >= span.low, column < span.high)
    return {
        "eq": within,
        "ne": not_(within),
        "gt": column >= span.high,
        "sa": column >= span.high,
        "ge": column >= span.low,
        "lt": column < span.low,
        "eb": column < span.low,
        "le": column < span.high,
    }[span.prefix]


def _period(span: Span) -> ColumnElement[bool]:
    """A window of days against a date: the window runs from the start of its first day to the end of its last.

    http://hl7.org/fhir/R4/search.html#prefix: eq, the asked-for range holds the whole window; gt and lt, a part of the
    window lies after or before it; ge and le, that or equal; sa and eb, all of it does.
    """
    low, high = cast(literal(span.low.date()), Date), cast(literal(_last_day(span)), Date)
    start, end = publications.c.period_start, publications.c.period_end
    equal = and_(start >= low, end <= high)
    return and_(
        start.is_not(None),
        {
            "eq": equal,
            "ne": not_(equal),
            "gt": end > high,
            "ge": or_(end > high, equal),
            "lt": start < low,
            "le": or_(start < low, equal),
            "sa": start > high,
            "eb": end < low,
        }[span.prefix],
    )


def _last_day(span: Span) -> date:
    """The last day a span touches."""
    return (span.high - (span.high - span.low).resolution).date()


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
