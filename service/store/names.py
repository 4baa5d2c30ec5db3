"""The names an infant goes by: merged records and identifiers lead to one record.

Never by similarity: twins share a surname, a birthday, an address and a mother. An alias is learned only from a merge
the site recorded, or from an identifier the site put on exactly one record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sqlalchemy import Connection, select
from sqlalchemy.dialects.postgresql import insert as upsert

from service.core.infant import Fact, newest
from service.store.tables import aliases

NOBODY = ""
"""Where an identifier leads that two people carry."""

SHOWN = 1
"""Rank of the identifier a site goes by. Others do not lead anywhere: placeholders are shared by many."""


class Names:
    """What is known of the names of some records at one site. Loads whatever hangs together with what it is asked."""

    def __init__(self, connection: Connection, site: str, about: Iterable[str]) -> None:
        self._connection, self._site = connection, site
        self._next: dict[str, str] = {}
        self._asked = {NOBODY}
        self._load(about)

    def root(self, name: str) -> str:
        """The record a name leads to in the end; the name itself where it leads nowhere. Names that lead in a circle
        agree on one of them."""
        trail = [name]
        while (step := self._next.get(trail[-1], NOBODY)) not in (NOBODY, trail[-1]):
            if step in trail:
                return min(trail[trail.index(step) :])
            trail.append(step)
        return trail[-1]

    def leads(self, about: Iterable[str]) -> dict[str, str]:
        """name -> record, for the names asked about, the records they lead to, and every other name of those."""
        about = list(about)
        self._load(about)
        roots = {self.root(name) for name in about}
        every = {*about, *self._next}
        return {name: root for name in every if (root := self.root(name)) in roots} | {root: root for root in roots}

    def learn(self, said: Mapping[str, Iterable[Fact]]) -> set[str]:
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
        self._keep(learned)
        return affected - {NOBODY}

    def _load(self, about: Iterable[str]) -> None:
        new = set(about) - self._asked
        while new:
            asked = list(new)
            query = select(aliases.c.alias, aliases.c.patient).where(
                aliases.c.site == self._site, aliases.c.alias.in_(asked) | aliases.c.patient.in_(asked)
            )
            self._asked |= new
            self._next.update((row.alias, row.patient) for row in self._connection.execute(query))
            new = {*self._next, *self._next.values()} - self._asked

    def _keep(self, learned: Mapping[str, str]) -> None:
        self._next.update(learned)
        if learned:
            statement = upsert(aliases)
            changed = {"patient": statement.excluded.patient}
            self._connection.execute(
                statement.on_conflict_do_update(index_elements=["site", "alias"], set_=changed),
                [{"site": self._site, "alias": alias, "patient": patient} for alias, patient in learned.items()],
            )


def family(connection: Connection, site: str, record: str) -> list[str]:
    """Every name of a record, its own first."""
    leads = Names(connection, site, [record]).leads([record])
    return [record, *sorted(name for name, root in leads.items() if root == record != name)]
