"""Units and notations to grams and days, without guessing.

A weight becomes whole grams, a gestational age the days it may be. Everything here takes exact numbers and
either gives a value or raises `Unreadable` with a sentence that says what would have been readable.

Styles taken, each with a published source in tests/fhir/test_read_values.py: UCUM and words for units; `28+3`,
`28w3d`, `28 3/7`, `40W 0D`, `28 weeks 3 days`; whole weeks (completed weeks: 28 is 28w0d to 28w6d); days; ranges and
ratios. Refused: `28.4` weeks (28w4d, or 28.4 weeks?), decimal commas, comparators, a unit nobody gave.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Final, Literal

from service.core.ages import Gestation, format_age
from service.fhir.element import Element, Unreadable, quote, shown
from service.fhir.vocabulary import Measures


@dataclass(frozen=True, slots=True)
class Scale:
    """What is weighed, as a sentence names it, the grams it may be, and up to what a weight is read at all."""

    what: str
    lightest: int
    heaviest: int
    readable: int


BIRTH: Final = Scale("birth weight", 200, 7000, 7000)
"""Common practice, no source: liveborn infants have weighed little more than 200 g."""

BODY: Final = Scale("weight of an infant", 200, 20_000, 300_000)
"""In the first two years. Up to 300 kg it is a weight all the same, of somebody else. Common practice, no source."""

SHORTEST, LONGEST = 20 * 7, 44 * 7 + 6
"""Days a gestational age at birth may be, 20w0d to 44w6d. Common practice, no source."""

_DAYS_PER_WEEK: Final = 7
_BIGGEST: Final = 1_000_000
_COMPARISONS: Final = "<>~≤≥≈±"


@dataclass(frozen=True, slots=True)
class Amount:
    """A number and its unit as sent: `unit` is a word that Measures knows, or None when none was sent."""

    number: Decimal
    unit: str | None
    path: str


def read_amount(quantity: Element, measures: Measures) -> Amount:
    """Number and unit of a FHIR Quantity. Raises Unreadable for a comparator, a value that is no exact number, a unit
    nobody knows, and a unit and code that name different units."""
    if (comparator := quantity.text("comparator")) is not None:
        raise Unreadable(quantity.at("comparator"), f"says {quote(comparator)}, not an exact value")
    if isinstance(text := quantity.fields.get("value"), str) and text:
        number = written_number(text, quantity.at("value"))
    else:
        found = quantity.number("value")
        if found is None:
            raise Unreadable(quantity.at("value"), "is missing")
        number = found
    words = [(key, word) for key in ("code", "unit") if (word := quantity.text(key)) is not None]
    known = [(key, word) for key, word in words if measures.knows(word)]
    if words and not known:
        key, word = words[-1]
        raise Unreadable(quantity.at(key), f"{quote(word)} is not a unit known here")
    if len(known) == 2 and not _same(known[0][1], known[1][1], measures):
        raise Unreadable(quantity.at("unit"), f"says {quote(known[1][1])} and its code says {quote(known[0][1])}")
    return Amount(number, known[0][1] if known else None, quantity.at("value"))


def weigh(amounts: list[Amount], default: str | None, measures: Measures, scale: Scale = BIRTH) -> int:
    """Whole grams of a weight given in one amount, or in pounds and ounces. Half a gram rounds up. Raises Unreadable
    for what the scale does not read."""
    total = Decimal(0)
    for n, amount in enumerate(amounts):
        factor = _factor(amount, default, measures)
        if not 0 <= amount.number <= _BIGGEST:  # before any arithmetic: that of 1E+999999 would overflow
            raise Unreadable(amount.path, _implausible_weight(amount, default, measures, scale))
        if n > 0 and amount.number * factor >= _factor(amounts[n - 1], default, measures):
            reason = f"{shown(amount.number)} {amount.unit} is more than one {amounts[n - 1].unit}"
            raise Unreadable(amount.path, reason)
        total += amount.number * factor
    grams = int(total.quantize(Decimal(1), ROUND_HALF_UP))
    if not scale.lightest <= grams <= scale.readable:
        raise Unreadable(amounts[0].path, _implausible_weight(amounts[0], default, measures, scale))
    return grams


def age(amount: Amount, default: str | None, measures: Measures) -> Gestation:
    """A gestational age of one number: completed weeks, or days."""
    unit = _unit(amount, default, measures.ages, "a length of time", ("wk", "d"))
    weeks = measures.ages[unit] == _DAYS_PER_WEEK
    whole = _whole(amount, "weeks" if weeks else "days")
    as_weeks, as_days = (whole * 7, whole * 7 + 6), (whole, whole)
    (low, high), other = (as_weeks, as_days) if weeks else (as_days, as_weeks)
    if not _plausible(low, high):
        hint = f"; as {'days' if weeks else 'weeks'} it would be {Gestation(*other)}" if _plausible(*other) else ""
        raise Unreadable(
            amount.path,
            f"{whole} {'weeks' if weeks else 'days'} is not a plausible gestational age at birth "
            f"({format_age(SHORTEST)} to {format_age(LONGEST)}){hint}",
        )
    return Gestation(low, high)


def age_of_parts(weeks: Amount, days: Amount | None) -> Gestation:
    """A gestational age in two parts; the days part may also be the whole age in days when the two agree."""
    whole = age(Amount(weeks.number, "wk", weeks.path), None, _PLAIN)
    if days is None:
        return whole
    count = _whole(days, "days")
    exact = whole.low + count if count < _DAYS_PER_WEEK else count
    if not whole.low <= exact <= whole.high:
        raise Unreadable(days.path, f"{count} days does not go with {whole.low // 7} weeks; 0 to 6 would")
    return Gestation(exact, exact)


def age_of_range(low: Amount, high: Amount, default: str | None, measures: Measures) -> Gestation:
    """A gestational age given as a range; both ends are part of it, a whole week to its last day."""
    start, end = age(low, default, measures), age(high, default, measures)
    if start.low > end.high:
        raise Unreadable(low.path, "is later than the end of the range")
    return Gestation(start.low, end.high)


def age_of_ratio(numerator: Amount, denominator: Amount, measures: Measures) -> Gestation:
    """A gestational age sent as weeks:days, which HL7 v2 structured numbers become; or as days over 7."""
    top, bottom = _days_in(numerator, measures), _days_in(denominator, measures)
    if top is None and bottom is None and denominator.number == _DAYS_PER_WEEK and numerator.number >= SHORTEST:
        return age(Amount(numerator.number, "d", numerator.path), None, _PLAIN)
    weeks_first = top in (None, _DAYS_PER_WEEK) and bottom in (None, 1)
    # 28:1 without units may also be the number 28 over one, so it is not read.
    if not weeks_first or (bottom is None and denominator.number == 1):
        raise Unreadable(numerator.path, "and its denominator do not say which is weeks and which is days")
    return age_of_parts(numerator, denominator)


def read_weight_text(text: str, path: str, default: str | None, measures: Measures, scale: Scale = BIRTH) -> int:
    """Grams of `780 g`, `0.78 kg`, `2 lb 3 oz`, or a bare number where the code's unit is known."""
    _refuse_vague(text, path)
    if match := _ONE_WEIGHT.fullmatch(text):
        return weigh([_written_amount(match[1], match[2], path, measures)], default, measures, scale)
    if match := _TWO_WEIGHTS.fullmatch(text):
        large = _written_amount(match[1], match[2], path, measures)
        small = _written_amount(match[3], match[4], path, measures)
        return weigh([large, small], None, measures, scale)
    raise Unreadable(path, f"{quote(text)} is not a weight; {READABLE_WEIGHT} would be")


def read_age_text(text: str, path: str, default: str | None, measures: Measures) -> Gestation:
    """A gestational age in any unambiguous notation."""
    _refuse_vague(text, path)
    plain = " ".join(text.casefold().split())
    weeks_word = {word for word, days in measures.ages.items() if days == _DAYS_PER_WEEK} | {None}
    days_word = measures.ages.keys() - weeks_word
    match = _PLUS.fullmatch(plain) or _SEVENTHS.fullmatch(plain)
    if match and {match["before"], match["after"]} <= weeks_word:
        return _two_parts(match, path)
    match = _WORDS.fullmatch(plain)
    if match and match["before"] in weeks_word and match["after"] in days_word:
        return _two_parts(match, path)
    match = _ONE_AGE.fullmatch(plain)
    if match and match["unit"] in {*measures.ages, None}:
        return age(Amount(Decimal(match["number"]), match["unit"], path), default, measures)
    raise Unreadable(path, f"{quote(text)} is not a gestational age; {READABLE_AGE} would be")


READABLE_WEIGHT: Final = '"780 g" or "0.78 kg"'
READABLE_AGE: Final = '"28w3d", "28+3" or "199 days"'

_LONGEST_TEXT: Final = 60
_PLAIN: Final = Measures(weights={}, ages={"wk": _DAYS_PER_WEEK, "d": 1}, parts={})
_NUMBER: Final = r"\d{1,9}(?:\.\d{1,20})?"
_WEIGHT_UNIT: Final = r"[^\W\d]+|\[[a-z_]+\]"
_ONE_WEIGHT: Final = re.compile(rf"\s*({_NUMBER})\s*({_WEIGHT_UNIT})?\.?\s*")
_TWO_WEIGHTS: Final = re.compile(
    rf"\s*({_NUMBER})\s*({_WEIGHT_UNIT})\.?,?\s*(?:and\s)?\s*({_NUMBER})\s*({_WEIGHT_UNIT})\.?\s*"
)
_AGE_UNIT: Final = r"[^\W\d]+|\{[^\W\d]+\}"
_PLUS: Final = re.compile(
    rf"(?P<weeks>\d\d) ?(?P<before>{_AGE_UNIT})?\.? ?\+ ?(?P<days>\d)(?: ?/ ?7)? ?(?P<after>{_AGE_UNIT})?\.?"
)
_SEVENTHS: Final = re.compile(
    rf"(?P<weeks>\d\d)(?: |(?: ?(?P<before>{_AGE_UNIT})\.? ?))(?P<days>\d) ?/ ?7 ?(?P<after>{_AGE_UNIT})?\.?"
)
_WORDS: Final = re.compile(
    rf"(?P<weeks>\d\d) ?(?:completed )?(?P<before>{_AGE_UNIT})\.? ?"
    rf"(?:[,;&+]|and |und )? ?(?P<days>\d) ?(?P<after>{_AGE_UNIT})\.?"
)
_ONE_AGE: Final = re.compile(rf"(?P<number>{_NUMBER}) ?(?:completed )?(?P<unit>{_AGE_UNIT})?\.?")


def _two_parts(match: re.Match[str], path: str) -> Gestation:
    return age_of_parts(Amount(Decimal(match["weeks"]), None, path), Amount(Decimal(match["days"]), None, path))


def _written_amount(number: str, unit: str | None, path: str, measures: Measures) -> Amount:
    if unit is not None and not measures.knows(unit):
        raise Unreadable(path, f"{quote(unit)} is not a unit known here")
    return Amount(Decimal(number), unit, path)


def _refuse_vague(text: str, path: str) -> None:
    if len(text) > _LONGEST_TEXT:
        raise Unreadable(path, "is too long to be one value")
    if any(mark in text for mark in _COMPARISONS):
        raise Unreadable(path, f"{quote(text)} is not an exact value")
    if re.search(r"\d,\d", text):
        raise Unreadable(path, f"{quote(text)} has a comma inside a number: it may mean thousands or a fraction")


def written_number(text: str, path: str) -> Decimal:
    """An exact number that was sent as text."""
    _refuse_vague(text, path)
    if not re.fullmatch(r"\s*\d{1,20}(\.\d{1,20})?\s*", text, re.ASCII):
        raise Unreadable(path, f"{quote(text)} is text, not a number")
    return Decimal(text.strip())


def _same(one: str, other: str, measures: Measures) -> bool:
    one, other = one.casefold(), other.casefold()
    return all(table.get(one) == table.get(other) for table in (measures.weights, measures.ages))


def _plausible(low: int, high: int) -> bool:
    return low >= SHORTEST and high <= LONGEST


def _factor(amount: Amount, default: str | None, measures: Measures) -> Decimal:
    return measures.weights[_unit(amount, default, measures.weights, "a weight", ("g", "kg"))]


def _unit(amount: Amount, default: str | None, fitting: Mapping[str, object], what: str, such: tuple[str, ...]) -> str:
    unit = amount.unit or default
    if unit is None:
        raise Unreadable(amount.path, f"{shown(amount.number)} has no unit, and the code does not imply one")
    if unit.casefold() not in fitting:
        raise Unreadable(amount.path, f"{quote(unit)} is not a unit of {what}; {' or '.join(such)} would be")
    return unit.casefold()


def _whole(amount: Amount, unit: Literal["weeks", "days"]) -> int:
    number = amount.number
    if not 0 <= number <= 1000:
        raise Unreadable(amount.path, f"{shown(number)} is not a plausible gestational age at birth")
    if number != number.to_integral_value():
        tenths, hint = shown(number).partition(".")[2], "a whole number would be readable"
        if unit == "weeks" and tenths in tuple("123456"):
            hint = f"{int(number)}w{tenths}d, or a fraction of a week?"
        raise Unreadable(amount.path, f"{shown(number)} {unit} is ambiguous: {hint}")
    return int(number)


def _days_in(amount: Amount, measures: Measures) -> int | None:
    """Days in the unit of an amount; None when it has none, 0 when the unit is not one of time."""
    return None if amount.unit is None else measures.ages.get(amount.unit.casefold(), 0)


def _implausible_weight(amount: Amount, default: str | None, measures: Measures, scale: Scale) -> str:
    unit, number = amount.unit or default or "", amount.number
    text = f"{shown(number)} {unit} is not a plausible {scale.what} ({scale.lightest} to {scale.heaviest} g)"
    if 0 < number <= _BIGGEST:
        for other, factor in (("kg", Decimal(1000)), ("g", Decimal(1))):
            if factor != _factor(amount, default, measures) and scale.lightest <= number * factor <= scale.heaviest:
                return f"{text}; in {other} it would be, so the unit may be wrong"
    return text
