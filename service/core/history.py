"""Every date ever shown for an infant: what each rested on, and what changed it from the one before.

A decision changes because something was recorded (new, corrected, withdrawn, or sent so that it cannot be read),
because another edition decides, because two records were taken for one infant (or no longer are), or because a day has
come on which something counts. Which of these is found by comparing what was in force at the two decisions.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from service.core.decision import Decision
from service.core.infant import Fact, newest

BEARING: Final = frozenset(
    {
        "born", "gestation", "birth_weight", "risk", "deceased", "fetal", "replaced_by", "stay", "weight", "exam",
        "finding", "treatment", "closing", "reopening", "deferral", "hand_over", "booking", "long_term",
        "leaving", "unreadable",
    }
)  # fmt: skip
"""Names of facts that a date can rest on: who somebody is moves none."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """A fact and its part in the record of an infant: from `at` on, the instant at which it was recorded here (or its
    record was taken for the infant's), and before `until` where two records were told apart again. `via` is the feed
    that brought it: "hand" was typed in here."""

    fact: Fact
    at: datetime
    via: str = ""
    until: datetime | None = None

    def counts(self, moment: datetime) -> bool:
        """Whether it was part of the infant's record at an instant."""
        return self.at <= moment and (self.until is None or moment < self.until)


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that stands otherwise than at the decision before. `now` is what a resource says of `name`, `before`
    what it said; the one is empty for what was withdrawn, the other for what is new.

    `what`: new, corrected, withdrawn, unreadable (a newer version cannot be read; what the one before said still
    counts), counts-now (dated ahead when it was recorded, and its day has come).
    """

    what: Literal["new", "corrected", "withdrawn", "unreadable", "counts-now"]
    name: str
    resource: str
    now: tuple[Recorded, ...]
    before: tuple[Recorded, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """One decision as it was shown from `at` on, with the facts it rests on and what changed it from the one before.
    `edition` says in words that another edition decides, "" when the same does. Of the first, everything is new."""

    at: datetime
    decision: Decision
    rests_on: tuple[Recorded, ...]
    changes: tuple[Change, ...]
    edition: str = ""


def history(decisions: Iterable[tuple[datetime, Decision]], facts: Sequence[Recorded]) -> list[Shown]:
    """Everything ever shown for one infant, oldest first. `decisions` in any order, each with the instant it was made;
    `facts` is all that was ever recorded of the infant."""
    shown: list[Shown] = []
    for at, decision in sorted(decisions, key=lambda made: made[0]):
        rests_on = in_force(facts, at, decision.as_of.isoformat())
        last = shown[-1] if shown else None
        edition = ""
        if last is not None and _edition(last.decision) != _edition(decision):
            edition = f"{_edition(decision)} decides; before it, {_edition(last.decision)}"
        changes = tuple(_changes(last.rests_on if last else (), rests_on, last.at if last else None))
        shown.append(Shown(at, decision, rests_on, changes, edition))
    return shown


def in_force(facts: Sequence[Recorded], moment: datetime, day: str) -> tuple[Recorded, ...]:
    """What a decision of that instant and day (`2031-06-01`) rests on: of each resource the newest version, and of one
    that cannot be read the version before; nothing that is dated later."""
    counting = [each for each in facts if each.counts(moment)]
    current, earlier = newest(each.fact for each in counting)
    standing = {id(fact) for fact in (*current, *earlier)}
    kept = [each for each in counting if id(each.fact) in standing and each.fact.name in BEARING]
    return tuple(
        sorted(
            (each for each in kept if str(each.fact.value.get("on") or "") <= day),
            key=lambda each: (each.fact.name, str(each.fact.value.get("on") or ""), each.fact.resource, each.at),
        )
    )


def _changes(before: Sequence[Recorded], now: Sequence[Recorded], since: datetime | None) -> Iterator[Change]:
    said, says = _by_resource(before), _by_resource(now)
    for key in sorted({*said, *says}):
        resource, name = key
        old, new = said.get(key, {}), says.get(key, {})
        gone = tuple(old[value] for value in old if value not in new)
        come = tuple(new[value] for value in new if value not in old)
        if name == "unreadable":
            for each in come:
                lost = str(each.fact.value.get("of") or "")
                yield Change("unreadable", lost, resource, (each,), tuple(says.get((resource, lost), {}).values()))
        elif come and gone:
            yield Change("corrected", name, resource, come, gone)
        elif come and since is not None and all(each.at <= since for each in come):
            yield Change("counts-now", name, resource, come, ())
        elif come:
            yield Change("new", name, resource, come, ())
        elif gone:
            yield Change("withdrawn", name, resource, (), gone)


def _by_resource(facts: Sequence[Recorded]) -> Mapping[tuple[str, str], Mapping[str, Recorded]]:
    """(resource, name) -> what is said, by its value: a version that says the same again changes nothing."""
    found: dict[tuple[str, str], dict[str, Recorded]] = {}
    for each in facts:
        value = json.dumps([dict(each.fact.value), each.fact.certain], sort_keys=True, default=str)
        found.setdefault((each.fact.resource, each.fact.name), {})[value] = each
    return found


def _edition(decision: Decision) -> str:
    return f"{decision.policy} revision {decision.revision}"
