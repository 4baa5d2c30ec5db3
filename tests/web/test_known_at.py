"""The list and an infant over HTTP, as of a day and as known at an instant."""

from __future__ import annotations

from datetime import timedelta

import httpx
import pytest
from web.conftest import make_app
from web.serving import calling
from web.ward import NOW, age, key_of, newborn, send, two_sites, weight

from service.flow import Flow
from service.policies import load_policies
from service.store.database import Database


@pytest.fixture
def told(database: Database) -> list[dict[str, object]]:
    """What was answered as known at each of three instants; the weight is corrected across the limit in between."""
    hours = [0]
    flow = Flow(database, two_sites(), load_policies(), lambda: NOW + timedelta(hours=hours[0]))
    send(flow, "northbank", newborn("a", "Ada", "2031-05-20", "N-1"), age("a", 231), weight("a", 1450))
    hours[0] = 2
    send(flow, "northbank", weight("a", 1900, 2))
    hours[0] = 30
    answers = []
    with calling(make_app(flow)) as client:
        for asked in ("2031-06-01T19:00Z", "2031-06-01T15:00-06:00", "2031-06-02T04:00+06:00"):
            listed = client.get("/api/worklist", params={"known_at": asked}).json()["entries"]
            seen = client.get(f"/api/infants/{key_of('a')}", params={"known_at": asked})
            answers.append({"listed": [entry["patient" if "patient" in entry else "name"] for entry in listed],
                            "status": seen.status_code, "body": seen.json()})  # fmt: skip
    return answers


def test_only_what_was_known_is_told(told: list[dict[str, object]]) -> None:
    assert [answer["listed"] for answer in told] == [[], ["Ada"], []]
    assert [answer["status"] for answer in told] == [404, 200, 200]
    bodies = [answer["body"] for answer in told[1:]]
    assert [body["decision"]["birth_weight"] for body in bodies] == [1450, 1900]  # type: ignore[index]
    assert [len(body["history"]) for body in bodies] == [1, 2]  # type: ignore[arg-type,index]


@pytest.mark.parametrize("path", ["/api/worklist", "/api/infants/x"])
@pytest.mark.parametrize("text", ["yesterday", "2031-06-01", "2031-06-01T07:00", "20310601T0700Z", ""])
def test_an_instant_has_a_zone(ward: httpx.Client, path: str, text: str) -> None:
    answer = ward.get(path, params={"known_at": text})
    assert answer.status_code == 400
    assert "2031-06-01T07:00Z" in answer.json()["problem"]


def test_the_plus_of_a_zone_may_have_become_a_blank(ward: httpx.Client) -> None:
    assert ward.get("/api/worklist?known_at=2031-06-01T22:00+02:00").status_code == 200
    assert ward.get("/api/worklist?known_at=2031-06-01T20:00:00.5%2B00:00").status_code == 200


@pytest.mark.parametrize(
    "text", ["0001-01-01T00:00%2B23:59", "9999-12-31T23:59:59.999999999-23:59", "2032-02-29t00:00z"]
)
def test_any_instant_can_be_asked_for(ward: httpx.Client, text: str) -> None:
    assert ward.get(f"/api/worklist?known_at={text}&site=northbank").status_code == 200


def test_an_infant_as_of_a_day(ward: httpx.Client) -> None:
    seen = ward.get(f"/api/infants/{key_of('today')}?as_of=2031-06-03").json()
    assert (seen["today"], seen["decision"]["age"]["postnatal_days"]) == ("2031-06-03", 33)
