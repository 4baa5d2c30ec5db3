"""Mappings: what a site's codes mean, by its file and by what people there have said since, and under which number.

A *meaning* is one entry of a site file that lives in the database: somebody at the site said what a code, an answer or
a unit word means, and everything is read by it at once. It goes over what the file says, and can be withdrawn. Every
change of a mapping, by a meaning or by a file that was edited, gives it the next number; arrivals and readings keep the
number they were read under, so that what was read under an earlier one can be found and read again.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from sqlalchemy import Connection, insert, select, update

from service.errors import ConfigurationError
from service.fhir.sites import TEXT, Site
from service.store.tables import mappings, meanings

log = logging.getLogger(__name__)

SECTIONS: Final = ("code", "finding", "answer", "eye", "word")
"""The tables of a site file that a meaning can stand in."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a coding means: one table of a site file. `section` is its name; `system` is "" where the site sends none,
    and for a unit word, whose `code` is the word; (TEXT, words) is what is known by its words alone. `concept` is the
    rest of the table."""

    section: str
    system: str
    code: str
    concept: Mapping[str, Any]

    @property
    def table(self) -> dict[str, Any]:
        """The table as the file would hold it."""
        if self.section == "word":
            return {"says": self.code, **self.concept}
        if self.system == TEXT:
            return {"text": self.code, **self.concept}
        return {"system": self.system, "code": self.code, **self.concept}


@dataclass(frozen=True, slots=True)
class Given:
    """A meaning that somebody gave, and what became of it."""

    id: int
    site: str
    meaning: Meaning
    at: datetime
    by: str
    withdrawn_at: datetime | None
    withdrawn_by: str | None


@dataclass(frozen=True, slots=True)
class Mapped:
    """A site as it is read now: its file and the meanings in force, under their number."""

    site: Site
    number: int


BEHIND: Final = 0
"""The number of a mapping that gives way to every other: what it makes of a version counts while nobody else has read
that version, under whatever mapping."""


class Mappings:
    """The mappings of the sites, remembered while they do not change."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[int, Mapped]] = {}

    def of(self, connection: Connection, site: Site, now: datetime, anew: bool = False) -> Mapped:
        """The site as it is read now; gives its mapping a number if it has none. `anew` after a meaning was given or
        withdrawn: the number it then gets tells every other process. Hold the site's lock."""
        last = _last(connection, site.id)
        seen, known = self._known.get(site.id, (None, None))
        if anew or known is None or last is None or last.id != seen:
            merged = merge(site, in_force(connection, site.id))
            if last is not None and last.fingerprint == _fingerprint(site, merged):
                known = Mapped(merged, last.id)
            elif known is None or last is None or last.fingerprint.startswith(site.fingerprint):
                known = Mapped(merged, _put(connection, site, merged, now))
            else:  # another process was started since with another file: it decides, and what is read here gives way
                known = Mapped(merged, BEHIND)
            self._known[site.id] = max(known.number, last.id if last is not None else 0), known
        return known

    def is_behind(self, connection: Connection, site: Site, now: datetime) -> bool:
        """Whether another process has been started since with another file of the site: then what this one reads
        gives way, and it must not give the mapping a number that would make its own file count more again. Hold the
        site's lock."""
        known, last = self.of(connection, site, now), _last(connection, site.id)
        return last is not None and bool(last.id > known.number)

    def trying(self, connection: Connection, site: Site, now: datetime) -> Mapped:
        """As `of`, within a transaction that will be taken back: nothing is remembered."""
        merged = merge(site, in_force(connection, site.id))
        return Mapped(merged, _put(connection, site, merged, now))


def current(connection: Connection, site: Site) -> Mapped:
    """The site as it would be read now, without giving its mapping a number: where it has none yet, one more than the
    last, so that everything read so far was read under an earlier one."""
    merged = merge(site, in_force(connection, site.id))
    last = _last(connection, site.id)
    if last is None:
        return Mapped(merged, 0)
    return Mapped(merged, last.id if last.fingerprint == _fingerprint(site, merged) else last.id + 1)


def merge(site: Site, given: Iterable[Given]) -> Site:
    """The site's file with the meanings over it. One that cannot be read any more is left out, and logged: a mapping
    must not stop a feed."""
    for each in given:
        try:
            site = site.having({each.meaning.section: [each.meaning.table]}, f"{site.id}: meaning {each.id}")
        except ConfigurationError:
            log.error("%s: meaning %d cannot be read any more and does not count", site.id, each.id)
    return site


def beside_file(site: Site, meaning: Meaning) -> Literal["adds", "same", "unreadable"]:
    """How a meaning stands to the site's file: it adds something or says otherwise; the file says the same, so that it
    can be withdrawn; or it cannot be read any more."""
    try:
        over = site.having({meaning.section: [meaning.table]}, site.id)
    except ConfigurationError:
        return "unreadable"
    return "same" if over.fingerprint == site.fingerprint else "adds"


def in_force(connection: Connection, site: str) -> list[Given]:
    """The meanings that count at a site, in the order they were given."""
    return [each for each in ever(connection, site) if each.withdrawn_at is None]


def ever(connection: Connection, site: str) -> list[Given]:
    """Every meaning ever given at a site, in that order."""
    return [
        Given(
            row.id, row.site, Meaning(row.section, row.system, row.code, row.concept), row.given_at, row.given_by,
            row.withdrawn_at, row.withdrawn_by,
        )
        for row in connection.execute(select(meanings).where(meanings.c.site == site).order_by(meanings.c.id))
    ]  # fmt: skip


def give(connection: Connection, site: str, meaning: Meaning, by: str, now: datetime) -> int:
    """Put a meaning in force, in the place of one of the same coding; its id."""
    m = meanings.c
    of_coding = (
        m.site == site, m.section == meaning.section, m.system == meaning.system, m.code == meaning.code,
        m.withdrawn_at.is_(None),
    )  # fmt: skip
    connection.execute(update(meanings).where(*of_coding).values(withdrawn_at=now, withdrawn_by=by))
    values = {
        "site": site, "section": meaning.section, "system": meaning.system, "code": meaning.code,
        "concept": dict(meaning.concept), "given_at": now, "given_by": by,
    }  # fmt: skip
    return int(connection.execute(insert(meanings).values(values).returning(m.id)).scalar_one())


def withdraw(connection: Connection, site: str, id: int, by: str, now: datetime) -> bool:
    """Let a meaning count no more. False where it did not count."""
    m = meanings.c
    where = (m.site == site, m.id == id, m.withdrawn_at.is_(None))
    return bool(connection.execute(update(meanings).where(*where).values(withdrawn_at=now, withdrawn_by=by)).rowcount)


def _last(connection: Connection, site: str) -> Any:
    query = select(mappings).where(mappings.c.site == site).order_by(mappings.c.id.desc()).limit(1)
    return connection.execute(query).one_or_none()


def _fingerprint(site: Site, merged: Site) -> str:
    """Of the file, and of the file with the meanings over it."""
    return f"{site.fingerprint} {merged.fingerprint}"


def _put(connection: Connection, site: Site, merged: Site, now: datetime) -> int:
    values = {"site": site.id, "fingerprint": _fingerprint(site, merged), "since": now}
    return int(connection.execute(insert(mappings).values(values).returning(mappings.c.id)).scalar_one())
