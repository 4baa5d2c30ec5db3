"""A whole installation against a FHIR server written by others (`sekmet-fhir`, PyPI): what is born there reaches our
list through its Subscription, and our Task and ServiceRequest arrive there."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from contracts.counterpart import Sekmet, start_sekmet
from ports import free_port
from waiting import eventually

from service.app import Service, now, open_service, running
from service.feeds.subscription import TYPES
from service.mending import Mending
from service.settings import Settings, read_settings
from service.store.meanings import Meaning

__all__ = ["start_sekmet"]

MAPPINGS = Path(__file__).parents[2] / "mappings"
BORN = "{:%Y-%m-%d}".format


@pytest.fixture
def settings(tmp_path: Path, database_url: str) -> Callable[[Sekmet], Settings]:
    """Settings of an installation with one site, whose server is the given one."""

    def make(server: Sekmet) -> Settings:
        folder = tmp_path / "mappings"
        folder.mkdir(exist_ok=True)
        (folder / "_standard.toml").write_text((MAPPINGS / "_standard.toml").read_text())
        (folder / "northgate.toml").write_text(
            f"""
            id = "northgate"
            name = "Northgate"
            timezone = "Europe/Oslo"
            policy = "uk-2022"
            [server]
            base_url = "{server.base_url}"
            [hook]
            secret = "NORTHGATE_HOOK"
            [publish]
            channels = ["fhir_task"]
            """
        )
        return read_settings(
            {"DATABASE_URL": database_url, "RIDGELINE_MAPPINGS": str(folder), "NORTHGATE_HOOK": "open sesame"}
        ).having(port=free_port())

    return make


@contextmanager
def installation(settings: Settings) -> Iterator[tuple[Service, str]]:
    with open_service(settings) as service, running(service) as url:
        yield service, url


def infant(server: Sekmet, id: str, grams: int) -> None:
    """What the unit's staff record, in the usual order."""
    server.put({"resourceType": "Patient", "id": id, "birthDate": BORN(now())})
    weigh(server, id, grams)


def weigh(server: Sekmet, id: str, grams: int, **more: Any) -> None:
    server.put(
        {
            "resourceType": "Observation",
            "id": f"{id}-weight",
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "8339-4"}]},
            "subject": {"reference": f"Patient/{id}"},
            "valueQuantity": {"value": grams, "unit": "g", "system": "http://unitsofmeasure.org", "code": "g"},
            **more,
        }
    )


def listed(url: str) -> dict[str, Any]:
    """The list as a client sees it: birth weight by key, with the whole row."""
    rows = httpx.get(f"{url}/api/worklist", timeout=30).json()["entries"]
    return {row["birth_weight"]: row for row in rows}


def exams(server: Sekmet) -> list[dict[str, Any]]:
    """The Tasks there that ask for an exam; others ask for missing data."""
    return [task for task in server.all("Task") if "ServiceRequest" in task["focus"]["reference"]]


def hooks(service: Service) -> list[str]:
    """Method of every hook that came in, oldest first."""
    with service.database.transaction() as connection:
        rows = connection.exec_driver_sql("SELECT method FROM arrivals WHERE feed = 'rest-hook' ORDER BY id")
        return [row.method for row in rows]


@pytest.mark.parametrize(("mode", "method"), [("put-endpoint", "PUT"), ("post-endpoint", "POST")])
def test_birth_weight_created_there_reaches_our_list_and_our_task_arrives_there(
    mode: str, method: str, start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    server = start_sekmet(subscriptions={"notify_method": mode} if mode != "put-endpoint" else {})
    with installation(settings(server)) as (service, url):
        kept = service.subscribe("northgate")
        assert {one.status for one in kept} == {"active"}
        infant(server, "ada", 1210)
        eventually(lambda: listed(url).get(1210, {}).get("next", {}).get("kind") == "first-exam")  # the birth date too
        row = listed(url)[1210]
        assert row["eligible"] == "yes"
        eventually(lambda: method in hooks(service))

        request = eventually(lambda: server.all("ServiceRequest"))[0]
        task = eventually(lambda: exams(server))[0]
        assert task["status"] == "requested"
        assert task["focus"]["reference"].endswith(f"ServiceRequest/{request['id']}")
        assert task["for"]["reference"].endswith("Patient/ada")
        assert request["subject"]["reference"].endswith("Patient/ada")
        assert task["restriction"]["period"] == {"start": row["next"]["opens"], "end": row["next"]["closes"]}
        assert request["reasonReference"][0]["reference"].endswith("Observation/ada-weight")

        weigh(server, "ada", 1950, status="corrected")  # across the limit, and no gestational age: ask for it
        eventually(lambda: listed(url).get(1950, {}).get("eligible") == "unknown")
        eventually(lambda: [t["status"] for t in server.all("Task", identifier=_value(task))] == ["cancelled"])
        eventually(lambda: server.all("ServiceRequest")[0]["status"] == "revoked")


def test_said_once_however_often_it_is_delivered(
    start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    server = start_sekmet()
    with installation(settings(server)) as (service, url):
        service.subscribe("northgate")
        service.subscribe("northgate")
        assert len(server.all("Subscription")) == len(TYPES)
        infant(server, "ben", 990)
        task = eventually(lambda: exams(server))[0]
        weight = server.all("Observation")[0]
        hook = {"Authorization": "Bearer open sesame"}
        for _ in range(3):  # the same event again, and a version that changes nothing
            httpx.put(f"{url}/hooks/northgate/rest-hook/Observation/ben-weight", json=weight, headers=hook)
            weigh(server, "ben", 990)
        eventually(lambda: len(hooks(service)) >= 8)
        time.sleep(1)
        assert len(exams(server)) == len(server.all("ServiceRequest")) == 1
        assert exams(server)[0]["meta"]["versionId"] == task["meta"]["versionId"]


def test_a_code_given_its_meaning_on_a_page_is_asked_for_at_the_site(
    start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    """The server can be asked by code, and its hooks may be lost: what is read must know what people said."""
    server = start_sekmet()
    infant(server, "fay", 1100)
    weigh(server, "fay", 1100, code={"coding": [{"system": "urn:northgate", "code": "BW"}]})
    with open_service(settings(server)) as service:
        jobs = service.jobs()
        jobs.start(defer_only=True)
        try:
            jobs.read_up("northgate")
            (fay,) = service.flow.worklist()
            assert service.flow.infant(fay.key).infant.birth_weight.value is None
            meaning = Meaning("code", "urn:northgate", "BW", {"concept": "birth_weight"})
            Mending(service.flow).give("northgate", meaning, "IT", [])
            jobs.read_up("northgate", whole=True)
        finally:
            jobs.stop()
        assert service.flow.infant(fay.key).infant.birth_weight.value == 1100
        told = {each.criteria.partition("?")[0]: each.criteria for each in service.subscribe("northgate")}
        assert "urn:northgate|BW" in told["Observation"]


def test_update_that_arrives_before_its_create(
    start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    server = start_sekmet()
    with installation(settings(server)) as (_, url):
        infant(server, "cleo", 1990)
        first = server.all("Observation")[0]
        weigh(server, "cleo", 870)
        second = server.all("Observation")[0]
        assert int(second["meta"]["versionId"]) > int(first["meta"]["versionId"])
        send = f"{url}/hooks/northgate/rest-hook"
        for resource in (second, first, server.all("Patient")[0]):
            answer = httpx.post(send, json=resource, headers={"Authorization": "Bearer open sesame"})
            assert answer.status_code == 200
        assert set(listed(url)) == {870}


def test_a_hook_without_a_body_rings_the_bell_and_the_server_is_read(
    start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    server = start_sekmet()
    with installation(settings(server)) as (service, url):
        eventually(lambda: service.flow.cursor("northgate", "poll").value)  # the reading at the start is over
        infant(server, "dov", 1111)
        answer = httpx.post(f"{url}/hooks/northgate/rest-hook", headers={"Authorization": "Bearer open sesame"})
        assert answer.status_code == 200
        eventually(lambda: listed(url).get(1111))


def test_their_server_down_for_a_while(
    start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    server = start_sekmet()
    with installation(settings(server)) as (service, url):
        eventually(lambda: service.flow.cursor("northgate", "poll").value)
        infant(server, "eli", 1300)
        patient, weight = server.all("Patient")[0], server.all("Observation")[0]
        server.stop()
        for resource in (patient, weight):
            httpx.post(
                f"{url}/hooks/northgate/rest-hook", json=resource, headers={"Authorization": "Bearer open sesame"}
            ).raise_for_status()
        assert listed(url)[1300]["eligible"] == "yes"  # the list does not wait for anybody's server
        eventually(lambda: _outbox(service)[0][1] > 0)
        assert {state for state, _ in _outbox(service)} == {"waiting"}
        server.start()
        eventually(lambda: {state for state, _ in _outbox(service)} == {"done"})
        assert len(exams(server)) == len(server.all("ServiceRequest")) == 1


def test_our_service_down_for_a_while(
    start_sekmet: Callable[..., Sekmet], settings: Callable[[Sekmet], Settings]
) -> None:
    """Their server gives up on us after a few tries and says nothing more: the start reads up what was missed."""
    server = start_sekmet()
    ours = settings(server)
    with installation(ours) as (service, _):
        service.subscribe("northgate")
    infant(server, "fay", 765)
    eventually(lambda: any(one["status"] == "error" for one in server.all("Subscription")))
    with installation(ours) as (service, url):
        eventually(lambda: listed(url).get(765))
        repaired = service.subscribe("northgate")
        assert {one.status for one in repaired} == {"active"}
        infant(server, "gil", 766)
        eventually(lambda: listed(url).get(766))


def _outbox(service: Service) -> list[tuple[str, int]]:
    with service.database.transaction() as connection:
        rows = connection.exec_driver_sql("SELECT state, attempts FROM outbox ORDER BY id")
        return [(row.state, row.attempts) for row in rows]


def _value(task: dict[str, Any]) -> str:
    return f"{task['identifier'][0]['system']}|{task['identifier'][0]['value']}"
