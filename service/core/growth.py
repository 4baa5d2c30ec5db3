"""Growth criteria: slow weight gain after birth asks for an exam; nothing here ever takes one away.

The modified screening criteria of the Postnatal Growth and ROP Study (G-ROP; JAMA Ophthalmol 2018;136:1034,
10.1001/jamaophthalmol.2018.2753; validation JAMA Ophthalmol 2020;138:31), any one of: gestational age at birth below
28w0d; birth weight below 1051 g; weight gain below 120 g in age 10 to 19 days, below 180 g in 20 to 29 days, below
170 g in 30 to 39 days; hydrocephalus. Limits read in the abstracts. Not read: that a gain is the weight on the last day
minus the weight on the first (memory, medium confidence), and whether the day of birth is day 0 or day 1. So both ways
of counting days are tried: one is enough to ask for an exam, and both are needed to rule one out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final, Literal, NamedTuple

from service.core.ages import Gestation, date_at_postnatal, format_age
from service.core.infant import Days, Known, Weighing
from service.core.window import Reason

Verdict = Literal["positive", "negative", "unknown"]

CITE: Final = "Postnatal Growth and ROP Study, JAMA Ophthalmol 2018;136:1034"
GESTATION_BELOW: Final = 28 * 7
WEIGHT_BELOW: Final = 1051
HYDROCEPHALUS: Final = "hydrocephalus"
"""Name of the risk flag."""

STUDIED_GESTATION: Final = 30 * 7 + 6
STUDIED_WEIGHT: Final = 1500
"""Whom the criteria were made on: 7483 infants examined in North America in 2006 to 2012, born at 22 to 35 weeks,
median 28, mean weight 1099 g (read in the abstract). The limits are those of the guideline that sent most of them there
(memory, medium confidence); it sent chosen heavier and older infants as well."""


class Span(NamedTuple):
    """A stretch of age in days, both ends included, and the gain in grams below which an exam is asked for."""

    first: int
    last: int
    gain_below: int


SPANS: Final = (Span(10, 19, 120), Span(20, 29, 180), Span(30, 39, 170))
_DAY_OF_BIRTH: Final = (0, 1)


@dataclass(frozen=True, slots=True)
class Growth:
    """What the growth criteria say on a day.

    `verdict`: "positive", a criterion holds, for any of the values on record; "unknown", none does, but what is not on
    record could make one hold; "negative", nothing asks for an exam so far. `reasons` say what made it positive.
    `missing` says in words what would have to be known, "" unless unknown. `studied`: whether the infant may be one
    of those on whom the criteria were made; of others they say nothing.
    """

    verdict: Verdict
    studied: bool
    reasons: tuple[Reason, ...] = ()
    missing: str = ""

    @property
    def since_birth(self) -> tuple[Reason, ...]:
        """The reasons that came after birth: slow gain, hydrocephalus. Whom a gestational age or a birth weight makes
        eligible is the edition's own to say."""
        return tuple(reason for reason in self.reasons if reason.rule not in _KNOWN_AT_BIRTH)


_KNOWN_AT_BIRTH: Final = ("growth-gestation", "growth-birth-weight")


def judge_growth(
    gestation: Known[Gestation],
    birth_weight: Known[int],
    born: Known[Days],
    weights: Sequence[Weighing],
    flags: Collection[str],
    as_of: date,
) -> Growth:
    """The growth criteria on all values on record; weights dated after `as_of` do not count yet.

    Only weights of exactly the first and the last day of a span decide; one that is missing, or not certain, rules
    nothing out, and is missed from the day after the last. Several weights of a day: the smallest gain counts, and one
    that is certain is enough to have been weighed.
    """
    studied = _studied(gestation, birth_weight)
    weighed: dict[date, list[int]] = {}
    for weighing in weights:
        if weighing.on <= as_of:
            weighed.setdefault(weighing.on, []).append(weighing.grams)
    reasons = (*_at_birth(gestation, birth_weight, flags), *_slow(born, weighed))
    if reasons:
        return Growth("positive", studied, reasons)
    certain = {weighing.on for weighing in weights if weighing.certain} & weighed.keys()
    missing = "; ".join(_missing(gestation, birth_weight, born, certain, as_of))
    return Growth("unknown" if missing else "negative", studied, (), missing)


def _studied(gestation: Known[Gestation], birth_weight: Known[int]) -> bool:
    """Not so only where both values are known and all of them lie outside."""
    inside = any(value.low <= STUDIED_GESTATION for value in gestation.values) or any(
        grams <= STUDIED_WEIGHT for grams in birth_weight.values
    )
    return inside or gestation.unsettled or birth_weight.unsettled


def _at_birth(gestation: Known[Gestation], birth_weight: Known[int], flags: Collection[str]) -> Iterator[Reason]:
    """The criteria that need no weight after birth. Whole weeks count as their first day."""
    youngest = min((value.low for value in gestation.values), default=GESTATION_BELOW)
    if youngest < GESTATION_BELOW:
        text = f"{format_age(youngest)} at birth is below {format_age(GESTATION_BELOW)}"
        yield Reason("growth-gestation", CITE, text, "read")
    lightest = min(birth_weight.values, default=WEIGHT_BELOW)
    if lightest < WEIGHT_BELOW:
        yield Reason("growth-birth-weight", CITE, f"{lightest} g at birth is below {WEIGHT_BELOW} g", "read")
    if HYDROCEPHALUS in flags:
        yield Reason("growth-hydrocephalus", CITE, "hydrocephalus is recorded", "read")


def _slow(born: Known[Days], weighed: Mapping[date, Sequence[int]]) -> Iterator[Reason]:
    """The spans in which too little was gained, on any day of birth and counting days in either way."""
    for span in SPANS:
        for day_of_birth in _DAY_OF_BIRTH:
            ends = [
                (max(weighed[start]), min(weighed[end]))
                for start in weighed
                if (end := date_at_postnatal(start, span.last - span.first)) in weighed
                and _is_birth(born, date_at_postnatal(start, day_of_birth - span.first))
            ]
            slowest = min(ends, key=lambda pair: pair[1] - pair[0], default=None)
            if slowest is not None and slowest[1] - slowest[0] < span.gain_below:
                yield _gain(span, day_of_birth, *slowest)
                break


def _is_birth(born: Known[Days], day: date) -> bool:
    return any(value.low <= day <= value.high for value in born.values)


def _gain(span: Span, day_of_birth: int, before: int, after: int) -> Reason:
    gain = after - before
    counted = ", the day of birth being day 1" if day_of_birth else ""
    text = (
        f"{'gained' if gain >= 0 else 'lost'} {abs(gain)} g from day {span.first} to day {span.last} of age{counted} "
        f"({before} g to {after} g): below {span.gain_below} g"
    )
    return Reason(f"growth-{span.first}-{span.last}", CITE, text, "memory")


def _missing(
    gestation: Known[Gestation],
    birth_weight: Known[int],
    born: Known[Days],
    weighed: Collection[date],
    as_of: date,
) -> Iterator[str]:
    """What would have to be known to rule an exam out. `weighed`: the days of which a weight is certain."""
    if gestation.unsettled:
        yield "no certain gestational age at birth"
    if birth_weight.unsettled:
        yield "no certain birth weight"
    if born.unsettled:
        yield "no certain date of birth"
    for value in born.values:
        if not value.exact:
            if as_of > date_at_postnatal(value.low, SPANS[0].last - _DAY_OF_BIRTH[-1]):
                yield "no exact date of birth"
            continue
        ages = sorted(_ages_missed(value.low, weighed, as_of))
        if ages:
            words = _listed([str(age) for age in ages])
            yield f"no certain weight on day{'s' if len(ages) > 1 else ''} {words} of age" + (
                f" if born on {value}" if len(born.values) > 1 else ""
            )


def _ages_missed(born: date, weighed: Collection[date], as_of: date) -> set[int]:
    """Ages in days (the day of birth is day 0) without the certain weight that decides about a span that is over."""
    return {
        age - day_of_birth
        for span in SPANS
        for day_of_birth in _DAY_OF_BIRTH
        if as_of > date_at_postnatal(born, span.last - day_of_birth)
        for age in (span.first, span.last)
        if date_at_postnatal(born, age - day_of_birth) not in weighed
    }


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def growth_flags(growth: Growth, weighed: bool, eligible: bool) -> Iterator[str]:
    """Said of infants like those the growth criteria were made on; what they cannot rule out, only of those who would
    else not be examined, where the unit sends weights at all."""
    if not growth.studied:
        return
    if growth.since_birth:
        yield f"growth criteria ask for an exam: {'; '.join(reason.text for reason in growth.since_birth)}"
    elif growth.verdict == "unknown" and weighed and not eligible:
        yield f"growth criteria cannot rule out an exam: {growth.missing}"
