"""The FHIR facade, as R4 says it must answer: http://hl7.org/fhir/R4/http.html and http://hl7.org/fhir/R4/search.html.

What it answers is judged by pyfhircheck (PyPI, MIT) and fhirkit-rs (PyPI, MIT or Apache-2.0), validators by others.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
from contracts.test_validators import errors
from pyfhircheck.config import ValidatorConfig
from pyfhircheck.core.engine import Validator
from web.serving import serve
from web.ward import NOW, fill, key_of, newborn, send, weight

from service.fhir.forms import fill as answer
from service.fhir.write import CODE_SYSTEM, INFANT_SYSTEM, STEP_SYSTEM
from service.flow import Flow
from service.web.application import build

Resource = dict[str, Any]
FHIR_JSON = "application/fhir+json"


@pytest.fixture(scope="module")
def checker() -> Validator:
    return Validator(ValidatorConfig())


def bundle(client: httpx.Client, path: str, **headers: str) -> Resource:
    answer = client.get(path, headers=headers)
    assert answer.status_code == 200, answer.text
    found: Resource = answer.json()
    assert found["resourceType"] == "Bundle" and found["type"] == "searchset"
    return found


def matches(client: httpx.Client, path: str) -> list[Resource]:
    entries = bundle(client, path).get("entry", [])
    return [entry["resource"] for entry in entries if entry["search"]["mode"] == "match"]


def follow(client: httpx.Client, path: str) -> Iterator[Resource]:
    """Every page, by its next link."""
    while path:
        page = bundle(client, path)
        yield page
        path = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")


def task_of(client: httpx.Client, patient: str, site: str = "northbank") -> Resource:
    (found,) = matches(client, f"/fhir/Task?patient=Patient/{key_of(patient, site)}&status=requested")
    return found


def outcome(answer: httpx.Response, status: int) -> str:
    """The sentence of an error, which must be an OperationOutcome and nothing else."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == FHIR_JSON
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    assert {issue["severity"] for issue in body["issue"]} <= {"error", "fatal"}
    said = str(body["issue"][0]["diagnostics"])
    assert "Traceback" not in said and ".py" not in said
    return said


# --- what there is -------------------------------------------------------------------------------------------------


def test_the_capability_statement_tells_only_what_is_true(ward: httpx.Client, checker: Validator) -> None:
    statement = ward.get("/fhir/metadata").json()
    assert errors(checker, statement) == []
    assert statement["fhirVersion"] == "4.0.1"
    (rest,) = statement["rest"]
    for resource in rest["resource"]:
        kind = resource["type"]
        assert matches(ward, f"/fhir/{kind}"), kind
        for parameter in resource["searchParam"]:
            value = {"date": "2031-06-01", "reference": "Patient/x", "token": "x", "uri": "x"}[parameter["type"]]
            asked = ward.get(f"/fhir/{kind}?{parameter['name']}={value}", headers={"Prefer": "handling=strict"})
            assert asked.status_code == 200, parameter["name"]
        for include in resource.get("searchInclude", []):
            strict = {"Prefer": "handling=strict"}
            assert ward.get(f"/fhir/{kind}?_include={include}", headers=strict).status_code == 200
        codes = {each["code"] for each in resource["interaction"]}
        assert codes <= {"read", "vread", "history-instance", "search-type"}
        first = matches(ward, f"/fhir/{kind}?_count=1")[0]
        versions = ward.get(f"/fhir/{kind}/{first['id']}/_history").status_code
        assert (versions == 200) == ("history-instance" in codes)


def test_everything_served_is_good_r4(ward: httpx.Client, checker: Validator) -> None:
    kinds = ("Task", "ServiceRequest", "Patient", "List", "CodeSystem", "Questionnaire")
    served = [each for kind in kinds for each in matches(ward, f"/fhir/{kind}")]
    assert {each["resourceType"] for each in served} == set(kinds)
    for resource in served:
        assert errors(checker, resource) == [], resource["resourceType"]
    assert errors(checker, bundle(ward, "/fhir/Task?_include=Task:focus")) == []


def test_a_task_carries_the_window_and_leads_to_its_request_and_infant(ward: httpx.Client) -> None:
    task = task_of(ward, "today")
    # Born 2031-05-01 at 26w4d: day 31 to day 37 (AAP 2018).
    assert task["restriction"]["period"] == {"start": "2031-06-01", "end": "2031-06-07"}
    request = ward.get(f"/fhir/{task['focus']['reference']}").json()
    assert request["resourceType"] == "ServiceRequest"
    assert request["intent"] == "proposal"
    infant = ward.get(f"/fhir/{task['for']['reference']}").json()
    assert infant["name"] == [{"text": "Ada Lanternfish"}]
    assert infant["birthDate"] == "2031-05-01"
    assert {"system": "https://northbank.example/mrn", "value": "N-100"} in infant["identifier"]


def test_the_list_is_ranked_as_the_worklist_is(ward: httpx.Client, checker: Validator) -> None:
    ranked = ward.get("/api/worklist").json()["entries"]
    everywhere = next(each for each in matches(ward, "/fhir/List") if "at" not in each["title"].split())
    assert errors(checker, everywhere) == []
    assert everywhere["status"] == "current"
    assert everywhere["orderedBy"]["coding"][0]["code"] == "priority"
    infants = [
        ward.get(f"/fhir/{entry['item']['reference']}").json()["for"]["reference"] for entry in everywhere["entry"]
    ]
    assert infants == [f"Patient/{entry['key']}" for entry in ranked]
    one = next(each for each in matches(ward, "/fhir/List") if each["title"].endswith("at Eastmere"))
    assert len(one["entry"]) == 1
    assert ward.get(f"/fhir/List/{one['id']}").json()["entry"] == one["entry"]


def test_what_is_the_same_for_everybody_is_found_by_its_url(ward: httpx.Client) -> None:
    """The CodeSystems of the codes we publish, and the Questionnaires whose answers we read."""
    for kind in ("CodeSystem", "Questionnaire"):
        for each in matches(ward, f"/fhir/{kind}"):
            assert matches(ward, f"/fhir/{kind}?url={each['url']}") == [each]
            assert matches(ward, f"/fhir/{kind}?url={each['url']},http://example.org/x&_id={each['id']}") == [each]
            assert ward.get(f"/fhir/{kind}/{each['id']}").json() == each
            assert matches(ward, f"/fhir/{kind}?_id={each['id']}&_id=other") == []
        assert matches(ward, f"/fhir/{kind}?url=https://ridgeline.invalid/fhir/{kind}") == []
        assert bundle(ward, f"/fhir/{kind}?_count=0")["total"] >= 2


def test_every_code_of_ours_that_is_served_is_in_a_code_system_that_is_served(ward: httpx.Client) -> None:
    systems = {each["url"]: each for each in matches(ward, "/fhir/CodeSystem")}
    codes = {url: {concept["code"] for concept in each["concept"]} for url, each in systems.items()}
    served = [
        each for kind in ("Task", "ServiceRequest", "List", "Questionnaire") for each in matches(ward, f"/fhir/{kind}")
    ]
    used = [coding for resource in served for coding in codings(resource) if "ridgeline.invalid" in coding["system"]]
    assert {coding["system"] for coding in used} == set(systems)
    assert [coding for coding in used if coding["code"] not in codes[coding["system"]]] == []


def codings(value: Any) -> Iterator[Resource]:
    """Every Coding in a resource."""
    if isinstance(value, dict) and {"system", "code"} <= value.keys():
        yield value
    for inner in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from codings(inner)


def test_the_list_leads_to_the_task_of_what_comes_next(own_ward: httpx.Client, flow: Flow) -> None:
    """After the first exam the entry is the next exam's Task, and so on: the one that is requested now."""

    def listed() -> Resource:
        (everywhere,) = matches(own_ward, "/fhir/List?_id=worklist")
        tasks = [own_ward.get(f"/fhir/{entry['item']['reference']}").json() for entry in everywhere["entry"]]
        (mine,) = [task for task in tasks if task["for"]["reference"] == f"Patient/{key_of('today')}"]
        return mine

    before = listed()
    eye = {"view": "adequate", "zone": "II", "stage": "2", "plus": "none"}
    send(flow, "northbank", answer(
        "eye-exam", {"on": "2031-06-01", "right": eye, "left": eye, "examiner": "Dr Reed"}, id="exam-1", version=1,
        patient="today", author="Dr Reed", authored=NOW,
    ))  # fmt: skip
    after = listed()
    assert after["id"] != before["id"] and after["status"] == "requested"
    assert own_ward.get(f"/fhir/Task/{before['id']}").json()["status"] == "completed"
    request = own_ward.get(f"/fhir/{after['focus']['reference']}").json()
    assert request["code"]["coding"][0]["code"] == "repeat-exam"
    assert request in matches(own_ward, f"/fhir/ServiceRequest?code={CODE_SYSTEM}|repeat-exam")
    assert [each["id"] for each in matches(own_ward, "/fhir/List?_id=worklist")] == ["worklist"]
    course = own_ward.get(f"/api/infants/{key_of('today')}").json()["course"]
    assert [exam["right"]["stage"] for exam in course["exams"]] == ["2"]


# --- search --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("status=requested", {"late", "today", "vague", "light", "odd"}),
        ("status=http://hl7.org/fhir/task-status|requested", {"late", "today", "vague", "light", "odd"}),
        ("status=http://example.org/other|requested", set()),
        ("status=cancelled,completed", set()),
        ("status=requested&status=cancelled", set()),
        ("owner=Northbank eye service", {"late", "today", "vague", "light"}),
        ("owner:identifier=https://northbank.example/org|eye", {"late", "today", "vague", "light"}),
        ("owner:identifier=https://northbank.example/org|ear", set()),
        # window 1 to 7 June of "today"; 10 to 16 May of "late"
        ("code=data-needed", {"vague", "light"}),
        ("code=http://hl7.org/fhir/CodeSystem/task-code|fulfill", {"late", "today", "odd"}),
        ("code=|fulfill", set()),
        ("period=2031-05", {"late"}),
        ("period=eb2031-06-01", {"late"}),
        ("_id=nothing", set()),
        ("patient=nothing", set()),
        ("identifier=nothing", set()),
        ("identifier=|nothing", set()),
        (f"identifier={STEP_SYSTEM}|", {"late", "today", "vague", "light", "odd"}),
        ("_lastUpdated=2031-06-01", {"late", "today", "vague", "light", "odd"}),
        ("_lastUpdated=gt2031-06-01", set()),
        ("_lastUpdated=ge2031-06-01T20:00:00Z", {"late", "today", "vague", "light", "odd"}),
        ("_lastUpdated=lt2031-06-01T20:00:00Z", set()),
        ("_lastUpdated=lt2031-06-01T22:00:00%2B02:00", set()),
        ("_lastUpdated=2031-06-01T20:00Z", {"late", "today", "vague", "light", "odd"}),
    ],
)
def test_task_search(ward: httpx.Client, asked: str, found: set[str]) -> None:
    keys = {key_of(each, "eastmere" if each == "odd" else "northbank") for each in found}
    joined = "" if "status" in asked else "&status=requested"
    tasks = matches(ward, f"/fhir/Task?{asked}{joined}")
    assert {task["for"]["reference"].removeprefix("Patient/") for task in tasks} == keys


@pytest.mark.parametrize(
    ("asked", "hit"),
    [
        # The window of "today" is 1 to 7 June; what each prefix asks of a period: R4, search, 3.1.1.5.5.
        ("2031-06-01", False), ("2031-06", True), ("ne2031-06", False), ("ne2031-06-03", True),
        ("gt2031-06-06", True), ("gt2031-06-07", False), ("ge2031-06-07", False), ("ge2031-06", True),
        ("lt2031-06-02", True), ("lt2031-06-01", False), ("le2031-06-01", False), ("le2031-06", True),
        ("sa2031-05-31", True), ("sa2031-06-01", False), ("eb2031-06-08", True), ("eb2031-06-07", False),
    ],
)  # fmt: skip
def test_what_a_date_asks_of_a_window(ward: httpx.Client, asked: str, hit: bool) -> None:
    infant = key_of("today")
    for path in ("Task?period=", "Task?window=", "ServiceRequest?occurrence="):
        assert bool(matches(ward, f"/fhir/{path}{asked}&patient={infant}&status=requested,active")) == hit, path


def test_each_way_to_name_an_infant_finds_the_same_tasks(ward: httpx.Client) -> None:
    key, task = key_of("today"), task_of(ward, "today")
    for name in ("patient", "subject", "patient:Patient"):
        for value in (key, f"Patient/{key}", f"{ward.base_url}/fhir/Patient/{key}"):
            assert [each["id"] for each in matches(ward, f"/fhir/Task?{name}={value}")] == [task["id"]], (name, value)
    assert matches(ward, f"/fhir/Task?patient=Group/{key}") == []
    for system in ("", f"{INFANT_SYSTEM}|"):
        assert [t["id"] for t in matches(ward, f"/fhir/Task?group-identifier={system}{key}")] == [task["id"]]
    value = task["identifier"][0]["value"]
    for token in (value, f"{STEP_SYSTEM}|{value}"):
        assert [each["id"] for each in matches(ward, f"/fhir/Task?identifier={token}")] == [task["id"]]
    assert matches(ward, f"/fhir/Task?identifier=|{value}") == []


def test_patients_are_found_by_the_number_the_site_reads_aloud(ward: httpx.Client) -> None:
    for token in ("https://northbank.example/mrn|N-100", "N-100"):
        (found,) = matches(ward, f"/fhir/Patient?identifier={token}")
        assert found["id"] == key_of("today")
    assert matches(ward, "/fhir/Patient?identifier=|N-100") == []
    assert matches(ward, "/fhir/Patient?identifier=https://eastmere.example/mrn|N-100") == []
    assert len(matches(ward, "/fhir/Patient?identifier=https://northbank.example/mrn|")) == 5
    assert len(matches(ward, f"/fhir/Patient?_id={key_of('today')},{key_of('term')}")) == 2
    assert matches(ward, f"/fhir/Patient?_id={key_of('today')}&_id={key_of('term')}") == []
    assert len(matches(ward, "/fhir/Patient?_lastUpdated=ge2031-06-01")) == 6


def test_include_brings_each_focus_once_and_the_total_counts_matches_only(ward: httpx.Client) -> None:
    found = bundle(ward, "/fhir/Task?status=requested&_include=Task:focus")
    included = [each["resource"] for each in found["entry"] if each["search"]["mode"] == "include"]
    tasks = [each["resource"] for each in found["entry"] if each["search"]["mode"] == "match"]
    assert found["total"] == len(tasks) == 6  # who went home has a hand-over beside the exam
    assert {f"{each['resourceType']}/{each['id']}" for each in included} == {t["focus"]["reference"] for t in tasks}
    for entry in found["entry"]:
        assert ward.get(urlsplit(entry["fullUrl"]).path).json() == entry["resource"]


@pytest.mark.parametrize("sort", ["", "&_sort=_lastUpdated", "&_sort=-_lastUpdated", "&_sort=_id", "&_sort=-period"])
def test_pages_hold_every_match_once_in_one_order(ward: httpx.Client, sort: str) -> None:
    whole = [each["id"] for each in matches(ward, f"/fhir/Task?status=requested{sort}")]
    pages = list(follow(ward, f"/fhir/Task?status=requested&_count=2{sort}"))
    assert [len(page["entry"]) for page in pages] == [2, 2, 2]
    assert {page["total"] for page in pages} == {6}
    assert [entry["resource"]["id"] for page in pages for entry in page["entry"]] == whole
    assert [link["relation"] for link in pages[-1]["link"]] == ["self"]


def test_patient_pages(ward: httpx.Client) -> None:
    pages = list(follow(ward, "/fhir/Patient?_count=4"))
    assert [len(page["entry"]) for page in pages] == [4, 2]
    assert len({entry["resource"]["id"] for page in pages for entry in page["entry"]}) == 6


def test_what_closes_first_comes_first(ward: httpx.Client) -> None:
    ends = [each["restriction"]["period"]["end"] for each in matches(ward, "/fhir/Task?status=requested")]
    assert ends == sorted(ends)
    turned = [
        each["restriction"]["period"]["end"] for each in matches(ward, "/fhir/Task?status=requested&_sort=-period")
    ]
    assert turned == ends[::-1]


def test_count_zero_and_summary_count_give_the_total_alone(ward: httpx.Client) -> None:
    for asked in ("_count=0", "_summary=count"):
        found = bundle(ward, f"/fhir/Task?status=requested&{asked}")
        assert (found["total"], "entry" in found) == (6, False)
        assert [link["relation"] for link in found["link"]] == ["self"]
    assert "total" not in bundle(ward, "/fhir/Task?_total=none")


def test_an_unknown_parameter_is_left_out_of_self_or_refused_when_asked_to(ward: httpx.Client) -> None:
    found = bundle(ward, "/fhir/Task?shoe-size=9&status=requested&_format=json")
    (link,) = found["link"]
    assert "shoe-size" not in link["url"] and "status=requested" in link["url"]
    assert found["total"] == 6
    refused = ward.get("/fhir/Task?shoe-size=9", headers={"Prefer": "respond-async, handling=strict"})
    assert "shoe-size" in outcome(refused, 400)
    assert "group-identifier" in outcome(refused, 400)


@pytest.mark.parametrize(
    "asked",
    [
        "status:not=requested", "patient:Group=1", "patient.name=x", "patient:identifier=a|b", "_count=x", "_count=-1",
        "_sort=owner", "_sort=period,_id", "_total=some", "_summary=text", "period=yesterday", "period=ap2031-06-01",
        "_lastUpdated=2031-13-01", "_lastUpdated=2031-06-01T25:00:00Z", "period=2031-02-30",
    ],
)  # fmt: skip
def test_what_cannot_be_answered_as_asked_is_refused_not_ignored(ward: httpx.Client, asked: str) -> None:
    said = outcome(ward.get(f"/fhir/Task?{asked}"), 400)
    assert "yesterday" not in said


def test_search_by_post_asks_the_same(ward: httpx.Client) -> None:
    posted = ward.post("/fhir/Task/_search?status=requested", data={"_count": "2", "code": "data-needed"}).json()
    assert posted["total"] == 2
    assert "code=data-needed" in posted["link"][0]["url"]
    wrong = ward.post("/fhir/Task/_search", json={})
    assert "application/x-www-form-urlencoded" in outcome(wrong, 415)


# --- versions ------------------------------------------------------------------------------------------------------


def test_a_moved_date_is_a_new_version_of_the_same_task(own_ward: httpx.Client, flow: Flow) -> None:
    before = own_ward.get(f"/fhir/Task/{task_of(own_ward, 'light')['id']}")
    send(flow, "northbank", newborn("light", "Ed Pepperpot", "2031-05-27", "N-500") | {"meta": {"versionId": "2"}})
    after = own_ward.get(f"/fhir/Task/{before.json()['id']}")
    assert (before.headers["etag"], after.headers["etag"]) == ('W/"1"', 'W/"2"')
    assert after.json()["meta"]["versionId"] == "2"
    end = date.fromisoformat(before.json()["restriction"]["period"]["end"])
    assert date.fromisoformat(after.json()["restriction"]["period"]["end"]) == end - timedelta(days=1)
    assert own_ward.get(f"/fhir/Task/{before.json()['id']}/_history/1").json() == before.json()
    history = own_ward.get(f"/fhir/Task/{before.json()['id']}/_history").json()
    assert history["type"] == "history" and history["total"] == 2
    assert [entry["resource"] for entry in history["entry"]] == [after.json(), before.json()]
    assert [entry["request"]["method"] for entry in history["entry"]] == ["PUT", "POST"]
    assert len(matches(own_ward, f"/fhir/Task?_id={before.json()['id']}")) == 1
    outcome(own_ward.get(f"/fhir/Task/{before.json()['id']}/_history/3"), 404)
    outcome(own_ward.get(f"/fhir/Task/{before.json()['id']}/_history/zz"), 404)


def test_no_longer_due_is_cancelled_and_still_readable(own_ward: httpx.Client, flow: Flow) -> None:
    task = task_of(own_ward, "vague")
    send(flow, "northbank", weight("vague", 3400), {
        "resourceType": "Observation", "id": "vague-ga", "status": "final", "subject": {"reference": "Patient/vague"},
        "code": {"coding": [{"system": "http://loinc.org", "code": "76516-4"}]}, "valueString": "39w0d",
    })  # fmt: skip
    assert own_ward.get(f"/fhir/Task/{task['id']}").json()["status"] in ("cancelled", "completed")
    assert key_of("vague") not in str(matches(own_ward, "/fhir/Task?status=requested"))


def test_who_has_it_already_is_told_so(ward: httpx.Client) -> None:
    for path in (f"/fhir/Task/{task_of(ward, 'today')['id']}", f"/fhir/Patient/{key_of('today')}", "/fhir/metadata"):
        first = ward.get(path)
        again = ward.get(path, headers={"If-None-Match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b""), path
        assert again.headers["etag"] == first.headers["etag"]
        assert ward.get(path, headers={"If-None-Match": 'W/"x", ' + first.headers["etag"]}).status_code == 304
        assert ward.get(path, headers={"If-None-Match": 'W/"0"'}).status_code == 200
    path = f"/fhir/Task/{task_of(ward, 'today')['id']}"
    changed = ward.get(path).headers["last-modified"]
    assert changed == "Sun, 01 Jun 2031 20:00:00 GMT"
    assert ward.get(path, headers={"If-Modified-Since": changed}).status_code == 304
    assert ward.get(path, headers={"If-Modified-Since": "Sun, 01 Jun 2031 19:59:59 GMT"}).status_code == 200
    assert ward.get(path, headers={"If-Modified-Since": "last week"}).status_code == 200


def test_a_merged_record_is_gone(own_ward: httpx.Client, flow: Flow) -> None:
    link = [{"other": {"reference": "Patient/today"}, "type": "replaced-by"}]
    send(flow, "northbank", newborn("vague", "Cy Driftwood", "2031-05-25", "N-300") | {
        "meta": {"versionId": "2"}, "active": False, "link": link,
    })  # fmt: skip
    assert "merged" in outcome(own_ward.get(f"/fhir/Patient/{key_of('vague')}"), 410)
    assert key_of("vague") not in {each["id"] for each in matches(own_ward, "/fhir/Patient")}


# --- what it will not do -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/fhir/Task"), ("PUT", "/fhir/Task/1"), ("PATCH", "/fhir/Task/1"), ("DELETE", "/fhir/Task/1"),
        ("PUT", "/fhir/Task?identifier=a|b"), ("POST", "/fhir/Patient"), ("POST", "/fhir/metadata"), ("POST", "/fhir"),
    ],
)  # fmt: skip
def test_nothing_can_be_written(ward: httpx.Client, method: str, path: str) -> None:
    answer = ward.request(method, path, content=b'{"resourceType": "Task"}', headers={"Content-Type": FHIR_JSON})
    assert "read-only" in outcome(answer, 405)
    assert "GET" in answer.headers["allow"]


@pytest.mark.parametrize(
    "path",
    ["/fhir", "/fhir/", "/fhir/Observation", "/fhir/Task/none", "/fhir/List/none", "/fhir/Patient/none",
     "/fhir/a/b/c/d",
     "/fhir/Patient/00000000-0000-0000-0000-000000000000", "/fhir/Task/none/_history", "/fhir/Task/none/_history/1",
     "/fhir/Patient/none/_history", "/fhir/Observation/1", "/fhir/Task/%3Cscript%3E"],
)  # fmt: skip
def test_what_is_not_there_is_a_404_with_a_sentence(ward: httpx.Client, path: str) -> None:
    assert "<script>" not in outcome(ward.get(path), 404)


def test_a_page_link_that_is_none_is_gone(ward: httpx.Client) -> None:
    (link,) = [each["url"] for each in bundle(ward, "/fhir/Task?_count=1")["link"] if each["relation"] == "next"]
    token = link.partition("_page=")[2]
    for bad in ("x", "", token[:-4], "W10", "bnVsbA", "5" * 3000):
        if bad:
            outcome(ward.get(f"/fhir/Task?_page={bad}"), 410)
    outcome(ward.get(f"/fhir/ServiceRequest?_page={token}"), 410)
    outcome(ward.get(f"/fhir/Patient?_page={token}"), 410)


@pytest.mark.parametrize(
    ("accept", "asked", "status"),
    [
        ("application/fhir+json", "", 200), ("application/json", "", 200), ("*/*", "", 200),
        ("text/html, */*;q=0.1", "", 200),
        ("application/fhir+json; fhirVersion=4.0", "", 200), ("application/fhir+json;fhirVersion=5.0", "", 406),
        ("application/fhir+xml", "", 406), ("text/html", "", 406), ("application/fhir+xml", "json", 200),
        ("*/*", "xml", 406), ("*/*", "application/fhir%2Bjson", 200), ("*/*", "application/fhir+json", 200),
    ],
)  # fmt: skip
def test_the_format_is_agreed_on(ward: httpx.Client, accept: str, asked: str, status: int) -> None:
    query = f"?_format={asked}" if asked else ""
    for path in ("/fhir/metadata", "/fhir/Task", f"/fhir/Patient/{key_of('today')}"):
        answer = ward.get(f"{path}{query}", headers={"Accept": accept})
        assert answer.status_code == status
        assert answer.headers["content-type"] == FHIR_JSON


def test_head_says_what_get_would(ward: httpx.Client) -> None:
    for path in ("/fhir/metadata", f"/fhir/Task/{task_of(ward, 'today')['id']}", "/fhir/Task?_count=1"):
        head, get = ward.head(path), ward.get(path)
        assert head.status_code == 200 and head.content == b""
        assert head.headers["etag"] == get.headers["etag"]
        assert head.headers["content-length"] == get.headers["content-length"]


def test_links_use_the_public_address_where_one_is_set(flow: Flow) -> None:
    fill(flow)
    public = build(flow, base_url="https://rop.example/eyes/")
    with serve(public) as address:
        found = httpx.get(f"{address}/fhir/Task?_count=1").json()
        assert {link["url"].partition("?")[0] for link in found["link"]} == {"https://rop.example/eyes/fhir/Task"}
        assert found["entry"][0]["fullUrl"].startswith("https://rop.example/eyes/fhir/Task/")
        statement = httpx.get(f"{address}/fhir/metadata").json()
        assert statement["implementation"]["url"] == "https://rop.example/eyes/fhir"
