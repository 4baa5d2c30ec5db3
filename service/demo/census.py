"""The invented infants of the demonstration: who lies in which of the three units on the day it starts.

Nobody here exists. Given names are mixed as in any large city; every family name is a thing, so that no row can be
taken for a person. Numbers are invented too; birth weights stay within what Fenton and Kim (BMC Pediatrics 2013;13:59)
found for the gestational age and sex, which the tests check. Each row's *tale* is one thing that goes wrong in real
units (or nothing).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final, Literal

from service.core.ages import parse_age

Sex = Literal["female", "male"]
Tale = Literal[
    "",
    "age-missing",  # nobody recorded the gestational age
    "nothing-known",  # neither age nor weight has come over from the delivering hospital
    "whole-weeks",  # the register keeps completed weeks only
    "two-ages",  # two gestational ages on record that disagree
    "decimal-weeks",  # "28.4" weeks: 28w4d, or 28.4 weeks?
    "kilograms-as-grams",  # 1.36 typed with the unit g
    "weight-withdrawn",  # the weight belonged to another infant and was entered in error
    "weight-corrected",  # first 1540 g, then put right
    "went-home",  # left before the first exam
    "sent-away",  # moved to another hospital before the first exam
    "came-late",  # born elsewhere, admitted yesterday, already past the date
    "just-came",  # born elsewhere, admitted yesterday, in time
    "mother-on-file",  # the mother's own record arrives on the same feed
    "long-oxygen",  # above the limits; ticked as high-risk
    "died",
]


@dataclass(frozen=True, slots=True)
class Newborn:
    """One invented infant. `unit` is 0, 1 or 2; `number` counts within the unit; `gestation` is days, `grams` the
    true birth weight; `mate` is the number of the twin in the same unit; `order` the birth order of a twin."""

    unit: int
    number: int
    given: str
    family: str
    sex: Sex
    born: date
    gestation: int
    grams: int
    tale: Tale = ""
    mate: int | None = None
    order: int | None = None


_Row = tuple[str, str, Sex, str, int, int, Tale]
"""Given name, family name, sex, gestational age at birth, birth weight (g), days since birth, tale."""

_FIRST: Final[tuple[_Row, ...]] = (
    ("Adaeze", "Lanternfish", "female", "24w2d", 610, 58, ""),
    ("Mateo", "Teakettle", "male", "27w5d", 1010, 31, ""),
    ("Ingrid", "Cloudberry", "female", "25w3d", 720, 39, ""),
    ("Tariq", "Windowsill", "male", "29w1d", 1240, 24, ""),
    ("Layla", "Windowsill", "female", "29w1d", 1130, 24, ""),
    ("Keanu", "Saltmarsh", "male", "30w6d", 1510, 12, ""),
    ("Beatriz", "Papertree", "female", "31w4d", 1480, 9, ""),
    ("Wojtek", "Moonpebble", "male", "22w6d", 520, 40, ""),
    ("Imani", "Marzipan", "female", "28w2d", 1180, 20, "age-missing"),
    ("Soren", "Rainbarrel", "male", "33w0d", 1870, 18, "age-missing"),
    ("Noor", "Kitestring", "female", "31w2d", 1360, 16, "kilograms-as-grams"),
    ("Hana", "Thistledown", "female", "32w0d", 1450, 15, "weight-corrected"),
    ("Diego", "Snowgrass", "male", "33w2d", 2050, 6, ""),
    ("Maeve", "Candlewick", "female", "28w4d", 1090, 27, "went-home"),
    ("Kwame", "Tidepool", "male", "26w0d", 890, 44, "came-late"),
    ("Yuki", "Driftwood", "female", "36w1d", 2600, 3, "mother-on-file"),
    ("Zainab", "Quillfeather", "female", "23w5d", 560, 4, "just-came"),
)
_SECOND: Final[tuple[_Row, ...]] = (
    ("Rhys", "Dandelion", "male", "26w2d", 880, 41, ""),
    ("Chiara", "Hazelnut", "female", "28w0d", 1050, 34, ""),
    ("Arjun", "Bellows", "male", "29w6d", 1390, 28, ""),
    ("Freya", "Pinecone", "female", "27w3d", 930, 26, ""),
    ("Astrid", "Pinecone", "female", "27w3d", 860, 26, ""),
    ("Emeka", "Lighthouse", "male", "30w5d", 1540, 22, ""),
    ("Leila", "Bramble", "female", "31w3d", 1440, 19, ""),
    ("Tomasz", "Inkwell", "male", "30w2d", 1610, 16, "two-ages"),
    ("Sinead", "Foxglove", "female", "30w4d", 1580, 21, "whole-weeks"),
    ("Idris", "Sandcastle", "male", "29w0d", 1300, 11, "nothing-known"),
    ("Mirela", "Feathergrass", "female", "22w5d", 480, 5, "died"),
    ("Callum", "Oatcake", "male", "31w6d", 1680, 14, "weight-withdrawn"),
    ("Ayesha", "Harebell", "female", "34w0d", 2300, 2, ""),
    ("Nikolai", "Pepperpot", "male", "25w0d", 760, 6, "just-came"),
    ("Orla", "Starling", "female", "28w3d", 1190, 17, "decimal-weeks"),
)
_THIRD: Final[tuple[_Row, ...]] = (
    ("Lakshmi", "Nutmeg", "female", "27w1d", 900, 23, ""),
    ("Farhan", "Monsoon", "male", "32w2d", 1640, 30, ""),
    ("Tenzin", "Lotusleaf", "female", "31w0d", 1420, 28, ""),
    ("Rohan", "Paperboat", "male", "29w3d", 1120, 14, ""),
    ("Vikram", "Kingfisher", "male", "33w4d", 1810, 22, ""),
    ("Meera", "Kingfisher", "female", "33w4d", 1690, 22, ""),
    ("Deepa", "Brasslamp", "female", "33w2d", 1950, 17, ""),
    ("Joseph", "Jaggery", "male", "30w3d", 1290, 9, ""),
    ("Zoya", "Firefly", "female", "32w4d", 1690, 25, "age-missing"),
    ("Kabir", "Sugarcane", "male", "33w5d", 1900, 20, "age-missing"),
    ("Anjali", "Peppercorn", "female", "34w3d", 2210, 25, "long-oxygen"),
    ("Bhavna", "Jackfruit", "female", "31w5d", 1530, 26, "sent-away"),
    ("Imran", "Cardamom", "male", "32w6d", 1650, 12, "kilograms-as-grams"),
    ("Sunil", "Banyan", "male", "30w1d", 1310, 33, "came-late"),
    ("Grace", "Saffron", "female", "35w2d", 2380, 4, "mother-on-file"),
)
ROWS: Final = (_FIRST, _SECOND, _THIRD)


def census(today: tuple[date, date, date]) -> list[Newborn]:
    """Everybody on the three units on the day the demonstration starts, `today` being the local day of each unit."""
    infants: list[Newborn] = []
    for unit, rows in enumerate(ROWS):
        for number, (given, family, sex, age, grams, days, tale) in enumerate(rows, start=1):
            mate, order = _twin(rows, number, family)
            born = today[unit] - timedelta(days=days)
            infants.append(
                Newborn(unit, number, given, family, sex, born, parse_age(age), grams, tale, mate, order)
            )  # fmt: skip
    return infants


def _twin(rows: tuple[_Row, ...], number: int, family: str) -> tuple[int | None, int | None]:
    """The twin's number and the birth order, for two rows of one family."""
    siblings = [other for other, row in enumerate(rows, start=1) if row[1] == family]
    if len(siblings) == 1:
        return None, None
    return next(other for other in siblings if other != number), siblings.index(number) + 1
