"""`explain`, `impact`, `activate` and `--known-at` as a person runs them."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from editions import a_variation
from journeys.command import ROOT, call, environment

LOINC = "http://loinc.org"
VARIATION = a_variation("larkmoor", "2021-01-01")


@pytest.fixture
def env(tmp_path: Path, database_url: str) -> dict[str, str]:
    """An installation on a fresh database, with site files of its own."""
    shutil.copytree(ROOT / "mappings", tmp_path / "mappings")
    return environment(
        tmp_path / "data", DATABASE_URL=database_url, RIDGELINE_MAPPINGS=str(tmp_path / "mappings"), COLUMNS="150"
    )


def observed(code: str, version: int, **value: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": f"ada-{code}", "status": "final", "subject": {"reference": "Patient/ada"},
        "meta": {"versionId": str(version), "lastUpdated": f"2031-05-02T08:{version:02d}:00Z"},
        "code": {"coding": [{"system": LOINC, "code": code}]}, **value,
    }  # fmt: skip


def weight(grams: float, version: int = 1, unit: str = "g") -> dict[str, Any]:
    quantity = {"value": grams, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}
    return observed("8339-4", version, valueQuantity=quantity)


def bring(env: dict[str, str], folder: Path, *resources: dict[str, Any]) -> datetime:
    """Read a file of records; the instant after."""
    path = folder / "records.ndjson"
    path.write_text("".join(json.dumps(resource) + "\n" for resource in resources))
    assert call("ingest", path, "--site", "larkmoor", env=env).returncode == 0
    return datetime.now(UTC)


@pytest.fixture
def ada(env: dict[str, str], tmp_path: Path) -> datetime:
    """One infant, whose weight is corrected across the limit; the instant between."""
    number = {"system": "https://larkmoor.example/medical-record-number", "value": "L-77"}
    born = {"resourceType": "Patient", "id": "ada", "birthDate": "2031-05-01", "name": [{"text": "Ada"}],
            "identifier": [number]}  # fmt: skip
    between = bring(env, tmp_path, born, weight(1490), observed("76516-4", 1, valueString="33w0d"))
    bring(env, tmp_path, weight(1650, 2))
    return between


def test_every_date_ever_shown_is_explained_in_order(env: dict[str, str], ada: datetime) -> None:
    shown = call("explain", "L-77", env=env)
    assert shown.returncode == 0, shown.stderr
    _, _, told = shown.stdout.partition("Every date shown, in order")
    first, last = told.split("  Shown from ")[1:]
    for words in (
        "under aap-2018 revision 1", "First eye exam", "AAP 2018", "changed by: birth weight new: 1490 g",
        "rests on gestation: 33w0d (Observation/ada-76516-4 version 1, read from a file, recorded ",
    ):  # fmt: skip
        assert words in " ".join(first.split()), words
    for words in ("nothing is due: not eligible", "changed by: birth weight corrected: 1650 g, before 1490 g"):
        assert words in " ".join(last.split()), words
    assert max(map(len, shown.stdout.splitlines())) <= 150


def test_explain_for_a_program_is_complete(env: dict[str, str], ada: datetime) -> None:
    told = json.loads(call("explain", "ada", "--json", env=env).stdout)
    assert (told["state"], told["known_at"]) == ("not-eligible", None)
    first, last = told["shown"]
    assert first["decision"]["next"]["kind"] == "first-exam"
    assert first["decision"]["next"]["reason"]["cite"]
    assert {change["what"] for change in first["changes"]} == {"new"}
    (change,) = last["changes"]
    assert (change["what"], change["name"], change["resource"]) == (
        "corrected",
        "birth_weight",
        "Observation/ada-8339-4",
    )
    (now,), (before,) = change["now"], change["before"]
    assert (now["value"], before["value"], now["via"]) == ({"grams": 1650}, {"grams": 1490}, "file")
    assert before["recorded_at"] < first["decided_at"] or before["recorded_at"] == first["decided_at"]
    assert first["decided_at"] < now["recorded_at"] <= last["decided_at"]


def test_explain_and_the_list_as_known_then(env: dict[str, str], ada: datetime) -> None:
    instant = ada.isoformat()
    told = json.loads(call("explain", "ada", "--known-at", instant, "--json", env=env).stdout)
    assert (told["state"], len(told["shown"])) == ("eligible", 1)
    assert datetime.fromisoformat(told["known_at"]) == ada
    assert "as known on" in call("explain", "ada", "--known-at", instant, env=env).stdout
    assert json.loads(call("worklist", "--json", env=env).stdout)["entries"] == []
    (entry,) = json.loads(call("worklist", "--known-at", instant, "--json", env=env).stdout)["entries"]
    assert (entry["name"], entry["next"]["kind"], entry["birth_weight"]) == ("Ada", "first-exam", 1490)
    before = call("explain", "ada", "--known-at", "2020-01-01T00:00Z", env=env)
    assert before.returncode == 2
    assert "nobody knew of it then" in before.stderr


@pytest.mark.parametrize("text", ["yesterday", "2031-06-01T07:00", "2031-06-01"])
def test_an_instant_has_a_zone(env: dict[str, str], text: str) -> None:
    for command in (["worklist"], ["explain", "ada"]):
        answer = call(*command, "--known-at", text, env=env)
        assert answer.returncode == 2
        assert "with its zone" in answer.stderr


def test_a_variation_shows_its_impact_and_is_activated_in_a_name(
    env: dict[str, str], ada: datetime, tmp_path: Path
) -> None:
    mappings = tmp_path / "mappings"
    (mappings / "variations").mkdir(exist_ok=True)
    (mappings / "variations" / "larkmoor-aap.toml").write_text(VARIATION)
    nothing = call("impact", "--site", "larkmoor", env=env)
    assert "about 0 of 1 known" in nothing.stdout
    tried = call("impact", "--site", "larkmoor", "--policy", "larkmoor-aap", env=env)
    assert tried.returncode == 0, tried.stderr
    words = " ".join(tried.stdout.split())
    assert "aap-2018 revision 1 decides now; larkmoor-aap revision 1 would decide otherwise about 1 of 1 known" in words
    assert "1 newly eligible" in words
    assert "approved by Dr Kestrel: our own infants above the limit had disease" in words
    assert "Ada L-77 not eligible First eye exam, 2031-05-29 to 2031-06-04" in words
    told = json.loads(call("impact", "--site", "larkmoor", "--policy", "larkmoor-aap", "--json", env=env).stdout)
    assert told["counts"]["newly-eligible"] == 1
    assert told["infants"][0]["after"]["policy"] == "larkmoor-aap"

    site = mappings / "larkmoor.toml"
    site.write_text(site.read_text().replace('policy = "aap-2018"', 'policy = "larkmoor-aap"'))
    assert json.loads(call("worklist", "--json", env=env).stdout)["entries"] == []  # nobody has activated it
    done = call("activate", "--site", "larkmoor", "--by", "Dr Reed", env=env)
    assert done.returncode == 0, done.stderr
    assert "1  newly eligible" in done.stdout
    assert "larkmoor-aap revision 1 was activated at larkmoor by Dr Reed; 1 infant decided otherwise" in done.stdout
    (entry,) = json.loads(call("worklist", "--json", env=env).stdout)["entries"]
    assert (entry["policy"], entry["next"]["kind"]) == ("larkmoor-aap", "first-exam")
    again = call("activate", "--site", "larkmoor", "--by", "Dr Reed", env=env)
    assert again.stdout == "larkmoor-aap revision 1 is in use at larkmoor, as its file says\n"
    explained = " ".join(call("explain", "ada", env=env).stdout.split())
    assert "changed by: another edition: larkmoor-aap revision 1 decides; before it, aap-2018 revision 1" in explained


def test_a_revision_with_another_content_is_refused(env: dict[str, str], ada: datetime, tmp_path: Path) -> None:
    changed = tmp_path / "policies"
    shutil.copytree(ROOT / "service" / "policies", changed, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    edition = changed / "aap-2018.toml"
    edition.write_text(edition.read_text().replace('birth_weight_at_most = "1500g"', 'birth_weight_at_most = "1700g"'))
    with_them = {**env, "RIDGELINE_POLICIES": str(changed)}
    refused = call("activate", "--site", "larkmoor", "--by", "Dr Reed", env=with_them)
    assert refused.returncode == 1
    assert "revision 1 has been in use with another content; raise the revision" in refused.stderr
    assert "Traceback" not in refused.stderr
    edition.write_text(edition.read_text().replace("revision = 1\n", "revision = 2\n", 1))
    assert call("activate", "--site", "larkmoor", "--by", "Dr Reed", env=with_them).returncode == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["impact"], "--site"),
        (["impact", "--site", "nowhere"], "no site 'nowhere'"),
        (["impact", "--site", "larkmoor", "--policy", "nobody-1"], "no policy 'nobody-1'"),
        (["activate", "--site", "larkmoor"], "--by"),
        (["activate", "--site", "larkmoor", "--by", " "], "say who"),
        (["activate", "--site", "nowhere", "--by", "Dr Reed"], "no site 'nowhere'"),
    ],
)
def test_wrong_uses(env: dict[str, str], arguments: list[str], says: str) -> None:
    answer = call(*arguments, env=env)
    assert answer.returncode == 2
    assert says in answer.stderr


@pytest.mark.parametrize("command", ["impact", "activate"])
def test_the_help_has_examples(env: dict[str, str], command: str) -> None:
    shown = call(command, "--help", env=env)
    assert shown.returncode == 0
    assert f"examples:\n  ridgeline {command} --site larkmoor" in shown.stdout
