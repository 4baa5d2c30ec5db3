"""What is known: one infant and the list, today, on any other day, and as they were known at any instant.

Two questions are kept apart. *As of* a day: the day whose ages, course and edition count. *Known at* an instant: only
what had been recorded, taken back and decided by then. What was shown then is found by the second alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, Final, cast
from uuid import UUID

import numpy as np
from sqlalchemy import Connection, Row

from service.core import cohort
from service.core.chart import read_course
from service.core.course import Course
from service.core.decision import Decision, Window, decide, from_json, on_day
from service.core.findings import Treatment
from service.core.history import Recorded, Shown, history
from service.core.impact import DIFFERENCES, Impact, compare
from service.core.infant import Fact, Infant, assemble, newest
from service.core.policy import Policy
from service.core.whereabouts import locate, places
from service.core.worklist import Entry, rank
from service.errors import NotFound
from service.fhir.sites import Site
from service.store import arrivals, facts, infants, names, rejections
from service.store.decided import Decided
from service.store.editions import Editions
from service.store.names import Names

BATCH: Final = 500
"""Infants whose facts are held at once."""


@dataclass(frozen=True, slots=True)
class InfantView:
    """All there is to show of one infant. `entry` is None when nothing is due; `course` is all that is on record, also
    what is dated later than `as_of`. `known_at`: nothing recorded later is in it; None is all there is."""

    site: Site
    key: str
    patient: str
    infant: Infant
    course: Course
    decision: Decision
    entry: Entry | None
    facts: tuple[Fact, ...]
    current: tuple[Fact, ...]
    rejections: tuple[Mapping[str, Any], ...]
    history: tuple[tuple[datetime, Decision], ...]
    as_of: date
    known_at: datetime | None
    recorded: tuple[Recorded, ...]

    def shown(self) -> list[Shown]:
        """Every date ever shown, oldest first, with what each rested on and what changed it."""
        return history(self.history, self.recorded)


@dataclass(frozen=True, slots=True)
class Person:
    """One record with everything said of it, taken together. `root` is the record it was merged into, or itself."""

    patient: str
    root: str
    facts: tuple[Fact, ...]
    infant: Infant
    course: Course


@dataclass(frozen=True, slots=True)
class Found:
    """An infant somebody looked for, and where it stands by the last decision. `closes`: the last day of what is to
    come, None when nothing is."""

    site: str
    key: str
    name: str
    identifier: str
    unit: str
    bed: str
    state: str
    kind: str
    closes: date | None
    left_hospital: bool


def found(row: Row[Any]) -> Found:
    """What a row of infants says to somebody who looked for it."""
    return Found(
        row.site, str(row.key), row.name, row.identifier, row.unit, row.bed, row.state, row.kind, row.closes,
        row.left_hospital,
    )  # fmt: skip


def take_together(
    site: Site, patient: str, leads: Mapping[str, str], said: Mapping[str, Sequence[Fact]], known_since: date
) -> Person:
    """One record's facts with those of the records merged into it. `leads` says which record each name leads to,
    `said` what was said under each."""
    root = leads.get(patient, patient)
    merged = sorted(name for name in leads if leads[name] == patient != name) if root == patient else []
    family = [patient, *merged]
    own = tuple(fact for name in family for fact in said[name])
    infant = assemble(patient, own, known_since)
    if root != patient:
        infant = replace(infant, record="merged", replaced_by=root)
    return Person(patient, root, own, infant, read_course(own, site.timezone))


def people(
    connection: Connection, site: Site, rows: Mapping[str, Row[Any]], known_at: datetime | None = None
) -> Iterator[Person]:
    """The infants of these rows, a batch at a time, from what was recorded (up to an instant). Writes nothing."""
    for batch in in_batches(rows):
        leads = Names(connection, site.id, batch, known_at).leads(batch)
        said = facts.of_patients(connection, site.id, leads, known_at)
        for patient in batch:
            yield take_together(site, patient, leads, said, rows[patient].known_since)


def in_batches(patients: Iterable[str]) -> Iterator[list[str]]:
    """The same, `BATCH` at a time."""
    left = list(patients)
    for start in range(0, len(left), BATCH):
        yield left[start : start + BATCH]


# --- the list ------------------------------------------------------------------------------------------------------


def list_now(connection: Connection, decided: Decided, site: Site, day: date) -> list[Entry]:
    """Everybody for whom something is to come by the last decision, with the ages of a day."""
    rows = infants.pending(connection, site.id)
    read = decided.of(connection, site.id, [row.decision for row in rows])
    return [
        Entry(
            site=row.site, key=str(row.key), patient=row.patient, name=row.name, identifier=row.identifier,
            unit=row.unit, bed=row.bed, left_hospital=row.left_hospital, leaves_on=row.leaves_on, support=row.support,
            **_asked(on_day(read[row.decision], day)),
        )
        for row in rows
    ]  # fmt: skip


def list_then(connection: Connection, site: Site, day: date, known_at: datetime) -> list[Entry]:
    """The list as it was shown at an instant, with the ages of a day: the last decision then about each infant, and
    name, number, unit and bed from what had been recorded."""
    rows = {row.patient: row for row in infants.last_decided(connection, site.id, known_at)}
    where = places(facts.places(connection, site.id, known_at))
    return [
        _entry(
            site, str(rows[person.patient].key), person.infant, locate(person.infant, where, site.unit_for),
            on_day(from_json(rows[person.patient].body), day),
        )
        for person in people(connection, site, rows, known_at)
    ]  # fmt: skip


def list_on(
    connection: Connection, site: Site, policy: Policy, day: date, known_at: datetime | None = None
) -> list[Entry]:
    """The list of a day that is over, decided anew under the edition of that day for everybody known by then, from
    what is known now (or was at an instant)."""
    rows = infants.known(connection, site.id, day, known_at)
    where = places(facts.places(connection, site.id, known_at))
    found = []
    for person in people(connection, site, rows, known_at):
        decision = decide(person.infant, policy, day, person.course)
        if decision.next.window is not None:
            place = locate(person.infant, where, site.unit_for)
            found.append(_entry(site, str(rows[person.patient].key), person.infant, place, decision))
    return found


def round_on(
    connection: Connection, decided: Decided, site: Site, policy: Policy, day: date, today: date, since: datetime
) -> list[tuple[Entry, bool]]:
    """Everybody for whom something is to come as a day begins, ranked, and whether an exam of that very day is on
    record by now: the round of a day asks the same infants in the same order while its exams are typed in. `since` is
    any instant before which nobody can have recorded an exam of the day."""
    if day < today:
        rows = infants.known(connection, site.id, day)
        now: list[Entry] = []
    else:
        rows = infants.examined(connection, site.id, day, since)
        now = [entry for entry in list_now(connection, decided, site, day) if entry.patient not in rows]
    where = places(facts.places(connection, site.id)) if rows else {}
    found = [(entry, False) for entry in now]
    for person in people(connection, site, rows):
        decision = decide(person.infant, policy, day, person.course.as_began(day))
        if decision.next.window is not None:
            place = locate(person.infant, where, site.unit_for)
            held = any(exam.on == day for exam in person.course.exams)
            found.append((_entry(site, str(rows[person.patient].key), person.infant, place, decision), held))
    held_of = {entry.key: held for entry, held in found}
    return [(entry, held_of[entry.key]) for entry in rank((entry for entry, _ in found), lambda _: day)]


def _entry(site: Site, key: str, infant: Infant, where: tuple[str, str], decision: Decision) -> Entry:
    return Entry(
        site=site.id, key=key, patient=infant.patient, name=infant.name, identifier=infant.identifier, unit=where[0],
        bed=where[1], left_hospital=infant.in_hospital is False, leaves_on=infant.leaves_on, support=infant.support,
        **_asked(decision),
    )  # fmt: skip


def _asked(decision: Decision) -> dict[str, Any]:
    """What the decision asks for. The tables' own constraint says that whatever is to come has a window."""
    return {"decision": decision, "kind": decision.next.kind, "window": cast(Window, decision.next.window)}


# --- one infant ----------------------------------------------------------------------------------------------------


def see(
    connection: Connection, sites: Mapping[str, Site], editions: Editions, key: str, now: datetime,
    as_of: date | None = None, known_at: datetime | None = None,
) -> InfantView:  # fmt: skip
    """All there is to show of the infant with a key. Without `as_of` and `known_at`: the last decision, on today's
    ages. With either: decided anew from what was known, for the day, under the edition of the day. Raises NotFound."""
    try:
        row = infants.row_by_key(connection, UUID(key))
    except ValueError:
        row = None
    if row is None or row.body is None or row.site not in sites or (known_at is not None and row.first_seen > known_at):
        raise NotFound("there is no such infant" + (", or nobody knew of it then" if known_at else ""))
    site, patient, moment = sites[row.site], str(row.patient), known_at or now
    day = as_of or moment.astimezone(site.timezone).date()
    ever = names.memberships(connection, site.id, patient)
    recorded = facts.recorded(connection, site.id, ever)
    members = [each.name for each in ever if (each.holds(known_at) if known_at else each.until is None)]
    said: dict[str, list[Fact]] = {name: [] for name in members}
    for each in recorded:
        if each.counts(known_at) if known_at else each.until is None:
            said[each.fact.patient].append(each.fact)
    leads = dict.fromkeys(members, patient) | {patient: Names(connection, site.id, [patient], known_at).root(patient)}
    person = take_together(site, patient, leads, said, row.known_since)
    if as_of is None and known_at is None:
        decision = on_day(from_json(row.body), day)
    else:
        decision = decide(person.infant, editions.on(connection, site, day, known_at), day, person.course)
    where = (row.unit, row.bed)
    if known_at is not None:
        where = locate(person.infant, places(facts.places(connection, site.id, known_at)), site.unit_for)
    current, earlier = newest(person.facts)
    return InfantView(
        site=site, key=str(row.key), patient=patient, infant=person.infant, course=person.course, decision=decision,
        entry=_entry(site, str(row.key), person.infant, where, decision) if decision.next.window else None,
        facts=person.facts,
        current=(*current, *earlier),
        rejections=tuple(
            rejection(each) for each in rejections.current(connection, [site.id], members, known_at)
        ),
        history=tuple(
            (each.decided_at, from_json(each.body))
            for each in infants.history(connection, site.id, patient, known_at)
        ),
        as_of=day, known_at=known_at,
        recorded=tuple(_as_known(recorded, known_at)),
    )  # fmt: skip


def _as_known(recorded: Iterable[Recorded], known_at: datetime | None) -> Iterator[Recorded]:
    """What had been recorded by an instant, and nothing of what became of it later."""
    for each in recorded:
        if known_at is None or each.at <= known_at:
            later = known_at is not None and each.until is not None and each.until > known_at
            yield replace(each, until=None) if later else each


def unread(connection: Connection, sites: Sequence[str], limit: int | None, offset: int) -> list[dict[str, Any]]:
    """What could not be read of these sites and has not been answered by a newer version, with the original."""
    rows = rejections.current(connection, sites, limit=limit, offset=offset)
    came = {
        site: arrivals.bodies(connection, site, {row.arrival for row in rows if row.site == site}) for site in sites
    }
    return [{**rejection(row), "original": came[row.site][row.arrival]} for row in rows]


def rejection(row: Row[Any]) -> dict[str, Any]:
    """A rejection as it is shown."""
    return {
        "site": row.site, "id": row.id, "resource": row.resource, "path": row.path, "reason": row.reason,
        "about": row.about, "patient_key": str(row.key) if row.key else None, "recorded_at": row.recorded_at,
    }  # fmt: skip


def treatments(
    connection: Connection, sites: Mapping[str, Site], entries: Iterable[Entry]
) -> dict[str, tuple[Treatment, ...]]:
    """What was done to the eyes of those on a list of these sites, by key; nothing for whom nothing was done."""
    keys: dict[str, list[UUID]] = {}
    for entry in entries:
        keys.setdefault(entry.site, []).append(UUID(entry.key))
    found = {}
    for id in keys.keys() & sites.keys():
        rows = {row.patient: row for row in infants.by_keys(connection, id, keys[id])}
        for person in people(connection, sites[id], rows):
            if person.course.treatments:
                found[str(rows[person.patient].key)] = person.course.treatments
    return found


# --- another edition -----------------------------------------------------------------------------------------------


def overtaken(connection: Connection, site: Site, policy: Policy, today: date) -> list[str]:
    """Whomever the calendar may have overtaken: who was last decided under another edition or revision than today's,
    has something to come, or of whom something was recorded ahead of its day. Everybody else stands as last decided."""
    otherwise = infants.decided_otherwise(connection, site.id, policy.id, policy.revision)
    ahead = facts.dated_ahead(connection, site.id, site.timezone.key, today)
    return [*otherwise, *ahead, *infants.patients(connection, site.id)]


def weigh(connection: Connection, site: Site, now: Policy, other: Policy, today: date) -> list[Impact]:
    """Everybody at the site about whom the other edition decides otherwise today; whoever falls off the list first.
    Writes nothing, and decides twice only about those whom it may concern: of a hundred infants known to a unit one or
    two are open, and the others must not keep anybody waiting."""
    rows = infants.known(connection, site.id, today, among=_concerned(connection, site, now, other, today))
    found = []
    for person in people(connection, site, rows):
        before, after = (decide(person.infant, policy, today, person.course) for policy in (now, other))
        differences = compare(before, after)
        if differences:
            found.append(
                Impact(
                    site.id, str(rows[person.patient].key), person.patient, person.infant.name,
                    person.infant.identifier, before, after, differences,
                )
            )  # fmt: skip
    return sorted(found, key=_gravity)


def _concerned(connection: Connection, site: Site, now: Policy, other: Policy, today: date) -> set[str]:
    """Whoever is on the list or may come onto it under the other edition. Who is not to be examined stays off it unless
    the criteria may name them, by the least of all that was ever said; what was closed stays closed unless the other
    edition watches treated eyes to another age; who has died, or was never an infant of ours, is nobody's."""
    who = set(overtaken(connection, site, now, today))
    if now.care.surveillance_age != other.care.surveillance_age:
        who.update(infants.closed_after_treatment(connection, site.id))
    off = facts.at_birth(connection, site.id)
    days, grams = (
        np.array([cohort.MISSING if (value := getattr(row, name)) is None else int(value) for row in off], np.int64)
        for name in ("gestation", "grams")
    )
    may = cohort.may_be_eligible(days, grams, np.array([row.at_risk for row in off], bool), other)
    return who.union(row.patient for row, named in zip(off, may, strict=True) if named)


def _gravity(impact: Impact) -> tuple[int, date, str]:
    windows = [each.next.window.closes for each in (impact.before, impact.after) if each.next.window is not None]
    return DIFFERENCES.index(impact.differences[0]), min(windows, default=date.max), impact.key
