"""What lives in the database only is said where somebody looks at what is configured."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from journeys.command import ROOT, call, environment

from service.fhir.sites import load_sites
from service.flow import Flow
from service.mending import Mending
from service.policies import load_policies
from service.store.database import Database, migrate
from service.store.meanings import Meaning
from service.store.postgres import EmbeddedPostgres, is_running


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


def test_check_starts_no_database_to_read_meanings_unless_it_is_asked_to(tmp_path: Path) -> None:
    data = tmp_path / "data"
    env = environment(data)
    asleep = "the embedded database is not running, so meanings given on a page were not read: --meanings starts it"
    assert asleep not in call("check", "--site", "larkmoor", env=env).stdout, "there is none yet"
    with EmbeddedPostgres(durable=False) as postgres:
        url = postgres.start(data / "postgres")
        migrate(url)
        sites, database = load_sites(ROOT / "mappings"), Database(url)
        flow = Flow(database, sites, load_policies(), lambda: datetime(2031, 6, 1, 7, tzinfo=UTC))
        Mending(flow).give("larkmoor", Meaning("word", "", "gmz", {"means": "g"}), "Ingrid Cable", [])
        database.close()
        running = call("check", "--site", "larkmoor", env=env).stdout
        assert "'gmz'" in running and asleep not in running
    assert not is_running(data / "postgres")
    said = call("check", "--site", "larkmoor", env=env)
    assert said.returncode == 0
    assert asleep in said.stdout and "'gmz'" not in said.stdout
    assert not is_running(data / "postgres")
    elsewhere = environment(tmp_path / "elsewhere")
    asked = call("check", "--site", "larkmoor", "--meanings", "--data", data, env=elsewhere).stdout
    assert "'gmz'" in asked and asleep not in asked
