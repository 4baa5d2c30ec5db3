"""What another edition would change for one infant: two decisions on the same facts and day, compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Final, Literal

from service.core.decision import Ages, Decision

Difference = Literal[
    "no-longer-eligible", "newly-eligible", "later", "earlier", "other-step", "other-reasons"
]  # fmt: skip

DIFFERENCES: Final[tuple[Difference, ...]] = (
    "no-longer-eligible", "newly-eligible", "later", "earlier", "other-step", "other-reasons",
)  # fmt: skip
"""The gravest first: whoever falls off the list must be seen before anything else."""


@dataclass(frozen=True, slots=True)
class Impact:
    """An infant for whom another edition decides otherwise. `differences` has the gravest first; `key` is the infant's
    opaque name, `name` and `identifier` what people at the site call it."""

    site: str
    key: str
    patient: str
    name: str
    identifier: str
    before: Decision
    after: Decision
    differences: tuple[Difference, ...]


def compare(before: Decision, after: Decision) -> tuple[Difference, ...]:
    """How the second decision differs from the first, the gravest difference first; nothing where only the edition's
    name, the day and the ages do, or where neither asks for anything.

    Whoever has a next step is on the list. An infant that is followed only because an exam is on record, and that the
    criteria do not name any more, counts as no longer eligible. A window is later when any of its days is, and earlier
    when any is: it may be both.
    """
    found: set[Difference] = set()
    was, now = before.next.window, after.next.window
    if was is None and now is None:
        return ()
    if (was and not now) or (before.eligible == "yes" and after.eligible == "no"):
        found.add("no-longer-eligible")
    if (now and not was) or (after.eligible == "yes" and before.eligible == "no"):
        found.add("newly-eligible")
    if was and now:
        moved = {(getattr(now, edge) - getattr(was, edge)).days for edge in ("opens", "due", "closes")}
        if max(moved) > 0:
            found.add("later")
        if min(moved) < 0:
            found.add("earlier")
        if after.next.kind != before.next.kind:
            found.add("other-step")
    if not found and _plain(before) != _plain(after):
        found.add("other-reasons")
    return tuple(difference for difference in DIFFERENCES if difference in found)


def _plain(decision: Decision) -> Decision:
    return replace(decision, policy="", revision=0, as_of=_NO_DAY, ages=_NO_AGES)


_NO_DAY: Final = date.min
_NO_AGES: Final = Ages(None, None, None)
