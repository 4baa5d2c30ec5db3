"""Observations of an eye: one finding or a panel, in our codes, in SNOMED CT or in a site's own; right is right.

Sources, where a row names one in short:
  VSAC     value sets "Other Proliferative Retinopathy" and "Retrolental Fibroplasias", SNOMED CT 2019-09,
           github.com/cqframework/ecqm-content-r4 and ecqm-content-qicore-2024
  CDA      HL7/cda-eyecare value set of eyes and its sample document
  C-CDA    an older value set of eye structures; UK Core examples
  IG       HL7/fhir-eyecare-ig, BodyStructure with location and laterality
  R4       http://hl7.org/fhir/R4/observation.html
  design   a choice of this project, so that nothing is guessed
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import LOCAL, SNOMED, only, read_all, read_one, said, site

from service.core.chart import read_course
from service.core.findings import EYE_KEYS, Zone, parse_eye
from service.errors import ConfigurationError
from service.fhir import terms
from service.fhir.examples import run_examples
from service.fhir.sites import load_sites

RIGHT, LEFT = {"text": "right eye"}, {"text": "left eye"}
MAPPINGS = Path(__file__).parents[2] / "mappings"
SITES = load_sites(MAPPINGS)
STANDARD_SITE = site()


def concept(code: str, system: str = terms.SYSTEM, **more: Any) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code}], **more}


def seen(code: str = "eye-stage", system: str = terms.SYSTEM, **more: Any) -> dict[str, Any]:
    """A final Observation of an eye of Patient/p on a day; `bodySite` None leaves the eye out."""
    resource = {
        "resourceType": "Observation", "id": "o", "status": "final", "code": concept(code, system),
        "subject": {"reference": "Patient/p"}, "effectiveDateTime": "2031-06-09", "bodySite": RIGHT, **more,
    }  # fmt: skip
    return {key: value for key, value in resource.items() if value is not None}


def part(code: str, system: str = terms.SYSTEM, **value: Any) -> dict[str, Any]:
    return {"code": concept(code, system), **value}


# --- what was seen -------------------------------------------------------------------------------------------------

SHARES = [
    # code, value, of, source
    ("eye-stage", {"valueCodeableConcept": concept("stage-3")}, {"stage": "3"}, "our CodeSystem"),
    ("eye-zone", {"valueCodeableConcept": concept("zone-I")}, {"zone": "I"}, "our CodeSystem"),
    ("eye-zone", {"valueCodeableConcept": concept("zone-posterior-II")}, {"zone": "II", "posterior": True}, "ours"),
    ("eye-vascularization", {"valueCodeableConcept": concept("vascularization-full")}, {"vascularization": "full"}, ""),
    ("eye-plus", {"valueCodeableConcept": concept("plus-pre-plus")}, {"plus": "pre-plus"}, "our CodeSystem"),
    ("eye-view", {"valueCodeableConcept": concept("view-none")}, {"view": "none"}, "our CodeSystem"),
    ("eye-regression", {"valueCodeableConcept": concept("regression-complete")}, {"regression": "complete"}, "ours"),
    ("eye-aggressive", {"valueBoolean": True}, {"aggressive": True}, "R4 valueBoolean"),
    ("eye-nasal-at-ora", {"valueBoolean": False}, {"nasal_at_ora": False}, "R4 valueBoolean"),
    ("eye-stage", {"valueInteger": 2}, {"stage": "2"}, "R4 valueInteger"),
    ("eye-stage", {"valueString": "Stage 1"}, {"stage": "1"}, "v2 OBX-2 ST becomes valueString"),
    ("eye-zone", {"valueString": "2"}, {"zone": "II"}, "v2; zones in Arabic digits, common practice"),
    ("eye-stage", {"valueCodeableConcept": {"text": "3"}}, {"stage": "3"}, "R4: a CodeableConcept of text alone"),
    ("eye-clock-hours", {"valueInteger": 4}, {"clock_hours": 4}, "R4 valueInteger"),
    ("eye-clock-positions", {"valueString": "12, 1"}, {"clock_positions": "12, 1"}, "R4 valueString"),
    ("eye-clock-hours", {"valueQuantity": {"value": 4, "unit": "clock hours"}}, {"clock_hours": 4}, "R4 Quantity"),
    ("eye-avascular-extent", {"valueQuantity": {"value": 2.5, "unit": "DD"}}, {"avascular_extent": 2.5}, "R4 Quantity"),
    ("eye-note", {"valueString": "hazy media"}, {"note": "hazy media"}, "R4 valueString"),
    ("eye-stage", {"valueCodeableConcept": concept("408847006", SNOMED)}, {"stage": "1"}, "VSAC stage 1"),
    ("eye-stage", {"valueCodeableConcept": concept("408848001", SNOMED)}, {"stage": "2"}, "VSAC stage 2"),
    ("eye-stage", {"valueCodeableConcept": concept("408849009", SNOMED)}, {"stage": "3"}, "VSAC stage 3"),
    (
        "eye-stage", {"valueCodeableConcept": concept("408850009", SNOMED)},
        {"stage": "4A", "note": "stage 4 recorded without its letter"}, "VSAC stage 4; the letter is open (design)",
    ),
    (
        "eye-stage", {"valueCodeableConcept": concept("408851008", SNOMED)},
        {"stage": "5A", "note": "stage 5 recorded without its letter"}, "VSAC stage 5; the letter is open (design)",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("code", "value", "of", "source"), SHARES)
def test_a_finding_in_every_shape(code: str, value: dict[str, Any], of: dict[str, Any], source: str) -> None:
    fact = only(read_one(seen(code, **value)))
    assert (fact.name, fact.patient, fact.rank, fact.certain) == ("finding", "p", 1, True)
    assert dict(fact.value) == {"on": "2031-06-09", "eyes": "right", "of": of}


def test_every_code_of_ours_that_answers_about_an_eye_is_read_as_the_core_reads_it() -> None:
    for code, (key, word) in terms.MEANINGS.items():
        if key in EYE_KEYS:
            of = only(read_one(seen(terms.question_code(key), valueCodeableConcept=concept(code)))).value["of"]
            assert parse_eye(of, "eye") == parse_eye({key: word}, "eye")


REFUSED = [
    ({"valueCodeableConcept": concept("stage-9")}, "valueCodeableConcept", "is not an answer known here about stage"),
    ({"valueCodeableConcept": concept("plus-plus")}, "valueCodeableConcept", "is not an answer known here about stage"),
    ({"valueCodeableConcept": concept("3", LOCAL)}, "valueCodeableConcept", "is not an answer known here"),
    ({"valueCodeableConcept": concept("3", LOCAL, text="3")}, "valueCodeableConcept", "is not an answer known here"),
    ({"valueString": "3+"}, "valueString", 'is no answer to stage known here (0, 1, 2, 3, 4A'),
    ({"valueInteger": 6}, "valueInteger", "6: is no answer to stage"),
    ({"valueBoolean": True}, "valueBoolean", "is no answer to stage"),
    ({"valueDateTime": "2031-06-09"}, "valueDateTime", "is not a way to give a finding"),
    ({"valueQuantity": {"value": 3, "comparator": ">"}}, "valueQuantity.comparator", "not an exact value"),
    ({"valueQuantity": {"value": 3, "unit": "mm"}}, "valueQuantity.unit", '"mm" is not a unit of stage'),
    ({"valueQuantity": {"unit": "1"}}, "valueQuantity.value", "is missing"),
    ({"valueString": "2", "valueInteger": 3}, "valueString", "says something else than the value beside it"),
    ({}, "value", "there is no value"),
    (
        {"valueCodeableConcept": {"coding": [*concept("stage-1")["coding"], *concept("stage-2")["coding"]]}},
        "valueCodeableConcept", "could mean several things",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("value", "path", "words"), REFUSED, ids=[row[2] for row in REFUSED])
def test_a_value_nobody_knows_is_not_no_finding(value: dict[str, Any], path: str, words: str) -> None:
    reading = read_one(seen(**value))
    (rejection,) = reading.rejections
    assert (rejection.path, rejection.patient, rejection.about) == (f"Observation.{path}", "p", "finding")
    assert words in rejection.reason
    assert [(fact.name, fact.value["of"]) for fact in reading.facts] == [("unreadable", "finding")]


def test_what_is_absent_on_purpose_says_nothing() -> None:
    """Not seen is never no finding: no value is not stage 0."""
    reading = read_one(seen(dataAbsentReason={"text": "not performed"}))
    assert (reading.facts, reading.rejections) == ((), ())


def test_a_letter_beside_a_stage_without_one_is_the_more_exact() -> None:
    both = {"coding": [*concept("408850009", SNOMED)["coding"], *concept("stage-4B")["coding"]]}
    assert only(read_one(seen(valueCodeableConcept=both))).value["of"] == {"stage": "4B"}
    other = {"coding": [*concept("408850009", SNOMED)["coding"], *concept("stage-5B")["coding"]]}
    assert "could mean several things" in read_one(seen(valueCodeableConcept=other)).rejections[0].reason


# --- which eye -----------------------------------------------------------------------------------------------------

EYES = [
    (concept("362502000", SNOMED), "right", "CDA: entire right eye"),
    (concept("362503005", SNOMED), "left", "CDA: entire left eye"),
    (concept("362508001", SNOMED), "both", "CDA: entire both eyes"),
    (concept("18944008", SNOMED), "right", "C-CDA: right eye structure"),
    (concept("8966001", SNOMED), "left", "C-CDA and UK Core: left eye structure"),
    (concept("40638003", SNOMED), "both", "C-CDA: structure of both eyes"),
    (concept("24028007", SNOMED), "right", "IG: Right (qualifier value)"),
    (concept("7771000", SNOMED), "left", "IG: Left (qualifier value)"),
    ({"coding": [*concept("244486005", SNOMED)["coding"], *concept("7771000", SNOMED)["coding"]]}, "left", "IG: both"),
    (concept("eyes-right"), "right", "our CodeSystem"),
    (concept("eyes-both"), "both", "our CodeSystem"),
    ({"text": "Right eye"}, "right", "common practice"),
    ({"text": "OS"}, "left", "common practice"),
    (concept("x", LOCAL, text="ou"), "both", "common practice"),
    ({"coding": [{"system": SNOMED, "code": "362503005", "display": "Entire left eye"}]}, "left", "CDA with words"),
]


@pytest.mark.parametrize(("body", "eyes", "source"), EYES, ids=[row[2] for row in EYES])
def test_right_is_right(body: dict[str, Any], eyes: str, source: str) -> None:
    fact = only(read_one(seen(bodySite=body, valueInteger=2)))
    assert fact.value["eyes"] == eyes


SWAPPED = [
    ({"coding": [{"system": SNOMED, "code": "362503005", "display": "Right eye"}]}, "means left by its code and says"),
    ({"coding": [{"system": SNOMED, "code": "362502000", "display": "Entire left eye"}]}, "means right by its code"),
    (concept("362503005", SNOMED, text="Right eye"), "has codings of different eyes"),
    (concept("362503005", SNOMED, text="the right one"), "means left by its code and says"),
    ({"coding": [*concept("362502000", SNOMED)["coding"], *concept("362503005", SNOMED)["coding"]]}, "different eyes"),
]


@pytest.mark.parametrize(("body", "words"), SWAPPED, ids=range(len(SWAPPED)))
def test_a_swap_of_right_and_left_is_seen(body: dict[str, Any], words: str) -> None:
    """362503005 has been seen in public code as the right eye, with words that say right."""
    reading = read_one(seen(bodySite=body, valueInteger=3))
    assert said(reading, "finding") == []
    assert words in reading.rejections[0].reason


@pytest.mark.parametrize("body", [None, {}, {"text": "eye"}, concept("244486005", SNOMED), concept("x", LOCAL)])
def test_an_eye_is_never_guessed(body: Any) -> None:
    reading = read_one(seen(bodySite=body, valueInteger=3))
    assert said(reading, "finding") == []
    assert [value["of"] for value in said(reading, "unreadable")] == ["finding"]
    assert reading.rejections[0].path == "Observation.bodySite"
    assert "names no eye" in reading.rejections[0].reason


NAMED = [
    ("332391000119108", "right", "1"), ("332381000119105", "right", "2"), ("332371000119107", "right", "3"),
    ("338001000119102", "left", "1"), ("337991000119106", "left", "2"), ("337981000119108", "left", "3"),
    ("343771000119102", "both", "1"), ("343761000119108", "both", "2"), ("343751000119106", "both", "3"),
]  # fmt: skip


@pytest.mark.parametrize(("code", "eyes", "stage"), NAMED)
def test_a_value_may_name_the_eye_and_the_stage(code: str, eyes: str, stage: str) -> None:
    """VSAC: the eye-specific disorders."""
    fact = only(read_one(seen(bodySite=None, valueCodeableConcept=concept(code, SNOMED))))
    assert (fact.value["eyes"], fact.value["of"]) == (eyes, {"stage": stage})
    general = {"coding": [*concept(code, SNOMED)["coding"], *concept(f"stage-{stage}")["coding"]]}
    assert only(read_one(seen(bodySite=None, valueCodeableConcept=general))).value["eyes"] == eyes
    if eyes != "both":
        other = LEFT if eyes == "right" else RIGHT
        reading = read_one(seen(bodySite=other, valueCodeableConcept=concept(code, SNOMED)))
        assert said(reading, "finding") == []
        assert f"means {eyes} in one place" in reading.rejections[0].reason


def test_one_eye_may_be_picked_out_of_both_and_never_the_other_way() -> None:
    both = concept("362508001", SNOMED)
    one = only(read_one(seen(bodySite=both, valueCodeableConcept=concept("332371000119107", SNOMED))))
    assert one.value["eyes"] == "right"
    reading = read_one(seen(bodySite=RIGHT, valueCodeableConcept=concept("343751000119106", SNOMED)))
    assert said(reading, "finding") == []
    assert "means both in one place and right in another" in reading.rejections[0].reason


# --- a site's own codes --------------------------------------------------------------------------------------------

OWN = {
    "code": [
        {"system": LOCAL, "code": "ZONE-OD", "concept": "finding", "of": "zone", "eyes": "right"},
        {"system": LOCAL, "code": "STAGE-OD", "concept": "finding", "of": "stage", "eyes": "right"},
        {"system": LOCAL, "code": "ZONE-OS", "concept": "finding", "of": "zone", "eyes": "left"},
        {"system": LOCAL, "code": "PLUS-OS", "concept": "finding", "of": "plus", "eyes": "left"},
        {"system": LOCAL, "code": "EYE", "concept": "finding", "of": "eyes"},
        {"system": LOCAL, "code": "STAGE", "concept": "finding", "of": "stage"},
        {"system": LOCAL, "code": "PLUS", "concept": "finding", "of": "plus"},
        {"system": LOCAL, "code": "ROP", "concept": "finding"},
        {"system": LOCAL, "code": "LASER", "concept": "treatment", "kind": "laser"},
    ],
    "answer": [
        {"system": LOCAL, "code": "P2", "of": "plus", "value": "plus"},
        {"system": LOCAL, "code": "N", "of": "plus", "value": "none"},
        {"system": LOCAL, "code": "N", "of": "view", "value": "none"},
        {"text": "worst", "of": "stage", "value": "5C"},
        {"system": LOCAL, "code": "A-ROP", "of": "aggressive", "value": True},
        {"system": LOCAL, "code": "L3", "of": "stage", "value": 3, "eyes": "left"},
    ],
    "eye": [{"system": LOCAL, "code": "R", "means": "right"}, {"text": "Sinister", "means": "left"}],
}  # fmt: skip
HERE = site(**OWN)


def panel(*parts: dict[str, Any], code: str = "PANEL", **more: Any) -> dict[str, Any]:
    return seen(code, LOCAL, bodySite=None, component=list(parts), **more)


def test_a_panel_gives_each_eye_its_own_findings() -> None:
    reading = read_one(
        panel(
            part("ZONE-OD", LOCAL, valueString="I"),
            part("PLUS-OS", LOCAL, valueCodeableConcept=concept("P2", LOCAL)),
            part("STAGE-OD", LOCAL, valueInteger=3),
            part("ZONE-OS", LOCAL, valueString="zone II"),
            part("WEATHER", LOCAL, valueString="fine"),
        ),
        HERE,
    )
    assert reading.rejections == ()
    assert said(reading, "finding") == [
        {"on": "2031-06-09", "eyes": "right", "of": {"zone": "I", "stage": "3"}},
        {"on": "2031-06-09", "eyes": "left", "of": {"plus": "plus", "zone": "II"}},
    ]
    (exam,) = read_course(reading.facts).exams
    assert (exam.right.zone, exam.right.stage, exam.left.zone, exam.left.plus) == (Zone.I, "3", Zone.II, "plus")


def test_what_is_said_twice_in_a_panel_is_kept_twice() -> None:
    """Of two stages of one eye the course takes the worse (core/chart.py); neither is dropped here."""
    parts = [part("STAGE-OD", LOCAL, valueInteger=n) for n in (1, 3)]
    assert [value["of"] for value in said(read_one(panel(*parts), HERE), "finding")] == [{"stage": "1"}, {"stage": "3"}]


@pytest.mark.parametrize("value", [{"valueCodeableConcept": concept("R", LOCAL)}, {"valueString": "Right eye"}])
def test_a_component_may_name_the_eye_of_all_the_others(value: dict[str, Any]) -> None:
    parts = [part("EYE", LOCAL, **value), part("STAGE", LOCAL, valueInteger=2)]
    assert said(read_one(panel(*parts), HERE), "finding") == [
        {"on": "2031-06-09", "eyes": "right", "of": {"stage": "2"}}
    ]
    unknown = [part("EYE", LOCAL, valueString="the good one"), parts[1]]
    assert "names no eye known here" in read_one(panel(*unknown), HERE).rejections[0].reason
    two = [*parts, part("EYE", LOCAL, valueString="left eye")]
    assert "names two eyes" in read_one(panel(*two), HERE).rejections[0].reason


def test_a_code_that_names_the_eye_may_not_stand_under_the_other() -> None:
    reading = read_one(panel(part("ZONE-OS", LOCAL, valueString="I")) | {"bodySite": RIGHT}, HERE)
    assert said(reading, "finding") == []
    assert "means left in one place and right in another" in reading.rejections[0].reason


def test_one_bad_component_does_not_cost_the_others() -> None:
    parts = [part("ZONE-OD", LOCAL, valueString="IV"), part("STAGE-OD", LOCAL, valueInteger=3)]
    reading = read_one(panel(*parts), HERE)
    assert [value["of"] for value in said(reading, "finding")] == [{"stage": "3"}]
    assert reading.rejections[0].path == "Observation.component[0].valueString"
    assert [value["of"] for value in said(reading, "unreadable")] == ["finding"]


def test_a_code_that_does_not_say_what_it_is_about_leaves_it_to_the_answer() -> None:
    one = seen("ROP", LOCAL, valueCodeableConcept=concept("A-ROP", LOCAL))
    assert only(read_one(one, HERE)).value["of"] == {"aggressive": True}
    twice = read_one(seen("ROP", LOCAL, valueCodeableConcept=concept("N", LOCAL)), HERE)
    assert "could mean several things" in twice.rejections[0].reason
    about = seen("PLUS", LOCAL, valueCodeableConcept=concept("N", LOCAL))
    assert only(read_one(about, HERE)).value["of"] == {"plus": "none"}
    bare = read_one(seen("ROP", LOCAL, valueString="3"), HERE)
    assert '"3" does not say what it is about' in bare.rejections[0].reason


def test_words_and_numbers_of_a_site() -> None:
    assert only(read_one(seen("STAGE", LOCAL, valueString="WORST"), HERE)).value["of"] == {"stage": "5C"}
    left = only(read_one(seen("STAGE", LOCAL, bodySite=None, valueCodeableConcept=concept("L3", LOCAL)), HERE))
    assert (left.value["eyes"], left.value["of"]) == ("left", {"stage": "3"})
    sinister = only(read_one(seen("STAGE", LOCAL, bodySite={"text": "sinister"}, valueInteger=1), HERE))
    assert sinister.value["eyes"] == "left"


def test_a_coding_of_ours_beside_a_site_s_own_says_the_same() -> None:
    both = {"coding": [*concept("eye-stage")["coding"], *concept("STAGE-OD", LOCAL)["coding"]]}
    fact = only(read_one(seen(bodySite=None, valueInteger=2) | {"code": both}, HERE))
    assert fact.value == {"on": "2031-06-09", "eyes": "right", "of": {"stage": "2"}}
    other = {"coding": [*concept("eye-plus")["coding"], *concept("STAGE-OD", LOCAL)["coding"]]}
    reading = read_one(seen(valueInteger=2) | {"code": other}, HERE)
    assert "has codings that mean different things" in reading.rejections[0].reason


def test_a_treatment_is_not_observed() -> None:
    reading = read_one(seen("LASER", LOCAL, valueBoolean=True), HERE)
    assert (reading.facts, reading.rejections) == ((), ())
    assert read_one(panel(part("LASER", LOCAL, valueBoolean=True)), HERE).facts == ()


def test_a_panel_that_only_points_to_its_parts_says_nothing_itself() -> None:
    reading = read_one(seen("ROP", LOCAL, hasMember=[{"reference": "Observation/o-2"}]), HERE)
    assert (reading.facts, reading.rejections) == ((), ())


# --- when, and whether ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("effective", "zone", "on", "at"),
    [
        ({"effectiveDateTime": "2031-06-09"}, "Europe/Oslo", "2031-06-09", None),
        ({"effectiveDateTime": "2031-06-08T22:30:00Z"}, "Europe/Oslo", "2031-06-09", "00:30"),
        ({"effectiveDateTime": "2031-06-09T05:30:00Z"}, "America/Denver", "2031-06-08", "23:30"),
        ({"effectivePeriod": {"start": "2031-06-09T09:30:00+02:00"}}, "Europe/Oslo", "2031-06-09", "09:30"),
        ({"effectiveInstant": "2031-06-09T09:30:00+02:00"}, "Asia/Kolkata", "2031-06-09", "13:00"),
    ],
)
def test_the_day_and_the_hour_are_the_site_s(effective: dict[str, Any], zone: str, on: str, at: str | None) -> None:
    resource = seen(valueInteger=2, effectiveDateTime=None) | effective
    value = only(read_one(resource, site(zone))).value
    assert (value["on"], value.get("at")) == (on, at)


@pytest.mark.parametrize("when", [None, "2031-06", "soon"])
def test_an_exam_without_a_day_is_told(when: Any) -> None:
    reading = read_one(seen(valueInteger=2, effectiveDateTime=when, issued="2031-06-09T12:00:00Z"))
    assert said(reading, "finding") == []
    assert [rejection.about for rejection in reading.rejections] == ["finding"]


@pytest.mark.parametrize(
    ("status", "certain"), [("final", True), ("corrected", True), ("preliminary", False), ("unknown", False)]
)
def test_what_is_preliminary_counts(status: str, certain: bool) -> None:
    fact = only(read_one(seen(status=status, valueInteger=3)))
    assert (fact.name, fact.certain) == ("finding", certain)


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_what_is_taken_back_is_gone(status: str) -> None:
    assert only(read_one(seen(status=status, valueInteger=3))).name == "retracted"


def test_what_is_only_asked_for_says_nothing() -> None:
    reading = read_one(seen(status="registered"))
    assert (reading.facts, reading.rejections) == ((), ())


def test_findings_of_one_day_are_one_exam() -> None:
    bundle = [
        seen("eye-zone", id="a", valueCodeableConcept=concept("zone-II")),
        seen("eye-stage", id="b", valueInteger=2),
        seen("eye-plus", id="c", valueCodeableConcept=concept("plus-none")),
        seen("eye-view", id="d", valueCodeableConcept=concept("view-none"), bodySite=LEFT),
    ]
    facts = [
        fact
        for reading in read_all({"resourceType": "Bundle", "type": "collection",
                                 "entry": [{"resource": one} for one in bundle]})
        for fact in reading.facts
    ]  # fmt: skip
    (exam,) = read_course(facts).exams
    assert str(exam.right) == "zone II stage 2" and exam.right.plus == "none"
    assert str(exam.left) == "not seen"


_VALUE = st.one_of(
    st.builds(lambda text: {"valueString": text}, st.text(max_size=20)),
    st.builds(lambda number: {"valueInteger": number}, st.integers(-3, 15)),
    st.builds(lambda flag: {"valueBoolean": flag}, st.booleans()),
    st.builds(lambda code: {"valueCodeableConcept": concept(code)}, st.sampled_from(sorted(terms.TERMS))),
    st.builds(lambda number: {"valueQuantity": {"value": number}}, st.floats(-1, 30, allow_nan=False)),
)


@settings(max_examples=200)
@given(st.sampled_from(sorted(terms.QUESTIONS)), _VALUE)
def test_any_value_is_a_finding_the_core_can_read_or_a_rejection(code: str, value: dict[str, Any]) -> None:
    reading = read_one(seen(code, **value), STANDARD_SITE)
    findings = said(reading, "finding")
    assert len(findings) + len(reading.rejections) == 1
    for finding in findings:
        zone = {"zone": "II"} if {"posterior", "notch"} & finding["of"].keys() else {}
        zone = {"zone": "posterior II"} if "near_zone_i" in finding["of"] else zone
        stage = {"stage": "1"} if {"clock_hours", "clock_positions"} & finding["of"].keys() else {}
        parse_eye({**zone, **stage, **finding["of"]}, "eye")


# --- the mapping files ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SITES)
def test_every_local_answer_and_eye_of_a_site_is_shown_by_an_example(name: str) -> None:
    here = SITES[name]
    for coding in here.answers.keys() - STANDARD_SITE.answers.keys():
        less = {key: answers for key, answers in here.answers.items() if key != coding}
        assert run_examples(replace(here, answers=less)), coding
    for coding in here.eyes.keys() - STANDARD_SITE.eyes.keys():
        less_eyes = {key: eyes for key, eyes in here.eyes.items() if key != coding}
        assert run_examples(replace(here, eyes=less_eyes)), coding


WRONG = [
    ({"code": [{"text": "x", "concept": "finding", "of": "colour"}]}, "code[0].of: 'colour' is not known here"),
    ({"code": [{"text": "x", "concept": "birth_weight", "of": "zone"}]}, 'of: goes with concept = "finding"'),
    (
        {"code": [{"text": "x", "concept": "risk", "flag": "a", "eyes": "left"}]},
        'eyes: goes with concept = "finding" or',
    ),
    (
        {"code": [{"text": "x", "concept": "finding", "eyes": "OD"}]},
        "eyes: 'OD' is not known here (allowed: right, left",
    ),
    ({"code": [{"text": "x", "concept": "treatment"}]}, "kind: is missing (allowed: laser, injection, surgery)"),
    ({"code": [{"text": "x", "concept": "finding", "kind": "laser"}]}, 'kind: goes with concept = "treatment"'),
    (
        {"code": [{"text": "x", "concept": "treatment", "kind": "laser", "agent": "ranibizumab"}]},
        'agent: goes with kind = "injection"',
    ),
    (
        {"code": [{"text": "x", "concept": "treatment", "kind": "injection", "agent": "saline"}]},
        "agent: 'saline' is not known here (allowed: ranibizumab, bevacizumab, aflibercept, conbercept)",
    ),
    ({"answer": [{"text": "x", "of": "stage", "value": "9"}]}, "answer[0].value: is no answer to stage known here"),
    ({"answer": [{"text": "x", "of": "aggressive", "value": "yes"}]}, "value: aggressive is true or false"),
    ({"answer": [{"text": "x", "of": "stage"}]}, "answer[0].value: is missing"),
    ({"answer": [{"text": "x", "value": "1"}]}, "answer[0].of: is missing"),
    ({"answer": [{"text": "x", "of": "stage", "value": "1"}] * 2}, "answer[1]: 'x' is given twice for stage"),
    ({"answer": [{"text": "x", "of": "stage", "value": "1", "sort": 2}]}, "answer[0].sort: is not a key known here"),
    ({"eye": [{"text": "x", "means": "middle"}]}, "eye[0].means: 'middle' is not known here"),
    ({"eye": [{"text": "x", "means": "left"}] * 2}, "eye[1]: 'x' is given twice"),
]


@pytest.mark.parametrize(("more", "words"), WRONG, ids=[row[1] for row in WRONG])
def test_a_wrong_mapping_is_refused_with_its_place(more: dict[str, Any], words: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        site(**more)
    assert str(caught.value).startswith("here.toml.")
    assert words in str(caught.value)
