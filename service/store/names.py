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


def learn(connection: Connection, site: str, said: Mapping[str, Iterable[Fact]]) -> set[str]:
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
    query = select(aliases.c.alias, aliases.c.patient).where(aliases.c.site == site, aliases.c.alias.in_(list(claims)))
    known = {row.alias: row.patient for row in connection.execute(query)}
    learned: dict[str, str] = {}
    for alias, patient in claims.items():
        if alias in said and "|" not in alias:  # a record's own id: merged, or itself (again)
            if patient != known.get(alias, alias):
                learned[alias] = patient
        elif alias not in known:
            learned[alias] = patient
        elif known[alias] not in (NOBODY, patient):
            same = root(connection, site, known[alias]) == root(connection, site, patient)
            learned[alias] = patient if same else NOBODY
    if learned:
        statement = upsert(aliases)
        connection.execute(
            statement.on_conflict_do_update(
                index_elements=["site", "alias"], set_={"patient": statement.excluded.patient}
            ),
            [{"site": site, "alias": alias, "patient": patient} for alias, patient in learned.items()],
        )
    return {name for alias in learned for name in (alias, known.get(alias, alias), learned[alias]) if name != NOBODY}


def root(connection: Connection, site: str, name: str) -> str:
    """The record a name leads to in the end; the name itself where it leads nowhere, or in a circle."""
    return roots(connection, site, [name])[name]


def roots(connection: Connection, site: str, names: Iterable[str]) -> dict[str, str]:
    """`root` of each name."""
    found = {name: name for name in names}
    trails = {name: [name] for name in found}
    while True:
        ends = set(found.values())
        query = select(aliases.c.alias, aliases.c.patient).where(
            aliases.c.site == site, aliases.c.alias.in_(list(ends))
        )
        step = {row.alias: row.patient for row in connection.execute(query) if row.patient not in (NOBODY, row.alias)}
        moved = False
        for name, end in found.items():
            if end not in step:
                continue
            if step[end] in trails[name]:
                found[name] = min(trails[name])  # a circle: everyone on it agrees on one record
                continue
            found[name] = step[end]
            trails[name].append(step[end])
            moved = True
        if not moved:
            return found


def members(connection: Connection, site: str, records: Iterable[str]) -> dict[str, str]:
    """Every other name that leads to one of the records, over any number of steps: name -> record."""
    found: dict[str, str] = {}
    edge = {record: record for record in records}
    while edge:
        query = select(aliases.c.alias, aliases.c.patient).where(
            aliases.c.site == site, aliases.c.patient.in_(list(edge)), aliases.c.alias != aliases.c.patient
        )
        edge = {
            row.alias: edge[row.patient]
            for row in connection.execute(query)
            if row.alias not in found and row.alias not in edge
        }
        found.update(edge)
    return found
