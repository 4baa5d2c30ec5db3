"""Alive, ready, and counts for a monitoring system. Never a name, a number of a person or a date of one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

from fastapi import APIRouter
from sqlalchemy import text
from starlette.responses import JSONResponse, PlainTextResponse, Response

from service.errors import ConfigurationError
from service.store.counts import Counts, take_counts
from service.store.database import Database, pending
from service.web.downtime import Copies
from service.web.looking import Look

TEXT_FORMAT: Final = "text/plain; version=0.0.4; charset=utf-8"
"""Media type of the Prometheus text format (https://prometheus.io/docs/instrumenting/exposition_formats/)."""

INFANT_STATES: Final = ("eligible", "unknown", "not-eligible", "closed")


def health_routes(database: Database, copies: Copies | None = None) -> APIRouter:
    """/health/live, /health/ready and /metrics. `copies` for downtime are told and make nothing unready: a service that
    cannot write them is needed all the more."""
    router = APIRouter(include_in_schema=False)

    @router.api_route("/health/live", methods=["GET", "HEAD"])
    def live() -> Response:
        return JSONResponse({"status": "alive"})

    @router.api_route("/health/ready", methods=["GET", "HEAD"])
    def ready() -> Response:
        checks = check_ready(database)
        good = all(problem is None for problem in checks.values())
        beside = {} if copies is None else {"downtime copies": copies.problem() or "good"}
        return JSONResponse(
            {
                "status": "ready" if good else "not ready",
                "checks": {name: problem or "good" for name, problem in checks.items()} | beside,
            },
            200 if good else 503,
            None if good else {"Retry-After": "5"},
        )

    @router.api_route("/metrics", methods=["GET", "HEAD"])
    def metrics(look: Look) -> Response:
        days = {site: look.flow.today(site) for site in look.flow.sites}
        oldest = copies.oldest() if copies is not None else None
        return PlainTextResponse(write_metrics(take_counts(database, days), days, oldest), media_type=TEXT_FORMAT)

    return router


def check_ready(database: Database) -> dict[str, str | None]:
    """Each check -> None when good, else a sentence."""
    try:
        with database.transaction() as connection:
            connection.execute(text("SELECT 1"))
    except Exception:  # whatever it is, the answer is the same, and its text may hold an address or a password
        return {"database": "cannot be reached", "schema": "not known"}
    try:
        missing = pending(database.url)
    except ConfigurationError:
        return {"database": None, "schema": "cannot be read"}
    return {
        "database": None,
        "schema": f"{len(missing)} revisions are not applied; run: ridgeline migrate" if missing else None,
    }


def write_metrics(counts: Counts, sites: Iterable[str], copied: datetime | None = None) -> str:
    """The counts in the Prometheus text format. Every site has every series, 0 included: absent is not zero. `copied`:
    when the oldest of the copies for downtime was made."""
    sites = sorted(sites)
    lines: list[str] = []

    def series(name: str, kind: str, help_text: str, samples: Iterable[tuple[Mapping[str, str], float]]) -> None:
        lines.append(f"# HELP ridgeline_{name} {help_text}")
        lines.append(f"# TYPE ridgeline_{name} {kind}")
        for labels, value in samples:
            inner = ",".join(f'{key}="{_escape(word)}"' for key, word in labels.items())
            lines.append(f"ridgeline_{name}{{{inner}}} {value}" if inner else f"ridgeline_{name} {value}")

    series(
        "infants", "gauge", "Infants by the state of their last decision.",
        [({"site": site, "state": s}, counts.infants.get((site, s), 0)) for site in sites for s in INFANT_STATES],
    )  # fmt: skip
    series(
        "overdue", "gauge", "Infants whose window has closed with the step not done.",
        [({"site": site}, counts.overdue.get(site, 0)) for site in sites],
    )  # fmt: skip
    series(
        "arrivals_open", "gauge", "Arrivals stored and not digested: new, or failed and to be tried again.",
        [({"site": site, "state": s}, counts.arrivals.get((site, s), 0)) for site in sites for s in ("new", "failed")],
    )  # fmt: skip
    series("arrivals_numbered_total", "counter", "Last number given to an arrival.", [({}, counts.numbered)])
    series(
        "last_arrival_timestamp_seconds", "gauge", "When a site was last heard of; absent before the first arrival.",
        [({"site": site}, counts.last_arrival[site].timestamp()) for site in sites if site in counts.last_arrival],
    )  # fmt: skip
    channels = sorted({channel for _, channel in counts.outbox})
    series(
        "outbox_waiting", "gauge", "Publications not yet delivered.",
        [({"site": site, "channel": c}, counts.outbox.get((site, c), 0)) for site in sites for c in channels],
    )  # fmt: skip
    series(
        "rejections_open", "gauge", "Things that could not be read and are not yet put right.",
        [({"site": site}, counts.rejections.get(site, 0)) for site in sites],
    )  # fmt: skip
    if copied is not None:
        series(
            "downtime_copy_timestamp_seconds", "gauge", "When the oldest of the copies for downtime was made.",
            [({}, copied.timestamp())],
        )  # fmt: skip
    return "\n".join(lines) + "\n"


def _escape(word: str) -> str:
    return word.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
