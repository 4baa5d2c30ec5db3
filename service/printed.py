"""The worklist and one infant as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, Final

from service.core.ages import Gestation
from service.core.decision import Decision, Reason, on_day
from service.core.infant import Fact
from service.core.worklist import Entry, days_over
from service.flow import InfantView
from service.terminal import clean, draw_table, width_of
from service.web.api import decision_json
from service.web.view import SURETY, describe, say_ages, say_missing, say_task

CSV_HEADINGS: Final = (
    "rank", "site", "unit", "bed", "name", "identifier", "standing", "task", "opens", "due", "closes", "days_over",
    "gestational_age_at_birth", "birth_weight_g", "postnatal_days", "postmenstrual_age", "left_hospital", "policy",
    "rule", "reason", "source", "flags",
)  # fmt: skip


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
            str(rank), row.standing, *(_short(each, day) for each in (window.opens, window.due, window.closes)),
            row.name, entry.identifier or "-", where, entry.bed.removeprefix("Bed ") or "-",
            ages.gestation or "?", f"{weight} g" if weight else "?", ages.postmenstrual or "?",
        )  # fmt: skip
        left = "left hospital. " if entry.left_hospital else ""
        rows.append((cells, f"{left}{row.task}: {_reason(entry.decision)}"))
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


def list_cells(
    entries: Iterable[Entry], today: Mapping[str, date], site_names: Mapping[str, str]
) -> Iterable[Sequence[str | int | None]]:
    """The cells of the list under CSV_HEADINGS."""
    for rank, entry in enumerate(entries, start=1):
        day, decision, window = today[entry.site], entry.decision, entry.window
        row, ages = describe(entry, day, site_names[entry.site]), on_day(entry.decision, day).ages
        yield (
            rank, entry.site, entry.unit, entry.bed, entry.name, entry.identifier, row.standing, row.task,
            window.opens.isoformat(), window.due.isoformat(), window.closes.isoformat(), days_over(entry, day),
            ages.gestation, decision.birth_weight, ages.postnatal_days, ages.postmenstrual,
            "yes" if entry.left_hospital else "no", f"{decision.policy} revision {decision.revision}",
            decision.next.reason.rule, decision.next.reason.text, decision.next.reason.cite, "; ".join(decision.flags),
        )  # fmt: skip


def draw_infant(view: InfantView, as_of: date, width: int) -> str:
    """Everything behind one infant's next date: what is due and why, what is missing, the facts and where each came
    from, what could not be read, and what was decided before."""
    decision = on_day(view.decision, as_of)
    infant, step, lines = view.infant, decision.next, _Lines(width)
    who = " · ".join(part for part in (infant.name or "name not known", infant.identifier, view.site.name) if part)
    lines.say(who)
    lines.say(f"Patient {view.patient} at {view.site.id}; key {view.key}")
    lines.say(f"As of {as_of.isoformat()}, under {decision.policy} revision {decision.revision}")
    if infant.in_hospital is False:
        lines.say(f"Left hospital{f' on {infant.left_on.isoformat()}' if infant.left_on else ''}")

    lines.head("Next")
    if step.window is None:
        lines.item(f"nothing is due: {decision.state.replace('-', ' ')}")
    else:
        window = step.window
        lines.item(say_task(step.kind, decision.missing))
        lines.item(f"from {window.opens}, due {window.due}, last day {window.closes}")
        if as_of > window.closes:
            over = (as_of - window.closes).days
            lines.item(f"LATE: {over} {'day' if over == 1 else 'days'} past the last day")
        _say_reason(lines, step.reason)

    lines.head("Ages")
    for label, value in say_ages(decision.ages, decision.birth_weight):
        lines.item(f"{label}: {value}")

    lines.head(f"Eligible: {decision.eligible}")
    for reason in decision.because:
        _say_reason(lines, reason)
    for flag in decision.flags:
        lines.item(flag)

    lines.head("Missing")
    lines.item(say_missing(decision.missing) if decision.missing else "nothing that would change the answer")

    lines.head("Facts")
    for fact in sorted(view.facts, key=lambda f: (f.name, f.resource, f.version.updated)):
        old = "" if fact in view.current else "; replaced by a newer version"
        doubt = "" if fact.certain else "; may mean something else"
        lines.item(f"{fact.name.replace('_', ' ')}: {_say_value(fact)}")
        lines.item(f"    {fact.resource}, version of {_when(fact.version.updated)}{doubt}{old}")

    if view.rejections:
        lines.head("Could not be read")
        for rejection in view.rejections:
            lines.item(f"{rejection['resource']} {rejection['path']}: {rejection['reason']}")

    lines.head("Decided")
    for decided_at, earlier in view.history:
        window_then = earlier.next.window
        dates = f"due {window_then.due}, last day {window_then.closes}" if window_then else "nothing due"
        lines.item(f"{decided_at:%Y-%m-%d %H:%M} UTC: {earlier.state.replace('-', ' ')}, {dates}")
    return str(lines)


def infant_json(view: InfantView, as_of: date) -> dict[str, Any]:
    """The same for a program: the decision as `assess` prints it, with facts, sources, rejections and history."""
    return {
        "patient": view.patient,
        "site": view.site.id,
        "key": view.key,
        "name": view.infant.name,
        "identifier": view.infant.identifier,
        "in_hospital": view.infant.in_hospital,
        **decision_json(on_day(view.decision, as_of), as_of),
        "facts": [
            {
                "name": fact.name, "value": dict(fact.value), "resource": fact.resource, "version": fact.version.label,
                "updated": fact.version.updated, "rank": fact.rank, "certain": fact.certain,
                "current": fact in view.current,
            }
            for fact in view.facts
        ],
        "rejected": [
            {key: each[key] for key in ("resource", "path", "about", "reason")} for each in view.rejections
        ],
        "history": [
            {"decided_at": at.isoformat(), **decision_json(earlier, earlier.as_of)} for at, earlier in view.history
        ],
    }  # fmt: skip


class _Lines:
    """Text under headings, wrapped to a width."""

    def __init__(self, width: int) -> None:
        self._width, self._lines = max(width, 40), list[str]()

    def say(self, text: str, indent: str = "") -> None:
        kept = len(text) - len(text.lstrip())
        margin = indent + " " * kept
        self._lines += textwrap.wrap(
            clean(text.strip()), self._width, initial_indent=margin, subsequent_indent=margin + "  ",
            break_long_words=False, break_on_hyphens=False,
        )  # fmt: skip

    def head(self, text: str) -> None:
        self._lines += ["", text]

    def item(self, text: str) -> None:
        self.say(text, "  ")

    def __str__(self) -> str:
        return "\n".join(self._lines)


def _say_reason(lines: _Lines, reason: Reason) -> None:
    lines.item(f"{reason.text}")
    source = f"    rule {reason.rule}" + (f", {reason.cite}" if reason.cite else "")
    lines.item(f"{source}; {SURETY.get(reason.provenance, reason.provenance)}")


def _when(instant: str) -> str:
    """`2031-06-01 08:00 UTC` of a version's UTC text."""
    return f"{instant[:10]} {instant[11:16]} UTC"


def _say_value(fact: Fact) -> str:
    """A fact's value in words."""
    value = fact.value
    match fact.name:
        case "gestation":
            return str(Gestation(int(value["low"]), int(value["high"])))
        case "birth_weight":
            return f"{value['grams']} g"
        case "born":
            return str(value["low"] if value["low"] == value["high"] else f"{value['low']} to {value['high']}")
        case "name" | "sex" | "risk" | "mother" | "replaced_by":
            return str(next(iter(value.values())))
        case "identifier":
            return f"{value['value']} of {value['system']}"
        case "unreadable":
            return f"{str(value['of']).replace('_', ' ')}: {value['reason']}"
        case "stay":
            return _say_stay(value)
        case _:
            said = [f"{key.replace('_', ' ')} {given}" for key, given in value.items() if given is not None]
            return ", ".join(said) or "yes"


def _say_stay(value: Mapping[str, Any]) -> str:
    place = value.get("place_text") or value.get("place")
    parts = [
        "in hospital" if value.get("open") else "ended",
        f"at {place}" if place else "",
        f"from {value['since']}" if value.get("since") else "",
        f"to {value['until']}" if value.get("until") else "",
        f"({value['disposition']})" if value.get("disposition") else "",
    ]
    return " ".join(part for part in parts if part)
