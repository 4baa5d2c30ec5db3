"""Body weights on a day, for growth: never a birth weight, never the weight of somebody who is no infant.

Sources, where a row names one in short:
  R4       http://hl7.org/fhir/R4/observation.html, its vital-signs profiles and examples
  UCUM     https://ucum.org/ucum: [lb_av] is 453.59237 g
  design   a choice of this project, so that nothing is guessed
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from reading import LOCAL, LOINC, SNOMED, UCUM, observation, only, read_all, read_one, said, site

from service.core.infant import Weighing, assemble
from service.errors import ConfigurationError

DAY = {"effectiveDateTime": "2031-05-11"}


def grams(value: Any, unit: str | None = "g") -> dict[str, Any]:
    quantity = {"value": value, "unit": unit, "system": UCUM, "code": unit}
    return {"valueQuantity": {key: each for key, each in quantity.items() if each is not None}}


def weight(value: Any = 790, unit: str | None = "g", code: str = "29463-7", **more: Any) -> dict[str, Any]:
    return observation(code, **{**grams(value, unit), **DAY, **more})


@pytest.mark.parametrize(
    ("system", "code"),
    [(LOINC, "29463-7"), (LOINC, "3141-9"), (SNOMED, "27113001")],
    ids=["R4 body weight", "R4 example: body weight measured", "R4 example, UK Core: body weight"],
)
def test_every_standard_code(system: str, code: str) -> None:
    fact = only(read_one(observation(code, system, **grams(790), **DAY)))
    assert (fact.name, dict(fact.value), fact.patient, fact.rank, fact.certain) == (
        "weight", {"on": "2031-05-11", "grams": 790}, "p", 1, True,
    )  # fmt: skip


VALUES = [
    (grams(0.845, "kg"), 845, "UCUM kg"),
    (grams(2, "[lb_av]"), 907, "R4 Observation example, UCUM: 2 x 453.59237 g"),
    ({"valueString": "1 lb 12 oz"}, 794, "R4 value[x]; UCUM [oz_av] = [lb_av] / 16"),
    (grams("790"), 790, "a number sent as text: exact, so read (design)"),
    (grams(200), 200, "the lightest (design)"),
    (grams(20, "kg"), 20_000, "the heaviest, at two years (design)"),
    (grams(11_340), 11_340, "beyond any birth weight (design)"),
]


@pytest.mark.parametrize(("value", "expected", "source"), VALUES, ids=[row[2] for row in VALUES])
def test_a_weight_in_every_shape(value: dict[str, Any], expected: int, source: str) -> None:
    assert only(read_one(observation("29463-7", **value, **DAY))).value["grams"] == expected


DAYS = [
    ({"effectiveDateTime": "2031-05-11"}, "2031-05-11", "a day"),
    ({"effectiveDateTime": "2031-05-11T23:30:00Z"}, "2031-05-12", "the day at the site: Oslo, UTC+2 in May"),
    ({"effectiveDateTime": "2031-05-11T23:30:00+02:00"}, "2031-05-11", "with its own offset"),
    ({"effectiveInstant": "2031-05-11T08:00:00Z"}, "2031-05-11", "R4 effectiveInstant"),
    ({"effectivePeriod": {"start": "2031-05-11T06:00:00Z"}}, "2031-05-11", "R4 effectivePeriod"),
    (
        {"effectivePeriod": {"start": "2031-05-11T06:00:00Z", "end": "2031-05-11T06:05:00Z"}},
        "2031-05-11",
        "R4 effectivePeriod within a day",
    ),
]


@pytest.mark.parametrize(("effective", "day", "source"), DAYS, ids=[row[2] for row in DAYS])
def test_the_day_is_the_one_at_the_site(effective: dict[str, Any], day: str, source: str) -> None:
    fact = only(read_one(observation("29463-7", **grams(790), **effective)))
    assert fact.value["on"] == day


NO_DAY = [
    ({}, "Observation.effective", "names no day"),
    ({"effectiveDateTime": "2031-05"}, "Observation.effective", "R4 dateTime: a month is not a day"),
    ({"effectiveDateTime": "yesterday"}, "Observation.effective", "no date at all"),
    ({"effectiveDateTime": 20310511}, "Observation.effectiveDateTime", "wrong type"),
    ({"effectivePeriod": {"start": "2031-05-11", "end": "2031-05-14"}}, "Observation.effective", "several days"),
    ({"effectiveTiming": {"event": ["2031-05-11"]}}, "Observation.effective", "R4 effectiveTiming: not read"),
    ({"issued": "2031-05-11T08:00:00Z"}, "Observation.effective", "R4 issued: when it was made known, not measured"),
]


@pytest.mark.parametrize(("effective", "path", "why"), NO_DAY, ids=[row[2] for row in NO_DAY])
def test_a_weight_without_its_day_is_not_guessed(effective: dict[str, Any], path: str, why: str) -> None:
    reading = read_one(observation("29463-7", **grams(790), **effective))
    (rejection,) = reading.rejections
    assert (rejection.path, rejection.patient, rejection.about) == (path, "p", "weight")
    assert said(reading, "weight") == []


BAD = [
    (grams(0.845), "in kg it would be", "kilograms labelled grams"),
    (grams(790, "kg"), "in g it would be", "grams labelled kilograms"),
    (grams(199), "not a plausible weight of an infant (200 to 20000 g)", "too light (design)"),
    (grams(-790), "not a plausible weight", "below nothing"),
    (grams(790, None), "no unit", "design"),
    (grams(13, "stone"), "not a unit known", "design"),
    ({"valueString": "0,79 kg"}, "comma", "a fraction or thousands?"),
    ({}, "there is no value", "R4 Observation.value 0..1"),
]


@pytest.mark.parametrize(("value", "words", "source"), BAD, ids=[row[2] for row in BAD])
def test_what_could_be_an_infants_and_cannot_be_read_is_rejected(
    value: dict[str, Any], words: str, source: str
) -> None:  # fmt: skip
    reading = read_one(observation("29463-7", **value, **DAY))
    (rejection,) = reading.rejections
    assert (rejection.about, rejection.patient) == ("weight", "p") and words in rejection.reason
    assert [dict(fact.value)["of"] for fact in reading.facts] == ["weight"]


@given(st.integers(20_001, 300_000), st.sampled_from([{}, DAY, {"effectiveDateTime": "2031"}]))
def test_the_weight_of_somebody_who_is_no_infant_says_nothing(heavy: int, effective: dict[str, Any]) -> None:
    """Mothers are weighed in the same wards: no fact, and nothing on the list of what could not be read."""
    for value in (grams(heavy), grams(heavy / 1000, "kg")):
        reading = read_one(observation("29463-7", **value, **effective))
        assert (reading.facts, reading.rejections) == ((), ())


def test_a_weight_of_nobody_absent_on_purpose_or_asked_for_says_nothing() -> None:
    for body in (
        observation("29463-7", **DAY, dataAbsentReason={"coding": [{"code": "unknown"}]}),
        observation("29463-7", **DAY, status="registered"),
    ):
        assert (read_one(body).facts, read_one(body).rejections) == ((), ())


def test_a_birth_weight_that_also_has_the_general_code_is_a_birth_weight() -> None:
    """R4: a body weight has 29463-7 beside any code that says more."""
    codings = [{"system": LOINC, "code": "29463-7"}, {"system": LOINC, "code": "8339-4"}]
    fact = only(read_one({**weight(), "code": {"coding": codings}}))
    assert (fact.name, dict(fact.value)) == ("birth_weight", {"grams": 790})


def test_a_body_weight_is_never_a_birth_weight() -> None:
    """Not even on the day of birth."""
    person = read_all({"resourceType": "Patient", "id": "p", "birthDate": "2031-05-11"})
    readings = [*person, read_one(weight())]
    infant = assemble("p", [fact for reading in readings for fact in reading.facts], date(2031, 5, 12))
    assert infant.birth_weight.values == ()
    assert infant.weights == (Weighing(date(2031, 5, 11), 790),)


@pytest.mark.parametrize("body", [weight(), weight(0.79), observation("29463-7", **grams(790))])
def test_a_weight_alone_makes_nobody_a_newborn(body: dict[str, Any]) -> None:
    """Read or not: whoever is weighed may be anybody."""
    facts = read_one(body).facts
    assert facts and assemble("p", facts, date(2031, 5, 12)).record == "unborn-or-empty"


def test_a_weight_that_turns_unreadable_leaves_the_one_before_on_record() -> None:
    """Dropping it could drop an exam that too little gain asks for."""
    first = weight(meta={"versionId": "1"})
    second = weight(0.79, meta={"versionId": "2"})
    facts = [fact for body in (first, second) for fact in read_one(body).facts]
    assert assemble("p", facts, date(2031, 5, 12)).weights == (Weighing(date(2031, 5, 11), 790, certain=False),)
    gone = weight(status="entered-in-error", meta={"versionId": "3"})
    assert assemble("p", [*facts, *read_one(gone).facts], date(2031, 5, 12)).weights == ()


def test_a_code_without_its_system_may_be_anybodys_weight() -> None:
    """Unlike a birth weight, which is rejected with what to do (design)."""
    reading = read_one({**weight(), "code": {"coding": [{"code": "29463-7"}]}})
    assert (reading.facts, reading.rejections) == ((), ())


def test_a_panel_of_vital_signs_gives_its_weight_the_day_of_the_panel() -> None:
    """R4 vital-signs panel 85353-1 with components (common practice, no source)."""
    parts = [
        {"code": {"coding": [{"system": LOINC, "code": "29463-7"}]}, **grams(790)},
        {"code": {"coding": [{"system": LOINC, "code": "9843-4"}]}, **grams(24, "cm")},
    ]
    fact = only(read_one(observation("85353-1", **DAY, component=parts)))
    assert (fact.name, dict(fact.value)) == ("weight", {"on": "2031-05-11", "grams": 790})


def test_a_site_maps_its_own_code_or_switches_weights_off() -> None:
    here = site(code=[{"system": LOCAL, "code": "WT", "concept": "weight", "unit": "g"}])
    assert only(read_one(observation("WT", LOCAL, valueString="790", **DAY), here)).name == "weight"
    with pytest.raises(ConfigurationError, match="is not a unit of weight"):
        site(code=[{"system": LOCAL, "code": "WT", "concept": "weight", "unit": "wk"}])
    off = site(code=[{"system": LOINC, "code": "29463-7", "concept": "ignore"}])
    assert (read_one(weight(), off).facts, read_one(weight(), off).rejections) == ((), ())


def test_a_provisional_weight_is_not_certain() -> None:
    """R4 observation-status."""
    assert only(read_one(weight(status="preliminary"))).certain is False
