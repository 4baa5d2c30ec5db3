"""A run chart as an inline SVG: a share of each month, the median of all, and beneath each month what it is a share of.

Along the months places are percentages, so the chart is as wide as its column and its letters stay readable; where
there are many months it is wider and is scrolled. No style attribute and no script; colours come from classes. Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from markupsafe import Markup, escape

from service.core.figures import Point, Runs

FEW: Final = 10
"""Fewer than so many: a ring instead of a dot, and no percentage (a choice of this project)."""
TOP: Final = 20
BOTTOM: Final = 170
HEIGHT: Final = 218
MONTH: Final = 52
"""Pixels that a month needs at least."""


def percent(share: float) -> str:
    """`83 %`."""
    return f"{round(100 * share)} %"


def draw_run_chart(
    points: Sequence[Point], runs: Runs, said: str, names: Sequence[tuple[str, str]], median_words: str
) -> Markup:
    """The chart of some months, oldest first. `said` is all of it in words, `names` each month's name and year,
    `median_words` what is written at the median. A month in which nothing was to be counted breaks the line."""
    width = MONTH * len(points)
    parts = [
        f'<line class="grid" x1="0" x2="100%" y1="{_height(share)}" y2="{_height(share)}"/>' for share in (0, 0.5, 1)
    ]
    if runs.median is not None:
        y = _height(runs.median)
        parts.append(f'<line class="median" x1="0" x2="100%" y1="{y}" y2="{y}"/>')
    last: tuple[float, float] | None = None
    dots = []
    for number, (point, (name, year)) in enumerate(zip(points, names, strict=True)):
        x = round(100 * (number + 0.5) / len(points), 3)
        parts.append(_text(name, x, BOTTOM + 19, "month"))
        parts.append(_text(year, x, BOTTOM + 33, "year"))
        if point.share is None:
            last = None
            parts.append(_text("–", x, BOTTOM + 47, "of"))
            continue
        y = _height(point.share)
        if last is not None:
            parts.append(f'<line class="run" x1="{last[0]}%" y1="{last[1]}" x2="{x}%" y2="{y}"/>')
        last = (x, y)
        dots.append(f'<circle class="{"few" if point.of < FEW else "many"}" cx="{x}%" cy="{y}" r="5"/>')
        parts.append(_text(f"{point.number}/{point.of}", x, BOTTOM + 47, "of"))
    if runs.median is not None:
        y = _height(runs.median) + (-6 if runs.median < 0.9 else 15)
        dots.append(f'<text class="median-words" x="0" dx="6" y="{y}">{escape(median_words)}</text>')
    scale = "".join(
        f'<text x="44" y="{_height(share) + 5}" text-anchor="end">{percent(share)}</text>' for share in (0, 0.5, 1)
    )
    return Markup(  # noqa: S704 -- every piece above is a number or escaped
        f'<div class="run-chart"><svg class="scale" width="48" height="{HEIGHT}" aria-hidden="true">{scale}</svg>'
        f'<div class="reel" tabindex="0" role="group" aria-label="{escape(said)}">'
        f'<svg class="plot" role="img" aria-label="{escape(said)}" width="{width}" height="{HEIGHT}">'
        f"{''.join(parts)}{''.join(dots)}</svg></div></div>"
    )


def _height(share: float) -> float:
    return round(BOTTOM - (BOTTOM - TOP) * share, 2)


def _text(words: str, x: float, y: int, kind: str) -> str:
    return f'<text class="{kind}" x="{x}%" y="{y}" text-anchor="middle">{escape(words)}</text>'
