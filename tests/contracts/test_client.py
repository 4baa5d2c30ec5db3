"""How the client takes failure: what it tries again, what it hands on, and what it never says.

Answers are played by respx through the client's own transport; the counterpart at the end is a real server. Status
codes: RFC 9110; Retry-After in both forms: RFC 9110 section 10.2.3; SMART Backend Services:
http://hl7.org/fhir/smart-app-launch/backend-services.html; reads may be repeated, writes may not.
"""

from __future__ import annotations

import itertools
import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qs

import httpx
import jwt
import pytest
import respx
from contracts.counterpart import Sekmet
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa

from service.client import ATTEMPTS, Auth, FhirClient
from service.errors import SiteError, SiteRefused, SiteUnavailable
from service.fhir.sites import SiteAuth

BASE = "https://site.example/fhir"
PATIENT = {"resourceType": "Patient", "id": "p-1", "meta": {"versionId": "3"}}
OUTCOME = {
    "resourceType": "OperationOutcome",
    "issue": [{"severity": "error", "code": "invalid", "diagnostics": "Girl Alder, 780 g, is not a number"}],
}
NOON = datetime(2031, 6, 1, 12, tzinfo=UTC)


@dataclass
class Wire:
    """A client on a played network: `router` answers, `slept` records the waits, `now` is the clock."""

    router: respx.MockRouter = field(default_factory=lambda: respx.MockRouter(assert_all_called=False))
    slept: list[float] = field(default_factory=list)
    now: datetime = NOON

    def client(self, auth: Auth | None = None) -> FhirClient:
        return FhirClient(
            BASE,
            auth or Auth(),
            clock=lambda: self.now,
            transport=httpx.MockTransport(self.router.handler),
            sleep=self.slept.append,
            jitter=lambda: 1.0,
        )


@pytest.fixture
def wire() -> Wire:
    return Wire()


WRITES: dict[str, Callable[[FhirClient], object]] = {
    "create": lambda client: client.create({"resourceType": "Task", "id": "t"}, "identifier=s|v"),
    "update": lambda client: client.update({"resourceType": "Task", "id": "t"}, "3"),
    "conditional": lambda client: client.conditional_update({"resourceType": "Task"}, [("identifier", "s|v")]),
}


@pytest.mark.parametrize("status", [408, 425, 429, 500, 502, 503, 504])
def test_a_read_is_tried_again_and_then_left_for_later(wire: Wire, status: int) -> None:
    route = wire.router.get(f"{BASE}/Patient/p-1").respond(status, json=OUTCOME)
    with pytest.raises(SiteUnavailable) as caught:
        wire.client().read("Patient/p-1")
    assert (caught.value.status, route.call_count) == (status, ATTEMPTS)
    assert wire.slept == [1.0, 2.0], "the wait doubles; jitter here is 1"


def test_a_read_that_succeeds_the_second_time(wire: Wire) -> None:
    wire.router.get(f"{BASE}/Patient/p-1").side_effect = [httpx.Response(500), httpx.Response(200, json=PATIENT)]
    assert wire.client().read("Patient/p-1") == PATIENT


@pytest.mark.parametrize("name", WRITES)
@pytest.mark.parametrize("failure", [500, 503, httpx.ReadTimeout, httpx.RemoteProtocolError, httpx.ConnectError])
def test_a_write_is_never_repeated_by_the_client(wire: Wire, name: str, failure: Any) -> None:
    """Its answer may be lost and the write done: only who can look first may write again."""
    route = wire.router.route(path__startswith="/fhir/Task")
    route.side_effect = httpx.Response(failure) if isinstance(failure, int) else failure("Girl Alder")
    if isinstance(failure, int):
        route.side_effect = [httpx.Response(failure)]
    with pytest.raises(SiteUnavailable):
        WRITES[name](wire.client())
    assert (route.call_count, wire.slept) == (1, [])


def test_a_time_out_after_a_write_says_that_nobody_knows(wire: Wire) -> None:
    wire.router.post(f"{BASE}/Task").side_effect = httpx.ReadTimeout("late")
    with pytest.raises(SiteUnavailable, match="whether it was done is not known") as caught:
        WRITES["create"](wire.client())
    assert caught.value.status is None


@pytest.mark.parametrize("name", WRITES)
@pytest.mark.parametrize("status", [400, 403, 404, 405, 409, 410, 412, 422, 501])
def test_other_refusals_are_final_and_keep_their_status(wire: Wire, name: str, status: int) -> None:
    route = wire.router.route(path__startswith="/fhir/Task").respond(status, json=OUTCOME)
    with pytest.raises(SiteRefused) as caught:
        WRITES[name](wire.client())
    assert (caught.value.status, route.call_count) == (status, 1)


@pytest.mark.parametrize(
    ("said", "seconds"),
    [
        ("7", 7.0),
        ("120", 120.0),
        (format_datetime(NOON + timedelta(seconds=90), usegmt=True), 90.0),
        (format_datetime(NOON - timedelta(hours=1), usegmt=True), 0.0),
        ("soon", None),
        (None, None),
    ],
)
@pytest.mark.parametrize("status", [429, 503])
def test_retry_after_in_seconds_or_as_a_date(wire: Wire, status: int, said: str | None, seconds: float | None) -> None:
    wire.router.post(f"{BASE}/Task").respond(status, headers={"Retry-After": said} if said else {})
    with pytest.raises(SiteUnavailable) as caught:
        WRITES["create"](wire.client())
    assert caught.value.retry_after == seconds


def test_retry_after_is_measured_on_the_servers_clock(wire: Wire) -> None:
    theirs = NOON + timedelta(hours=5)  # their clock is wrong, or ours
    headers = {"Date": format_datetime(theirs, usegmt=True), "Retry-After": format_datetime(theirs, usegmt=True)}
    wire.router.post(f"{BASE}/Task").respond(503, headers=headers)
    with pytest.raises(SiteUnavailable) as caught:
        WRITES["create"](wire.client())
    assert caught.value.retry_after == 0


def test_a_read_waits_as_long_as_asked_but_not_for_minutes(wire: Wire) -> None:
    route = wire.router.get(f"{BASE}/Patient/p-1")
    route.side_effect = [httpx.Response(429, headers={"Retry-After": "7"}), httpx.Response(200, json=PATIENT)]
    wire.client().read("Patient/p-1")
    assert wire.slept == [7.0]
    route.side_effect = [httpx.Response(429, headers={"Retry-After": "600"})]
    with pytest.raises(SiteUnavailable) as caught:
        wire.client().read("Patient/p-1")
    assert (caught.value.retry_after, wire.slept) == (600.0, [7.0])


@pytest.mark.parametrize("auth", [Auth(), Auth("bearer", token="t"), Auth("basic", user="u", password="p")])
def test_401_is_final_where_there_is_no_token_to_renew(wire: Wire, auth: Auth) -> None:
    route = wire.router.get(f"{BASE}/Patient/p-1").respond(401)
    with pytest.raises(SiteRefused) as caught:
        wire.client(auth).read("Patient/p-1")
    assert (caught.value.status, route.call_count) == (401, 1)


@pytest.mark.parametrize(
    ("auth", "header"),
    [
        (Auth(), None),
        (Auth("bearer", token="abc"), "Bearer abc"),
        (Auth("basic", user="Aladdin", password="open sesame"), "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="),
    ],
)
def test_fixed_credentials(wire: Wire, auth: Auth, header: str | None) -> None:
    """The Basic vector is the one of RFC 7617 section 2."""
    route = wire.router.get(f"{BASE}/Patient/p-1").respond(200, json=PATIENT)
    wire.client(auth).read("Patient/p-1")
    assert route.calls.last.request.headers.get("authorization") == header


def _keys() -> dict[str, tuple[str, Any]]:
    made: dict[str, tuple[str, Any]] = {}
    for algorithm, key in (
        ("RS384", rsa.generate_private_key(65537, 2048)),
        ("ES384", ec.generate_private_key(ec.SECP384R1())),
    ):
        pem = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        made[algorithm] = (pem.decode(), key.public_key())
    return made


KEYS = _keys()


def _smart(algorithm: str) -> Auth:
    return Auth("smart-backend", client_id="ridgeline", private_key=KEYS[algorithm][0], key_id="k1")


def _token_server(wire: Wire, life: int | None = 300) -> respx.Route:
    wire.router.get(f"{BASE}/.well-known/smart-configuration").respond(
        200, json={"token_endpoint": "https://login.example/token"}
    )
    numbers = itertools.count(1)
    route = wire.router.post("https://login.example/token")

    def answer(request: httpx.Request) -> httpx.Response:
        body = {"access_token": f"token-{next(numbers)}", "token_type": "bearer"}
        return httpx.Response(200, json=body | ({"expires_in": life} if life else {}))

    route.side_effect = answer
    return route


@pytest.mark.parametrize("algorithm", KEYS)
def test_the_assertion_is_as_backend_services_asks(wire: Wire, algorithm: str) -> None:
    tokens = _token_server(wire)
    wire.router.get(f"{BASE}/Patient/p-1").respond(200, json=PATIENT)
    client = wire.client(_smart(algorithm))
    client.read("Patient/p-1")
    wire.now += timedelta(minutes=10)
    client.read("Patient/p-1")
    seen = []
    for call in tokens.calls:
        form = {name: values[0] for name, values in parse_qs(call.request.content.decode()).items()}
        assert form["grant_type"] == "client_credentials"
        assert form["client_assertion_type"] == "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
        head = jwt.get_unverified_header(form["client_assertion"])
        assert (head["alg"], head["kid"], head["typ"]) == (algorithm, "k1", "JWT")
        seen.append(
            jwt.decode(
                form["client_assertion"],
                KEYS[algorithm][1],
                algorithms=[algorithm],
                audience="https://login.example/token",
                options={"verify_exp": False},
            )
        )
    assert [claims["iss"] == claims["sub"] == "ridgeline" for claims in seen] == [True, True]
    assert 0 < seen[0]["exp"] - NOON.timestamp() <= 300, "five minutes at most"
    assert seen[0]["jti"] != seen[1]["jti"], "never the same assertion twice"


def test_a_token_is_kept_until_shortly_before_it_ends(wire: Wire) -> None:
    tokens = _token_server(wire, life=300)
    route = wire.router.get(f"{BASE}/Patient/p-1").respond(200, json=PATIENT)
    client = wire.client(_smart("ES384"))
    used = []
    for seconds in (0, 200, 269, 271):
        wire.now = NOON + timedelta(seconds=seconds)
        client.read("Patient/p-1")
        used.append(route.calls.last.request.headers["authorization"])
    assert used == ["Bearer token-1"] * 3 + ["Bearer token-2"]
    assert tokens.call_count == 2


def test_401_buys_one_new_token_and_then_gives_up(wire: Wire) -> None:
    tokens = _token_server(wire)
    route = wire.router.post(f"{BASE}/Task")
    route.side_effect = [httpx.Response(401), httpx.Response(201, json={"resourceType": "Task", "id": "t-9"})]
    client = wire.client(_smart("ES384"))
    assert WRITES["create"](client) == "Task/t-9", "a write refused with 401 was not done: it may be sent again"
    assert [call.request.headers["authorization"] for call in route.calls] == ["Bearer token-1", "Bearer token-2"]
    route.side_effect = [httpx.Response(401), httpx.Response(401), httpx.Response(201)]
    with pytest.raises(SiteRefused) as caught:
        WRITES["create"](client)
    assert (caught.value.status, route.call_count, tokens.call_count) == (401, 4, 3)


@pytest.mark.parametrize(
    ("answer", "error"),
    [
        (httpx.Response(200, json={"token_type": "bearer"}), SiteRefused),
        (httpx.Response(400, json={"error": "invalid_client", "error_description": "secret words"}), SiteRefused),
        (httpx.Response(503), SiteUnavailable),
    ],
)
def test_a_token_server_that_gives_none(wire: Wire, answer: httpx.Response, error: type[SiteError]) -> None:
    _token_server(wire).side_effect = [answer] * ATTEMPTS
    with pytest.raises(error) as caught:
        wire.client(_smart("ES384")).read("Patient/p-1")
    assert "secret" not in str(caught.value)


def test_a_key_that_cannot_sign_is_named_as_the_fault(wire: Wire) -> None:
    _token_server(wire)
    with pytest.raises(SiteRefused, match="neither ES384 nor RS384"):
        wire.client(Auth("smart-backend", client_id="x", private_key="not a key")).read("Patient/p-1")


def _page(ids: list[str], following: str | None = None, **more: Any) -> dict[str, Any]:
    entries = [{"resource": {"resourceType": "Patient", "id": id}, "search": {"mode": "match"}} for id in ids]
    links = [{"relation": "next", "url": following}] if following else []
    return {"resourceType": "Bundle", "type": "searchset", "link": links, "entry": entries} | more


def test_pages_are_followed_as_given_also_relative(wire: Wire) -> None:
    wire.router.get(f"{BASE}/Patient", params={"family": "x"}).respond(200, json=_page(["1"], f"{BASE}?page=2&t=a%7Cb"))
    wire.router.get(f"{BASE}?page=2&t=a%7Cb").respond(200, json=_page(["2"], "Patient?page=3"))
    wire.router.get(f"{BASE}/Patient", params={"page": "3"}).respond(200, json=_page(["3"]))
    assert [one["id"] for one in wire.client().search("Patient", [("family", "x")])] == ["1", "2", "3"]


@pytest.mark.parametrize(
    "elsewhere",
    ["https://evil.example/fhir/Patient?page=2", "http://site.example/fhir?page=2", f"{BASE[:-5]}:8443/fhir"],
)
def test_a_next_page_on_another_host_never_sees_the_token(wire: Wire, elsewhere: str) -> None:
    wire.router.get(f"{BASE}/Patient").respond(200, json=_page(["1"], elsewhere))
    trap = wire.router.get(elsewhere).respond(200, json=_page(["2"]))
    with pytest.raises(SiteRefused, match="another host"):
        wire.client(Auth("bearer", token="t")).search("Patient")
    assert not trap.called


def test_a_redirect_is_not_followed(wire: Wire) -> None:
    wire.router.get(f"{BASE}/Patient/p-1").respond(302, headers={"Location": "https://evil.example/"})
    trap = wire.router.get("https://evil.example/").respond(200, json=PATIENT)
    with pytest.raises(SiteRefused, match="points elsewhere"):
        wire.client(Auth("bearer", token="t")).read("Patient/p-1")
    assert not trap.called


def test_pages_that_go_round_in_a_circle_end(wire: Wire) -> None:
    wire.router.get(f"{BASE}/Patient").respond(200, json=_page(["1"], f"{BASE}/Patient"))
    with pytest.raises(SiteRefused, match="never end"):
        wire.client().search("Patient")


def test_remarks_among_results_are_counted_not_taken_for_results(wire: Wire) -> None:
    """Seen in http://hl7.org/fhir/R4/bundle-search-warning.html; some servers leave the mode out."""
    page = _page(["1"])
    page["entry"] += [{"resource": OUTCOME, "search": {"mode": "outcome"}}, {"resource": OUTCOME}]
    wire.router.get(f"{BASE}/Patient").respond(200, json=page)
    (found,) = wire.client().pages("Patient")
    assert ([one["id"] for one in found.resources()], found.outcomes()) == (["1"], 2)


@pytest.mark.parametrize(
    ("answer", "reference"),
    [
        (httpx.Response(201, json={"resourceType": "Task", "id": "t-9"}), "Task/t-9"),
        (httpx.Response(201, headers={"Location": f"{BASE}/Task/t-9/_history/1"}), "Task/t-9"),
        (httpx.Response(201, headers={"Location": "Task/t-9"}), "Task/t-9"),
        (httpx.Response(201, headers={"Location": f"{BASE}/Task/t-9"}, json=OUTCOME), "Task/t-9"),
        (httpx.Response(201), ""),
    ],
)
def test_what_was_created_is_known_from_body_or_location(wire: Wire, answer: httpx.Response, reference: str) -> None:
    route = wire.router.post(f"{BASE}/Task").mock(return_value=answer)
    assert WRITES["create"](wire.client()) == reference
    request = route.calls.last.request
    assert request.headers["if-none-exist"] == "identifier=s|v"
    assert request.headers["prefer"] == "return=representation"
    assert b'"id"' not in request.content, "the server names what it creates"


def test_an_update_names_the_version_it_replaces(wire: Wire) -> None:
    route = wire.router.put(f"{BASE}/Task/t").respond(200)
    assert WRITES["update"](wire.client()) == "Task/t"
    assert route.calls.last.request.headers["if-match"] == 'W/"3"'


@pytest.mark.parametrize("body", [b"", b"<html>", b"[]", b'{"id": "p-1"}'])
def test_an_answer_that_is_not_fhir_is_not_taken(wire: Wire, body: bytes) -> None:
    wire.router.get(f"{BASE}/Patient/p-1").respond(200, content=body)
    with pytest.raises(SiteUnavailable, match="not a FHIR resource"):
        wire.client().read("Patient/p-1")


def test_a_byte_order_mark_is_no_fault(wire: Wire) -> None:
    wire.router.get(f"{BASE}/Patient/p-1").respond(200, content=b'\xef\xbb\xbf{"resourceType":"Patient","id":"p-1"}')
    assert wire.client().read("Patient/p-1")["id"] == "p-1"


def test_capabilities_are_kept_for_an_hour_and_may_be_missing(wire: Wire) -> None:
    task = {"type": "Task", "interaction": [{"code": "read"}, {"code": "create"}], "conditionalCreate": True}
    statement = {"resourceType": "CapabilityStatement", "rest": [{"mode": "server", "resource": [task]}]}
    route = wire.router.get(f"{BASE}/metadata")
    route.side_effect = [httpx.Response(404), httpx.Response(200, json=statement), httpx.Response(500)]
    client = wire.client()
    assert not client.capabilities().known and client.capabilities().creates("Task")
    wire.now += timedelta(minutes=2)
    found = client.capabilities()
    assert (found.of("Task").conditional_create, found.of("Task").update_create) == (True, False)
    assert (found.creates("Task"), found.creates("ServiceRequest")) == (True, False)
    wire.now += timedelta(minutes=59)
    assert client.capabilities() == found
    assert route.call_count == 2


@pytest.mark.parametrize(
    "statement", [{}, {"rest": [{"mode": "server"}]}, {"rest": "none"}, {"rest": [{"resource": 1}]}]
)
def test_an_odd_statement_says_nothing(wire: Wire, statement: dict[str, Any]) -> None:
    wire.router.get(f"{BASE}/metadata").respond(200, json={"resourceType": "CapabilityStatement"} | statement)
    assert not wire.client().capabilities().known


def test_neither_messages_nor_logs_say_anything_of_a_patient(wire: Wire, caplog: pytest.LogCaptureFixture) -> None:
    """Not the server's words, not an address with its query, not an id; the coded issue is kept."""
    caplog.set_level(logging.DEBUG)
    for logger in ("httpx", "httpcore"):
        assert logging.getLogger(logger).getEffectiveLevel() >= logging.WARNING
    wire.router.get(path="/fhir/Patient").respond(422, json=OUTCOME)
    wire.router.get(path="/fhir/Patient/p-4711").respond(404, json=OUTCOME)
    wire.router.post(path="/fhir/Task").side_effect = httpx.ConnectError("Girl Alder at https://site.example/?x=780")
    client = wire.client(Auth("bearer", token="sesame"))
    said = []
    for ask in (
        lambda: client.search("Patient", [("identifier", "secret|000123")]),
        lambda: client.read("Patient/p-4711"),
        lambda: WRITES["create"](client),
    ):
        with pytest.raises(SiteError) as caught:
            ask()
        said.append(str(caught.value))
        assert caught.value.__suppress_context__ or caught.value.__context__ is None
    assert "(invalid)" in said[0]
    for word in ("Alder", "780", "000123", "4711", "sesame", "site.example"):
        assert word not in " ".join([*said, caplog.text])


def test_secrets_do_not_show_in_repr() -> None:
    site = SiteAuth("basic", user="USER", password="PASSWORD", token="TOKEN")
    auth = Auth.of(site, {"USER": "nurse", "PASSWORD": "hush-hush", "TOKEN": "psst"}.__getitem__)
    assert (auth.user, auth.password) == ("nurse", "hush-hush")
    assert "hush-hush" not in repr(auth) and "psst" not in repr(auth)


@pytest.mark.parametrize("algorithm", KEYS)
def test_a_real_server_lets_us_in_by_backend_services(start_sekmet: Callable[..., Sekmet], algorithm: str) -> None:
    """sekmet refuses a wrong audience, an assertion used twice and a life of more than five minutes."""
    jwk = jwt.get_algorithm_by_name(algorithm).to_jwk(KEYS[algorithm][1], as_dict=True) | {
        "kid": "k1",
        "alg": algorithm,
    }
    registered = {"client_id": "ridgeline", "jwks": {"keys": [jwk]}, "scopes": "system/*.cruds"}
    server = start_sekmet(server_auth={"types": ["smart"], "smart_clients": [registered]})
    client = server.client(_smart(algorithm))
    reference = client.create({"resourceType": "Task", "status": "requested", "intent": "proposal"})
    assert client.read(reference)["status"] == "requested"
    with pytest.raises(SiteRefused) as caught:
        client.create({"resourceType": "Patient", "active": True})
    assert caught.value.status == 403, "we never ask for leave to write a Patient"
    with pytest.raises(SiteRefused) as caught:
        server.client().read(reference)
    assert caught.value.status == 401
