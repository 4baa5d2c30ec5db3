"""JSON as it comes in, read exactly and without trust.

Numbers stay exact: JSON numbers become `Decimal`, never a float, so 1120.50 g or a 16-digit kilogram is what the
sender wrote. The standard parser with `parse_float=Decimal` is fast enough (tens of microseconds a resource).

An `Element` is a JSON object and the place it stands at. Asking it for a child of one kind gives that kind, None when
it is absent, or raises `Unreadable` with the path, so that no reader can trip over a wrong type.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from service.errors import NotUnderstood

DEEPEST: Final = 100
"""Levels of nesting; real resources have fewer than twenty."""

LONGEST_NUMBER: Final = 40
"""Characters of an integer that is still worth reading as one."""


class Unreadable(NotUnderstood):
    """A place in a resource that cannot be read without guessing; `reason` is a sentence for people at the site,
    `about` the name of the fact it would have been, where only the place that raises this knows."""

    def __init__(self, path: str, reason: str, about: str = "") -> None:
        self.path, self.reason, self.about = path, reason, about
        super().__init__(f"{path}: {reason}")


class Twice:
    """Stands for the value of a key that one object holds twice with different values: nobody knows which is meant."""

    def __repr__(self) -> str:
        return "given twice"


def parse_json(text: str) -> Any:
    """The JSON value of a text, numbers as int or Decimal. Raises Unreadable (path "") with what is wrong."""
    try:
        return _decode(text)
    except RecursionError:
        raise Unreadable("", "is nested too deeply to be a FHIR resource") from None
    except json.JSONDecodeError as error:
        raise Unreadable("", f"is not JSON: {error.msg} at line {error.lineno}, column {error.colno}") from None


def _pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) < len(pairs):
        first: dict[str, Any] = {}
        for key, value in pairs:
            if key in first and first[key] != value:
                result[key] = Twice()
            first.setdefault(key, value)
    return result


def _integer(text: str) -> int | Decimal:
    return int(text) if len(text) <= LONGEST_NUMBER else _decimal(text)


def _decimal(text: str) -> Decimal:
    try:
        return Decimal(text)
    except InvalidOperation:  # an exponent beyond all bounds
        return Decimal("NaN")


_decode = json.JSONDecoder(
    object_pairs_hook=_pairs, parse_float=_decimal, parse_int=_integer, parse_constant=lambda _: Decimal("NaN")
).decode


def clean(text: str, longest: int = 1000) -> str:
    """Text that a database and a page can hold: no lone surrogate, NUL or control character; blanks made single."""
    text = text[:longest]
    if not text.isprintable():
        text = "".join("\ufffd" if not (ch.isprintable() or ch.isspace()) else ch for ch in text)
    return " ".join(text.split())


def quote(value: object) -> str:
    """A value as a sentence can show it: short, and never unprintable."""
    if isinstance(value, Decimal):
        return shown(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    text = clean(str(value) if isinstance(value, (str, int, float)) else "", 60)
    return f'"{text}"' if isinstance(value, str) else text


def shown(number: Decimal) -> str:
    """A number in plain digits where that is short: 1.12E+3 as 1120."""
    text = str(number)
    return f"{number:f}" if "E" in text and number.is_finite() and -20 <= number.adjusted() <= 20 else text[:40]


def kind(value: object) -> str:
    """What a JSON value is, in words."""
    if isinstance(value, Twice):
        return "given twice with different values"
    if isinstance(value, bool):
        return "true or false"
    names = {dict: "an object", list: "a list", str: "text", int: "a number", float: "a number", Decimal: "a number"}
    return names.get(type(value), "nothing that JSON has")


def excess(value: object) -> str | None:
    """Why a value is beyond anything a resource holds (nesting, numbers without end); None when it is not."""
    level = [value]
    for _ in range(DEEPEST):
        level = [
            child
            for node in level
            if isinstance(node, (dict, list))
            for child in (node.values() if isinstance(node, dict) else node)
        ]
        if not level:
            return None
        if any(isinstance(node, int) and node.bit_length() > LONGEST_NUMBER * 4 for node in level):
            return "holds a number longer than any that is meant"
    return "is nested too deeply to be a FHIR resource"


@dataclass(frozen=True, slots=True)
class Element:
    """A JSON object and its path, as `Observation.component[1].code`.

    null, blank text, [] and {} count as absent: FHIR forbids them, senders send them, and they say nothing.
    """

    fields: Mapping[str, Any]
    path: str

    def at(self, key: str) -> str:
        """The path of an element below this one, as rejections show it."""
        return f"{self.path}.{key}" if self.path else key

    def has(self, key: str) -> bool:
        """Whether something is there at all."""
        value = self.fields.get(key)
        blank = not value.strip() if isinstance(value, str) else isinstance(value, (list, dict)) and not value
        return value is not None and not blank

    def _get(self, key: str, wanted: type | tuple[type, ...], words: str) -> Any:
        if not self.has(key):
            return None
        value = self.fields[key]
        if not isinstance(value, wanted) or (isinstance(value, bool) and wanted is not bool):
            raise Unreadable(self.at(key), f"is {kind(value)}, should be {words}")
        return value

    def element(self, key: str) -> Element | None:
        """A child object."""
        value = self._get(key, dict, "an object")
        return None if value is None else Element(value, self.at(key))

    def elements(self, key: str) -> list[Element]:
        """A list of objects; nulls in it are passed over. Raises when it is no list or holds anything else."""
        items = self._get(key, list, "a list") or []
        found = []
        for n, item in enumerate(items):
            if isinstance(item, dict):
                found.append(Element(item, f"{self.at(key)}[{n}]"))
            elif item is not None:
                raise Unreadable(f"{self.at(key)}[{n}]", f"is {kind(item)}, should be an object")
        return found

    def text(self, key: str) -> str | None:
        """A text without surrounding blanks; None when there is nothing but blanks."""
        value = self._get(key, str, "text")
        return None if value is None else (value.strip() or None)

    def flag(self, key: str) -> bool | None:
        """The boolean under a key; None where there is none."""
        value = self._get(key, bool, "true or false")
        return None if value is None else bool(value)

    def number(self, key: str) -> Decimal | None:
        """An exact number. A number written as text is no number here. Raises for NaN and infinity."""
        value = self._get(key, (int, float, Decimal), "a number")
        if value is None:
            return None
        number = Decimal(repr(value)) if isinstance(value, float) and math.isfinite(value) else Decimal(value)
        if not number.is_finite():
            raise Unreadable(self.at(key), "is not a number that can be read")
        return number

    def texts(self, key: str) -> list[str]:
        """A list of texts; what is not text is passed over."""
        items = self._get(key, list, "a list") or []
        return [item.strip() for item in items if isinstance(item, str) and item.strip()]

    def extensions(self, key: str = "extension") -> list[Element]:
        """Extensions, as far as they can be read: an odd one never spoils the element it stands on."""
        value = self.fields.get(key)
        items = value if isinstance(value, list) else []
        return [Element(item, f"{self.at(key)}[{n}]") for n, item in enumerate(items) if isinstance(item, dict)]

    def refuse_modifiers(self) -> None:
        """Raises Unreadable where an extension changes what the whole says (R4, 2.4.2): nobody here knows how."""
        if modifiers := self.extensions("modifierExtension"):
            raise Unreadable(modifiers[0].path, "changes the meaning in a way not known here")

    def beside(self, key: str) -> Element:
        """The element that carries the extensions of a primitive: `_birthDate` of `birthDate`."""
        value = self.fields.get(f"_{key}")
        return Element(value if isinstance(value, dict) else {}, self.at(f"_{key}"))

    def absent_reason(self, key: str) -> bool:
        """Whether the sender says that this primitive's value is absent on purpose."""
        return any(e.fields.get("url") == DATA_ABSENT for e in self.beside(key).extensions())


DATA_ABSENT: Final = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
