"""Our Subscriptions at a real server: there once, switched on, repaired, and the hooks do come.

R4 Subscription: http://hl7.org/fhir/R4/subscription.html (status, criteria, channel; a client may ask for `requested`
or `off` only).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx
import pytest
from contracts.counterpart import Sekmet
from steps import a_site
from waiting import eventually

from service.client import Ability, Auth, Capabilities, FhirClient
from service.errors import SiteRefused
from service.feeds.subscription import TYPES, keep_subscriptions, wanted_criteria

NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)
SECRET = ("Authorization: Bearer invented-1",)


class Ear:
    """Listens where hooks arrive, or answers 500 while `deaf`."""

    def __init__(self) -> None:
        ear = self
        self.heard: list[tuple[str, str]] = []
        self.deaf = False

        class Handler(BaseHTTPRequestHandler):
            def do_PUT(self) -> None:
                self.rfile.read(int(self.headers.get("content-length") or 0))
                if not ear.deaf:
                    ear.heard.append((self.path, self.headers.get("authorization", "")))
                self.send_response(500 if ear.deaf else 200)
                self.send_header("content-length", "0")
                self.end_headers()

            do_POST = do_PUT  # noqa: N815

            def log_message(self, format: str, *args: Any) -> None:
                """Says nothing."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.endpoint = f"http://127.0.0.1:{self.server.server_port}/hooks/larkfield/rest_hook"
        self._thread = threading.Thread(target=self.server.serve_forever, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()
        self._thread.join()


@pytest.fixture
def ear() -> Iterator[Ear]:
    ear = Ear()
    yield ear
    ear.close()


def _ours(server: Sekmet, endpoint: str) -> list[dict[str, Any]]:
    return server.all("Subscription", url=endpoint)


def test_made_once_and_the_hooks_come_with_the_secret(sekmet: Sekmet, ear: Ear) -> None:
    client, site = sekmet.client(), a_site()
    first = keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    assert [one.criteria.partition("?")[0] for one in first] == list(TYPES)
    assert {(one.action, one.missed) for one in first} == {("created", True)}
    eventually(lambda: all(one["status"] == "active" for one in _ours(sekmet, ear.endpoint)))
    again = keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    assert {(one.action, one.status, one.missed) for one in again} == {("unchanged", "active", False)}
    assert len(_ours(sekmet, ear.endpoint)) == len(TYPES)
    sekmet.put({"resourceType": "Patient", "id": "hook-1"})
    eventually(lambda: len(ear.heard) > 0)
    assert ear.heard[0] == ("/hooks/larkfield/rest_hook/Patient/hook-1", "Bearer invented-1")


def test_one_that_gave_up_is_asked_for_again(sekmet: Sekmet, ear: Ear) -> None:
    """sekmet gives up after three failures and stays in error until a client sets `requested`."""
    client, site = sekmet.client(), a_site()
    keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    ear.deaf = True
    sekmet.put({"resourceType": "Patient", "id": "hook-2"})
    eventually(lambda: {one["status"] for one in _ours(sekmet, ear.endpoint)} == {"active", "error"})
    ear.deaf = False
    kept = {one.criteria: one for one in keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)}
    assert (kept["Patient?"].action, kept["Patient?"].missed) == ("repaired", True)
    assert kept["Encounter?"].action == "unchanged"
    eventually(lambda: {one["status"] for one in _ours(sekmet, ear.endpoint)} == {"active"})
    sekmet.put({"resourceType": "Patient", "id": "hook-3"})
    eventually(lambda: any(path.endswith("/Patient/hook-3") for path, _ in ear.heard))


def test_one_switched_off_is_asked_for_again(sekmet: Sekmet, ear: Ear) -> None:
    client, site = sekmet.client(), a_site()
    keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    for one in _ours(sekmet, ear.endpoint):
        sekmet.put(one | {"status": "off"})
    assert {one.action for one in keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)} == {"repaired"}
    eventually(lambda: {one["status"] for one in _ours(sekmet, ear.endpoint)} == {"active"})


def test_seconds_are_switched_off_and_others_left_alone(sekmet: Sekmet, ear: Ear) -> None:
    client, site = sekmet.client(), a_site()
    keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    one = next(one for one in _ours(sekmet, ear.endpoint) if one["criteria"].startswith("Patient"))
    for endpoint in (ear.endpoint, "http://127.0.0.1:9/somebody-else"):
        copy = {name: inner for name, inner in one.items() if name not in ("id", "meta")}
        copy["channel"] = one["channel"] | {"endpoint": endpoint}
        httpx.post(f"{sekmet.base_url}/Subscription", json=copy).raise_for_status()
    eventually(lambda: len(_ours(sekmet, ear.endpoint)) == len(TYPES) + 1)
    for _ in range(2):
        keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    statuses = [found["status"] for found in _ours(sekmet, ear.endpoint) if found["criteria"].startswith("Patient")]
    assert sorted(statuses) == ["active", "off"]
    assert _ours(sekmet, "http://127.0.0.1:9/somebody-else")[0]["status"] == "active"


def test_a_new_secret_and_new_codes_change_the_same_ones(sekmet: Sekmet, ear: Ear) -> None:
    client, site = sekmet.client(), a_site()
    before = keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    codes = {**site.codes, ("http://loinc.org", "76516-4"): next(iter(site.codes.values()))}
    after = keep_subscriptions(client, a_site(codes=codes), ear.endpoint, ("Authorization: Bearer invented-2",), NOW)
    assert [one.reference for one in before] == [one.reference for one in after]
    assert {one.action for one in after} == {"changed"}
    assert {one["channel"]["header"][0] for one in _ours(sekmet, ear.endpoint)} == {"Authorization: Bearer invented-2"}
    assert "http://loinc.org|76516-4" in after[2].criteria


def test_an_end_that_comes_near_is_put_off(sekmet: Sekmet, ear: Ear) -> None:
    client, site = sekmet.client(), a_site()
    keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)
    for one in _ours(sekmet, ear.endpoint):
        sekmet.put(one | {"end": (NOW + timedelta(days=3)).isoformat()})
    for action in ("renewed", "unchanged"):
        assert {one.action for one in keep_subscriptions(client, site, ear.endpoint, SECRET, NOW)} == {action}
        eventually(lambda: {one["status"] for one in _ours(sekmet, ear.endpoint)} == {"active"})


def test_a_server_that_ignores_or_refuses_the_search_still_gets_no_second_one(sekmet: Sekmet, ear: Ear) -> None:
    class Refuses(httpx.HTTPTransport):
        def handle_request(self, request: httpx.Request) -> httpx.Response:
            if "url" in request.url.params:
                return httpx.Response(400)
            return super().handle_request(request)

    clock = lambda: NOW  # noqa: E731
    client = FhirClient(sekmet.base_url, Auth(), clock=clock, transport=Refuses())
    for _ in range(2):
        keep_subscriptions(client, a_site(), ear.endpoint, SECRET, NOW)
    client.close()
    assert len(_ours(sekmet, ear.endpoint)) == len(TYPES)


def test_a_server_without_subscriptions_is_left_to_polling() -> None:
    """As Epic's and Oracle Millennium's statements have it."""
    types = [{"type": "Patient", "interaction": [{"code": "read"}]}]
    statement = {"resourceType": "CapabilityStatement", "rest": [{"mode": "server", "resource": types}]}
    transport = httpx.MockTransport(lambda _: httpx.Response(200, json=statement))
    client = FhirClient("https://site.example/fhir", Auth(), clock=lambda: NOW, transport=transport)
    with pytest.raises(SiteRefused, match="no Subscription"):
        keep_subscriptions(client, a_site(), "http://127.0.0.1/hook", SECRET, NOW)


def test_a_server_that_tells_of_no_answers_still_tells_of_the_rest(sekmet: Sekmet, ear: Ear) -> None:
    """A Subscription with criteria of a type that it does not have is refused (R4: the server may reject it)."""

    class Refuses(httpx.HTTPTransport):
        refused = "QuestionnaireResponse?"

        def handle_request(self, request: httpx.Request) -> httpx.Response:
            if request.method == "POST" and f'"criteria":"{self.refused}' in request.read().decode():
                return httpx.Response(422)
            return super().handle_request(request)

    transport = Refuses()
    client = FhirClient(sekmet.base_url, Auth(), clock=lambda: NOW, transport=transport)
    kept = keep_subscriptions(client, a_site(), ear.endpoint, SECRET, NOW)
    assert [one.criteria.partition("?")[0] for one in kept] == list(TYPES)[:-1]
    transport.refused, other = "Patient?", f"{ear.endpoint}-2"
    with pytest.raises(SiteRefused, match="422"):
        keep_subscriptions(client, a_site(), other, SECRET, NOW)
    client.close()
    assert len(_ours(sekmet, other)) == len(TYPES) - 1


def test_a_panel_known_by_its_components_rings_the_hook(sekmet: Sekmet, ear: Ear) -> None:
    keep_subscriptions(sekmet.client(), a_site(), ear.endpoint, SECRET, NOW)
    eventually(lambda: all(one["status"] == "active" for one in _ours(sekmet, ear.endpoint)))
    weight = {"code": {"coding": [{"system": "http://loinc.org", "code": "8339-4"}]}, "valueInteger": 900}
    for id, component in (("hook-other", {"code": {"text": "length"}}), ("hook-panel", weight)):
        sekmet.put(
            {
                "resourceType": "Observation",
                "id": id,
                "status": "final",
                "code": {"text": "At birth"},
                "component": [component],
            }
        )
    eventually(lambda: len(ear.heard) > 0)
    assert [path.rpartition("/")[2] for path, _ in ear.heard] == ["hook-panel"]


def test_criteria() -> None:
    """combo-code is R4's parameter for the code of an Observation or of a component of it."""
    types = {"Observation": Ability(parameters=frozenset({"code", "combo-code"}))}
    assert wanted_criteria(a_site(), Capabilities(True, types)) == [
        "Patient?",
        "Encounter?",
        "Observation?combo-code=http://loinc.org|8339-4",
        "Procedure?",
        "QuestionnaireResponse?",
    ]
    assert wanted_criteria(a_site(), Capabilities())[2] == "Observation?"
