"""What a list shows: its rows under the headings asked for, what can be filtered and how many that would leave, and
what stands beside the list. Pure: entries and days in, rows and words out; no HTTP, no HTML.

An address says how the list is looked at: `by` is the grouping, `kind` one kind of step, `site` one site, `show` what
must hold of every row, as often as wanted. Whatever is filtered out is counted, so that a short list is not taken for
a short worklist.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final
from urllib.parse import urlencode

from service.core.findings import Treatment
from service.core.worklist import Entry, days_over, round_day
from service.errors import NotUnderstood
from service.fhir.sites import Site
from service.fhir.step import EXAMS
from service.web import view
from service.web.view import Row
from service.web.words import N_, _, ngettext_, say_date

GROUPINGS: Final[Mapping[str, str]] = {
    "rank": N_("By urgency"),
    "site": N_("By site"),
    "round": N_("By round day"),
    "watch": N_("After treatment"),
    "lost": N_("About to be lost"),
}
"""How a list is grouped -> words. The last two show only whom they concern."""

_ONLY: Final[Mapping[str, str]] = {"watch": "treated", "lost": "lost"}
"""Grouping -> the trait without which an infant is not in it."""

KINDS: Final[Mapping[str, str]] = {
    "first-exam": N_("First exam"),
    "repeat-exam": N_("Next exam"),
    "treatment": N_("Treatment"),
    "review": N_("Exam after treatment"),
    "decision": N_("Decision"),
    "data-needed": N_("Data missing"),
    "hand-over": N_("Hand-over"),
    "long-term": N_("Refraction and alignment"),
}
"""Kind of what is asked for next -> words; both exams after treatment are one."""

TRAITS: Final[Mapping[str, str]] = {
    "late": N_("Late"),
    "put-off": N_("Put off"),
    "treated": N_("Eye treated"),
    "injected": N_("Eye injected"),
    "left": N_("Left hospital"),
    "lost": N_("About to be lost"),
}
"""What may hold of an infant -> words."""

LATE_LONG: Final = 7
"""Days late from which an infant counts as about to be lost: a week (a choice of this project)."""

LEAVING_SOON: Final = timedelta(days=7)
"""Who is to leave within so many days is told apart: a hand-over takes days to arrange (common practice, no source)."""

SOON: Final = timedelta(days=7)
"""What is asked for beside the next step is said in the row itself from so long before its window opens."""

FOLDED_UP_TO: Final = 400
"""Rows up to which each row carries its reasons with it, folded. A longer list would be too much to send and to look
through; there the infant's own page says why."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How a list is looked at."""

    by: str = "rank"
    kind: str = ""
    site: str = ""
    show: tuple[str, ...] = ()

    @classmethod
    def of(cls, by: str | None, kind: str | None, site: str | None, show: Sequence[str], sites: Iterable[str]) -> Asked:
        """As an address says it; empty is what a form sends for "all". Raises NotUnderstood for words not known."""
        asked = cls(by or "rank", kind or "", site or "", tuple(dict.fromkeys(each for each in show if each)))
        for name, words, known in (
            ("by", [asked.by], GROUPINGS), ("kind", [asked.kind], ["", *KINDS]), ("site", [asked.site], ["", *sites]),
            ("show", asked.show, TRAITS),
        ):  # fmt: skip
            if any(word not in known for word in words):
                raise NotUnderstood(f"{name} is one of {', '.join(filter(None, known))}")
        return asked

    @property
    def filtered(self) -> bool:
        """Whether anything is left out."""
        return bool(self.kind or self.site or self.show)

    def query(self, **others: str) -> str:
        """The part of an address that says this, and other things that stand in the address."""
        said = [("by", self.by)] if self.by != "rank" else []
        said += [("kind", self.kind)] if self.kind else []
        said += [("site", self.site)] if self.site else []
        said += [("show", each) for each in self.show]
        said += [(name, value) for name, value in others.items() if value]
        return f"?{urlencode(said)}" if said else ""


EVERYTHING: Final = Asked()
"""Nothing left out, the most urgent first."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A filter to choose or take off: its words, how many rows it leaves, where it leads, whether it is chosen."""

    words: str
    count: int
    query: str
    chosen: bool


@dataclass(frozen=True, slots=True)
class Line:
    """A row with what the list around it adds: when an examiner comes, which values a form in place asks for, why the
    infant may be lost, and what was done to the eyes and is looked for now. `hand_over`: somebody who takes over is to
    be recorded now; `put_off`: an exam is due that somebody may have to put off."""

    row: Row
    round: str
    drops: str
    fill: tuple[str, ...] = ()
    lost: tuple[str, ...] = ()
    watch: tuple[str, ...] = ()
    soon: tuple[view.Asked, ...] = ()
    injected: bool = False
    leaves: str = ""
    hand_over: bool = False
    put_off: bool = False
    support: str = ""
    bed: str = ""
    age: str = ""
    days: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Lines under one heading. `mark` is the section whose shape it bears, "" for none; `folded`: shown on demand."""

    id: str
    heading: str
    meaning: str
    mark: str
    lines: tuple[Line, ...]
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Board:
    """A list as it is looked at. `all` counts the rows before anything was filtered out; everything else is of those
    that are left. `folded`: each row carries its reasons with it."""

    asked: Asked
    lines: tuple[Line, ...]
    all: int
    counts: tuple[tuple[str, str, int], ...]
    groups: tuple[Group, ...]
    choices: tuple[tuple[str, tuple[Choice, ...]], ...]
    put_off: tuple[Line, ...]
    left: tuple[Line, ...]
    leaving: tuple[Line, ...]
    folded: bool


def compose(
    entries: Sequence[Entry], today_of: Callable[[str], date], sites: Mapping[str, Site], asked: Asked = EVERYTHING,
    keep: Mapping[str, str] | None = None, done: Mapping[str, Sequence[Treatment]] | None = None,
) -> Board:  # fmt: skip
    """The list of ranked entries, looked at as asked. `keep`: what else stands in the address of every choice; `done`:
    the treatments of an infant, by key, where they are to be said."""
    keep, done = keep or {}, done or {}
    every = [view.describe(entry, today_of(entry.site), sites[entry.site].name) for entry in entries]
    traits = {row.key: traits_of(row) for row in every}
    shown = _left(every, traits, asked)
    lines = [_line(row, sites[row.site], traits[row.key], asked.by, done.get(row.key, ())) for row in shown]
    return Board(
        asked=asked,
        lines=tuple(lines),
        all=len(every),
        counts=tuple(
            (section, _(heading), sum(line.row.section == section for line in lines))
            for section, (heading, _meaning) in view.SECTIONS.items()
        ),
        groups=tuple(_group(asked, lines, sites)),
        choices=tuple(_choices(every, traits, sites, asked, keep)),
        put_off=tuple(line for line in lines if line.row.put_off),
        left=tuple(line for line in lines if line.row.left_hospital),
        leaving=tuple(line for line in lines if line.leaves),
        folded=len(lines) <= FOLDED_UP_TO,
    )


# --- what holds of an infant ---------------------------------------------------------------------------------------


def say_leaving(entry: Entry, today: date) -> str:
    """That an infant on the unit is to leave within a week, or was to have left; "" otherwise."""
    if entry.leaves_on is None or entry.left_hospital or entry.leaves_on > today + LEAVING_SOON:
        return ""
    if entry.leaves_on < today:
        return _("was to leave on %(day)s", day=view.say_day(entry.leaves_on, today))
    return _("leaves on %(day)s", day=view.say_day(entry.leaves_on, today))


def traits_of(row: Row) -> frozenset[str]:
    """The words of TRAITS that hold."""
    decision = row.decision
    steps = (decision.next, *decision.also)
    held = {
        "late": row.late or any(each.late for each in row.also),
        "put-off": bool(decision.deferrals),
        "treated": decision.treatments > 0,
        # An injected eye asks for a watch, a review or a decision until a named person closes it.
        "injected": any(each.kind == "review-after-injection" or each.reason.rule == "injected-eye" for each in steps),
        "left": row.left_hospital,
        "lost": bool(say_lost(row)),
    }
    return frozenset(word for word, holds in held.items() if holds)


def say_lost(row: Row) -> tuple[str, ...]:
    """Why the infant may be lost from sight, in words; none when nothing points to it."""
    decision, said = row.decision, []
    if row.needs_hand_over:
        said.append(_("Left hospital, and nobody is on record who takes over"))
    over = decision.hand_over
    if row.left_hospital and over is not None and over.appointment < row.today:
        day = view.say_day(over.appointment, row.today)
        said.append(_("The exam agreed for %(day)s at the place that took over has not come back", day=day))
    if any(each.day < row.today for each in decision.bookings):
        said.append(_("Missed an exam that was booked"))
    if (late := days_over(row.entry, row.today)) >= LATE_LONG:
        said.append(ngettext_("%(n)s day late", "%(n)s days late", late))
    if len(decision.deferrals) > 1:
        said.append(_("Put off more than once"))
    return tuple(said)


def _kind_of(row: Row) -> str:
    return "review" if row.entry.kind.startswith("review-") else row.entry.kind


def _left(rows: Sequence[Row], traits: Mapping[str, frozenset[str]], asked: Asked) -> Sequence[Row]:
    """The rows that are meant."""
    must = {*asked.show, *filter(None, [_ONLY.get(asked.by)])}
    if not (must or asked.kind or asked.site):
        return rows
    return [
        row
        for row in rows
        if asked.kind in ("", _kind_of(row)) and asked.site in ("", row.site) and must <= traits[row.key]
    ]


def _choices(
    rows: Sequence[Row], traits: Mapping[str, frozenset[str]], sites: Mapping[str, Site], asked: Asked,
    keep: Mapping[str, str],
) -> Iterable[tuple[str, tuple[Choice, ...]]]:  # fmt: skip
    """Under each name of a group its choices; a count says how many rows the choice leaves beside what is chosen in the
    other groups. What leaves nobody is not offered, unless it is chosen."""

    by_trait = Counter(word for row in _left(rows, traits, asked) for word in traits[row.key])
    by_kind = Counter(_kind_of(row) for row in _left(rows, traits, replace(asked, kind="")))
    by_site = Counter(row.site for row in _left(rows, traits, replace(asked, site="")))

    def offered(named: Mapping[str, str], counts: Mapping[str, int], chosen: Collection[str]) -> tuple[Choice, ...]:
        name = "kind" if named is KINDS else "show" if named is TRAITS else "site"
        return tuple(
            Choice(_(words), counts.get(word, 0), _turned(asked, name, word).query(**keep), word in chosen)
            for word, words in named.items()
            if counts.get(word) or word in chosen
        )

    yield _("What holds"), offered(TRAITS, by_trait, asked.show)
    yield _("What is asked"), offered(KINDS, by_kind, (asked.kind,))
    if len(sites) > 1:
        yield _("Site"), offered({id: site.name for id, site in sites.items()}, by_site, (asked.site,))


def _turned(asked: Asked, name: str, word: str) -> Asked:
    """With one more filter, or, where it is chosen already, without it."""
    if name == "show":
        others = tuple(each for each in asked.show if each != word)
        return replace(asked, show=others if word in asked.show else (*asked.show, word))
    if name == "kind":
        return replace(asked, kind="" if asked.kind == word else word)
    return replace(asked, site="" if asked.site == word else word)


# --- one line ------------------------------------------------------------------------------------------------------


def _line(row: Row, site: Site, traits: frozenset[str], by: str, done: Sequence[Treatment]) -> Line:
    (at, drops), ages = _say_round(row, site), row.decision.ages
    return Line(
        row, at, drops,
        fill=tuple(each for each in row.decision.missing if each in FILLED_IN_PLACE),
        lost=say_lost(row) if by == "lost" else (),
        watch=tuple(say_watch(row, done)) if by == "watch" else (),
        soon=tuple(each for each in row.also if each.window.opens <= row.today + SOON),
        injected="injected" in traits,
        leaves=(leaves := say_leaving(row.entry, row.today)),
        hand_over=bool(row.left_hospital or leaves) and any(each.kind == "hand-over" for each in row.also),
        put_off=row.entry.kind in EXAMS and row.today >= row.window.due,
        support=view.say_dates_in(row.entry.support, row.today),
        bed="" if row.left_hospital else view.short_bed(row.entry.bed),
        age=view.say_age(ages.postmenstrual),
        days=view.count_days(ages.postnatal_days) if ages.postnatal_days is not None else "",
    )  # fmt: skip


def say_watch(row: Row, done: Sequence[Treatment]) -> Iterable[str]:
    """What was done to which eye, and what is to be looked for when."""
    for each in done:
        eye = _("both eyes") if len(each.sides) > 1 else _("right eye") if each.sides == ("right",) else _("left eye")
        what = f"{each.kind} ({each.agent})" if each.agent else each.kind
        ago = view.count_days((row.today - each.on).days)
        yield _("%(day)s, %(days)s ago: %(what)s, %(eye)s", day=view.say_day(each.on, row.today), days=ago, what=what,
                eye=eye)  # fmt: skip
    for asked in (row.asked, *row.also):
        if asked.kind.startswith("review-") or any(each.rule == "injected-eye" for each in asked.reasons):
            yield f"{asked.dates}: {asked.in_short}"


FILLED_IN_PLACE: Final = ("gestational_age_at_birth", "birth_weight")
"""What may be missing and can be filled in on the list itself."""


def next_round(row: Row, site: Site) -> date | None:
    """The day of the round that the infant should be seen on; None where no exam is asked for, where the infant has
    left or the site's file says nothing of rounds, or where none falls into the window."""
    if site.round is None or row.entry.kind not in EXAMS or row.left_hospital:
        return None
    return round_day(row.window, row.today, site.round.weekdays)


def _say_round(row: Row, site: Site) -> tuple[str, str]:
    """When the examiner comes, and when the drops go in; they are said together only for today and tomorrow, when
    somebody has to see to them."""
    if site.round is None or row.entry.kind not in EXAMS or row.left_hospital:
        return "", ""
    day = next_round(row, site)
    if day is None:
        return _("No round within the window"), ""
    away, drops = (day - row.today).days, site.round.drops_at
    start = f"{site.round.start:%H:%M}"
    if away > 1:
        return _("Round %(day)s", day=view.say_day(day, row.today)), ""
    said = _("Round today %(time)s", time=start) if away == 0 else _("Round tomorrow %(time)s", time=start)
    return said, _("Drops at %(time)s", time=f"{drops:%H:%M}") if drops else ""


# --- groups --------------------------------------------------------------------------------------------------------


def _group(asked: Asked, lines: Sequence[Line], sites: Mapping[str, Site]) -> Iterable[Group]:
    match asked.by:
        case "site":
            return _by_site(lines, sites)
        case "round":
            return _by_round(lines, sites)
        case "watch":
            return _by_watch(lines)
        case "lost":
            return _by_reason(lines)
    return _by_rank(lines, asked.filtered)


def _by_rank(lines: Sequence[Line], filtered: bool) -> Iterable[Group]:
    for section, (heading, meaning) in view.SECTIONS.items():
        here = tuple(line for line in lines if line.row.section == section)
        if here or (section in ("overdue", "today") and not filtered):
            yield Group(section, _(heading), _(meaning), section, here, folded=section == "later")


def _by_site(lines: Sequence[Line], sites: Mapping[str, Site]) -> Iterable[Group]:
    for id, site in sites.items():
        here = tuple(line for line in lines if line.row.site == id)
        if here:
            yield Group(f"at-{id}", site.name, _say_rounds(site), "", here)


def _by_round(lines: Sequence[Line], sites: Mapping[str, Site]) -> Iterable[Group]:
    days: dict[tuple[int, date, str], list[Line]] = {}
    for line in lines:
        row, site = line.row, sites[line.row.site]
        if row.section == "clock" or row.entry.kind not in EXAMS or row.left_hospital:
            days.setdefault((0, date.min, ""), []).append(line)
        elif site.round is None:
            days.setdefault((2, max(row.window.due, row.today), row.site), []).append(line)
        elif (day := next_round(row, site)) is None:
            days.setdefault((1, date.min, ""), []).append(line)
        else:
            days.setdefault((2, day, row.site), []).append(line)
    for (order, day, id), here in sorted(days.items(), key=lambda each: each[0]):
        if order == 0:
            words = _("A clock, a decision, missing data, or no longer on the unit: by its own date.")
            yield Group("no-round", _("Not for a round"), words, "", tuple(here))
        elif order == 1:
            words = _("No round is held within what is left of the window. Ask for an exam on another day.")
            yield Group("between-rounds", _("No round in time"), words, "overdue", tuple(here))
        else:
            site = sites[id]
            heading = _("%(day)s in %(site)s", day=view.say_long_day(day), site=site.name)
            meaning = _say_times(site) if site.round else _("The site’s file says nothing of rounds: by the best day.")
            yield Group(f"on-{day.isoformat()}-{id}", heading, meaning, "", tuple(here))


def _by_watch(lines: Sequence[Line]) -> Iterable[Group]:
    injected = tuple(line for line in lines if line.injected)
    if injected:
        words = _("An injected eye is watched until a named person closes it: disease comes back late.")
        yield Group("injected", _("Injected eyes"), words, "", injected)
    others = tuple(line for line in lines if not line.injected)
    if others:
        yield Group("treated", _("Other treated eyes"), _("What to look for, and by when."), "", others)


def _by_reason(lines: Sequence[Line]) -> Iterable[Group]:
    left = tuple(line for line in lines if line.row.left_hospital)
    if left:
        words = _("Nobody on a unit sees these infants: somebody has to ask after them.")
        yield Group("lost-left", _("Left hospital"), words, "overdue", left)
    here = tuple(line for line in lines if not line.row.left_hospital)
    if here:
        words = _("Late by a week or more, or put off more than once.")
        yield Group("lost-here", _("Still on a unit"), words, "overdue", here)


def _say_times(site: Site) -> str:
    if site.round is None:
        return ""
    start, drops = f"{site.round.start:%H:%M}", site.round.drops_at
    if drops is None:
        return _("Round at %(time)s.", time=start)
    return _("Round at %(time)s, drops at %(drops)s.", time=start, drops=f"{drops:%H:%M}")


def _say_rounds(site: Site) -> str:
    if site.round is None:
        return ""
    monday = date(2031, 6, 2)
    days = [say_date(monday + timedelta(days=each), "EEEE") for each in sorted(site.round.weekdays)]
    held = _("Rounds on %(days)s.", days=view.join_words(days)) if days else _("Rounds on any day.")
    return f"{held} {_say_times(site)}"


# --- beside the list -----------------------------------------------------------------------------------------------


def say_silence(site: Site, heard: datetime | None, now: datetime) -> str:
    """That nothing has arrived from a site for longer than its file allows; "" while it has, or where the file says
    nothing of it, or nothing ever came."""
    if site.silent_after_hours is None or heard is None:
        return ""
    hours = int((now - heard).total_seconds() // 3600)
    if hours < site.silent_after_hours:
        return ""
    local = heard.astimezone(site.timezone)
    today = now.astimezone(site.timezone).date()
    return _(
        "Nothing has arrived from %(site)s since %(day)s %(time)s. What has changed there since is not on this list.",
        site=site.name, day=view.say_day(local.date(), today), time=f"{local:%H:%M}",
    )  # fmt: skip
