"""Keeps a site's server telling us: R4 rest-hook Subscriptions that are there once, switched on, and ours.

A server stops for good after a few failed deliveries (status `error`) or at `end`; it never starts again by itself,
and a client may only ask by setting `requested` (http://hl7.org/fhir/R4/subscription.html). So this is run on a
schedule: it finds our Subscriptions by their endpoint, makes the missing ones, renews, repairs, and switches off
seconds. What happened while one was off must be read up afterwards (`feeds.poll`): `repaired` says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from service.client import Capabilities, FhirClient
from service.errors import SiteRefused
from service.feeds.poll import NO_SUCH_TYPE, lacks, narrowed
from service.fhir.sites import Site
from service.fhir.strict import Resource, check

TYPES: Final = ("Patient", "Encounter", "Observation", "Procedure", "QuestionnaireResponse")
RENEW_BEFORE: Final = timedelta(days=7)
RENEW_FOR: Final = timedelta(days=60)
PAYLOAD: Final = "application/fhir+json"

Action = Literal["created", "repaired", "renewed", "changed", "unchanged"]


@dataclass(frozen=True, slots=True)
class Kept:
    """What was found and done for one criteria. `status` is what the server says now; `requested` means it has not
    decided yet, `error` that it will not deliver. `missed` is True when events may have been lost: catch up."""

    criteria: str
    reference: str
    action: Action
    status: str
    missed: bool


def keep_subscriptions(
    client: FhirClient, site: Site, endpoint: str, headers: tuple[str, ...], now: datetime
) -> list[Kept]:
    """One working Subscription for each of TYPES, delivering to `endpoint`.

    `headers` are raw header lines (`Authorization: Bearer ...`), the secret our hook asks for. Safe to repeat and
    safe after a lost answer: it looks before it creates. Raises SiteUnavailable and, once every type has been tried,
    SiteRefused; a server without Procedure or QuestionnaireResponse refuses nothing.
    """
    capabilities = client.capabilities()
    if capabilities.known and "Subscription" not in capabilities.types:
        raise SiteRefused("the server says that it has no Subscription; read it on a schedule instead")
    ours = [one for one in _all(client, endpoint) if (one.get("channel") or {}).get("endpoint") == endpoint]
    kept: list[Kept] = []
    refused: SiteRefused | None = None
    for criteria in wanted_criteria(site, capabilities):
        try:
            kept.append(_keep(client, ours, criteria, endpoint, headers, now))
        except SiteRefused as error:  # what one type is not allowed must not silence the others
            if not lacks(capabilities, criteria.partition("?")[0]) or error.status not in NO_SUCH_TYPE:
                refused = refused or error
    if refused is not None:
        raise refused
    return kept


def wanted_criteria(site: Site, capabilities: Capabilities) -> list[str]:
    """The searches to be told about, narrowed as a reading is (`feeds.poll.narrowed`)."""
    narrow = {type: narrowed(type, site, capabilities) for type in TYPES}
    return [f"{type}?{'='.join(pair)}" if pair else f"{type}?" for type, pair in narrow.items()]


def _all(client: FhirClient, endpoint: str) -> list[Resource]:
    """By `url`, the R4 search parameter for the endpoint; all of them where the server does not know it."""
    try:
        return client.search("Subscription", [("url", endpoint)])
    except SiteRefused as error:
        if error.status not in (400, 422, 501):
            raise
        return client.search("Subscription")


def _keep(
    client: FhirClient,
    ours: list[Resource],
    criteria: str,
    endpoint: str,
    headers: tuple[str, ...],
    now: datetime,
) -> Kept:
    type = criteria.partition("?")[0]
    same = [one for one in ours if str(one.get("criteria", "")).partition("?")[0] == type]
    same.sort(key=lambda one: (one.get("status") != "active", str(one.get("id"))))
    for second in same[1:]:
        if second.get("status") != "off":
            client.update(second | {"status": "off"}, _version(second))
    if not same:
        reference = client.create(_subscription(criteria, endpoint, headers))
        return _kept(client, criteria, reference, "created", missed=True)
    stored = same[0]
    reference = f"Subscription/{stored['id']}"
    wanted: dict[str, Any] = dict(stored)
    action: Action = "unchanged"
    if stored.get("criteria", "").removesuffix("?") != criteria.removesuffix("?") or _stale(stored, headers):
        action = "changed"
        wanted |= {"criteria": criteria, "channel": _channel(endpoint, headers)}
    if (end := _end(stored)) and end - now < RENEW_BEFORE:
        action = "renewed"
        wanted["end"] = (now + RENEW_FOR).isoformat(timespec="seconds")
    if stored.get("status") in ("error", "off"):
        action = "repaired"
    if action == "unchanged":
        return Kept(criteria, reference, action, str(stored.get("status", "")), missed=False)
    wanted["status"] = "requested"  # the only status besides off that a client may ask for
    wanted.pop("error", None)
    client.update(wanted, _version(stored))
    return _kept(client, criteria, reference, action, missed=action != "renewed")


def _kept(client: FhirClient, criteria: str, reference: str, action: Action, missed: bool) -> Kept:
    """Reads back: a server may store it switched off, in error, or with other criteria than were asked for."""
    stored = client.read(reference)
    return Kept(criteria, reference, action, str(stored.get("status", "")), missed)


def _subscription(criteria: str, endpoint: str, headers: tuple[str, ...]) -> Resource:
    return check(
        {
            "resourceType": "Subscription",
            "status": "requested",
            "reason": "Eye exams for retinopathy of prematurity: infants, birth data, stays",
            "criteria": criteria,
            "channel": _channel(endpoint, headers),
        }
    )


def _channel(endpoint: str, headers: tuple[str, ...]) -> Resource:
    channel: Resource = {"type": "rest-hook", "endpoint": endpoint, "payload": PAYLOAD}
    return channel | ({"header": list(headers)} if headers else {})


def _stale(stored: Resource, headers: tuple[str, ...]) -> bool:
    """Whether the secret it sends is an old one. A server that hides headers on reading is left alone."""
    shown = (stored.get("channel") or {}).get("header") or []
    return bool(shown) and list(shown) != list(headers) and not any("*" in str(line) for line in shown)


def _end(stored: Resource) -> datetime | None:
    try:
        end = datetime.fromisoformat(str(stored.get("end")))
    except ValueError:
        return None
    return end if end.tzinfo else None


def _version(stored: Resource) -> str | None:
    return (stored.get("meta") or {}).get("versionId")
