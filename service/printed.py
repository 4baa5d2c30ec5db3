"""The worklist as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import date

from service.core.decision import Decision, NextStep, on_day
from service.core.worklist import Entry
from service.terminal import clean, draw_table, width_of
from service.web.view import describe, say_task


def draw_worklist(
    entries: Sequence[Entry], today: Mapping[str, date], site_names: Mapping[str, str], width: int
) -> str:
    """The ranked list in `width` columns: an aligned table with each row's reason beside or under it, or a paragraph
    for each infant where a table does not fit. `today` holds each site's day."""
    headings = ("#", "Standing", "From", "Due", "To", "Infant", "Number", "Site", "Bed", "At birth", "Weight", "Now")
    units: dict[str, set[str]] = {}
    for entry in entries:
        units.setdefault(entry.site, set()).add(entry.unit)
    rows = []
    for rank, entry in enumerate(entries, start=1):
        where = entry.unit if len(units[entry.site]) > 1 and entry.unit else site_names[entry.site]
        day = today[entry.site]
        row = describe(entry, day, site_names[entry.site])
        ages, window, weight = on_day(entry.decision, day).ages, entry.window, entry.decision.birth_weight
        cells = (
            str(rank), row.standing, _short(window.opens, day), _short(window.due, day),
            _short(window.closes, day) + _hour(entry.decision.next),
            row.name, entry.identifier or "-", where, entry.bed.removeprefix("Bed ") or "-",
            ages.gestation or "?", f"{weight} g" if weight else "?", ages.postmenstrual or "?",
        )  # fmt: skip
        left = "left hospital. " if entry.left_hospital else ""
        rows.append((cells, f"{left}{row.task}: {_reason(entry.decision)}{_beside(entry.decision, day)}"))
    table = draw_table(headings, rows, width, numeric=frozenset({0, 10}))
    if width_of(table.partition("\n")[0]) <= width:
        return table
    return "\n".join(_paragraph(cells, note, width) for cells, note in rows)


def _paragraph(cells: Sequence[str], note: str, width: int) -> str:
    rank, standing, opens, due, closes, name, number, site, bed, birth, weight, now = map(clean, cells)
    lines = (
        f"{name}, {number}, {site}, bed {bed}",
        f"from {opens}, due {due}, last day {closes}",
        f"at birth {_or_unknown(birth)}, {_or_unknown(weight)}; postmenstrual age {_or_unknown(now)}",
        clean(note),
    )
    wrapped = (textwrap.fill(line, max(width, 24), initial_indent="    ", subsequent_indent="    ") for line in lines)
    return "\n".join([f"{rank:>2}. {standing}", *wrapped])


def _or_unknown(value: str) -> str:
    return "not known" if value == "?" else value


def _short(day: date, today: date) -> str:
    return f"{day.day} {day:%b}" if day.year == today.year else f"{day.day} {day:%b} {day.year}"


def _reason(decision: Decision) -> str:
    step = decision.next.reason
    cite = f" ({step.cite})" if step.cite else ""
    return f"{step.text}{cite}"


def _hour(step: NextStep) -> str:
    """` 09:30` where a clock runs: the time at the site at which it runs out; else nothing."""
    return f" {step.by[11:16]}" if step.by else ""


def _beside(decision: Decision, today: date) -> str:
    """`. Also: record who takes over by 9 Jun, …`: all else that is asked for, each with its last day."""
    said = [
        f"{say_task(step.kind, decision.missing)}{f' ({step.eye} eye)' if step.eye else ''} by "
        f"{_short(step.window.closes, today)}{_hour(step)}"
        for step in decision.also
        if step.window is not None
    ]
    return f". Also: {'; '.join(said)}" if said else ""
