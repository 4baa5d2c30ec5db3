"""A FHIR R4 server written by others, as a real process on loopback: `sekmet-fhir` (PyPI, Apache-2.0).

Its habits worth knowing: a PUT that changes nothing still makes a new version; an unknown search parameter is answered
200 with an OperationOutcome among the results; update-as-create, conditional create and conditional update all work;
hooks go out on four threads, so an update can arrive before its create; after three failed deliveries a Subscription
goes to `error` and stays there.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml
from ports import free_port
from waiting import eventually

from service.client import Auth, FhirClient


class Sekmet:
    """One server on one data folder. `stop` and `start` again: it still knows everything, at the same address."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        self.folder, self.port = folder, free_port()
        self.base_url = f"http://127.0.0.1:{self.port}/fhir"
        self._settings = {
            "base_url": self.base_url,
            "host": "127.0.0.1",
            "port": self.port,
            "data_dir": str(folder / "data"),
            "simulator": {"enabled": False},
            **settings,
        }
        self._process: subprocess.Popen[bytes] | None = None
        self._clients: list[FhirClient] = []

    def start(self) -> Sekmet:
        """Starts the process and waits until it answers."""
        (self.folder / "data").mkdir(parents=True, exist_ok=True)
        config = self.folder / "settings.yaml"
        config.write_text(yaml.safe_dump(self._settings))
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [Path(sys.executable).with_name("sekmet"), "serve", "--config", config],
                cwd=self.folder,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        try:
            eventually(self._answers)
        except AssertionError as error:
            self.stop()
            raise RuntimeError("sekmet did not start: " + (self.folder / "log").read_text()[-2000:]) from error
        return self

    def _answers(self) -> bool:
        assert self._process is not None and self._process.poll() is None
        try:
            return httpx.get(f"{self.base_url}/metadata", timeout=10).status_code == 200
        except httpx.TransportError:
            return False

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None

    def close(self) -> None:
        for client in self._clients:
            client.close()
        self.stop()

    def client(self, auth: Auth | None = None) -> FhirClient:
        """A client of ours for it, which does not wait between attempts; closed with it."""
        clock = lambda: datetime.now(UTC)  # noqa: E731
        client = FhirClient(self.base_url, auth or Auth(), clock=clock, sleep=lambda _: None, timeout=10)
        self._clients.append(client)
        return client

    def put(self, resource: dict[str, Any]) -> dict[str, Any]:
        """What the site's own people do: writes a resource at its id, not through our client."""
        answer = httpx.put(f"{self.base_url}/{resource['resourceType']}/{resource['id']}", json=resource, timeout=10)
        answer.raise_for_status()
        return dict(answer.json())

    def all(self, type: str, **query: str) -> list[dict[str, Any]]:
        """Every resource of a type that matches, read not through our client."""
        answer = httpx.get(f"{self.base_url}/{type}", params={"_count": "1000", **query}, timeout=10)
        answer.raise_for_status()
        return [entry["resource"] for entry in answer.json().get("entry", []) if entry["search"]["mode"] == "match"]


@pytest.fixture(scope="session")
def sekmet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sekmet]:
    """One server for the whole run: give infants of your own ids of your own."""
    server = Sekmet(tmp_path_factory.mktemp("sekmet")).start()
    yield server
    server.close()


@pytest.fixture
def start_sekmet(tmp_path: Path) -> Iterator[Callable[..., Sekmet]]:
    """Servers of a test's own, with settings of its own: `start_sekmet(subscriptions={...})`."""
    started: list[Sekmet] = []

    def start(**settings: Any) -> Sekmet:
        started.append(Sekmet(tmp_path / f"sekmet-{len(started)}", **settings).start())
        return started[-1]

    yield start
    for server in started:
        server.close()
