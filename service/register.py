"""A register of newborns as a table: CSV, one infant a row, its columns recognised by what their headings say.

Delimited by commas, semicolons or tabs, UTF-8, plain or gzipped. In headings, case, spaces and punctuation do not
matter: "Birth weight (g)" is `birth_weight_g`. The columns, of which a weight or a gestational age must be there:

    id                         or patient, record, case, number, each also with _id
    born                       or date_of_birth, birth_date, dob: 2031-05-01
    gestational_age_at_birth   or gestational_age, gestation, ga: 26w4d, 26+4; 26w for completed weeks. With _weeks or
                               _days in the heading also a bare number; both columns together: weeks, and days 0 to 6
    birth_weight               or birthweight, bw: grams; other units in the cell, or in the heading (_kg, _lb, _oz)
    risk                       or at_risk, risk_flag, risk_factors: no, 0, false or nothing is none; other words are one

Empty, NA, null, unknown, ?, - and . are missing. A cell that cannot be read without guessing counts as missing too, and
is told of: its infant stays in, as one of whom a value is not known.
"""

from __future__ import annotations

import csv
import gzip
import io
import re
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import IO, Final, NamedTuple, TypeVar

import numpy as np

from service.core.ages import Gestation
from service.core.cohort import MISSING, Infants
from service.errors import NotUnderstood
from service.fhir.element import Unreadable, quote
from service.fhir.quantities import Amount, age_of_parts, read_age_text, read_weight_text, written_number
from service.fhir.vocabulary import Measures

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Register:
    """The rows of a table. `ids` are as written there, or `row 2` (the headings are row 1); `unread` counts the cells
    that could not be read by column and reason, which may quote the cell; `unused` are headings nobody knows."""

    ids: list[str]
    infants: Infants
    unread: Counter[tuple[str, str]]
    unused: tuple[str, ...]


class _Column(NamedTuple):
    place: int
    heading: str
    unit: str | None


class _Row(NamedTuple):
    id: str
    born: date | None
    gestation: Gestation | None
    grams: int | None
    at_risk: bool


def is_table(path: Path) -> bool:
    """Whether a file is not JSON: it holds something, and that starts with neither brace nor bracket. A pipe, which
    can be read once only, is taken for a table."""
    if not path.is_file():
        return True
    with _opened(path) as file:
        start = file.read(4096).lstrip(b"\xef\xbb\xbf \t\r\n")
    return bool(start) and start[:1] not in b"{["


def read_register(path: Path, measures: Measures, read: Callable[[int], None] = lambda _: None) -> Register:
    """All rows of a table; `read` is told of each. Raises NotUnderstood, with a sentence, for a file that is no table,
    is damaged, or whose headings name no weight and no gestational age, or one of them twice."""
    unread: Counter[tuple[str, str]] = Counter()
    rows: list[_Row] = []
    with _opened(path) as file:
        lines = io.TextIOWrapper(file, "utf-8-sig", errors="replace", newline="")
        first = lines.readline()
        if "\x00" in first:
            raise NotUnderstood(f"{path.name} is not text; a table in CSV is wanted")
        delimiter = max(",;\t", key=first.count)
        headings = next(csv.reader([first], delimiter=delimiter), [])
        columns, unused = _recognise(headings, path.name)
        reader = _Reader(columns, measures, unread)
        try:
            for number, cells in enumerate(csv.reader(lines, delimiter=delimiter, strict=True), 2):
                if any(cell.strip() for cell in cells):
                    rows.append(reader.row(cells, number))
                    read(1)
        except csv.Error as error:
            raise NotUnderstood(f"{path.name} is not a table after row {len(rows) + 1}: {error}") from None
    ages = [row.gestation for row in rows]
    return Register(
        [row.id for row in rows],
        Infants(
            born=np.array([row.born for row in rows], "datetime64[D]"),
            youngest=np.array([MISSING if each is None else each.low for each in ages], np.int64),
            oldest=np.array([MISSING if each is None else each.high for each in ages], np.int64),
            grams=np.array([MISSING if row.grams is None else row.grams for row in rows], np.int64),
            at_risk=np.array([row.at_risk for row in rows], bool),
        ),
        unread,
        unused,
    )


@contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    """What a file holds, whether it is gzipped or not. Raises NotUnderstood where it is damaged."""
    with path.open("rb") as raw:
        zipped = raw.peek(2).startswith(b"\x1f\x8b")
        try:
            yield io.BufferedReader(gzip.GzipFile(fileobj=raw)) if zipped else raw
        except (EOFError, zlib.error, gzip.BadGzipFile):
            raise NotUnderstood(f"{path.name} is damaged: its compressed data is not what it says") from None


# --- headings ------------------------------------------------------------------------------------------------------

_AGES: Final = ("gestational_age_at_birth", "gestational_age", "gestation_at_birth", "gestation", "ga_at_birth", "ga",
                "gestational")  # fmt: skip
_WEIGHTS: Final = ("birth_weight", "birthweight", "bw", "weight_at_birth")
_WEEKS: Final = ("weeks", "week", "wks", "wk", "w", "completed_weeks")
_DAYS: Final = ("days", "day", "d")
_UNITS: Final = {"g": ("g", "gm", "gms", "gram", "grams"), "kg": ("kg", "kilograms"), "oz": ("oz", "ounces"),
                 "lb": ("lb", "lbs", "pounds")}  # fmt: skip

_NAMES: Final[Mapping[str, tuple[str, str | None]]] = {
    **{f"{word}{end}": ("id", None) for word in ("patient", "infant", "record", "case") for end in ("", "_id")},
    **dict.fromkeys(("id", "number"), ("id", None)),
    **dict.fromkeys(("born", "date_of_birth", "birth_date", "birthdate", "dob"), ("born", None)),
    **dict.fromkeys(("risk", "at_risk", "high_risk", "risk_flag", "risk_flags", "risk_factor", "risk_factors"),
                    ("risk", None)),
    **dict.fromkeys(_AGES, ("age", None)),
    **{f"{stem}_{word}": ("weeks", "wk") for stem in _AGES for word in _WEEKS},
    **{f"{stem}_{word}": ("days", "d") for stem in _AGES for word in _DAYS},
    **dict.fromkeys(("weeks", "completed_weeks", "weeks_of_gestation"), ("weeks", "wk")),
    **dict.fromkeys(("days_of_gestation",), ("days", "d")),
    **dict.fromkeys(_WEIGHTS, ("weight", "g")),
    **{f"{stem}{space}{word}": ("weight", unit) for stem in _WEIGHTS for unit, words in _UNITS.items()
       for word in words for space in ("_", "")},
}  # fmt: skip
"""What a plain heading means, and the unit of a bare number below it."""

MEANINGS: Final = {"id": "the id", "born": "the date of birth", "age": "the gestational age", "weeks": "weeks",
                   "days": "days", "weight": "the birth weight", "risk": "the risk"}  # fmt: skip


def _recognise(headings: list[str], name: str) -> tuple[dict[str, _Column], tuple[str, ...]]:
    columns: dict[str, _Column] = {}
    unused = []
    for place, heading in enumerate(headings):
        meaning, unit = _NAMES.get(re.sub(r"[\W_]+", "_", heading.casefold()).strip("_"), ("", None))
        if not meaning:
            unused.append(heading)
        elif meaning in columns:
            both = f"{quote(columns[meaning].heading)} and {quote(heading)}"
            raise NotUnderstood(f"{name}: {both} both name {MEANINGS[meaning]}; leave one of them out")
        else:
            columns[meaning] = _Column(place, heading.strip(), unit)
    if "age" in columns and columns.keys() & {"weeks", "days"}:
        other = columns.get("weeks") or columns["days"]
        both = f"{quote(columns['age'].heading)} and {quote(other.heading)}"
        raise NotUnderstood(f"{name}: {both} both name the gestational age; leave one of them out")
    if not columns.keys() & {"age", "weeks", "days", "weight"}:
        raise NotUnderstood(
            f"{name} is no register: the first row names neither birth_weight nor gestational_age_at_birth"
        )
    return columns, tuple(unused)


# --- cells ---------------------------------------------------------------------------------------------------------

_ABSENT: Final = frozenset({"", "na", "n/a", "nan", "nat", "null", "none", "unknown", "?", "-", "."})
_NO: Final = _ABSENT | {"no", "n", "0", "0.0", "false", "f"}
_DAY: Final = re.compile(r"(\d{4}-\d\d-\d\d)(?:[ T]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?", re.ASCII)


class _Reader:
    """Reads rows; what cannot be read is counted. The same text is read once: a register repeats itself."""

    def __init__(self, columns: Mapping[str, _Column], measures: Measures, unread: Counter[tuple[str, str]]) -> None:
        self._columns, self._measures, self._unread = columns, measures, unread
        self._weight = cache(lambda text: self._tried(lambda: self._grams(text)))
        self._age = cache(lambda texts: self._tried(lambda: self._gestation(*texts)))

    def row(self, cells: list[str], number: int) -> _Row:
        """One infant."""
        id, born, age, weeks, days, weight, risk = (
            self._cell(cells, meaning) for meaning in ("id", "born", "age", "weeks", "days", "weight", "risk")
        )
        return _Row(
            id or f"row {number}",
            self._counted(self._tried(lambda: self._day(born))),
            self._counted(self._age((age, weeks, days))),
            self._counted(self._weight(weight)),
            risk.casefold() not in _NO,
        )

    def _cell(self, cells: list[str], meaning: str) -> str:
        column = self._columns.get(meaning)
        text = cells[column.place].strip() if column and column.place < len(cells) else ""
        return "" if text.casefold() in _ABSENT else text

    def _tried(self, read: Callable[[], T]) -> T | Unreadable:
        try:
            return read()
        except Unreadable as error:
            return error

    def _counted(self, value: T | Unreadable) -> T | None:
        if not isinstance(value, Unreadable):
            return value
        self._unread[value.path, value.reason] += 1
        return None

    def _day(self, text: str) -> date | None:
        if not text:
            return None
        heading = self._columns["born"].heading
        match = _DAY.fullmatch(text)
        try:
            return date.fromisoformat(match[1] if match else "")
        except ValueError:
            raise Unreadable(heading, f"{quote(text)} is not a date; 2031-05-01 would be") from None

    def _grams(self, text: str) -> int | None:
        column = self._columns.get("weight")
        return read_weight_text(text, column.heading, column.unit, self._measures) if column and text else None

    def _gestation(self, text: str, weeks: str, days: str) -> Gestation | None:
        if text:
            heading = self._columns["age"].heading
            if re.fullmatch(r"\d+(\.\d+)?", text):
                hint = "gestational_age_weeks or gestational_age_days as the heading would say which"
                raise Unreadable(heading, f"{quote(text)} may be weeks or days; {hint}")
            return read_age_text(text, heading, None, self._measures)
        if weeks and days:
            return age_of_parts(self._amount(weeks, "weeks"), self._amount(days, "days"))
        if weeks or days:
            column = self._columns["weeks" if weeks else "days"]
            return read_age_text(weeks or days, column.heading, column.unit, self._measures)
        return None

    def _amount(self, text: str, meaning: str) -> Amount:
        column = self._columns[meaning]
        return Amount(written_number(text, column.heading), column.unit, column.heading)
