"""How long the figures of a site take with 200,000 infants known.

    PYTHONPATH=tests .venv/bin/python tests/benchmarks/figures.py

The rows are made up in the database, ten things counted of each infant, five years of births: what is measured is
asking for them, not counting them. Prints seconds; compare ratios.
"""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import psycopg
from web.ward import two_sites

from service.core.figures import DEFINITION, FIGURES, months_until
from service.flow import Flow
from service.policies import load_policies
from service.store.database import Database, migrate
from service.store.postgres import EmbeddedPostgres
from service.web.figures import lay_out

KNOWN = 200_000
INFANTS = """
INSERT INTO infants (site, patient, key, known_since, first_seen, changed_at, state, eligible, kind)
SELECT 'northbank', 'p' || n, gen_random_uuid(), date '2026-06-01' + n %% 1800, now(),
       timestamptz '2031-01-01' + n * interval '1 s', 'closed', 'yes', 'none'
FROM generate_series(1, %(known)s) n"""
COUNTED = """
INSERT INTO figures (site, patient, changed_at, definition, counted, last)
SELECT 'northbank', 'p' || n, timestamptz '2031-01-01' + n * interval '1 s', %(definition)s, ARRAY[
    'first-exam ' || d || ' on-time', 'follow-up ' || d + 28 || ' kept', 'record ' || d || ' complete',
    'repeat-exam ' || d + 14 || CASE n %% 5 WHEN 0 THEN ' late' ELSE ' on-time' END, 'follow-up ' || d + 42 || ' kept',
    'record ' || d + 14 || ' complete', 'repeat-exam ' || d + 28 || ' on-time', 'follow-up ' || d + 56 || ' kept',
    'record ' || d + 28 || ' complete', 'closing ' || d + 28 || ' by-rule'], d + 56
FROM (SELECT n, date '2026-07-01' + n %% 1800 AS d FROM generate_series(1, %(known)s) n) made"""


def main() -> None:
    """Ask four times, each for other months."""
    with EmbeddedPostgres(durable=False) as postgres, tempfile.TemporaryDirectory(prefix="ridgeline-") as folder:
        url = postgres.start(Path(folder))
        migrate(url)
        with psycopg.connect(url, autocommit=True) as connection:
            for statement in (INFANTS, COUNTED, "ANALYZE"):
                connection.execute(statement, {"known": KNOWN, "definition": DEFINITION})
        now = datetime(2031, 6, 1, 20, tzinfo=UTC)
        flow = Flow(Database(url), two_sites(), load_policies(), lambda: now)
        for number in (12, 12, 24, 36):
            months = months_until(date(2031, 6, 1), number)
            times = [time.perf_counter()]
            flow.recount("northbank")
            times.append(time.perf_counter())
            found = flow.figures("northbank", months[0])
            times.append(time.perf_counter())
            flow.figures("northbank", months[0])
            times.append(time.perf_counter())
            for figure in FIGURES:
                lay_out(figure, {"Northbank": found.tally}, months)
            times.append(time.perf_counter())
            spent = [later - before for before, later in pairwise(times)]
            said = zip(("who changed", "asked", "asked again", "laid out"), spent, strict=True)
            print(number, "months:", ", ".join(f"{what} {seconds:.3f} s" for what, seconds in said))
        flow.database.close()


if __name__ == "__main__":
    main()
