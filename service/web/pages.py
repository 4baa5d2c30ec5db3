"""The pages: the worklist, one infant, what could not be read. Jinja2 with escaping always on."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from service.core.decision import on_day
from service.core.infant import newest
from service.core.worklist import Entry
from service.errors import NotFound
from service.fhir.sites import Site
from service.flow import Flow, InfantView
from service.web import view
from service.web.api import AsOf
from service.web.original import mark_original, pick_resource
from service.web.strip import draw_strip

HERE: Final = Path(__file__).parent
STATIC: Final = HERE / "static"
STATES: Final[Mapping[str, str]] = {
    "eligible": "to be examined",
    "unknown": "cannot be judged yet",
    "not-eligible": "not to be examined by the policy",
    "closed": "closed",
}
"""State of an infant -> words."""


def static_version() -> str:
    """Changes with the style sheet and script, so that browsers may keep both for long."""
    return hashlib.sha256(b"".join(path.read_bytes() for path in sorted(STATIC.iterdir()))).hexdigest()[:10]


class Pages:
    """Renders every page. `sites` are all sites, by id."""

    def __init__(self, sites: Mapping[str, Site]) -> None:
        self._sites = sites
        self._environment = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.globals.update(
            say_day=view.say_day,
            say_dates_in=view.say_dates_in,
            say_long_day=view.say_long_day,
            join_words=view.join_words,
            capitalize=view.capitalize,
            not_known=view.NOT_KNOWN,
            headings=view.SECTIONS,
            states=STATES,
            static_version=static_version(),
            as_of_query="",
            self_contained=False,
            here="",
            css=Markup((STATIC / "ridgeline.css").read_text("utf-8")),  # noqa: S704 -- a file of ours
            site_names={id: site.name for id, site in sites.items()},
        )

    def worklist(
        self, entries: Sequence[Entry], today_of: Callable[[str], date], made_at: datetime, *,
        census: Mapping[str, int], unread: int, site: str | None = None, as_of: date | None = None,
        self_contained: bool = False,
    ) -> str:  # fmt: skip
        """The list of one site, or of all. `today_of` gives each site's day (as_of for all, when that is asked for);
        `census` counts infants by state, `unread` what could not be read. Self-contained, the page needs no server, no
        script and no other file: for paper and downtime."""
        shown = [site] if site else list(self._sites)
        sections = view.arrange(entries, today_of, lambda id: self._sites[id].name)
        above = sum(row.unjudged for name in ("overdue", "today") for row in sections[name])
        return self._render(
            "list.html",
            here=site or "all",
            path=f"/site/{site}" if site else "/",
            place=self._sites[site].name if site else "All sites",
            as_of=as_of,
            as_of_query=f"?as_of={as_of.isoformat()}" if as_of else "",
            self_contained=self_contained,
            made_at=self._clock_time(made_at, site),
            days=self._days(shown, today_of),
            sections=sections,
            total_overdue=len(sections["overdue"]),
            unread=unread,
            unread_words=f"{unread} {'thing' if unread == 1 else 'things'} could not be read.",
            known=sum(census.values()),
            example_site=site or next(iter(self._sites), "SITE"),
            by_site=[] if site or len(shown) < 2 else list(self._by_site(sections)),
            unjudged_above=f"{above} more stand above, because their day has come." if above else "",
            others=_say_others(census),
        )

    def infant(self, seen: InfantView, today: date, as_of: date | None = None) -> str:
        """One infant."""
        in_force = [fact for facts in newest(seen.facts) for fact in facts]
        decision, zone = on_day(seen.decision, today), seen.site.timezone
        row = view.describe(seen.entry, today, seen.site.name) if seen.entry else None
        return self._render(
            "infant.html",
            here=seen.site.id,
            as_of=as_of,
            path=f"/infant/{seen.key}",
            row=row,
            name=seen.infant.name or "Name not known",
            identifier=seen.infant.identifier,
            site=seen.site,
            today=today,
            decision=decision,
            ages=view.say_ages(decision.ages, decision.birth_weight),
            strip=draw_strip(decision.ages, decision.next.window, today),
            why_then=view.say_why([decision.next.reason] if row else decision.because, today),
            why_this_infant=row.why_this_infant if row else (),
            left_hospital=seen.infant.in_hospital is False,
            flag_words=[view.capitalize(flag) for flag in decision.flags],
            missing=view.say_missing(decision.missing),
            facts=[
                (*view.say_fact(fact), fact, fact in in_force, fact.version.updated[:16].replace("T", " "))
                for fact in sorted(seen.facts, key=lambda fact: (fact not in in_force, fact.name, fact.resource))
            ],
            rejections=seen.rejections,
            history=[
                (moment.astimezone(zone), each, view.say_task(each.next.kind, each.missing))
                for moment, each in seen.history
            ],
        )

    def unread(self, rejections: Iterable[Mapping[str, Any]]) -> str:
        """What could not be read: the original beside the reason."""
        shown = []
        for each in rejections:
            site = self._sites[each["site"]]
            text = pick_resource(each["original"], each["resource"])
            shown.append({
                **each,
                "site_name": site.name,
                "when": each["recorded_at"].astimezone(site.timezone),
                "about_words": view.say_missing([each["about"]]) if each["about"] else "",
                "original": mark_original(text, each["path"]),
            })  # fmt: skip
        return self._render("unread.html", here="unread", rejections=shown)

    def problem(self, status: int, sentence: str) -> str:
        """An error, as a page that says what to do next."""
        return self._render("problem.html", status=status, sentence=view.capitalize(sentence))

    def _render(self, template: str, **values: Any) -> str:
        return self._environment.get_template(template).render(values)

    def _days(self, shown: Iterable[str], today_of: Callable[[str], date]) -> list[tuple[date, list[str]]]:
        days: dict[date, list[str]] = {}
        for site in shown:
            days.setdefault(today_of(site), []).append(self._sites[site].name)
        return sorted(days.items())

    def _by_site(self, sections: Mapping[str, Sequence[view.Row]]) -> Iterable[tuple[str, str, str]]:
        for id, site in self._sites.items():
            counts = {name: sum(row.site == id for row in rows) for name, rows in sections.items()}
            words = [f"{number} {view.SECTIONS[name][0].lower()}" for name, number in counts.items() if number]
            yield id, site.name, ", ".join(words) or "nobody on the list"

    def _clock_time(self, moment: datetime, site: str | None) -> str:
        zones = {str(each.timezone) for id, each in self._sites.items() if site in (None, id)}
        zone = ZoneInfo(zones.pop()) if len(zones) == 1 else None
        local = moment.astimezone(zone) if zone else moment
        return f"{local:%H:%M} on {view.say_long_day(local.date())}" + ("" if zone else " UTC")


def page_routes(flow: Flow, pages: Pages) -> APIRouter:
    """/, /site/{id}, /infant/{key}, /unread."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    def show_list(site: str | None, as_of: date | None) -> str:
        return pages.worklist(
            flow.worklist(site, as_of), lambda id: as_of or flow.today(id), flow.clock(),
            census=flow.census(site), unread=len(flow.rejections(site)), site=site, as_of=as_of,
        )  # fmt: skip

    @router.api_route("/", methods=read)
    def all_sites(as_of: AsOf = None) -> Response:
        return HTMLResponse(show_list(None, as_of))

    @router.api_route("/site/{id}", methods=read)
    def one_site(id: str, as_of: AsOf = None) -> Response:
        return HTMLResponse(show_list(id, as_of))

    @router.api_route("/infant/{key}", methods=read)
    def one_infant(key: str, as_of: AsOf = None) -> Response:
        seen = flow.infant(key)
        return HTMLResponse(pages.infant(seen, as_of or flow.today(seen.site.id), as_of))

    @router.api_route("/unread", methods=read)
    def unread(site: str | None = None) -> Response:
        return HTMLResponse(pages.unread(flow.rejections(site)))

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


def _say_others(census: Mapping[str, int]) -> str:
    """Who is known and not on the list, so that a short list is not taken for a short register."""
    parts = [f"{number} {STATES[state]}" for state in ("not-eligible", "closed") if (number := census.get(state, 0))]
    total = sum(census.values())
    known = f"{total} {'infant is' if total == 1 else 'infants are'} known."
    return f"{known} Not on this list: {view.join_words(parts)}." if parts else f"{known} All of them are on this list."
