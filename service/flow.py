"""The use cases: accept what a feed brings, decide, and show the list.

One datum, top to bottom: `accept` stores the arrivals and, in the same transaction, digests them: `fhir.read` makes
facts or rejections of the bytes, `core.ledger` says what they add, `core.infant` takes an infant's facts together,
`core.decision` decides, and `announce` writes the publication and the outbox row. `publish` later brings other
servers up to date. The list is ranked when it is read.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import Any, Final, cast
from uuid import UUID, uuid5

from sqlalchemy import Connection, Row
from sqlalchemy.exc import OperationalError

from service import announce
from service.core import ledger, worklist
from service.core.decision import Decision, Window, decide, from_json, on_day, to_json
from service.core.infant import Fact, Infant, Reading, Rejection, Version, assemble, newest
from service.core.policy import Policy
from service.core.whereabouts import locate, places
from service.errors import ConfigurationError, NotFound
from service.fhir.read import is_read, read_body
from service.fhir.sites import Site
from service.store import arrivals, cursors, facts, infants, names, outbox
from service.store.arrivals import Arrival, Kept
from service.store.database import Database

log = logging.getLogger(__name__)

Clock = Callable[[], datetime]
"""Now, with its zone."""

_KEYS: Final = UUID("3c7a7c1e-8a67-5c55-8a0b-5d6f2f1b9d10")
"""Namespace of the opaque infant keys; must never change."""

_NEVER_TRACKED: Final = ("fetus", "older", "unborn-or-empty")


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one arrival. Not `digested`: it is stored and will be tried again."""

    arrival: int
    digested: bool
    facts: int = 0
    rejections: int = 0


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far a feed has come at a site, in the feed's own words."""

    site: str
    feed: str
    value: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class InfantView:
    """All there is to show of one infant. `entry` is None when nothing is due."""

    site: Site
    key: str
    patient: str
    infant: Infant
    decision: Decision
    entry: worklist.Entry | None
    facts: tuple[Fact, ...]
    current: tuple[Fact, ...]
    rejections: tuple[Mapping[str, Any], ...]
    history: tuple[tuple[datetime, Decision], ...]


def infant_key(site: str, patient: str) -> UUID:
    """The opaque key of an infant: the only name used in URLs, in what is published, and in logs."""
    return uuid5(_KEYS, f"{site}\x1f{patient}")


class Flow:
    """The use cases over one database. `clock` is the only source of time."""

    def __init__(
        self, database: Database, sites: Mapping[str, Site], policies: Mapping[str, Policy], clock: Clock
    ) -> None:
        for site in sites.values():
            if site.policy not in policies:
                raise ConfigurationError(f"{site.id}.toml: policy", f"{site.policy!r} is no edition", tuple(policies))
        self.database, self.sites, self.policies, self.clock = database, sites, policies, clock

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
        for arrival in came:
            self.site(arrival.site)
        now = self.clock()
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, {arrival.site for arrival in came})
            kept = arrivals.keep(connection, came, now)
            if cursor is not None:
                cursors.keep(connection, cursor.site, cursor.feed, cursor.value, now)
            return self._digest_apart(connection, kept, now)

    def cursor(self, site: str, feed: str) -> Cursor:
        """How far a feed has come."""
        with self.database.transaction() as connection:
            return Cursor(site, feed, cursors.read(connection, site, feed))

    def digest(self, site: str, limit: int = 200) -> list[Receipt]:
        """Try the arrivals that nobody could digest so far, those tried least first."""
        self.site(site)
        now = self.clock()
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, [site])
            receipts = self._digest_apart(connection, arrivals.undigested(connection, site, limit), now)
            done = [receipt.arrival for receipt in receipts if receipt.digested]
            arrivals.mark_digested(connection, site, done, now)
            return receipts

    def _digest_apart(self, connection: Connection, kept: Sequence[Kept], now: datetime) -> list[Receipt]:
        """All of a site together behind one savepoint, which is quick; if that fails, each behind its own."""
        receipts: dict[int, Receipt] = {}
        for site in dict.fromkeys(each.arrival.site for each in kept):
            batch = [each for each in kept if each.arrival.site == site]
            done = self._attempt(connection, batch, now)
            if len(batch) > 1 and not all(receipt.digested for receipt in done):
                done = [self._attempt(connection, [each], now)[0] for each in batch]
            receipts.update((receipt.arrival, receipt) for receipt in done)
        return [receipts[each.id] for each in kept]

    def _attempt(self, connection: Connection, batch: Sequence[Kept], now: datetime) -> list[Receipt]:
        site = self.sites[batch[0].arrival.site]
        try:
            with connection.begin_nested():
                return self._digest(connection, site, batch, now)
        except OperationalError:
            raise
        except Exception as error:  # whatever it is, the arrival is kept and what is beside it goes on
            if len(batch) == 1:
                log.error("arrival %d of %s could not be digested: %s", batch[0].id, site.id, type(error).__name__)
                arrivals.mark_failed(connection, site.id, batch[0].id, type(error).__name__)
            return [Receipt(each.id, digested=False) for each in batch]

    def _digest(self, connection: Connection, site: Site, batch: Sequence[Kept], now: datetime) -> list[Receipt]:
        readings = [
            (each.id, reading)
            for each in batch
            for reading in read_body(each.arrival.body, site, _instant(each.received_at))
        ]
        resources = {reading.resource for _, reading in readings}
        before = facts.of_resources(connection, site.id, resources)
        kept = facts.kept_rejections(connection, site.id, resources)
        seen = {(row.resource, row.version_label, row.path, row.reason) for row in kept}
        said: list[tuple[int, Fact]] = []
        refused: list[tuple[int, Reading, Rejection]] = []
        for arrival, reading in readings:
            if not (reading.facts or reading.rejections or before[reading.resource] or is_read(reading.resource)):
                continue  # a kind of resource nobody here reads
            new = ledger.additions(reading, before[reading.resource])
            before[reading.resource].extend(new)
            said.extend((arrival, fact) for fact in new)
            for rejection in reading.rejections:
                mark = (reading.resource, reading.version.label, rejection.path, rejection.reason)
                if mark not in seen:
                    seen.add(mark)
                    refused.append((arrival, reading, rejection))
        facts.append(connection, site.id, said, now)
        latest = {
            resource: ledger.ordered({fact.version for fact in known})[-1]
            for resource, known in before.items()
            if known
        }
        facts.reject(
            connection, site.id,
            [
                (
                    arrival, reading.version, replace(rejection, resource=reading.resource),
                    _outdated(reading.resource, reading.version.label, latest),
                )
                for arrival, reading, rejection in refused
            ],
            now,
        )  # fmt: skip
        answered = [
            row.id for row in kept if row.superseded_at is None and _outdated(row.resource, row.version_label, latest)
        ]
        facts.supersede(connection, site.id, answered, now)
        touched = {fact.patient for _, fact in said if fact.patient}
        if any(fact.name == "place" for _, fact in said):
            touched.update(row.patient for row in infants.pending(connection, site.id))
        if touched:
            self._reassess(connection, site, touched, batch[-1].id, now)
        return [
            Receipt(
                each.id,
                digested=True,
                facts=sum(a == each.id for a, _ in said),
                rejections=sum(a == each.id for a, *_ in refused),
            )
            for each in batch
        ]

    # --- decide ----------------------------------------------------------------------------------------------------

    def reassess(self, site: str, everyone: bool = False) -> int:
        """Decide again for whoever was last decided under another policy edition or revision; how many."""
        here = self.site(site)
        policy = self.policies[here.policy]
        now = self.clock()
        with self.database.transaction() as connection:
            self.database.lock_sites(connection, [site])
            if everyone:
                names = infants.patients(connection, site)
            else:
                names = infants.decided_otherwise(connection, site, policy.id, policy.revision)
            if names:
                self._reassess(connection, here, set(names), None, now)
            return len(names)

    def _reassess(
        self, connection: Connection, site: Site, touched: set[str], arrival: int | None, now: datetime
    ) -> None:
        """Take everyone's facts together, decide, and write what changed."""
        known = names.Names(connection, site.id, touched)
        said = facts.of_patients(connection, site.id, touched)
        leads = known.leads(touched | known.learn(said))
        said |= facts.of_patients(connection, site.id, leads.keys() - said.keys())
        rows = infants.rows_of(connection, site.id, leads)
        policy, today = self.policies[site.policy], self._day(site, now)

        decided: list[tuple[Infant, Decision]] = []
        for patient, root in sorted(leads.items()):
            row = rows.get(patient)
            family = [patient, *sorted(m for m in leads if leads[m] == patient != m)] if root == patient else [patient]
            own = [fact for member in family for fact in said[member]]
            infant = assemble(patient, own, row.known_since if row is not None else today)
            if root != patient:
                infant = replace(infant, record="merged", replaced_by=root)
            decision = decide(infant, policy, today)
            if row is not None or (decision.closed_by not in _NEVER_TRACKED and root == patient):
                decided.append((infant, decision))
            elif decision.closed_by == "older" and arrival is not None:
                self._refuse_adult(connection, site, own, arrival, now)

        new = [d for _, d in decided if d.patient not in rows or _changes(rows[d.patient].body, d)]
        ids = dict(zip((d.patient for d in new), infants.decide(connection, site.id, new, now), strict=True))
        placed = any(infant.place for infant, _ in decided)
        known_places = places(facts.places(connection, site.id)) if placed else {}
        where = {infant.patient: locate(infant, known_places, site.unit_for) for infant, _ in decided}
        infants.put(
            connection,
            [
                {
                    "site": site.id, "patient": infant.patient, "key": infant_key(site.id, infant.patient),
                    "known_since": infant.known_since, "first_seen": now, "changed_at": now,
                    "decision": ids.get(infant.patient) or rows[infant.patient].decision,
                    **infants.judgement(decision),
                    "name": infant.name, "identifier": infant.identifier,
                    "unit": where[infant.patient][0], "bed": where[infant.patient][1],
                    "left_hospital": infant.in_hospital is False,
                }
                for infant, decision in decided
            ],
        )  # fmt: skip
        announce.announce(
            connection, site,
            [announce.Decided(d, ids[d.patient], infant_key(site.id, d.patient), where[d.patient][0]) for d in new],
            now,
        )  # fmt: skip

    def _refuse_adult(
        self, connection: Connection, site: Site, said: Iterable[Fact], arrival: int, now: datetime
    ) -> None:
        """A birth weight or gestational age on the record of somebody who is no newborn, naming no infant."""
        current, _ = newest(said)
        wrong = [fact for fact in current if fact.name in ("birth_weight", "gestation")]
        kept = facts.kept_rejections(connection, site.id, {fact.resource for fact in wrong})
        seen = {(row.resource, row.version_label, row.path, row.reason) for row in kept}
        refused = []
        for fact in wrong:
            reason = "this is the record of somebody who was not a newborn when first named, and it names no infant"
            if (fact.resource, fact.version.label, "Observation.subject", reason) not in seen:
                rejection = Rejection(fact.resource, "Observation.subject", reason, "", fact.name)
                refused.append((arrival, fact.version, rejection, False))
        facts.reject(connection, site.id, refused, now)

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

    def worklist(self, site: str | None = None, as_of: date | None = None) -> list[worklist.Entry]:
        """The ranked list of one site or of all, as of a day (each site's own today by default)."""
        if site is not None:
            self.site(site)
        with self.database.transaction() as connection:
            rows = [row for row in infants.pending(connection, site) if row.site in self.sites]
        days = {id: as_of or self.today(id) for id in self.sites}
        entries = [_entry(row, days[row.site]) for row in rows if as_of is None or row.known_since <= as_of]
        return worklist.rank(entries, days.__getitem__)

    def infant(self, key: str) -> InfantView:
        """All there is to show of one infant. Raises NotFound."""
        try:
            wanted = UUID(key)
        except ValueError:
            raise NotFound("there is no such infant") from None
        with self.database.transaction() as connection:
            row = infants.row_by_key(connection, wanted)
            if row is None or row.body is None or row.site not in self.sites:
                raise NotFound("there is no such infant")
            site, patient = self.sites[row.site], str(row.patient)
            family = names.family(connection, site.id, patient)
            said = facts.of_patients(connection, site.id, family)
            together = [fact for name in family for fact in said[name]]
            refused = facts.current_rejections(connection, site.id, family)
            history = infants.history(connection, site.id, patient)
        current, earlier = newest(together)
        today = self.today(site.id)
        return InfantView(
            site=site, key=str(row.key), patient=patient,
            infant=assemble(patient, together, row.known_since),
            decision=on_day(from_json(row.body), today),
            entry=_entry(row, today) if row.kind != "none" else None,
            facts=tuple(together),
            current=(*current, *earlier),
            rejections=tuple(self._rejection(each) for each in refused),
            history=tuple((each.decided_at, from_json(each.body)) for each in history),
        )  # fmt: skip

    def find(self, patient: str, site: str | None = None) -> list[tuple[str, str]]:
        """(site, key) of infants with this Patient id, at one site or at all."""
        sites = [self.site(site).id] if site else sorted(self.sites)
        with self.database.transaction() as connection:
            found = [(id, infants.rows_of(connection, id, [patient]).get(patient)) for id in sites]
        return [(id, str(row.key)) for id, row in found if row is not None]

    def rejections(self, site: str | None = None) -> list[dict[str, Any]]:
        """What could not be read and has not been answered by a newer version, newest first."""
        if site is not None:
            self.site(site)
        with self.database.transaction() as connection:
            return [
                {**self._rejection(row), "original": arrivals.body_of(connection, row.site, row.arrival)}
                for row in facts.current_rejections(connection, site)
                if row.site in self.sites
            ]

    def census(self, site: str | None = None) -> dict[str, int]:
        """Number of infants in each of the four states."""
        with self.database.transaction() as connection:
            counted = infants.count_by_state(connection)
        states = ("eligible", "unknown", "not-eligible", "closed")
        return {s: sum(n for (at, state), n in counted.items() if state == s and site in (None, at)) for s in states}

    def revision(self) -> int:
        """A number that grows whenever any list could have changed."""
        with self.database.transaction() as connection:
            return infants.high_water(connection, sorted(self.sites))

    @staticmethod
    def _rejection(row: Row[Any]) -> dict[str, Any]:
        return {
            "site": row.site, "id": row.id, "resource": row.resource, "path": row.path, "reason": row.reason,
            "about": row.about, "patient_key": str(row.key) if row.key else None, "recorded_at": row.recorded_at,
        }  # fmt: skip

    @staticmethod
    def _day(site: Site, now: datetime) -> date:
        return now.astimezone(site.timezone).date()


def _entry(row: Row[Any], today: date) -> worklist.Entry:
    """A row of the list. The table's own constraint says that whatever is to come has a window."""
    decision = on_day(from_json(row.body), today)
    return worklist.Entry(
        site=row.site, key=str(row.key), patient=row.patient, name=row.name, identifier=row.identifier,
        unit=row.unit, bed=row.bed, left_hospital=row.left_hospital, decision=decision, kind=decision.next.kind,
        window=cast(Window, decision.next.window),
    )  # fmt: skip


def _changes(before: Mapping[str, Any] | None, decision: Decision) -> bool:
    """Whether the decision says anything new; the ages of the day alone do not."""
    return before is None or to_json(on_day(from_json(before), decision.as_of)) != to_json(decision)


def _outdated(resource: str, label: str, latest: Mapping[str, Version]) -> bool:
    """Whether a newer version of the resource is known. What has no id of its own is never answered by another."""
    return "/" in resource and resource in latest and latest[resource].label != label


def _instant(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
