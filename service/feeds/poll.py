"""Reads what changed at a site since the last reading: after a hook with an empty body, after an outage, on a schedule.

A hook is a hint that may be lost; this is what makes the list complete. The rules (HL7 FHIR R4, search and
`_lastUpdated`; behaviour of servers as documented by LinuxForHealth issue 2039 and HAPI's starter configuration):

- The mark is the largest `meta.lastUpdated` the *server* has shown, never our clock, and never later than the
  server's own time of answering (and the overlap), so that one resource from the future cannot hide the rest.
- Each reading starts `overlap` before the mark: a long transaction commits late under an earlier time.
- Newest first: what changes while pages are read moves to the front, so that pages counted by offset repeat
  something, where oldest first would skip something.
- Pages are followed as given; the mark moves only when the last page of a type is in hand. A reading that breaks off
  is simply done again.
- What was already handed over in the overlap is not handed over again.
- A search is narrowed only by a parameter that the server's CapabilityStatement lists, and only where nothing that
  means something here could fall outside: `narrowed` says how.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any, Final

import orjson

from service.client import Capabilities, FhirClient, Page
from service.errors import SiteRefused
from service.fhir.forms import FORMS
from service.fhir.sites import TEXT, Site

LOINC: Final = "http://loinc.org"
TYPES: Final = ("Location", "Patient", "Encounter", "Observation", "Procedure", "QuestionnaireResponse")
OF_THE_COURSE: Final = frozenset({"Procedure", "QuestionnaireResponse"})
"""Types that many servers do not have: one that is not listed and cannot be searched is no trouble."""
OVERLAP: Final = timedelta(minutes=5)
PAGE_SIZE: Final = 200
REMEMBERED: Final = 5_000
"""Versions remembered for the overlap; beyond this they are handed over twice, which does no harm."""

NO_SUCH_TYPE: Final = frozenset({400, 404, 405, 422, 501})
"""How servers answer a search of a type that they do not have."""

Cursor = Mapping[str, Any]
"""`{type: {"mark": instant, "seen": ["Type/id/version", ...]}}`, as kept in the table of cursors; {} reads all."""


@dataclass(frozen=True, slots=True)
class Batch:
    """One body for `flow.accept` (None when a page held nothing new), and the cursor to keep once it is accepted.

    `outcomes` counts remarks the server put among the results: something may have been left out.
    """

    type: str
    body: bytes | None
    cursor: Cursor
    outcomes: int = 0


def catch_up(
    client: FhirClient,
    site: Site,
    cursor: Cursor,
    types: Iterable[str] = TYPES,
    overlap: timedelta = OVERLAP,
    whole: bool = False,
) -> Iterator[Batch]:
    """Everything new since `cursor`, page by page; `whole` forgets the marks and reads all of it again.

    Keep each batch's cursor in the transaction that accepts its body. Raises SiteUnavailable (keep the last cursor,
    come again) and, once every type has been tried, SiteRefused (one cannot be searched as a whole).
    """
    kept: dict[str, Any] = {} if whole else dict(cursor)
    refused: SiteRefused | None = None
    capabilities = client.capabilities()
    for type in types:
        try:
            for batch in _catch_up_type(client, kept, type, narrowed(type, site, capabilities), overlap):
                kept = dict(batch.cursor)
                yield batch
        except SiteRefused as error:  # what one type is not allowed must not hide the others
            if lacks(capabilities, type) and error.status in NO_SUCH_TYPE:
                continue
            refused = refused or error
    if refused is not None:
        raise refused


def _catch_up_type(
    client: FhirClient, kept: Mapping[str, Any], type: str, narrow: tuple[str, str] | None, overlap: timedelta
) -> Iterator[Batch]:
    before = kept.get(type) or {}
    mark, seen = before.get("mark"), frozenset(before.get("seen") or ())
    shown: dict[str, str] = {}
    ceiling: datetime | None = None
    held: Batch | None = None
    for page in client.pages(type, _query(narrow, mark, overlap)):
        ceiling = ceiling or page.answered
        versions = _versions(page)
        shown |= versions
        fresh = any(version not in seen for version in versions)
        if held is not None:
            yield held
        held = Batch(type, page.body if fresh else None, dict(kept), page.outcomes())
    if held is not None:
        advanced = {**kept, type: _advance(mark, shown, ceiling, overlap)}
        yield Batch(held.type, held.body, advanced, held.outcomes)


def reread(client: FhirClient, references: Iterable[str]) -> Iterator[bytes]:
    """The present state of known resources, one body each: for servers that cannot be searched as a whole, and to
    learn of what searches do not show. A deleted one (410) comes as a history Bundle that says so; one that is not
    found (404) comes not at all, since that may only mean that we may not see it now."""
    for reference in references:
        try:
            yield client.read_body(reference)
        except SiteRefused as error:
            if error.status == 410:
                yield _deletion(client, reference)
            elif error.status not in (403, 404):
                raise


def lacks(capabilities: Capabilities, type: str) -> bool:
    """Whether a server may well be without this type, which tells of the course: it does not list it."""
    return type in OF_THE_COURSE and type not in capabilities.types


def narrowed(type: str, site: Site, capabilities: Capabilities) -> tuple[str, str] | None:
    """The search parameter and value that leave out what means nothing here; None where all must be read.

    Observations by `combo-code`, the code of the whole or of a component (R4 Observation search parameters): by `code`
    alone, a panel whose own code is not known here would be missed. Procedures by `code`; answers to our own forms by
    `questionnaire`, its URL with and without a version.
    """
    asked, values = _meant(type, site)
    return (asked, ",".join(values)) if values and capabilities.searches(type, asked) else None


def why_whole(type: str, site: Site, capabilities: Capabilities) -> str:
    """Why all of a type is read that could be asked for by what means something here, in words; "" where it is not."""
    asked, values = _meant(type, site)
    if not asked or narrowed(type, site, capabilities):
        return ""
    if not values:
        return f"some of {type} is known here by its words alone, which no search by code finds"
    if not capabilities.of(type).parameters:
        return f"its server lists no search parameters of {type}"
    return f"its server does not list the search parameter {asked} of {type}"


def _meant(type: str, site: Site) -> tuple[str, list[str]]:
    """By what a type could be narrowed: the search parameter ("": by none), and the values that mean something here."""
    match type:
        case "Observation":
            return "combo-code", observation_codes(site)
        case "Procedure":
            return "code", procedure_codes(site)
        case "QuestionnaireResponse":
            canonicals = [form.canonical for form in FORMS.values()]
            return "questionnaire", [name for full in canonicals for name in (full.partition("|")[0], full)]
        case _:
            return "", []


def observation_codes(site: Site) -> list[str]:
    """`system|code` of every coding that an Observation or a component may carry and that means something at this site;
    none when some are known by words alone, because then no search by code would find them."""
    meant = (coding for coding, code in site.codes.items() if code.concept not in ("ignore", "treatment"))
    return _tokens([*meant, *site.findings])


def procedure_codes(site: Site) -> list[str]:
    """`system|code` of every coding that means a treatment or respiratory support at this site; none when some are
    known by words alone. Support may be an Observation as well, and LOINC codes nothing but those."""
    return _tokens([
        (system, each)
        for (system, each), code in site.codes.items()
        if code.concept == "treatment" or (code.concept == "respiratory" and system != LOINC)
    ])  # fmt: skip


def _tokens(codings: Iterable[tuple[str, str]]) -> list[str]:
    codings = list(codings)
    if any(system in (TEXT, "") for system, _ in codings):
        return []
    return sorted({f"{system}|{code}" for system, code in codings})


def _query(narrow: tuple[str, str] | None, mark: str | None, overlap: timedelta) -> list[tuple[str, str]]:
    query = [("_sort", "-_lastUpdated"), ("_count", str(PAGE_SIZE))]
    if mark:
        query.append(("_lastUpdated", f"ge{_text(datetime.fromisoformat(mark) - overlap)}"))
    return [*query, narrow] if narrow else query


def _versions(page: Page) -> dict[str, str]:
    """`Type/id/version` -> lastUpdated (empty where the server gives none) of every resource on a page."""
    found = {}
    for resource in page.resources():
        meta = resource.get("meta") or {}
        version = meta.get("versionId") or meta.get("lastUpdated") or sha256(orjson.dumps(resource)).hexdigest()
        found[f"{resource.get('resourceType')}/{resource.get('id')}/{version}"] = str(meta.get("lastUpdated") or "")
    return found


def _advance(
    mark: str | None, shown: Mapping[str, str], ceiling: datetime | None, overlap: timedelta
) -> dict[str, Any]:
    """The new mark, and the versions a next reading that starts `overlap` earlier will meet again."""
    moments = {version: moment for version, text in shown.items() if (moment := _moment(text))}
    limit = ceiling + overlap if ceiling else datetime.max.replace(tzinfo=UTC)  # Date is coarse; the overlap covers it
    latest = max([moment for moment in moments.values() if moment <= limit], default=None)
    old = _moment(mark or "")
    new = max([moment for moment in (latest, old) if moment], default=None)
    again = sorted(version for version, moment in moments.items() if new is None or moment >= new - overlap)
    return {"mark": _text(new) if new else None, "seen": again if len(again) <= REMEMBERED else []}


def _moment(text: str) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.tzinfo else None


def _text(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _deletion(client: FhirClient, reference: str) -> bytes:
    entry = {"fullUrl": f"{client.base_url}/{reference}", "request": {"method": "DELETE", "url": reference}}
    return orjson.dumps({"resourceType": "Bundle", "type": "history", "entry": [entry]})
