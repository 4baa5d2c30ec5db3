"""Clients written by others read the facade: fhirpy, fhirclient (SMART), and the scenario runner of sekmet-fhir."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import httpx
import pytest
import yaml
from fhirclient.client import FHIRClient
from fhirclient.models.patient import Patient
from fhirclient.models.task import Task
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import OperationOutcome, ResourceNotFound
from web.ward import key_of


@pytest.fixture
def base(ward: httpx.Client) -> str:
    return f"{ward.base_url}/fhir"


def test_fhirpy_reads_searches_and_turns_pages(base: str) -> None:
    client = SyncFHIRClient(base)
    tasks = client.resources("Task").search(status="requested").sort("-_lastUpdated").limit(2)
    assert tasks.count() == 6
    assert len({task.id for task in tasks.fetch_all()}) == 6
    one = client.resources("Task").search(patient=key_of("today")).get()
    assert one is not None
    assert one["focus"].to_resource()["status"] == "active"
    assert client.reference("Patient", key_of("today")).to_resource()["name"][0]["text"] == "Ada Lanternfish"
    with pytest.raises(ResourceNotFound):
        client.reference("Task", "none").to_resource()


def test_fhirpy_is_told_plainly_that_nothing_can_be_written(base: str) -> None:
    client = SyncFHIRClient(base)
    known = client.resources("Task").search(patient=key_of("today")).get()
    assert known is not None
    new = client.resource("Task", status="requested", intent="proposal")
    for attempt in (
        lambda: known.save(),
        lambda: known.delete(),
        lambda: new.save(),
        lambda: client.resources("Task").search(identifier="none").get_or_create(new),
        lambda: client.resources("Task").search(_id=known.id).update(new),
    ):
        with pytest.raises(OperationOutcome, match="read-only"):
            attempt()


def test_fhirclient_takes_every_page_as_r4(base: str) -> None:
    client = FHIRClient(settings={"app_id": "ridgeline-test", "api_base": base})
    assert client.prepare()
    tasks = list(Task.where({"status": "requested", "_count": "2"}).perform_resources_iter(client.server))
    assert len(tasks) == 6
    today = next(each for each in tasks if each.for_fhir.reference == f"Patient/{key_of('today')}")
    assert today.restriction.period.as_json() == {"start": "2031-06-01", "end": "2031-06-07"}
    infant = Patient.read(key_of("today"), client.server)
    assert infant.birthDate.as_json() == "2031-05-01"


SCENARIO = {
    "name": "Reading a worklist",
    "steps": [
        {
            "name": "CapabilityStatement",
            "request": {"method": "GET", "path": "metadata"},
            "expect": {"status": 200, "fhirpath": [
                "CapabilityStatement.fhirVersion = '4.0.1'",
                "CapabilityStatement.rest.where(mode = 'server').resource.where(type = 'Task').exists()",
            ]},
        },
        {
            "name": "Search with include and paging",
            "request": {"method": "GET", "path": "Task", "params": {
                "status": "requested", "_include": "Task:focus", "_count": "3",
            }},
            "expect": {"status": 200, "fhirpath": [
                "Bundle.type = 'searchset'", "Bundle.total = 6", "Bundle.entry.all(search.mode.exists())",
                "Bundle.entry.where(search.mode = 'include').exists()", "Bundle.link.where(relation = 'next').exists()",
            ]},
            "save": "found",
        },
        {
            "name": "Read",
            "request": {"method": "GET", "path": "Task/${found.body.entry.0.resource.id}"},
            "expect": {"status": 200, "headers": {"ETag": "present", "Last-Modified": "present"},
                       "fhirpath": ["Task.status = 'requested'", "Task.meta.versionId.exists()"]},
            "save": "read",
        },
        {
            "name": "Version read",
            "request": {"method": "GET", "path": "Task/${read.body.id}/_history/${read.body.meta.versionId}"},
            "expect": {"status": 200, "fhirpath": ["Task.id = '${read.body.id}'"]},
        },
        {
            "name": "Instance history",
            "request": {"method": "GET", "path": "Task/${read.body.id}/_history"},
            "expect": {"status": 200, "fhirpath": ["Bundle.type = 'history'", "Bundle.entry.count() >= 1"]},
        },
        {
            "name": "Refuses to create, in FHIR's own words",
            "request": {"method": "POST", "path": "Task", "body": {"resourceType": "Task"}},
            "expect": {"status": 405, "fhirpath": ["OperationOutcome.issue.code = 'not-supported'"]},
        },
        {
            "name": "Unknown id",
            "request": {"method": "GET", "path": "Task/none"},
            "expect": {"status": 404, "fhirpath": ["OperationOutcome.issue.exists()"]},
        },
    ],
}  # fmt: skip


def test_the_scenario_runner_of_another_server_is_content(base: str, tmp_path: Path) -> None:
    (tmp_path / "scenario.yaml").write_text(yaml.safe_dump(SCENARIO))
    (tmp_path / "settings.yaml").write_text(
        yaml.safe_dump({
            "data_dir": str(tmp_path / "data"),
            "simulator": {"enabled": False},
            "peers": {"ridgeline": {"base_url": base}},
        })
    )  # fmt: skip
    command = [
        Path(sys.executable).with_name("sekmet"), "scenario", "run", "scenario.yaml", "--peer", "ridgeline",
        "--no-serve", "--config", "settings.yaml",
    ]  # fmt: skip
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
    assert "7" in done.stdout
