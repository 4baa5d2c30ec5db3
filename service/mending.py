"""What a site's feeds brought, what of it could not be read, and putting that right.

Somebody at the site says what a code means; the effect is seen before it is saved, by the whole way that saving takes,
taken back. What is stored is then read again under the new mapping, in batches that may stop and go on: which mapping
an arrival was last read under stands beside it, so nothing else has to be remembered.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import Connection

from service.errors import Forbidden, NotFound, NotUnderstood
from service.fhir.sites import Site
from service.flow import Flow, Receipt
from service.store import arrivals, cursors, infants, meanings, rejections, traffic, troubles
from service.store.arrivals import Kept
from service.store.cursors import Cursor
from service.store.meanings import Given, Mapped, Meaning
from service.store.traffic import Traffic
from service.store.troubles import Gathered

log = logging.getLogger(__name__)

_REPLAY: Final = "replay"
"""The feed that brings what is stored already: its cursor says up to which mapping somebody asked for it, and who."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a meaning would do to some arrivals: how many were read again, how many of them would say something they did
    not, how many rejections it would answer, leave, and add, and about whom something else would be decided."""

    arrivals: int
    speaking: int
    answered: int
    left: int
    refused: int
    changes: tuple[infants.Change, ...]


class Mending:
    """The use cases of whoever looks after a site's feeds, over the sites that the flow knows. All raise NotFound for
    any other."""

    def __init__(self, flow: Flow) -> None:
        self._flow, self._database = flow, flow.database

    # --- how the feeds are -----------------------------------------------------------------------------------------

    def traffic(self, site: str) -> Traffic:
        """What comes in and goes out at a site, counted."""
        here = self._flow.site(site)
        with self._database.transaction() as connection:
            return traffic.look(connection, site, here.timezone, self._flow.today(site))

    def refused(self, site: str) -> list[Gathered]:
        """All that could not be read at a site and has not been answered, equal troubles together; those that an entry
        of the mapping answers first, the most first."""
        here = self._flow.site(site)
        with self._database.transaction() as connection:
            self._flow.witnessed(connection, "list", [(site, None)])
            return troubles.refused(connection, here.id)

    def silent(self, site: str) -> list[Gathered]:
        """All codes that say nothing because nobody gave them a meaning, the most first."""
        with self._database.transaction() as connection:
            return troubles.silences(connection, self._flow.site(site).id)

    def came(self, site: str, group: Sequence[Gathered], silent: bool) -> tuple[list[int], int]:
        """The arrivals with these troubles: the newest, as many as can be read again while somebody waits, and how many
        there are. `silent`: of codes that say nothing."""
        here = self._flow.site(site).id
        with self._database.transaction() as connection:
            if silent:
                return troubles.arrivals_of_silent(connection, here, group)
            return troubles.arrivals_of_refused(connection, here, group)

    def kept(self, site: str) -> int:
        """How many arrivals of a site are kept."""
        with self._database.transaction() as connection:
            return arrivals.count(connection, self._flow.site(site).id)

    def bodies(self, site: str, ids: Collection[int]) -> dict[int, bytes]:
        """The bytes of arrivals of a site, by id."""
        with self._database.transaction() as connection:
            return arrivals.bodies(connection, self._flow.site(site).id, ids)

    def latest(self, site: str, limit: int) -> list[Kept]:
        """What came last at a site, newest first."""
        with self._database.transaction() as connection:
            return arrivals.latest(connection, self._flow.site(site).id, limit)

    def note(self, cursor: Cursor) -> None:
        """Keep how a feed stands, where nothing came with it."""
        with self._database.transaction() as connection:
            site = self._flow.site(cursor.site).id
            cursors.keep(connection, site, cursor.feed, cursor.value, self._flow.clock())

    # --- what codes mean -------------------------------------------------------------------------------------------

    def mapped(self, site: str) -> Mapped:
        """The site as it is read now: its file and the meanings in force."""
        with self._database.transaction() as connection:
            return meanings.current(connection, self._flow.site(site))

    def meanings(self, site: str) -> list[Given]:
        """Every meaning ever given at a site, in that order."""
        with self._database.transaction() as connection:
            return meanings.ever(connection, self._flow.site(site).id)

    def weigh(self, site: str, meaning: Meaning, came: Collection[int]) -> Weighed:
        """What would follow if the meaning were given and these arrivals were read again. Takes the whole way that
        `give` takes, and takes it back."""
        here = self._flow.site(site)
        with self._database.transaction() as connection:
            self._database.lock_sites(connection, [site])
            now = self._flow.clock()
            self._must_count(connection, here, now)
            tried = connection.begin_nested()
            last = infants.last_decision(connection, site)
            open_before = rejections.of_arrivals(connection, site, came)
            meanings.give(connection, site, meaning, "-", now)
            mapped = self._flow.mappings.trying(connection, here, now)
            receipts = self._flow.read_again(connection, mapped, arrivals.with_ids(connection, site, came), now)
            open_after = rejections.of_arrivals(connection, site, came)
            changes = tuple(infants.decided_since(connection, site, last))
            tried.rollback()
            self._flow.witnessed(connection, "infant", [(site, UUID(change.key)) for change in changes])
        return Weighed(
            arrivals=len(receipts), speaking=sum(receipt.facts > 0 for receipt in receipts),
            answered=len(open_before - open_after), left=len(open_before & open_after),
            refused=len(open_after - open_before), changes=changes,
        )  # fmt: skip

    def give(self, site: str, meaning: Meaning, by: str, came: Collection[int]) -> list[Receipt]:
        """Say in somebody's name what a code, an answer or a unit word means at the site from now on; read these
        arrivals again at once, and ask for everything else to be. Raises NotUnderstood without a name, and
        ConfigurationError for what is no meaning."""
        here, who = self._flow.site(site), _somebody(by)
        here.having({meaning.section: [meaning.table]}, site)
        with self._database.transaction() as connection:
            self._database.lock_sites(connection, [site])
            now = self._flow.clock()
            self._must_count(connection, here, now)
            id = meanings.give(connection, site, meaning, who, now)
            mapped = self._flow.mappings.of(connection, here, now, anew=True)
            cursors.keep(connection, site, _REPLAY, {"mapping": mapped.number, "by": who}, now)
            log.info("%s: meaning %d was given", site, id)
            return self._flow.read_again(connection, mapped, arrivals.with_ids(connection, site, came), now)

    def withdraw(self, site: str, id: int, by: str) -> None:
        """Let a meaning count no more, and ask for everything to be read again without it. Raises NotFound also where
        it does not count, and NotUnderstood without a name."""
        here, who = self._flow.site(site), _somebody(by)
        with self._database.transaction() as connection:
            self._database.lock_sites(connection, [site])
            now = self._flow.clock()
            self._must_count(connection, here, now)
            if not meanings.withdraw(connection, site, id, who, now):
                raise NotFound("there is no such meaning in force")
            mapped = self._flow.mappings.of(connection, here, now, anew=True)
            cursors.keep(connection, site, _REPLAY, {"mapping": mapped.number, "by": who}, now)
            log.info("%s: meaning %d was withdrawn", site, id)

    def _must_count(self, connection: Connection, site: Site, now: datetime) -> None:
        """Raises Forbidden where another process, started later, reads the site by another file: what is said here
        would be read by this one's file, over what that one has read."""
        if self._flow.mappings.is_behind(connection, site, now):
            raise Forbidden(
                f"another process of this service was started later with another file of {site.id}; give both the same "
                "file and start this one again, then say it"
            )

    # --- reading again ---------------------------------------------------------------------------------------------

    def to_read_again(self, site: str) -> int:
        """How many arrivals were last read under an earlier mapping than that of now: the site's file has changed
        since, or a meaning was given or withdrawn."""
        here = self._flow.site(site)
        with self._database.transaction() as connection:
            return arrivals.count_read_otherwise(connection, site, meanings.current(connection, here).number)

    def ask_replay(self, site: str, by: str) -> int:
        """Ask for all of them to be read again; how many. A job does it. Raises NotUnderstood without a name."""
        here, who = self._flow.site(site), _somebody(by)
        with self._database.transaction() as connection:
            self._database.lock_sites(connection, [site])
            now = self._flow.clock()
            self._must_count(connection, here, now)
            number = self._flow.mappings.of(connection, here, now).number
            cursors.keep(connection, site, _REPLAY, {"mapping": number, "by": who}, now)
            return arrivals.count_read_otherwise(connection, site, number)

    def asked(self) -> list[str]:
        """The sites where somebody asked, and some are left."""
        with self._database.transaction() as connection:
            asked = cursors.of_feed(connection, _REPLAY)
            return [
                site
                for site in self._flow.sites
                if site in asked and arrivals.any_read_otherwise(connection, site, int(asked[site]["mapping"]))
            ]

    def replay(self, site: str, limit: int = 200) -> list[Receipt]:
        """Read the oldest of them again, in one transaction. What they say now takes the place of what they were read
        to say; what has been said to other systems is said again only where a decision changes. Empty when nothing is
        left."""
        here = self._flow.site(site)
        with self._database.transaction() as connection:
            self._database.lock_sites(connection, [site])
            now = self._flow.clock()
            mapped = self._flow.mappings.of(connection, here, now)
            left = arrivals.read_otherwise(connection, site, mapped.number, limit)
            return self._flow.read_again(connection, mapped, left, now)


def _somebody(by: str) -> str:
    if not by.strip():
        raise NotUnderstood("what a code means is said by somebody: say who")
    return " ".join(by.split())[:200]
