"""The FHIR R4 facade: what the service publishes, for other systems to read and search. Nothing can be written to it.

Every answer is FHIR JSON, every error an OperationOutcome. http://hl7.org/fhir/R4/http.html
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime
from email.utils import format_datetime, parsedate_to_datetime
from typing import Annotated, Any, Final
from urllib.parse import parse_qsl, urlencode
from uuid import UUID

from fastapi import APIRouter, Depends
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from service.errors import NotUnderstood
from service.fhir import forms, terms, write
from service.fhir.sites import Site
from service.fhir.step import step_code_system, step_name
from service.fhir.strict import instant
from service.store.publications import Person, Published
from service.web.guard import FHIR_JSON
from service.web.looking import Look, Looking
from service.web.search import INCLUDES, PARAMETERS, Question, understand

Resource = dict[str, Any]
SERVED: Final = tuple(sorted(PARAMETERS))
_FIXED: Final = ("CodeSystem", "Questionnaire")
"""The types of which this version of the program publishes the same resources to everybody."""
READ_ONLY: Final = "This FHIR endpoint is read-only: nothing can be created, changed or deleted here."
_FORM: Final = "application/x-www-form-urlencoded"
_JSON_NAMES: Final = ("json", "application/json", "application/fhir+json", "text/json")


def facade_routes(version: str, started: datetime, base_url: str | None = None) -> APIRouter:
    """All routes under /fhir. `base_url` is the service's public address; without it the one asked under counts."""
    router = APIRouter(prefix="/fhir", include_in_schema=False, dependencies=[Depends(agree_format)])
    fixed = (step_code_system(), terms.code_system(), *forms.questionnaires())
    same_for_all = {(body["resourceType"], body["id"]): body for body in fixed}
    get = ["GET", "HEAD"]

    def facade(look: Looking, request: Request) -> _Facade:
        base = f"{(base_url or str(request.base_url)).rstrip('/')}/fhir"
        return _Facade(look, base, same_for_all)

    @router.api_route("", methods=get)
    @router.api_route("/", methods=get)
    def root() -> Response:
        raise HTTPException(404, "A search needs a type, as in /fhir/Task; what there is stands in /fhir/metadata.")

    @router.api_route("/metadata", methods=get)
    def metadata(look: Look, request: Request) -> Response:
        served = [_declare(type) for type in SERVED]
        base = facade(look, request).base
        return _answer(request, write.capability_statement(base, version, started, served))

    @router.api_route("/{type}/_search", methods=["POST"])
    def search_form(look: Look, request: Request, type: str, asked: Asked) -> Response:
        return facade(look, request).search(request, type, asked)

    @router.api_route("/{type}", methods=get)
    def search(look: Look, request: Request, type: str) -> Response:
        return facade(look, request).search(request, type, request.query_params.multi_items())

    @router.api_route("/{type}/{id}", methods=get)
    def read(look: Look, request: Request, type: str, id: str) -> Response:
        return facade(look, request).read(request, type, id)

    @router.api_route("/{type}/{id}/_history", methods=get)
    def history(look: Look, request: Request, type: str, id: str) -> Response:
        return facade(look, request).history(request, type, id)

    @router.api_route("/{type}/{id}/_history/{number}", methods=get)
    def version_read(look: Look, request: Request, type: str, id: str, number: str) -> Response:
        return facade(look, request).version_read(request, type, id, number)

    return router


def agree_format(request: Request) -> None:
    """406 unless the caller takes FHIR JSON of R4; `_format` counts before Accept."""
    asked = request.query_params.get("_format")
    if asked is not None:
        good = _is_json(asked.replace(" ", "+"))
    else:
        accept = request.headers.get("accept", "*/*")
        good = any(
            _is_json(each) or each.partition(";")[0].strip() in ("*/*", "application/*") for each in accept.split(",")
        )
    if not good:
        raise HTTPException(406, "This endpoint speaks FHIR R4 JSON only: application/fhir+json.")


async def read_form(request: Request) -> list[tuple[str, str]]:
    """The parameters of a search by POST: those of the address and those of the form."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in (_FORM, ""):
        raise HTTPException(415, f"A search by POST is a form: {_FORM}.")
    body = (await request.body()).decode(errors="replace")
    return [*request.query_params.multi_items(), *parse_qsl(body, keep_blank_values=True)]


Asked = Annotated[list[tuple[str, str]], Depends(read_form)]


class _Facade:
    """What one caller may see of what is published. `base` is our own address as the caller knows it, `fixed` the
    resources that are the same for everybody, by type and id."""

    def __init__(self, look: Looking, base: str, fixed: Mapping[tuple[str, str], Resource]) -> None:
        self._flow, self._publications, self._sites = look.flow, look.publications, look.flow.sites
        self._clock, self.base, self._fixed = look.flow.clock, base, fixed

    # --- read ------------------------------------------------------------------------------------------------------

    def read(self, request: Request, type: str, id: str) -> Response:
        _know(type)
        if type == "Patient":
            person = self._publications.person(UUID(id)) if _is_uuid(id) else None
            if person is None:
                raise HTTPException(404, f"No {type} with this id is known here.")
            if person.gone:
                raise HTTPException(410, f"This Patient is not on record here any more: {person.gone}.")
            return _answer(request, self._patient(person), person.changed_at)
        if type == "List":
            for site in (None, *self._sites.values()):
                if write.list_id(site) == id:
                    return _answer(request, self._list(site))
            raise HTTPException(404, f"No List with this id; there are: {', '.join(self._list_ids())}.")
        if type in _FIXED:
            if (type, id) not in self._fixed:
                raise HTTPException(404, f"No {type} with this id is published here.")
            return _answer(request, self._fixed[type, id])
        published = self._publications.read(type, id)
        if published is None:
            raise HTTPException(404, f"No {type} with this id is known here.")
        return _answer(request, published.body, published.updated)

    def version_read(self, request: Request, type: str, id: str, number: str) -> Response:
        _know_versions(type)
        version = int(number) if number.isascii() and number.isdigit() and len(number) < 9 else 0
        published = self._publications.read(type, id, version)
        if published is None:
            raise HTTPException(404, f"No such version of this {type} is known here.")
        return _answer(request, published.body, published.updated)

    def history(self, request: Request, type: str, id: str) -> Response:
        _know_versions(type)
        versions = self._publications.history(type, id)
        if not versions:
            raise HTTPException(404, f"No {type} with this id is known here.")
        base = self.base
        bundle = {
            "resourceType": "Bundle",
            "type": "history",
            "timestamp": instant(self._clock()),
            "total": len(versions),
            "link": [{"relation": "self", "url": f"{base}/{type}/{id}/_history"}],
            "entry": [
                {
                    "fullUrl": f"{base}/{type}/{id}",
                    "resource": each.body,
                    "request": {"method": "POST", "url": type}
                    if each.version == 1
                    else {"method": "PUT", "url": f"{type}/{id}"},
                    "response": {
                        "status": "201" if each.version == 1 else "200",
                        "etag": f'W/"{each.version}"',
                        "lastModified": each.body["meta"]["lastUpdated"],
                    },
                }
                for each in versions
            ],
        }
        return _answer(request, bundle)

    # --- search ----------------------------------------------------------------------------------------------------

    def search(self, request: Request, type: str, asked: Iterable[tuple[str, str]]) -> Response:
        _know(type)
        asked, after = list(asked), None
        page = next((value for name, value in asked if name == "_page"), None)
        if page is not None:
            asked, after = _open_page(page, type)
        question = understand(type, asked)
        if question.unknown and "handling=strict" in request.headers.get("prefer", "").replace(" ", ""):
            known = ", ".join([*PARAMETERS[type], *(f"_include={each}" for each in INCLUDES.get(type, ()))])
            raise NotUnderstood(f"Not known on {type}: {', '.join(sorted(set(question.unknown)))}. Known: {known}.")
        base = self.base
        if type == "Patient":
            total, entries, last = self._find_people(question, base, after)
        elif type == "List":
            total, entries, last = self._find_lists(question, base)
        elif type in _FIXED:
            total, entries, last = self._find_fixed(question, base)
        else:
            total, entries, last = self._find_published(question, base, after)
        link = f"{base}/{type}"
        next_url = f"{link}?{urlencode({'_page': _close_page(question, last)})}" if last else None
        self_url = f"{link}?{urlencode(question.kept)}" if question.kept else link
        bundle = write.search_bundle(self_url, entries, total if question.total else None, self._clock(), next_url)
        return _answer(request, bundle)

    def _find_published(self, question: Question, base: str, after: Any) -> tuple[int, list[Any], Any]:
        total, rows, last = self._publications.search(
            question.type, question.terms, question.limit, question.sort or "period", question.descending, after  # type: ignore[arg-type]
        )  # fmt: skip
        entries = [(f"{base}/{row.type}/{row.id}", row.body, "match") for row in rows]
        if question.include:
            entries += self._focus(rows, base)
        return total, entries, last

    def _focus(self, tasks: Iterable[Published], base: str) -> list[tuple[str, Resource, str]]:
        """What the tasks are about, each once: a ServiceRequest, or the infant whose data are missing."""
        references = dict.fromkeys(str(task.body.get("focus", {}).get("reference", "")) for task in tasks)
        ids: dict[str, list[str]] = {}
        for reference in references:
            type, _, id = reference.partition("/")
            ids.setdefault(type, []).append(id)
        found = [
            (f"{base}/ServiceRequest/{row.id}", row.body, "include")
            for row in self._publications.named("ServiceRequest", ids.get("ServiceRequest", [])).values()
        ]
        keys = [UUID(id) for id in ids.get("Patient", []) if _is_uuid(id)]
        if keys:
            _, people, _ = self._publications.people(keys, [], [], len(keys))
            found += [(f"{base}/Patient/{each.key}", self._patient(each), "include") for each in people]
        return found

    def _find_people(self, question: Question, base: str, after: Any) -> tuple[int, list[Any], Any]:
        keys: list[Any] | None = None
        for term in question.terms:
            if term.field == "infant":
                keys = [key for key in term.alternatives if keys is None or key in keys]

        def of(field: str) -> list[Any]:
            return [term.alternatives for term in question.terms if term.field == field]

        total, people, last = self._publications.people(keys, of("identifier"), of("updated"), question.limit, after)
        return total, [(f"{base}/Patient/{each.key}", self._patient(each), "match") for each in people], last

    def _find_lists(self, question: Question, base: str) -> tuple[int, list[Any], None]:
        wanted = [term.alternatives for term in question.terms]
        sites = [site for site in (None, *self._sites.values()) if all(write.list_id(site) in each for each in wanted)]
        shown = sites[: question.limit]
        return len(sites), [(f"{base}/List/{write.list_id(site)}", self._list(site), "match") for site in shown], None

    def _find_fixed(self, question: Question, base: str) -> tuple[int, list[Any], None]:
        found = [
            body
            for (type, _), body in self._fixed.items()
            if type == question.type and all(body[term.field] in term.alternatives for term in question.terms)
        ]
        shown = found[: question.limit]
        return len(found), [(f"{base}/{question.type}/{body['id']}", body, "match") for body in shown], None

    # --- resources made at read ------------------------------------------------------------------------------------

    def _patient(self, person: Person) -> Resource:
        infant, site = person.infant, self._sites[person.site]
        born = infant.born.value
        shown = (site.identifier_system, infant.identifier) if site.identifier_system and infant.identifier else None
        resource = write.patient(
            person.key, infant.name, (born.low, born.high) if born else None, infant.sex or "", shown,
            infant.birth_order if infant.birth_order else infant.multiple or None, site,
        )  # fmt: skip
        moment = person.changed_at.astimezone(UTC)
        return resource | {"meta": {"versionId": str(int(moment.timestamp() * 1e6)), "lastUpdated": instant(moment)}}

    def _list(self, site: Site | None) -> Resource:
        """The ranked list now, as the Tasks of what comes next. They are written with the decision, so only somebody
        decided upon between the two readings is left out, and stands on the next one."""
        entries = self._flow.worklist(site.id if site else None)
        tasks = self._publications.open_tasks()
        found = (tasks.get((entry.site, entry.key, step_name(entry.kind, entry.decision))) for entry in entries)
        ids = [id for id in found if id is not None]
        return write.list_resource(site, ids, self._clock())

    def _list_ids(self) -> list[str]:
        return [write.list_id(site) for site in (None, *self._sites.values())]


def _declare(type: str) -> Resource:
    """What the CapabilityStatement says of one resource type."""
    kept = type in ("ServiceRequest", "Task")
    interactions = ["read", "vread", "history-instance", "search-type"] if kept else ["read", "search-type"]
    resource: Resource = {
        "type": type,
        "interaction": [{"code": code} for code in interactions],
        "versioning": "versioned" if kept else "no-version",
        "readHistory": kept,
        "updateCreate": False,
        "conditionalCreate": False,
        "conditionalUpdate": False,
        "conditionalRead": "full-support",
        "searchParam": [
            {"name": name, "type": parameter.type, "documentation": parameter.says}
            for name, parameter in PARAMETERS[type].items()
        ],
    }
    if type in INCLUDES:
        resource["searchInclude"] = list(INCLUDES[type])
    return resource


def _know(type: str) -> None:
    if type not in PARAMETERS:
        raise HTTPException(404, f"This type is not served here; served: {', '.join(SERVED)}.")


def _know_versions(type: str) -> None:
    _know(type)
    if type not in ("ServiceRequest", "Task"):
        raise HTTPException(404, f"No versions of {type} are kept: it is made when it is read.")


def _answer(request: Request, resource: Resource, changed: datetime | None = None) -> Response:
    """The resource with ETag and Last-Modified; 304 when the caller has it already."""
    meta = resource.get("meta", {})
    version = meta.get("versionId")
    if version is None:
        # Made at read: its date says when it was made, and does not make it another one.
        told = {name: value for name, value in resource.items() if name not in ("date", "timestamp")}
        version = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:16]
    headers = {"ETag": f'W/"{version}"'}
    if changed is not None:
        headers["Last-Modified"] = format_datetime(changed.astimezone(UTC).replace(microsecond=0), usegmt=True)
    if _has_already(request, version, changed):
        return Response(None, 304, headers)
    return JSONResponse(resource, headers=headers, media_type=FHIR_JSON)


def _has_already(request: Request, version: str, changed: datetime | None) -> bool:
    """If-None-Match counts before If-Modified-Since (RFC 9110, 13.2.2)."""
    if (tags := request.headers.get("if-none-match")) is not None:
        known = [tag.strip().removeprefix("W/").strip('"') for tag in tags.split(",")]
        return version in known or "*" in known
    since = request.headers.get("if-modified-since")
    if since is None or changed is None:
        return False
    try:
        moment = parsedate_to_datetime(since)
    except ValueError:
        return False
    return changed.replace(microsecond=0) <= (moment if moment.tzinfo else moment.replace(tzinfo=UTC))


def _is_json(asked: str) -> bool:
    name, *parameters = (part.strip().lower() for part in asked.split(";"))
    version = next((part.partition("=")[2] for part in parameters if part.startswith("fhirversion=")), "4.0")
    return name in _JSON_NAMES and version in ("4.0", "4.0.1", "4")


def _is_uuid(text: str) -> bool:
    try:
        return str(UUID(text)) == text.lower()
    except ValueError:
        return False


# --- pages: the next link is opaque: it carries the question and the place where the last page ended ---------------


def _close_page(question: Question, last: tuple[Any, ...]) -> str:
    place = [value.isoformat() if isinstance(value, date) else value for value in last]
    packed = json.dumps([question.type, question.kept, place], separators=(",", ":"))
    return base64.urlsafe_b64encode(packed.encode()).decode().rstrip("=")


def _open_page(token: str, type: str) -> tuple[list[tuple[str, str]], tuple[Any, ...]]:
    """The question and the place a next link stands for; 410 when it is none of ours."""
    try:
        packed = base64.b64decode(token + "=" * (-len(token) % 4), altchars=b"-_", validate=True)
        kind, kept, place = json.loads(packed)
        asked = [(str(name), str(value)) for name, value in kept]
        question = understand(type, asked)
        if kind != type or not all(isinstance(value, str) for value in place):
            raise ValueError("of another search")
        after: list[Any] = list(place)
        if type in ("Task", "ServiceRequest"):
            if len(after) != 3:
                raise ValueError("no place")
            if question.sort == "_lastUpdated":
                after[0] = datetime.fromisoformat(after[0])
            elif question.sort != "_id":
                after[0] = date.fromisoformat(after[0])
        elif len(after) != 2:
            raise ValueError("no place")
    except (ValueError, TypeError, binascii.Error, RecursionError):
        raise HTTPException(410, "This link to a further page does not hold any more; search again.") from None
    return asked, tuple(after)
