"""Who looked at what and who changed what: one day of it as a page, one infant's on the infant's page.

Kept are keys, kinds and instants, never a name or a value; the names of those who looked are put to it when it is read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from urllib.parse import urlencode
from uuid import UUID
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from service.errors import NotFound
from service.flow import InfantView
from service.store import looks, people
from service.store.looks import Seen
from service.web.api import AsOf
from service.web.looking import Look, Looking
from service.web.paging import LENGTH, From, Part
from service.web.words import N_, _

KINDS: Final[Mapping[str, str]] = {
    "signed-in": N_("signed in"),
    "refused": N_("was not let in"),
    "signed-out": N_("signed out"),
    "list": N_("looked at the list"),
    "infant": N_("looked at an infant"),
    "change": N_("changed what is on record"),
    "export": N_("took a list away"),
    "people": N_("changed who may look"),
}
"""What is written down -> what the person did."""

AT: Final = ("07:00", "12:00", "23:59")
"""Times of a day as of which its list is offered as it was then."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line: when on the wall of the place, who, what in words, where, and the infant's key."""

    at: datetime
    who: str
    what: str
    site: str
    infant: str
    page: str


def looked_at(look: Looking, seen: InfantView) -> list[Row]:
    """Who looked at one infant's record and who changed it, newest first."""
    with look.flow.database.transaction() as connection:
        rows = looks.about_infant(connection, seen.site.id, UUID(seen.key))
    return _rows(look, rows, seen.site.timezone)


def _rows(look: Looking, rows: Iterable[Seen], zone: ZoneInfo) -> list[Row]:
    rows = list(rows)
    with look.flow.database.transaction() as connection:
        names = people.names_of(connection, [row.person for row in rows if row.person is not None])
    names |= {each.id: each.name for each in look.pages.invented if each.id is not None}
    sites = look.flow.sites
    return [
        Row(
            row.at.astimezone(zone), names.get(row.person, "") if row.person else "", _(KINDS[row.kind]),
            sites[row.site].name if row.site in sites else "",
            str(row.about) if row.about and row.kind != "people" else "", row.page,
        )
        for row in rows
    ]  # fmt: skip


def audit_routes() -> APIRouter:
    """/audit: a day, narrowed to a person, a site or an infant."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.api_route("/audit", methods=["GET", "HEAD"])
    def audit(
        look: Look, day: AsOf = None, person: str = "", site: str = "", infant: str = "", begin: From = 0
    ) -> Response:
        look.only_for("/audit")
        zone = _zone(look, site)
        on = day or look.flow.clock().astimezone(zone).date()
        midnight = datetime.combine(on, time(), zone)
        here = [look.flow.site(site).id] if site else None if look.person.sites is None else [*look.flow.sites]
        with look.flow.database.transaction() as connection:
            known = [each for each in people.everybody(connection) if look.knows(each)]
            found, total = looks.between(
                connection, midnight, datetime.combine(on + timedelta(days=1), time(), zone), sites=here,
                elsewhere=() if site else [each.id for each in known if each.id],
                person=_uuid(person), about=_uuid(infant), offset=begin, limit=LENGTH,
            )  # fmt: skip
        chosen = {"person": person, "site": site, "infant": infant}
        return HTMLResponse(
            look.pages.render(
                "audit.html", here="audit", day=on, zone=zone.key, chosen=chosen,
                part=Part(_rows(look, found, zone), begin, total, "/audit", {"day": on.isoformat(), **chosen}),
                everybody=[*look.pages.invented] or known, before=_at(on - timedelta(days=1), chosen),
                after=_at(on + timedelta(days=1), chosen), times=AT,
            )
        )  # fmt: skip

    return router


def _zone(look: Looking, site: str) -> ZoneInfo:
    """The site's time zone; that of all sites where they have one, else UTC."""
    here = [look.flow.site(site)] if site else list(look.flow.sites.values())
    zones = {each.timezone.key for each in here}
    return ZoneInfo(zones.pop() if len(zones) == 1 else "UTC")


def _uuid(text: str) -> UUID | None:
    try:
        return UUID(text) if text else None
    except ValueError:
        raise NotFound("nothing is on record about this") from None


def _at(day: date, chosen: Mapping[str, str]) -> str:
    asked = {"day": day.isoformat(), **chosen}
    return "/audit?" + urlencode({name: value for name, value in asked.items() if value})
