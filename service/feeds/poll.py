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
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Any, Final

import orjson

from service.client import FhirClient, Page
from service.errors import SiteRefused
from service.fhir.sites import TEXT, Site

TYPES: Final = ("Location", "Patient", "Encounter", "Observation")
OVERLAP: Final = timedelta(minutes=5)
PAGE_SIZE: Final = 200
REMEMBERED: Final = 5_000
"""Versions remembered for the overlap; beyond this they are handed over twice, which does no harm."""

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
    for type in types:
        try:
            for batch in _catch_up_type(client, site, kept, type, overlap):
                kept = dict(batch.cursor)
                yield batch
        except SiteRefused as error:
            refused = refused or error  # what one type is not allowed must not hide the others
    if refused is not None:
        raise refused


def _catch_up_type(
    client: FhirClient, site: Site, kept: Mapping[str, Any], type: str, overlap: timedelta
) -> Iterator[Batch]:
    before = kept.get(type) or {}
    mark, seen = before.get("mark"), frozenset(before.get("seen") or ())
    shown: dict[str, str] = {}
    ceiling: datetime | None = None
    held: Batch | None = None
    for page in client.pages(type, _query(type, site, mark, overlap)):
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


def _query(type: str, site: Site, mark: str | None, overlap: timedelta) -> list[tuple[str, str]]:
    query = [("_sort", "-_lastUpdated"), ("_count", str(PAGE_SIZE))]
    if mark:
        query.append(("_lastUpdated", f"ge{_text(datetime.fromisoformat(mark) - overlap)}"))
    if type == "Observation" and (codes := observation_codes(site)):
        query.append(("code", ",".join(codes)))
    return query


def observation_codes(site: Site) -> list[str]:
    """`system|code` of every coding that means something at this site; none when some are known by words alone,
    because then no search by code would find them."""
    meaningful = [*(coding for coding, code in site.codes.items() if code.concept != "ignore"), *site.findings]
    if any(system in (TEXT, "") for system, _ in meaningful):
        return []
    return sorted({f"{system}|{code}" for system, code in meaningful})


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
