"""Every trouble that a mapping can answer is found from what readers really say, and an answer really answers it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest

from service.core.infant import Trouble
from service.errors import NotUnderstood
from service.fhir.mending import concept_of, diagnose, find_unknown, in_toml, options
from service.fhir.read import read_body
from service.fhir.sites import TEXT, Site, load_standard, parse_site
from service.fhir.terms import SYSTEM
from service.store.meanings import Meaning

MAPPINGS = Path(__file__).parents[2] / "mappings"
NOW = "2031-06-01T07:00:00.000000Z"
LOCAL = "urn:local"


@pytest.fixture(scope="module")
def site() -> Site:
    plain = {"id": "here", "name": "Here", "timezone": "Europe/Oslo", "policy": "aap-2018"}
    said: list[dict[str, Any]] = [
        {"code": "GA", "concept": "gestation"},
        {"code": "ZONE", "concept": "finding", "of": "zone"},
        {"code": "ROP", "concept": "finding"},
        {"code": "LASER", "concept": "treatment", "kind": "laser"},
        {"code": "BW", "concept": "birth_weight"},
        {"code": "SIDE", "concept": "finding", "of": "eyes"},
    ]
    codes = [{"system": LOCAL, **each} for each in said]
    return parse_site({**plain, "code": codes}, "here.toml", load_standard(MAPPINGS / "_standard.toml"))


def coded(code: str, system: str = LOCAL, **more: Any) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code, **more}]}


def observation(code: Any, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": "o-1", "status": "final", "code": code,
        "subject": {"reference": "Patient/p"}, "effectiveDateTime": "2031-05-30", **more,
    }  # fmt: skip


BODY_SITE = {"bodySite": coded("RE", display="Right eye")}
PROCEDURE = {
    "resourceType": "Procedure", "id": "p-1", "status": "completed", "code": coded("LASER"),
    "subject": {"reference": "Patient/p"}, "performedDateTime": "2031-05-30",
    "bodySite": [coded("RE", display="Eye, right")],
}  # fmt: skip

CASES: list[tuple[dict[str, Any], Trouble, str, str]] = [
    (
        observation(coded("BW"), valueQuantity={"value": 900, "unit": "GMZ"}),
        Trouble("word", "", "gmz", "", "birth_weight"), "g", "birth_weight",
    ),
    (
        observation(coded("BW"), valueString="900 gmz"),
        Trouble("word", "", "gmz", "", "birth_weight"), "g", "birth_weight",
    ),
    (
        observation(coded("GA"), valueQuantity={"value": 28, "unit": "semnas"}),
        Trouble("word", "", "semnas", "", "gestation"), "wk", "gestation",
    ),
    (
        observation(coded("BW"), valueQuantity={"value": 900}),
        Trouble("code", LOCAL, "BW", "", "unit"), "g", "birth_weight",
    ),
    (
        observation(
            {"coding": [{"code": "8339-4", "display": "Birth weight"}]}, valueQuantity={"value": 900, "unit": "g"}
        ),
        Trouble("code", "", "8339-4", "Birth weight", "Observation"), "birth_weight", "birth_weight",
    ),
    (
        observation(coded("GA"), valueCodeableConcept=coded("W28", display="28 weeks")),
        Trouble("finding", LOCAL, "W28", "28 weeks", "gestation"), "age", "gestation",
    ),
    (
        observation(coded("ZONE"), **BODY_SITE, valueCodeableConcept=coded("Z2")),
        Trouble("answer", LOCAL, "Z2", "", "zone"), "zone:II", "finding",
    ),
    (
        observation(coded("ROP"), **BODY_SITE, valueCodeableConcept=coded("S3", display="ROP 3")),
        Trouble("answer", LOCAL, "S3", "ROP 3", ""), "stage:3", "finding",
    ),
    (
        observation(coded("ZONE"), **BODY_SITE, valueCodeableConcept=coded("zone-II", SYSTEM)),
        Trouble("eye", LOCAL, "RE", "Right eye", "eyes"), "right", "finding",
    ),
    (
        observation(
            coded("ROP"),
            component=[
                {"code": coded("SIDE"), "valueCodeableConcept": coded("OD")},
                {"code": coded("ZONE"), "valueCodeableConcept": coded("zone-II", SYSTEM)},
            ],
        ),
        Trouble("eye", LOCAL, "OD", "", "eyes"), "right", "finding",
    ),
    (PROCEDURE, Trouble("eye", LOCAL, "RE", "Eye, right", "eyes"), "right", "treatment"),
]  # fmt: skip


@pytest.mark.parametrize(("resource", "trouble", "answer", "fact"), CASES, ids=lambda each: getattr(each, "code", ""))
def test_a_trouble_is_found_and_its_answer_reads_it(
    site: Site, resource: dict[str, Any], trouble: Trouble, answer: str, fact: str
) -> None:
    for _round in range(3):  # an answer may uncover the next trouble of the same resource
        (reading,) = read_body(json.dumps(resource).encode(), site, NOW)
        if not reading.rejections:
            break
        rejection = reading.rejections[0]
        found = diagnose(resource, rejection.path, rejection.reason, rejection.about, site)
        assert found is not None, rejection
        if _round == 0 and found != trouble:  # the eye is asked for after the answer
            assert found.section == "eye"
        key = answer if found == trouble else "right"
        option = next(option for option in options(found, site) if option.key == key)
        meaning = Meaning(found.section, found.system, found.code, concept_of(option, "28w"))
        assert tomllib.loads(in_toml(meaning.section, meaning.table)) == {meaning.section: [meaning.table]}
        site = site.having({meaning.section: [meaning.table]}, "test")
    (reading,) = read_body(json.dumps(resource).encode(), site, NOW)
    assert reading.rejections == ()
    assert fact in {each.name for each in reading.facts}


def test_every_option_makes_an_entry_that_a_site_file_may_hold(site: Site) -> None:
    troubles = [trouble for _, trouble, _, _ in CASES]
    troubles += [Trouble("code", LOCAL, "X", "", kind) for kind in ("Observation", "Procedure")]
    troubles += [Trouble("answer", TEXT, "bad words", "", "")]
    for trouble in troubles:
        offered = options(trouble, site)
        assert len({option.key for option in offered}) == len(offered) > 0
        for option in offered:
            given = {"age": "28w", "flag": "sepsis"}.get(option.asks, "")
            meaning = Meaning(trouble.section, trouble.system, trouble.code, concept_of(option, given))
            site.having({meaning.section: [meaning.table]}, "test")  # raises ConfigurationError
            assert tomllib.loads(in_toml(meaning.section, meaning.table)) == {meaning.section: [meaning.table]}


def test_what_a_mapping_cannot_answer_is_no_trouble_of_it(site: Site) -> None:
    for resource in (
        observation(coded("BW"), valueQuantity={"value": 0.9, "unit": "g"}),
        observation(coded("GA"), valueString="28.4 weeks"),
        observation(coded("GA"), valueString="28w", subject=None),
    ):
        (reading,) = read_body(json.dumps(resource).encode(), site, NOW)
        (rejection,) = reading.rejections
        assert diagnose(resource, rejection.path, rejection.reason, rejection.about, site) is None


def test_a_code_without_a_meaning_is_found_and_one_with_a_meaning_is_not(site: Site) -> None:
    assert find_unknown(observation(coded("HR", display="Heart rate")), site) == Trouble(
        "code", LOCAL, "HR", "Heart rate", "Observation"
    )
    assert find_unknown(observation({"text": "Apgar"}), site) == Trouble("code", TEXT, "apgar", "Apgar", "Observation")
    for known in (
        observation(coded("BW")),
        observation(coded("PANEL"), component=[{"code": coded("ZONE")}]),
        PROCEDURE,
    ):
        assert find_unknown(known, site) is None
    assert find_unknown({"resourceType": "Patient"}, site) is None
    assert find_unknown(observation(None), site) is None


@pytest.mark.parametrize("given", ["", "soon", "28.4", "12w"])
def test_an_age_that_is_none_is_refused(site: Site, given: str) -> None:
    (option,) = options(Trouble("finding", LOCAL, "W28", "", "gestation"), site)
    if given == "12w":
        assert concept_of(option, given) == {"age": "12w"}
        return
    with pytest.raises(NotUnderstood):
        concept_of(option, given)


def test_what_the_mapping_lacks_is_found_as_a_body_is_read(site: Site) -> None:
    pulse, unit = observation(coded("HR", display="Heart rate")), CASES[0][0]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": pulse}, {"resource": unit}]}
    lines = "\n".join(json.dumps(each) for each in (pulse, unit))
    for body in (json.dumps(bundle), lines):
        silent, refused = read_body(body.encode(), site, NOW)
        assert silent.silent == Trouble("code", LOCAL, "HR", "Heart rate", "Observation")
        assert [each.trouble for each in refused.rejections] == [CASES[0][1]]
        assert refused.silent is None


@pytest.mark.parametrize("code", ["x" * 301, "a\0b", "\ud800"])
def test_a_code_that_no_table_can_hold_is_no_trouble(site: Site, code: str) -> None:
    (reading,) = read_body(json.dumps(observation(coded(code))).encode(), site, NOW)
    assert reading.silent is None


def test_the_fingerprint_changes_with_what_is_read_and_with_nothing_else(site: Site) -> None:
    table = {"system": LOCAL, "code": "NEW", "concept": "weight"}
    changed = [
        site.having({"code": [table]}, "t"), site.having({"word": [{"says": "gmz", "means": "g"}]}, "t"),
        site.having({"finding": [{"system": LOCAL, "code": "NEW", "age": "28w"}]}, "t"),
        site.having({"eye": [{"system": LOCAL, "code": "NEW", "means": "left"}]}, "t"),
        site.having({"answer": [{"system": LOCAL, "code": "NEW", "of": "plus", "value": "none"}]}, "t"),
    ]  # fmt: skip
    assert len({each.fingerprint for each in [site, *changed]}) == 6
    again = site.having({"code": [{"system": LOCAL, "code": "GA", "concept": "gestation"}]}, "t")
    assert again.fingerprint == site.fingerprint
