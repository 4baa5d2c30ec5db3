"""Editions in use: what each site decides by, frozen word for word when somebody put it in use.

A file that is changed later decides nothing until somebody activates it: the site goes on with what is stored. One id
and revision is one content, everywhere in an installation.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from sqlalchemy import Connection, insert, select, text

from service.core.policy import Policy
from service.errors import ConfigurationError
from service.fhir.sites import Site
from service.policies import parse_document
from service.store.tables import editions

log = logging.getLogger(__name__)

FIRST_START: Final = "first start"
"""Who activated what a site's file says when nothing was in use there yet."""

_LOCK: Final = 0x52_69_64_67_65_45_64  # "RidgeEd": two sites must not give one revision two contents at once


@dataclass(frozen=True, slots=True)
class Activation:
    """An edition put in use at a site on the day `on` there; it decides from `starts` on, until one activated later
    does. What has not begun when another is activated never does: its day was moved, or it was thought better of. `at`
    is the instant at which `by` activated it."""

    id: int
    policy: str
    revision: int
    content: str
    effective: date | None
    starts: date
    on: date
    at: datetime
    by: str


class Editions:
    """What every site decides by. `policies` is what the files say, by id; `document` gives an edition's file as one
    document that holds all it needs, by id."""

    def __init__(self, policies: Mapping[str, Policy], document: Callable[[str], Mapping[str, Any]]) -> None:
        self._policies, self._document = policies, document
        self._parsed: dict[tuple[str, int, str], Policy] = {}

    def on(self, connection: Connection, site: Site, day: date, known_at: datetime | None = None) -> Policy:
        """The edition that decides at a site on a day, by what had been activated up to an instant (by default: so
        far). A day before the first activation is judged by that one; without any, by what the site's file says."""
        return self._on(connection, site, day, activations(connection, site, known_at))

    def spans(self, connection: Connection, site: Site, today: date) -> list[tuple[date, Policy]]:
        """Every edition that decided at a site up to a day, with its first day, oldest first; the first one judges
        every day before it as well."""
        known = activations(connection, site)
        days = sorted({day for each in known for day in (each.on, each.starts) if day <= today}) or [today]
        found: list[tuple[date, Policy]] = []
        for day in days:
            policy = self._on(connection, site, day, known)
            if not found or (found[-1][1].id, found[-1][1].content) != (policy.id, policy.content):
                found.append((day, policy))
        return found

    def history(self, connection: Connection, site: Site) -> list[Activation]:
        """Everything ever put in use at a site, by whom and when, in that order."""
        return activations(connection, site)

    def stored(self, connection: Connection, site: Site, id: str, revision: int) -> Policy | None:
        """An edition of this id and revision as it was put in use at a site, word for word; None where it never was."""
        each = next((a for a in activations(connection, site) if (a.policy, a.revision) == (id, revision)), None)
        return None if each is None else self._read(connection, site, each)

    def in_use(self, connection: Connection, site: Site, now: datetime) -> Policy:
        """The edition that decides at a site now. Where nothing is in use yet, what the site's file says is activated
        by "first start": call it with the site locked."""
        known = activations(connection, site)
        if not known:
            for policy in self._chain(site, now.astimezone(site.timezone).date()):
                self._start(connection, site, policy, now)
            known = activations(connection, site)
        return self._on(connection, site, now.astimezone(site.timezone).date(), known)

    def waiting(self, connection: Connection, site: Site) -> Policy | None:
        """The edition the files say, where it is not the one put in use last; None where it is, or where nothing has
        been put in use yet: the first start will do that."""
        known, said = activations(connection, site), self._policies[site.policy]
        if not known or _same(known[-1], said):
            return None
        return said

    def activate(self, connection: Connection, site: Site, by: str, now: datetime) -> Policy | None:
        """Put what the files say in use at a site, which must be locked; the edition, or None where it is already.

        Raises ConfigurationError where its id and revision were in use with another content anywhere.
        """
        known, said = activations(connection, site), self._policies[site.policy]
        if known and _same(known[-1], said):
            return None
        before = self._first_of(connection, said)
        if before is not None and before.content != said.content:
            raise ConfigurationError(
                f"{said.id}: revision",
                f"revision {said.revision} has been in use with another content; raise the revision, and say what "
                "changed",
            )
        if not known:
            for policy in self._chain(site, now.astimezone(site.timezone).date())[:-1]:
                self._start(connection, site, policy, now)
        self._put(connection, site, said, by, now)
        return said

    def _on(self, connection: Connection, site: Site, day: date, known: Sequence[Activation]) -> Policy:
        if not known:
            return next(iter(self._chain(site, day)))
        begun = [
            each
            for number, each in enumerate(known)
            if each.starts <= day and all(each.starts <= later.on for later in known[number + 1 :])
        ]
        return self._read(connection, site, begun[-1] if begun else known[0])

    def _chain(self, site: Site, day: date) -> list[Policy]:
        """What the site's file says; while its day has not come, what it stands on goes before it."""
        chain = [self._policies[site.policy]]
        while chain[0].effective is not None and chain[0].effective > day and chain[0].extends in self._policies:
            chain.insert(0, self._policies[chain[0].extends])
        return chain

    def _start(self, connection: Connection, site: Site, policy: Policy, now: datetime) -> None:
        before = self._first_of(connection, policy)
        if before is not None and before.content != policy.content:
            log.warning(
                "%s starts with %s revision %d as it is in use elsewhere: the file has changed since",
                site.id, policy.id, policy.revision,
            )  # fmt: skip
            connection.execute(
                insert(editions).values(
                    site=site.id, policy=before.policy, revision=before.revision, content=before.content,
                    effective=before.effective, document=before.document, activated_at=now, activated_by=FIRST_START,
                )
            )  # fmt: skip
        else:
            self._put(connection, site, policy, FIRST_START, now)

    def _put(self, connection: Connection, site: Site, policy: Policy, by: str, now: datetime) -> None:
        connection.execute(
            insert(editions).values(
                site=site.id, policy=policy.id, revision=policy.revision, content=policy.content,
                effective=policy.effective, document=dict(self._document(policy.id)), activated_at=now,
                activated_by=by,
            )
        )  # fmt: skip

    @staticmethod
    def _first_of(connection: Connection, policy: Policy) -> Any:
        """The first activation of this id and revision at any site; nobody else can make one until we are done."""
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _LOCK})
        query = select(editions).where(editions.c.policy == policy.id, editions.c.revision == policy.revision)
        return connection.execute(query.order_by(editions.c.id).limit(1)).one_or_none()

    def _read(self, connection: Connection, site: Site, activation: Activation) -> Policy:
        said = self._policies.get(activation.policy)
        if said is not None and _same(activation, said):
            return said
        key = (activation.policy, activation.revision, activation.content)
        if key not in self._parsed:
            query = select(editions.c.document).where(editions.c.site == site.id, editions.c.id == activation.id)
            self._parsed[key] = parse_document(connection.execute(query).scalar_one())
        return self._parsed[key]


def activations(connection: Connection, site: Site, known_at: datetime | None = None) -> list[Activation]:
    """Everything put in use at a site (up to an instant), in that order."""
    e = editions.c
    query = select(e.id, e.policy, e.revision, e.content, e.effective, e.activated_at, e.activated_by)
    query = query.where(e.site == site.id).order_by(e.id)
    if known_at is not None:
        query = query.where(e.activated_at <= known_at)
    found = []
    for row in connection.execute(query):
        on = row.activated_at.astimezone(site.timezone).date()
        starts = row.effective or on
        found.append(
            Activation(
                row.id, row.policy, row.revision, row.content, row.effective, starts, on, row.activated_at,
                row.activated_by,
            )
        )  # fmt: skip
    return found


def _same(activation: Activation, policy: Policy) -> bool:
    return (
        activation.policy == policy.id and activation.revision == policy.revision
        and activation.content == policy.content and activation.effective == policy.effective
    )  # fmt: skip
