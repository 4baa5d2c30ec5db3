"""A body as it arrived, to what each resource in it says. Tolerant, and never raises.

Takes a bare resource, a Bundle of any type (searchset, transaction, batch, collection, history, document, message,
notification) and NDJSON. Every entry and every line stands alone: what fails becomes a rejection in its own Reading.

Three readings look alike and are not: facts (it says something), a `retracted` fact (a version about a known infant
that says nothing any more), and neither facts nor rejections (a type not read, or a resource that was deleted: whom
it was about is known only from its earlier versions).
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator
from datetime import UTC
from typing import Any, Final

from service.core.infant import Reading, Rejection, Version
from service.fhir.answers import read_response
from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, clean, excess, kind, parse_json
from service.fhir.instants import read_sortable
from service.fhir.mending import explain
from service.fhir.observations import read_observation
from service.fhir.patients import read_patient
from service.fhir.procedures import read_procedure
from service.fhir.references import Entries, is_id, locate
from service.fhir.sites import Site
from service.fhir.stays import read_encounter, read_location

_TYPE = re.compile(r"[A-Z][A-Za-z]{1,63}")
_ETAG = re.compile(r'(?:W/)?"(?P<version>[^"]{1,64})"')
_LARGEST_VERSION: Final = 2**63 - 1

READERS: Final[dict[str, Callable[[Draft], None]]] = {
    "Patient": read_patient,
    "Observation": read_observation,
    "Encounter": read_encounter,
    "Location": read_location,
    "Procedure": read_procedure,
    "QuestionnaireResponse": read_response,
}


def is_read(resource: str) -> bool:
    """Whether resources such as this (`Type/id`) are read for facts."""
    return resource.partition("/")[0] in READERS


def read_body(body: bytes, site: Site, received_at: str) -> list[Reading]:
    """Every resource of a body, in its order; nothing for an empty body.

    `received_at` is UTC text like Version.updated: what a resource without meta.lastUpdated is dated. Bytes that are
    not UTF-8 are replaced, so that a mangled name costs the name and not the bundle.
    """
    text = body.decode(json.detect_encoding(body), "replace").strip()
    if not text:
        return []
    try:
        return list(_read(parse_json(text), "", site, received_at, {}))
    except Unreadable as error:
        lines = [line for line in text.split("\n") if line.strip()]
        if sum(line.startswith("{") for line in lines) < 2:
            return [_unread(text, error, received_at)]
    readings: list[Reading] = []
    for number, line in enumerate(text.split("\n"), 1):
        if line.strip():
            try:
                readings.extend(_read(parse_json(line), f"line {number}", site, received_at, {}))
            except Unreadable as error:
                readings.append(_unread(line, Unreadable(f"line {number}", error.reason), received_at))
    return readings


def read_resource(
    resource: object,
    site: Site,
    received_at: str,
    full_url: str | None = None,
    deleted: bool = False,
    entries: Entries | None = None,
) -> Reading:
    """What one resource says. `full_url` names a resource without an id of its own; `deleted` says that it is gone
    (no facts: what its earlier versions said is withdrawn); `entries` resolves references within its bundle."""
    if not isinstance(resource, dict):
        return _unread(resource, Unreadable("", f"is {kind(resource)}, should be a resource"), received_at)
    if (reason := excess(resource)) is not None:
        return _unread(None, Unreadable("", reason), received_at)
    type = resource.get("resourceType")
    if not isinstance(type, str) or not _TYPE.fullmatch(type):
        return _unread(resource, Unreadable("resourceType", "is missing, so this is no FHIR resource"), received_at)
    element = Element(resource, type)
    id = _id(resource, full_url)
    version = _version(element, received_at)
    if id is None and type != "Patient":
        id = f"unnamed-{_digest(resource)[:32]}"  # nothing can correct it, but what it says counts
    if id is not None and resource.get("id") != id:
        element = Element({**resource, "id": id}, type)
    draft = Draft(element, f"{type}/{id or ''}", version, site, entries or {})
    if deleted:
        return draft.finish()
    if type == "OperationOutcome":
        _read_outcome(draft)
    elif type in READERS:
        READERS[type](draft)
        return explain(draft.finish(), element.fields, site)
    return draft.finish()


def _read(value: object, path: str, site: Site, received_at: str, entries: Entries) -> Iterator[Reading]:
    """The resources of one JSON value: a Bundle's entries, or the resource itself."""
    if not isinstance(value, dict) or value.get("resourceType") != "Bundle" or excess(value):
        yield read_resource(value, site, received_at, entries=entries)
        return
    items = value.get("entry")
    if items is not None and not isinstance(items, list):
        yield _unread(value, Unreadable("Bundle.entry", f"is {kind(items)}, should be a list"), received_at)
        return
    items = items or []
    named = {**entries, **_names(items)}
    for number, item in enumerate(items):
        where = f"{path} " * bool(path) + f"Bundle.entry[{number}]"
        if not isinstance(item, dict):
            yield _unread(item, Unreadable(where, f"is {kind(item)}, should be an object"), received_at)
            continue
        yield from _read_entry(Element(item, where), site, received_at, named)


def _read_entry(entry: Element, site: Site, received_at: str, named: Entries) -> Iterator[Reading]:
    request, response, resource = (_object(entry, key) for key in ("request", "response", "resource"))
    if request.get("method") == "DELETE":
        yield _deletion(entry, request, response, site, received_at)
        return
    if "resource" not in entry.fields or entry.fields["resource"] is None:
        return
    if not resource:
        given = entry.fields["resource"]
        yield _unread(given, Unreadable(entry.at("resource"), f"is {kind(given)}, should be a resource"), received_at)
        return
    if resource.get("resourceType") == "Bundle":
        yield from _read(resource, entry.at("resource"), site, received_at, named)
        return
    yield read_resource(_dated(resource, response), site, received_at, _name(entry.fields), entries=named)


def _deletion(
    entry: Element, request: dict[str, Any], response: dict[str, Any], site: Site, received_at: str
) -> Reading:
    url = _string(request.get("url"))
    found = None if "?" in url else locate(url, {}) or locate(_string(entry.fields.get("fullUrl")), {})
    if found is None:
        error = Unreadable(entry.at("request.url"), "does not say which resource was deleted")
        return _unread(entry.fields, error, received_at)
    gone = _dated({"resourceType": found[0], "id": found[1], "meta": {"tag": ["deleted"]}}, response)
    return read_resource(gone, site, received_at, deleted=True)


def _dated(resource: dict[str, Any], response: dict[str, Any]) -> dict[str, Any]:
    """A resource with the version its entry's response gives, where the resource itself says none."""
    given = resource.get("meta")
    meta: dict[str, Any] = given if isinstance(given, dict) else {}
    added: dict[str, Any] = {}
    etag = _ETAG.fullmatch(_string(response.get("etag")))
    if etag and not meta.get("versionId"):
        added["versionId"] = etag["version"]
    if response.get("lastModified") and not meta.get("lastUpdated"):
        added["lastUpdated"] = response["lastModified"]
    return {**resource, "meta": {**meta, **added}} if added else resource


def _names(items: list[Any]) -> dict[str, str]:
    """What a bundle calls its resources: fullUrl to Type/id."""
    names = {}
    for item in items:
        resource = item.get("resource") if isinstance(item, dict) else None
        url = item.get("fullUrl") if isinstance(item, dict) else None
        if isinstance(resource, dict) and isinstance(url, str):
            type, id = resource.get("resourceType"), _id(resource, _name(item))
            if isinstance(type, str) and _TYPE.fullmatch(type) and id is not None:
                names[url] = f"{type}/{id}"
    return names


def _name(item: Any) -> str | None:
    """The best name of an entry's resource besides its own id: where the server put it, where it was to be put, or
    the entry's fullUrl."""
    parts = (item.get("response"), "location"), (item.get("request"), "url"), (item, "fullUrl")
    texts = [_string(part.get(key)) for part, key in parts if isinstance(part, dict)]
    return next((text for text in texts if locate(text, {}) or text.startswith("urn:uuid:")), None)


def _id(resource: dict[str, Any], full_url: str | None) -> str | None:
    """The resource's own id, else the one its address holds."""
    own = resource.get("id")
    if isinstance(own, str) and is_id(own):
        return own
    if own is not None or full_url is None:
        return None
    found = locate(full_url, {})
    if found and found[0] == resource.get("resourceType"):
        return found[1]
    bare = full_url.removeprefix("urn:uuid:")
    return bare if bare != full_url and is_id(bare) else None


def _version(element: Element, received_at: str) -> Version:
    """Number: a whole versionId. Label: the versionId with a hash of the content, since some servers answer every
    version with the same number; without versionId the hash alone."""
    meta = Element(meta, "meta") if isinstance(meta := element.fields.get("meta"), dict) else Element({}, "meta")
    given = _string(meta.fields.get("versionId")).strip()
    number = int(given) if re.fullmatch(r"[0-9]{1,19}", given) and int(given) <= _LARGEST_VERSION else None
    updated = read_sortable(_string(meta.fields.get("lastUpdated")).strip(), UTC) or received_at
    digest = _digest(element.fields)
    return Version(number, updated, f"{clean(given, 64)}-{digest[:16]}" if given else digest)


def _digest(resource: object) -> str:
    """A hash of what a resource says: its JSON without narrative and without the version itself."""
    if isinstance(resource, dict):
        meta = resource.get("meta")
        if isinstance(meta, dict):
            meta = {key: value for key, value in meta.items() if key not in ("versionId", "lastUpdated")}
        resource = {**{key: value for key, value in resource.items() if key != "text"}, "meta": meta or {}}
    text = json.dumps(resource, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _read_outcome(draft: Draft) -> None:
    """A server's complaint among its results: an infant may be missing because of it."""

    def read() -> None:
        for issue in draft.element.elements("issue"):
            if issue.text("severity") in ("error", "fatal"):
                details = issue.element("details")
                words = issue.text("diagnostics") or (details.text("text") if details else None) or issue.text("code")
                draft.reject(Unreadable(issue.path, f"the server reports: {clean(words or 'an error', 200)}"))

    draft.attempt(read)


def _unread(value: object, error: Unreadable, received_at: str) -> Reading:
    """A Reading of something that is no resource."""
    digest = _digest(None if excess(value) else value)
    rejection = Rejection("", clean(error.path), clean(error.reason))
    return Reading("", Version(None, received_at, digest), (), (rejection,))


def _object(entry: Element, key: str) -> dict[str, Any]:
    value = entry.fields.get(key)
    return value if isinstance(value, dict) else {}


def _string(value: object) -> str:
    return value if isinstance(value, str) else ""
