"""The same decision over arrays of infants: who is eligible, and when the first exam is due, for a million at a time.

`decide_all` says for every infant what `core.decision.decide` says of one before any exam is on record: the same
eligibility, step and window, from the same rules and the same knots. It goes over the few rules and lets numpy go over
the infants. Windows are counted in days of age, which do not depend on the date of birth, and become dates at the end.

Reasons, flags, weights after birth and values that disagree are the scalar decision's alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.core.decision import Decision
from service.core.impact import Difference
from service.core.infant import PLAUSIBLE_GESTATION, plausible_gestation
from service.core.policy import Edge, Limit, Policy

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Dates = NDArray[np.datetime64]

ELIGIBLE: Final = ("no", "unknown", "yes")
"""What the numbers in `Decisions.eligible` stand for."""
NO, UNKNOWN, YES = range(3)

KINDS: Final = ("none", "data-needed", "first-exam", "other")
"""What the numbers in `Decisions.kind` stand for. "other" is a step after the first exam: only `gather` finds one."""
NOTHING, DATA_NEEDED, FIRST_EXAM, OTHER = range(4)

MISSING: Final = -1
"""A gestational age or a weight that is not known; a rule where none applies."""

_NEVER: Final = np.iinfo(np.int64).max
_APART: Final = 1 << 20
"""Due day and last day make one sort key: no age in a rule comes near so many days."""


@dataclass(frozen=True, slots=True)
class Infants:
    """Columns of one length, one infant a row; each may also be a list.

    `born`: day of birth, NaT when not known. `youngest` and `oldest`: days of gestation at birth, inclusive; the same
    where it is exact, 196 and 202 for 28 completed weeks; below 1, or masked, when not known. `grams`: birth weight;
    below 1, or masked, when not known. `at_risk`: whether a risk flag is recorded. `known_since`: the day each was
    first named, from which missing data is asked for; the day of birth where it is left out.

    Raises ValueError when the columns differ in length or a gestational age ends before it starts.
    """

    born: Dates
    youngest: Ints
    oldest: Ints
    grams: Ints
    at_risk: Bools
    known_since: Dates | None = None

    def __post_init__(self) -> None:
        made = {
            "born": _days(self.born),
            "youngest": _whole(self.youngest),
            "oldest": _whole(self.oldest),
            "grams": _whole(self.grams),
            "at_risk": np.ma.filled(np.ma.asarray(self.at_risk, dtype=bool), fill_value=False),
            "known_since": _days(self.born if self.known_since is None else self.known_since),
        }
        if len({column.shape for column in made.values()}) != 1 or made["born"].ndim != 1:
            raise ValueError("the columns differ in length")
        for name, column in made.items():
            object.__setattr__(self, name, column)
        if (self.oldest < self.youngest).any():
            raise ValueError("a gestational age runs from fewer to more days")

    def __len__(self) -> int:
        return len(self.born)


@dataclass(frozen=True, slots=True)
class Decisions:
    """Columns of one length, one infant a row.

    `eligible` and `kind` are places in `ELIGIBLE` and `KINDS`; `rule` is the place, among the policy's first exam
    rules, of the one that dates the step (MISSING where none does); `opens`, `due` and `closes` are NaT where nothing
    is due.
    """

    eligible: NDArray[np.int8]
    kind: NDArray[np.int8]
    rule: Ints
    opens: Dates
    due: Dates
    closes: Dates

    def __len__(self) -> int:
        return len(self.eligible)


def decide_all(infants: Infants, policy: Policy) -> Decisions:
    """The decision for each infant under `policy` while nothing is on record but birth, weight and risk."""
    known = infants.youngest > 0
    certain, possible = _held(policy, infants.youngest, infants.grams, infants.at_risk)
    eligible = np.where(certain, YES, np.where(possible, UNKNOWN, NO)).astype(np.int8)

    asked = np.flatnonzero(eligible != NO)
    first, last = infants.youngest[asked], infants.oldest[asked]
    first, last = _plausible(first, last, infants.grams[asked], ~known[asked])
    opens, due, closes, rule = _ages(policy, first, last, infants.grams[asked], infants.at_risk[asked])

    born, since = infants.born[asked], infants.known_since[asked]  # type: ignore[index]
    dated = (rule != MISSING) & ~np.isnat(born)
    sure = dated & (eligible[asked] == YES)
    days = [_reach(born, np.where(dated, age, 0)) for age in (opens, due, closes)]
    until = np.where(dated, days[1], since)

    count = len(infants)
    kind, rules = np.full(count, NOTHING, np.int8), np.full(count, MISSING, np.int64)
    kind[asked] = np.where(sure, FIRST_EXAM, DATA_NEEDED)
    rules[asked] = np.where(dated, rule, MISSING)
    windows = np.full((3, count), "NaT", "datetime64[D]")
    windows[0, asked] = np.where(sure, days[0], np.minimum(since, until))
    windows[1, asked] = until
    windows[2, asked] = np.where(sure, days[2], until)
    return Decisions(eligible, kind, rules, *windows)


def may_be_eligible(youngest: Ints, grams: Ints, at_risk: Bools, policy: Policy) -> Bools:
    """Who may be eligible, were the missing values known; of columns as `Infants` has them.

    Limits are upper limits, and a missing value is within each of them. So whoever may have several values is left out
    by none of them where this leaves them out for the least of each, or for a missing one where there may be none.
    """
    return _held(policy, _whole(youngest), _whole(grams), np.asarray(at_risk, bool))[1]


def gather(decisions: Sequence[Decision], policy: Policy) -> Decisions:
    """Decisions made one at a time, as columns."""
    places = {rule.id: place for place, rule in enumerate(policy.first_exams)}
    steps = [decision.next for decision in decisions]
    ours = [step.kind in ("data-needed", "first-exam") for step in steps]
    kinds = [KINDS.index(step.kind) if step.kind in KINDS else OTHER for step in steps]
    windows = [
        np.array([step.window and getattr(step.window, edge) for step in steps], "datetime64[D]")
        for edge in ("opens", "due", "closes")
    ]
    return Decisions(
        np.array([ELIGIBLE.index(decision.eligible) for decision in decisions], np.int8),
        np.array(kinds, np.int8),
        np.array([places.get(s.reason.rule, MISSING) if o else MISSING for s, o in zip(steps, ours, strict=True)],
                 np.int64),
        *windows,
    )  # fmt: skip


def compare_all(before: Decisions, after: Decisions) -> dict[Difference, Bools]:
    """For each way in which two decisions may differ (core/impact.py), whether those of each infant do. Differences in
    reasons are not seen here."""
    listed, still = before.kind != NOTHING, after.kind != NOTHING
    both = listed & still
    return {
        "no-longer-eligible": (listed & ~still) | ((before.eligible == YES) & (after.eligible == NO)),
        "newly-eligible": (still & ~listed) | ((after.eligible == YES) & (before.eligible == NO)),
        "later": both & ((after.due > before.due) | (after.closes > before.closes)),
        "earlier": both
        & ((after.due < before.due) | (after.closes < before.closes) | (after.opens < before.opens)),
        "other-step": both & (after.kind != before.kind),
    }  # fmt: skip


# --- columns -------------------------------------------------------------------------------------------------------


def _whole(column: Ints) -> Ints:
    values: Ints = np.ma.filled(np.ma.asarray(column, dtype=np.int64), MISSING)
    return np.where(values < 1, MISSING, values)


def _days(column: Dates) -> Dates:
    return np.asarray(column, dtype="datetime64[D]")


_FIRST_DAY: Final = np.datetime64(date.min, "D")
_LAST_DAY: Final = np.datetime64(date.max, "D")


def _reach(born: Dates, age: Ints) -> Dates:
    """The day on which each is so many days old, within the calendar that dates know."""
    day: Dates = np.clip(born + age.astype("timedelta64[D]"), _FIRST_DAY, _LAST_DAY)
    return day


# --- the rules -----------------------------------------------------------------------------------------------------


def _held(policy: Policy, gestation: Ints, grams: Ints, at_risk: Bools) -> tuple[Bools, Bools]:
    """Whether some criterion holds for certain; whether one may, were the missing values known."""
    certain, possible = np.zeros(len(grams), bool), np.zeros(len(grams), bool)
    for criterion in policy.criteria:
        holds = np.ones(len(grams), bool)
        if criterion.needs_risk:
            holds &= at_risk
        if criterion.needs_doubt:
            holds &= gestation == MISSING
        may = holds.copy()
        for limit in criterion.limits:
            value = gestation if limit.measure == "gestational_age" else grams
            within, missing = value <= limit.most, value == MISSING
            holds &= within & ~missing
            may &= within | missing
        certain |= holds
        possible |= may
    return certain, possible


def _plausible(first: Ints, last: Ints, grams: Ints, missing: Bools) -> tuple[Ints, Ints]:
    """The days a gestational age may be: as recorded, or all that are plausible for the weight."""
    oldest = np.full(len(grams), PLAUSIBLE_GESTATION[-1], np.int64)
    weights, back = np.unique(grams[missing], return_inverse=True)
    ends = [plausible_gestation(None if weight == MISSING else int(weight))[-1] for weight in weights]
    oldest[missing] = np.array(ends, np.int64)[back]
    return np.where(missing, PLAUSIBLE_GESTATION[0], first), np.where(missing, oldest, last)


def _ages(
    policy: Policy, first: Ints, last: Ints, grams: Ints, at_risk: Bools
) -> tuple[Ints, Ints, Ints, Ints]:  # fmt: skip
    """Days of age on which the first exam opens, is due and closes, and the rule that dates it: the earliest of what
    every value that an infant may have asks for."""
    count = len(grams)
    opens, closes, key = (np.full(count, _NEVER, np.int64) for _ in range(3))
    chosen = np.full(count, MISSING, np.int64)
    for who, weight in _weights(policy, grams):
        for some, gestation in _gestations(policy, first[who], last[who]):
            taken, weighed = who[some], weight[some]
            due_to_be = _held(policy, gestation, weighed, at_risk[taken])[0]
            taken, gestation, weighed = taken[due_to_be], gestation[due_to_be], weighed[due_to_be]
            rule, opening, due, closing = _window(policy, gestation, weighed)
            opens[taken] = np.minimum(opens[taken], opening)
            closes[taken] = np.minimum(closes[taken], closing)
            sooner = due * _APART + closing < key[taken]  # the first of equals is kept, as in the scalar decision
            key[taken[sooner]] = (due * _APART + closing)[sooner]
            chosen[taken[sooner]] = rule[sooner]
    return opens, key // _APART, closes, chosen


def _weights(policy: Policy, grams: Ints) -> Iterator[tuple[Ints, Ints]]:
    """Places and the weight to try there: the one recorded, or one knot after the other."""
    known, missing = np.flatnonzero(grams != MISSING), np.flatnonzero(grams == MISSING)
    yield known, grams[known]
    for knot in policy.weight_knots if len(missing) else ():
        yield missing, np.full(len(missing), knot, np.int64)


def _gestations(policy: Policy, first: Ints, last: Ints) -> Iterator[tuple[Ints, Ints]]:
    """Places and the days of gestation to try there, from the youngest on: both ends and every knot between them."""
    yield np.arange(len(first)), first
    wide = np.flatnonzero(first < last)
    if not len(wide):
        return
    for knot in policy.gestation_knots(range(int(first[wide].min()), int(last[wide].max()) + 1)):
        between = wide[(first[wide] < knot) & (knot < last[wide])]
        yield between, np.full(len(between), knot, np.int64)
    yield wide, last[wide]


def _window(policy: Policy, gestation: Ints, grams: Ints) -> tuple[Ints, Ints, Ints, Ints]:
    """The first rule that applies to each, and the days of age on which its window opens, is due and closes."""
    rule, opens, due, closes = (np.full(len(grams), MISSING, np.int64) for _ in range(4))
    for place, each in enumerate(policy.first_exams):
        free = np.flatnonzero(rule == MISSING)
        here = free[_applies(each.cases, gestation[free], grams[free])]
        rule[here] = place
        for edge, days in ((each.opens, opens), (each.due, due), (each.closes, closes)):
            days[here] = _age_on(edge, gestation[here])
    return rule, opens, due, closes


def _applies(cases: Sequence[Sequence[Limit]], gestation: Ints, grams: Ints) -> Bools:
    """Whether any case does (all of its limits); where there is no case, every infant is meant."""
    applies = np.full(len(grams), not cases)
    for case in cases:
        within = np.ones(len(grams), bool)
        for limit in case:
            within &= (gestation if limit.measure == "gestational_age" else grams) <= limit.most
        applies |= within
    return applies


def _age_on(edge: Edge, gestation: Ints) -> Ints:
    """Days of age at an edge of a window, never before the day of birth."""
    ages = [moment.days - (gestation if moment.clock == "PMA" else 0 * gestation) for moment in edge.moments]
    reached: Ints = (np.maximum if edge.combiner == "later" else np.minimum).reduce(ages)
    return np.maximum(reached, 0)
