"""What lives in the database only is said where somebody looks at what is configured."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from journeys.command import ROOT, call, environment

from service.fhir.sites import load_sites
from service.flow import Flow
from service.mending import Mending
from service.policies import load_policies
from service.store.database import Database
from service.store.meanings import Meaning


def test_check_says_which_meanings_live_in_the_database_only(tmp_path: Path, database_url: str) -> None:
    env = environment(tmp_path / "data", DATABASE_URL=database_url)
    assert "lives in the database only" not in call("check", "--site", "larkmoor", env=env).stdout
    sites, database = load_sites(ROOT / "mappings"), Database(database_url)
    flow = Flow(database, sites, load_policies(), lambda: datetime(2031, 6, 1, 7, tzinfo=UTC))
    Mending(flow).give("larkmoor", Meaning("word", "", "gmz", {"means": "g"}), "Ingrid Cable", [])
    Mending(flow).give(
        "larkmoor", Meaning("code", "http://loinc.org", "8339-4", {"concept": "birth_weight", "rank": 1}), "IT", []
    )
    database.close()
    said = call("check", "--site", "larkmoor", env=env).stdout
    line = next(line for line in said.splitlines() if "'gmz'" in line)
    assert line.startswith("ok ")
    assert (
        'given by Ingrid Cable on 2031-06-01 and lives in the database only; for the file: [[word]] says = "gmz"'
        in line
    )
    assert "'8339-4' means was given by IT on 2031-06-01; the file says the same" in said
    assert "'gmz'" not in call("check", "--site", "quillhaven", env=env).stdout
