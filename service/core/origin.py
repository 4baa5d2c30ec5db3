"""Where a rule's numbers come from, and the strict reading of the files that hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol, TypeVar

from service.errors import ConfigurationError

PROVENANCE: Final = ("read", "memory", "practice", "computed")
CONFIDENCE: Final = ("high", "medium", "low")
ORIGIN_KEYS: Final = ("cite", "provenance", "confidence", "unconfirmed", "note")


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a rule's numbers come from."""

    cite: str
    provenance: str
    confidence: str
    unconfirmed: bool
    note: str

    @property
    def surety(self) -> str:
        """How sure the numbers are, as a Reason says it: the provenance, or "unconfirmed"."""
        return "unconfirmed" if self.unconfirmed else self.provenance


class Rule(Protocol):
    """Anything a file gives a name to."""

    @property
    def id(self) -> str:
        """The name, once in a file."""


R = TypeVar("R", bound=Rule)


def origin(data: Mapping[str, Any], where: str) -> Origin:
    """The Origin keys of a rule. Raises ConfigurationError."""
    provenance, confidence = text(data, "provenance", where), text(data, "confidence", where)
    if provenance not in PROVENANCE:
        raise ConfigurationError(f"{where}.provenance", f"{provenance!r} is not a provenance", PROVENANCE)
    if confidence not in CONFIDENCE:
        raise ConfigurationError(f"{where}.confidence", f"{confidence!r} is not a confidence", CONFIDENCE)
    unconfirmed = data.get("unconfirmed", False)
    if not isinstance(unconfirmed, bool):
        raise ConfigurationError(f"{where}.unconfirmed", "must be true or left out")
    if confidence == "low" and not unconfirmed:
        raise ConfigurationError(f"{where}.unconfirmed", "a rule of low confidence must say unconfirmed = true")
    note = text(data, "note", where) if "note" in data else ""
    return Origin(text(data, "cite", where), provenance, confidence, unconfirmed, note)


def text(data: Mapping[str, Any], key: str, where: str) -> str:
    """A text that must be there and not empty. Raises ConfigurationError."""
    value = data.get(key)
    if not isinstance(value, str) or not value.strip():
        raise ConfigurationError(f"{where}.{key}", "must be a text and is missing or empty")
    return value


def tables(data: Mapping[str, Any], key: str, where: str) -> Sequence[Mapping[str, Any]]:
    """All tables under `[[key]]`; none when there are none. Raises ConfigurationError."""
    found = data.get(key, [])
    if not isinstance(found, list) or not all(isinstance(table, Mapping) for table in found):
        raise ConfigurationError(f"{where}: {key}", f"write each one under its own [[{key}]]")
    return found


def numbered(data: Mapping[str, Any], key: str, where: str) -> list[tuple[Mapping[str, Any], str]]:
    """`tables`, each with its place in the file for errors."""
    return [(table, f"{where}: {key}[{n}]") for n, table in enumerate(tables(data, key, where))]


def only(data: Mapping[str, Any], allowed: Sequence[str], where: str) -> None:
    """Refuse every key but the allowed ones. Raises ConfigurationError with the words allowed."""
    for key in data:
        if key not in allowed:
            raise ConfigurationError(where, f"unknown key {key!r}", tuple(allowed))


def merge(rules: Sequence[R], changes: Sequence[R]) -> tuple[R, ...]:
    """The rules with each change in the place of the rule of its id, and what is new at the end."""
    changed = {rule.id: rule for rule in changes}
    known = {rule.id for rule in rules}
    return (*(changed.get(rule.id, rule) for rule in rules), *(rule for rule in changes if rule.id not in known))


def unique(ids: Sequence[str], where: str) -> None:
    """Refuses an id that is used twice. Raises ConfigurationError."""
    if repeated := sorted({id for id in ids if ids.count(id) > 1}):
        raise ConfigurationError(where, f"the id {repeated[0]!r} is used twice")
