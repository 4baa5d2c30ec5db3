"""What one more reading adds to all that was said by a resource.

Facts are append-only and may arrive in any order, twice, or about another infant than the version before. The ledger
keeps one rule: whoever a version spoke of, every later version speaks of too, if only to say "not any more". The newest
version then tells the truth about an infant whichever order the versions came in.

A version may be read again, under another mapping. What the later reading says takes the place of what the earlier one
said, for everybody either spoke of; a reading that says the same adds nothing. What was said stays on record.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from service.core.infant import Fact, Reading, Version, standing


def additions(reading: Reading, before: Iterable[Fact]) -> list[Fact]:
    """The facts to append for `reading`, given all facts of the same resource so far; none for a version known already,
    unless it is read under a later mapping and says something else than before.

    Without version numbers a content may come back after another one, and counts again; what says the same as the
    newest version says nothing new.

    A version that says nothing of anybody is kept as a mark: a fact of the patient "".
    """
    before = list(before)
    own = list(reading.facts)
    if not any(fact.patient for fact in own):
        own.extend(_marks(reading))
    known = stands_for(reading.version, {fact.version for fact in before})
    if known is not None:
        if reading.version.reading <= known.reading:
            return []
        if _says(own) == _says(fact for fact in before if fact.version == known):
            return []
        again = replace(known, reading=reading.version.reading)
        own = [replace(fact, version=again) for fact in own]
    return own + _gaps([*before, *own])


def made_under(mapping: int, reading: Reading) -> Reading:
    """The reading, with the number of the mapping it was made under."""
    at = replace(reading.version, reading=mapping)
    facts = tuple(replace(fact, version=at) for fact in reading.facts)
    return replace(reading, version=at, facts=facts)


def stands_for(version: Version, versions: Iterable[Version]) -> Version | None:
    """The latest reading of the version, of those known, that this one is, or repeats; None when it is a new one."""
    known = standing(versions)
    same = [each for each in known if each.label == version.label]
    if not same:
        return None
    if version.number is not None:
        return same[-1]
    return next((each for each in same if each.is_version(version)), same[-1] if same[-1] == known[-1] else None)


def _marks(reading: Reading) -> list[Fact]:
    """What to remember of a version that names nobody: unreadable (of what), or simply nothing."""
    lost = [("unreadable", {"of": r.about, "reason": r.reason}) for r in reading.rejections]
    return [Fact("", name, value, reading.resource, reading.version) for name, value in lost or [("retracted", {})]]


def _says(facts: Iterable[Fact]) -> Counter[str]:
    """What a reading says itself: without what the ledger added for those whom it does not name."""
    own = [fact for fact in facts if not fact.value.get("silent")]
    if any(not fact.patient and fact.name in ("retracted", "unreadable") for fact in own):
        own = [fact for fact in own if not fact.patient]  # a version with a mark names nobody
    return Counter(
        json.dumps([f.patient, f.name, dict(f.value), f.rank, f.certain, f.issued], sort_keys=True) for f in own
    )


def _gaps(facts: Sequence[Fact]) -> list[Fact]:
    """For every patient and every version after the first that spoke of them, and every later reading of one that did:
    what it says of them, where it has not been said."""
    versions = standing({fact.version for fact in facts})
    missing: list[Fact] = []
    for patient in dict.fromkeys(fact.patient for fact in facts if fact.patient):
        said: set[str] = set()
        for version in versions:
            of_version = [fact for fact in facts if fact.patient == patient and fact.version.is_version(version)]
            there = [fact for fact in of_version if fact.version == version]
            own = [fact for fact in there if not fact.value.get("silent")]
            if not own and (said or of_version):
                marks = [fact for fact in facts if fact.version == version and not fact.patient]
                needed = _silence(patient, said, marks)
                needed = needed or [Fact(patient, "retracted", {"silent": True}, facts[0].resource, version)]
                missing.extend(fact for fact in needed if fact not in there)
            said |= {fact.name for fact in own} - {"retracted", "unreadable"}
    return missing


def _silence(patient: str, said: set[str], marks: Sequence[Fact]) -> list[Fact]:
    """A version that could not be read takes nothing back: what it was about is unreadable, not gone."""
    return [
        Fact(patient, "unreadable", {**mark.value, "of": name, "silent": True}, mark.resource, mark.version)
        for mark in marks
        if mark.name == "unreadable"
        for name in sorted(said)
        if mark.value.get("of") in ("", name)
    ]
