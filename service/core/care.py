"""What an edition says after the first exam: when to look again, how long treatment may take, what to look for after
it, and when to ask whether screening may stop.

    [treatment]                               hours from the exam that finds it: best by, late after
    hours = [48, 72]
    hours_aggressive = [48, 48]

    [[review]]                                a look at an eye so many days after treatment
    after = "laser"                           "laser", "injection"
    opens = "10d"    due = "10d"    closes = "14d"
    look_for = "..."                          shown beside the date
    expects = "regression"                    sign whose absence asks for a decision: see SIGNS
    expected_from = "10d"                     from that day on; from `opens` on when left out

    [[watch]]                                 an injected eye, again and again until it reaches an age
    until = "55w0d PMA"                       or "28d after" the injection
    due = "7d"       closes = "14d"           from the exam before

    [[stop]]                                  all that is named must hold of an untreated eye; see `Stop`
    vessels = "III"  never = "posterior-rop"  confirm_below = "35w0d"

What is the same everywhere (reviews, the watch over injected eyes) is stated once and joined to every edition.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from service.core.ages import parse_age
from service.core.findings import ZONES, Eye, TreatmentKind, Zone
from service.core.intervals import Row, check_order, parse_row, read_days
from service.core.origin import ORIGIN_KEYS, Origin, Rule, merge, numbered, only, origin, text, unique
from service.errors import ConfigurationError, NotUnderstood

CARE_KEYS: Final = ("care_of", "repeat", "treatment", "review", "watch", "stop", "candidate", "caution")
SIGNS: Final = ("less-plus", "regression", "complete-regression")
NEVER: Final = ("rop", "posterior-rop", "treatment-requiring")
AFTER: Final[Mapping[str, Literal["laser", "injection"]]] = {"laser": "laser", "injection": "injection"}


@dataclass(frozen=True, slots=True)
class Clock:
    """Hours from the exam that finds treatment-requiring disease: treatment is best by the first, late after the
    second. Weekends count."""

    hours: tuple[int, int]
    hours_aggressive: tuple[int, int]
    origin: Origin


@dataclass(frozen=True, slots=True)
class Review:
    """A look at an eye so many days after its treatment. An exam from `opens` on counts as it."""

    id: str
    after: Literal["laser", "injection"]
    opens: int
    due: int
    closes: int
    look_for: str
    expects: str
    expected_from: int
    origin: Origin

    def shows(self, eye: Eye) -> bool:
        """Whether the eye shows the sign expected by now. A sign that is not recorded is not shown."""
        if self.expects and (eye.plus == "plus" or eye.aggressive):
            return False
        if self.expects == "regression":
            return eye.regressing or not eye.any_rop
        if self.expects == "complete-regression":
            return eye.regression == "complete" or not eye.any_rop
        return True


@dataclass(frozen=True, slots=True)
class Watch:
    """How often an injected eye is looked at until it has reached `until`: days after the injection, or of
    postmenstrual age."""

    id: str
    clock: Literal["PMA", "after"]
    until: int
    due: int
    closes: int
    look_for: str
    origin: Origin


@dataclass(frozen=True, slots=True)
class Stop:
    """A rule under which it is asked whether acute screening of an untreated eye may stop. What is None or 0 does not
    matter, all else must hold; it is never enough that an eye was not seen.

    `vessels`: how far they have grown. `never`: what must never have been seen in the eye. `confirm_below`: younger
    than so many days of postmenstrual age (or of unknown age), the exam before must show the same. `from_age`: not
    before that postmenstrual age, and nothing prethreshold or worse is there. `regressing`: in how many successive
    exams disease regressed; `complete`: and nothing is left that could come back.
    """

    id: str
    vessels: Zone | None
    never: str | None
    confirm_below: int | None
    from_age: int | None
    regressing: int
    complete: bool
    origin: Origin


@dataclass(frozen=True, slots=True)
class Candidate:
    """From which postmenstrual age (days), and with how much avascular retina (disc diameters), an injected eye is
    shown as a candidate for laser to persistent avascular retina."""

    from_age: int
    extent: float
    weigh: str
    origin: Origin


@dataclass(frozen=True, slots=True)
class Caution:
    """Words shown with a treatment decision from a postmenstrual age (days) on."""

    from_age: int
    words: str
    origin: Origin


SHORTEST: Final = Clock(
    (48, 72), (24, 48),
    Origin("the shorter of the published clocks", "practice", "low", unconfirmed=True, note="This edition has none."),
)  # fmt: skip
"""The clock of an edition that names none."""


@dataclass(frozen=True, slots=True)
class Care:
    """Everything an edition says after the first exam; by default nothing, which means seven days."""

    rows: tuple[Row, ...] = ()
    clock: Clock = SHORTEST
    reviews: tuple[Review, ...] = ()
    watches: tuple[Watch, ...] = ()
    stops: tuple[Stop, ...] = ()
    candidate: Candidate | None = None
    caution: Caution | None = None
    borrowed: str = field(default="")
    """The edition that lends what this one has not of its own: its table, stop rules, first look after laser."""

    def reviews_after(self, kind: TreatmentKind) -> tuple[Review, ...]:
        """The reviews after such a treatment, in order."""
        return tuple(review for review in self.reviews if review.after == kind)

    @property
    def surveillance_age(self) -> int | None:
        """The postmenstrual age in days before which an injected eye is never let go."""
        return max((watch.until for watch in self.watches if watch.clock == "PMA"), default=None)

    @property
    def origins(self) -> tuple[Origin, ...]:
        """Where each rule's numbers come from."""
        rules = (*self.rows, self.clock, *self.reviews, *self.watches, *self.stops, self.candidate, self.caution)
        return tuple(rule.origin for rule in rules if rule is not None)


NO_CARE: Final = Care()


def borrow(care: Care, owner: str, common: Care) -> Care:
    """The care of another edition, every rule of it that is not common to all marked as borrowed and unconfirmed; its
    clock is not borrowed."""

    def mark(source: Origin) -> Origin:
        return replace(source, cite=f"{source.cite} (borrowed from {owner}, unconfirmed)", unconfirmed=True)

    return replace(
        care, clock=SHORTEST, borrowed=owner,
        rows=tuple(replace(row, origin=mark(row.origin)) for row in care.rows),
        stops=tuple(replace(stop, origin=mark(stop.origin)) for stop in care.stops),
        reviews=tuple(
            review if review in common.reviews else replace(review, origin=mark(review.origin))
            for review in care.reviews
        ),
    )  # fmt: skip


def parse_care(data: Mapping[str, Any], where: str, base: Care) -> Care:
    """What an edition's file says, over `base`: what is common to all, or what is borrowed. A table or stop rules of
    its own stand alone; reviews and watches stand beside those of the base. Raises ConfigurationError."""
    rows, reviews, watches, stops = _rules(data, where)
    if rows:
        check_order(rows, f"{where}: repeat")
    return _join(
        data, where, base, rows or base.rows, (*base.reviews, *reviews), (*base.watches, *watches), stops or base.stops
    )


def vary_care(data: Mapping[str, Any], where: str, base: Care) -> Care:
    """What a variation's file says, over the edition that it varies: a rule takes the place of the one of its id, a new
    one is added. Raises ConfigurationError."""
    rows, reviews, watches, stops = _rules(data, where)
    care = _join(
        data, where, base, merge(base.rows, rows), merge(base.reviews, reviews), merge(base.watches, watches),
        merge(base.stops, stops),
    )  # fmt: skip
    check_order(care.rows, f"{where}: repeat")
    return care


def _rules(
    data: Mapping[str, Any], where: str
) -> tuple[tuple[Row, ...], tuple[Review, ...], tuple[Watch, ...], tuple[Stop, ...]]:
    return (
        tuple(parse_row(table, at) for table, at in numbered(data, "repeat", where)),
        tuple(_review(table, at) for table, at in numbered(data, "review", where)),
        tuple(_watch(table, at) for table, at in numbered(data, "watch", where)),
        tuple(_stop(table, at) for table, at in numbered(data, "stop", where)),
    )


def _join(
    data: Mapping[str, Any], where: str, base: Care, rows: Sequence[Row], reviews: Sequence[Review],
    watches: Sequence[Watch], stops: Sequence[Stop],
) -> Care:  # fmt: skip
    """These rules, each kind in the order in which it is asked, and the single tables of the file or of the base."""
    rules: tuple[Rule, ...] = (*rows, *reviews, *stops, *watches)
    unique([rule.id for rule in rules], where)
    return replace(
        base,
        rows=tuple(rows),
        clock=_clock(_table(data, "treatment", where), f"{where}: treatment") if "treatment" in data else base.clock,
        reviews=tuple(sorted(reviews, key=lambda review: (review.after, review.opens, review.due))),
        watches=tuple(sorted(watches, key=lambda watch: (watch.clock == "PMA", watch.until))),
        stops=tuple(stops),
        candidate=_candidate(_table(data, "candidate", where), f"{where}: candidate")
        if "candidate" in data else base.candidate,
        caution=_caution(_table(data, "caution", where), f"{where}: caution") if "caution" in data else base.caution,
    )  # fmt: skip


def _clock(data: Mapping[str, Any], where: str) -> Clock:
    only(data, ("hours", "hours_aggressive", *ORIGIN_KEYS), where)
    return Clock(_hours(data, "hours", where), _hours(data, "hours_aggressive", where), origin(data, where))


def _hours(data: Mapping[str, Any], key: str, where: str) -> tuple[int, int]:
    match data.get(key):
        case [int(best), int(latest)] if 0 < best <= latest:
            return best, latest
    raise ConfigurationError(f"{where}.{key}", "must be two numbers of hours, best by and late after: [48, 72]")


def _review(data: Mapping[str, Any], where: str) -> Review:
    only(data, ("id", "after", "opens", "due", "closes", "look_for", "expects", "expected_from", *ORIGIN_KEYS), where)
    after = str(data.get("after"))
    if after not in AFTER:
        raise ConfigurationError(f"{where}.after", f"{after!r} is not followed by reviews", tuple(AFTER))
    opens, due, closes = (read_days(data, key, where) for key in ("opens", "due", "closes"))
    if not 0 < opens <= due <= closes:
        raise ConfigurationError(where, "opens, due and closes must be in this order, from a day on")
    expects = _one_of(data, "expects", SIGNS, where) or ""
    if "expected_from" in data and not expects:
        raise ConfigurationError(f"{where}.expected_from", "says from when a sign is expected: name it", ("expects",))
    first = read_days(data, "expected_from", where) if "expected_from" in data else opens if expects else 0
    return Review(
        text(data, "id", where), AFTER[after], opens, due, closes, text(data, "look_for", where), expects, first,
        origin(data, where),
    )  # fmt: skip


def _watch(data: Mapping[str, Any], where: str) -> Watch:
    only(data, ("id", "until", "due", "closes", "look_for", *ORIGIN_KEYS), where)
    due, closes = read_days(data, "due", where), read_days(data, "closes", where)
    if not 0 < due <= closes:
        raise ConfigurationError(where, "must be due after a day or more, and close no earlier than it is due")
    age, _, clock = str(data.get("until")).partition(" ")
    kinds: Mapping[str, Literal["PMA", "after"]] = {"PMA": "PMA", "after": "after"}
    if clock not in kinds:
        raise ConfigurationError(f"{where}.until", "must name its clock", ("55w0d PMA", "28d after"))
    until = _age({"until": age}, "until", where)
    return Watch(text(data, "id", where), kinds[clock], until, due, closes, text(data, "look_for", where),
                 origin(data, where))  # fmt: skip


def _stop(data: Mapping[str, Any], where: str) -> Stop:
    only(data, ("id", "vessels", "never", "confirm_below", "from_age", "regressing", "complete", *ORIGIN_KEYS), where)
    vessels = _one_of(data, "vessels", ("III", "full"), where)
    times, complete = data.get("regressing", 0), data.get("complete", False)
    if type(times) is not int or times < 0 or not isinstance(complete, bool) or (complete and not times):
        raise ConfigurationError(where, "`regressing` is a number of exams, and `complete` says true of those")
    rule = Stop(
        text(data, "id", where), ZONES[vessels] if vessels else None, _one_of(data, "never", NEVER, where),
        _age(data, "confirm_below", where) if "confirm_below" in data else None,
        _age(data, "from_age", where) if "from_age" in data else None, times, complete, origin(data, where),
    )  # fmt: skip
    if rule.vessels is None and rule.from_age is None and not rule.regressing:
        raise ConfigurationError(
            where, "a stop rule needs something that was seen", ("vessels", "from_age", "regressing")
        )
    return rule


def _candidate(data: Mapping[str, Any], where: str) -> Candidate:
    only(data, ("from_age", "extent", "weigh", *ORIGIN_KEYS), where)
    extent = data.get("extent")
    if isinstance(extent, bool) or not isinstance(extent, int | float) or extent <= 0:
        raise ConfigurationError(f"{where}.extent", "must be a number of disc diameters")
    return Candidate(_age(data, "from_age", where), float(extent), text(data, "weigh", where), origin(data, where))


def _caution(data: Mapping[str, Any], where: str) -> Caution:
    only(data, ("from_age", "words", *ORIGIN_KEYS), where)
    return Caution(_age(data, "from_age", where), text(data, "words", where), origin(data, where))


def _table(data: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    table = data[key]
    if not isinstance(table, Mapping):
        raise ConfigurationError(f"{where}: {key}", f"must be one table, [{key}]")
    return table


def _age(data: Mapping[str, Any], key: str, where: str) -> int:
    try:
        return parse_age(str(data.get(key)))
    except NotUnderstood as error:
        raise ConfigurationError(f"{where}.{key}", str(error)) from None


def _one_of(data: Mapping[str, Any], key: str, allowed: tuple[str, ...], where: str) -> str | None:
    value = data.get(key)
    if value is not None and (not isinstance(value, str) or value not in allowed):
        raise ConfigurationError(f"{where}.{key}", f"{value!r} is not known here", allowed)
    return value
