"""Ages of a preterm infant in whole local calendar days.

Three clocks run in this trade, and confusing them harms infants:

- *gestational age at birth*: how long the pregnancy lasted, `25w3d` = 178 days. Fixed at birth.
- *postnatal age* (PNA): date minus date of birth; the day of birth is day 0.
- *postmenstrual age* (PMA): gestational age at birth plus postnatal age.

Terminology: American Academy of Pediatrics, Committee on Fetus and Newborn, "Age terminology during the
perinatal period", Pediatrics 2004;114:1362.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from service.errors import NotUnderstood

TERM_DAYS = 40 * 7
"""The expected date of delivery is 40w0d of postmenstrual age."""

_AGE = re.compile(r"(?P<weeks>[0-9]{1,3})w(?:(?P<days>[0-6])d)?")
_DAYS = re.compile(r"(?P<days>[0-9]{1,4})d")


def parse_age(text: str) -> int:
    """Days of an age written `25w3d`, `31w` (= 31w0d) or `28d`. Raises NotUnderstood."""
    if match := _AGE.fullmatch(text):
        return int(match["weeks"]) * 7 + int(match["days"] or 0)
    if match := _DAYS.fullmatch(text):
        return int(match["days"])
    raise NotUnderstood(f"{text!r} is not an age; write 25w3d or 28d")


def format_age(days: int) -> str:
    """`178` -> `25w3d`. Negative ages (before conception) do not exist: raises NotUnderstood."""
    if days < 0:
        raise NotUnderstood("an age cannot be negative")
    return f"{days // 7}w{days % 7}d"


@dataclass(frozen=True, slots=True, order=True)
class Gestation:
    """Gestational age at birth as the days it may be, `low` to `high` inclusive.

    `25w3d` is exact (178, 178). Whole weeks, as many registers keep them, are completed weeks: 28 weeks is
    28w0d to 28w6d (196, 202); the precision is kept, no day is invented.
    """

    low: int
    high: int

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.high:
            raise NotUnderstood("a gestational age runs from fewer to more days")

    @classmethod
    def parse(cls, text: str) -> Gestation:
        """`25w3d` is exact, `25w` is the whole completed week, `25w0d..26w6d` a range. Raises NotUnderstood."""
        if ".." in text:
            first, _, last = text.partition("..")
            return cls(cls.parse(first).low, cls.parse(last).high)
        match = _AGE.fullmatch(text)
        if match is None:
            raise NotUnderstood(f"{text!r} is not a gestational age; write 25w3d, or 25w for completed weeks")
        low = parse_age(text)
        return cls(low, low) if match["days"] is not None else cls(low, low + 6)

    @property
    def exact(self) -> bool:
        return self.low == self.high

    def days(self) -> range:
        """Every day this age may be."""
        return range(self.low, self.high + 1)

    def __str__(self) -> str:
        if self.exact:
            return format_age(self.low)
        if self.low % 7 == 0 and self.high == self.low + 6:
            return f"{self.low // 7}w"
        return f"{format_age(self.low)}..{format_age(self.high)}"


def postnatal_days(born: date, on: date) -> int:
    """Whole days since the day of birth, which is day 0. Negative before birth."""
    return (on - born).days


def postmenstrual_days(born: date, gestation: int, on: date) -> int:
    """Postmenstrual age in days of an infant born at `gestation` days."""
    return gestation + postnatal_days(born, on)


def date_at_postnatal(born: date, days: int) -> date:
    """The date on which the infant is `days` old; the first or last day of the calendar where it would leave it."""
    try:
        return born + timedelta(days=days)
    except OverflowError:
        return date.max if days > 0 else date.min


def date_at_postmenstrual(born: date, gestation: int, days: int) -> date:
    """The date on which the infant reaches a postmenstrual age of `days`; before birth if born older than that."""
    return date_at_postnatal(born, days - gestation)


def expected_delivery(born: date, gestation: int) -> date:
    """The date of 40w0d postmenstrual age."""
    return date_at_postmenstrual(born, gestation, TERM_DAYS)
