"""The short row of one infant as HTML, written here and not in a template: a list of thousands is made in a third of
the time. What is folded beneath a row, and its form in place, are the template's (`_line.html`).

Every word that comes from a record, a site or a catalogue is escaped where it is put in; there is no other way in.
"""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup, escape

from service.web.board import Line
from service.web.words import _


class Lines:
    """Draws the rows of one list. `marks` holds the shape of each section; `query` is what stands in the address of
    every link; `linked`: the page has a server; `live`: something can be entered; `one_site`: the list is a unit's own,
    whose name need not be said; `act_words`: how a link to a sheet is said."""

    def __init__(
        self, marks: Mapping[str, Markup], act_words: Mapping[str, str], query: str, *, linked: bool, live: bool,
        one_site: bool,
    ) -> None:  # fmt: skip
        self._marks, self._query = marks, escape(query)
        self._linked, self._live, self._one_site = linked, live, one_site
        self._acts = {words: escape(said) for words, said in act_words.items()}
        self._bed, self._no_bed, self._number = escape(_("Bed")), escape(_("no bed")), escape(_("Number"))
        self._age = Markup('<abbr title="{}">{}</abbr>').format(_("postmenstrual age"), _("PMA"))
        self._last, self._hand_over = escape(_("Last exam")), escape(_("Hand over"))
        self._left = escape(_("Left hospital"))
        self._nobody = escape(_("Left hospital, nobody is on record who takes over"))

    def draw(self, line: Line, beside: Markup | str = "") -> Markup:
        """The row; `beside` is what else is near, drawn already."""
        row = line.row
        key, name = escape(row.key), escape(row.name)
        whole = f'<a href="/infant/{key}{self._query}">{name}</a>' if self._linked else name
        where = row.entry.unit if self._one_site else row.site_name
        bed = (
            f'<span class="spoken">{self._bed} </span>{escape(line.bed)}' if line.bed
            else f'<span class="lesser">{self._no_bed}</span>'
        )  # fmt: skip
        mark = self._marks["overdue" if row.late else row.section]
        parts = [
            f'<article class="line" aria-labelledby="name-{key}"><p class="standing">{mark} {escape(row.standing)}</p>',
            f'<p class="bed">{bed} <span class="lesser">{escape(where)}</span></p>',
            f'<div class="who"><h3 id="name-{key}">{whole}</h3>',
        ]
        if row.identifier:
            number = escape(row.identifier)
            parts.append(f' <span class="identifier"><span class="spoken">{self._number} </span>{number}</span>')
        if row.left_hospital:
            parts.append(f' <span class="tag strong">{self._nobody if row.needs_hand_over else self._left}</span>')
        days = f' <span class="lesser">{escape(line.days)}</span>' if line.days else ""
        advice = f' <span class="lesser">{escape(row.advice)}</span>' if row.advice else ""
        parts.append(
            f'</div><p class="age">{self._age} {escape(line.age)}{days}</p><div class="what"><p><span class="task">'
            f'{escape(row.task)}</span> <span class="dates">{escape(row.dates)}</span>{advice}</p>'
        )
        if line.round:
            drops = f" · <strong>{escape(line.drops)}</strong>" if line.drops else ""
            parts.append(f'<p class="round">{escape(line.round)}{drops}</p>')
        if row.last:
            parts.append(f'<p class="last"><span class="label">{self._last}</span> {escape(row.last)}</p>')
        if row.put_off:
            parts.append(f'<p class="put-off">{escape(row.put_off)}</p>')
        if row.decision.bookings:
            if booked := row.booked:
                parts.append(f'<p class="booked">{escape(booked)}</p>')
            parts += [f'<p class="lost">{escape(words)}</p>' for words in row.booking_flags]
        parts += [f'<p class="lost">{escape(words)}</p>' for words in line.lost]
        parts.append(f"{escape(beside)}</div>{self._draw_acts(line, key, name)}</article>")
        return Markup("".join(parts))  # noqa: S704 -- every piece above is escaped or our own

    def _draw_acts(self, line: Line, key: Markup, name: Markup) -> str:
        row = line.row
        if not (self._linked and self._live and row.act) or (row.unjudged and line.fill):
            return ""
        spoken = f'<span class="spoken"> {name}</span>'
        acts = f'<a class="act" href="/infant/{key}/{row.act[0]}">{self._acts[row.act[1]]}{spoken}</a>'
        if row.needs_hand_over:
            acts += f' <a class="act" href="/infant/{key}/hand-over">{self._hand_over}{spoken}</a>'
        return f'<p class="acts">{acts}</p>'
