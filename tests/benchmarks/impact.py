"""How long it takes to say what another edition would change at a site that knows many infants.

    PYTHONPATH=tests .venv/bin/python tests/benchmarks/impact.py [KNOWN]

200 infants are open whatever the number known (20,000 by default); of the others every tenth had a course that somebody
closed. A few models go the way of every record; their rows are copied in the database. Prints seconds for what
`recall.weigh` does and, in the same run, for deciding everybody twice, and checks that both say the same.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import orjson
import psycopg
from web.conftest import make_flow
from web.ward import NOW, age, newborn, send, weight

from service import recall
from service.core.decision import decide
from service.core.impact import compare
from service.fhir.forms import fill
from service.flow import Flow
from service.store import infants
from service.store.arrivals import Arrival
from service.store.database import Database, migrate
from service.store.postgres import EmbeddedPostgres

SITE = "northbank"
OPEN = 200
COPY = """
WITH model AS (SELECT i.*, row_number() OVER (ORDER BY patient) - 1 AS place FROM infants i WHERE kind {kind} 'none'
               AND patient NOT LIKE 'copy-%'),
copied AS (SELECT n, m.* FROM generate_series(1, {many}) n
           JOIN model m ON m.place = n % (SELECT count(*) FROM model)),
said AS (
    INSERT INTO facts (site, arrival, resource, version_number, version_updated, version_label, version_reading,
                       patient, name, value, rank, certain, issued, recorded_at)
    SELECT f.site, f.arrival, f.resource || '{kind}' || n, version_number, version_updated, version_label,
           version_reading, 'copy-{kind}-' || n, f.name, value, rank, certain, issued, recorded_at
    FROM copied c JOIN facts f ON f.site = c.site AND f.patient = c.patient WHERE f.name <> 'identifier'
    RETURNING 1
),
made AS (
    INSERT INTO decisions
           (site, patient, decided_at, as_of, policy, revision, state, eligible, kind, opens, due, closes, body)
    SELECT c.site, 'copy-{kind}-' || n, d.decided_at, d.as_of, d.policy, d.revision, d.state, d.eligible, d.kind,
           d.opens, d.due, d.closes, d.body
    FROM copied c JOIN decisions d ON d.site = c.site AND d.id = c.decision RETURNING site, patient, id
)
INSERT INTO infants (site, patient, key, known_since, first_seen, changed_at, decision, state, eligible, kind, opens,
                     due, closes, name, unit, bed, left_hospital)
SELECT c.site, m.patient, gen_random_uuid(), c.known_since, c.first_seen, c.changed_at, m.id, c.state, c.eligible,
       c.kind, c.opens, c.due, c.closes, 'Baby ' || n, c.unit, c.bed, c.left_hospital
FROM copied c JOIN made m ON m.patient = 'copy-{kind}-' || n
"""


def models(flow: Flow) -> None:
    """Twenty infants to be examined or asked about, and twenty who are not: eighteen outside the criteria, two whose
    course was closed, one of them after an injection."""

    def typed(form: str, value: dict[str, Any], who: str) -> None:
        body = fill(form, value, id=f"{who}-{form}", version=1, patient=who, author="Dr Invented", authored=NOW)
        flow.accept([Arrival(SITE, "hand", orjson.dumps(body))])

    quiet = {"vascularization": "full", "stage": "0", "plus": "none"}
    for number in range(40):
        who, small = f"m{number}", number < 22
        grams, days = (
            (700 + 30 * number, 175 + number) if small else (1900 + 60 * (number - 22), 231 + 2 * (number - 22))
        )
        resources = [
            newborn(who, f"Model {number}", f"2031-03-{1 + number % 28:02}", f"M-{number}"),
            weight(who, grams),
        ]
        send(flow, SITE, *resources, *([] if number % 10 == 1 else [age(who, days)]))
        if small and number % 2:
            typed("eye-exam", {"on": "2031-05-28", "right": quiet, "left": quiet}, who)
        if small and number > 18:
            eyes = {"on": "2031-05-29", "eyes": "both", "kind": "injection", "agent": "ranibizumab"}
            typed("treatment", eyes, who)
    for who in ("m20", "m21"):
        (key,) = [key for _, key in flow.find(who)]
        basis = flow.infant(key).course.basis
        typed("closing", {"on": "2031-05-30", "by": "Dr One", "why": "palliative", "basis": basis}, who)


def everybody(flow: Flow, other: str) -> set[tuple[str, tuple[str, ...]]]:
    """The same, everybody decided twice."""
    day, site = flow.today(SITE), flow.site(SITE)
    now, then = flow.policy_on(SITE, day), flow.policies[other]
    found = set()
    with flow.database.transaction() as connection:
        for person in recall.people(connection, site, infants.known(connection, SITE, day)):
            before, after = (decide(person.infant, policy, day, person.course) for policy in (now, then))
            if differences := compare(before, after):
                found.add((person.patient, differences))
    return found


def main() -> None:
    """Two other editions: one that makes nobody else eligible, and one that makes some."""
    known = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    with EmbeddedPostgres(durable=False) as postgres, tempfile.TemporaryDirectory(prefix="ridgeline-") as folder:
        url = postgres.start(Path(folder))
        migrate(url)
        flow = make_flow(Database(url))
        models(flow)
        with psycopg.connect(url, autocommit=True) as connection:
            counted = "SELECT count(*) FILTER (WHERE kind <> 'none'), count(*) FROM infants"
            there, all_there = connection.execute(counted).fetchone() or (0, 0)
            for kind, many in (("<>", OPEN - there), ("=", known - OPEN - (all_there - there))):
                connection.execute(COPY.format(kind=kind, many=many))
            connection.execute("VACUUM ANALYZE")
            print(connection.execute(counted).fetchone(), "open, known", flush=True)
        for other in ("uk-2022", "india-nnf-2021"):
            times = []
            for ask in (flow.impact, flow.impact):
                start = time.perf_counter()
                found = ask(SITE, flow.policies[other])
                times.append(time.perf_counter() - start)
            start = time.perf_counter()
            told = everybody(flow, other)
            plain = time.perf_counter() - start
            assert told == {(each.patient, each.differences) for each in found}
            print(f"{other}: {len(found)} decided otherwise; {min(times):.2f} s, everybody twice {plain:.2f} s: "
                  f"{plain / min(times):.1f} times as long", flush=True)  # fmt: skip
        flow.database.close()


if __name__ == "__main__":
    main()
