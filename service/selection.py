"""Whom a policy selects out of many infants, how many first exams fall in each week, and what another would change.

Counts and dates of a whole register, for the person who plans rounds or weighs one edition against another. As JSON
everything is there; as text what fits on a page.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from service.assess import Records
from service.core import cohort
from service.core.cohort import ELIGIBLE, NO, UNKNOWN, YES, Bools, Dates, Decisions
from service.core.impact import Difference
from service.core.policy import Policy
from service.feeds.files import bodies
from service.fhir.sites import Site
from service.register import is_table, read_register
from service.terminal import clean, draw_table

WORDS: Final = {YES: "selected", UNKNOWN: "unknown", NO: "not selected"}
LONGEST_LIST: Final = 20
"""Ids named in the text; JSON names all."""
LONGEST_CALENDAR: Final = 60
"""Weeks shown in the text; of more than that, the busiest."""


@dataclass(frozen=True, slots=True)
class Selection:
    """What one policy decides for every infant of a register."""

    policy: Policy
    decisions: Decisions

    def count(self, eligible: int) -> int:
        """Infants for whom the answer is that (YES, UNKNOWN or NO)."""
        return int((self.decisions.eligible == eligible).sum())

    def share(self, eligible: int) -> float:
        """The same as a part of all, 0 to 1."""
        return self.count(eligible) / len(self.decisions)

    @property
    def exams(self) -> Mapping[date, int]:
        """First exams due in each week, by its Monday."""
        return _by_week(self.decisions.due[self.decisions.kind == cohort.FIRST_EXAM])

    @property
    def unsure(self) -> Mapping[date, int]:
        """Infants who may turn out to be selected, by the week in which their first exam could then be due."""
        data = (self.decisions.kind == cohort.DATA_NEEDED) & (self.decisions.eligible == UNKNOWN)
        return _by_week(self.decisions.due[data])

    @property
    def undated(self) -> int:
        """Infants selected whose exam has no date, for want of a date of birth."""
        return int(((self.decisions.kind == cohort.DATA_NEEDED) & (self.decisions.eligible == YES)).sum())

    @property
    def rules(self) -> Mapping[str, int]:
        """Infants selected by the rule that dates their first exam."""
        dated = self.decisions.rule[self.decisions.kind == cohort.FIRST_EXAM]
        return {rule.id: int((dated == place).sum()) for place, rule in enumerate(self.policy.first_exams)}


def _by_week(days: Dates) -> Mapping[date, int]:
    days = days[~np.isnat(days)]
    past_monday = (days.astype(np.int64) + 3) % 7  # day 0 of the count, 1970-01-01, was a Thursday
    mondays, counts = np.unique(days - past_monday.astype("timedelta64[D]"), return_counts=True)
    return dict(zip(mondays.tolist(), counts.tolist(), strict=True))


@dataclass(frozen=True, slots=True)
class Found:
    """A file's infants, `ids` in order, and what each policy decides for them. `unread` counts values that could not be
    read, by column and reason; `unused` are headings nobody knows; `homeless` counts values of FHIR records that are
    about nobody in particular."""

    ids: Sequence[str]
    selections: Sequence[Selection]
    unread: Counter[tuple[str, str]]
    unused: tuple[str, ...] = ()
    homeless: int = 0


def select(
    path: Path, site: Site, policies: Sequence[Policy], now: datetime, read: Callable[[int], None]
) -> Found:  # fmt: skip
    """Every infant of a table or of FHIR records, under each policy; `read` is told of each row or record read.

    Of a table the array decision is made; of records, which may disagree and hold more than birth and weight, the
    decision infant by infant. Raises NotUnderstood for a file that is neither.
    """
    if is_table(path):
        register = read_register(path, site.measures, read)
        decided = [Selection(policy, cohort.decide_all(register.infants, policy)) for policy in policies]
        return Found(register.ids, decided, register.unread, register.unused)
    records = Records(site, f"{now:%Y-%m-%dT%H:%M:%S.%fZ}")
    for body in bodies(path):
        records.add(body)
        read(1)
    unread = Counter((rejection.path, rejection.reason) for rejection in records.homeless)
    ids: list[str] = []
    selections: list[Selection] = []
    for policy in policies:
        answers = [each for each in records.answers(policy, now.date()) if each.decision.closed_by is None]
        if not selections:
            ids = [answer.decision.patient for answer in answers]
            unread.update((rejection.path, rejection.reason) for each in answers for rejection in each.rejections)
        selections.append(Selection(policy, cohort.gather([answer.decision for answer in answers], policy)))
    return Found(ids, selections, unread, homeless=len(records.homeless))


@dataclass(frozen=True, slots=True)
class Change:
    """What the second policy would change for the infants of the first, who are the same infants in the same order."""

    before: Selection
    after: Selection

    @property
    def crossed(self) -> Mapping[tuple[int, int], int]:
        """Infants by the answers of both policies."""
        was, now = self.before.decisions.eligible, self.after.decisions.eligible
        return {(one, other): int(((was == one) & (now == other)).sum()) for one in WORDS for other in WORDS}

    @property
    def differences(self) -> Mapping[Difference, Bools]:
        """For each way in which decisions differ, for whom they do."""
        return cohort.compare_all(self.before.decisions, self.after.decisions)

    @property
    def shifts(self) -> Mapping[int, int]:
        """Days by which the due day of a first exam is later (earlier: below 0), for those whom both policies date."""
        one, other = self.before.decisions, self.after.decisions
        both = (one.kind == cohort.FIRST_EXAM) & (other.kind == cohort.FIRST_EXAM)
        days, counts = np.unique((other.due - one.due)[both].astype(np.int64), return_counts=True)
        return dict(zip(days.tolist(), counts.tolist(), strict=True))


def changes(selections: Sequence[Selection]) -> list[Change]:
    """Every other policy against the first."""
    return [Change(selections[0], other) for other in selections[1:]]


# --- as JSON -------------------------------------------------------------------------------------------------------


def selections_json(selections: Sequence[Selection], ids: Sequence[str]) -> dict[str, Any]:
    """Everything: counts, weeks, rules, and each infant for whom the policies differ, by id."""
    return {
        "infants": len(ids),
        "policies": [_selection_json(selection) for selection in selections],
        "changes": [_change_json(change, ids) for change in changes(selections)],
    }


def _selection_json(selection: Selection) -> dict[str, Any]:
    exams, unsure = selection.exams, selection.unsure
    return {
        "policy": selection.policy.id,
        "revision": selection.policy.revision,
        "selected": selection.count(YES),
        "unknown": selection.count(UNKNOWN),
        "not_selected": selection.count(NO),
        "share_selected": round(selection.share(YES), 6),
        "selected_without_date": selection.undated,
        "rules": selection.rules,
        "weeks": [
            {"monday": monday, "first_exams": exams.get(monday, 0), "if_unknown_too": unsure.get(monday, 0)}
            for monday in sorted(exams.keys() | unsure.keys())
        ],
    }


def _change_json(change: Change, ids: Sequence[str]) -> dict[str, Any]:
    crossed = change.crossed
    return {
        "from": change.before.policy.id,
        "to": change.after.policy.id,
        "eligible": {ELIGIBLE[one]: {ELIGIBLE[other]: crossed[one, other] for other in WORDS} for one in WORDS},
        "differences": {name: _ids_of(where, ids) for name, where in change.differences.items()},
        "due_later_by_days": {str(days): count for days, count in change.shifts.items()},
    }


# --- as text -------------------------------------------------------------------------------------------------------


def draw_selections(selections: Sequence[Selection], ids: Sequence[str], width: int) -> str:
    """The same as tables for a terminal."""
    parts = [_draw_counts(selections, width), _draw_weeks(selections, width)]
    parts += [_draw_change(change, ids, width) for change in changes(selections)]
    return "\n\n".join(parts)


def _draw_counts(selections: Sequence[Selection], width: int) -> str:
    rows = []
    for each in selections:
        counts = [cell for value in WORDS for cell in (f"{each.count(value):,}", f"{each.share(value):.1%}")]
        note = f"{each.undated:,} of the selected have no date of birth, and so no date" if each.undated else ""
        rows.append(((each.policy.id, *counts), note))
    headings = ("policy", *(heading for word in WORDS.values() for heading in (word, "%")))
    return draw_table(headings, rows, width, frozenset(range(1, len(headings))))


def _draw_weeks(selections: Sequence[Selection], width: int) -> str:
    loads = [(selection.exams, selection.unsure) for selection in selections]
    mondays = sorted({monday for load in loads for part in load for monday in part})
    if not mondays:
        return "No first exam can be dated."
    title = "First exams due in the week from Monday, and how many more if every unknown infant were selected"
    if len(mondays) > LONGEST_CALENDAR:
        title += f"; the {LONGEST_LIST} busiest of {len(mondays):,} weeks"
        mondays.sort(key=lambda monday: (-max(exams.get(monday, 0) for exams, _ in loads), monday))
        mondays = sorted(mondays[:LONGEST_LIST])
    rows = [
        ((monday.isoformat(), *(str(part.get(monday, 0)) for load in loads for part in load)), "") for monday in mondays
    ]
    headings = ("week from", *(name for each in selections for name in (each.policy.id, "more")))
    table = draw_table(headings, rows, width, frozenset(range(1, len(headings))))
    return f"{title}\n\n{table}\n\n{_draw_load(selections, width)}"


def _draw_load(selections: Sequence[Selection], width: int) -> str:
    rows = []
    for each in selections:
        exams = each.exams
        if exams:
            weeks = (max(exams) - min(exams)).days // 7 + 1
            most = max(exams, key=lambda monday: (exams[monday], monday))
            mean = f"{sum(exams.values()) / weeks:.1f}"
            rows.append(((each.policy.id, f"{weeks:,}", mean, f"{exams[most]:,}", most.isoformat()), ""))
    headings = ("policy", "weeks", "exams a week", "most", "in the week from")
    return draw_table(headings, rows, width, frozenset({1, 2, 3}))


def _draw_change(change: Change, ids: Sequence[str], width: int) -> str:
    before, after = change.before.policy.id, change.after.policy.id
    headings = (f"{before}, {after} across", *WORDS.values())
    crossed = change.crossed
    rows = [((WORDS[one], *(f"{crossed[one, other]:,}" for other in WORDS)), "") for one in WORDS]
    table = draw_table(headings, rows, width, frozenset({1, 2, 3}))
    return "\n".join([f"From {before} to {after}", "", table, "", *_shifted(change.shifts), *_named(change, ids)])


def _shifted(shifts: Mapping[int, int]) -> Iterator[str]:
    """How far first exams move that both policies date."""
    parts = [f"{shifts[0]:,} due on the same day"] if 0 in shifts else []
    for word, moved in (("earlier", [d for d in shifts if d < 0]), ("later", [d for d in shifts if d > 0])):
        if moved:
            few, many = sorted((min(map(abs, moved)), max(map(abs, moved))))
            by = f"{few}" if few == many else f"{few} to {many}"
            parts.append(f"{sum(shifts[days] for days in moved):,} {word} by {by} days")
    yield f"First exams that both date: {', '.join(parts) or 'none'}"


def _named(change: Change, ids: Sequence[str]) -> Iterator[str]:
    """Who falls off the list, and who comes on it."""
    differences = change.differences
    names: tuple[Difference, ...] = ("no-longer-eligible", "newly-eligible")
    for name in names:
        who = _ids_of(differences[name], ids)
        if who:
            more = f" and {len(who) - LONGEST_LIST:,} more" if len(who) > LONGEST_LIST else ""
            listed = ", ".join(map(clean, who[:LONGEST_LIST]))
            yield f"{name.replace('-', ' ').capitalize()}, {len(who):,}: {listed}{more}"


def _ids_of(where: Bools, ids: Sequence[str]) -> list[str]:
    return [id for id, here in zip(ids, where.tolist(), strict=True) if here]
