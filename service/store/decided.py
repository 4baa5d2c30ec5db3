"""What is remembered of the database in the process, because it cannot have changed.

A decision never changes once it is written, and its number is given out once: whoever stands on a list is read from
the table of infants, and only decisions not seen yet are fetched and read. A site is counted again only when something
came in or was decided there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Final

from sqlalchemy import Connection, select

from service.core.decision import Decision, from_json
from service.store.infants import count_by_state, high_water
from service.store.tables import decisions

MOST: Final = 10_000
"""Decisions remembered; each takes some four kilobytes."""

STATES: Final = ("eligible", "unknown", "not-eligible", "closed")


class Decided:
    """The decisions of one database, remembered."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._read: dict[tuple[str, int], Decision] = {}

    def of(self, connection: Connection, site: str, ids: Iterable[int]) -> dict[int, Decision]:
        """The decisions of a site with these numbers."""
        wanted = set(ids)
        found = {id: read for id in wanted if (read := self._read.get((site, id))) is not None}
        if missing := wanted - found.keys():
            query = select(decisions.c.id, decisions.c.body).where(
                decisions.c.site == site, decisions.c.id.in_(missing)
            )
            fresh = {row.id: from_json(row.body) for row in connection.execute(query)}
            if len(self._read) + len(fresh) > self._most:
                self._read = {}  # simpler than knowing which are old, and as quick for the lists in use
            self._read.update({(site, id): read for id, read in fresh.items()})
            found |= fresh
        return found


class Census:
    """How many infants of each site are in which state."""

    def __init__(self) -> None:
        self._counted: dict[str, tuple[int, dict[str, int]]] = {}

    def of(self, connection: Connection, sites: Collection[str]) -> dict[str, int]:
        """Infants of these sites by state, every state present."""
        for site, mark in high_water(connection, sites).items():  # first: what comes in between is counted again
            if self._counted.get(site, (-1, {}))[0] != mark:
                self._counted[site] = mark, count_by_state(connection, site)
        return {state: sum(self._counted[site][1].get(state, 0) for site in sites) for state in STATES}
