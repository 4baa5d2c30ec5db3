"""A site's variation of an edition: a small file that changes some of its rules, says why, and who approved it.

    extends = "aap-2018"                      an edition, which itself stays as it is
    id = "larkmoor-aap"                       no edition's id
    revision = 1                              and `title`, as in an edition
    reason = "..."                            why the unit departs from the edition
    approved_by = "..."                       who answers for it
    effective = 2031-07-01                    the first day on which it is to decide
    without = ["judged-high-risk"]            rules of the edition left out

    [[criterion]]                             A rule of an id that the edition has takes its place; a new one is added,
    id = "gestational-age"                    a new first-exam rule before the last. So with [[first_exam]],
    ...                                       [[repeat]], [[stop]], [[review]] and [[watch]]. [treatment] replaces the
                                              clock, [risk_flags] adds flags or gives them other words.

What comes out must be an edition as strict reading wants it: somebody selected, a window for everyone, no worse finding
that waits longer. The watch over an injected eye may be made longer, never shorter. `[[example]]` tables are the
variation's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any, Final

from service.core.care import Care, vary_care
from service.core.origin import R, Rule, merge, numbered, only, tables, text, unique
from service.core.policy import (
    FirstExam,
    Policy,
    check_rules,
    parse_criterion,
    parse_first_exam,
    parse_flags,
    parse_revision,
)
from service.errors import ConfigurationError

VARIATION_KEYS: Final = (
    "extends", "id", "revision", "title", "reason", "approved_by", "effective", "without", "criterion", "first_exam",
    "repeat", "stop", "review", "watch", "treatment", "risk_flags", "example",
)  # fmt: skip
_KINDS: Final = ("criterion", "first_exam", "repeat", "stop", "review", "watch")


def vary(edition: Policy, data: Mapping[str, Any], where: str) -> Policy:
    """The edition with what a variation's document changes. Raises ConfigurationError naming `where` and the key."""
    only(data, VARIATION_KEYS, where)
    if text(data, "extends", where) != edition.id:
        raise ConfigurationError(f"{where}: extends", f"{data['extends']!r} is not {edition.id!r}")
    left = _without(edition, data, where)
    criteria = merge(left.criteria, [parse_criterion(table, at) for table, at in numbered(data, "criterion", where)])
    rules = _first_exams(left, [parse_first_exam(table, at) for table, at in numbered(data, "first_exam", where)])
    check_rules(criteria, rules, where)
    varied = replace(
        left,
        id=text(data, "id", where),
        revision=parse_revision(data, where),
        title=text(data, "title", where),
        criteria=criteria,
        first_exams=rules,
        risk_flags={**left.risk_flags, **parse_flags(data, where)},
        examples=tuple(tables(data, "example", where)),
        care=vary_care(data, where, left.care),
        extends=edition.id,
        reason=text(data, "reason", where),
        approved_by=text(data, "approved_by", where),
        effective=_effective(data, where),
    )
    _check_watch(edition.care, varied.care, where)
    if varied.content == edition.content:
        raise ConfigurationError(where, f"changes nothing of {edition.id}", _KINDS)
    return varied


def _first_exams(left: Policy, changes: list[FirstExam]) -> tuple[FirstExam, ...]:
    known = len(left.first_exams)
    merged = merge(left.first_exams, changes)
    return (*merged[: known - 1], *merged[known:], *merged[known - 1 : known])


def _without(edition: Policy, data: Mapping[str, Any], where: str) -> Policy:
    """The edition less the rules that are left out."""
    names, care = data.get("without", []), edition.care
    changed = {kind: [str(table.get("id")) for table in tables(data, kind, where)] for kind in _KINDS}
    for ids in changed.values():
        unique(ids, where)
    rules: tuple[Rule, ...] = (
        *edition.criteria, *edition.first_exams, *care.rows, *care.stops, *care.reviews, *care.watches,
    )  # fmt: skip
    known = [rule.id for rule in rules]
    if not isinstance(names, list) or any(name not in known for name in names):
        raise ConfigurationError(f"{where}: without", f"must be a list of rules of {edition.id}", tuple(known))
    if both := sorted(name for name in names if any(name in ids for ids in changed.values())):
        raise ConfigurationError(f"{where}: without", f"{both[0]!r} is both left out and changed: do one of the two")

    def keep(rules: tuple[R, ...]) -> tuple[R, ...]:
        return tuple(rule for rule in rules if rule.id not in names)

    return replace(
        edition, criteria=keep(edition.criteria), first_exams=keep(edition.first_exams),
        care=replace(care, rows=keep(care.rows), reviews=keep(care.reviews), watches=keep(care.watches),
                     stops=keep(care.stops)),
    )  # fmt: skip


def _effective(data: Mapping[str, Any], where: str) -> date:
    """A date, or the text of one in a document that was kept."""
    value = data.get("effective")
    try:
        return value if type(value) is date else date.fromisoformat(str(value))
    except ValueError:
        raise ConfigurationError(f"{where}: effective", "must be a date such as 2031-07-01") from None


def _check_watch(before: Care, after: Care, where: str) -> None:
    if (after.surveillance_age or 0) < (before.surveillance_age or 0):
        raise ConfigurationError(
            f"{where}: watch", "an injected eye may be watched longer than the edition says, never shorter"
        )
