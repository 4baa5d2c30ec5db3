"""Catching up: everything once, nothing lost, against a real server and through the habits of others.

Sources: HL7 FHIR R4 search (`_lastUpdated`, paging) http://hl7.org/fhir/R4/search.html, history bundles
http://hl7.org/fhir/R4/http.html#history; `combo-code`, "the code of the observation type or component type",
http://hl7.org/fhir/R4/observation.html#search; `questionnaire`, "the questionnaire the answers are for",
http://hl7.org/fhir/R4/questionnaireresponse.html#search; late commits under an earlier time:
github.com/LinuxForHealth/FHIR issue 2039.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from contracts.counterpart import Sekmet
from steps import a_site

from service.client import Ability, Auth, Capabilities, FhirClient
from service.errors import SiteRefused, SiteUnavailable
from service.feeds.poll import (
    TYPES,
    Batch,
    catch_up,
    narrowed,
    observation_codes,
    procedure_codes,
    reread,
    why_whole,
)
from service.fhir.sites import TEXT, Code, load_sites

NOON = datetime(2031, 6, 1, 12, tzinfo=UTC)
SITES = load_sites(Path(__file__).resolve().parents[2] / "mappings")
EYE = "https://quillhaven.example/eye"


def _ids(batches: Iterable[Batch]) -> list[str]:
    """Every resource handed over, as Type/id/version."""
    found = []
    for batch in batches:
        for entry in json.loads(batch.body or b"{}").get("entry", []):
            one = entry["resource"]
            found.append(f"{one['resourceType']}/{one['id']}/{one.get('meta', {}).get('versionId', '')}")
    return found


def _weight(id: str, code: str = "8339-4", system: str = "http://loinc.org") -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": id,
        "status": "final",
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": f"Patient/{id}"},
    }


def _many(server: Sekmet, ids: Iterable[str]) -> None:
    entries = [
        {"resource": {"resourceType": "Patient", "id": id}, "request": {"method": "PUT", "url": f"Patient/{id}"}}
        for id in ids
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    httpx.post(server.base_url, json=bundle, timeout=60).raise_for_status()


def test_all_pages_then_only_what_is_new(start_sekmet: Callable[..., Sekmet]) -> None:
    server, site = start_sekmet(), a_site()
    client = server.client()
    _many(server, (f"n-{number}" for number in range(450)))
    server.put(_weight("n-1"))
    server.put(_weight("n-2", "8867-4"))  # a heart rate is not asked for
    batches = list(catch_up(client, site, {}))
    found = _ids(batches)
    assert sorted(found) == sorted([*(f"Patient/n-{number}/1" for number in range(450)), "Observation/n-1/1"])
    assert [batch.type for batch in batches].count("Patient") == 3
    cursor = batches[-1].cursor

    assert [batch.body for batch in catch_up(client, site, cursor)] == [None] * len(
        list(catch_up(client, site, cursor))
    )
    server.put({"resourceType": "Patient", "id": "n-7", "active": False})
    server.put(_weight("n-9"))
    again = list(catch_up(client, site, cursor))
    assert {"Patient/n-7/2", "Observation/n-9/1"} <= set(_ids(again))
    assert _ids(catch_up(client, site, again[-1].cursor)) == []
    assert len(_ids(catch_up(client, site, again[-1].cursor, whole=True))) == 452


def test_a_change_while_pages_are_read_loses_nobody(start_sekmet: Callable[..., Sekmet]) -> None:
    """sekmet pages by offset: oldest first would skip one infant for every one that changes meanwhile."""
    server, site = start_sekmet(), a_site()
    _many(server, (f"n-{number:03}" for number in range(450)))
    found: list[str] = []
    cursor: Any = {}
    none = timedelta(0)  # the overlap would hide what is tested here
    for batch in catch_up(server.client(), site, {}, types=("Patient",), overlap=none):
        found += _ids([batch])
        cursor = batch.cursor
        for number in (3, 4, 5):
            server.put({"resourceType": "Patient", "id": f"n-{number:03}", "active": False})
    found += _ids(catch_up(server.client(), site, cursor, types=("Patient",), overlap=none))
    assert {one.split("/")[1] for one in found} == {f"n-{number:03}" for number in range(450)}
    assert {f"Patient/n-00{number}/4" for number in (3, 4, 5)} <= set(found), "and their last versions are known"


def test_a_reading_that_breaks_off_moves_no_mark(start_sekmet: Callable[..., Sekmet]) -> None:
    server, site = start_sekmet(), a_site()
    _many(server, (f"n-{number}" for number in range(450)))
    got: list[Batch] = []
    with pytest.raises(SiteUnavailable):
        for batch in catch_up(server.client(), site, {}, types=("Patient",)):
            got.append(batch)
            server.stop()
    assert [batch.cursor for batch in got] == [{}], "one page of three"
    server.start()
    assert len(_ids(catch_up(server.client(), site, got[0].cursor, types=("Patient",)))) == 450


class Played:
    """A server that says what a test puts into `now`: resources as (id, version, lastUpdated)."""

    def __init__(self) -> None:
        self.now: list[tuple[str, str, datetime]] = []
        self.answered = NOON
        self.asked: list[httpx.QueryParams] = []
        self.more: list[dict[str, Any]] = []

    def __call__(self, request: httpx.Request) -> httpx.Response:
        self.asked.append(request.url.params)
        since = request.url.params.get("_lastUpdated", "ge0001-01-01T00:00:00+00:00").removeprefix("ge")
        shown = [
            {"resource": {"resourceType": "Patient", "id": id, "meta": {"versionId": v, "lastUpdated": t.isoformat()}}}
            for id, v, t in self.now
            if t >= datetime.fromisoformat(since)
        ]
        bundle = {"resourceType": "Bundle", "type": "searchset", "entry": [*shown, *self.more]}
        return httpx.Response(200, json=bundle, headers={"Date": format_datetime(self.answered, usegmt=True)})

    def client(self) -> FhirClient:
        transport = httpx.MockTransport(self)
        return FhirClient("https://site.example/fhir", Auth(), clock=lambda: NOON, transport=transport)


def _poll(played: Played, cursor: Any) -> tuple[list[str], Any]:
    batches = list(catch_up(played.client(), a_site(), cursor, types=("Patient",)))
    return _ids(batches), batches[-1].cursor


def test_what_is_committed_late_under_an_earlier_time_is_seen() -> None:
    played = Played()
    played.now = [("a", "1", NOON - timedelta(minutes=1))]
    _, cursor = _poll(played, {})
    played.now.append(("late", "1", NOON - timedelta(minutes=4)))
    found, cursor = _poll(played, cursor)
    assert "Patient/late/1" in found
    assert _poll(played, cursor)[0] == []


def test_a_resource_from_the_future_does_not_hide_the_rest() -> None:
    played = Played()
    played.now = [("a", "1", NOON - timedelta(minutes=1)), ("odd", "1", NOON + timedelta(days=900))]
    _, cursor = _poll(played, {})
    played.answered += timedelta(hours=1)
    played.now.append(("b", "1", NOON + timedelta(minutes=30)))
    assert "Patient/b/1" in _poll(played, cursor)[0]


def test_the_mark_is_the_servers_and_never_goes_back() -> None:
    played = Played()
    played.now = [("a", "1", NOON - timedelta(days=3))]
    _, cursor = _poll(played, {})
    assert datetime.fromisoformat(cursor["Patient"]["mark"]) == NOON - timedelta(days=3), "not the clock's noon"
    played.now = []
    _, cursor = _poll(played, cursor)
    assert datetime.fromisoformat(cursor["Patient"]["mark"]) == NOON - timedelta(days=3)
    assert json.loads(json.dumps(cursor)) == cursor


def test_a_server_without_times_is_read_whole_every_time() -> None:
    """No lastUpdated at all: nothing may be skipped, so everything comes again."""
    played = Played()
    played.more = [{"resource": {"resourceType": "Patient", "id": "x"}}]
    found, cursor = _poll(played, {})
    assert found == ["Patient/x/"] == _poll(played, cursor)[0]


def test_remarks_of_the_server_are_counted() -> None:
    played = Played()
    played.more = [{"resource": {"resourceType": "OperationOutcome", "issue": []}, "search": {"mode": "outcome"}}]
    (batch,) = catch_up(played.client(), a_site(), {}, types=("Patient",))
    assert batch.outcomes == 1


def test_observations_are_asked_for_by_the_sites_codes() -> None:
    site = a_site()
    assert observation_codes(site) == ["http://loinc.org|8339-4"]
    ignored = {**site.codes, ("http://loinc.org", "29463-7"): Code("ignore")}
    assert observation_codes(a_site(codes=ignored)) == ["http://loinc.org|8339-4"]
    by_words = {**site.codes, (TEXT, "birth weight"): Code("birth_weight", 1, "g")}
    assert observation_codes(a_site(codes=by_words)) == [], "what has no code is not found by code"


def test_treatments_are_asked_for_by_the_codes_of_treatments() -> None:
    site = SITES["quillhaven"]
    assert f"{EYE}|retinal-laser" in procedure_codes(site)
    assert f"{EYE}|retinal-laser" not in observation_codes(site)
    both = set(procedure_codes(site)) & set(observation_codes(site))
    support = {"57485005", "371907003", "40617009", "47545007"}  # respiratory: either may say it
    assert both == {f"http://snomed.info/sct|{code}" for code in support}


def _says(type: str, *parameters: str) -> Capabilities:
    return Capabilities(True, {type: Ability(frozenset({"search-type"}), frozenset(parameters))})


def test_a_search_is_narrowed_only_by_what_the_server_lists_and_nothing_falls_outside_of() -> None:
    site = SITES["quillhaven"]
    name, codes = narrowed("Observation", site, _says("Observation", "code", "combo-code")) or ("", "")
    assert name == "combo-code"
    assert {f"{EYE}|stage", "http://snomed.info/sct|364589006"} <= set(codes.split(","))
    assert narrowed("Observation", site, _says("Observation", "code", "component-code")) is None, "code misses panels"
    assert narrowed("Observation", site, Capabilities()) is None
    by_words = SITES["tamarind-vale"]  # an age there is known by its words
    assert narrowed("Observation", by_words, _says("Observation", "combo-code")) is None
    assert narrowed("Procedure", site, _says("Procedure", "code")) == ("code", ",".join(procedure_codes(site)))
    assert narrowed("Procedure", site, _says("Procedure", "date")) is None
    name, forms = narrowed("QuestionnaireResponse", site, _says("QuestionnaireResponse", "questionnaire")) or ("", "")
    assert name == "questionnaire"
    form = "https://ridgeline.invalid/fhir/Questionnaire/eye-exam"
    assert {form, f"{form}|1"} <= set(forms.split(","))
    assert narrowed("Patient", site, _says("Patient", "code", "combo-code", "questionnaire")) is None


def test_why_a_type_is_read_whole_is_said() -> None:
    site, by_words = SITES["quillhaven"], SITES["tamarind-vale"]
    silent = why_whole("Observation", site, _says("Observation"))
    assert silent == "its server lists no search parameters of Observation"
    assert "does not list the search parameter code of Procedure" in why_whole(
        "Procedure", site, _says("Procedure", "date")
    )
    assert "known here by its words alone" in why_whole("Observation", by_words, _says("Observation", "combo-code"))
    assert why_whole("Observation", site, _says("Observation", "combo-code")) == ""
    assert why_whole("Patient", site, _says("Patient")) == ""


def test_a_server_that_lists_no_search_parameters_is_read_whole_and_only_what_is_new_comes_again() -> None:
    """R4: `CapabilityStatement.rest.resource.searchParam` is 0..* (http://hl7.org/fhir/R4/capabilitystatement.html)."""
    played = Played()
    played.now = [("a", "1", NOON - timedelta(minutes=1))]
    listed = [{"type": type, "interaction": [{"code": "search-type"}]} for type in TYPES]
    statement = {"resourceType": "CapabilityStatement", "rest": [{"mode": "server", "resource": listed}]}

    def answer(request: httpx.Request) -> httpx.Response:
        return httpx.Response(200, json=statement) if request.url.path.endswith("metadata") else played(request)

    client = FhirClient("https://s.example/fhir", Auth(), clock=lambda: NOON, transport=httpx.MockTransport(answer))
    batches = list(catch_up(client, SITES["quillhaven"], {}))
    assert {batch.type for batch in batches} == set(TYPES)
    assert not any({"code", "combo-code", "questionnaire"} & set(asked) for asked in played.asked)
    again = list(catch_up(client, SITES["quillhaven"], batches[-1].cursor))
    assert [batch.body for batch in again] == [None] * len(again), "the time still narrows it"


def _exam(id: str, code: dict[str, Any], component: str, system: str = EYE) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": id,
        "status": "final",
        "code": code,
        "subject": {"reference": "Patient/n-1"},
        "component": [{"code": {"coding": [{"system": system, "code": component}]}, "valueInteger": 2}],
    }


def test_panels_treatments_and_answers_come_too(start_sekmet: Callable[..., Sekmet]) -> None:
    """A panel that is known by its components alone, beside one that means nothing here (the server lists combo-code);
    a laser treatment, beside another procedure; answers to a form, of which the server's statement says nothing."""
    server, site = start_sekmet(), SITES["quillhaven"]
    server.put(_exam("panel", {"text": "Eye clinic record"}, "stage-right"))
    server.put(_exam("other-panel", {"text": "Lung function"}, "rate", "https://lung.example"))
    for id, code in (("laser", "retinal-laser"), ("line", "umbilical-line")):
        done = {"code": {"coding": [{"system": EYE, "code": code}]}, "subject": {"reference": "Patient/n-1"}}
        server.put({"resourceType": "Procedure", "id": id, "status": "completed", **done})
    form = "https://ridgeline.invalid/fhir/Questionnaire/eye-exam"
    server.put({"resourceType": "QuestionnaireResponse", "id": "typed", "status": "completed", "questionnaire": form})
    found = _ids(catch_up(server.client(), site, {}))
    assert sorted(found) == ["Observation/panel/1", "Procedure/laser/1", "QuestionnaireResponse/typed/1"]


def test_a_server_without_treatments_and_answers_is_no_trouble() -> None:
    """It says what it has, and answers 404 to what it has not; what it has and refuses is said, after all the rest."""
    listed, status, asked = ["Location", "Patient", "Encounter", "Observation"], 404, list[str]()

    def answer(request: httpx.Request) -> httpx.Response:
        type = request.url.path.rpartition("/")[2]
        if type == "metadata":
            rest = [{"mode": "server", "resource": [{"type": name} for name in listed]}]
            return httpx.Response(200, json={"resourceType": "CapabilityStatement", "rest": rest})
        asked.append(type)
        if type in ("Procedure", "QuestionnaireResponse"):
            return httpx.Response(status)
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset"})

    def read() -> list[str]:
        client = FhirClient("https://s.example/fhir", Auth(), clock=lambda: NOON, transport=httpx.MockTransport(answer))
        return [batch.type for batch in catch_up(client, a_site(), {})]

    assert read() == listed
    assert asked == list(TYPES), "a statement may leave out what a server has: it is asked all the same"
    status = 403
    with pytest.raises(SiteRefused, match="403"):
        read()
    status, listed = 400, [*listed, "Procedure"]
    with pytest.raises(SiteRefused, match="Procedure"):
        read()
    assert asked[-1] == "QuestionnaireResponse"


def test_known_resources_are_read_again_and_deletions_said(sekmet: Sekmet) -> None:
    for id in ("reread-1", "reread-2"):
        sekmet.put({"resourceType": "Patient", "id": id})
    httpx.delete(f"{sekmet.base_url}/Patient/reread-2").raise_for_status()
    first, second = map(json.loads, reread(sekmet.client(), ["Patient/reread-1", "Patient/reread-2", "Patient/never"]))
    assert (first["resourceType"], first["id"]) == ("Patient", "reread-1")
    assert second["type"] == "history"
    assert second["entry"][0]["request"] == {"method": "DELETE", "url": "Patient/reread-2"}


def test_a_type_that_cannot_be_searched_hides_no_other(sekmet: Sekmet) -> None:
    """Many servers want a patient with every search (Millennium answers 400); Patient itself may still be read."""

    class Refuses(httpx.HTTPTransport):
        def handle_request(self, request: httpx.Request) -> httpx.Response:
            refused = request.url.path.endswith(("/Location", "/Observation"))
            return httpx.Response(400) if refused else super().handle_request(request)

    sekmet.put({"resourceType": "Patient", "id": "not-hidden"})
    client = FhirClient(sekmet.base_url, Auth(), clock=lambda: NOON, transport=Refuses())
    found: list[Batch] = []
    with pytest.raises(SiteRefused) as caught:
        found.extend(catch_up(client, a_site(), {}))
    client.close()
    assert caught.value.status == 400
    assert any(one.startswith("Patient/not-hidden/") for one in _ids(found))
    assert set(found[-1].cursor) == set(TYPES) - {"Location", "Observation"}
