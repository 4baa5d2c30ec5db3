"""/figures: what was done in time and what was not, month by month: run charts with their numbers as text, and CSV.

The counting is `core/figures.py`; here are the words that say what is counted, the addition over sites, and the pages.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from service.core.figures import FIGURES, LOST_DAYS, Point, Runs, Tally, months_until, points, read_runs
from service.errors import NotFound
from service.figures import Figures
from service.flow import Flow
from service.terminal import write_csv
from service.web.looking import Look
from service.web.run_chart import FEW, draw_run_chart, percent
from service.web.words import N_, _, ngettext_, say_date

SPANS: Final = (12, 24, 36)
"""How many months may be asked for."""


@dataclass(frozen=True, slots=True)
class Share:
    """Part of a figure that is charted: its name, the outcomes that belong to it, and what that means."""

    name: str
    outcomes: tuple[str, ...]
    meaning: str


@dataclass(frozen=True, slots=True)
class Definition:
    """One figure in words: what is counted, what is charted of it, what is left out and why."""

    title: str
    counted: str
    shares: tuple[Share, ...]
    left_out: str


_LEFT_OUT: Final = N_(
    "Windows that are still open. Infants who died, whose course a named person closed, or who were handed over with "
    "place and date before the window closed: nobody here was to examine them any more. Infants about whom nothing can "
    "be said because a value is missing: they stand on the list until it is known. Exams that nobody had asked for."
)

DEFINITIONS: Final[Mapping[str, Definition]] = {
    "first-exam": Definition(
        N_("First exams on time"),
        N_(
            "Every infant for whom the edition in use asked for a first eye exam, in the month in which the last day "
            "of the window fell. An exam that saw neither eye completely has not been held."
        ),
        (
            Share(
                N_("First exams on time"), ("on-time",),
                N_("Held from the first to the last day of the window. An early exam is shown apart: it may have been "
                   "too soon to show disease."),
            ),
        ),
        _LEFT_OUT,
    ),
    "repeat-exam": Definition(
        N_("Repeat exams on time"),
        N_(
            "Every further exam that was asked for: by what the exam before had shown, or after a treatment. In the "
            "month in which the last day of the window fell."
        ),
        (
            Share(
                N_("Repeat exams on time"), ("on-time",), N_("Held from the first to the last day of the window."),
            ),
        ),
        _LEFT_OUT,
    ),
    "treatment": Definition(
        N_("Treated within 48 and 72 hours"),
        N_(
            "Every exam that found disease which has to be treated (type 1 or aggressive ROP) in an eye that was not "
            "waiting for treatment already, in the month of the third day after the exam. Both eyes of an infant count "
            "once, by the eye treated later."
        ),
        (
            Share(
                N_("Treated within 48 hours"), ("within-48",),
                N_("Treated on the day of the exam or the next: within 48 hours for certain. The day of a treatment is "
                   "on record, not its hour."),
            ),
            Share(
                N_("Treated within 72 hours"), ("within-48", "within-72"),
                N_("Treated by the second day after the exam: within 72 hours for certain. On the third day it may "
                   "still have been in time, and counts as later."),
            ),
        ),
        N_(
            "Exams whose third day is not over. Infants who died or whose course was closed by then without treatment. "
            "More treatment of an eye that was treated shortly before, and disease about which an expert decides."
        ),
    ),
    "record": Definition(
        N_("Records complete"),
        N_("Every day on which an infant's eyes were looked at, in the month of the exam."),
        (
            Share(
                N_("Records complete"), ("complete",),
                N_("Zone, stage and plus are on record for both eyes, or that the vessels are complete, so that the "
                   "next date follows from them. An eye of which there was no adequate view is shown apart."),
            ),
        ),
        N_("Nothing: what was sent and could not be read stands on the page of what could not be read."),
    ),
    "closing": Definition(
        N_("Closed validly"),
        N_("Every course that a named person closed, by the last closing on record, in the month of the closing."),
        (
            Share(
                N_("Closed validly"), ("by-rule", "agreed"),
                N_("The closing stands, and on that day the edition in use asked whether screening (or the watch over "
                   "an injected eye) may end; or another unit took over with place and date, the family declined, a "
                   "palliative decision was made, or the infant died."),
            ),
        ),
        N_("Records that end by themselves: a death the site recorded, a record merged into another."),
    ),
    "follow-up": Definition(
        N_("Lost to follow-up"),
        N_(
            "Every first or repeat exam that was asked for, in the month in which 28 days after the last day of its "
            "window were over."
        ),
        (
            Share(
                N_("Not seen within 28 days after the window"), ("back", "lost"),
                N_("No exam was held within 28 days after the last day of the window: fewer is better. The 28 days are "
                   "a choice of this project, without a source."),
            ),
        ),
        N_(
            "Windows whose 28 days are not over. Infants who died, whose course was closed, or who were handed over "
            "with place and date by then."
        ),
    ),
}  # fmt: skip
"""Figure -> what it is, in words."""

OUTCOMES: Final[Mapping[str, str]] = {
    "on-time": N_("On time"), "early": N_("Early"), "late": N_("Late"), "missing": N_("Missing"),
    "within-48": N_("Within 48 h"), "within-72": N_("Within 72 h"), "later": N_("Later"),
    "complete": N_("Complete"), "not-seen": N_("An eye not seen"), "incomplete": N_("Incomplete"),
    "by-rule": N_("By a rule"), "agreed": N_("Agreed"), "no-rule": N_("Without a rule"),
    "open-again": N_("Open again"), "kept": N_("Seen"), "back": N_("Seen later"), "lost": N_("Not seen yet"),
}  # fmt: skip
"""What became of a thing that is counted -> in words."""

_NOT_DONE: Final[Mapping[tuple[str, str], str]] = {("treatment", "missing"): N_("Not treated")}


@dataclass(frozen=True, slots=True)
class Line:
    """One row of numbers: of a month or a site. `counts` is by outcome, `shares` each share of the figure in words."""

    name: str
    counts: tuple[int, ...]
    of: int
    shares: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """One share month by month, as a picture and in a sentence or two."""

    name: str
    meaning: str
    picture: Markup | None
    reading: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """One figure, ready to print."""

    figure: str
    words: Definition
    outcomes: tuple[str, ...]
    shares: tuple[str, ...]
    charts: tuple[Chart, ...]
    months: tuple[Line, ...]
    total: Line
    sites: tuple[Line, ...]


def say_month(month: date) -> str:
    """`Jun 2031`."""
    return say_date(month, "MMM y")


def add(tallies: Iterable[Tally]) -> Tally:
    """The counts of several sites together."""
    found: dict[tuple[str, date], Counter[str]] = {}
    for each in tallies:
        for key, counter in each.items():
            found.setdefault(key, Counter()).update(counter)
    return found


def say_part(number: int, of: int) -> str:
    """`4 of 5`; from ten on with the percentage, `9 of 12 (75 %)`; nothing to count is said."""
    if not of:
        return _("none to count")
    if of < FEW:
        return _("%(number)s of %(of)s", number=number, of=of)
    return _("%(number)s of %(of)s (%(share)s)", number=number, of=of, share=percent(number / of))


def lay_out(figure: str, by_site: Mapping[str, Tally], months: Sequence[date]) -> Section:
    """A figure of some sites, by name, over some months, the last of which is still going on."""
    words, outcomes = DEFINITIONS[figure], FIGURES[figure]
    tally = add(by_site.values())

    def line(name: str, counts: Counter[str]) -> Line:
        of = counts.total()
        shares = [say_part(sum(counts[each] for each in share.outcomes), of) for share in words.shares]
        return Line(name, tuple(counts[each] for each in outcomes), of, tuple(shares))

    def whole(counts: Tally) -> Counter[str]:
        return sum((counts.get((figure, month), Counter()) for month in months), Counter())

    names = [*map(say_month, months[:-1]), _("%(month)s so far", month=say_month(months[-1]))]
    return Section(
        figure, words,
        tuple(_(_NOT_DONE.get((figure, each), OUTCOMES[each])) for each in outcomes),
        tuple(_(share.name) for share in words.shares),
        tuple(_chart(share, points(tally, figure, share.outcomes, months[:-1])) for share in words.shares),
        tuple(
            line(name, tally.get((figure, month), Counter())) for name, month in zip(names, months, strict=True)
        ),
        line(_("All months"), whole(tally)),
        tuple(line(name, whole(counts)) for name, counts in by_site.items()) if len(by_site) > 1 else (),
    )  # fmt: skip


def _chart(share: Share, months: Sequence[Point]) -> Chart:
    runs = read_runs(point.share for point in months if point.share is not None)
    counted = [point.of for point in months if point.of]
    if not counted:
        words = _("Nothing was to be counted in any month that is over, so there is no chart.")
        return Chart(_(share.name), _(share.meaning), None, (words,))
    reading = tuple(_read(runs, counted))
    said = _("%(name)s, by month.", name=_(share.name)) + " " + " ".join(reading)
    names = [(say_date(point.month, "MMM"), str(point.month.year)) for point in months]
    median = _("median %(share)s", share=percent(runs.median or 0))
    return Chart(_(share.name), _(share.meaning), draw_run_chart(months, runs, said, names, median), reading)


def _read(runs: Runs, counted: Sequence[int]) -> Iterable[str]:
    """The chart in sentences: the median with what it rests on, and whether the months lie as chance would have it."""
    low, high = min(counted), max(counted)
    each = str(low) if low == high else _("%(low)s to %(high)s", low=low, high=high)
    yield ngettext_(
        "The median of %(n)s month is %(share)s, with %(each)s counted in it.",
        "The median of %(n)s months is %(share)s, with %(each)s counted in a month.",
        len(counted), share=percent(runs.median or 0), each=each,
    )  # fmt: skip
    if not runs.enough:
        yield _("Too few months lie off the median to say whether anything has changed.")
        return
    about = {
        "longest": runs.longest, "most": runs.longest_most, "crossings": runs.crossings, "least": runs.crossings_least,
    }  # fmt: skip
    if runs.shifted:
        yield _(
            "More than chance: %(longest)s months in a row lie on one side of the median (chance allows %(most)s), and "
            "the line crosses it %(crossings)s times (chance gives at least %(least)s). Something has changed; look "
            "for when and why.",
            **about,
        )
    else:
        yield _(
            "No more than chance: at most %(longest)s months in a row lie on one side of the median (chance allows "
            "%(most)s), and the line crosses it %(crossings)s times (chance gives at least %(least)s).",
            **about,
        )


def csv_rows(
    figures: Sequence[Figures], names: Mapping[str, str], wanted: Sequence[str], months: Sequence[date]
) -> str:
    """The numbers for a spreadsheet: a row for each site, figure, month and outcome."""
    rows: list[tuple[str | int, ...]] = []
    for each in figures:
        for figure in wanted:
            for month in months:
                counts = each.tally.get((figure, month), Counter())
                rows += [
                    (
                        each.site, names[each.site], figure, f"{month:%Y-%m}", outcome, counts[outcome], counts.total(),
                        each.today.isoformat(),
                    )
                    for outcome in FIGURES[figure]
                ]  # fmt: skip
    headings = ("site", "site_name", "figure", "month", "outcome", "number", "of", "counted_before")
    return write_csv(headings, rows)


# --- routes --------------------------------------------------------------------------------------------------------

Months = Annotated[int, Query(ge=1, le=60, description="How many months, the one that is going on included.")]


def figures_routes() -> APIRouter:
    """/figures and /figures.csv."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    @router.api_route("/figures", methods=read)
    def show(look: Look, site: str = "", months: Months = 12) -> Response:
        found, span = _look_up(look.flow, site, months)
        begun = {month for each in found for _figure, month in each.tally}
        span = [month for month in span if month >= min(begun, default=span[-1])]
        names = {id: each.name for id, each in look.flow.sites.items()}
        by_site = {names[each.site]: each.tally for each in found}
        waiting = sum(each.waiting for each in found)
        values: dict[str, Any] = {
            "sections": [lay_out(figure, by_site, span) for figure in FIGURES],
            "site": site, "months": months, "spans": sorted({*SPANS, months}), "span": span, "sites": names,
            "place": names[site] if site else _("All sites"),
            "days": sorted({each.today for each in found}),
            "waiting": ngettext_(
                "%(n)s infant changed and is not counted again yet: what is shown may be out of date. Ask again in a "
                "moment.",
                "%(n)s infants changed and are not counted again yet: what is shown may be out of date. Ask again in a "
                "moment.",
                waiting,
            ) if waiting else "",
            "anything": any(each.tally for each in found), "few": FEW, "lost_days": LOST_DAYS, "say_month": say_month,
        }  # fmt: skip
        return HTMLResponse(look.pages.render("figures.html", here="figures", **values))

    @router.api_route("/figures.csv", methods=read)
    def download(look: Look, site: str = "", figure: str = "", months: Months = 12) -> Response:
        if figure and figure not in FIGURES:
            raise NotFound("there is no such figure")
        found, span = _look_up(look.flow, site, months)
        names = {id: each.name for id, each in look.flow.sites.items()}
        name = "-".join(part for part in ("figures", figure, site) if part)
        return Response(
            csv_rows(found, names, [figure] if figure else list(FIGURES), span),
            media_type="text/csv",
            headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
        )

    return router


def _look_up(flow: Flow, site: str, number: int) -> tuple[list[Figures], list[date]]:
    """The figures of a site, or of all there are to see, and the months. Raises NotFound."""
    ids = [flow.site(site).id] if site else list(flow.sites)
    last = max((flow.today(id) for id in ids), default=flow.clock().date())
    months = months_until(last, number)
    return [flow.figures(id, months[0]) for id in ids], months
