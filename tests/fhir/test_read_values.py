"""Every way a birth weight or a gestational age at birth comes in, each with where that way was seen.

Sources, where a row names one in short:
  BFDR     HL7 Vital Records Birth and Fetal Death Reporting, github.com/HL7/fhir-bfdr, example resources
  eCQM     github.com/cqframework/ecqm-content-qicore-2024, CMS1028 perinatal test patients
  KBV      KBV MIO U-Heft 1.0.x, profiles U1_Birth_Weight and U1_U3_Length_Gestation_At_Birth
  CZ       HL7 Czech hospital discharge report (HL7-cz/hdr): valueString "39+6"
  NL       Nictiz/Nictiz-R4-zib2020 examples: unit "w", code {w}
  MII      medizininformatik-initiative kerndatensatzmodul-seltene-erkrankungen: wk "Wochen"
  v2       HL7/v2-to-fhir OBX map: SN with "+" to valueString, ":" or "/" to Ratio, "-" to Range
  UCUM     https://ucum.org/ucum
  R4       http://hl7.org/fhir/R4/observation.html and its examples
  design   a choice of this project, so that nothing is guessed
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from reading import LOCAL, LOINC, SNOMED, UCUM, observation, only, read_one, said, site

from service.core.ages import Gestation


def grams(value: Any, unit: str | None = "g", code: str | None = "g", **more: Any) -> dict[str, Any]:
    quantity = {"value": value, "unit": unit, "system": UCUM if code else None, "code": code, **more}
    return {"valueQuantity": {k: v for k, v in quantity.items() if v is not None}}


def part(words: str, value: int, **unit: str) -> dict[str, Any]:
    return {"code": {"text": words}, "valueQuantity": {"value": value, **unit}}


WEIGHTS = [
    # value, grams, source
    (grams(2500, unit=None), 2500, "BFDR: code g, no unit"),
    (grams(780, code=None), 780, "fhir.md 3.3: unit without code"),
    (grams(780, unit="grams", code=None), 780, "unit word, common practice"),
    (grams(780, unit="Gramm", code=None), 780, "unit word, common practice"),
    (grams(780, unit="gr", code=None), 780, "unit word, common practice"),
    (grams(780, unit="G", code=None), 780, "common practice: units typed in capitals"),
    (grams(0.885, unit="kg", code="kg"), 885, "UCUM kg"),
    ('{"value": 3.2540948513714594, "code": "kg"}', 3254, "Synthea: 16-digit decimals"),
    ('{"value": 1.12E3, "code": "g"}', 1120, "R4 decimal example: exponents"),
    ('{"value": 1120.50, "code": "g"}', 1121, "R4 decimal; half a gram rounds up (design)"),
    ('{"value": 0.7805, "code": "kg"}', 781, "780.5 g exactly, which a float would make 780.4999 (design)"),
    (grams(2, unit="lbs", code="[lb_av]"), 907, "R4 Observation example: 'lbs' with [lb_av]; UCUM 453.59237 g"),
    (grams(28, unit="oz", code="[oz_av]"), 794, "UCUM [oz_av] = 28.349523125 g"),
    ({"component": [part("pounds", 1, code="[lb_av]"), part("ounces", 12, code="[oz_av]")]}, 794, "from memory"),
    ({"component": [part("oz", 12, unit="oz"), part("lb", 1, unit="lb")]}, 794, "from memory; in any order"),
    ({"valueString": "780 g"}, 780, "R4 allows valueString; v2 OBX-2 ST"),
    ({"valueString": " 0.78 kg "}, 780, "v2 OBX-2 ST"),
    ({"valueString": "1 lb 12 oz"}, 794, "v2 OBX-2 ST, common practice"),
    (grams("780"), 780, "a number sent as text: exact, so read (design)"),
    ({**grams(780), "valueString": "0.78 kg"}, 780, "two values that agree (design)"),
    (grams(200), 200, "lower bound of what is plausible (design)"),
    (grams(7000), 7000, "upper bound of what is plausible (design)"),
    (grams(780, extension=[{"url": "https://x.example/scale", "valueString": "bed"}]), 780, "extensions, seen"),
]


@pytest.mark.parametrize(("value", "expected", "source"), WEIGHTS, ids=[row[2] for row in WEIGHTS])
def test_birth_weight_in_every_shape(value: Any, expected: int, source: str) -> None:
    fact = only(read_one(resource(observation("8339-4"), value)))
    assert (fact.name, dict(fact.value), fact.patient, fact.rank) == ("birth_weight", {"grams": expected}, "p", 1)


def resource(base: dict[str, Any], value: Any) -> object:
    """The Observation with a value; a text is the Quantity's own JSON, so that digits reach the reader untouched."""
    if isinstance(value, dict):
        return {**base, **value}
    return json.dumps(base)[:-1] + f', "valueQuantity": {value}}}'


BAD_WEIGHTS = [
    # value, path, words of the reason, source
    (grams(0.885), "valueQuantity.value", "in kg it would be", "clinical.md 9: kilograms labelled grams"),
    (grams(885, unit="kg", code="kg"), "valueQuantity.value", "in g it would be", "grams labelled kilograms"),
    (grams(15000), "valueQuantity.value", "not a plausible birth weight", "clinical.md 9: 15000"),
    (grams(199), "valueQuantity.value", "not a plausible birth weight", "design"),
    (grams(7001), "valueQuantity.value", "not a plausible birth weight", "design"),
    (grams(-780), "valueQuantity.value", "not a plausible birth weight", "design"),
    (grams(0), "valueQuantity.value", "not a plausible birth weight", "design"),
    (grams("2,5", unit="kg", code="kg"), "valueQuantity.value", "comma", "clinical.md 9: '2,5'"),
    ({"valueString": "2,5 kg"}, "valueString", "comma", "clinical.md 9: '2,5'"),
    ({"valueString": "1,200 g"}, "valueString", "comma", "thousands or a fraction"),
    (grams(780, comparator="<"), "valueQuantity.comparator", "not an exact value", "R4 Quantity.comparator"),
    ({"valueString": "<780 g"}, "valueString", "not an exact value", "R4 Quantity.comparator, as text"),
    (grams(780, unit=None, code=None), "valueQuantity.value", "no unit", "design"),
    ({"valueInteger": 780}, "valueInteger", "no unit", "design"),
    ({"valueString": "780"}, "valueString", "no unit", "design"),
    (grams(780, unit="kg", code="g"), "valueQuantity.unit", "its code says", "unit and code disagree"),
    (grams(50, unit="%", code="%"), "valueQuantity.unit", "not a unit known", "a centile is no weight"),
    (grams(780, unit="d", code="d"), "valueQuantity.value", "not a unit of a weight", "design"),
    (grams(780, unit="stone", code=None), "valueQuantity.unit", "not a unit known", "design"),
    (grams(True), "valueQuantity.value", "should be a number", "wrong type"),
    (grams([780]), "valueQuantity.value", "should be a number", "wrong type"),
    ({"valueQuantity": 780}, "valueQuantity", "should be an object", "wrong type"),
    ({"valueQuantity": [grams(780)]}, "valueQuantity", "should be an object", "wrong type"),
    ({"valueString": "seven hundred"}, "valueString", "not a weight", "design"),
    ({"valueBoolean": True}, "valueBoolean", "not a way to give a weight", "R4 value[x]"),
    ({"valueCodeableConcept": {"text": "780 g"}}, "valueCodeableConcept", "not a way", "R4 value[x]"),
    ({"valueQuantity": {"unit": "g"}}, "valueQuantity.value", "is missing", "R4 Quantity.value 0..1"),
    ({}, "value", "there is no value", "R4 Observation.value 0..1"),
    ({**grams(780), "valueString": "790 g"}, "valueString", "says 790", "two values that disagree"),
    ({"component": [part("pounds", 1, unit="lb"), part("ounces", 17, unit="oz")]}, "component[1].valueQuantity.value",
     "more than one", "17 ounces are no remainder"),
    ({"component": [part("colour", 1, unit="lb")]}, "component", "none of the components", "design"),
    ('{"value": 1E+999999, "code": "g"}', "valueQuantity.value", "not a plausible", "R4 decimal example: extremes"),
    ('{"value": 1e-245, "code": "g"}', "valueQuantity.value", "not a plausible", "R4 decimal example: extremes"),
    ('{"value": 1e99999999999999999999, "code": "g"}', "valueQuantity.value", "can be read", "beyond any number"),
    ('{"value": NaN, "code": "g"}', "valueQuantity.value", "can be read", "not JSON, but sent"),
    ('{"value": ' + "9" * 5000 + ', "code": "g"}', "valueQuantity.value", "not a plausible", "a number without end"),
    ('{"value": 780, "value": 790, "code": "g"}', "valueQuantity.value", "given twice", "duplicate key"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "path", "words", "source"), BAD_WEIGHTS, ids=[f"{r[1]} {r[3]}" for r in BAD_WEIGHTS])
def test_birth_weight_that_would_have_to_be_guessed_is_rejected(value: Any, path: str, words: str, source: str) -> None:
    reading = read_one(resource(observation("8339-4"), value))
    rejected(reading, f"Observation.{path}", words, "birth_weight")


def rejected(reading: Any, path: str, words: str, about: str) -> None:
    """One rejection with that path and reason, the matching `unreadable` fact, and nothing else."""
    (rejection,) = reading.rejections
    assert rejection.path == path
    assert words in rejection.reason
    assert (rejection.patient, rejection.about, rejection.resource) == ("p", about, "Observation/o")
    (fact,) = reading.facts
    assert (fact.name, fact.value["of"], fact.value["reason"]) == ("unreadable", about, rejection.reason)


def weeks(value: Any, unit: str | None = "weeks", code: str | None = "wk") -> dict[str, Any]:
    return grams(value, unit, code)


def week_range(low: int | None, high: int | None, unit: str = "wk") -> dict[str, Any]:
    ends = {"low": low, "high": high}
    return {"valueRange": {key: {"value": end, "code": unit} for key, end in ends.items() if end is not None}}


def ratio(top: dict[str, Any], bottom: dict[str, Any]) -> dict[str, Any]:
    return {"valueRatio": {"numerator": top, "denominator": bottom}}


def finding(code: str) -> dict[str, Any]:
    return {"valueCodeableConcept": {"coding": [{"system": SNOMED, "code": code}]}}


AGES = [
    # value, age, source
    (weeks(36, unit=None), "36w", "BFDR and eCQM: code wk, no unit; completed weeks"),
    (grams(236, unit=None, code="d"), "33w5d", "BFDR: 236 d is 33w5d"),
    (weeks(37, unit="week"), "37w", "US Quality Core: wk 'week'"),
    (weeks(29, unit="Wochen"), "29w", "MII: wk 'Wochen'"),
    (weeks(28, unit="w", code="{w}"), "28w", "NL: unit w, code {w}"),
    (weeks(28, unit="{weeks}", code=None), "28w", "fhir.md 3.3: {weeks}"),
    (weeks(28, code=None), "28w", "unit word alone"),
    ('{"value": 28.0, "code": "wk"}', "28w", "28.0 is 28: whole completed weeks (design)"),
    (grams(199, unit="Tage", code=None), "28w3d", "unit word, common practice"),
    ({"valueString": "39+6"}, "39w6d", "CZ"),
    ({"valueString": "28+3"}, "28w3d", "fhir.md 3.3"),
    ({"valueString": " 28 + 3"}, "28w3d", "v2: SN '28^+^3' to valueString"),
    ({"valueString": "28w3d"}, "28w3d", "fhir.md 3.3"),
    ({"valueString": "28 3/7"}, "28w3d", "fhir.md 3.3"),
    ({"valueString": "28+3/7"}, "28w3d", "common practice in the UK and Germany"),
    ({"valueString": "28+3 SSW"}, "28w3d", "common practice in Germany"),
    ({"valueString": "40W 0D"}, "40w0d", "growth-chart app, load-fhir-data.js"),
    ({"valueString": "28 weeks 3 days"}, "28w3d", "fhir.md 3.3"),
    ({"valueString": "28 weeks, 3 days"}, "28w3d", "fhir.md 3.3, with a comma between the parts"),
    ({"valueString": "28 weeks and 3 days"}, "28w3d", "common practice"),
    ({"valueString": "28 Wochen und 3 Tage"}, "28w3d", "common practice"),
    ({"valueString": "28 weeks"}, "28w", "fhir.md 3.3: completed weeks"),
    ({"valueString": "28 completed weeks"}, "28w", "BFDR: 'completed weeks'"),
    ({"valueString": "199 days"}, "28w3d", "days as text"),
    ({"component": [part("schwangerschaftswochen", 28, code="wk"), part("schwangerschaftstage", 3, code="d")]},
     "28w3d", "KBV: sliced by component.code.text, no root value"),
    ({"component": [part("Schwangerschaftstage", 3), part("Schwangerschaftswochen", 28)]}, "28w3d", "KBV: no units"),
    ({"component": [part("schwangerschaftswochen", 28, code="wk")]}, "28w", "KBV: each part is 0..1"),
    ({**weeks(28), "component": [part("weeks", 28, unit="wk"), part("days", 3, unit="d")]}, "28w3d",
     "a value and components that agree: the narrower one counts (design)"),
    (week_range(28, 29), "28w0d..29w6d", "v2: SN '28^-^29' to Range"),
    (week_range(196, 200, "d"), "28w0d..28w4d", "R4 valueRange"),
    (ratio({"value": 28, "unit": "weeks"}, {"value": 3, "unit": "days"}), "28w3d", "v2: SN ':' to Ratio"),
    (ratio({"value": 28}, {"value": 3}), "28w3d", "v2: SN '28^:^3' to Ratio, no units"),
    (ratio({"value": 199}, {"value": 7}), "28w3d", "199/7 weeks"),
    (finding("90797000"), "28w", "SNOMED CT: Gestation period, 28 weeks (finding); eCQM value set"),
    (finding("45139008"), "29w", "SNOMED CT: … 29 weeks; eCQM value set"),
    (finding("71355009"), "30w", "SNOMED CT: … 30 weeks; eCQM value set"),
    (finding("64920003"), "31w", "SNOMED CT: … 31 weeks; eCQM value set"),
    (finding("7707000"), "32w", "SNOMED CT: … 32 weeks; eCQM value set"),
    ({"valueCodeableConcept": {"text": "28+3"}}, "28w3d", "v2: CWE with text only"),
    (grams(140, code="d", unit="d"), "20w0d", "lowest plausible age (design)"),
    (grams(314, code="d", unit="d"), "44w6d", "highest plausible age (design)"),
    (weeks(20), "20w", "lowest plausible week (design)"),
    (weeks(44), "44w", "highest plausible week (design)"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "expected", "source"), AGES, ids=[f"{row[1]} {row[2]}" for row in AGES])
def test_gestational_age_in_every_shape(value: Any, expected: str, source: str) -> None:
    fact = only(read_one(resource(observation("76516-4"), value)))
    age = Gestation.parse(expected)
    assert (fact.name, dict(fact.value)) == ("gestation", {"low": age.low, "high": age.high})
    assert (fact.patient, fact.rank, fact.certain) == ("p", 1, True)


def test_an_age_at_birth_in_two_components_coded_in_snomed() -> None:
    """The same two parts under SNOMED CT 412726003 (KBV, NHS maternity record), and told apart by local codes."""
    coding = {"system": LOCAL, "code": "28-of-28+3"}
    here = site(code=[
        {"system": LOCAL, "code": "28-of-28+3", "concept": "gestation", "part": "weeks"},
        {"system": LOCAL, "code": "3-of-28+3", "concept": "gestation", "part": "days"},
    ])  # fmt: skip
    components = [
        {"code": {"coding": [coding]}, "valueInteger": 28},
        {"code": {"coding": [{"system": LOCAL, "code": "3-of-28+3"}]}, "valueString": "3"},
    ]
    fact = only(read_one(observation("412726003", SNOMED, component=components), here))
    assert dict(fact.value) == {"low": 199, "high": 199}


def test_components_that_repeat_the_root_code_are_told_apart_by_unit() -> None:
    """Two components under the observation's own code, one in weeks and one in days (common practice)."""
    code = {"coding": [{"system": LOINC, "code": "76516-4"}]}
    components = [
        {"code": code, "valueQuantity": {"value": 3, "code": "d"}},
        {"code": code, "valueQuantity": {"value": 28, "code": "wk"}},
    ]
    assert dict(only(read_one(observation("76516-4", component=components))).value) == {"low": 199, "high": 199}


BAD_AGES = [
    (weeks(28.4), "valueQuantity.value", "28w4d, or a fraction of a week?", "fhir.md 3.3: 28.4 must not be guessed"),
    (weeks(28.9), "valueQuantity.value", "ambiguous", "fhir.md 3.3"),
    ({"valueString": "28.4 weeks"}, "valueString", "ambiguous", "fhir.md 3.3"),
    (grams(199.5, unit="d", code="d"), "valueQuantity.value", "ambiguous", "half a day"),
    (weeks("28,4"), "valueQuantity.value", "comma", "decimal comma"),
    ({"valueString": "28,4"}, "valueString", "comma", "decimal comma"),
    ({"valueString": ">28+3"}, "valueString", "not an exact value", "R4 Quantity.comparator, as text"),
    ({"valueString": "~28 weeks"}, "valueString", "not an exact value", "about"),
    ({"valueString": "28-3"}, "valueString", "not a gestational age", "28w3d, or from 28 to 3?"),
    ({"valueString": "28 3"}, "valueString", "not a gestational age", "design"),
    ({"valueString": "28/7"}, "valueString", "not a gestational age", "design"),
    ({"valueString": "28+9"}, "valueString", "does not go with 28 weeks", "nine days are no remainder"),
    ({"valueString": "28 weeks 3 weeks"}, "valueString", "not a gestational age", "design"),
    ({"valueString": "28 d 3 wk"}, "valueString", "not a gestational age", "design"),
    ({"valueString": "28"}, "valueString", "no unit", "design"),
    ({"valueString": "preterm"}, "valueString", "not a gestational age", "design"),
    ({"valueString": "28+3" * 100}, "valueString", "too long", "design"),
    ({"valueInteger": 28}, "valueInteger", "no unit", "fhir.md 3.3 valueInteger; the code implies no unit"),
    (grams(28, unit="d", code="d"), "valueQuantity.value", "as weeks it would be 28w", "weeks labelled days"),
    (weeks(199), "valueQuantity.value", "as days it would be 28w3d", "days labelled weeks"),
    (weeks(19), "valueQuantity.value", "not a plausible", "below 20w0d"),
    (weeks(45), "valueQuantity.value", "not a plausible", "above 44w6d"),
    (grams(139, code="d", unit="d"), "valueQuantity.value", "not a plausible", "below 20w0d"),
    (grams(315, code="d", unit="d"), "valueQuantity.value", "not a plausible", "above 44w6d"),
    (weeks(-28), "valueQuantity.value", "not a plausible", "design"),
    (weeks(28, unit="d"), "valueQuantity.unit", "its code says", "unit and code disagree"),
    (grams(28, unit="mo", code="mo"), "valueQuantity.unit", "not a unit known", "months"),
    (grams(2800), "valueQuantity.value", "not a unit of a length of time", "a weight under an age code"),
    (week_range(28, None), "valueRange.high", "no end there", "an open range"),
    (week_range(None, 28), "valueRange.low", "no end there", "an open range"),
    (week_range(30, 28), "valueRange.low.value", "later than the end", "a range backwards"),
    (ratio({"value": 28}, {"value": 1}), "valueRatio.numerator.value", "do not say", "28w1d, or 28 over one?"),
    (ratio({"value": 28}, {"value": 9}), "valueRatio.denominator.value", "does not go with", "nine days"),
    (ratio({"value": 28, "unit": "g"}, {"value": 3}), "valueRatio.numerator.value", "do not say", "design"),
    (finding("15633321000119108"), "valueCodeableConcept", "not a coded gestational age", "a code not verified"),
    ({"valueCodeableConcept": {"coding": [{"system": SNOMED, "code": "90797000"},
     {"system": SNOMED, "code": "45139008"}]}}, "valueCodeableConcept", "different weeks", "28 and 29 weeks"),
    ({"valueDateTime": "2031-05-01"}, "valueDateTime", "not a way to give", "R4 value[x]"),
    ({**weeks(28), "valueString": "29+1"}, "valueString", "says 29w1d", "two values that disagree"),
    ({**weeks(28), "component": [part("weeks", 29, unit="wk"), part("days", 3, unit="d")]}, "component", "says 29w3d",
     "a value and components that disagree"),
    ({"component": [part("weeks", 28, unit="wk"), part("weeks", 29, unit="wk")]}, "component[1]", "second number",
     "design"),
    ({"component": [part("days", 3, unit="wk")]}, "component[0].valueQuantity.value", "its code says days", "design"),
    ({"component": [{"code": {"text": "weeks"}}]}, "component[0].value", "there is no value", "design"),
    ({"component": {}}, "value", "there is no value", "an empty object is nothing"),
    ({"component": "28+3"}, "component", "should be a list", "wrong type"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "path", "words", "source"), BAD_AGES, ids=[f"{row[1]} {row[3]}" for row in BAD_AGES])
def test_gestational_age_that_would_have_to_be_guessed_is_rejected(
    value: Any, path: str, words: str, source: str
) -> None:
    rejected(read_one(resource(observation("76516-4"), value)), f"Observation.{path}", words, "gestation")


CODES = [
    # system, code, value, name, rank, source: LOINC displays in CMS/VSAC value sets, and LOINC table about 2.68
    (LOINC, "8339-4", grams(780), "birth_weight", 1, "Birth weight Measured"),
    (SNOMED, "364589006", grams(780), "birth_weight", 1, "Birth weight (observable entity), UK Core"),
    (LOINC, "56056-5", grams(780), "birth_weight", 2, "Birth weight Reported"),
    (LOINC, "56092-0", grams(780), "birth_weight", 2, "Birth weight GNWCH"),
    (LOINC, "56093-8", grams(780), "birth_weight", 2, "Birth weight NVSS"),
    (LOINC, "56094-6", grams(780), "birth_weight", 2, "Body weight^at birth"),
    (LOINC, "76516-4", weeks(28), "gestation", 1, "Gestational age--at birth"),
    (SNOMED, "412726003", weeks(28), "gestation", 1, "Length of gestation at birth"),
    (LOINC, "57714-8", weeks(28), "gestation", 2, "Obstetric estimation of gestational age"),
    (LOINC, "11884-4", weeks(28), "gestation", 2, "Gestational age Estimated"),
    (LOINC, "11885-1", weeks(28), "gestation", 2, "… from last menstrual period"),
    (LOINC, "11886-9", weeks(28), "gestation", 2, "… from ovulation date"),
    (LOINC, "11887-7", weeks(28), "gestation", 2, "… from selected delivery date"),
    (LOINC, "11888-5", weeks(28), "gestation", 2, "Gestational age US composite estimate"),
    (LOINC, "18185-9", weeks(28), "gestation", 3, "Gestational age"),
    (LOINC, "49051-6", {"valueInteger": 28}, "gestation", 3, "Gestational age in weeks: the unit is in the name"),
    (LOINC, "49052-4", {"valueInteger": 199}, "gestation", 3, "Gestational age in days: the unit is in the name"),
    (LOINC, "49051-6", {"valueString": "28"}, "gestation", 3, "Gestational age in weeks"),
    (LOINC, "53691-2", weeks(28), "gestation", 3, "… from patient reported date of conception"),
    (LOINC, "53693-8", weeks(28), "gestation", 3, "… from conception date"),
    (LOINC, "53695-3", weeks(28), "gestation", 3, "… from prior assessment"),
    ("LN", "8339-4", grams(780), "birth_weight", 1, "HL7/v2-to-fhir sample: Coding.system 'LN'"),
    ("urn:oid:2.16.840.1.113883.6.1", "8339-4", grams(780), "birth_weight", 1, "OID of LOINC, from memory"),
    ("http://loinc.org/", "8339-4", grams(780), "birth_weight", 1, "a trailing slash"),
]


@pytest.mark.parametrize(("system", "code", "value", "name", "rank", "source"), CODES, ids=[r[5] for r in CODES])
def test_every_standard_code_and_its_rank(
    system: str, code: str, value: dict[str, Any], name: str, rank: int, source: str
) -> None:
    fact = only(read_one(observation(code, system, **value)))
    assert (fact.name, fact.rank) == (name, rank)


NOT_OURS = [
    (LOINC, "8335-2", "Body weight Estimated"),
    (LOINC, "75205-5", "Birth weight indicator: not a weight"),
    (SNOMED, "301334000", "Birth weight centile"),
    (LOINC, "73769-2", "Infections during this pregnancy: not gestational age"),
    (LOINC, "11778-8", "Delivery date Estimated: a date on the mother"),
    (SNOMED, "57036006", "Fetal gestational age: during pregnancy, on the mother (nl-core)"),
    (LOINC, "73773-4", "Birth plurality, on the mother (BFDR)"),
]


@pytest.mark.parametrize(("system", "code", "what"), NOT_OURS, ids=[row[2] for row in NOT_OURS])
def test_codes_that_look_alike_say_nothing(system: str, code: str, what: str) -> None:
    """Sources: CMS/VSAC value sets, LOINC table, UK Core, nl-core, BFDR samples."""
    reading = read_one(observation(code, system, **grams(780)))
    assert (reading.resource, reading.facts, reading.rejections) == ("Observation/o", (), ())


def test_a_body_weight_also_coded_as_birth_weight_is_one() -> None:
    """US Core body-weight profiles require 29463-7 beside a more specific code."""
    codings = [{"system": LOINC, "code": "29463-7"}, {"system": LOINC, "code": "8339-4"}]
    assert only(read_one({**observation(), "code": {"coding": codings}, **grams(780)})).name == "birth_weight"


def test_codings_that_mean_different_things_are_rejected() -> None:
    codings = [{"system": LOINC, "code": "8339-4"}, {"system": LOINC, "code": "76516-4"}]
    reading = read_one({**observation(), "code": {"coding": codings}, **grams(780)})
    assert [r.path for r in reading.rejections] == ["Observation.code"]
    assert [fact.name for fact in reading.facts] == ["unreadable"]


def test_a_standard_code_without_its_system_is_rejected_with_what_to_do() -> None:
    reading = read_one({**observation(), "code": {"coding": [{"code": "8339-4"}]}, **grams(780)})
    rejected(reading, "Observation.code.coding", "map it in the site file", "birth_weight")


def test_a_panel_says_each_of_its_components() -> None:
    """An admission panel whose components carry the codes (common practice, no source)."""
    components = [
        {"code": {"coding": [{"system": LOINC, "code": "8339-4"}]}, **grams(780)},
        {"code": {"coding": [{"system": LOINC, "code": "76516-4"}]}, "valueString": "25+3"},
        {"code": {"coding": [{"system": LOINC, "code": "9272-6"}]}, "valueInteger": 7},
    ]
    reading = read_one(observation("panel", LOCAL, component=components))
    assert [(f.name, dict(f.value)) for f in reading.facts] == [
        ("birth_weight", {"grams": 780}),
        ("gestation", {"low": 178, "high": 178}),
    ]


STATUSES = [
    # R4 observation-status, http://hl7.org/fhir/R4/valueset-observation-status.html
    ("final", True), ("amended", True), ("corrected", True), ("Final", True),
    ("preliminary", False), ("registered", False), ("unknown", False),
]  # fmt: skip


@pytest.mark.parametrize(("status", "certain"), STATUSES)
def test_status_decides_how_sure_a_value_is(status: str, certain: bool) -> None:
    assert only(read_one(observation(status=status, **grams(780)))).certain is certain


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_what_was_entered_in_error_is_retracted_and_gives_no_value(status: str) -> None:
    fact = only(read_one(observation(status=status, **grams(780))))
    assert (fact.name, fact.patient, dict(fact.value)) == ("retracted", "p", {})


@pytest.mark.parametrize("status", [None, "finalised", "  "])
def test_a_status_nobody_knows_is_taken_as_provisional_and_shown(status: str | None) -> None:
    reading = read_one(observation(status=status, **grams(780)))
    assert [r.path for r in reading.rejections] == ["Observation.status"]
    assert [(f.name, f.certain) for f in reading.facts] == [("birth_weight", False)]


def test_a_result_not_there_yet_says_nothing() -> None:
    """R4: registered means that there is no result yet."""
    reading = read_one(observation(status="registered"))
    assert (reading.facts, reading.rejections) == ((), ())


@pytest.mark.parametrize(
    "absent",
    [
        {"dataAbsentReason": {"coding": [{"code": "unknown"}]}},
        {"valueQuantity": {"_value": {"extension": [
            {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}}},
        {"_valueString": {"extension": [
            {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]}},
    ],
)  # fmt: skip
def test_a_value_absent_on_purpose_is_missing_not_unreadable(absent: dict[str, Any]) -> None:
    """R4 Observation.dataAbsentReason and the data-absent-reason extension."""
    reading = read_one(observation(**absent))
    assert (reading.facts, reading.rejections) == ((), ())


def test_an_unknown_modifier_is_not_read_over() -> None:
    """R4: an element with a modifierExtension that is not understood must not be processed."""
    reading = read_one(observation(modifierExtension=[{"url": "https://x.example/negated"}], **grams(780)))
    rejected(reading, "Observation.modifierExtension[0]", "changes the meaning", "birth_weight")


def test_issued_orders_values_and_falls_back_to_effective() -> None:
    """R4 Observation.issued, effective[x]; a date is its first moment at the site (Oslo, UTC+2 in May)."""
    both = observation(issued="2031-05-02T10:00:00.1234567+02:00", effectiveDateTime="2031-05-01", **grams(780))
    assert only(read_one(both)).issued == "2031-05-02T08:00:00.123456Z"
    day = observation(effectiveDateTime="2031-05-01", **grams(780))
    assert only(read_one(day)).issued == "2031-04-30T22:00:00.000000Z"
    period = observation(effectivePeriod={"start": "2031-05-01T06:00:00Z"}, **grams(780))
    assert only(read_one(period)).issued == "2031-05-01T06:00:00.000000Z"
    assert only(read_one(observation(effectiveDateTime="yesterday", **grams(780)))).issued == ""


def test_a_general_code_says_when_it_was_observed() -> None:
    """BFDR dates a gestational age ten months after birth; eCQM uses the code at a visit. The day is the site's."""
    late = observation("11884-4", effectiveDateTime="2031-05-01T23:30:00Z", **weeks(28))
    assert only(read_one(late)).value["observed"] == "2031-05-02"
    at_birth = observation("76516-4", effectiveDateTime="2031-05-01T23:30:00Z", **weeks(28))
    assert "observed" not in only(read_one(at_birth)).value
    assert "observed" not in only(read_one(observation("11884-4", effectiveDateTime="2031", **weeks(28)))).value


def test_a_mapping_default_gives_a_bare_number_its_unit() -> None:
    here = site(code=[{"system": LOCAL, "code": "BW", "concept": "birth_weight", "unit": "kg", "rank": 2}])
    fact = only(read_one(observation("BW", LOCAL, valueString="0.78"), here))
    assert (dict(fact.value), fact.rank) == ({"grams": 780}, 2)
    assert dict(only(read_one(observation("BW", LOCAL, **grams(780)), here)).value) == {"grams": 780}


def test_a_site_can_switch_a_standard_code_off() -> None:
    here = site(code=[{"system": LOINC, "code": "18185-9", "concept": "ignore"}])
    reading = read_one(observation("18185-9", **weeks(28)), here)
    assert (reading.facts, reading.rejections) == ((), ())


RISK = {"code": [{"system": LOCAL, "code": "O2", "concept": "risk", "flag": "prolonged-oxygen"}]}


@pytest.mark.parametrize(
    ("value", "flagged", "rejections"),
    [({"valueBoolean": True}, True, 0), ({"valueBoolean": False}, False, 0), ({}, True, 0),
     ({"dataAbsentReason": {"text": "unknown"}}, False, 0), ({"valueString": "perhaps"}, False, 1)],
)  # fmt: skip
def test_a_risk_flag_is_set_by_true_or_by_being_there(value: dict[str, Any], flagged: bool, rejections: int) -> None:
    """Design: the coding is the site's own."""
    reading = read_one(observation("O2", LOCAL, **value), site(**RISK))
    assert said(reading, "risk") == ([{"flag": "prolonged-oxygen"}] if flagged else [])
    assert len(reading.rejections) == rejections
