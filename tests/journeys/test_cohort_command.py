"""`ridgeline cohort`: registers in, whom each policy selects out."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from core.test_real_newborns import LAST_WEEK, SELECTED, as_fhir, births_14, nc_births
from journeys.command import call, environment
from pandas import DataFrame

REGISTER = """\
id,born,gestational_age_at_birth,birth_weight,risk
a1,2031-05-01,25w3d,780,
a2,2031-05-03,31w2d,1400,no
a3,2031-05-09,34w,2300,sepsis
a4,2031-05-12,,1900,
a5,,29w0d,1100,no
a6,2031-06-12,32w4d,1505,0
a7,2031-06-12,38w4d,3505,
"""
HEADINGS = REGISTER.splitlines()[0]


@pytest.fixture
def env(tmp_path: Path) -> dict[str, str]:
    return environment(tmp_path / "data")


Ask = Callable[..., dict[str, Any]]


@pytest.fixture
def ask(tmp_path: Path, env: dict[str, str]) -> Ask:
    """What is said of a register as JSON; `said` holds what went to standard error."""

    def answer(content: str | bytes, *policies: str, name: str = "register.csv") -> dict[str, Any]:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        told = call("cohort", path, "--json", *(part for id in policies for part in ("--policy", id)), env=env)
        assert told.returncode == 0, told.stderr
        return {**json.loads(told.stdout), "said": told.stderr}

    return answer


def test_a_register_is_told_in_tables(tmp_path: Path, env: dict[str, str]) -> None:
    path = tmp_path / "register.csv"
    path.write_text(REGISTER)
    told = call("cohort", path, "--policy", "aap-2018", "--policy", "uk-2022", env=env)
    assert told.returncode == 0, told.stderr
    words = [" ".join(line.split()) for line in told.stdout.splitlines()]
    assert words[0] == "7 infants in register.csv"
    # reference: AAP 2018, 1500 g or 30 weeks or less, or judged high-risk: a1, a2, a3 by risk, a5; RCPCH 2022, below
    # 1501 g or 31 weeks: a1, a2, a5. Of a4 either needs the gestational age.
    undated = "1 of the selected have no date of birth, and so no date"
    assert f"aap-2018 4 57.1% 1 14.3% 2 28.6% {undated}" in words
    assert f"uk-2022 3 42.9% 1 14.3% 3 42.9% {undated}" in words
    # reference: AAP, later of 31 weeks and 28 days: a1 on 2031-06-09, a2 on -05-31, a3 on -06-06, a4 perhaps on 06-09
    assert "week from aap-2018 more uk-2022 more" in words
    assert "2031-05-26 1 0 1 0" in words
    assert "2031-06-02 1 0 0 0" in words
    assert "2031-06-09 1 1 1 1" in words
    assert "aap-2018 3 1.0 1 2031-06-09" in words
    assert "From aap-2018 to uk-2022" in words
    assert "selected 3 0 1" in words
    assert "unknown 0 1 0" in words
    assert "not selected 0 0 2" in words
    assert "First exams that both date: 2 due on the same day" in words
    assert "No longer eligible, 1: a3" in words
    assert words[-1].startswith("Decision support, not a medical device")


def test_everything_is_there_as_json(ask: Ask) -> None:
    told = ask(REGISTER, "aap-2018", "germany-2020")
    aap, germany = told["policies"]
    assert (told["infants"], aap["policy"], aap["revision"]) == (7, "aap-2018", 1)
    assert [aap[key] for key in ("selected", "unknown", "not_selected", "selected_without_date")] == [4, 1, 2, 1]
    assert aap["share_selected"] == pytest.approx(4 / 7, abs=1e-6)
    assert aap["rules"] == {"31-weeks-or-4-weeks": 3}
    # reference: AWMF 024-010: not before 31 weeks, in the sixth week of life: a1 at 39 days of age, a3 (risk) at 35
    assert [week for week in germany["weeks"] if week["first_exams"]] == [
        {"monday": "2031-06-09", "first_exams": 2, "if_unknown_too": 0}
    ]
    (change,) = told["changes"]
    assert (change["from"], change["to"]) == ("aap-2018", "germany-2020")
    assert change["eligible"]["yes"] == {"yes": 3, "unknown": 0, "no": 1}
    assert change["differences"]["no-longer-eligible"] == ["a2"]
    assert change["differences"]["newly-eligible"] == []
    assert change["differences"]["later"] == ["a3", "a4"]
    assert change["due_later_by_days"] == {"0": 1, "7": 1}


def test_one_policy_alone_and_the_one_that_is_usual(ask: Ask) -> None:
    assert ask(REGISTER, "uk-2022")["changes"] == []
    assert [each["policy"] for each in ask(REGISTER)["policies"]] == ["aap-2018"]
    three = ask(REGISTER, "uk-2022", "uk-2008", "sweden-2020")
    assert [(each["from"], each["to"]) for each in three["changes"]] == [
        ("uk-2022", "uk-2008"), ("uk-2022", "sweden-2020"),
    ]  # fmt: skip


def in_columns(table: str) -> str:
    """The same register with the age in two columns, weights in kilograms, and other headings."""
    lines = ["Patient ID;Date of birth;GA (weeks);GA (days);Birth Weight [kg];At risk;Ward"]
    for line in table.splitlines()[1:]:
        id, born, age, grams, risk = line.split(",")
        weeks, _, days = age.partition("w")
        lines.append(f"{id};{born};{weeks};{days.rstrip('d')};{int(grams) / 1000};{risk or 'NA'};x")
    return "\n".join(lines)


def backwards(table: str) -> str:
    return "\n".join("\t".join(reversed(line.split(","))) for line in table.splitlines())


@pytest.mark.parametrize(
    "written",
    [
        REGISTER.encode("utf-8-sig"),
        REGISTER.replace("\n", "\r\n").encode(),
        REGISTER.replace("\n", "\n\n,,,,\n").encode(),
        gzip.compress(REGISTER.encode(), mtime=0),
        in_columns(REGISTER).encode(),
        backwards(REGISTER).encode(),
        REGISTER.replace("w3d", "+3").replace("31w2d", "31 2/7").replace("29w0d", "203 days").encode(),
        REGISTER.replace("780", "1 lb 11.5 oz").replace("1400", "1.4 kg").replace("05-01,", "05-01 00:00:00,").encode(),
        REGISTER.replace(",,", ",NA,").replace(",,", ",?,").encode(),
        REGISTER.replace("birth_weight", "BW").replace("born", "DOB").replace("risk", "Risk factors").encode(),
        REGISTER.replace("id,", "Größe,Record id,").replace("\na", "\n7 Löffel,a").encode("latin-1"),
    ],
)
def test_registers_are_written_in_many_ways(written: bytes, ask: Ask) -> None:
    wanted, found = ask(REGISTER, "aap-2018", "uk-2022"), ask(written, "aap-2018", "uk-2022")
    assert {**found, "said": ""} == {**wanted, "said": ""}
    assert "not read" not in found["said"]


def test_headings_that_nobody_knows_are_said(ask: Ask) -> None:
    assert "not used: Ward\n" in ask(in_columns(REGISTER))["said"]
    assert "not used" not in ask(REGISTER)["said"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("x,2031-06-01,40w0d,1.36,", "birth_weight 1.36 g is not a plausible birth weight"),
        ("x,2031-06-01,40w0d,\"1,360\",", "has a comma inside a number"),
        ("x,2031-06-01,40w0d,<3000,", "is not an exact value"),
        ("x,2031-06-01,40w0d,3000 stone,", "is not a unit known here"),
        ("x,2031-06-01,40,3000,", 'gestational_age_at_birth "40" may be weeks or days'),
        ("x,2031-06-01,38.4 weeks,3000,", "is ambiguous"),
        ("x,2031-06-01,60w0d,3000,", "is not a plausible gestational age"),
        ("x,2031-06-01,term,3000,", "is not a gestational age"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_takes_nobody_off_the_list(row: str, words: str, ask: Ask) -> None:
    """An infant of 40 weeks and 3000 g is outside; with one of the two not readable, that is not known."""
    (policy,) = ask(f"{HEADINGS}\n{row}\n")["policies"]
    assert (policy["selected"], policy["unknown"], policy["not_selected"]) == (0, 1, 0)
    told = ask(f"{HEADINGS}\n{row}\n")["said"]
    assert f"not read, 1 x: {words}" in told or words in told
    assert "1 value not read; what is not known of an infant takes nobody off a list" in told


@pytest.mark.parametrize("born", ["01/06/2031", "2031-02-30", "tomorrow", "20310601", "2031-06"])
def test_a_date_that_cannot_be_read_leaves_an_exam_without_a_date(born: str, ask: Ask) -> None:
    told = ask(f"{HEADINGS}\nx,{born},26w0d,800,\n")
    assert f'not read, 1 x: born "{born}" is not a date' in told["said"]
    assert told["policies"][0]["selected"] == told["policies"][0]["selected_without_date"] == 1
    assert told["policies"][0]["weeks"] == []


def test_without_any_date_of_birth_the_selection_is_told(tmp_path: Path, env: dict[str, str]) -> None:
    path = tmp_path / "register.csv"
    path.write_text("birth_weight\n800\n3000\n")
    told = call("cohort", path, "--policy", "canada-2016", "--policy", "uk-2022", env=env)
    assert told.returncode == 0
    assert "No first exam can be dated." in told.stdout
    assert "First exams that both date: none" in told.stdout
    rows = json.loads(call("cohort", path, "--json", env=env).stdout)
    assert [rows["policies"][0][key] for key in ("selected", "unknown", "not_selected")] == [1, 1, 0]


@pytest.mark.parametrize(
    ("risk", "selected"),
    [("", 0), ("no", 0), ("N", 0), ("0", 0), ("FALSE", 0), ("unknown", 0),
     ("yes", 1), ("1", 1), ("TRUE", 1), ("sepsis", 1), ("oxygen for 3 days", 1)],
)  # fmt: skip
def test_any_word_but_no_is_a_risk(risk: str, selected: int, ask: Ask) -> None:
    """AAP 2018: a heavier or older infant whom a clinician judges high-risk is examined."""
    (policy,) = ask(f"{HEADINGS}\nx,2031-06-01,34w0d,2300,{risk}\n")["policies"]
    assert (policy["selected"], policy["not_selected"]) == (selected, 1 - selected)


def test_a_long_register_shows_its_busiest_weeks(tmp_path: Path, env: dict[str, str]) -> None:
    """One infant a week for two years, and thirty more born on one day; ids are invented, one of them by a joker."""
    path = tmp_path / "register.csv"
    rows = [f"w{week},{date(2031, 1, 6) + timedelta(weeks=week)},29w0d,1100," for week in range(104)]
    rows += [f"d{n}\x1b[2J,2031-12-24,35w0d,1400," for n in range(30)]
    path.write_text("\n".join([HEADINGS, *rows]))
    told = call("cohort", path, "--policy", "aap-2018", "--policy", "sweden-2020", env=env)
    assert "\x1b" not in told.stdout
    assert "the 20 busiest of 105 weeks" in told.stdout
    # reference: AAP, the later of 31 weeks and 28 days: 28 days after Wednesday 2031-12-24, and one from the Monday
    assert "2032-01-19        31" in told.stdout
    assert "aap-2018       104           1.3    31  2032-01-19" in told.stdout
    listed = told.stdout.split("First exams")[1].split("policy")[0]
    assert sum(line.startswith("203") for line in listed.splitlines()) == 20
    # reference: Sweden 2020, below 30 weeks whatever the weight; at five weeks
    assert "First exams that both date: 104 later by 7 days" in told.stdout
    assert "No longer eligible, 30: d0[2J, d1[2J" in told.stdout
    assert told.stdout.count("[2J") == 20
    assert "and 10 more" in told.stdout


# --- real newborns ---------------------------------------------------------------------------------------------------


def as_table(table: DataFrame) -> str:
    """A register of real newborns as CSV, with the invented births that `as_fhir` gives them."""
    rows = {
        "id": [f"p{n}" for n in range(len(table))],
        "born": [(date(2031, 1, 1) + timedelta(days=n % 365)).isoformat() for n in range(len(table))],
        "completed_weeks": table.weeks,
        "birth_weight": [f"{value} {unit.strip('[_av]')}" for value, unit in table.sent],
    }
    return str(DataFrame(rows).to_csv(index=False))


@pytest.mark.parametrize("register", [nc_births, births_14])
def test_real_newborns_are_selected_as_the_guidelines_print_it(register: Any, ask: Ask) -> None:
    """Counted in the registers (core/test_real_newborns.py names them) by the criteria as printed."""
    table = register()
    told = ask(as_table(table), *SELECTED)
    for policy, (id, criteria) in zip(told["policies"], SELECTED.items(), strict=True):
        selected = criteria(table)
        unknown = ~selected & ~(table.weeks <= LAST_WEEK)
        assert policy["policy"] == id
        assert (policy["selected"], policy["unknown"]) == (selected.sum(), unknown.sum())
        assert policy["selected"] + policy["unknown"] + policy["not_selected"] == len(table)
    aap, uk = (SELECTED[id](table) for id in ("aap-2018", "uk-2022"))
    gone = told["changes"][0]["differences"]["no-longer-eligible"]
    assert gone == [f"p{n}" for n in table.index[aap & ~uk]]


@pytest.mark.parametrize("register", [nc_births, births_14])
def test_a_table_and_fhir_records_give_the_same_answer(register: Any, ask: Ask) -> None:
    table = register()
    records = "".join(f"{json.dumps(resource)}\n" for resource in as_fhir(table))
    policies = ("aap-2018", "new-zealand-newborn")
    as_csv, as_ndjson = ask(as_table(table), *policies), ask(records, *policies, name="register.ndjson")
    assert {**as_csv, "said": ""} == {**as_ndjson, "said": ""}
    assert as_csv["policies"][0]["selected"] >= 20


# --- bad input -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "FILE"),
        (["nowhere.csv"], "there is no such file"),
        (["service"], "is a folder"),
        (["pyproject.toml", "--policy", "uk-1066"], "there is no policy 'uk-1066'; known: aap-2006"),
        (["pyproject.toml", "--policy", "uk-2022", "--policy", "uk-2022"], "name each policy once"),
    ],
)
def test_wrong_use_is_said_and_exits_2(arguments: list[str], words: str, env: dict[str, str]) -> None:
    told = call("cohort", *arguments, env=env)
    assert words in told.stderr
    assert "Traceback" not in told.stderr
    assert (told.returncode, told.stdout) == (2, "")


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.csv", b"", "empty.csv is empty"),
        ("headings.csv", HEADINGS.encode(), "holds no record of an infant"),
        ("other.csv", b"ward,weight\nx,3000\n", "names neither birth_weight nor gestational_age_at_birth"),
        ("twice.csv", b"birth_weight,bw\n1,2\n", '"birth_weight" and "bw" both name the birth weight'),
        ("ages.csv", b"ga,ga_weeks\n26w,26\n", '"ga" and "ga_weeks" both name the gestational age'),
        ("picture.csv", b"\x89PNG\r\n\x1a\n\x00\x00", "names neither"),
        ("nul.csv", b"id,\x00birth_weight\r\n", "is not text"),
        ("wide.csv", "id,birth_weight\na,800\n".encode("utf-16"), "is not text"),
        ("open.csv", b'id,birth_weight\na,800\n"b,900\nc,1000\n', "is not a table after row 2"),
        ("long.csv", b"id,birth_weight\n" + b"x" * 200_000 + b",800\n", "is not a table after row 1"),
        ("cut.csv.gz", gzip.compress(REGISTER.encode() * 99, mtime=0)[:90], "is damaged"),
        ("broken.json", b'{"resourceType": "Patient", ', "holds no record of an infant"),
        ("other.json", b'{"resourceType": "Organization", "id": "o"}', "holds no record of an infant"),
        ("list.json", b"[]", "holds no record of an infant"),
    ],
)
def test_a_file_that_cannot_be_read_is_said_and_exits_1(
    name: str, content: bytes, words: str, tmp_path: Path, env: dict[str, str]
) -> None:
    (tmp_path / name).write_bytes(content)
    told = call("cohort", tmp_path / name, env=env)
    assert words in told.stderr
    assert "Traceback" not in told.stderr
    assert (told.returncode, told.stdout) == (1, "")


def test_records_about_nobody_are_said(tmp_path: Path, env: dict[str, str]) -> None:
    path = tmp_path / "unit.ndjson"
    path.write_text('{"resourceType": "Patient", "id": "p", "birthDate": "2031-05-01"}\n{"resourceType": "Obs\n')
    weight = {
        "resourceType": "Observation", "id": "w", "status": "final", "subject": {"reference": "Patient/p"},
        "code": {"coding": [{"system": "http://loinc.org", "code": "8339-4"}]},
        "valueQuantity": {"value": 1.36, "unit": "g", "system": "http://unitsofmeasure.org", "code": "g"},
    }  # fmt: skip
    path.write_text(path.read_text() + json.dumps(weight) + "\n")
    told = call("cohort", path, "--json", env=env)
    assert json.loads(told.stdout)["policies"][0]["unknown"] == 1
    assert "2 values not read" in told.stderr
    assert told.returncode == 1
