"""The use cases: accept what a feed brings, decide, and show the list.

One datum, top to bottom: `accept` stores the arrivals and, in the same transaction, digests them: `fhir.read` makes
facts or rejections of the bytes, `core.ledger` says what they add, `core.infant` takes an infant's facts together,
`core.decision` decides, and `announce` writes the publication and the outbox row. `publish` later brings other
servers up to date. The list is ranked when it is read.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, Final
from uuid import UUID, uuid5

from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from service import announce, recall
from service.core import ledger, worklist
from service.core.decision import Decision, decide, from_json, says_anew
from service.core.findings import Treatment
from service.core.impact import Impact, compare
from service.core.infant import Fact, Infant, Reading
from service.core.policy import Policy
from service.core.whereabouts import locate, places
from service.core.worklist import Entry
from service.errors import ConfigurationError, Forbidden, NotFound, NotUnderstood
from service.fhir.instants import sortable
from service.fhir.read import is_read, read_body
from service.fhir.sites import Site
from service.figures import Counted, Figures
from service.policies import load_document
from service.recall import InfantView as InfantView
from service.recall import in_batches, take_together
from service.store import arrivals, cursors, facts, infants, lookup, names, outbox, rejections, troubles
from service.store.arrivals import Arrival, Kept
from service.store.cursors import Cursor as Cursor
from service.store.database import Database
from service.store.decided import Census, Decided
from service.store.editions import Activation, Editions
from service.store.meanings import Mapped, Mappings

log = logging.getLogger(__name__)

Clock = Callable[[], datetime]
"""Now, with its zone."""

_KEYS: Final = UUID("3c7a7c1e-8a67-5c55-8a0b-5d6f2f1b9d10")
"""Namespace of the opaque infant keys; must never change."""

_CALENDAR: Final = "calendar"
"""The feed that brings the days: its cursor is the last day that was decided at a site."""

ONLY_LOOKS: Final = "your role looks and enters nothing; ask somebody of the unit or the ophthalmologist"
_NEVER_TRACKED: Final = ("fetus", "older", "unborn-or-empty")


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one arrival. Not `digested`: it is stored and will be tried again."""

    arrival: int
    digested: bool
    facts: int = 0
    rejections: int = 0


def infant_key(site: str, patient: str) -> UUID:
    """The opaque key of an infant: the only name used in URLs, in what is published, and in logs."""
    return uuid5(_KEYS, f"{site}\x1f{patient}")


Witness = Callable[[Connection, str, Iterable[tuple[str, UUID | None]]], None]
"""Is told, in the transaction, what is done ("list", "infant" or "change") with which (site, infant's key)."""


class Flow:
    """The use cases over one database. `clock` is the only source of time; `policies` is what the files say, by id, and
    `document` the whole text of one of them: what a site decides by is what was activated there (`store.editions`)."""

    def __init__(
        self, database: Database, sites: Mapping[str, Site], policies: Mapping[str, Policy], clock: Clock,
        document: Callable[[str], Mapping[str, Any]] = load_document,
    ) -> None:  # fmt: skip
        for site in sites.values():
            if site.policy not in policies:
                raise ConfigurationError(f"{site.id}.toml: policy", f"{site.policy!r} is no edition", tuple(policies))
        self.database, self.sites, self.policies, self.clock = database, sites, policies, clock
        self.editions = Editions(policies, document)
        self._witness: Witness | None = None
        self._enters = True
        self.mappings = Mappings()
        self._counted = Counted(database, self.editions)
        self._decided, self._census = Decided(), Census()

    def within(self, sites: Collection[str] | None, witness: Witness | None = None, enters: bool = True) -> Flow:
        """The same use cases over these sites alone: of any other site nothing is known here. None: over all. `witness`
        is told of every list and infant shown and every record changed, in the transaction that does it: where it
        fails, nothing is shown or changed. Not `enters`: nothing can be brought in."""
        narrow = copy(self)
        narrow._witness, narrow._enters = witness, enters
        if sites is not None:
            narrow.sites = {id: site for id, site in self.sites.items() if id in sites}
        return narrow

    def site(self, id: str) -> Site:
        """The site with this id. Raises NotFound."""
        if id not in self.sites:
            raise NotFound(f"there is no site {id!r}; known: {', '.join(sorted(self.sites)) or 'none'}")
        return self.sites[id]

    def today(self, site: str) -> date:
        """The calendar day at the site."""
        return self._day(self.site(site), self.clock())

    # --- in --------------------------------------------------------------------------------------------------------

    def accept(self, came: Sequence[Arrival], cursor: Cursor | None = None) -> list[Receipt]:
        """Store arrivals, digest them and decide, in one transaction; receipts in the same order.

        When this returns, all of it is durable, and so is `cursor`: how far the feed that brought it has come. What
        cannot be digested stays stored, spoils nothing beside it, and is tried again by `digest`. Raises when the
        database cannot keep them: then nothing was accepted.
        """
        if not self._enters:
            raise Forbidden(ONLY_LOOKS)
        for arrival in came:
            self.site(arrival.site)
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, {arrival.site for arrival in came})
            now = self.clock()
            mapped = self._mapped(connection, {arrival.site for arrival in came}, now)
            kept = arrivals.keep(connection, came, now, {id: each.number for id, each in mapped.items()})
            if cursor is not None:
                cursors.keep(connection, cursor.site, cursor.feed, cursor.value, now)
            receipts = self._digest_apart(connection, mapped, kept, now)
            waiting = {receipt.arrival for receipt in receipts if not receipt.digested}
            self.witnessed(connection, "change", [(each.arrival.site, None) for each in kept if each.id in waiting])
            return receipts

    def try_out(self, arrival: Arrival, key: str) -> InfantView:
        """How the infant with this key would stand if the arrival were accepted. Takes the whole way that `accept`
        takes, and then takes it back: nothing is kept, and nothing is said to anybody. Raises NotFound."""
        site = self.site(arrival.site)
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, [site.id])
            now = self.clock()
            mapped = self.mappings.of(connection, site, now)
            tried = connection.begin_nested()
            kept = arrivals.keep(connection, [arrival], now, {site.id: mapped.number})
            self._digest(connection, mapped, kept, now)
            seen = recall.see(connection, self.sites, self.editions, key, now)
            tried.rollback()
        return seen

    def cursor(self, site: str, feed: str) -> Cursor:
        """How far a feed has come."""
        with self.database.transaction() as connection:
            return Cursor(site, feed, cursors.read(connection, site, feed))

    def digest(self, site: str, limit: int = 200) -> list[Receipt]:
        """Try the arrivals that nobody could digest so far, those tried least first."""
        self.site(site)
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, [site])
            now = self.clock()
            mapped = self._mapped(connection, [site], now)
            receipts = self._digest_apart(connection, mapped, arrivals.undigested(connection, site, limit), now)
            done = [receipt.arrival for receipt in receipts if receipt.digested]
            arrivals.mark_digested(connection, site, done, now, mapped[site].number)
            return receipts

    def read_again(self, connection: Connection, mapped: Mapped, kept: Sequence[Kept], now: datetime) -> list[Receipt]:
        """Digest arrivals that were digested before, under a site's mapping; hold the site's lock."""
        receipts = self._digest_apart(connection, {mapped.site.id: mapped}, kept, now)
        done = [receipt.arrival for receipt in receipts if receipt.digested]
        arrivals.mark_read(connection, mapped.site.id, done, mapped.number)
        return receipts

    def _mapped(self, connection: Connection, sites: Iterable[str], now: datetime) -> dict[str, Mapped]:
        return {site: self.mappings.of(connection, self.sites[site], now) for site in sites}

    def _digest_apart(
        self, connection: Connection, mapped: Mapping[str, Mapped], kept: Sequence[Kept], now: datetime
    ) -> list[Receipt]:
        """All of a site together behind one savepoint, which is quick; if that fails, each behind its own."""
        receipts: dict[int, Receipt] = {}
        for site in dict.fromkeys(each.arrival.site for each in kept):
            batch = [each for each in kept if each.arrival.site == site]
            done = self._attempt(connection, mapped[site], batch, now)
            if len(batch) > 1 and not all(receipt.digested for receipt in done):
                done = [self._attempt(connection, mapped[site], [each], now)[0] for each in batch]
            receipts.update((receipt.arrival, receipt) for receipt in done)
        return [receipts[each.id] for each in kept]

    def _attempt(self, connection: Connection, mapped: Mapped, batch: Sequence[Kept], now: datetime) -> list[Receipt]:
        site = mapped.site
        try:
            with connection.begin_nested():
                return self._digest(connection, mapped, batch, now)
        except OperationalError:
            raise
        except Exception as error:  # whatever it is, the arrival is kept and what is beside it goes on
            if len(batch) == 1:
                log.error("arrival %d of %s could not be digested: %s", batch[0].id, site.id, type(error).__name__)
                arrivals.mark_failed(connection, site.id, batch[0].id, type(error).__name__)
            return [Receipt(each.id, digested=False) for each in batch]

    def _digest(self, connection: Connection, mapped: Mapped, batch: Sequence[Kept], now: datetime) -> list[Receipt]:
        site = mapped.site
        readings = [
            (each.id, ledger.made_under(mapped.number, reading))
            for each in batch
            for reading in read_body(each.arrival.body, site, sortable(each.received_at))
        ]
        resources = {reading.resource for _, reading in readings}
        before = facts.of_resources(connection, site.id, resources)
        said: list[tuple[int, Fact]] = []
        read: list[tuple[int, Reading]] = []
        for arrival, reading in readings:
            if not (reading.facts or reading.rejections or before[reading.resource] or is_read(reading.resource)):
                continue  # a kind of resource nobody here reads
            new = ledger.additions(reading, before[reading.resource])
            before[reading.resource].extend(new)
            said.extend((arrival, fact) for fact in new)
            read.append((arrival, reading))
        facts.append(connection, site.id, said, now)
        refused = rejections.settle(connection, site.id, read, before, now)
        troubles.note_silent(connection, site.id, read, mapped.number)
        touched = {fact.patient for _, fact in said if fact.patient}
        if any(fact.name == "place" for _, fact in said):
            touched.update(infants.patients(connection, site.id))
        if touched:
            self._reassess(connection, site, touched, batch[-1].id, now)
        return [
            Receipt(each.id, digested=True, facts=sum(a == each.id for a, _ in said), rejections=refused.count(each.id))
            for each in batch
        ]

    # --- decide ----------------------------------------------------------------------------------------------------

    def policy_on(self, site: str, day: date) -> Policy:
        """The edition that decides at a site on a day. Raises NotFound."""
        with self.database.transaction() as connection:
            return self.editions.on(connection, self.site(site), day)

    def waiting(self, site: str) -> Policy | None:
        """The edition the site's file names, as its own file has it, where that is not what was put in use there last:
        it decides nothing until somebody activates it. Raises NotFound."""
        with self.database.transaction() as connection:
            return self.editions.waiting(connection, self.site(site))

    def impact(self, site: str, policy: Policy | None = None) -> list[Impact]:
        """Everybody at the site about whom another edition (what the files say by default) would decide otherwise
        today; whoever would fall off the list first. Writes nothing."""
        here = self.site(site)
        day = self.today(site)
        with self.database.transaction() as connection:
            now = self.editions.on(connection, here, day)
            self.witnessed(connection, "list", [(here.id, None)])
            return recall.weigh(connection, here, now, policy or self.policies[here.policy], day)

    def activate(self, site: str, by: str) -> int:
        """Put what the files say in use at the site in somebody's name, and decide again about everybody. How many are
        decided otherwise than before. Raises ConfigurationError where the edition's id and revision were in use with
        another content, NotUnderstood without a name, Forbidden where nothing may be brought in."""
        here = self.site(site)
        if not self._enters:
            raise Forbidden(ONLY_LOOKS)
        if not by.strip():
            raise NotUnderstood("an edition is activated by somebody: say who")
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, [site])
            activated = self.editions.activate(connection, here, by.strip(), self.clock())
        if activated is None:
            return 0
        log.info("%s: %s revision %d was activated", site, activated.id, activated.revision)
        return self.reassess(site, everyone=True)

    def activations(self, site: str) -> list[Activation]:
        """Everything ever put in use at a site, oldest first. Raises NotFound."""
        with self.database.transaction() as connection:
            return self.editions.history(connection, self.site(site))

    def reassess(self, site: str, everyone: bool = False) -> int:
        """Decide again for whomever the calendar may have overtaken: whoever was last decided under another edition or
        revision than today's, has something to come, or of whom something was recorded ahead of its day. How many are
        decided otherwise than before. A batch is a transaction: what was done stays done."""
        here = self.site(site)
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, [site])
            now = self.clock()
            policy, today = self.editions.in_use(connection, here, now), self._day(here, now)
            if everyone:
                who = infants.patients(connection, site, everyone=True)
            else:
                who = recall.overtaken(connection, here, policy, today)
        changed = 0
        for batch in in_batches(dict.fromkeys(who)):
            with self.database.transaction() as connection:
                self.database.lock_sites(connection, [site])
                changed += self._reassess(connection, here, set(batch), None, self.clock())
        with self.database.transaction() as connection:
            cursors.keep(connection, site, _CALENDAR, {"day": today.isoformat()}, now)
        return changed

    def overtaken(self) -> list[str]:
        """The sites whose day has begun and has not been decided yet."""
        with self.database.transaction() as connection:
            decided = cursors.of_feed(connection, _CALENDAR)
        return [id for id in self.sites if decided.get(id, {}).get("day") != self.today(id).isoformat()]

    def _reassess(
        self, connection: Connection, site: Site, touched: set[str], arrival: int | None, now: datetime
    ) -> int:
        """Take everyone's facts together, decide, and write what changed. How many are decided otherwise."""
        known = names.Names(connection, site.id, touched)
        said = facts.of_patients(connection, site.id, touched)
        leads = known.leads(touched | known.learn(said, now))
        said |= facts.of_patients(connection, site.id, leads.keys() - said.keys())
        rows = infants.rows_of(connection, site.id, leads)
        policy, today = self.editions.in_use(connection, site, now), self._day(site, now)

        decided: list[tuple[Infant, Decision]] = []
        for patient in sorted(leads):
            row = rows.get(patient)
            person = take_together(site, patient, leads, said, row.known_since if row is not None else today)
            decision = decide(person.infant, policy, today, person.course)
            if row is not None or (decision.closed_by not in _NEVER_TRACKED and person.root == patient):
                decided.append((person.infant, decision))
            elif decision.closed_by == "older" and arrival is not None:
                rejections.refuse_adult(connection, site.id, person.facts, arrival, now)

        new = [d for _, d in decided if d.patient not in rows or says_anew(rows[d.patient].body, d)]
        ids = dict(zip((d.patient for d in new), infants.decide(connection, site.id, new, now), strict=True))
        placed = any(infant.place for infant, _ in decided)
        known_places = places(facts.places(connection, site.id)) if placed else {}
        where = {infant.patient: locate(infant, known_places, site.unit_for) for infant, _ in decided}
        infants.put(
            connection,
            [
                infants.row_of(
                    site.id, infant, infant_key(site.id, infant.patient), where[infant.patient], decision,
                    ids.get(infant.patient) or rows[infant.patient].decision, now,
                )
                for infant, decision in decided
            ],
        )  # fmt: skip
        announce.announce(
            connection, site,
            [announce.Decided(d, ids[d.patient], infant_key(site.id, d.patient), where[d.patient][0]) for d in new],
            now,
        )  # fmt: skip
        changed = {d.patient for d in new} if arrival is None else {infant.patient for infant, _ in decided}
        self.witnessed(connection, "change", [(site.id, infant_key(site.id, patient)) for patient in sorted(changed)])
        return sum(d.patient not in rows or bool(compare(from_json(rows[d.patient].body), d)) for d in new)

    def publish(self, site: str, senders: Mapping[str, announce.Sender], limit: int = 100) -> announce.Sent:
        """Send what is due at the site through its channels: name -> sender."""
        return announce.publish(self.database, self.site(site), senders, self.clock, limit)

    def say_again(self, site: str) -> int:
        """Let everything a site's server refused be said once more: somebody may have changed something. How many."""
        now = self.clock()
        with self.database.transaction() as connection:
            return outbox.retry_refused(connection, self.site(site).id, now)

    def work(self) -> dict[str, tuple[bool, bool]]:
        """(something to digest, something to send now) for every site."""
        now = self.clock()
        with self.database.transaction() as connection:
            to_digest = arrivals.sites_waiting(connection)
            to_send = outbox.sites_waiting(connection, now)
        return {site: (site in to_digest, site in to_send) for site in self.sites}

    # --- show ------------------------------------------------------------------------------------------------------

    def worklist(
        self, site: str | None = None, as_of: date | None = None, known_at: datetime | None = None
    ) -> list[Entry]:
        """The ranked list of one site or of all.

        As of a day (each site's own today by default): a day that is over is decided anew, from what is known now and
        under the edition of that day, for everybody known by then; for a day ahead the ages alone move. Known at an
        instant (with its zone): the list as it was shown then, by the last decisions made up to then, with names, beds
        and units as they were on record. With both, the day is judged from what was known at the instant.
        """
        here = [self.site(site)] if site is not None else list(self.sites.values())
        moment = known_at or self.clock()
        days = {each.id: as_of or self._day(each, moment) for each in self.sites.values()}
        entries: list[Entry] = []
        with self.database.transaction() as connection:
            for each in here:
                day = days[each.id]
                if day < self._day(each, moment):
                    policy = self.editions.on(connection, each, day, known_at)
                    entries += recall.list_on(connection, each, policy, day, known_at)
                elif known_at is not None:
                    entries += recall.list_then(connection, each, day, known_at)
                else:
                    entries += recall.list_now(connection, self._decided, each, day)
            self.witnessed(connection, "list", [(each.id, None) for each in here])
        return worklist.rank(entries, days.__getitem__)

    def round(self, site: str, day: date) -> list[tuple[Entry, bool]]:
        """Everybody at a site for whom something is to come as a day begins, ranked, each with whether an exam of that
        very day is on record. Raises NotFound."""
        here, now = self.site(site), self.clock()
        with self.database.transaction() as connection:
            policy = self.editions.on(connection, here, day)
            before = datetime.combine(day, time(), here.timezone)
            found = recall.round_on(connection, self._decided, here, policy, day, self._day(here, now), before)
            self.witnessed(connection, "list", [(site, None)])
        return found

    def treatments(self, entries: Iterable[Entry]) -> dict[str, tuple[Treatment, ...]]:
        """What was done to the eyes of those on a list whose last decision says that something was, by key."""
        treated = [entry for entry in entries if entry.decision.treatments]
        with self.database.transaction() as connection:
            return recall.treatments(connection, self.sites, treated)

    def infant(self, key: str, as_of: date | None = None, known_at: datetime | None = None) -> InfantView:
        """All there is to show of one infant: by the last decision; or, as of a day or known at an instant (with its
        zone), decided anew from what was known. Raises NotFound, also where nobody knew of it at the instant."""
        with self.database.transaction() as connection:
            seen = recall.see(connection, self.sites, self.editions, key, self.clock(), as_of, known_at)
            self.witnessed(connection, "infant", [(seen.site.id, UUID(seen.key))])
        return seen

    def find(self, patient: str, site: str | None = None) -> list[tuple[str, str]]:
        """(site, key) of infants with this Patient id, at one site or at all; if there are none, of those who are
        called by this number, or have this key."""
        sites = [self.site(site).id] if site else sorted(self.sites)
        with self.database.transaction() as connection:
            return infants.called(connection, sites, patient)

    def rejections(
        self, site: str | None = None, limit: int | None = None, offset: int = 0
    ) -> list[dict[str, Any]]:  # fmt: skip
        """What could not be read and has not been answered by a newer version, newest first: from the one numbered
        `offset` on, at most `limit`."""
        shown = list(self.sites) if site is None else [self.site(site).id]
        with self.database.transaction() as connection:
            self.witnessed(connection, "list", [(each, None) for each in shown])
            return recall.unread(connection, shown, limit, offset)

    def unread(self, site: str | None = None) -> int:
        """How many things could not be read and have not been answered by a newer version."""
        with self.database.transaction() as connection:
            return rejections.count(connection, [self.site(site).id] if site is not None else list(self.sites))

    def search(self, said: str, limit: int = 50) -> list[recall.Found]:
        """Infants on the list and off it whose name, number or bed begins with every word of what was typed, those on
        the list first; at most `limit`."""
        with self.database.transaction() as connection:
            found = [recall.found(row) for row in lookup.search(connection, sorted(self.sites), said, limit)]
            self.witnessed(connection, "list", [(id, None) for id in sorted({each.site for each in found})])
        return found

    def last_heard(self, but: str) -> dict[str, datetime | None]:
        """When each site last sent something, by another feed than this one; None: never."""
        with self.database.transaction() as connection:
            return {site: arrivals.last_heard(connection, site, but) for site in self.sites}

    def census(self, site: str | None = None) -> dict[str, int]:
        """Number of infants in each of the four states. A site is counted again when anything came in there since."""
        with self.database.transaction() as connection:
            return self._census.of(connection, [*self.sites] if site is None else [self.site(site).id])

    def recount(self, site: str, since: datetime | None = None) -> int:
        """Count again, for the figures, whoever changed after they were counted, a limited number at once; how many are
        left. `since`: an instant at which everybody had been counted. Raises NotFound."""
        return self._counted.recount(self.site(site), self.today(site), since)

    def figures(self, site: str, since: date) -> Figures:
        """What was done in time at a site and what was not, of all that was settled on the day `since` or later and
        before today. Counts whoever changed first, as far as that is quick; asked again before anything came in or was
        decided, answers as before. Raises NotFound."""
        return self._counted.figures(self.site(site), self.today(site), since, self.clock())

    def revisions(self) -> dict[str, int]:
        """For each site a number that grows whenever its list could have changed."""
        with self.database.transaction() as connection:
            return infants.high_water(connection, sorted(self.sites))

    def witnessed(self, connection: Connection, kind: str, about: Sequence[tuple[str, UUID | None]]) -> None:
        """Tell whoever writes down what is shown and changed."""
        if self._witness is not None and about:
            self._witness(connection, kind, about)

    @staticmethod
    def _day(site: Site, now: datetime) -> date:
        return now.astimezone(site.timezone).date()
