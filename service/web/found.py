"""Looking for an infant by name, number or bed, whether on the list or off it.

What was typed may be a name, so it is sent as a form and never stands in an address or a log: it is kept here, in this
process, for a few minutes, and the answer stands under an opaque random token.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import Annotated, Final

from fastapi import APIRouter, Depends
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.recall import Found
from service.web import view
from service.web.entry import read_typed
from service.web.looking import Look, Looking
from service.web.pages import STATES
from service.web.typed import first
from service.web.words import _, ngettext_

KEPT_FOR: Final = timedelta(minutes=10)
MOST_KEPT: Final = 1000
MOST_SHOWN: Final = 50
LONGEST: Final = 120
"""Letters of what is looked for that count."""


@dataclass(frozen=True, slots=True)
class _Search:
    said: str
    by: str
    until: datetime


class Searches:
    """What people looked for in the last minutes, each under its token. Only whoever looked may see it again."""

    def __init__(self) -> None:
        self._kept: dict[str, _Search] = {}
        self._lock = Lock()

    def keep(self, said: str, by: str, now: datetime) -> str:
        """Keep it for a while; its token."""
        token = secrets.token_urlsafe(16)
        with self._lock:
            alive = [(old, each) for old, each in self._kept.items() if each.until > now]
            self._kept = dict(alive[-(MOST_KEPT - 1) :])
            self._kept[token] = _Search(said, by, now + KEPT_FOR)
        return token

    def recall(self, token: str, by: str, now: datetime) -> str | None:
        """What was looked for; None where it is forgotten, or somebody else's."""
        with self._lock:
            kept = self._kept.get(token)
        return kept.said if kept is not None and kept.by == by and kept.until > now else None


@dataclass(frozen=True, slots=True)
class _Shown:
    infant: Found
    place: str
    stands: str


def found_routes() -> APIRouter:
    """/found: POST to look for somebody; /found/{token}: whom that found."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    searches = Searches()

    @router.get("/found")
    def ask(look: Look) -> Response:
        return HTMLResponse(_draw(look, "", said=None))

    @router.post("/found")
    def search(look: Look, given: Annotated[dict[str, list[str]], Depends(read_typed)]) -> Response:
        said = first(given, "who")[:LONGEST]
        if not said:
            return RedirectResponse("/found", 303)
        return RedirectResponse(f"/found/{searches.keep(said, str(look.person.id), look.flow.clock())}#found", 303)

    @router.get("/found/{token}")
    def show(token: str, look: Look) -> Response:
        said = searches.recall(token, str(look.person.id), look.flow.clock())
        if said is None:
            return HTMLResponse(_draw(look, _("This search is forgotten by now. Type it again."), said=None), 404)
        return HTMLResponse(_draw(look, "", said=said))

    return router


def _draw(look: Looking, note: str, said: str | None) -> str:
    found = look.flow.search(said, MOST_SHOWN + 1) if said else []
    shown = [_show(each, look) for each in found[:MOST_SHOWN]]
    more = len(found) > MOST_SHOWN
    heading = ngettext_("%(n)s infant found", "%(n)s infants found", len(shown))
    return look.pages.render(
        "found.html", here="found", said=said or "", asked=said is not None, shown=shown, note=note,
        heading=_("More than %(n)s infants found", n=MOST_SHOWN) if more else heading, more=more,
    )  # fmt: skip


def _show(infant: Found, look: Looking) -> _Shown:
    site, today = look.flow.site(infant.site), look.flow.today(infant.site)
    place = " · ".join(view.say_place(site.name, infant.unit, infant.bed))
    if infant.closes is None:
        return _Shown(infant, place, view.capitalize(STATES[infant.state]))
    task = view.say_task(infant.kind)
    late = (today - infant.closes).days
    day = view.say_day(infant.closes, today)
    if late > 0:
        return _Shown(infant, place, _("%(task)s, %(days)s over", task=task, days=view.count_days(late)))
    return _Shown(infant, place, _("%(task)s, by %(day)s", task=task, day=day))
