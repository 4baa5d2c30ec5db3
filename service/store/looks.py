"""What was looked at and changed: by whom, when, which infant of which site. Append-only; never a name or a value."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, func, insert, or_, select

from service.store.tables import looks


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
    connection: Connection, begin: datetime, end: datetime, *, sites: Collection[str] | None = None,
    elsewhere: Collection[UUID] | None = (), person: UUID | None = None, about: UUID | None = None, offset: int = 0,
    limit: int = 100,
) -> tuple[list[Seen], int]:  # fmt: skip
    """The looks from `begin` up to but not `end`, newest first, from the one numbered `offset` on, at most `limit`, and
    how many there are: at these sites (None: at all), of a person, about an infant. What belongs to no site, such as a
    sign-in, is among them where it is by one of the people `elsewhere` (None: by anybody)."""
    where: list[ColumnElement[bool]] = [looks.c.at >= begin, looks.c.at < end]
    if sites is not None:
        at_no_site = looks.c.site == "" if elsewhere is None else looks.c.person.in_(elsewhere) & (looks.c.site == "")
        where.append(or_(looks.c.site.in_(sites), at_no_site))
    if person is not None:
        where.append(looks.c.person == person)
    if about is not None:
        where.append(looks.c.about == about)
    query = select(looks).where(*where).order_by(looks.c.at.desc(), looks.c.id.desc()).offset(offset).limit(limit)
    rows = [Seen(row.at, row.person, row.kind, row.site, row.about, row.page) for row in connection.execute(query)]
    return rows, connection.execute(select(func.count()).select_from(looks).where(*where)).scalar_one()


def about_infant(connection: Connection, site: str, infant: UUID, limit: int = 50) -> list[Seen]:
    """Who looked at and changed one infant's record, newest first."""
    query = select(looks).where(looks.c.site == site, looks.c.about == infant)
    rows = connection.execute(query.order_by(looks.c.at.desc(), looks.c.id.desc()).limit(limit))
    return [Seen(row.at, row.person, row.kind, row.site, row.about, row.page) for row in rows]
