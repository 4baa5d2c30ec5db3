"""Measures the service as an installation runs: `.venv/bin/python tests/benchmarks/measure.py`. Not a test.

One run gives the figures of DEVELOPERS.md: how long a hook takes until the list is right (its answer) and until the
Task stands at the site, how many arrivals a second the embedded database takes, how many infants `assess` judges. The
site is a real FHIR server (`sekmet-fhir`), which also serves as the peer: how many Observations it stores itself.
Machines are shared and noisy: compare ratios inside one run, not runs. `measure.py lists` measures the lists alone: how
long a page of 200 and of 2,000 open infants takes, and whether 200,000 infants known make it slower.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import psycopg

sys.path.insert(0, str(Path(__file__).parents[1]))

from contracts.counterpart import Sekmet

from service.app import now, open_service
from service.settings import read_settings

ROOT = Path(__file__).parents[2]
SECONDS = float(os.environ.get("SECONDS_EACH", "10"))
HOOK = {"Authorization": "Bearer bench"}


def observation(infant: str, grams: int, version: int = 1) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": f"{infant}-w", "status": "final",
        "meta": {"versionId": str(version), "lastUpdated": now().isoformat()},
        "code": {"coding": [{"system": "http://loinc.org", "code": "8339-4"}]},
        "subject": {"reference": f"Patient/{infant}"},
        "valueQuantity": {"value": grams, "unit": "g", "system": "http://unitsofmeasure.org", "code": "g"},
    }  # fmt: skip


def patient(infant: str) -> dict[str, Any]:
    meta = {"versionId": "1", "lastUpdated": now().isoformat()}
    return {"resourceType": "Patient", "id": infant, "birthDate": f"{now():%Y-%m-%d}", "meta": meta}


def centiles(seconds: list[float]) -> str:
    ordered = sorted(seconds)
    p99 = ordered[min(len(ordered) - 1, int(len(ordered) * 0.99))]
    return f"p50 {statistics.median(ordered) * 1000:.1f} ms, p99 {p99 * 1000:.1f} ms ({len(ordered)} samples)"


def site_file(folder: Path, base_url: str, channels: str) -> None:
    folder.mkdir(exist_ok=True)
    shutil.copy(ROOT / "mappings/_standard.toml", folder)
    (folder / "bench.toml").write_text(
        f'id = "bench"\nname = "Bench"\ntimezone = "UTC"\npolicy = "aap-2018"\n[server]\nbase_url = "{base_url}"\n'
        f'[hook]\nsecret = "BENCH"\n[publish]\nchannels = [{channels}]\n'
    )


@contextmanager
def serving(environment: dict[str, str]) -> Iterator[str]:
    """`ridgeline serve` as a process of its own: the load must not share its interpreter."""
    command = [Path(sys.executable).with_name("ridgeline"), "serve", "--port", "8398"]
    process = subprocess.Popen(
        command, env={**os.environ, **environment}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        url = "http://127.0.0.1:8398"
        while True:
            try:
                httpx.get(f"{url}/health/ready", timeout=5).raise_for_status()
                break
            except httpx.HTTPError:
                time.sleep(0.2)
        yield url
    finally:
        process.terminate()
        process.wait(30)


def hook_to_row(url: str, rate: float) -> list[float]:
    """Open loop: each event has its own intended moment, late or not."""
    taken: list[float] = []
    with httpx.Client(base_url=url, headers=HOOK) as client, ThreadPoolExecutor(16) as pool:
        start = time.perf_counter()

        def send(position: int) -> None:
            moment = start + position / rate
            client.post("/hooks/bench/rest-hook", json=observation(f"row-{position}", 900)).raise_for_status()
            taken.append(time.perf_counter() - moment)

        for position in range(int(rate * SECONDS)):
            time.sleep(max(0.0, start + position / rate - time.perf_counter()))
            pool.submit(send, position)
    return taken


def sustained(url: str, connections: int) -> float:
    """Closed loop on so many connections."""
    count = [0] * connections
    until = time.perf_counter() + SECONDS

    def run(lane: int) -> None:
        with httpx.Client(base_url=url, headers=HOOK) as client:
            while time.perf_counter() < until:
                client.post(
                    "/hooks/bench/rest-hook", json=observation(f"s-{lane}-{count[lane]}", 900)
                ).raise_for_status()
                count[lane] += 1

    lanes = [threading.Thread(target=run, args=(lane,)) for lane in range(connections)]
    for lane in lanes:
        lane.start()
    for lane in lanes:
        lane.join()
    return sum(count) / SECONDS


def peer(server: Sekmet) -> float:
    done = 0
    until = time.perf_counter() + SECONDS
    with httpx.Client(base_url=server.base_url) as client:
        while time.perf_counter() < until:
            client.post("/Observation", json=observation(f"peer-{done}", 900)).raise_for_status()
            done += 1
    return done / SECONDS


def assess(folder: Path, infants: int = 10_000) -> float:
    lines = folder / "infants.ndjson"
    with lines.open("w") as file:
        for number in range(infants):
            file.write(json.dumps(patient(f"i{number}")) + "\n")
            file.write(json.dumps(observation(f"i{number}", 600 + number % 2400)) + "\n")
    start = time.perf_counter()
    command = [Path(sys.executable).with_name("ridgeline"), "assess", lines]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, check=True)
    taken = time.perf_counter() - start
    assert done.stdout.count(b"\n") == infants
    return infants / taken


MORE = """
WITH model AS (SELECT * FROM infants WHERE kind {kind} 'none' ORDER BY patient),
numbered AS (SELECT m.*, row_number() OVER (ORDER BY patient) - 1 AS place, count(*) OVER () AS models FROM model m),
copied AS (SELECT n, c.* FROM generate_series(1, {many}) n JOIN numbered c ON c.place = n % c.models),
made AS (
    INSERT INTO decisions
           (site, patient, decided_at, as_of, policy, revision, state, eligible, kind, opens, due, closes, body)
    SELECT c.site, 'copy-{kind}-{start}-' || n, d.decided_at, d.as_of, d.policy, d.revision, d.state, d.eligible,
           d.kind, d.opens, d.due, d.closes, d.body
    FROM copied c JOIN decisions d ON d.site = c.site AND d.id = c.decision RETURNING site, patient, id
)
INSERT INTO infants (site, patient, key, known_since, first_seen, changed_at, decision, state, eligible, kind, opens,
                     due, closes, name, identifier, unit, bed, left_hospital, words)
SELECT c.site, m.patient, gen_random_uuid(), c.known_since, c.first_seen, c.changed_at, m.id, c.state, c.eligible,
       c.kind, c.opens, c.due, c.closes, 'Baby ' || n, 'N' || n, c.unit, c.bed, c.left_hospital,
       ARRAY['baby', 'n' || n, n::text]
FROM copied c JOIN made m ON m.patient = 'copy-{kind}-{start}-' || n
"""
"""So many more infants like those that are there: on the list (`kind` <>) or off it (=)."""


def lists() -> None:
    """The page of all sites, made in this process from a database on this machine: the best and the median of nine, and
    the least processor time, which other work on the machine disturbs less."""
    from web.conftest import make_flow
    from web.ward import age as born_at
    from web.ward import newborn, send, weight

    from service.store import looks
    from service.store.database import Database, migrate
    from service.store.postgres import EmbeddedPostgres
    from service.web.audit import looked_at
    from service.web.board import Asked
    from service.web.lists import draw_list
    from service.web.looking import NOBODY, Looking
    from service.web.pages import Pages

    with tempfile.TemporaryDirectory(prefix="ridgeline-lists-") as name, EmbeddedPostgres() as postgres:
        Path(name).chmod(0o755)
        url = postgres.start(Path(name) / "postgres")
        migrate(url)
        database = Database(url)
        flow = make_flow(database)
        for number in range(40):
            who, born = f"m{number}", f"2031-05-{1 + number % 28:02}"
            grams = 2600 if number % 4 == 0 else 600 + 30 * number
            days = 260 if number % 4 == 0 else 168 + number
            resources = [newborn(who, f"Model {number}", born, f"M-{number}"), weight(who, grams)]
            send(flow, "northbank", *resources, *([] if number % 10 == 1 else [born_at(who, days)]))
        looking = Looking(NOBODY, flow, Pages(flow.sites))

        def grow(open_now: int, known: int) -> None:
            with database.engine.connect() as connection:
                counted = "SELECT count(*) FILTER (WHERE kind <> 'none'), count(*) FROM infants"
                there, everybody = connection.exec_driver_sql(counted).one()
            with psycopg.connect(url, autocommit=True) as owner:
                for kind, many in (("<>", open_now - there), ("=", known - everybody - (open_now - there))):
                    if many > 0:
                        owner.execute(MORE.format(kind=kind, many=many, start=everybody))
                owner.execute("VACUUM ANALYZE")

        def page() -> list[float]:
            taken, busy = [], []
            for _ in range(9):
                start, processor = time.perf_counter(), time.process_time()
                text = draw_list(looking, None, Asked(), None, None)
                taken.append(time.perf_counter() - start)
                busy.append(time.process_time() - processor)
            return [min(taken) * 1000, statistics.median(taken) * 1000, min(busy) * 1000, len(text) / 1e6]

        def search() -> list[float]:
            taken = []
            for said in ("baby 1234", "n150", "baby", "nobody") * 3:
                start = time.perf_counter()
                flow.search(said)
                taken.append(time.perf_counter() - start)
            return [min(taken) * 1000, statistics.median(taken) * 1000, max(taken) * 1000]

        def audit() -> None:
            """The same pages with the look written down and without, in turn: what it adds, commit included."""

            def write(connection: Any, kind: str, about: Any) -> None:
                looks.write(connection, kind, flow.clock(), None, "/", about)

            written = replace(looking, flow=flow.within(None, write))
            key = flow.worklist()[0].key

            def infant(look: Looking) -> str:
                seen = look.flow.infant(key)
                return look.pages.infant(seen, seen.as_of, None, "", "", looked_at(look, seen))

            pages: dict[str, Callable[[Looking], str]] = {
                "the list of all sites": lambda look: draw_list(look, None, Asked(), None, None), "an infant": infant,
            }  # fmt: skip
            for name, draw in pages.items():
                taken: dict[bool, list[float]] = {False: [], True: []}
                for number in range(60):
                    start = time.perf_counter()
                    draw(written if number % 2 else looking)
                    taken[bool(number % 2)].append((time.perf_counter() - start) * 1000)
                (plain, with_audit), (middle, middle_with) = (
                    [of(taken[each]) for each in (False, True)] for of in (min, statistics.median)
                )
                print(f"  audit, {name}: best {plain:.1f} ms without, {with_audit:.1f} with: "
                      f"{1 - plain / with_audit:.1%} of the request; median {middle:.1f} and {middle_with:.1f}",
                      flush=True)  # fmt: skip

        found: dict[tuple[int, int], list[float]] = {}
        for open_now, known in ((200, 2_000), (2_000, 4_000), (2_000, 200_000)):
            grow(open_now, known)
            best, middle, busy, size = found[open_now, known] = page()
            quick, usual, slow = search()
            print(f"  {open_now} open of {known} known: page best {best:.0f} ms, median {middle:.0f} ms, "
                  f"processor time of this process {busy:.0f} ms, {size:.1f} MB; "
                  f"search {quick:.0f} to {slow:.0f} ms, median {usual:.0f} ms", flush=True)  # fmt: skip
            if (open_now, known) == (2_000, 4_000):
                audit()
        small, large, vast = found.values()
        print(f"  2,000 open against 200: {large[0] / small[0]:.1f} times as long")
        print(f"  200,000 known against 4,000: {vast[0] / large[0]:.2f} times as long")
        database.close()


def main() -> None:
    if sys.argv[1:] == ["lists"]:
        lists()
        return
    with tempfile.TemporaryDirectory(prefix="ridgeline-bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)
        server = Sekmet(folder / "sekmet").start()
        try:
            for title, channels in (("no channel", ""), ("with Tasks written at the site", '"fhir_task"')):
                site_file(folder / "mappings", server.base_url, channels)
                environment = {
                    "RIDGELINE_DATA": str(folder / f"data-{len(channels)}"),
                    "RIDGELINE_MAPPINGS": str(folder / "mappings"),
                    "BENCH": "bench",
                }
                with serving(environment) as url, open_service(read_settings(environment)) as service:
                    print(f"[{title}]")
                    print("  hook to row, 20/s open loop:", centiles(hook_to_row(url, 20)), flush=True)
                    if channels:
                        time.sleep(15)
                        with service.database.transaction() as connection:
                            rows = connection.exec_driver_sql(
                                "SELECT extract(epoch FROM o.sent_at - a.received_at)::float8 FROM outbox o"
                                " JOIN facts f ON f.site = o.site AND f.patient = o.patient AND f.name = 'birth_weight'"
                                " JOIN arrivals a ON a.site = f.site AND a.id = f.arrival WHERE o.state = 'done'"
                            )
                            print("  hook to Task at the site:", centiles([row[0] for row in rows]), flush=True)
                    else:
                        for connections in (1, 16, 64):
                            print(
                                f"  sustained, {connections} connections: {sustained(url, connections):.0f} arrivals/s",
                                flush=True,
                            )
            print(f"[peer] sekmet-fhir stores {peer(server):.0f} Observations/s, one connection")
        finally:
            server.close()
        print(f"[assess] {assess(folder):.0f} infants/s")
    print("[lists]")
    lists()


if __name__ == "__main__":
    main()
