"""The worklist as JSON, and its description in OpenAPI (https://spec.openapis.org/oas/v3.1.0)."""

from __future__ import annotations

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from jsonschema_rs import Draft202012Validator
from web.ward import key_of

from service.core.course import Course


def test_the_list_is_ranked_and_says_all_a_row_says(ward: httpx.Client) -> None:
    body = ward.get("/api/worklist").json()
    entries = body["entries"]
    assert [entry["rank"] for entry in entries] == list(range(1, len(entries) + 1))
    assert entries[0]["key"] == key_of("late")
    assert entries[0]["days_over"] == 16  # 16 May to 1 June
    today = next(entry for entry in entries if entry["key"] == key_of("today"))
    # Born 2031-05-01 at 26w4d: 31 days old, 31w0d; window from day 31 to day 37 (AAP 2018).
    assert today["age"] == {
        "gestational_age_at_birth": "26w4d", "postnatal_days": 31, "postmenstrual_age": "31w0d",
    }  # fmt: skip
    assert today["next"] | {"rule": "", "cite": "", "text": "", "provenance": ""} == {
        "kind": "first-exam", "opens": "2031-06-01", "due": "2031-06-01", "closes": "2031-06-07",
        "by": None, "eye": None, "rule": "", "cite": "", "text": "", "provenance": "",
    }  # fmt: skip
    assert today["next"]["cite"] and today["next"]["provenance"] == "read"
    assert (today["section"], today["site_name"], today["identifier"]) == ("today", "Northbank", "N-100")
    assert "licensed clinicians decide" in body["caution"]


def test_one_site_and_another_day(ward: httpx.Client) -> None:
    assert {entry["site"] for entry in ward.get("/api/worklist?site=eastmere").json()["entries"]} == {"eastmere"}
    later = ward.get("/api/worklist?site=northbank&as_of=2031-06-09").json()["entries"]
    assert next(each for each in later if each["key"] == key_of("today"))["days_over"] == 2  # closed 7 June


def test_one_infant(ward: httpx.Client) -> None:
    body = ward.get(f"/api/infants/{key_of('today')}").json()
    assert {fact["name"] for fact in body["facts"]} >= {"born", "gestation", "birth_weight", "name", "identifier"}
    assert body["decision"]["birth_weight"] == 780
    assert (body["decision"]["exams"], body["decision"]["also"], body["decision"]["closing"]) == (0, [], None)
    assert body["course"] == {"basis": Course().basis, "exams": [], "treatments": []}
    gone = ward.get(f"/api/infants/{key_of('late')}").json()["decision"]
    assert [step["kind"] for step in gone["also"]] == ["hand-over"]
    # A weight and an age arrived one after the other: what was decided in between stays on record.
    assert body["history"][0]["decision"]["next"] == body["decision"]["next"]
    assert len(ward.get(f"/api/infants/{key_of('light')}").json()["rejections"]) == 1


def test_rejections_census_and_sites(ward: httpx.Client) -> None:
    (rejection,) = ward.get("/api/rejections").json()
    assert rejection["infant"] == key_of("light")
    assert '"value": 1.36' in rejection["original"]
    assert ward.get("/api/rejections?site=eastmere").json() == []
    census = ward.get("/api/census").json()
    assert census == {"eligible": 3, "unknown": 2, "not-eligible": 1, "closed": 0}
    assert sum(ward.get("/api/census?site=eastmere").json().values()) == 1
    days = {site["id"]: site["today"] for site in ward.get("/api/sites").json()}
    assert days == {"northbank": "2031-06-01", "eastmere": "2031-06-02"}  # 20:00 UTC is 01:30 the next day in Kolkata


@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/api/worklist?site=zz", 404, "northbank"), ("/api/worklist?as_of=soon", 400, "2031-06-01"),
        ("/api/rejections?site=zz", 404, "zz"), ("/api/census?site=zz", 404, "zz"), ("/api/infants/zz", 404, "infant"),
        ("/api/infants/00000000-0000-0000-0000-000000000000", 404, "infant"), ("/api/zz", 404, "address"),
        ("/api/worklist?as_of=0000-00-00", 400, "as_of"), ("/api/worklist?as_of=20310601", 400, "as_of"),
        ("/api/worklist?as_of=", 400, "as_of"), ("/api/worklist?as_of=9999-12-31", 200, ""),
        ("/api/worklist?as_of=0001-01-01", 200, ""),
    ],
)  # fmt: skip
def test_a_problem_is_one_sentence(ward: httpx.Client, path: str, status: int, said: str) -> None:
    answer = ward.get(path)
    assert answer.status_code == status
    if status != 200:
        assert list(answer.json()) == ["problem"]
        assert said in answer.json()["problem"]


def test_the_description_is_true(ward: httpx.Client) -> None:
    """Every answer fits its schema, judged by jsonschema-rs; every path of /api is described."""
    description = ward.get("/api/openapi.json").json()
    assert set(description["paths"]) == {
        "/api/worklist", "/api/infants/{key}", "/api/rejections", "/api/census", "/api/sites",
    }  # fmt: skip
    for path, methods in description["paths"].items():
        schema = methods["get"]["responses"]["200"]["content"]["application/json"]["schema"]
        answer = ward.get(path.format(key=key_of("today"))).json()
        Draft202012Validator({**schema, "components": description["components"]}).validate(answer)


def test_no_input_breaks_it(ward: httpx.Client) -> None:
    """schemathesis sends what the description allows and what it does not: never a 5xx, never an undescribed answer."""
    schema = schemathesis.openapi.from_url(f"{ward.base_url}/api/openapi.json")
    operations = [each.ok() for each in schema.get_all_operations()]
    assert len(operations) == 5
    for operation in operations:
        for mode in schemathesis.GenerationMode:
            if mode is schemathesis.GenerationMode.NEGATIVE and operation.path != "/api/worklist":
                continue  # any text is a possible site or key: there is nothing to get wrong

            @settings(max_examples=15, suppress_health_check=list(HealthCheck))
            @given(case=operation.as_strategy(generation_mode=mode))
            def send(case: schemathesis.Case) -> None:
                case.call_and_validate()

            send()
