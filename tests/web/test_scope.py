"""Whoever may see one site learns nothing of another, by any address there is.

The routes are found in the application, not listed: one that is added later is walked as well. Each parameter of an
address, and each of a question, is given everything that names the other site, its infants and their records.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any, Final
from urllib.parse import quote_plus

import httpx
import pytest
from fastapi import FastAPI
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from sqlalchemy import text
from starlette.routing import Route
from web.bedside import NORMAL, save
from web.conftest import make_app, make_flow
from web.serving import every_route, serve
from web.staff import SENT, register, signed_in, token_of
from web.ward import age, fill, key_of, newborn, send, weight

from service.flow import Flow
from service.store.database import Database
from service.web.looking import look_of

ASKS_NOBODY: Final = {
    "/health/live",
    "/health/ready",
    "/static/{name}",
    "/language",
    "/look-as",
    "/fhir",
    "/fhir/",
    "/api/openapi.json",
}
"""Routes that do not ask who is looking, because they show and change nothing of anybody. Add none lightly."""

SKIPPED: Final = {"/sign-out"}
"""Ends the walk's own session, and names nobody."""

ONE_OF_OURS: Final = {
    "path": ["exam", "treatment", "newborn"], "kind": ["family", "clinic"], "number": ["1"],
    "type": ["Task", "ServiceRequest", "Patient", "List", "Questionnaire"], "name": ["ridgeline.css"],
}  # fmt: skip
"""Parameter -> what it takes where it names nobody. All others are given whatever names the other site."""


@dataclass
class Walk:
    """The served application, what names the other site, and what must never be seen of it."""

    app: FastAPI
    flow: Flow
    address: str
    names: list[str]
    marks: list[str]

    def routes(self, method: str) -> Iterator[Route]:
        """Every route that takes this method, once."""
        found = {route.path: route for route in every_route(self.app.routes) if method in (route.methods or ())}
        assert len(found) > 5
        yield from (route for path, route in found.items() if path not in SKIPPED)

    def addresses(self, route: Route) -> Iterator[tuple[str, tuple[str, ...]]]:
        """The route's addresses with all that may stand in them, and what of the other site was put in."""
        options = [ONE_OF_OURS.get(name, self.names) for name in route.param_convertors]
        for values in product(*options):
            path = route.path
            for name, value in zip(route.param_convertors, values, strict=True):
                path = path.replace("{" + name + "}", value, 1)
            yield path, tuple(value for value in values if value in self.names)
            for asked, value in product(
                questions(route), self.names if not any(v in self.names for v in values) else ()
            ):
                yield f"{path}?{httpx.QueryParams({asked: value})}", (value,)


def questions(route: Route) -> list[str]:
    """The names of what can be asked of a route beside its address; those a FHIR search takes are not declared."""
    if not isinstance(route, APIRoute):
        return []
    declared = [field.alias for each in walk_dependants(route.dependant) for field in each.query_params]
    return [*declared, *(("patient", "identifier", "_id", "subject") if route.path == "/fhir/{type}" else ())]


def walk_dependants(dependant: Dependant) -> Iterator[Dependant]:
    yield dependant
    for each in dependant.dependencies:
        yield from walk_dependants(each)


@pytest.fixture(scope="module")
def walk(new_database: Callable[[], Database]) -> Iterator[Walk]:
    database = new_database()
    flow = make_flow(database)
    fill(flow)
    # Due today, with an exam, a step and something that could not be read: a record of every kind at the other site.
    send(
        flow, "eastmere",
        newborn("zed-patient", "Zed Marlinspike", "2031-05-01", "E-987", "eastmere"), age("zed-patient", 186),
        weight("zed-patient", 780),
        newborn("yan-patient", "Yan Cuttlebone", "2031-05-02", "E-654", "eastmere"), weight("yan-patient", 1.21),
    )  # fmt: skip
    app, key = make_app(flow), key_of("zed-patient", "eastmere")
    with serve(app) as address:
        with httpx.Client(base_url=address, timeout=30) as open_client:
            assert save(open_client, f"/infant/{key}/exam", **NORMAL).status_code == 303
        register(flow, "fennel", "unit", "northbank")
        register(flow, "millet", "it", "northbank")
        register(flow, "other", "unit", "eastmere", name="Sister Otherwise")
        with database.transaction() as connection:
            ids = [*connection.execute(text("SELECT id FROM publications WHERE site = 'eastmere'")).scalars()]
            wrong = [*connection.execute(text("SELECT id::text FROM rejections WHERE site = 'eastmere'")).scalars()]
            said = [*connection.execute(text("SELECT DISTINCT resource FROM facts WHERE site = 'eastmere'")).scalars()]
        records = [each.partition("/")[2] for each in said]
        assert ids and wrong and records
        keys = [key, key_of("yan-patient", "eastmere"), key_of("odd", "eastmere")]
        names = [
            "eastmere",
            "worklist-eastmere",
            "Zed Marlinspike",
            "E-987",
            "zed-patient",
            *keys[:2],
            *ids[:2],
            *wrong[:1],
        ]
        names.append(next(each for each in records if len(each) == 36))  # what was typed in
        marks = ["eastmere", "Eastmere", "Zed", "Marlinspike", "Cuttlebone", "E-987", "E-654", "E-100", "zed-patient"]
        yield Walk(app, flow, address, names, [*marks, "yan-patient", "Otherwise", *keys, *ids])


def body_of(client: httpx.Client, path: str) -> tuple[int, str, httpx.Headers]:
    """An answer, of a stream that does not end the first line."""
    with client.stream("GET", path) as answer:
        if answer.headers.get("content-type", "").startswith("text/event-stream"):
            return answer.status_code, next(answer.iter_lines()), answer.headers
        answer.read()
        return answer.status_code, answer.text, answer.headers


def seen(walk: Walk, body: str, sent: tuple[str, ...]) -> list[str]:
    """What of the other site stands in an answer, but for what was asked in these very words."""
    for each in sent:
        body = body.replace(each, "").replace(each.lower(), "").replace(quote_plus(each), "")
    return [mark for mark in walk.marks if mark in body]


@pytest.mark.parametrize("who", ["fennel", "millet", "machine"])
def test_no_address_shows_anything_of_a_site_one_may_not_see(walk: Walk, who: str) -> None:
    found, asked = [], 0
    with signed_in(walk.address, "fennel" if who == "machine" else who) as client:
        if who == "machine":
            client.cookies.clear()
            token = token_of(walk.flow, register(walk.flow, "interface", "machine", "northbank"))
            client.headers["Authorization"] = f"Bearer {token}"
        for route in walk.routes("GET"):
            for address, sent in walk.addresses(route):
                status, body, headers = body_of(client, address)
                asked += 1
                assert status < 500, address
                found += [(address, mark) for mark in seen(walk, body + str(headers.raw), sent)]
    assert found == []
    assert asked > 100


def test_the_walk_sees_what_is_there_to_be_seen(walk: Walk) -> None:
    """The same walk by somebody of the other site finds it: the marks are really on the pages."""
    found = set()
    with signed_in(walk.address, "other") as client:
        for route in walk.routes("GET"):
            if any(seen(walk, body_of(client, address)[1], sent) for address, sent in walk.addresses(route)):
                found.add(route.path)
    expected = {
        "/", "/site/{id}", "/infant/{key}", "/infant/{key}/{path}", "/unread", "/api/worklist", "/api/infants/{key}",
        "/api/rejections", "/api/sites", "/fhir/{type}", "/fhir/{type}/{id}", "/metrics",
    }  # fmt: skip
    assert expected <= found


def test_a_route_that_forgets_to_ask_is_found(walk: Walk) -> None:
    def forgetful() -> dict[str, Any]:
        return {"names": [entry.name for entry in walk.flow.worklist()]}

    app = make_app(walk.flow)
    app.add_api_route("/forgetful", forgetful)
    other = Walk(app, walk.flow, "", walk.names, walk.marks)
    with serve(app) as address, signed_in(address, "fennel") as client:
        found = [
            mark
            for route in other.routes("GET")
            if route.path == "/forgetful"
            for path, sent in other.addresses(route)
            for mark in seen(other, body_of(client, path)[1], sent)
        ]
    assert "Marlinspike" in found
    assert "/forgetful" in asks_nobody(app)


def asks_nobody(app: FastAPI) -> set[str]:
    return {
        route.path
        for route in every_route(app.routes)
        if not isinstance(route, APIRoute) or all(each.call is not look_of for each in walk_dependants(route.dependant))
    }


def test_every_handler_asks_who_is_looking(walk: Walk) -> None:
    assert asks_nobody(walk.app) <= ASKS_NOBODY


def test_what_one_may_not_see_answers_as_what_is_not_there(walk: Walk) -> None:
    """Word for word: otherwise an answer would say that there is such an infant or such a site."""
    nothing = {"site": "nowhere", "key": str(uuid.uuid4())}
    with signed_in(walk.address, "fennel") as client:
        for route in walk.routes("GET"):
            if not route.param_convertors:
                continue
            for address, sent in walk.addresses(route):
                twin = address
                for each in sent:
                    twin = twin.replace(each, nothing["site"] if each == "eastmere" else nothing["key"])
                if not sent or any(each not in ("eastmere", *walk.marks[11:14]) for each in sent):
                    continue
                status, body, _ = body_of(client, address)
                other, its, _ = body_of(client, twin)
                for each in sent:
                    its = its.replace(nothing["site"] if each == "eastmere" else nothing["key"], each)
                assert (status, body) == (other, its), address


def test_nothing_can_be_sent_about_an_infant_of_another_site(walk: Walk) -> None:
    def kept() -> list[tuple[object, ...]]:
        tables = ("arrivals", "facts", "decisions", "infants", "rejections", "editions", "people")
        with walk.flow.database.transaction() as connection:
            return [
                tuple(connection.execute(text(f"SELECT count(*), max(xmin::text::bigint) FROM {table}")).one())
                for table in tables
            ]

    form = {
        "do": "save", "by": "Dr Reed", "id": str(uuid.uuid4()), "base": "0", "shown": "", "who": walk.names[5],
        "site": "eastmere", "key": walk.names[5], "infant": walk.names[5], "patient": "zed-patient", **NORMAL,
    }  # fmt: skip
    before, tried = kept(), 0
    for who in ("fennel", "millet"):
        with signed_in(walk.address, who) as client:
            for route in walk.routes("POST"):
                for address, sent in walk.addresses(route):
                    if route.path in ("/sign-in", "/people") and not sent:
                        continue
                    answer = client.post(address, data=form, headers=SENT)
                    tried += 1
                    assert answer.status_code < 500, address
                    assert seen(walk, answer.text, (*sent, *form.values())) == [], address
                    if walk.names[5] in sent:
                        assert answer.status_code in (400, 403, 404, 405, 422), address
    with signed_in(walk.address, "fennel") as client:  # whatever a page asks for, and where it leads
        for route in walk.routes("POST"):
            for value in () if route.param_convertors or route.path == "/sign-in" else walk.names:
                answer = client.post(route.path, data=dict.fromkeys((*form, "q", "name"), value), follow_redirects=True)
                assert seen(walk, answer.text, (value,)) == [], (route.path, value)
    assert tried > 10
    assert kept() == before
