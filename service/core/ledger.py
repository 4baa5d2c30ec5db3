"""What one more reading adds to all that was said by a resource.

Facts are append-only and may arrive in any order, twice, or about another infant than the version before. The ledger
keeps one rule: whoever a version spoke of, every later version speaks of too, if only to say "not any more". The newest
version then tells the truth about an infant whichever order the versions came in.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.core.infant import Fact, Reading, Version


def additions(reading: Reading, before: Iterable[Fact]) -> list[Fact]:
    """The facts to append for `reading`, given all facts of the same resource so far; none for a version known already.

    Without version numbers a content may come back after another one, and counts again; what says the same as the
    newest version says nothing new.

    A version that says nothing of anybody is kept as a mark: a fact of the patient "".
    """
    before = list(before)
    known = {fact.version for fact in before}
    same = {version for version in known if version.label == reading.version.label}
    if same and (reading.version.number is not None or reading.version in same or ordered(known)[-1] in same):
        return []
    own = list(reading.facts)
    if not any(fact.patient for fact in own):
        own.extend(_marks(reading))
    return own + _gaps([*before, *own])


def ordered(versions: Iterable[Version]) -> list[Version]:
    """Versions of one resource, oldest first: by number where every one has a number, else by time."""
    versions = list(versions)
    numbered = all(version.number is not None for version in versions)
    return sorted(versions, key=lambda version: version.order(numbered))


def _marks(reading: Reading) -> list[Fact]:
    """What to remember of a version that names nobody: unreadable (of what), or simply nothing."""
    lost = [("unreadable", {"of": r.about, "reason": r.reason}) for r in reading.rejections]
    return [Fact("", name, value, reading.resource, reading.version) for name, value in lost or [("retracted", {})]]


def _gaps(facts: Sequence[Fact]) -> list[Fact]:
    """For every patient and every version after the first that spoke of them: what that version says of them, where
    it has not been said."""
    versions = ordered({fact.version for fact in facts})
    missing: list[Fact] = []
    for patient in dict.fromkeys(fact.patient for fact in facts if fact.patient):
        said: set[str] = set()
        for version in versions:
            own = [fact for fact in facts if fact.version == version and fact.patient == patient]
            if said and not own:
                lost = _silence(patient, said, [f for f in facts if f.version == version and not f.patient])
                missing.extend(lost or [Fact(patient, "retracted", {}, facts[0].resource, version)])
            said |= {fact.name for fact in own} - {"retracted", "unreadable"}
    return missing


def _silence(patient: str, said: set[str], marks: Sequence[Fact]) -> list[Fact]:
    """A version that could not be read takes nothing back: what it was about is unreadable, not gone."""
    return [
        Fact(patient, "unreadable", {**mark.value, "of": name}, mark.resource, mark.version)
        for mark in marks
        if mark.name == "unreadable"
        for name in sorted(said)
        if mark.value.get("of") in ("", name)
    ]
