"""TOML read strictly: every key is asked for by name; one nobody asked for is an error that says what is known."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from service.errors import ConfigurationError

_T = TypeVar("_T")


class Table:
    """One table and where it stands; call `done` after the last key. Errors are ConfigurationError with the path."""

    def __init__(self, data: object, where: str) -> None:
        if not isinstance(data, dict):
            raise ConfigurationError(where, "must be a table")
        self._data, self.where, self._asked = data, where, list[str]()

    def take(self, key: str, kind: type[_T], what: str) -> _T | None:
        """The value under a key if it is of this kind, or None. Raises ConfigurationError, as all do."""
        self._asked.append(key)
        value = self._data.get(key)
        odd = isinstance(value, bool) and kind not in (bool, object)
        if value is not None and (odd or not isinstance(value, kind)):
            raise ConfigurationError(f"{self.where}.{key}", f"must be {what}")
        return value

    def need(self, key: str, value: _T | None) -> _T:
        """A value that must be there."""
        if value is None:
            raise ConfigurationError(f"{self.where}.{key}", "is missing")
        return value

    def text(self, key: str) -> str | None:
        """A text; None where there is none."""
        value = self.take(key, str, "text")
        if value is not None and not value.strip():
            raise ConfigurationError(f"{self.where}.{key}", "must not be empty")
        return value

    def need_text(self, key: str) -> str:
        """A text that must be there."""
        return self.need(key, self.text(key))

    def word(self, key: str, allowed: tuple[str, ...], default: str | None = None) -> str:
        """One of the allowed words, or the default."""
        value = self.need(key, self.text(key) or default)
        if value not in allowed:
            raise ConfigurationError(f"{self.where}.{key}", f"{value!r} is not known here", allowed)
        return value

    def matching(self, key: str, pattern: re.Pattern[str], what: str) -> str | None:
        """A text of a certain shape."""
        value = self.text(key)
        if value is not None and not pattern.fullmatch(value):
            raise ConfigurationError(f"{self.where}.{key}", f"{value!r} is not {what}")
        return value

    def integer(self, key: str) -> int | None:
        """A whole number."""
        return self.take(key, int, "a whole number")

    def flag(self, key: str) -> bool | None:
        """True or false."""
        return self.take(key, bool, "true or false")

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; one text alone counts as a list of one."""
        self._asked.append(key)
        value = self._data.get(key, [])
        value = [value] if isinstance(value, str) else value
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            raise ConfigurationError(f"{self.where}.{key}", "must be a list of texts")
        return tuple(value)

    def table(self, key: str) -> Table | None:
        """The table under a key."""
        value = self.take(key, dict, "a table")
        return None if value is None else Table(value, f"{self.where}.{key}")

    def tables(self, key: str) -> list[Table]:
        """The tables under a key, each with its place in the file."""
        value = self.take(key, list, "a list of tables") or []
        return [Table(item, f"{self.where}.{key}[{n}]") for n, item in enumerate(value)]

    def values(self, key: str) -> dict[str, Any]:
        """A table of anything, as it is; it must be there."""
        return dict(self.need(key, self.take(key, dict, "a table")))

    def mapping(self, key: str) -> dict[str, str]:
        """A table of texts."""
        value = self.take(key, dict, "a table of texts") or {}
        if bad := next((k for k, v in value.items() if not isinstance(v, str) or not v.strip()), None):
            raise ConfigurationError(f"{self.where}.{key}.{bad}", "must be text")
        return dict(value)

    def done(self) -> None:
        """Refuse every key that nobody asked for."""
        if unknown := next((key for key in self._data if key not in self._asked), None):
            raise ConfigurationError(f"{self.where}.{unknown}", "is not a key known here", tuple(self._asked))


def read_toml(path: Path) -> dict[str, Any]:
    """The data of a TOML file. Raises ConfigurationError, also when it is not there."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise ConfigurationError(path.name, "does not exist") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigurationError(path.name, f"is not valid TOML: {error}") from None
