"""Alive, ready, counted: and nothing of a patient in it."""

from __future__ import annotations

import httpx
import psycopg
from prometheus_client.parser import text_string_to_metric_families
from web.conftest import make_app
from web.serving import serve
from web.ward import HOSTILE, send

from service.flow import Flow
from service.store.database import Database


def read(text: str) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """As Prometheus' own reader takes it (PyPI prometheus-client)."""
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def of(metrics: dict[tuple[str, frozenset[tuple[str, str]]], float], name: str, **labels: str) -> float | None:
    return metrics.get((name, frozenset(labels.items())))


def test_alive_and_ready(client: httpx.Client) -> None:
    assert client.get("/health/live").json() == {"status": "alive"}
    ready = client.get("/health/ready")
    assert (ready.status_code, ready.json()["status"]) == (200, "ready")
    assert client.head("/health/ready").status_code == 200


def test_counts_are_those_of_the_rows(ward: httpx.Client) -> None:
    answer = ward.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    metrics = read(answer.text)
    assert of(metrics, "ridgeline_infants", site="northbank", state="eligible") == 2
    assert of(metrics, "ridgeline_infants", site="northbank", state="unknown") == 2
    assert of(metrics, "ridgeline_infants", site="northbank", state="not-eligible") == 1
    assert of(metrics, "ridgeline_infants", site="eastmere", state="closed") == 0
    assert of(metrics, "ridgeline_overdue", site="northbank") == 1
    assert of(metrics, "ridgeline_overdue", site="eastmere") == 0
    assert of(metrics, "ridgeline_rejections_open", site="northbank") == 1
    assert of(metrics, "ridgeline_arrivals_open", site="northbank", state="new") == 0
    last = of(metrics, "ridgeline_last_arrival_timestamp_seconds", site="northbank")
    assert last == 1938110400  # date -u -d 2031-06-01T20:00Z +%s
    numbered = of(metrics, "ridgeline_arrivals_numbered_total")
    assert numbered is not None and numbered >= 16


def test_a_site_never_heard_of_has_its_zeros_but_no_time(client: httpx.Client, flow: Flow) -> None:
    metrics = read(client.get("/metrics").text)
    assert of(metrics, "ridgeline_infants", site="eastmere", state="eligible") == 0
    assert of(metrics, "ridgeline_last_arrival_timestamp_seconds", site="eastmere") is None
    send(flow, "eastmere", b"{}")
    assert of(read(client.get("/metrics").text), "ridgeline_last_arrival_timestamp_seconds", site="eastmere")


def test_nothing_of_a_patient_is_counted_out(ward: httpx.Client) -> None:
    for path in ("/metrics", "/health/live", "/health/ready"):
        said = ward.get(path).text
        for secret in ("Lanternfish", "N-100", "today", HOSTILE[:8], "780"):
            assert secret not in said, (path, secret)


def test_an_older_schema_is_not_ready(empty_url: str, flow: Flow) -> None:
    """A database nobody has migrated. The role must exist for the connection; the fixtures' server has it already."""
    bare = Database(empty_url)
    with serve(make_app(Flow(bare, flow.sites, flow.policies, flow.clock))) as address:
        answer = httpx.get(f"{address}/health/ready")
        assert answer.status_code == 503
        assert "ridgeline migrate" in answer.json()["checks"]["schema"]
    bare.close()


def test_without_its_database_it_says_so_everywhere_and_comes_back(
    client: httpx.Client, postgres_url: str, database_url: str
) -> None:
    name = database_url.rpartition("/")[2].partition("?")[0]
    with psycopg.connect(postgres_url, autocommit=True) as connection:
        connection.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS false')
        connection.execute("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name])
        ready = client.get("/health/ready")
        assert ready.status_code == 503
        assert ready.json()["checks"]["database"] == "cannot be reached"
        assert client.get("/health/live").status_code == 200
        for path, kind in (("/", "text/html"), ("/api/worklist", "json"), ("/fhir/Task", "fhir"), ("/metrics", "json")):
            answer = client.get(path)
            assert answer.status_code == 503, path
            assert kind in answer.headers["content-type"]
            assert answer.headers["retry-after"] == "5"
            assert "cannot be reached" in answer.text
            assert name not in answer.text and "psycopg" not in answer.text and "Traceback" not in answer.text
        connection.execute(f'ALTER DATABASE "{name}" ALLOW_CONNECTIONS true')
    assert client.get("/health/ready").status_code == 200
    assert client.get("/").status_code == 200
