"""The names an infant goes by: merged records and identifiers lead to one record.

Never by similarity: twins share a surname, a birthday, an address and a mother. An alias is learned only from a merge
the site recorded, or from an identifier the site put on exactly one record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, func, insert, or_, select
from sqlalchemy.dialects.postgresql import insert as upsert

from service.core.infant import Fact, newest
from service.store.tables import aliases, namings

NOBODY = ""
"""Where an identifier leads that two people carry."""

SHOWN = 1
"""Rank of the identifier a site goes by. Others do not lead anywhere: placeholders are shared by many."""


class Names:
    """What is known of the names of some records at one site, or was known at an instant (`known_at`). Loads whatever
    hangs together with what it is asked."""

    def __init__(
        self, connection: Connection, site: str, about: Iterable[str], known_at: datetime | None = None
    ) -> None:
        self._connection, self._site, self._known_at = connection, site, known_at
        self._next: dict[str, str] = {}
        self._asked = {NOBODY}
        self._load(about)

    def root(self, name: str) -> str:
        """The record a name leads to in the end; the name itself where it leads nowhere. Names that lead in a circle
        agree on one of them."""
        return _root(self._next, name)

    def leads(self, about: Iterable[str]) -> dict[str, str]:
        """name -> record, for the names asked about, the records they lead to, and every other name of those."""
        about = list(about)
        self._load(about)
        roots = {self.root(name) for name in about}
        every = {*about, *self._next}
        return {name: root for name in every if (root := self.root(name)) in roots} | {root: root for root in roots}

    def learn(self, said: Mapping[str, Iterable[Fact]], now: datetime) -> set[str]:
        """Learn what each record's facts say about its names: `said` is patient -> all facts said of that patient id.
        Returns the records to whom something belongs now, or does not any more."""
        claims: dict[str, str] = {}
        for patient in sorted(said):
            if "|" in patient:
                continue  # an identifier standing in for a record nobody has sent: it says nothing of its own names
            current, _ = newest(said[patient])
            claims[patient] = next((str(f.value["patient"]) for f in current if f.name == "replaced_by"), patient)
            for fact in current:
                if fact.name == "identifier" and fact.rank == SHOWN:
                    claims[f"{fact.value.get('system') or ''}|{fact.value.get('value')}"] = patient
        self._load({*claims, *claims.values()})
        learned: dict[str, str] = {}
        for alias, patient in claims.items():
            known = self._next.get(alias)
            if alias in said and "|" not in alias:  # a record's own id: merged, or itself (again)
                if patient != (known or alias):
                    learned[alias] = patient
            elif known is None:
                learned[alias] = patient
            elif known not in (NOBODY, patient):
                learned[alias] = patient if self.root(known) == self.root(patient) else NOBODY
        affected = {
            name for alias, patient in learned.items() for name in (alias, self._next.get(alias, alias), patient)
        }
        self._keep(learned, now)
        return affected - {NOBODY}

    def _load(self, about: Iterable[str]) -> None:
        new = set(about) - self._asked
        while new:
            self._asked |= new
            self._next.update((row.alias, row.patient) for row in self._rows(list(new)))
            new = {*self._next, *self._next.values()} - self._asked

    def _rows(self, asked: list[str]) -> Iterable[Row[tuple[str, str]]]:
        if self._known_at is not None:
            return _namings(self._connection, self._site, asked, self._known_at)
        query = select(aliases.c.alias, aliases.c.patient).where(
            aliases.c.site == self._site, aliases.c.alias.in_(asked) | aliases.c.patient.in_(asked)
        )
        return self._connection.execute(query)

    def _keep(self, learned: Mapping[str, str], now: datetime) -> None:
        self._next.update(learned)
        if learned:
            statement = upsert(aliases)
            changed = {"patient": statement.excluded.patient}
            rows = [{"site": self._site, "alias": alias, "patient": patient} for alias, patient in learned.items()]
            self._connection.execute(
                statement.on_conflict_do_update(index_elements=["site", "alias"], set_=changed), rows
            )
            self._connection.execute(insert(namings), [{**row, "learned_at": now} for row in rows])


def _root(leads: Mapping[str, str], name: str) -> str:
    trail = [name]
    while (step := leads.get(trail[-1], NOBODY)) not in (NOBODY, trail[-1]):
        if step in trail:
            return min(trail[trail.index(step) :])
        trail.append(step)
    return trail[-1]


def _namings(connection: Connection, site: str, asked: list[str], until: datetime) -> list[Row[tuple[str, str]]]:
    """Where each alias that ever had to do with `asked` led at an instant."""
    about = select(namings.c.alias).where(
        namings.c.site == site, or_(namings.c.alias.in_(asked), namings.c.patient.in_(asked))
    )
    last = (
        select(func.max(namings.c.id))
        .where(namings.c.site == site, namings.c.alias.in_(about), namings.c.learned_at <= until)
        .group_by(namings.c.alias)
    )
    query = select(namings.c.alias, namings.c.patient).where(namings.c.site == site, namings.c.id.in_(last))
    return list(connection.execute(query))


def family(connection: Connection, site: str, record: str) -> list[str]:
    """Every name of a record, its own first."""
    leads = Names(connection, site, [record]).leads([record])
    return [record, *sorted(name for name, root in leads.items() if root == record != name)]


@dataclass(frozen=True, slots=True)
class Membership:
    """A name and a span of time in which what was said under it was said of the record: from `since` on (None: always)
    and before `until` (None: still)."""

    name: str
    since: datetime | None = None
    until: datetime | None = None

    def holds(self, moment: datetime) -> bool:
        """Whether the name was the record's at an instant."""
        return (self.since is None or self.since <= moment) and (self.until is None or moment < self.until)


def memberships(connection: Connection, site: str, record: str) -> list[Membership]:
    """Every name a record ever went by, and when; its own first."""
    rows: dict[int, Row[Any]] = {}
    asked, new = {NOBODY}, {record}
    while new:
        query = select(namings).where(
            namings.c.site == site, or_(namings.c.alias.in_(list(new)), namings.c.patient.in_(list(new)))
        )
        asked |= new
        rows.update((row.id, row) for row in connection.execute(query))
        new = {name for row in rows.values() for name in (row.alias, row.patient)} - asked
    leads: dict[str, str] = {}
    since: dict[str, datetime] = {}
    found = [Membership(record)]
    ordered = sorted(rows.values(), key=lambda row: (row.learned_at, row.id))
    for number, row in enumerate(ordered):
        leads[row.alias] = row.patient
        if number + 1 < len(ordered) and ordered[number + 1].learned_at == row.learned_at:
            continue  # learned in one breath
        ours = {name for name in {*leads, *leads.values()} - {NOBODY, record} if _root(leads, name) == record}
        found += [Membership(name, since.pop(name), row.learned_at) for name in sorted(since.keys() - ours)]
        since |= dict.fromkeys(ours - since.keys(), row.learned_at)
    return [*found, *(Membership(name, begun) for name, begun in sorted(since.items()))]
