"""Procedures: what was done to which eye. Only what is said to be done stops a treatment clock.

Statuses: http://hl7.org/fhir/R4/valueset-event-status.html. No procedure code of others is mapped for everybody: none
for laser or injection could be verified, so a site maps its own, or sends the codes of our CodeSystem.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from reading import LOCAL, RECEIVED, SNOMED, only, read_one, said, site

from service.core import ledger
from service.core.chart import read_course
from service.core.findings import parse_treatment
from service.core.infant import Fact
from service.fhir import terms
from service.fhir.read import read_body

HERE = site(
    code=[
        {"system": LOCAL, "code": "LASER", "concept": "treatment", "kind": "laser"},
        {"system": LOCAL, "code": "RANI-OD", "concept": "treatment", "kind": "injection", "agent": "ranibizumab",
         "eyes": "right"},
        {"system": LOCAL, "code": "STAGE", "concept": "finding", "of": "stage"},
    ]
)  # fmt: skip
RIGHT, LEFT = {"text": "right eye"}, {"text": "left eye"}


def done(code: str = "treatment-laser", system: str = terms.SYSTEM, **more: Any) -> dict[str, Any]:
    """A completed Procedure on Patient/p's right eye; None leaves an element out."""
    resource = {
        "resourceType": "Procedure", "id": "t", "status": "completed",
        "code": {"coding": [{"system": system, "code": code}]}, "subject": {"reference": "Patient/p"},
        "performedDateTime": "2031-06-09T10:00:00+02:00", "bodySite": [RIGHT], **more,
    }  # fmt: skip
    return {key: value for key, value in resource.items() if value is not None}


@pytest.mark.parametrize("kind", ["laser", "injection", "surgery"])
def test_a_treatment_in_our_own_codes(kind: str) -> None:
    fact = only(read_one(done(f"treatment-{kind}")))
    assert (fact.name, fact.patient, fact.rank, fact.certain) == ("treatment", "p", 1, True)
    assert dict(fact.value) == {"on": "2031-06-09", "eyes": "right", "kind": kind}
    assert fact.issued == "2031-06-09T08:00:00.000000Z"
    parse_treatment(fact.value, "here")


def test_a_treatment_in_a_site_s_codes() -> None:
    laser = only(read_one(done("LASER", LOCAL, bodySite=[LEFT, RIGHT]), HERE))
    assert dict(laser.value) == {"on": "2031-06-09", "eyes": "both", "kind": "laser"}
    injected = only(read_one(done("RANI-OD", LOCAL, bodySite=None), HERE))
    assert dict(injected.value) == {
        "on": "2031-06-09", "eyes": "right", "kind": "injection", "agent": "ranibizumab",
    }  # fmt: skip


def test_a_code_of_ours_may_stand_beside_a_site_s_own() -> None:
    coding = [{"system": terms.SYSTEM, "code": "treatment-injection"}, {"system": LOCAL, "code": "RANI-OD"}]
    assert only(read_one(done(bodySite=None) | {"code": {"coding": coding}}, HERE)).value["agent"] == "ranibizumab"
    coding[0]["code"] = "treatment-laser"
    reading = read_one(done() | {"code": {"coding": coding}}, HERE)
    assert said(reading, "treatment") == []
    assert (reading.rejections[0].patient, reading.rejections[0].about) == ("p", "treatment")
    assert "mean different things" in reading.rejections[0].reason


@pytest.mark.parametrize(
    "other",
    [
        done("410453006", SNOMED),
        done("STAGE", LOCAL),
        done() | {"code": {"text": "laser"}},
        done() | {"code": None},
    ],
)
def test_other_procedures_say_nothing(other: dict[str, Any]) -> None:
    reading = read_one(other, HERE)
    assert (reading.facts, reading.rejections) == ((), ())


# --- whether it was done -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", ["preparation", "in-progress"])
def test_what_is_still_to_come_is_no_treatment(status: str) -> None:
    reading = read_one(done(status=status))
    assert (reading.facts, reading.rejections) == ((), ())


@pytest.mark.parametrize("status", ["entered-in-error", "not-done"])
def test_what_was_not_done_is_taken_back(status: str) -> None:
    assert only(read_one(done(status=status))).name == "retracted"


@pytest.mark.parametrize("status", ["stopped", "on-hold", "unknown", "finished", None])
def test_whatever_does_not_say_that_it_was_done_is_told_and_counts_as_not_done(status: Any) -> None:
    reading = read_one(done(status=status))
    assert [fact.name for fact in reading.facts] == ["retracted"]
    assert reading.rejections[0].path == "Procedure.status"
    assert "not say that the treatment was done" in reading.rejections[0].reason


def kept(*versions: dict[str, Any]) -> list[Fact]:
    facts: list[Fact] = []
    for number, version in enumerate(versions, 1):
        numbered = {**version, "meta": {"versionId": str(number)}}
        (reading,) = read_body(json.dumps(numbered).encode(), site(), RECEIVED)
        facts += ledger.additions(reading, facts)
    return facts


@pytest.mark.parametrize("status", ["entered-in-error", "not-done", "stopped", "unknown", "in-progress", None])
def test_a_newer_version_that_does_not_say_it_was_done_starts_the_clock_again(status: Any) -> None:
    assert len(read_course(kept(done())).treatments) == 1
    assert read_course(kept(done(), done(status=status))).treatments == ()
    assert len(read_course(kept(done(status=status), done())).treatments) == 1


def test_a_newer_version_that_cannot_be_read_keeps_what_was_done() -> None:
    course = read_course(kept(done(), done(bodySite=[{"text": "eye"}])))
    assert [each.sides for each in course.treatments] == [("right",)]
    assert course.unread == ("treatment",)


# --- which eye, and when -------------------------------------------------------------------------------------------

EYES = [
    ([{"coding": [{"system": SNOMED, "code": "362502000"}]}], "right"),
    ([{"coding": [{"system": SNOMED, "code": "362503005"}]}], "left"),
    ([{"coding": [{"system": SNOMED, "code": "362508001"}]}], "both"),
    ([RIGHT, LEFT], "both"),
    ([LEFT, {"text": "retina"}], "left"),
]


@pytest.mark.parametrize(("body", "eyes"), EYES)
def test_the_eye_that_was_treated(body: list[dict[str, Any]], eyes: str) -> None:
    """The codes as in HL7/cda-eyecare."""
    assert only(read_one(done(bodySite=body))).value["eyes"] == eyes


UNCLEAR = [
    (done(bodySite=None), "Procedure.bodySite", "names no eye"),
    (done(bodySite=[{"text": "eye"}]), "Procedure.bodySite", "names no eye"),
    (
        done(bodySite=[{"coding": [{"system": SNOMED, "code": "362503005", "display": "Right eye"}]}]),
        "Procedure.bodySite[0]", "means left by its code and says",
    ),
    (done("RANI-OD", LOCAL, bodySite=[LEFT]), "Procedure.bodySite", "names left, but the code says right"),
    (done(performedDateTime=None), "Procedure.performed", "does not say on which day"),
    (done(performedDateTime="2031-06"), "Procedure.performedDateTime", "does not say on which day"),
    (done(performedDateTime="today"), "Procedure.performedDateTime", '"today" is not a date'),
    (done(performedDateTime=None, performedString="June"), "Procedure.performed", "does not say on which day"),
    (done(modifierExtension=[{"url": "x"}]), "Procedure.modifierExtension[0]", "changes the meaning"),
]  # fmt: skip


@pytest.mark.parametrize(("resource", "path", "words"), UNCLEAR, ids=[row[2] for row in UNCLEAR])
def test_what_is_not_clear_is_not_a_treatment(resource: dict[str, Any], path: str, words: str) -> None:
    reading = read_one(resource, HERE)
    (rejection,) = reading.rejections
    assert (rejection.path, rejection.patient, rejection.about) == (path, "p", "treatment")
    assert words in rejection.reason
    assert [(fact.name, fact.value["of"]) for fact in reading.facts] == [("unreadable", "treatment")]


def test_nobody_is_treated_by_chance() -> None:
    reading = read_one(done(subject=None))
    assert reading.facts == ()
    assert "wrong subject" in reading.rejections[0].reason


@pytest.mark.parametrize(
    ("performed", "on"),
    [
        ({"performedDateTime": "2031-06-09"}, "2031-06-09"),
        ({"performedDateTime": "2031-06-09T23:30:00Z"}, "2031-06-10"),
        ({"performedPeriod": {"start": "2031-06-09T08:00:00Z", "end": "2031-06-10T01:00:00Z"}}, "2031-06-09"),
        ({"occurrenceDateTime": "2031-06-09"}, "2031-06-09"),  # as R5 names it
        ({"occurrencePeriod": {"start": "2031-06-09"}}, "2031-06-09"),
    ],
)
def test_the_day_is_the_site_s(performed: dict[str, Any], on: str) -> None:
    assert only(read_one(done(performedDateTime=None) | performed, site("Europe/Oslo"))).value["on"] == on


def test_no_procedure_code_of_others_is_mapped_for_everybody() -> None:
    standard = Path(__file__).parents[2] / "mappings" / "_standard.toml"
    tables = tomllib.loads(standard.read_text(encoding="utf-8"))["code"]
    assert [table for table in tables if table["concept"] == "treatment"] == []


# --- what helps an infant to breathe -------------------------------------------------------------------------------

CPAP = {"text": "nasal CPAP", "coding": [{"system": SNOMED, "code": "47545007", "display": "CPAP treatment"}]}


def breathing(status: str = "in-progress", **more: Any) -> dict[str, Any]:
    period = {"start": "2031-06-09T10:00:00+02:00"}
    return done(code="", status=status, performedDateTime=None, performedPeriod=period, bodySite=None) | {
        "code": CPAP, **more,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("status", "end", "until"),
    [
        ("in-progress", None, None), ("on-hold", None, None), ("completed", "2031-06-12", "2031-06-12"),
        ("stopped", "2031-06-11T23:30:00Z", "2031-06-12"), ("completed", None, "2031-06-09"),
    ],
)  # fmt: skip
def test_respiratory_support_goes_on_or_has_ended(status: str, end: str | None, until: str | None) -> None:
    """SNOMED CT 47545007, as in the value sets of HL7 QI-Core."""
    period = {"start": "2031-06-09T10:00:00+02:00", **({"end": end} if end else {})}
    fact = only(read_one(breathing(status, performedPeriod=period)))
    assert fact.name == "respiratory"
    assert dict(fact.value) == {"what": "nasal CPAP", "on": "2031-06-09", "until": until}


def test_what_is_planned_or_withdrawn_helps_nobody_to_breathe() -> None:
    assert read_one(breathing("preparation")).facts == ()
    assert [fact.name for fact in read_one(breathing("entered-in-error")).facts] == ["retracted"]
