"""The pages: the list, one infant, what could not be read. Jinja2 with escaping always on."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from copy import copy
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from service.core.decision import on_day
from service.core.findings import Treatment
from service.core.worklist import Entry
from service.errors import NotFound, NotUnderstood
from service.fhir.sites import Site
from service.fhir.step import is_closed
from service.flow import InfantView
from service.web import letters, past, view
from service.web.api import AsOf
from service.web.audit import looked_at
from service.web.board import EVERYTHING, GROUPINGS, Asked, Board, Line, compose, say_leaving
from service.web.course_picture import draw_course, say_course
from service.web.load import count_load, draw_load, highest, say_late
from service.web.looking import ENTERS, NOBODY, PAGES_FOR, ROLE_WORDS, Look, Person
from service.web.original import mark_original, pick_resource
from service.web.paging import LENGTH, From, Part
from service.web.phrases import tell
from service.web.sheets import SHEETS
from service.web.typed import first
from service.web.words import N_, _, language, named, ngettext_, teach

HERE: Final = Path(__file__).parent
STATIC: Final = HERE / "static"
STYLES: Final = ("ridgeline.css", "lists.css")
"""What a page that needs no other file carries with it."""

STATES: Final[Mapping[str, str]] = {
    "eligible": N_("to be examined"),
    "unknown": N_("cannot be judged yet"),
    "not-eligible": N_("not to be examined by the policy"),
    "closed": N_("closed"),
}
"""State of an infant -> words."""

NAV: Final[tuple[tuple[str, str], ...]] = (
    ("/round", N_("Rounds")),
    ("/feeds", N_("Feeds")),
    ("/audit", N_("Who looked")),
    ("/people", N_("People")),
    ("/policies", N_("Policies")),
    ("/figures", N_("Figures")),
)
"""(path, words) of the pages beside the lists, in the order of the navigation."""

SAVED: Final[Mapping[str, str]] = {
    **{path: sheet.saved for path, sheet in SHEETS.items()},
    "withdrawn": N_("It is marked as entered in error and does not count any more."),
    "cancelled": N_("The booking is cancelled. It stays on record, and what is due stays due as it was."),
    "waiting": N_("It is kept, but could not be worked out just now. It will be tried again by itself."),
}
"""What was just done, as an address says it -> the words of it."""


def static_version() -> str:
    """Changes with the style sheet and script, so that browsers may keep both for long."""
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(STATIC.iterdir()))).hexdigest()[:10]


class Pages:
    """Renders every page. `sites` are all sites, by id."""

    def __init__(self, sites: Mapping[str, Site]) -> None:
        self._sites = sites
        self._person = NOBODY
        self.invented: Sequence[Person] = ()
        self._environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        teach(self._environment)
        self._environment.globals.update(
            language=language,
            named=named,
            tell=tell,
            say_day=view.say_day,
            say_dates_in=view.say_dates_in,
            say_long_day=view.say_long_day,
            first=first,
            join_words=view.join_words,
            capitalize=view.capitalize,
            not_known=view.NOT_KNOWN,
            states=STATES,
            static_version=static_version(),
            as_of_query="",
            self_contained=False,
            here="",
            css_of=lambda name: Markup((STATIC / name).read_text("utf-8")),  # noqa: S704 -- a file of ours
            css=Markup("".join((STATIC / name).read_text("utf-8") for name in STYLES)),  # noqa: S704 -- files of ours
        )

    def seen_by(self, person: Person, invented: Sequence[Person] = ()) -> Pages:
        """The same pages as one person sees them: of their sites alone. `invented`: as whom else one may look."""
        theirs = copy(self)
        theirs._person, theirs.invented = person, invented
        if person.sites is not None:
            theirs._sites = {id: site for id, site in self._sites.items() if id in person.sites}
        return theirs

    def worklist(
        self, entries: Sequence[Entry], today_of: Callable[[str], date], made_at: datetime, *,
        census: Mapping[str, int], unread: int, site: str | None = None, as_of: date | None = None,
        known_at: datetime | None = None, self_contained: bool = False, asked: Asked = EVERYTHING,
        notes: Sequence[str] = (), done: Mapping[str, Sequence[Treatment]] | None = None, writer: str = "",
        valid_until: str = "",
    ) -> str:  # fmt: skip
        """The list of one site, or of all, as `asked`. `today_of` gives each site's day (as_of for all, when that is
        asked for); `census` counts infants by state, `unread` what could not be read, both as of now. `known_at`: the
        entries are those known at an instant. `notes` are said above the list, `done` are treatments by key, `writer`
        the name a form in place starts with. Self-contained, the page needs no server, no script and no other file:
        for paper and downtime."""
        sites = {site: self._sites[site]} if site else self._sites
        kept = {"as_of": as_of.isoformat() if as_of else "", "known_at": _minutes(known_at)}
        board = compose(entries, today_of, sites, asked, kept, done)
        above = sum(line.row.unjudged and line.row.section != "unjudged" for line in board.lines)
        counts = {section: number for section, _heading, number in board.counts}
        loads = [] if site or asked.by not in _WITH_LOAD else count_load(entries, today_of, self._sites)
        return self.render(
            "list.html",
            here=site or "all",
            path=f"/site/{site}" if site else "/",
            place=self._sites[site].name if site else _("All sites"),
            site=site,
            board=board,
            groupings=[
                (_(words), replace(asked, by=by).query(**kept), by == asked.by)
                for by, words in GROUPINGS.items()
                if by != "site" or len(sites) > 1
            ],
            unfiltered=Asked(by=asked.by).query(**kept),
            again=asked.query(**kept),
            loads=[(each, draw_load(each, highest(loads)), say_late(each)) for each in loads],
            mentions=_mentions(board) if asked.by == "rank" else [],
            empty_heading=_("Nobody"),
            empty_words=_say_nobody(board),
            notes=notes,
            writer=writer,
            act_words={words: _(words) for _sheet, words in view.ACTS.values()},
            as_of=as_of,
            as_of_query=_when(as_of, known_at),
            known_at=self.clock_time(known_at, site) if known_at else "",
            live=not (as_of or known_at or self_contained),
            self_contained=self_contained,
            valid_until=valid_until,
            made_at=self.clock_time(made_at, site),
            days=self._days(sites, today_of),
            total_late=sum(line.row.late for line in board.lines),
            total_today=counts["today"],
            unread=unread,
            unread_words=ngettext_("%(n)s thing could not be read.", "%(n)s things could not be read.", unread),
            known=sum(census.values()),
            example_site=site or next(iter(self._sites), "SITE"),
            by_site=[] if len(sites) < 2 or asked.by != "rank" else list(_by_site(board, sites)),
            unjudged_above=ngettext_(
                "%(n)s more stands above, because the day has come.",
                "%(n)s more stand above, because their day has come.", above,
            ) if above else "",
            others=_say_others(census) if not known_at else "",
        )  # fmt: skip

    def infant(
        self, seen: InfantView, today: date, as_of: date | None = None, saved: str = "", record: str = "",
        looked: Sequence[Any] = (),
    ) -> str:  # fmt: skip
        """One infant on a day. As of another day, or known at an instant, nothing can be entered. `saved`: what was
        just done, a word of SAVED, and `record` under which id: it can be taken back from here. `looked`: rows of
        `audit.looked_at`."""
        decision, zone = on_day(seen.decision, today), seen.site.timezone
        row = view.describe(seen.entry, today, seen.site.name) if seen.entry else None
        live = as_of is None and seen.known_at is None
        here = {each.resource: each for each in past.written(seen)}
        told = {str(each) for each in (*decision.deferrals, *filter(None, [decision.hand_over]))}
        facts = [fact for fact in seen.facts if fact.name not in past.AGREED]
        return self.render(
            "infant.html",
            here=seen.site.id,
            as_of=as_of,
            as_of_query=_when(as_of, seen.known_at),
            known_at=self.clock_time(seen.known_at, seen.site.id) if seen.known_at else "",
            path=f"/infant/{seen.key}",
            live=live,
            saved=SAVED.get(saved, "") if live else "",
            undo=past.undo(seen, saved, record) if live and saved in SAVED else None,
            enter=_sheets_for(seen) if live and self._person.role in ENTERS else (),
            row=row,
            name=seen.infant.name or _("Name not known"),
            identifier=seen.infant.identifier,
            site=seen.site,
            today=today,
            decision=decision,
            ages=view.say_ages(decision.ages, decision.birth_weight),
            picture=draw_course(seen.infant, seen.course, decision, today),
            told=say_course(seen.infant, seen.course, decision, today),
            steps=view.say_steps(decision, today),
            last=view.say_last(decision, today),
            put_off=view.say_put_off(decision, today),
            booked=view.say_booked(decision, today),
            support=view.say_dates_in(seen.infant.support, today),
            leaves=say_leaving(seen.entry, today) if seen.entry else "",
            why_nothing=() if row else view.say_why([*decision.because, decision.next.reason], today),
            why_this_infant=row.why_this_infant if row else (),
            left_hospital=seen.infant.in_hospital is False,
            flag_words=[
                *view.flag_bookings(decision, today),
                *(view.capitalize(view.say_dates_in(flag, today)) for flag in decision.flags if flag not in told),
            ],
            missing=view.say_missing(decision.missing),
            done=past.done(seen, today),
            agreed=[
                (past.say_fact(fact), here.get(fact.resource), fact)
                for fact in sorted(seen.current, key=lambda fact: str(fact.value.get("on")), reverse=True)
                if fact.name in past.AGREED
            ],
            taken_back=[
                (each, [past.say_fact(fact) for fact in each.says]) for each in here.values() if each.withdrawn
            ],
            letter_kinds=letters.KINDS if live else (),
            facts=[
                (
                    *past.say_fact(fact), fact, fact in seen.current, here.get(fact.resource),
                    fact.version.updated[:16].replace("T", " "),
                )
                for fact in sorted(facts, key=lambda fact: (fact not in seen.current, fact.name, fact.resource))
            ],
            rejections=seen.rejections,
            looked=looked,
            history=[
                (moment.astimezone(zone), each, view.say_task(each.next.kind, each.missing, [each.next.eye]))
                for moment, each in seen.history
            ],
        )  # fmt: skip

    def letter(self, seen: InfantView, kind: str, today: date, watch_age: int | None) -> str:
        """A letter to print: for the family or for the clinic. Raises NotFound."""
        if kind not in letters.KINDS:
            raise NotFound("there is no such letter")
        write = letters.write_family if kind == "family" else letters.write_clinic
        decision = on_day(seen.decision, today)
        return self.render(
            f"letter-{kind}.html",
            here=seen.site.id,
            seen=seen,
            site=seen.site,
            name=seen.infant.name,
            today=today,
            decision=decision,
            ages=view.say_ages(decision.ages, decision.birth_weight),
            letter=write(seen, today, watch_age),
            born=seen.infant.born.value,
            why=letters.WHY,
            cautions=[view.capitalize(view.say_dates_in(flag, today)) for flag in decision.flags],
        )

    def unread(self, part: Part) -> str:
        """What could not be read: the original beside the reason."""
        shown = []
        for each in part.rows:
            site = self._sites[each["site"]]
            text = pick_resource(each["original"], each["resource"])
            shown.append({
                **each,
                "site_name": site.name,
                "when": each["recorded_at"].astimezone(site.timezone),
                "about_words": view.say_missing([each["about"]]) if each["about"] else "",
                "original": mark_original(text, each["path"]),
            })  # fmt: skip
        return self.render("unread.html", here="unread", rejections=shown, part=part)

    def problem(self, status: int, sentence: str) -> str:
        """An error, as a page that says what to do next."""
        return self.render("problem.html", status=status, sentence=view.capitalize(sentence))

    def render(self, template: str, **values: Any) -> str:
        """A template of ours with these values."""
        here = {
            "site_names": {id: site.name for id, site in self._sites.items()},
            "nav": [each for each in NAV if self._person.role in PAGES_FOR.get(each[0], (self._person.role,))],
            "person": self._person,
            "enters": self._person.role in ENTERS,
            "invented": self.invented,
            "roles": ROLE_WORDS,
        }
        return self._environment.get_template(template).render({**here, **values})

    def _days(self, shown: Iterable[str], today_of: Callable[[str], date]) -> list[tuple[date, list[str]]]:
        days: dict[date, list[str]] = {}
        for site in shown:
            days.setdefault(today_of(site), []).append(self._sites[site].name)
        return sorted(days.items())

    def clock_time(self, moment: datetime, site: str | None) -> str:
        """An instant on the clock of a site (or of all, where they share one; else UTC): `14:05 on Sunday 1 June`."""
        zones = {str(each.timezone) for id, each in self._sites.items() if site in (None, id)}
        zone = ZoneInfo(zones.pop()) if len(zones) == 1 else None
        local = moment.astimezone(zone) if zone else moment
        return f"{local:%H:%M} on {view.say_long_day(local.date())}" + ("" if zone else " UTC")


KnownAt = Annotated[
    str | None,
    Query(
        description="Only what was known at this instant, `2031-06-01T14:30`: on the site's clock, UTC for all sites."
    ),
]


def page_routes() -> APIRouter:
    """/infant/{key} and its letters, /unread, /static."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    @router.api_route("/infant/{key}", methods=read)
    def one_infant(
        look: Look, key: str, as_of: AsOf = None, known_at: KnownAt = None, saved: str = "", record: str = ""
    ) -> Response:  # fmt: skip
        seen = look.flow.infant(key)
        if as_of is not None or known_at is not None:
            seen = look.flow.infant(key, as_of, instant(known_at, seen.site.timezone))
        return HTMLResponse(look.pages.infant(seen, seen.as_of, as_of, saved, record, looked_at(look, seen)))

    @router.api_route("/infant/{key}/letter/{kind}", methods=read)
    def letter(look: Look, key: str, kind: str) -> Response:
        seen = look.flow.infant(key)
        policy = look.flow.policy_on(seen.site.id, seen.as_of)
        return HTMLResponse(look.pages.letter(seen, kind, seen.as_of, policy.care.surveillance_age))

    @router.api_route("/unread", methods=read)
    def unread(look: Look, site: str | None = None, begin: From = 0) -> Response:
        rows = look.flow.rejections(site, LENGTH, begin)
        part = Part(rows, begin, look.flow.unread(site), "/unread", {"site": site or ""})
        return HTMLResponse(look.pages.unread(part))

    @router.api_route("/static/{name}", methods=read)
    def static(name: str) -> Response:
        path = next((path for path in STATIC.iterdir() if path.name == name), None)
        if path is None:
            raise NotFound("there is no such file")
        return Response(
            path.read_bytes(),
            media_type=_MEDIA[path.suffix],
            headers={"Cache-Control": "public, max-age=31536000, immutable"},
        )

    return router


_MEDIA: Final = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


_WITH_LOAD: Final = ("rank", "site", "round")


def _by_site(board: Board, sites: Mapping[str, Site]) -> Iterable[tuple[str, str, str]]:
    for id, site in sites.items():
        here = [line.row.section for line in board.lines if line.row.site == id]
        words = [f"{here.count(name)} {heading.lower()}" for name, heading, _number in board.counts if name in here]
        yield id, site.name, ", ".join(words) or _("nobody on the list")


def _mentions(board: Board) -> list[tuple[str, str, str, tuple[Line, ...]]]:
    """Who stands on the list and has to be thought of for another reason as well."""
    said = (
        ("put-off", _("Put off"), _("Each of them still stands above, by its own window: nothing is moved."),
         board.put_off),
        ("leaving", _("Leaving soon"),
         _("Before they leave: the next exam with place and day, somebody who takes over, and the family told."),
         board.leaving),
        ("left", _("Left hospital"), _("Each of them stays on the list until a named person closes the course."),
         board.left),
    )  # fmt: skip
    return [each for each in said if each[3]]


def _say_nobody(board: Board) -> str:
    """Why a list that is asked for holds nobody."""
    if board.asked.by == "watch":
        return _("No eye of anybody on the list is on record as treated. A treatment typed in, or sent, appears here.")
    if board.asked.by == "lost":
        return _("Nobody has left without a hand-over, is late by a week or has been put off twice.")
    return _("Nobody on the list is meant by this filter. %(n)s are on it without the filter.", n=board.all)


def _say_others(census: Mapping[str, int]) -> str:
    """Who is known and not on the list, so that a short list is not taken for a short register."""
    parts = [f"{number} {_(STATES[state])}" for state in ("not-eligible", "closed") if (number := census.get(state, 0))]
    total = sum(census.values())
    known = ngettext_("%(n)s infant is known.", "%(n)s infants are known.", total)
    if not parts:
        return f"{known} " + _("All of them are on this list.")
    return f"{known} " + _("Not on this list: %(parts)s.", parts=view.join_words(parts))


def instant(text: str | None, zone: ZoneInfo) -> datetime | None:
    """An instant as somebody writes it into an address, on the clock of a zone. Raises NotUnderstood."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise NotUnderstood("known_at is written 2031-06-01T14:30") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=zone)


def _minutes(moment: datetime | None) -> str:
    return moment.isoformat(timespec="minutes") if moment else ""


def _when(as_of: date | None, known_at: datetime | None) -> str:
    """The part of an address that says which day and which instant is looked at."""
    parts = {"as_of": as_of and as_of.isoformat(), "known_at": _minutes(known_at)}
    query = urlencode({name: value for name, value in parts.items() if value})
    return f"?{query}" if query else ""


def _sheets_for(seen: InfantView) -> tuple[tuple[str, str], ...]:
    """(path, words) of what can be entered for an infant; what answers the next step first."""
    if seen.infant.record != "infant":
        return ()
    closed = is_closed(seen.decision)
    titles = {path: sheet.title for path, sheet in SHEETS.items() if path != ("close" if closed else "reopen")}
    asked = [step.act[0] for step in view.say_steps(seen.decision, seen.as_of) if step.act and step.act[0] in titles]
    return tuple((path, titles[path]) for path in dict.fromkeys([*asked, *titles]))
