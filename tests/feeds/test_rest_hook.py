"""The hook over real HTTP: what it takes, what it refuses and in which words, and that nothing it answered is lost."""

from __future__ import annotations

import gzip
import re
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest
from flow.conftest import gestation, patient, weight

from service.app import Service, _listen, open_service, running
from service.settings import read_settings

MAPPINGS = Path(__file__).parents[2] / "mappings"
SECRET = {"Authorization": "Bearer open sesame"}


@pytest.fixture
def installation(tmp_path: Path, database_url: str) -> Iterator[tuple[Service, httpx.Client]]:
    folder = tmp_path / "mappings"
    folder.mkdir()
    (folder / "_standard.toml").write_text((MAPPINGS / "_standard.toml").read_text())
    common = 'timezone = "Europe/Oslo"\npolicy = "aap-2018"\n'
    hook = '[hook]\nsecret = ["NORTH_OLD", "NORTH_NEW"]\n'
    (folder / "north.toml").write_text(f'id = "north"\nname = "North"\n{common}{hook}')
    (folder / "mute.toml").write_text(f'id = "mute"\nname = "Mute"\n{common}')
    settings = read_settings(
        {
            "DATABASE_URL": database_url,
            "RIDGELINE_MAPPINGS": str(folder),
            "NORTH_OLD": "open sesame",
            "NORTH_NEW": "open barley",
            "RIDGELINE_MAX_BODY": "20000",
        }
    ).having(port=0)
    with (
        open_service(settings) as service,
        running(service, jobs=False) as url,
        httpx.Client(base_url=url, timeout=30) as client,
    ):
        yield service, client


def outcome(answer: httpx.Response) -> tuple[int, str, str]:
    """(HTTP status, severity, words) of an answer, which is FHIR whatever happened."""
    assert answer.headers["content-type"].startswith("application/fhir+json")
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    return answer.status_code, body["issue"][0]["severity"], body["issue"][0]["diagnostics"]


def kept(service: Service) -> list[tuple[str, str, bytes]]:
    with service.database.transaction() as connection:
        rows = connection.exec_driver_sql("SELECT method, path, body FROM arrivals ORDER BY id")
        return [(row.method, row.path, bytes(row.body)) for row in rows]


def test_whoever_comes_while_the_service_starts_waits_and_is_not_refused() -> None:
    with _listen("127.0.0.1", 0) as listening, socket.create_connection(listening.getsockname(), timeout=10):
        pass


@pytest.mark.parametrize("method", ["POST", "PUT"])
@pytest.mark.parametrize("path", ["", "/", "/Patient/a", "/Patient/a/_history/2"])
def test_takes_both_methods_and_whatever_stands_behind_the_address(
    method: str, path: str, installation: tuple[Service, httpx.Client]
) -> None:
    service, client = installation
    answer = client.request(method, f"/hooks/north/rest-hook{path}", json=patient("a"), headers=SECRET)
    assert outcome(answer) == (200, "information", "Stored.")
    assert kept(service)[0][0] == method


def test_takes_an_empty_body_a_resource_and_a_bundle(installation: tuple[Service, httpx.Client]) -> None:
    service, client = installation
    bundle = {"resourceType": "Bundle", "type": "history", "entry": [{"resource": patient("a")}, {"resource": 7}]}
    for body in (None, weight("a", 900), bundle):
        answer = client.post("/hooks/north/rest-hook", json=body, headers=SECRET)
        assert answer.status_code == 200
    assert outcome(answer)[1] == "warning"  # one entry is no resource; the other counts
    assert len(kept(service)) == 3
    assert [entry.patient for entry in service.flow.worklist()] == ["a"]


def test_the_list_is_right_when_the_answer_comes(installation: tuple[Service, httpx.Client]) -> None:
    _, client = installation
    for resource in (patient("a"), weight("a", 900), gestation("a", "26w4d")):
        client.post("/hooks/north/rest-hook", json=resource, headers=SECRET)
    (row,) = client.get("/api/worklist").json()["entries"]
    assert (row["next"]["opens"], row["next"]["closes"]) == ("2031-06-20", "2031-06-26")


@pytest.mark.parametrize("shown", [None, "Bearer wrong", "Bearer open sesam", "open sesame", "", "Basic b3Blbg=="])
def test_a_wrong_secret_is_refused_and_nothing_kept(
    shown: str | None, installation: tuple[Service, httpx.Client]
) -> None:
    service, client = installation
    headers = [] if shown is None else [(b"Authorization", shown.encode())]
    answer = client.post("/hooks/north/rest-hook", json=patient("a"), headers=headers)
    assert outcome(answer)[:2] == (401, "error")
    assert kept(service) == []


def test_both_secrets_are_good_while_one_is_being_changed(installation: tuple[Service, httpx.Client]) -> None:
    _, client = installation
    for secret in ("open sesame", "open barley"):
        answer = client.post("/hooks/north/rest-hook", json=patient("a"), headers={"Authorization": f"Bearer {secret}"})
        assert answer.status_code == 200


def test_a_site_without_a_secret_takes_nothing(installation: tuple[Service, httpx.Client]) -> None:
    service, client = installation
    for headers in ({}, SECRET, {"Authorization": "Bearer"}):
        assert outcome(client.post("/hooks/mute/rest-hook", json=patient("a"), headers=headers))[0] == 401
    assert kept(service) == []


def test_refusals_say_what_to_do(installation: tuple[Service, httpx.Client]) -> None:
    service, client = installation
    path = "/hooks/north/rest-hook"
    packed = gzip.compress(b'{"resourceType":"Patient"}')
    answers = {
        404: client.post("/hooks/nowhere/rest-hook", json=patient("a"), headers=SECRET),
        405: client.get(path, headers=SECRET),
        413: client.post(path, content=b"x" * 20_001, headers=SECRET),
        415: client.post(path, content=packed, headers={**SECRET, "Content-Encoding": "gzip"}),
    }
    for status, answer in answers.items():
        assert outcome(answer)[:2] == (status, "error")
    assert outcome(client.post("/hooks/north/pigeon", json=patient("a"), headers=SECRET))[0] == 404
    assert kept(service) == []


def test_what_cannot_be_read_is_kept_as_it_came(installation: tuple[Service, httpx.Client]) -> None:
    service, client = installation
    bodies = [b"{", b"\xff\xfe\x00", b'"text"', b"[]", b"null", b"{}", b'{"resourceType": 7}', b"\x00" * 10]
    for body in bodies:
        status, severity, _ = outcome(client.post("/hooks/north/rest-hook", content=body, headers=SECRET))
        assert (status, severity) == (200, "warning"), body
    assert [body for *_, body in kept(service)] == bodies
    assert len(service.flow.rejections()) == len(bodies)


def test_a_path_with_a_null_byte_or_a_very_long_one(installation: tuple[Service, httpx.Client]) -> None:
    service, client = installation
    for path in ("/Patient/%00", "/" + "x" * 3000):
        answer = client.put(f"/hooks/north/rest-hook{path}", json=patient("a"), headers=SECRET)
        assert answer.status_code == 200
    assert [len(path) <= 300 for _, path, _ in kept(service)] == [True, True]


def test_many_at_once_share_transactions_and_all_are_kept(installation: tuple[Service, httpx.Client]) -> None:
    service, client = installation
    start = threading.Barrier(16)

    def send(lane: int) -> int:
        start.wait()
        answers = [
            client.post("/hooks/north/rest-hook", json=weight(f"{lane}-{n}", 900), headers=SECRET) for n in range(5)
        ]
        return sum(answer.status_code == 200 for answer in answers)

    with ThreadPoolExecutor(16) as pool:
        assert sum(pool.map(send, range(16))) == 80
    assert len(service.flow.worklist()) == 80
    with service.database.transaction() as connection:
        moments = connection.exec_driver_sql("SELECT count(DISTINCT received_at) FROM arrivals").scalar_one()
    assert moments < 80


def test_a_database_that_cannot_keep_it_lets_the_sender_keep_it(installation: tuple[Service, httpx.Client]) -> None:
    import psycopg

    service, client = installation
    with psycopg.connect(service.database.url, autocommit=True) as owner:
        owner.execute("REVOKE INSERT ON arrivals FROM ridgeline_service")
        answer = client.post("/hooks/north/rest-hook", json=patient("a"), headers=SECRET)
        assert outcome(answer)[:2] == (503, "error")
        assert int(answer.headers["retry-after"]) > 0
        owner.execute("GRANT INSERT ON arrivals TO ridgeline_service")
    assert client.post("/hooks/north/rest-hook", json=patient("a"), headers=SECRET).status_code == 200


def test_no_name_or_value_in_the_logs(
    installation: tuple[Service, httpx.Client], caplog: pytest.LogCaptureFixture
) -> None:
    _, client = installation
    caplog.set_level("DEBUG")
    named: dict[str, Any] = patient("zebra-4711", name=[{"text": "Quagga Zebra"}])
    for body in (named, weight("zebra-4711", 913), weight("zebra-4711", 0.913, version=2)):
        client.put("/hooks/north/rest-hook/Patient/zebra-4711", json=body, headers=SECRET)
    ours = [record.getMessage() for record in caplog.records if not record.name.startswith("httpcore")]
    assert not [line for line in ours if re.search("zebra|913|sesame", line, re.IGNORECASE)]
