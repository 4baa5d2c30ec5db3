"""A line of days in an SVG: places along it in percent, words beside places, and what stands above what so that nothing
is written over something else. How wide words are is guessed from their number, on the wide side."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from markupsafe import escape

LETTER: Final = 8.4
"""Pixels of a letter, on average, in bold at 14 pixels."""
_WEEK: Final = 40
_WIDEST: Final = 2400
_WEEK_NAMED: Final = 50


@dataclass(frozen=True, slots=True)
class Axis:
    """Postmenstrual ages in days from `start` to before `end`, of an infant born on a day at the age `birth`."""

    born: date
    birth: int
    start: int
    end: int

    @property
    def width(self) -> int:
        """The pixels it needs at least: a week has the room that two exams in it need, unless there are very many."""
        return min(_WIDEST, round((self.end - self.start) / 7 * _WEEK))

    def age(self, day: date) -> int:
        """Postmenstrual age in days."""
        return self.birth + (day - self.born).days

    def day(self, age: int) -> date:
        """The day of an age."""
        return self.born + timedelta(days=age - self.birth)

    def shows(self, day: date) -> bool:
        """Whether the day is on it."""
        return self.start <= self.age(day) < self.end

    def percent(self, age: float) -> float:
        """How far along an age is, 0 to 100 for what it shows."""
        return 100 * (age - self.start) / (self.end - self.start)

    def middle(self, day: date) -> float:
        """How far along the middle of a day is."""
        return self.percent(self.age(day) + 0.5)

    def pixels(self, percent: float) -> float:
        """A place in pixels, at the least width."""
        return percent * self.width / 100

    def weeks(self) -> Iterator[int]:
        """The ages at which a week is written: as many as have room."""
        room = self.width / ((self.end - self.start) / 7)
        step = next((step for step in (1, 2, 4, 8, 16) if step * room >= _WEEK_NAMED), 32) * 7
        yield from range(-(-self.start // step) * step, self.end, step)


@dataclass(frozen=True, slots=True)
class Words:
    """Words in place (`svg`), and the pixels along the axis that they take at the least width."""

    svg: str
    start: float
    end: float


def text(words: str, x: str | float, y: float, kind: str = "", anchor: str = "middle") -> str:
    """A text element; `kind` is its class."""
    return f'<text class="{kind}" x="{x}" y="{y}" text-anchor="{anchor}">{escape(words)}</text>'


def at(percent: float, body: str, y: float = 0) -> str:
    """Things measured in pixels, about a place."""
    return f'<svg x="{percent:.2f}%" y="{y}" overflow="visible">{body}</svg>'


def beside(
    words: str, percent: float, y: float, axis: Axis, gap: float = 8, kind: str = "", since: float | None = None
) -> Words:
    """Words beside a place, behind it where there is room, else before it; of a stretch that ends there, before the
    place `since` where it begins."""
    place, wide = axis.pixels(percent), len(words) * LETTER + gap
    if place + wide <= axis.width:
        return Words(at(percent, text(words, gap, 0, kind, "start"), y), place, place + wide)
    begins = percent if since is None else since
    place = axis.pixels(begins)
    return Words(at(begins, text(words, -gap, 0, kind, "end"), y), place - wide, place)


def stack(stretches: Iterable[tuple[float, float]]) -> list[int]:
    """For each stretch, the first storey on which it stands free of those before it."""
    taken: list[list[tuple[float, float]]] = []
    storeys = []
    for start, end in stretches:
        free = (n for n, others in enumerate(taken) if all(end <= low or high <= start for low, high in others))
        storey = next(free, len(taken))
        if storey == len(taken):
            taken.append([])
        taken[storey].append((start, end))
        storeys.append(storey)
    return storeys
