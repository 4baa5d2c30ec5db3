"""A policy edition: parse it strictly, ask it who qualifies and when the first exam is due, and have it explain.

An edition is a TOML file of *criteria* (any one that holds makes an infant eligible) and *first-exam rules* (the first
one that applies gives the window). The vocabulary is closed; a key or word that is not known here stops loading, with
its path and the words allowed. A criterion may only say "this small or smaller", "this young or younger", "flagged
at risk" or "gestational age not certain" (`uncertain = "gestational_age"`), so that being smaller or younger never
makes an infant less eligible.

    [[criterion]]                                  [[first_exam]]
    id = "gestational-age"                         id = "before-31-weeks"
    gestational_age_below = "31w0d"                when = { gestational_age_below = "31w0d" }
    cite = "..."                                   opens = { later_of = ["31w0d PMA", "28d PNA"] }
    provenance = "read"                            due = ...      closes = ...

Every rule carries where its numbers come from: `provenance` is "read" (in the source or a paper quoting it), "memory",
"practice" (common practice, no source) or "computed"; `confidence` is "high", "medium" or "low"; what is low must say
`unconfirmed = true`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from functools import cached_property
from typing import Any, Final, Literal

from service.core.ages import date_at_postmenstrual, date_at_postnatal, format_age, parse_age
from service.core.care import CARE_KEYS, NO_CARE, Care, parse_care
from service.core.infant import PLAUSIBLE_GESTATION
from service.core.origin import ORIGIN_KEYS, Origin, Rule, numbered, only, origin, tables, text, unique
from service.core.window import Reason, Window
from service.errors import ConfigurationError, NotUnderstood

Measure = Literal["gestational_age", "birth_weight"]


@dataclass(frozen=True, slots=True)
class Limit:
    """`measure` is at most `most` (days of gestational age, or grams)."""

    measure: Measure
    most: int
    strict: bool
    """As printed: "below 31w0d" (strict) is kept as at most 30w6d."""

    def holds(self, value: int | None) -> bool | None:
        """None when the value is not known: absent is not false."""
        return None if value is None else value <= self.most

    @property
    def printed(self) -> str:
        return _show(self.measure, self.most + 1 if self.strict else self.most)

    def explain(self, value: int) -> str:
        """`26w4d is within 30w6d`, `1800 g is above 1500 g`, `31w0d is not below 31w0d`."""
        shown = _show(self.measure, value)
        if self.strict:
            return f"{shown} is {'below' if value <= self.most else 'not below'} {self.printed}"
        return f"{shown} is {'within' if value <= self.most else 'above'} {self.printed}"


@dataclass(frozen=True, slots=True)
class Criterion:
    """Holds when every limit holds and, where asked for, a risk flag is set and the gestational age is in doubt."""

    id: str
    limits: tuple[Limit, ...]
    needs_risk: bool
    needs_doubt: bool
    origin: Origin

    def holds(self, gestation: int | None, weight: int | None, at_risk: bool) -> bool | None:
        """True, False, or None when a missing value decides. An absent risk flag is "not flagged"; a gestational age
        of None is one not recorded, not readable or not certain."""
        if (self.needs_risk and not at_risk) or (self.needs_doubt and gestation is not None):
            return False
        parts = [limit.holds(gestation if limit.measure == "gestational_age" else weight) for limit in self.limits]
        if False in parts:
            return False
        return None if None in parts else True

    def reason(self, gestation: int | None, weight: int | None, at_risk: bool) -> Reason:
        """How these values stand to every limit, in words made of the rule's own numbers."""
        texts = []
        for limit in self.limits:
            value = gestation if limit.measure == "gestational_age" else weight
            texts.append(f"{_NAMES[limit.measure]} is not recorded" if value is None else limit.explain(value))
        if self.needs_doubt:
            texts.append(f"gestational age at birth is {'not certain' if gestation is None else 'certain'}")
        if self.needs_risk:
            texts.append("a risk flag is recorded" if at_risk else "no risk flag is recorded")
        return Reason(self.id, self.origin.cite, "; ".join(texts), self.origin.surety)


@dataclass(frozen=True, slots=True)
class Moment:
    """An age: `days` on the postmenstrual (`PMA`) or postnatal (`PNA`) clock."""

    clock: Literal["PMA", "PNA"]
    days: int

    def on(self, born: date, gestation: int) -> date:
        """The day on which an infant born then, at so many days of gestation, reaches it."""
        if self.clock == "PNA":
            return date_at_postnatal(born, self.days)
        return date_at_postmenstrual(born, gestation, self.days)

    def __str__(self) -> str:
        return f"{format_age(self.days)} postmenstrual age" if self.clock == "PMA" else f"{self.days} days of age"


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of a window: the later or the earlier of its moments, never before the day of birth."""

    combiner: Literal["later", "earlier"]
    moments: tuple[Moment, ...]

    def on(self, born: date, gestation: int) -> date:
        """The day of the edge."""
        return max(self._reached(born, gestation), born)

    def explain(self, born: date, gestation: int) -> str:
        """Every moment with its day, and which of them counts."""
        text = " and ".join(f"{moment} ({moment.on(born, gestation).isoformat()})" for moment in self.moments)
        if len(self.moments) > 1:
            text = f"the {self.combiner} of {text}"
        return f"{text}, not before the day of birth" if self._reached(born, gestation) < born else text

    def _reached(self, born: date, gestation: int) -> date:
        days = [moment.on(born, gestation) for moment in self.moments]
        return max(days) if self.combiner == "later" else min(days)


@dataclass(frozen=True, slots=True)
class FirstExam:
    """When the first exam is due, for infants to whom `cases` apply: any case (all of its limits) is enough, and no
    cases means everyone else."""

    id: str
    cases: tuple[tuple[Limit, ...], ...]
    opens: Edge
    due: Edge
    closes: Edge
    origin: Origin

    def applies(self, gestation: int, weight: int) -> bool:
        """Whether the rule is about an infant of this gestational age (days) and birth weight (grams)."""
        values = {"gestational_age": gestation, "birth_weight": weight}
        return not self.cases or any(all(limit.holds(values[limit.measure]) for limit in case) for case in self.cases)

    def window(self, born: date, gestation: int) -> Window:
        """The window of an infant born on `born` at `gestation` days, in order: reading the file made sure of that."""
        return Window(self.opens.on(born, gestation), self.due.on(born, gestation), self.closes.on(born, gestation))

    def reason(self, born: date, gestation: int) -> Reason:
        """How the due date comes about, in words made of the rule's own numbers."""
        return Reason(self.id, self.origin.cite, self.due.explain(born, gestation), self.origin.surety)


@dataclass(frozen=True)
class Policy:
    """One edition of one guideline, or a site's variation of one (core/variation.py), which also says what it
    `extends`, the reason, who approved it and from which day on. `examples` is the raw `[[example]]` tables, see
    core/case.py."""

    id: str
    revision: int
    title: str
    citation: str
    published: str
    criteria: tuple[Criterion, ...]
    first_exams: tuple[FirstExam, ...]
    risk_flags: Mapping[str, str]
    examples: tuple[Mapping[str, Any], ...]
    care: Care = NO_CARE
    extends: str = ""
    reason: str = ""
    approved_by: str = ""
    effective: date | None = None

    @cached_property
    def content(self) -> str:
        """A digest of everything that decides, borrowed and common rules included: two editions of the same content
        answer alike. Titles and examples are not part of it. An attribute that does not matter in a rule (None) is left
        out, so that a new kind of attribute changes no digest of a rule that does without."""
        decides = {part: _plain(getattr(self, part)) for part in ("criteria", "first_exams", "risk_flags", "care")}
        return hashlib.sha256(json.dumps(decides, sort_keys=True).encode()).hexdigest()[:16]

    @property
    def origins(self) -> tuple[Origin, ...]:
        """Where each rule's numbers come from, before and after the first exam."""
        first = [*(rule.origin for rule in self.criteria), *(rule.origin for rule in self.first_exams)]
        return (*first, *self.care.origins)

    def eligible(self, gestation: int | None, weight: int | None, at_risk: bool) -> bool | None:
        """Whether any criterion holds. None: a missing value decides. Days and grams."""
        held = [criterion.holds(gestation, weight, at_risk) for criterion in self.criteria]
        if True in held:
            return True
        return None if None in held else False

    def first_exam(self, gestation: int, weight: int) -> FirstExam:
        """The first rule that applies. Loading makes sure that one always does."""
        return next(rule for rule in self.first_exams if rule.applies(gestation, weight))

    @cached_property
    def weight_knots(self) -> tuple[int, ...]:
        """Weights that stand for all others: one on each side of every limit in grams."""
        return self._edges("birth_weight") or (1000,)

    def gestation_knots(self, days: range) -> tuple[int, ...]:
        """Days that stand for all of `days`: its ends, and one on each side of every limit. Between two limits the same
        rules apply, and a window only moves one way as the gestational age grows."""
        return tuple(sorted({days[0], days[-1], *(day for day in self._gestation_edges if day in days)}))

    @cached_property
    def _gestation_edges(self) -> tuple[int, ...]:
        return self._edges("gestational_age")

    def _edges(self, measure: Measure) -> tuple[int, ...]:
        limits = {limit for criterion in self.criteria for limit in criterion.limits}
        limits |= {limit for rule in self.first_exams for case in rule.cases for limit in case}
        return tuple(
            sorted({edge for limit in limits if limit.measure == measure for edge in (limit.most, limit.most + 1)})
        )

    @property
    def by_risk(self) -> bool:
        """Whether a clinician's risk flag can make an infant eligible."""
        return any(criterion.needs_risk for criterion in self.criteria)


def _plain(value: Any) -> Any:
    """Rules as plain data, in one way only."""
    if is_dataclass(value):
        parts = ((part.name, getattr(value, part.name)) for part in fields(value))
        return {name: _plain(part) for name, part in parts if part is not None}
    if isinstance(value, frozenset):
        return sorted(value)
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    return value


_NAMES: Final = {"gestational_age": "gestational age at birth", "birth_weight": "birth weight"}


def _show(measure: str, value: int) -> str:
    return format_age(value) if measure == "gestational_age" else f"{value} g"


# --- strict reading of the data file -------------------------------------------------------------------------------

_POLICY_KEYS: Final = (
    "id", "revision", "title", "citation", "published", "criterion", "first_exam", "risk_flags", "example", *CARE_KEYS,
)  # fmt: skip
_LIMIT_KEYS: Final = (
    "gestational_age_below", "gestational_age_at_most", "birth_weight_below", "birth_weight_at_most",
)  # fmt: skip


def parse_policy(data: Mapping[str, Any], where: str, base: Care = NO_CARE) -> Policy:
    """A Policy from a parsed TOML document; `base` is the care common to all editions, or borrowed. Raises
    ConfigurationError naming `where` and the key."""
    only(data, _POLICY_KEYS, where)
    criteria = [parse_criterion(table, at) for table, at in numbered(data, "criterion", where)]
    rules = [parse_first_exam(table, at) for table, at in numbered(data, "first_exam", where)]
    check_rules(criteria, rules, where)
    return Policy(
        id=text(data, "id", where),
        revision=parse_revision(data, where),
        title=text(data, "title", where),
        citation=text(data, "citation", where),
        published=str(data.get("published", "")) or text(data, "published", where),
        criteria=tuple(criteria),
        first_exams=tuple(rules),
        risk_flags=parse_flags(data, where),
        examples=tuple(tables(data, "example", where)),
        care=parse_care(data, where, base),
    )


def check_rules(criteria: Sequence[Criterion], rules: Sequence[FirstExam], where: str) -> None:
    """Refuses a policy that selects nobody or leaves somebody selected without a window. Raises ConfigurationError."""
    if not criteria:
        raise ConfigurationError(where, "an edition needs at least one [[criterion]]")
    if not rules or rules[-1].cases or not all(rule.cases for rule in rules[:-1]):
        raise ConfigurationError(
            where, "the last [[first_exam]], and only the last, must apply to everyone else: leave out its `when`"
        )
    named: tuple[Rule, ...] = (*criteria, *rules)
    unique([rule.id for rule in named], where)


def parse_revision(data: Mapping[str, Any], where: str) -> int:
    """The revision, a whole number from 1. Raises ConfigurationError."""
    revision = data.get("revision")
    if not isinstance(revision, int) or isinstance(revision, bool) or revision < 1:
        raise ConfigurationError(f"{where}: revision", "must be a whole number from 1")
    return revision


def parse_flags(data: Mapping[str, Any], where: str) -> dict[str, str]:
    """The risk flags and what they mean. Raises ConfigurationError."""
    flags = data.get("risk_flags", {})
    if not isinstance(flags, Mapping) or not all(isinstance(meaning, str) for meaning in flags.values()):
        raise ConfigurationError(f"{where}: risk_flags", 'must be a table of flag = "what it means"')
    return dict(flags)


def parse_criterion(data: Mapping[str, Any], where: str) -> Criterion:
    """One `[[criterion]]` table. Raises ConfigurationError."""
    only(data, ("id", "risk", "uncertain", *_LIMIT_KEYS, *ORIGIN_KEYS), where)
    risk = data.get("risk", False)
    if not isinstance(risk, bool):
        raise ConfigurationError(f"{where}.risk", "must be true or left out")
    if data.get("uncertain", "gestational_age") != "gestational_age":
        raise ConfigurationError(f"{where}.uncertain", "is no value that can be in doubt", ("gestational_age",))
    limits = _limits(data, where)
    if "uncertain" in data and [limit.measure for limit in limits] != ["birth_weight"]:
        raise ConfigurationError(where, "without a certain gestational age the limit must be one of birth weight")
    if not limits and not risk:
        raise ConfigurationError(where, "a criterion needs a limit or risk = true", _LIMIT_KEYS)
    return Criterion(text(data, "id", where), limits, risk, "uncertain" in data, origin(data, where))


def parse_first_exam(data: Mapping[str, Any], where: str) -> FirstExam:
    """One `[[first_exam]]` table. Raises ConfigurationError, also where its window is out of order."""
    only(data, ("id", "when", "when_any", "opens", "due", "closes", *ORIGIN_KEYS), where)
    if "when" in data and "when_any" in data:
        raise ConfigurationError(where, "use either `when` or `when_any`")
    cases = [data["when"]] if "when" in data else data.get("when_any")
    if cases is not None and (not isinstance(cases, list) or not cases):
        raise ConfigurationError(f"{where}.when_any", "must be a list of tables of limits", _LIMIT_KEYS)
    parsed = []
    for case in cases or []:
        if not isinstance(case, Mapping) or not case:
            raise ConfigurationError(f"{where}.when", "must be a table of limits", _LIMIT_KEYS)
        only(case, _LIMIT_KEYS, f"{where}.when")
        parsed.append(_limits(case, f"{where}.when"))
    opens, due, closes = (_edge(data, edge, where) for edge in ("opens", "due", "closes"))
    rule = FirstExam(text(data, "id", where), tuple(parsed), opens, due, closes, origin(data, where))
    _ordered(rule, where)
    return rule


def _ordered(rule: FirstExam, where: str) -> None:
    """Refuses a rule whose window is out of order for any gestational age: an infant born after the last postmenstrual
    age it names has the window of one born at that age."""
    born = date(2000, 1, 1)
    last = max(moment.days for edge in (rule.opens, rule.due, rule.closes) for moment in edge.moments)
    for gestation in range(1, last + 2):
        window = rule.window(born, gestation)
        if not window.opens <= window.due <= window.closes:
            raise ConfigurationError(
                where, f"born at {format_age(gestation)}, the window is out of order", ("opens", "due", "closes")
            )


def _limits(data: Mapping[str, Any], where: str) -> tuple[Limit, ...]:
    found = []
    for key in _LIMIT_KEYS:
        if key not in data:
            continue
        measure: Measure = "gestational_age" if key.startswith("gestational_age") else "birth_weight"
        strict = key.endswith("_below")
        try:
            value = parse_age(str(data[key])) if measure == "gestational_age" else parse_grams(data[key])
        except NotUnderstood as error:
            raise ConfigurationError(f"{where}.{key}", str(error)) from None
        if measure == "gestational_age" and value not in PLAUSIBLE_GESTATION:
            raise ConfigurationError(f"{where}.{key}", f"{data[key]!r} is not a plausible gestational age at birth")
        found.append(Limit(measure, value - 1 if strict else value, strict))
    return tuple(found)


def parse_grams(text: object) -> int:
    """`"1500g"` or 1500 -> 1500. Raises NotUnderstood."""
    if isinstance(text, bool) or not isinstance(text, int | str):
        raise NotUnderstood("a weight is written 1500g")
    digits = str(text).removesuffix("g").strip()
    if not digits.isascii() or not digits.isdigit():
        raise NotUnderstood(f"{text!r} is not a weight; write 1500g")
    if int(digits) == 0:
        raise NotUnderstood("a weight is more than 0 g")
    return int(digits)


def _edge(data: Mapping[str, Any], key: str, where: str) -> Edge:
    spec = data.get(key)
    if isinstance(spec, str):
        return Edge("later", (_moment(spec, f"{where}.{key}"),))
    if isinstance(spec, Mapping) and len(spec) == 1:
        word, moments = next(iter(spec.items()))
        if word in ("later_of", "earlier_of") and isinstance(moments, list) and len(moments) > 1:
            combiner: Literal["later", "earlier"] = "later" if word == "later_of" else "earlier"
            return Edge(combiner, tuple(_moment(text, f"{where}.{key}") for text in moments))
    raise ConfigurationError(
        f"{where}.{key}", 'must be an age such as "28d PNA", or one table', ("later_of = [...]", "earlier_of = [...]")
    )


def _moment(text: object, where: str) -> Moment:
    age, _, clock = str(text).partition(" ")
    try:
        days = parse_age(age)
    except NotUnderstood as error:
        raise ConfigurationError(where, str(error)) from None
    if clock == "PMA":
        return Moment("PMA", days)
    if clock == "PNA":
        return Moment("PNA", days)
    raise ConfigurationError(where, f"{text!r} must name its clock", ("31w0d PMA", "28d PNA"))
