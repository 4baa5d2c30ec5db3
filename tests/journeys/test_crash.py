"""Nothing acknowledged is lost: the service is killed while hooks come in; everything it answered is on the list of its
successor, and what it could not digest is tried again by itself."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from flow.conftest import weight
from ports import free_port
from waiting import eventually

from service.app import open_service, running
from service.flow import infant_key
from service.settings import read_settings

MAPPINGS = Path(__file__).parents[2] / "mappings"
SECRET = {"Authorization": "Bearer open sesame"}


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    folder = tmp_path / "mappings"
    folder.mkdir()
    (folder / "_standard.toml").write_text((MAPPINGS / "_standard.toml").read_text())
    (folder / "north.toml").write_text(
        'id = "north"\nname = "North"\ntimezone = "Europe/Oslo"\npolicy = "aap-2018"\n[hook]\nsecret = "NORTH"\n'
    )
    return {"RIDGELINE_MAPPINGS": str(folder), "NORTH": "open sesame"}


@contextmanager
def served(environment: dict[str, str], data: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """`ridgeline serve` with its own embedded database, as somebody would run it."""
    port = free_port()
    command = [sys.executable, "-m", "service", "serve", "--port", str(port), "--data", str(data)]
    process = subprocess.Popen(command, env={**os.environ, **environment}, stderr=subprocess.PIPE)
    try:
        eventually(lambda: is_ready(process, f"http://127.0.0.1:{port}/health/ready"))
        yield process, f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(30)
        if process.stderr:
            process.stderr.close()


def is_ready(process: subprocess.Popen[bytes], address: str) -> bool:
    assert process.poll() is None, process.stderr and process.stderr.read().decode()
    try:
        return httpx.get(address, timeout=10).status_code == 200
    except httpx.TransportError:
        return False


def test_killed_while_hooks_come_in(environment: dict[str, str], data_folder: Path) -> None:
    answered: list[str] = []
    for round in range(2):
        with served(environment, data_folder / "data") as (process, url):

            def send(lane: int, url: str = url, round: int = round) -> None:
                with httpx.Client(base_url=url, headers=SECRET, timeout=60) as client:
                    for number in range(10_000):
                        id = f"i{round}-{lane}-{number}"
                        try:
                            client.post("/hooks/north/rest-hook", json=weight(id, 900)).raise_for_status()
                        except httpx.TransportError:
                            return
                        answered.append(id)

            lanes = [threading.Thread(target=send, args=(lane,)) for lane in range(4)]
            for lane in lanes:
                lane.start()
            before = len(answered)
            eventually(lambda before=before: len(answered) >= before + 40)  # in the middle of it
            process.send_signal(signal.SIGKILL)
            for lane in lanes:
                lane.join()
    with served(environment, data_folder / "data") as (_, url):
        listed = {row["key"] for row in httpx.get(f"{url}/api/worklist", timeout=30).json()["entries"]}
        tasks = httpx.get(f"{url}/fhir/Task?_summary=count", timeout=30).json()["total"]
    assert {str(infant_key("north", id)) for id in answered} <= listed
    assert tasks == len(listed)  # what was stored and not answered any more may be there as well, and has its Task


def test_what_could_not_be_digested_is_tried_again_by_itself(environment: dict[str, str], database_url: str) -> None:
    settings = read_settings({**environment, "DATABASE_URL": database_url}).having(port=0)
    with psycopg.connect(database_url, autocommit=True) as owner, open_service(settings) as service:
        owner.execute("ALTER TABLE infants ADD CONSTRAINT fault CHECK (patient <> 'b')")
        with running(service) as url:
            answer: Any = httpx.post(f"{url}/hooks/north/rest-hook", json=weight("b", 900), headers=SECRET, timeout=10)
            assert (answer.status_code, answer.json()["issue"][0]["severity"]) == (200, "warning")
            assert service.flow.worklist() == []
            owner.execute("ALTER TABLE infants DROP CONSTRAINT fault")
            eventually(service.flow.worklist)
            assert [entry.patient for entry in service.flow.worklist()] == ["b"]
