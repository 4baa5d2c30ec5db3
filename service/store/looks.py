"""What was looked at and changed: by whom, when, which infant of which site. Append-only; never a name or a value."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, insert, or_, select, true

from service.store.tables import looks

MOST: Final = 500
"""Rows that are read at once."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One look, change or sign-in. `about`: an infant's key; of a change to people, whose record."""

    at: datetime
    person: UUID | None
    kind: str
    site: str
    about: UUID | None
    page: str


def write(
    connection: Connection, kind: str, at: datetime, person: UUID | None, page: str = "",
    about: Iterable[tuple[str, UUID | None]] = (("", None),),
) -> None:  # fmt: skip
    """Write down one look for each (site, infant) of `about`."""
    rows = [
        {"site": site, "at": at, "person": person, "kind": kind, "about": which, "page": page} for site, which in about
    ]
    if rows:
        connection.execute(insert(looks), rows)


def between(
    connection: Connection, sites: Sequence[str] | None, begin: datetime, end: datetime, *, person: UUID | None = None,
    about: UUID | None = None, kinds: Sequence[str] = (),
) -> list[Seen]:  # fmt: skip
    """The looks from `begin` up to but not `end`, newest first, at most `MOST`: of these sites and of no site (None:
    all), of a person, about an infant."""
    where: list[ColumnElement[bool]] = [looks.c.at >= begin, looks.c.at < end]
    where.append(true() if sites is None else or_(looks.c.site.in_(sites), looks.c.site == ""))
    if person is not None:
        where.append(looks.c.person == person)
    if about is not None:
        where.append(looks.c.about == about)
    if kinds:
        where.append(looks.c.kind.in_(kinds))
    query = select(looks).where(*where).order_by(looks.c.at.desc(), looks.c.id.desc()).limit(MOST)
    return [Seen(row.at, row.person, row.kind, row.site, row.about, row.page) for row in connection.execute(query)]


def about_infant(connection: Connection, site: str, infant: UUID, limit: int = 50) -> list[Seen]:
    """Who looked at and changed one infant's record, newest first."""
    query = select(looks).where(looks.c.site == site, looks.c.about == infant)
    rows = connection.execute(query.order_by(looks.c.at.desc(), looks.c.id.desc()).limit(limit))
    return [Seen(row.at, row.person, row.kind, row.site, row.about, row.page) for row in rows]
