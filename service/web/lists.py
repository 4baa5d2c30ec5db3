"""The lists people use: Today of one unit, and all sites together, grouped and filtered as the address says."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query
from starlette.responses import HTMLResponse, Response

from service.web.api import AsOf
from service.web.board import GROUPINGS, KINDS, TRAITS, Asked, say_silence
from service.web.looking import Look, Looking
from service.web.pages import KnownAt, instant
from service.web.past import HAND

By = Annotated[str | None, Query(description=f"How the list is grouped: {', '.join(GROUPINGS)}.")]
Kind = Annotated[str | None, Query(description=f"Only what asks for this next: {', '.join(KINDS)}.")]
At = Annotated[str | None, Query(description="Only one site.")]
Show = Annotated[list[str] | None, Query(description=f"Only of whom this holds, all of it: {', '.join(TRAITS)}.")]


def list_routes() -> APIRouter:
    """/ for all sites, /site/{id} for one."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    @router.api_route("/", methods=read)
    def all_sites(
        look: Look, as_of: AsOf = None, known_at: KnownAt = None, by: By = None, kind: Kind = None, site: At = None,
        show: Show = None,
    ) -> Response:  # fmt: skip
        asked = Asked.of(by, kind, site, show or (), look.flow.sites)
        return HTMLResponse(draw_list(look, None, asked, as_of, instant(known_at, ZoneInfo("UTC"))))

    @router.api_route("/site/{id}", methods=read)
    def one_site(
        id: str, look: Look, as_of: AsOf = None, known_at: KnownAt = None, by: By = None, kind: Kind = None,
        show: Show = None,
    ) -> Response:  # fmt: skip
        zone = look.flow.site(id).timezone
        asked = Asked.of(by, kind, None, show or (), (id,))
        return HTMLResponse(draw_list(look, id, asked, as_of, instant(known_at, zone)))

    return router


def draw_list(look: Looking, site: str | None, asked: Asked, as_of: date | None, known: datetime | None) -> str:
    """The page of a list: of one site or of all that the person may see."""
    flow, now = look.flow, look.flow.clock()

    def today_of(id: str) -> date:
        return as_of or (known.astimezone(flow.site(id).timezone).date() if known else flow.today(id))

    entries = flow.worklist(site, as_of, known)
    heard = flow.last_heard(HAND) if not (as_of or known) else {}
    here = [each for id, each in flow.sites.items() if site in (None, id)]
    return look.pages.worklist(
        entries, today_of, now, census=flow.census(site), unread=flow.unread(site), site=site, as_of=as_of,
        known_at=known, asked=asked, writer=look.person.name,
        notes=[said for each in here if (said := say_silence(each, heard.get(each.id), now))],
        done=flow.treatments(entries) if asked.by == "watch" and not known else None,
    )  # fmt: skip
