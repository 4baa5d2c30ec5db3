"""The worklist as JSON. The shapes are declared, so that /api/openapi.json describes every answer.

Days are `YYYY-MM-DD` at the infant's site, ages `25w3d`, weights grams. What is not known is null, never left out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from pydantic import BeforeValidator
from typing_extensions import TypedDict

from service.core.infant import Fact, newest
from service.core.worklist import Entry, days_over
from service.fhir.sites import Site
from service.web.looking import Look
from service.web.original import pick_resource
from service.web.shapes import CourseJson, DecisionJson, course_json
from service.web.shapes import decision_json as decision_json
from service.web.view import find_section

PROBLEM: Final[dict[int | str, dict[str, Any]]] = {
    status: {
        "description": words,
        "content": {
            "application/json": {
                "schema": {"type": "object", "required": ["problem"], "properties": {"problem": {"type": "string"}}}
            }
        },
    }
    for status, words in {400: "The question cannot be read.", 404: "Not known here.", 503: "Try again."}.items()
}
"""What a problem looks like, for the OpenAPI description."""


class EntryJson(DecisionJson):
    """One infant on the list. `section`: clock, overdue, today, this-week, unjudged or later."""

    rank: int
    site: str
    site_name: str
    key: str
    name: str
    identifier: str
    unit: str
    bed: str
    left_hospital: bool
    today: str
    section: str
    days_over: int


class WorklistJson(TypedDict):
    """The ranked list: first what should be seen to first."""

    caution: str
    entries: list[EntryJson]


class RejectionJson(TypedDict):
    """Something that could not be read: where and why. `original` is the resource as it came, where it is asked for."""

    site: str
    id: int
    resource: str
    infant: str | None
    about: str
    path: str
    reason: str
    recorded_at: str
    original: str | None


class FactJson(TypedDict):
    """One thing one version of one resource says. `in_force`: no newer version of that resource is known."""

    name: str
    value: dict[str, Any]
    resource: str
    version: str
    updated: str
    rank: int
    certain: bool
    in_force: bool


class PastJson(TypedDict):
    """A decision and when it was made."""

    decided_at: str
    decision: DecisionJson


class InfantJson(TypedDict):
    """All there is to know of one infant."""

    caution: str
    site: str
    site_name: str
    key: str
    name: str
    identifier: str
    today: str
    decision: DecisionJson
    course: CourseJson
    facts: list[FactJson]
    rejections: list[RejectionJson]
    history: list[PastJson]


class SiteJson(TypedDict):
    """A site and its calendar day."""

    id: str
    name: str
    timezone: str
    policy: str
    today: str


CAUTION: Final = "Decision support, not a medical device. The local guideline and licensed clinicians decide."


def read_day(text: object) -> date:
    """A day written `2031-06-01` and in no other way: `20310601` must not be taken for seconds since 1970."""
    if not isinstance(text, str) or not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        raise ValueError("not a day")
    return date.fromisoformat(text)


AsOf = Annotated[
    date | None,
    BeforeValidator(read_day),
    Query(description="The day to compute the list for; each site's own today if left out."),
]


def read_instant(text: object) -> datetime:
    """An instant with its zone, `2031-06-01T07:00Z` or `…+02:00`, where an address may have made a blank of the plus
    sign. Before the first year below nothing was known, and after the last nothing more will be."""
    if not isinstance(text, str) or not _INSTANT.fullmatch(text):
        raise ValueError("not an instant")
    return min(max(_FIRST, datetime.fromisoformat(text.upper().replace(" ", "+"))), _LAST)


_FIRST, _LAST = datetime(1900, 1, 1, tzinfo=UTC), datetime(2199, 12, 31, tzinfo=UTC)
_INSTANT: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9:.]{5,}([Zz]|[ +-][0-9]{2}:[0-9]{2})")

KnownAt = Annotated[
    datetime | None,
    BeforeValidator(read_instant),
    Query(description="Only what was known at this instant, written with its zone; all that is known if left out."),
]
SiteId = Annotated[str | None, Query(description="One site; all of them if left out.")]


def entry_json(entry: Entry, rank: int, today: date, site_name: str) -> EntryJson:
    """One line of the list; `rank` counts from 1."""
    return {
        "rank": rank,
        "site": entry.site,
        "site_name": site_name,
        "key": entry.key,
        "name": entry.name,
        "identifier": entry.identifier,
        "unit": entry.unit,
        "bed": entry.bed,
        "left_hospital": entry.left_hospital,
        "today": today.isoformat(),
        "section": find_section(entry, today),
        "days_over": days_over(entry, today),
        **decision_json(entry.decision, today),
    }


def list_json(entries: Sequence[Entry], today: Mapping[str, date], sites: Mapping[str, Site]) -> WorklistJson:
    """A ranked list; `today` holds each site's day."""
    return {
        "caution": CAUTION,
        "entries": [
            entry_json(entry, rank, today[entry.site], sites[entry.site].name) for rank, entry in enumerate(entries, 1)
        ],
    }


def fact_json(fact: Fact, in_force: bool) -> FactJson:
    """One fact."""
    return {
        "name": fact.name,
        "value": dict(fact.value),
        "resource": fact.resource,
        "version": fact.version.label,
        "updated": fact.version.updated,
        "rank": fact.rank,
        "certain": fact.certain,
        "in_force": in_force,
    }


def rejection_json(row: Mapping[str, Any]) -> RejectionJson:
    """One rejection as `Flow.rejections` gives it."""
    original = row.get("original")
    return {
        "site": row["site"],
        "id": row["id"],
        "resource": row["resource"],
        "infant": row["patient_key"],
        "about": row["about"],
        "path": row["path"],
        "reason": row["reason"],
        "recorded_at": row["recorded_at"].isoformat(),
        "original": None if original is None else pick_resource(original, row["resource"]),
    }


def api_routes() -> APIRouter:
    """/api: the worklist, one infant, what could not be read, the census and the sites."""
    router = APIRouter(prefix="/api", tags=["worklist"], responses=PROBLEM)

    @router.get("/worklist")
    def worklist(look: Look, site: SiteId = None, as_of: AsOf = None, known_at: KnownAt = None) -> WorklistJson:
        """The ranked list of one site, or of all: first what should be seen to first. As of a day, it is judged for
        that day; known at an instant, it is the list as it was shown then."""
        flow, sites = look.flow, look.flow.sites
        moment = known_at or flow.clock()
        days = {id: as_of or moment.astimezone(here.timezone).date() for id, here in sites.items()}
        return list_json(flow.worklist(site, as_of, known_at), days, sites)

    @router.get("/infants/{key}")
    def infant(look: Look, key: str, as_of: AsOf = None, known_at: KnownAt = None) -> InfantJson:
        """One infant: what is decided, from what facts, and every decision before; as of a day, or as known at an
        instant."""
        seen = look.flow.infant(key, as_of, known_at)
        in_force = [fact for facts in newest(seen.facts) for fact in facts]
        return {
            "caution": CAUTION,
            "site": seen.site.id,
            "site_name": seen.site.name,
            "key": seen.key,
            "name": seen.infant.name,
            "identifier": seen.infant.identifier,
            "today": seen.as_of.isoformat(),
            "decision": decision_json(seen.decision, seen.as_of),
            "course": course_json(seen.course, seen.as_of),
            "facts": [fact_json(fact, fact in in_force) for fact in seen.facts],
            "rejections": [rejection_json(each) for each in seen.rejections],
            "history": [
                {"decided_at": moment.isoformat(), "decision": decision_json(each, each.as_of)}
                for moment, each in seen.history
            ],
        }

    @router.get("/rejections")
    def rejections(look: Look, site: SiteId = None) -> list[RejectionJson]:
        """What could not be read and has not been put right, newest first."""
        return [rejection_json(each) for each in look.flow.rejections(site)]

    @router.get("/census")
    def census(look: Look, site: SiteId = None) -> dict[str, int]:
        """How many infants are in each of the four states."""
        if site is not None:
            look.flow.site(site)
        return look.flow.census(site)

    @router.get("/sites")
    def all_sites(look: Look) -> list[SiteJson]:
        """Every site, with its own calendar day."""
        return [
            {
                "id": id,
                "name": site.name,
                "timezone": str(site.timezone),
                "policy": look.flow.policy_on(id, look.flow.today(id)).id,
                "today": look.flow.today(id).isoformat(),
            }
            for id, site in look.flow.sites.items()
        ]

    return router
