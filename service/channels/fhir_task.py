"""Writes a step into the site's own FHIR server: one ServiceRequest and one Task, or a Task alone, never twice.

Whatever the server can do, the order is the same: *look, then write, then look again*.

1. Find ours by identifier. A write whose answer was lost is found here, so it is never repeated blindly; should two
   exist all the same (a server without conditional create, a lost answer still on its way), the one people have
   worked on is kept and the other marked entered-in-error.
2. Put our elements into what is there and leave every other element alone. A status set by the site's people stays
   theirs, and so does the owner. Nothing to change: nothing is written.
3. Write: an update at its id under If-Match; a new one in the safest form the server offers, PUT at our own
   id, then PUT at a query, then POST with If-None-Exist. A server that refuses one form is asked in the next: a
   CapabilityStatement is a hint, not a promise.
4. Read back and report which elements the server left out or changed.

A request that is no longer due: the ServiceRequest is revoked, the Task cancelled; but a Task in progress may not be
cancelled, so it stays and a second Task with code `abort` asks for it to stop (fhir/write.abort_task).

A request that is due again (a weight was put right, an exam was taken back) is opened again, if it was we who said that
it had ended: `statusReason` carries our code. What the site's people called off or refused stays so; what they ticked
off as well, unless what is asked for now begins only after the window they ticked off: that is another exam.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from service.channels import Channel, Connect, Receipt
from service.client import FhirClient
from service.errors import SiteRefused, SiteUnavailable
from service.fhir import write
from service.fhir.step import Step
from service.fhir.strict import Resource

ROUNDS: Final = 4
"""How often a version conflict is read again before the site is left for later."""

OURS: Final = {
    "ServiceRequest": (
        "instantiatesCanonical", "requisition", "status", "intent", "priority", "code", "subject", "occurrencePeriod",
        "authoredOn", "requester", "performer", "locationCode", "reasonCode", "reasonReference", "supportingInfo",
        "bodySite",
    ),
    "Task": (
        "instantiatesCanonical", "groupIdentifier", "status", "statusReason", "intent", "priority", "code",
        "description", "focus", "for", "authoredOn", "lastModified", "requester", "owner", "location", "reasonCode",
        "restriction", "input",
    ),
}  # fmt: skip
"""The elements we write. `identifier` and `note` are shared: ours are added to theirs."""

_WORKING: Final = ("in-progress", "on-hold")
_WAITING: Final = ("draft", "requested", "received", "accepted", "ready")
_MOMENT: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)")
_NEXT_FORM: Final = frozenset({400, 404, 405, 409, 412, 422, 501})
"""Refusals of one form of creating after which the next form is tried."""


def build(connect: Connect) -> Channel:
    """The channel, speaking to each site's server through `connect(site)`."""
    return FhirTask(connect)


class FhirTask:
    """The channel `fhir_task`."""

    name = "fhir_task"

    def __init__(self, connect: Connect) -> None:
        self._connect = connect

    def send(self, step: Step) -> Receipt:
        """One receipt per resource: reference, version, action (created, updated, unchanged, kept, absent), and the
        names of elements the server dropped (`stripped`) or altered (`coerced`).

        Raises SiteUnavailable, SiteRefused.
        """
        client = self._connect(step.site)
        receipt: Receipt = {"channel": self.name}
        request, task = write.service_request(step, "site"), write.task(step, "site")
        starting = step.status == "requested"
        for type in ("ServiceRequest", "Task") if request and starting else ("Task",) if starting else ():
            if not client.capabilities().creates(type):
                raise SiteRefused(f"the server says that it takes no new {type}")
        if request:
            stored = _settle(client, request, starting, _request_status)
            receipt["ServiceRequest"] = stored.receipt()
            if stored.reference:
                task["focus"] = {"reference": stored.reference}
            else:
                del task["focus"]  # nothing there to point to; an older Task keeps what it has
        done = _settle(client, task, starting, _task_status)
        receipt["Task"] = done.receipt()
        if done.reference:
            receipt |= self._abort(client, step, done)
        return receipt

    def _abort(self, client: FhirClient, step: Step, task: _Settled) -> Receipt:
        """Asks those already at work to stop; or, when the step is due again, takes that back."""
        if task.status not in _WORKING or step.status == "completed":
            return {}
        abort = write.abort_task(step, task.reference, withdrawn=step.status == "requested")
        settled = _settle(client, abort, step.status == "cancelled", _task_status)
        return {} if settled.action == "absent" else {"abort": settled.receipt()}


@dataclass(slots=True)
class _Settled:
    """What is at the site after we are done with one resource."""

    action: str
    reference: str = ""
    version: str | None = None
    status: str | None = None
    stripped: tuple[str, ...] = ()
    coerced: tuple[str, ...] = ()

    def receipt(self) -> Receipt:
        found = {name: getattr(self, name) for name in ("action", "reference", "version", "status")}
        return found | {"stripped": list(self.stripped), "coerced": list(self.coerced)}


Choose = Callable[[Resource, Resource], str]
"""(what is stored, what we want) -> the status to write."""


def _settle(client: FhirClient, wanted: Resource, create: bool, choose: Choose) -> _Settled:
    """Makes the server hold `wanted`, creating it only if `create`."""
    for _ in range(ROUNDS):
        stored = _find(client, wanted)
        if stored is None and not create:
            return _Settled("absent")
        merged = _merge(stored, wanted, create, choose) if stored else wanted
        if stored and _same(merged, stored, client.base_url):
            action = "unchanged" if stored.get("status") == wanted["status"] else "kept"
            return _Settled(action, _reference(stored), _version(stored), stored.get("status"))
        try:
            reference = client.update(merged, _version(stored)) if stored else _create(client, wanted)
        except SiteRefused as error:
            if error.status not in ((404, 409, 410, 412) if stored else (409, 412)):
                raise
            continue  # somebody else wrote, or took it away: look again
        except SiteUnavailable as error:
            if error.status is not None:
                raise
            # The answer was lost; whether it was written is not known. Look once; if it is not there (yet), leave it
            # for later: the next send looks first as well, so there is never a second one.
            found = _find(client, wanted)
            if found is None or not _same(merged, found, client.base_url):
                raise
            reference = _reference(found)
        return _read_back(client, reference or _reference(_find(client, wanted) or {}), merged, bool(stored))
    raise SiteUnavailable(f"the {wanted['resourceType']} at the site changes faster than it can be written", 409)


def _find(client: FhirClient, wanted: Resource) -> Resource | None:
    """Ours at the site, by identifier; where that cannot be searched, by the id we would have given it."""
    type, identifier = str(wanted["resourceType"]), wanted["identifier"][0]
    own_ids = client.capabilities().of(type).update_create
    try:
        query = [("identifier", f"{identifier['system']}|{identifier['value']}")]
        matches = [one for one in client.search(type, query) if _token(identifier) in _tokens(one)]
    except SiteRefused as error:
        if error.status not in (400, 404, 405, 501) or not own_ids:
            raise
        matches = []
    if not matches and own_ids:  # a search index may lag behind; a read does not
        try:
            matches = [client.read(f"{type}/{wanted['id']}")]
        except SiteRefused as error:
            if error.status not in (404, 410):
                raise
    distinct = list({_reference(one): one for one in matches}.values())
    distinct.sort(key=lambda one: (_preference(one), str((one.get("meta") or {}).get("lastUpdated", ""))))
    for extra in distinct[1:]:
        if extra.get("status") != "entered-in-error":
            _retire(client, extra)
    return distinct[0] if distinct else None


def _retire(client: FhirClient, extra: Resource) -> None:
    try:
        client.update(extra | {"status": "entered-in-error"}, _version(extra))
    except SiteRefused as error:
        if error.status not in (409, 412):  # just touched: the next look retires it
            raise


def _preference(stored: Resource) -> int:
    """Which of two to keep: one that people work on, then one that waits, and one retired in error last."""
    status = stored.get("status")
    return 2 if status == "entered-in-error" else 1 if status in ("requested", "active") else 0


def _create(client: FhirClient, wanted: Resource) -> str:
    """Creates in the safest form the server takes: a form that cannot make a second one comes first."""
    type, identifier = str(wanted["resourceType"]), wanted["identifier"][0]
    ability = client.capabilities().of(type)
    token = f"{identifier['system']}|{identifier['value']}"
    forms: list[Callable[[], str]] = []
    if ability.update_create:
        forms.append(lambda: client.update(wanted))
    if ability.conditional_update and not ability.conditional_create:
        forms.append(lambda: client.conditional_update(wanted, [("identifier", token)]))
    for form in forms:
        try:
            return form()
        except SiteRefused as error:
            if error.status not in _NEXT_FORM:
                raise
    return client.create(wanted, if_none_exist=f"identifier={token}")


def _merge(stored: Resource, wanted: Resource, requested: bool, choose: Choose) -> Resource:
    """What is stored, with our elements in it. An element we no longer write goes only while the step is requested:
    a cancelled one keeps its dates."""
    merged = copy.deepcopy(stored)
    for name in OURS[str(wanted["resourceType"])]:
        if name in wanted:
            merged[name] = wanted[name]
        elif requested:
            merged.pop(name, None)
    merged["note"] = [*(note for note in stored.get("note") or [] if not _is_ours(note)), *wanted["note"]]
    known = _tokens(stored)
    missing = [one for one in wanted["identifier"] if _token(one) not in known]
    merged["identifier"] = [*(stored.get("identifier") or []), *missing]
    merged["status"] = choose(stored, wanted)
    if merged["status"] != wanted["status"]:  # theirs: they have taken it over
        for name in ("owner", "performer", "statusReason"):
            merged.pop(name, None)
            if name in stored:
                merged[name] = stored[name]
    return merged


def _request_status(stored: Resource, wanted: Resource) -> str:
    """A ServiceRequest's status is its author's, ours, but for a correction of an error and a pause."""
    held = stored.get("status") == "on-hold" and wanted["status"] == "active"
    return str(stored["status"] if held or stored.get("status") == "entered-in-error" else wanted["status"])


def _task_status(stored: Resource, wanted: Resource) -> str:
    """Ours as far as the state machine (http://hl7.org/fhir/R4/task.html) and the site's people leave it to us."""
    now, want = str(stored.get("status", "requested")), str(wanted["status"])
    if now in ("cancelled", "completed") and want == "requested" and _ended_by_us(stored):
        return want  # due again: the same request, not a second one
    if now == "completed" and want == "requested" and _begins_after(stored, wanted):
        return want
    movable = {
        "requested": ("requested",),
        "completed": (*_WAITING, *_WORKING),
        "cancelled": _WAITING,
    }
    return want if now in movable[want] else now


def _begins_after(stored: Resource, wanted: Resource) -> bool:
    """Whether the window wanted begins after the stored one ends; instants and days by their day."""
    had, asks = ((task.get("restriction") or {}).get("period") or {} for task in (stored, wanted))
    ended, begins = str(had.get("end") or ""), str(asks.get("start") or "")
    return bool(ended) and begins[:10] > ended[:10]


def _ended_by_us(task: Resource) -> bool:
    codings = (task.get("statusReason") or {}).get("coding") or []
    return any(coding.get("system") == write.CODE_SYSTEM for coding in codings)


def _read_back(client: FhirClient, reference: str, sent: Resource, existed: bool) -> _Settled:
    """What the server made of it. Servers strip and coerce; what it did not keep is named."""
    try:
        kept = client.read(reference)
    except SiteRefused as error:
        if error.status not in (404, 410):
            raise
        raise SiteUnavailable(f"the {sent['resourceType']} just written cannot be read back", error.status) from None
    names = [name for name in (*OURS[str(sent["resourceType"])], "note", "identifier") if name in sent]
    stripped = tuple(name for name in names if name not in kept)
    coerced = tuple(
        name
        for name in names
        if name in kept and _plain(kept[name], client.base_url) != _plain(sent[name], client.base_url)
    )
    action = "updated" if existed else "created"
    return _Settled(action, _reference(kept), _version(kept), kept.get("status"), stripped, coerced)


def _same(merged: Resource, stored: Resource, base: str) -> bool:
    """Whether writing `merged` would say nothing new. `lastModified` alone says nothing."""
    skipped = ("lastModified", "meta", "id", "text")
    one, other = ({name: inner for name, inner in one.items() if name not in skipped} for one in (merged, stored))
    return bool(_plain(one, base) == _plain(other, base))


def _plain(value: Any, base: str) -> Any:
    """Without differences that mean nothing: how an instant is written, and whether a reference is absolute."""
    if isinstance(value, dict):
        return {name: _plain(inner, base) for name, inner in value.items() if inner not in (None, [], {})}
    if isinstance(value, list):
        return [_plain(inner, base) for inner in value]
    if isinstance(value, str):
        if _MOMENT.fullmatch(value):
            return datetime.fromisoformat(value).timestamp()
        return value.removeprefix(f"{base}/").partition("/_history/")[0]
    return value


def _is_ours(note: Resource) -> bool:
    """By author; and by its first words, since some servers drop the author."""
    return note.get("authorString") == write.AUTHOR or str(note.get("text", "")).startswith(write.CAUTION)


def _token(identifier: Resource) -> tuple[Any, Any]:
    return identifier.get("system"), identifier.get("value")


def _tokens(resource: Resource) -> list[tuple[Any, Any]]:
    return [_token(one) for one in resource.get("identifier") or [] if isinstance(one, dict)]


def _reference(resource: Resource) -> str:
    return f"{resource['resourceType']}/{resource['id']}" if resource.get("id") else ""


def _version(resource: Resource | None) -> str | None:
    return ((resource or {}).get("meta") or {}).get("versionId")
