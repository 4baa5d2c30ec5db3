"""An edition as the tables it is, in words, and what differs between two of them. Pure.

Two editions are compared by what they say, not by how they are written: criteria and rules by their words, the interval
table finding by finding, the first exam week by week of gestational age.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from service.core.ages import format_age
from service.core.care import Candidate, Care, Caution, Clock, Stop
from service.core.findings import ZONE_NAMES, Zone
from service.core.infant import MEDIAN_GIRL_GRAMS
from service.core.intervals import HOLE_DAYS, Row, every_finding, interval, need
from service.core.origin import Origin
from service.core.policy import Criterion, Edge, FirstExam, Limit, Moment, Policy
from service.web.phrases import tell
from service.web.words import N_, _, ngettext_

PARTS: Final = {
    "criteria": (N_("Who is examined"), N_("Whoever meets any one of these is examined.")),
    "first-exam": (N_("First exam"), N_("The first row that is about an infant counts.")),
    "repeat": (
        N_("Next exam, by finding"),
        N_("Each eye is read for itself, and the sooner eye decides. Where several rows are about the same finding, "
           "the shortest counts. What no row is about is seen again within 7 days, and so is disease that has to be "
           "treated."),
    ),
    "treatment": (N_("Treatment"), N_("Hours from the exam that finds the disease. Weekends count.")),
    "reviews": (N_("Looks after treatment"), N_("Counted from the day of the treatment.")),
    "watch": (N_("Watch over injected eyes"), N_("Counted from the exam before, until the age is reached.")),
    "stop": (
        N_("When to ask whether screening may end"),
        N_("A rule only asks, and only about eyes that were never injected: a named clinician ends screening."),
    ),
    "beside": (N_("Said beside"), N_("Shown with the step, without changing a date.")),
}  # fmt: skip
"""Part of an edition -> its heading, and how it is read."""


SURETY: Final = {
    "read": N_("read in the source"),
    "memory": N_("from memory, not checked against the source"),
    "unconfirmed": N_("unconfirmed: not found in the source, or borrowed"),
    "practice": N_("common practice, no published source"),
    "computed": N_("worked out from other numbers, not printed there"),
}
"""How the numbers of a rule came into the file -> in words, as a table of rules says it."""


_COUNTED: Final = {
    "read": N_("read"), "memory": N_("from memory"), "unconfirmed": N_("unconfirmed"), "practice": N_("practice alone"),
    "computed": N_("worked out"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rule:
    """One row: its id, its cells, where its numbers come from (`surety` and `confidence` in words), whether that has to
    catch the eye, and a note."""

    id: str
    cells: tuple[str, ...]
    cite: str
    surety: str
    confidence: str
    doubtful: bool
    note: str


@dataclass(frozen=True, slots=True)
class Part:
    """One table of an edition. Of the `heads`, one for each cell, the first names what a row is about."""

    id: str
    title: str
    meaning: str
    heads: tuple[str, ...]
    rules: tuple[Rule, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """What two editions say about one thing: of the first and of the second, and how the second stands to the first."""

    about: str
    first: str
    second: str
    verdict: str


# --- one edition ---------------------------------------------------------------------------------------------------


def say_edition(policy: Policy) -> tuple[Part, ...]:
    """All tables of an edition, in the order in which an infant meets them."""
    care = policy.care
    days = (_("Opens"), _("Best"), _("Late after"))
    extra = [
        *([_rule("candidate", (_candidate(care.candidate),), care.candidate.origin)] if care.candidate else []),
        *([_rule("caution", (_caution(care.caution),), care.caution.origin)] if care.caution else []),
    ]
    return (
        _part("criteria", (_("Examined"),), [_rule(c.id, (say_criterion(c),), c.origin) for c in policy.criteria]),
        _part(
            "first-exam", (_("For"), *days),
            [
                _rule(
                    r.id, (say_cases(r, len(policy.first_exams) == 1), *map(say_edge, (r.opens, r.due, r.closes))),
                    r.origin,
                )
             for r in policy.first_exams],
        ),
        _part(
            "repeat", (_("Finding"), _("Next exam")),
            [_rule(row.id, (say_row(row), say_days(row.due, row.closes)), row.origin) for row in care.rows],
        ),
        _part("treatment", (_("Disease"), _("Best by"), _("Late after")), list(_clock(care.clock))),
        _part(
            "reviews", (_("After"), *days, _("Look for")),
            [
                _rule(
                    r.id, (say_treated(r.after), *(say_after(n) for n in (r.opens, r.due, r.closes)), tell(r.look_for)),
                    r.origin,
                )
                for r in care.reviews
            ],
        ),
        _part(
            "watch", (_("Until"), _("Next exam"), _("Look for")),
            [_rule(w.id, (_until(w.clock, w.until), say_days(w.due, w.closes), tell(w.look_for)), w.origin)
             for w in care.watches],
        ),
        _part("stop", (_("Screening may end when"),), [_rule(s.id, (say_stop(s),), s.origin) for s in care.stops]),
        _part("beside", (_("Said"),), extra),
    )  # fmt: skip


def count_sureties(policy: Policy) -> list[tuple[str, str, int]]:
    """How the numbers of all rules came into the file, in a word and in words, with how many rules."""
    counted = Counter(origin.surety for origin in policy.origins)
    return [(_(_COUNTED[each]), _(SURETY[each]), counted[each]) for each in SURETY if counted[each]]


def say_criterion(criterion: Criterion) -> str:
    """`birth weight of 1500 g or less`."""
    words = [say_limit(limit) for limit in criterion.limits]
    if criterion.needs_doubt:
        words.append(_("gestational age at birth not certain"))
    if criterion.needs_risk:
        words.append(_("a risk flag is recorded"))
    return _and(words)


def say_limit(limit: Limit) -> str:
    """`gestational age at birth below 31w0d`."""
    if limit.measure == "birth_weight":
        text = N_("birth weight below %(limit)s") if limit.strict else N_("birth weight of %(limit)s or less")
    else:
        text = N_("born before %(limit)s") if limit.strict else N_("born at %(limit)s or earlier")
    return _(text, limit=limit.printed)


def say_cases(rule: FirstExam, alone: bool = False) -> str:
    """The infants a first-exam rule is about; `alone`: there is no other rule."""
    if not rule.cases:
        return _("everyone examined") if alone else _("everyone else")
    return _(" or ").join(_and([say_limit(limit) for limit in case]) for case in rule.cases)


def say_edge(edge: Edge) -> str:
    """`the later of 31w0d PMA and 28 days of age`."""
    moments = [_moment(each) for each in edge.moments]
    if len(moments) == 1:
        return moments[0]
    text = N_("the later of %(moments)s") if edge.combiner == "later" else N_("the earlier of %(moments)s")
    return _(text, moments=_and(moments))


def say_row(row: Row) -> str:
    """`zone II, stage 1 or 2, without plus disease`."""
    words = []
    if row.zones is not None:
        words.append(_or([_zone(zone) for zone in sorted(row.zones)]))
    if row.near_zone_i is not None:
        words.append(_("near zone I") if row.near_zone_i else _("not near zone I"))
    if row.aggressive:
        words.append(_("aggressive ROP"))
    if row.stages is not None:
        stages = sorted(row.stages)
        graded = _or([stage for stage in stages if stage != "0"])
        named = [_("without ROP")] if "0" in stages else []
        words.append(_or([*named, *([_("stage %(stages)s", stages=graded)] if graded else [])]))
    if row.regressing:
        words.append(_("regressing"))
    if row.plus is not None:
        names = {"none": _("without plus disease"), "pre-plus": _("pre-plus disease"), "plus": _("plus disease")}
        words.append(_or([names[grade] for grade in ("none", "pre-plus", "plus") if grade in row.plus]))
    return ", ".join(words) or _("any finding")


def say_days(due: int, closes: int) -> str:
    """`in 7 to 14 days`."""
    if due == closes:
        return ngettext_("in %(n)s day", "in %(n)s days", due)
    return _("in %(due)s to %(closes)s days", due=due, closes=closes)


def say_after(days: int) -> str:
    """`day 10`, counted from a treatment."""
    return _("day %(number)s", number=days)


def say_treated(kind: str) -> str:
    """A treatment, as a row names it."""
    return _("laser") if kind == "laser" else _("injection")


def say_stop(stop: Stop) -> str:
    """All that must hold of an eye."""
    words = []
    if stop.vessels == Zone.FULL:
        words.append(_("the vessels reach the ora serrata all around"))
    elif stop.vessels is not None:
        words.append(_("the vessels end in zone III, the nasal ones at the ora serrata"))
    if stop.never is not None:
        words.append(_(_NEVER[stop.never]))
    if stop.from_age is not None:
        words.append(_("%(age)s PMA is reached, and nothing prethreshold or worse is there", age=_age(stop.from_age)))
    if stop.regressing:
        words.append(
            ngettext_(
                "completely regressed in %(n)s exam", "completely regressed in %(n)s exams in a row", stop.regressing
            ) if stop.complete
            else ngettext_("regressing in %(n)s exam", "regressing in %(n)s exams in a row", stop.regressing)
        )  # fmt: skip
    if stop.confirm_below is not None:
        words.append(_("before %(age)s PMA only if two exams show it", age=_age(stop.confirm_below)))
    return "; ".join(words)


_NEVER: Final = {
    "rop": N_("there never was any ROP"),
    "posterior-rop": N_("there never was ROP in zone I or II"),
    "treatment-requiring": N_("there never was disease that had to be treated"),
}


def _clock(clock: Clock) -> Iterator[Rule]:
    for id, words, hours in (
        ("treatment", _("type 1"), clock.hours), ("aggressive", _("aggressive ROP"), clock.hours_aggressive),
    ):  # fmt: skip
        yield _rule(id, (words, *(_("%(hours)s hours", hours=each) for each in hours)), clock.origin)


def _candidate(rule: Candidate) -> str:
    extent = f"{rule.extent:g}"
    return _(
        "From %(age)s PMA on, an injected eye with %(extent)s disc diameters of avascular retina or more is a "
        "candidate for laser; weigh %(weigh)s.",
        age=_age(rule.from_age), extent=extent, weigh=tell(rule.weigh),
    )  # fmt: skip


def _caution(rule: Caution) -> str:
    return _(
        "From %(age)s PMA on, with disease to be treated: %(words)s.", age=_age(rule.from_age), words=tell(rule.words)
    )


def _until(clock: str, days: int) -> str:
    if clock == "PMA":
        return _("%(age)s PMA", age=_age(days))
    return ngettext_("%(n)s day after the injection", "%(n)s days after the injection", days)


def _moment(moment: Moment) -> str:
    if moment.clock == "PMA":
        return _("%(age)s PMA", age=_age(moment.days))
    return ngettext_("%(n)s day of age", "%(n)s days of age", moment.days)


def _age(days: int) -> str:
    return format_age(days)


def _zone(zone: Zone) -> str:
    return _(ZONE_NAMES[zone])


def _and(words: Sequence[str]) -> str:
    return _(" and ").join(words) if len(words) < 3 else ", ".join(words[:-1]) + _(" and ") + words[-1]


def _or(words: Sequence[str]) -> str:
    return _(" or ").join(words) if len(words) < 3 else ", ".join(words[:-1]) + _(" or ") + words[-1]


_CONFIDENCE: Final = {"high": N_("high"), "medium": N_("medium"), "low": N_("low")}
_ZONE_WORDS: Final = (N_("zone I"), N_("posterior zone II"), N_("zone II"), N_("zone III"), N_("full vascularization"))
"""Marked here for the catalogues: they stand in `core/findings.py`."""


def _rule(id: str, cells: tuple[str, ...], origin: Origin) -> Rule:
    return Rule(
        id, cells, origin.cite, _(SURETY[origin.surety]), _(_CONFIDENCE[origin.confidence]),
        origin.surety not in ("read", "computed"), tell(origin.note),
    )  # fmt: skip


def _part(id: str, heads: tuple[str, ...], rules: Sequence[Rule]) -> Part:
    title, meaning = PARTS[id]
    return Part(id, _(title), _(meaning), heads, tuple(rules))


# --- two editions ----------------------------------------------------------------------------------------------------


def compare_editions(first: Policy, second: Policy) -> list[tuple[str, str, list[Difference]]]:
    """(part, heading, what differs) for every part that is in either; nothing differs: an empty list."""
    parts = {part.id: part for part in say_edition(first)}
    others = {part.id: part for part in say_edition(second)}
    found = []
    for id, part in parts.items():
        if id == "repeat":
            differences = list(_intervals(first.care, second.care))
        elif id == "criteria":
            differences = list(_rules(*_only_different(first, second)))
        elif id == "first-exam":
            differences = [*_rules(part, others[id]), *_weeks(first, second)]
        else:
            differences = list(_rules(part, others[id]))
        found.append((id, part.title, differences))
    return found


def _only_different(first: Policy, second: Policy) -> tuple[Part, Part]:
    """Who is examined, less the criteria that are the same: below 1501 g is 1500 g or less."""

    def meaning(criterion: Criterion) -> tuple[object, ...]:
        limits = frozenset((limit.measure, limit.most) for limit in criterion.limits)
        return limits, criterion.needs_risk, criterion.needs_doubt

    same = {meaning(each) for each in first.criteria} & {meaning(each) for each in second.criteria}

    def part(policy: Policy) -> Part:
        rules = [_rule(c.id, (say_criterion(c),), c.origin) for c in policy.criteria if meaning(c) not in same]
        return _part("criteria", (_("Examined"),), rules)

    return part(first), part(second)


def _rules(first: Part, second: Part) -> Iterator[Difference]:
    """Rules that only one of two tables has, or that say otherwise of the same."""
    ours, theirs = _said(first), _said(second)
    for about in dict.fromkeys([*ours, *theirs]):
        mine, other = ours.get(about, []), theirs.get(about, [])
        if mine == other:
            continue
        verdict = _("says otherwise") if mine and other else _("left out") if mine else _("added")
        yield Difference(about, "; ".join(mine) or "–", "; ".join(other) or "–", verdict)


def _said(part: Part) -> dict[str, list[str]]:
    """What a row is about -> what it says of that: a table of one column says that it holds."""
    found: dict[str, list[str]] = {}
    for rule in part.rules:
        about, *rest = rule.cells
        if part.id == "reviews":
            about, rest = f"{about}, {rest[0]}", rest[1:]
        heads = part.heads[len(part.heads) - len(rest) :]
        told = ", ".join(f"{head.lower()}: {cell}" for head, cell in zip(heads, rest, strict=True))
        found.setdefault(about, []).append(told if rest else _("yes"))
    return {about: sorted(words) for about, words in found.items()}


def _intervals(first: Care, second: Care) -> Iterator[Difference]:
    """Findings that wait otherwise under the second table."""
    for eye in every_finding():
        if need(eye) is not None:
            continue  # the clock of treatment decides, whatever a table says
        mine, other = interval(eye, first.rows), interval(eye, second.rows)
        if (mine.due, mine.closes) == (other.due, other.closes):
            continue
        sooner = (other.closes, other.due) < (mine.closes, mine.due)
        near = ", " + _("near zone I") if eye.near_zone_i else ""
        yield Difference(
            f"{eye}{near}", _waits(mine.due, mine.closes, mine.reason.rule, mine.reason.provenance),
            _waits(other.due, other.closes, other.reason.rule, other.reason.provenance),
            _("sooner") if sooner else _("later"),
        )  # fmt: skip


def _waits(due: int, closes: int, rule: str, provenance: str) -> str:
    if rule == "not-covered":
        return ngettext_("in %(n)s day: no row is about it", "in %(n)s days: no row is about it", HOLE_DAYS)
    return f"{say_days(due, closes)} ({_(SURETY.get(provenance, provenance))})"


WEEKS: Final = range(22, 36)
"""Completed weeks of gestation for which the first exams of two editions are compared."""
_BORN: Final = date(2001, 1, 1)


def _weeks(first: Policy, second: Policy) -> Iterator[Difference]:
    """The first exam of infants of median weight, born on the first day of each week."""
    for week in WEEKS:
        grams = MEDIAN_GIRL_GRAMS.get(week, MEDIAN_GIRL_GRAMS[23])
        mine, other = (_first_exam(policy, week * 7, grams) for policy in (first, second))
        if mine == other:
            continue
        about = _("an infant born at %(age)s with %(grams)s g", age=_age(week * 7), grams=grams)
        if mine is None or other is None:
            verdict = _("examined") if mine is None else _("not examined")
        else:
            verdict = _("sooner") if (other[2], other[1]) < (mine[2], mine[1]) else _("later")
        yield Difference(about, _say_first(mine), _say_first(other), verdict)


def _first_exam(policy: Policy, gestation: int, grams: int) -> tuple[int, int, int] | None:
    """Days of age at which the window opens, is best and closes; None where no criterion holds without a risk flag."""
    if not policy.eligible(gestation, grams, at_risk=False):
        return None
    window = policy.first_exam(gestation, grams).window(_BORN, gestation)
    opens, due, closes = ((day - _BORN).days for day in (window.opens, window.due, window.closes))
    return opens, due, closes


def _say_first(days: tuple[int, int, int] | None) -> str:
    if days is None:
        return _("not examined without a risk flag")
    opens, due, closes = days
    return _("day %(opens)s to %(closes)s of age, best on day %(due)s", opens=opens, closes=closes, due=due)
