"""Mapping files are data with proofs: examples that run, check digits that hold, errors that say what to do."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest

from service.core.case import check_case, parse_case
from service.errors import ConfigurationError
from service.fhir.examples import run_examples
from service.fhir.sites import TEXT, Round, Site, SiteAuth, load_sites, load_standard, parse_site
from service.policies import VARIATIONS, read_variation, variation_files

ROOT = Path(__file__).parents[1]
MAPPINGS = ROOT / "mappings"
STANDARD = load_standard(MAPPINGS / "_standard.toml")
SITES = load_sites(MAPPINGS)
FILES = sorted(MAPPINGS.glob("*.toml"))


@pytest.mark.parametrize("site", SITES.values(), ids=SITES)
def test_every_example_of_a_site_holds(site: Site) -> None:
    assert run_examples(site) == []
    assert any(example.facts for example in site.examples)
    assert any(example.rejected for example in site.examples)


@pytest.mark.parametrize("site", SITES.values(), ids=SITES)
def test_every_local_meaning_of_a_site_is_shown_by_an_example(site: Site) -> None:
    """An entry no example uses is a guess: take it away and an example must fail."""
    for coding in site.codes.keys() - STANDARD.codes.keys():
        without = replace(site, codes={key: code for key, code in site.codes.items() if key != coding})
        assert run_examples(without), coding
    for word in site.measures.weights.keys() - STANDARD.measures.weights.keys():
        measures = replace(site.measures, weights={k: v for k, v in site.measures.weights.items() if k != word})
        assert run_examples(replace(site, measures=measures)), word
    for word in site.measures.ages.keys() - STANDARD.measures.ages.keys():
        measures = replace(site.measures, ages={k: v for k, v in site.measures.ages.items() if k != word})
        assert run_examples(replace(site, measures=measures)), word


@pytest.mark.parametrize("site", SITES.values(), ids=SITES)
def test_a_site_follows_a_policy_that_is_there_and_knows_its_risk_flags(site: Site) -> None:
    policy = tomllib.loads((ROOT / "service" / "policies" / f"{site.policy}.toml").read_text(encoding="utf-8"))
    flags = {code.flag for code in site.codes.values() if code.concept == "risk"}
    assert flags <= set(policy.get("risk_flags", {}))


def test_the_three_demonstration_sites_differ_in_place_policy_and_style() -> None:
    assert len(SITES) == 3
    assert len({site.timezone.key for site in SITES.values()}) == 3
    assert {site.policy for site in SITES.values()} == {"aap-2018", "uk-2022", "india-nnf-2010"}
    assert all(site.publish.channels == () and site.publish.intent == "proposal" for site in SITES.values())
    assert all(site.base_url is None for site in SITES.values())


def codes() -> Iterator[tuple[str, str]]:
    for path in FILES:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        for table in [*data.get("code", []), *data.get("finding", [])]:
            if "code" in table:
                yield table["system"], table["code"]


def mod10(digits: str) -> int:
    """LOINC's check digit (Luhn). Source: LOINC Users' Guide, appendix on the check digit."""
    doubled = [int(d) * (2 - n % 2) for n, d in enumerate(reversed(digits))]
    return -sum(d // 10 + d % 10 for d in doubled) % 10


def verhoeff(digits: str) -> bool:
    """SNOMED CT's check digit. Source: SNOMED CT Technical Implementation Guide, Verhoeff's dihedral check."""

    def times(a: int, b: int) -> int:
        """The dihedral group of a pentagon: 0-4 rotations, 5-9 reflections."""
        if a < 5:
            return (a + b) % 5 + (5 if b >= 5 else 0) if b < 5 else (a + b - 5) % 5 + 5
        return (a - 5 - b) % 5 + 5 if b < 5 else (a - b) % 5

    step = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)
    check = 0
    for place, digit in enumerate(reversed(digits)):
        value = int(digit)
        for _ in range(place % 8):
            value = step[value]
        check = times(check, value)
    return check == 0


def test_the_check_digits_themselves_are_checked() -> None:
    """LOINC 8339-4 is right and 3150-6 is known wrong; SNOMED CT 364589006 is right and 36189003 is known wrong."""
    assert (mod10("8339"), mod10("3150")) == (4, 0)
    assert verhoeff("364589006") and not verhoeff("36189003")


@pytest.mark.parametrize(("system", "code"), sorted(set(codes())))
def test_every_standard_code_has_the_right_check_digit(system: str, code: str) -> None:
    if system == "http://loinc.org":
        number, digit = code.split("-")
        assert mod10(number) == int(digit)
    elif system == "http://snomed.info/sct":
        assert verhoeff(code)
    else:
        assert system.split("/")[2].endswith(".example"), "a local code of an invented site"


NEVER = {
    "73769-2": "infections during this pregnancy, not gestational age (LOINC table about 2.68)",
    "8335-2": "estimated body weight (LOINC table)",
    "75205-5": "birth weight indicator, not a weight (LOINC table)",
    "301334000": "birth weight centile (NHS maternity)",
    "57036006": "fetal gestational age, on the mother during pregnancy (nl-core)",
    "11778-8": "expected date of delivery (IPS)",
    "268477000": "term unverified",
}


@pytest.mark.parametrize(("code", "why"), NEVER.items(), ids=NEVER)
def test_codes_that_mean_something_else_are_not_mapped(code: str, why: str) -> None:
    assert code not in {known for _, known in [*STANDARD.codes, *STANDARD.findings]}, why


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_entry_of_the_standard_names_its_source(path: Path) -> None:
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    if path.name == "_standard.toml":
        for kind in ("code", "finding", "weight_unit", "age_unit", "part"):
            assert data[kind] and all(table.get("source") for table in data[kind])


GOOD: dict[str, Any] = {"id": "here", "name": "Here", "timezone": "Europe/Oslo", "policy": "aap-2018"}


def parse(**more: Any) -> Site:
    return parse_site({**GOOD, **more}, "here.toml", STANDARD)


def code(**more: Any) -> dict[str, Any]:
    return {"code": [{"system": "https://x.example", "code": "A", "concept": "birth_weight", **more}]}


BAD = [
    # what is wrong, and what the error must say
    ({"id": None}, "here.toml.id: is missing"),
    ({"id": "Over There"}, "here.toml.id: 'Over There' is not lower-case letters"),
    ({"name": "  "}, "here.toml.name: must not be empty"),
    ({"name": 5}, "here.toml.name: must be text"),
    ({"timezone": "Europe/Nowhere"}, "here.toml.timezone: 'Europe/Nowhere' is not an IANA time zone"),
    ({"timezone": "../etc/passwd"}, "is not an IANA time zone"),
    ({"colour": "blue"}, "here.toml.colour: is not a key known here (allowed: name, "),
    ({"server": {"base_url": "ftp://x.example"}}, "here.toml.server.base_url: must be an http or https address"),
    ({"server": {"base_url": "https://x.example?a=b"}}, "must be an http or https address"),
    ({"server": {}}, "here.toml.server.base_url: is missing"),
    ({"server": "https://x.example"}, "here.toml.server: must be a table"),
    ({"server": {"base_url": "https://x.example", "auth": "oauth"}}, "(allowed: none, bearer, basic, smart-backend)"),
    ({"server": {"base_url": "https://x.example", "auth": "bearer"}}, "here.toml.server.token: is missing"),
    ({"server": {"base_url": "https://x.example", "auth": "bearer", "token": "s3cret!"}}, "environment variable"),
    ({"server": {"base_url": "https://x.example", "token": "TOKEN"}}, "server.token: is not a key known here"),
    ({"hook": {"secret": "hunter2"}}, "here.toml.hook.secret: must be the name of an environment variable"),
    ({"hook": {"secret": ["A", "B", "C"]}}, "or two during a change"),
    ({"hook": {}}, "here.toml.hook.secret: must be the name"),
    ({"identifiers": {"show": "x"}}, "here.toml.identifiers.shown: is missing"),
    ({"units": {"Location/a": 5}}, "here.toml.units.Location/a: must be text"),
    ({"publish": {"intent": "command"}}, "(allowed: proposal, plan, order)"),
    ({"publish": {"channels": ["fax"]}}, "here.toml.publish.channels: 'fax' is not a channel (allowed: fhir_task)"),
    ({"publish": {"channels": [7]}}, "must be a list of texts"),
    ({"publish": {"owner_system": "x"}}, "owner_value go together"),
    ({"round": {}}, "here.toml.round.start: is missing"),
    ({"round": {"start": "8 am"}}, "here.toml.round.start: '8 am' is not a time of day such as 08:00"),
    ({"round": {"start": "24:00"}}, "is not a time of day"),
    ({"round": {"start": "08:00", "weekdays": ["mo"]}}, "'mo' is not a weekday (allowed: monday, tuesday, "),
    ({"round": {"start": "08:00", "drops_before_minutes": 241}}, "round.drops_before_minutes: must be minutes from 0"),
    ({"round": {"start": "00:30", "drops_before_minutes": 31}}, "on the day of the round"),
    ({"round": {"start": "08:00", "at": "x"}}, "here.toml.round.at: is not a key known here"),
    ({"silent_after_hours": 0}, "here.toml.silent_after_hours: must be one hour or more"),
    (code(concept="length"), "here.toml.code[0].concept: 'length' is not known here (allowed: birth_weight, weight, "),
    (code(rank=0), "here.toml.code[0].rank: must be 1 to 9"),
    (code(rank=True), "here.toml.code[0].rank: must be a whole number"),
    (code(unit="weeks"), "here.toml.code[0].unit: 'weeks' is not a unit of birth_weight"),
    (code(flag="sepsis"), "here.toml.code[0].flag: goes with concept"),
    (code(concept="risk"), "here.toml.code[0].flag: goes with concept"),
    (code(concept="risk", flag="Very Ill"), "is not one lower-case word"),
    (code(part="half"), "(allowed: weeks, days, pounds, ounces, whole)"),
    (code(sort="x"), "here.toml.code[0].sort: is not a key known here"),
    ({"code": [{"code": "A", "concept": "ignore"}]}, "needs system and code"),
    ({"code": [{"text": "a", "code": "A", "concept": "ignore"}]}, "needs system and code"),
    ({"code": [{"text": "a", "concept": "ignore"}, {"text": "A", "concept": "ignore"}]}, "'a' is given twice"),
    ({"code": {"system": "x"}}, "here.toml.code: must be a list of tables"),
    ({"finding": [{"system": "x", "code": "1", "age": "28"}]}, "finding[0].age: '28' is not a gestational age"),
    ({"word": [{"says": "stone", "means": "stones"}]}, "here.toml.word[0].means: 'stones' is not a unit known here"),
    ({"example": [{"says": "x"}]}, "here.toml.example[0].resource: is missing"),
    ({"example": [{"says": "x", "resource": "{}", "rejected": "Patient.id"}]}, "goes with rejected"),
    ({"example": [{"says": "x", "resource": "{}", "fact": [{"name": "born"}]}]}, "fact[0].value: is missing"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "words"), BAD, ids=[row[1] for row in BAD])
def test_a_wrong_site_file_is_refused_with_its_path_and_the_words_allowed(more: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse(**more)
    assert words in str(caught.value)


def test_a_site_file_says_where_secrets_are_and_never_what_they_are() -> None:
    server = {"base_url": "https://x.example/fhir/", "auth": "smart-backend", "client_id": "X_CLIENT", "key": "X_KEY"}
    site = parse(server={**server, "scope": "system/Task.cru"}, hook={"secret": ["X_HOOK_NEW", "X_HOOK_OLD"]})
    assert site.base_url == "https://x.example/fhir"
    assert site.auth == SiteAuth("smart-backend", client_id="X_CLIENT", key="X_KEY", scope="system/Task.cru")
    assert site.auth.variables == ("X_CLIENT", "X_KEY")
    assert site.hook_secrets == ("X_HOOK_NEW", "X_HOOK_OLD")
    basic = parse(server={"base_url": "http://127.0.0.1:8080", "auth": "basic", "user": "U", "password": "P"})
    assert basic.auth.variables == ("U", "P")


def test_a_round_says_when_the_drops_go_in() -> None:
    site = parse(round={"start": "08:00", "weekdays": ["monday", "thursday"], "drops_before_minutes": 75})
    assert site.round == Round(time(8, 0), frozenset({0, 3}), 75)
    assert site.round.drops_at == time(6, 45)
    bare = parse(round={"start": "13:30"})
    assert bare.round == Round(time(13, 30)) and bare.round.drops_at is None


def test_what_a_site_leaves_out_has_a_safe_default() -> None:
    site = parse()
    assert (site.base_url, site.auth, site.hook_secrets, site.identifier_system) == (None, SiteAuth(), (), None)
    assert (site.publish.intent, site.publish.channels, site.publish.owner) == ("proposal", (), "Here")
    assert (site.round, site.silent_after_hours) == (None, None)


def test_a_unit_is_found_by_reference_or_name_nearest_first() -> None:
    site = parse(units={"Location/ward": "Ward", "Room 3": "High care"})
    assert site.unit_for("Location/bed", "room 3", "Location/ward") == "High care"
    assert site.unit_for(None, "Location/ward") == "Ward"
    assert site.unit_for("Location/elsewhere") is None


def test_an_entry_of_a_site_replaces_the_standard_one() -> None:
    site = parse(code=[{"system": "LN", "code": "11884-4", "concept": "gestation", "rank": 1}])
    assert site.codes["http://loinc.org", "11884-4"].rank == 1
    assert STANDARD.codes["http://loinc.org", "11884-4"].rank == 2
    words = parse(code=[{"text": "Geburtsgewicht", "concept": "birth_weight"}])
    assert words.codes[TEXT, "geburtsgewicht"].concept == "birth_weight"


FILE_ERRORS = [
    ("id = ", "other.toml: is not valid TOML"),
    ('id = "here"\nname = "Here"\ntimezone = "UTC"\npolicy = "p"', "other.toml.id: must be 'other'"),
]


@pytest.mark.parametrize(("text", "words"), FILE_ERRORS, ids=[row[1] for row in FILE_ERRORS])
def test_a_folder_with_a_wrong_file_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "_standard.toml").write_bytes((MAPPINGS / "_standard.toml").read_bytes())
    (tmp_path / "other.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError, match=words.replace(".", r"\.")):
        load_sites(tmp_path)


def test_a_folder_without_the_standard_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"_standard\.toml: does not exist; copy the program's own"):
        load_sites(tmp_path)


STANDARD_ERRORS = [
    ('[[weight_unit]]\ngrams = "one"\nwords = ["g"]\nsource = "x"', "weight_unit[0].grams: must be a number"),
    ('[[weight_unit]]\ngrams = "0"\nwords = ["g"]\nsource = "x"', "weight_unit[0].grams: must be more than zero"),
    ('[[weight_unit]]\ngrams = "1"\nwords = ["g"]', "weight_unit[0].source: is missing"),
    ('[[age_unit]]\ndays = "7"\nwords = ["w"]\nsource = "x"\n[[age_unit]]\ndays = "1"\nwords = ["W"]\nsource = "x"',
     "age_unit[1].words: 'W' already means something else"),
    ('[[part]]\npart = "months"\nwords = ["m"]\nsource = "x"', "(allowed: weeks, days, pounds, ounces)"),
    ('[unit]', "_standard.toml.unit: is not a key known here"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "words"), STANDARD_ERRORS, ids=[row[1] for row in STANDARD_ERRORS])
def test_a_wrong_standard_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "_standard.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError) as caught:
        load_standard(tmp_path / "_standard.toml")
    assert words in str(caught.value)


WEIGHT = '{"resourceType":"Observation","id":"w","status":"final","code":{"coding":[{"system":"http://loinc.org",'
WEIGHT += '"code":"8339-4"}]},"subject":{"reference":"Patient/p"},"valueQuantity":{"value":780,"code":"g"}}'
FAILING = [
    ({"fact": [{"name": "birth_weight", "value": {"grams": 781}}]}, "it should say birth_weight {'grams': 781}"),
    ({}, "which the example does not expect"),
    ({"fact": [{"name": "birth_weight", "value": {"grams": 780}, "patient": "q"}]}, "of q, but does not"),
    ({"fact": [{"name": "birth_weight", "value": {"grams": 780}, "rank": 2}]}, "but does not"),
    ({"fact": [{"name": "birth_weight", "value": {"grams": 780}, "certain": False}]}, "but does not"),
    ({"rejected": "Observation.status", "because": "odd"}, "but: nothing is rejected"),
]


@pytest.mark.parametrize(("example", "words"), FAILING, ids=[row[1] for row in FAILING])
def test_an_example_that_does_not_hold_is_told_in_a_sentence(example: dict[str, Any], words: str) -> None:
    problems = run_examples(parse(example=[{"says": "a weight", "resource": WEIGHT, **example}]))
    assert problems and all(problem.startswith("here: a weight: ") for problem in problems)
    assert words in " ".join(problems)


def test_an_unexpected_rejection_fails_an_example() -> None:
    (problem,) = run_examples(parse(example=[{"says": "a weight", "resource": WEIGHT.replace("780", "0.78")}]))
    assert problem == (
        "here: a weight: it cannot be read: Observation.valueQuantity.value 0.78 g is not a plausible birth weight "
        "(200 to 7000 g); in kg it would be, so the unit may be wrong"
    )


@pytest.mark.parametrize("path", variation_files(MAPPINGS / VARIATIONS), ids=lambda path: path.stem)
def test_every_example_of_a_variation_holds(path: Path) -> None:
    policy = read_variation(path)
    cases = [parse_case(example, path.name) for example in policy.examples]
    assert cases
    assert [problem for case in cases for problem in check_case(case, policy, date(2031, 1, 1))] == []
