"""What the command line prints: aligned tables, guarded CSV, progress on standard error."""

from __future__ import annotations

import csv
import io
import shutil
import textwrap
import time
import unicodedata
from collections.abc import Iterable, Sequence
from types import TracebackType
from typing import Final, TextIO

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What makes a spreadsheet read a cell as a formula (OWASP, "CSV Injection")."""


def clean(text: str) -> str:
    """`text` on one line without control, direction or other invisible characters: a name sent by a site may carry
    sequences that a terminal obeys."""
    kept = (" " if character.isspace() else character for character in text)
    return "".join(character for character in kept if unicodedata.category(character) not in _INVISIBLE)


_INVISIBLE: Final = frozenset({"Cc", "Cf", "Co", "Cs", "Zl", "Zp"})


WIDE: Final = 160
"""Columns when standard output is not a terminal."""


def width_here() -> int:
    """Columns of the terminal; WIDE where there is none."""
    return shutil.get_terminal_size((WIDE, 24)).columns or WIDE


def width_of(text: str) -> int:
    """Columns that `text` takes on a terminal: wide East Asian characters take two, combining marks none."""
    return sum(
        0 if unicodedata.combining(character) else 2 if unicodedata.east_asian_width(character) in "WF" else 1
        for character in text
    )


def draw_table(
    headings: Sequence[str],
    rows: Iterable[tuple[Sequence[str], str]],
    width: int,
    numeric: frozenset[int] = frozenset(),
) -> str:
    """Rows of aligned cells, each with a note. The note stands behind the cells where at least 40 columns are left of
    `width`, otherwise under them, indented and wrapped. `numeric` columns are set flush right."""
    cells = [([clean(cell) for cell in row], clean(note)) for row, note in rows]
    widths = [
        max(width_of(headings[n]), *(width_of(row[n]) for row, _ in cells)) if cells else width_of(headings[n])
        for n in range(len(headings))
    ]

    def line(row: Sequence[str]) -> str:
        padded = []
        for n, cell in enumerate(row):
            gap = " " * (widths[n] - width_of(cell))
            padded.append(gap + cell if n in numeric else cell + gap)
        return "  ".join(padded)

    taken = sum(widths) + 2 * len(widths)
    beside = width - taken >= 40
    lines = [line(headings).rstrip(), "  ".join("-" * n for n in widths)]
    for row, note in cells:
        indent = taken if beside else 4
        wrapped = textwrap.wrap(note, max(width - indent, 20)) or [""]
        if beside:
            lines.append(f"{line(row)}  {wrapped[0]}".rstrip())
            lines.extend(" " * taken + part for part in wrapped[1:])
        else:
            lines.append(line(row).rstrip())
            lines.extend("    " + part for part in wrapped if part)
    return "\n".join(lines)


def write_csv(headings: Sequence[str], rows: Iterable[Sequence[str | int | None]]) -> str:
    """Comma-separated text for a spreadsheet. Texts that a spreadsheet would run as a formula get an apostrophe in
    front; numbers stay numbers."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(headings)
    writer.writerows([_guard(cell) for cell in row] for row in rows)
    return out.getvalue()


def _guard(cell: str | int | None) -> str | int | None:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell


class Progress:
    """Says on `stream` how far a long job is: one line that rewrites itself on a terminal, else a plain line every few
    seconds. `total` may be unknown. Use as a context manager; short jobs say nothing but their last line."""

    def __init__(self, what: str, stream: TextIO, total: int | None = None) -> None:
        self._what, self._stream, self._total = clean(what), stream, total
        self._done = 0
        self._live = stream.isatty()
        self._pause = 0.1 if self._live else 2.0
        self._started = self._said = time.monotonic()

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        seconds = time.monotonic() - self._started
        end = "stopped" if kind else "done"
        self._say(f"{self._what}: {self._done:,} {end} in {seconds:.1f} s", last=True)

    def advance(self, by: int = 1) -> None:
        """Count `by` more done, and say so when it is time."""
        self._done += by
        now = time.monotonic()
        if now - self._said < self._pause:
            return
        self._said = now
        rate = self._done / (now - self._started)
        if self._total:
            share = min(self._done / self._total, 1.0)
            bar = ("#" * int(share * 20)).ljust(20, ".") if self._live else ""
            shown = f"[{bar}] " if bar else ""
            self._say(f"{self._what}: {shown}{share:.0%} ({self._done:,} of {self._total:,}, {rate:,.0f}/s)")
        else:
            self._say(f"{self._what}: {self._done:,} ({rate:,.0f}/s)")

    def _say(self, line: str, last: bool = False) -> None:
        if self._live:
            self._stream.write("\r\x1b[K" + line + ("\n" if last else ""))
        else:
            self._stream.write(line + "\n")
        self._stream.flush()
