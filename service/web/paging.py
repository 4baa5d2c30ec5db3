"""A long list, part by part: every row can be reached, and the page stays one that a phone can show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, Final
from urllib.parse import urlencode

from fastapi import Query

LENGTH: Final = 100
"""Rows of a part."""

From = Annotated[int, Query(alias="from", ge=0, le=1_000_000_000)]
"""With which row a part begins; the first is 0."""


@dataclass(frozen=True, slots=True)
class Part:
    """Rows `begin` and so on of `total`, on the page with this address and query."""

    rows: Sequence[Any]
    begin: int
    total: int
    path: str
    kept: Mapping[str, str] = field(default_factory=dict)
    length: int = LENGTH

    @classmethod
    def of(cls, rows: Sequence[Any], begin: int, path: str) -> Part:
        """A part of rows that are all at hand."""
        return cls(rows[begin : begin + LENGTH], begin, len(rows), path)

    @property
    def first(self) -> int:
        """The number of its first row, as people count."""
        return self.begin + 1

    @property
    def last(self) -> int:
        return self.begin + len(self.rows)

    @property
    def before(self) -> str:
        """The address of the part before; "" where there is none."""
        return self._at(max(0, self.begin - self.length)) if self.begin else ""

    @property
    def after(self) -> str:
        """The address of the part after; "" where there is none."""
        return self._at(self.last) if self.last < self.total and self.rows else ""

    def _at(self, begin: int) -> str:
        query = {**self.kept, "from": str(begin)} if begin else self.kept
        asked = urlencode({name: value for name, value in query.items() if value})
        return f"{self.path}?{asked}" if asked else self.path
