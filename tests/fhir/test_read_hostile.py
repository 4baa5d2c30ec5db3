"""Whatever comes in, reading never raises, and what it gives can be stored."""

from __future__ import annotations

import copy
import json
from datetime import UTC, date, datetime
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from reading import LOINC, RECEIVED, SNOMED, observation, patient, site

from service.core.ages import Gestation
from service.core.findings import parse_exam, parse_treatment
from service.core.infant import FACT_NAMES, Reading
from service.fhir.forms import fill
from service.fhir.instants import read_days
from service.fhir.quantities import BIRTH, BODY, LONGEST, SHORTEST
from service.fhir.read import READERS, read_body, read_resource
from service.fhir.terms import SYSTEM

HERE = site(code=[{"system": "https://here.example", "code": "O2", "concept": "risk", "flag": "prolonged-oxygen"}])

thoroughly = settings(max_examples=150)
"""A busy machine is no bug."""

QUANTITY = {"value": 28, "unit": "weeks", "system": "http://unitsofmeasure.org", "code": "wk"}
SEEN = {"view": "poor", "zone": "II", "posterior": True, "stage": "3", "clock_hours": 4, "avascular_extent": 2.5}
ANSWERED: list[tuple[str, dict[str, Any]]] = [
    ("eye-exam", {"on": "2031-06-09", "at": "09:30", "right": SEEN, "left": {"note": "hazy"}, "examiner": "a"}),
    ("treatment", {"on": "2031-06-09", "eyes": "both", "kind": "injection", "agent": "ranibizumab"}),
    ("closing", {"reopening": {"on": "2031-06-09", "by": "a", "why": "b"}}),
    ("newborn", {"gestational_age_at_birth": "25w3d", "birth_weight": 780, "risk_flags": ["sepsis"]}),
]

VALID: list[dict[str, Any]] = [
    observation("8339-4", valueQuantity={"value": 780, "code": "g"}, effectiveDateTime="2031-05-01"),
    observation("76516-4", valueString="28+3", focus=[{"reference": "Patient/q"}]),
    observation("11884-4", valueRange={"low": QUANTITY, "high": QUANTITY}, issued="2031-05-01T00:00:00Z"),
    observation("18185-9", valueRatio={"numerator": QUANTITY, "denominator": {"value": 3}}),
    observation("76516-4", valueCodeableConcept={"coding": [{"system": SNOMED, "code": "90797000"}], "text": "28"}),
    observation("412726003", SNOMED, component=[
        {"code": {"text": "weeks", "coding": [{"system": LOINC, "code": "1"}]}, "valueQuantity": QUANTITY},
        {"code": {"text": "days"}, "valueInteger": 3}]),
    observation("O2", "https://here.example", valueBoolean=True, modifierExtension=[]),
    patient(
        meta={"profile": ["x"], "lastUpdated": "2031-05-01T00:00:00Z"}, gender="female", deceasedDateTime="2031-05-03",
        _birthDate={"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime",
                                   "valueDateTime": "2031-05-01T10:00:00+02:00"}]},
        name=[{"use": "official", "family": "Quill", "given": ["A"]}], multipleBirthInteger=2,
        identifier=[{"use": "usual", "type": {"coding": [{"code": "MR"}]}, "system": "s", "value": "1"}],
        link=[{"type": "replaces", "other": {"reference": "Patient/old"}}]),
    {"resourceType": "Encounter", "id": "e", "status": "in-progress", "class": {"code": "IMP"},
     "subject": {"reference": "Patient/p"}, "period": {"start": "2031-05-01"},
     "hospitalization": {"dischargeDisposition": {"coding": [{"code": "home"}], "text": "Home"}},
     "location": [{"location": {"reference": "Location/b", "display": "B"}, "status": "active",
                   "physicalType": {"coding": [{"code": "bd"}]}, "period": {"start": "2031-05-01"}}]},
    {"resourceType": "Location", "id": "b", "name": "B", "alias": ["b"], "partOf": {"reference": "Location/w"},
     "physicalType": {"coding": [{"code": "bd"}]}, "identifier": [{"value": "1"}]},
    {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "details": {"text": "no"}, "code": "x"}]},
    observation(
        "eye-panel", SYSTEM, bodySite={"coding": [{"system": SNOMED, "code": "362508001", "display": "Both eyes"}]},
        effectiveDateTime="2031-05-01T10:00:00Z", component=[
            {"code": {"coding": [{"system": SYSTEM, "code": "eye-stage"}]},
             "valueCodeableConcept": {"coding": [{"system": SYSTEM, "code": "stage-3"}], "text": "3"}},
            {"code": {"coding": [{"system": SYSTEM, "code": "eye-clock-hours"}]}, "valueQuantity": {"value": 4}}]),
    {"resourceType": "Procedure", "id": "t", "status": "completed", "subject": {"reference": "Patient/p"},
     "code": {"coding": [{"system": SYSTEM, "code": "treatment-laser"}]}, "bodySite": [{"text": "right eye"}],
     "performedPeriod": {"start": "2031-05-01T10:00:00Z"}},
    *(fill(form, value, id="r", version=1, patient="p", author="", authored=datetime(2031, 6, 9, 12, tzinfo=UTC))
      for form, value in ANSWERED),
]  # fmt: skip
BUNDLE = {
    "resourceType": "Bundle", "type": "history",
    "entry": [{"fullUrl": f"urn:uuid:{n}", "resource": each, "request": {"method": "PUT", "url": "Patient/9"},
               "response": {"etag": 'W/"1"', "lastModified": "2031-05-01T00:00:00Z", "location": "Patient/9"}}
              for n, each in enumerate(VALID)]
    + [{"request": {"method": "DELETE", "url": "Observation/o"}}],
}  # fmt: skip

_TEXTS = st.text(st.characters(), max_size=30) | st.sampled_from(
    ["", " ", "28+3", "2,5", "Patient/p", "#p", "urn:uuid:0", "Patient", "Bundle", "final", "9" * 400, "\ud800", "\x00",
     "2031-02-30", "2031-05-01T99:99:99Z", "2031-05-01T10:00:00+99:99", "g", "wk", "1e5", "٢٨+٣", "²", LOINC]
)  # fmt: skip
_SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats() | _TEXTS
    | st.sampled_from([10**400, -(10**30), 1e308, -0.0, float("nan"), float("inf")])
)  # fmt: skip
_KEYS = _TEXTS | st.sampled_from(
    ["resourceType", "id", "meta", "status", "code", "coding", "system", "subject", "reference", "entry", "resource",
     "valueQuantity", "value", "unit", "component", "birthDate", "_birthDate", "extension", "location", "period"]
)  # fmt: skip
_JSON = st.recursive(
    _SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_KEYS, inner, max_size=6), max_leaves=25
)


def check(readings: list[Reading]) -> None:
    """What comes out is what the store and the rules rely on."""
    for reading in readings:
        assert len(reading.version.label) <= 100
        for fact in reading.facts:
            assert fact.name in FACT_NAMES
            assert fact.resource == reading.resource and fact.version == reading.version
            if fact.name == "birth_weight":
                assert type(fact.value["grams"]) is int and BIRTH.lightest <= fact.value["grams"] <= BIRTH.heaviest
            if fact.name == "weight":
                assert BODY.lightest <= fact.value["grams"] <= BODY.heaviest and date.fromisoformat(fact.value["on"])
            if fact.name == "gestation":
                age = Gestation(fact.value["low"], fact.value["high"])
                assert age.low >= SHORTEST and age.high <= LONGEST
            if fact.name == "exam":
                parse_exam(fact.value, "exam")
            if fact.name == "treatment":
                parse_treatment(fact.value, "treatment")
            if fact.name == "born":
                assert read_days(fact.value["low"]) and fact.value["low"] <= fact.value["high"]
        kept = json.dumps(
            [[f.patient, f.name, dict(f.value), f.issued] for f in reading.facts]
            + [[r.patient, r.path, r.reason, r.about] for r in reading.rejections]
            + [reading.resource, reading.version.updated, reading.version.label],
            allow_nan=False, ensure_ascii=False,
        )  # fmt: skip
        kept.encode()  # no lone surrogate
        assert "\\u0000" not in kept  # PostgreSQL stores no NUL


def spots(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a JSON value."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(spot for key, child in inner for spot in spots(child, (*path, key)))]


def changed(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    if not path:
        return new
    value = copy.copy(value)
    value[path[0]] = changed(value[path[0]], path[1:], new)
    return value


@thoroughly
@given(_JSON)
def test_any_json_is_read_without_a_crash(value: Any) -> None:
    check(read_body(json.dumps(value).encode(), HERE, RECEIVED))
    check([read_resource(value, HERE, RECEIVED)])


@thoroughly
@given(st.binary(max_size=200))
def test_any_bytes_are_read_without_a_crash(body: bytes) -> None:
    check(read_body(body, HERE, RECEIVED))


@thoroughly
@given(st.dictionaries(_KEYS, _JSON, max_size=8), st.sampled_from([*READERS, "Bundle"]))
def test_any_fields_under_a_known_type_are_read_without_a_crash(fields: dict[str, Any], type: str) -> None:
    check(read_body(json.dumps({"id": "p", **fields, "resourceType": type}).encode(), HERE, RECEIVED))


@thoroughly
@given(st.data())
def test_a_valid_resource_with_one_place_changed_is_read_without_a_crash(data: st.DataObject) -> None:
    value: Any = data.draw(st.sampled_from([*VALID, BUNDLE]))
    for _ in range(data.draw(st.integers(1, 3))):
        value = changed(value, data.draw(st.sampled_from(spots(value))), data.draw(_JSON))
    check(read_body(json.dumps(value).encode(), HERE, RECEIVED))


@thoroughly
@given(st.data())
def test_a_mangled_body_is_read_without_a_crash(data: st.DataObject) -> None:
    body = bytearray(json.dumps(data.draw(st.sampled_from([*VALID, BUNDLE]))).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        body[data.draw(st.integers(0, len(body) - 1))] = data.draw(st.integers(0, 255))
    check(read_body(bytes(body[: data.draw(st.integers(1, len(body)))]), HERE, RECEIVED))


@thoroughly
@given(st.sampled_from(["8339-4", "76516-4"]), st.text(max_size=80))
def test_any_text_as_a_value_is_a_value_or_a_rejection(code: str, text: str) -> None:
    (reading,) = read_body(json.dumps(observation(code, valueString=text)).encode(), HERE, RECEIVED)
    check([reading])
    assert len(reading.facts) == 1 and (reading.facts[0].name == "unreadable") == bool(reading.rejections)


@thoroughly
@given(st.integers(BIRTH.lightest * 10, BIRTH.heaviest * 10), st.sampled_from([("g", 1), ("kg", 1000)]))
def test_a_weight_is_exact_in_any_unit(tenths: int, unit: tuple[str, int]) -> None:
    """Half up, at the gram, computed here in integers alone."""
    name, factor = unit
    digits = f"{tenths:06d}"
    number = f"{int(digits[:-1])}.{digits[-1]}" if factor == 1 else f"{int(digits[:-4] or 0)}.{digits[-4:]}"
    body = json.dumps(observation("8339-4"))[:-1] + f', "valueQuantity": {{"value": {number}, "code": "{name}"}}}}'
    (reading,) = read_body(body.encode(), HERE, RECEIVED)
    expected = (tenths + 5) // 10
    if BIRTH.lightest <= expected <= BIRTH.heaviest:
        assert [dict(fact.value) for fact in reading.facts] == [{"grams": expected}]


@thoroughly
@given(st.integers(SHORTEST, LONGEST))
def test_every_notation_of_an_age_gives_the_same_days(days: int) -> None:
    weeks, rest = divmod(days, 7)
    short = [f"{weeks}+{rest}", f"{weeks}w{rest}d", f"{weeks} {rest}/7", f"{weeks}W {rest}D", f"{days} d"]
    for text in [*short, f"{weeks} weeks {rest} days"]:
        (reading,) = read_body(json.dumps(observation("76516-4", valueString=text)).encode(), HERE, RECEIVED)
        assert [dict(fact.value) for fact in reading.facts] == [{"low": days, "high": days}], text


def test_the_valid_resources_are_valid() -> None:
    """Else the mutations would start from what is rejected anyway."""
    for resource in VALID:
        reading = read_resource(resource, HERE, RECEIVED)
        assert bool(reading.rejections) == (resource["resourceType"] == "OperationOutcome"), resource
