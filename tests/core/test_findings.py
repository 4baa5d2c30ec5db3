"""Findings are read strictly; what cannot be is refused in words; what was not seen is never "no finding"."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Any

import pytest

from service.core.findings import (
    UNSEEN,
    Exam,
    Eye,
    Treatment,
    Zone,
    contradiction,
    parse_exam,
    parse_eye,
    parse_treatment,
)
from service.errors import ConfigurationError

DAY = date(2031, 6, 1)


def test_everything_that_may_be_said_of_an_eye_is_read() -> None:
    read = parse_eye(
        {
            "view": "poor", "zone": "II", "posterior": True, "near_zone_i": True, "vascularization": "II", "stage": 3,
            "plus": "pre-plus", "aggressive": True, "regression": "incomplete", "reactivation": True, "notch": True,
            "clock_hours": 5, "nasal_at_ora": False, "avascular_site": "temporal", "avascular_extent": 2.5,
            "note": "tunica",
        },
        "x",
    )  # fmt: skip
    assert read == Eye(
        "poor", Zone.POSTERIOR_II, True, Zone.II, "3", "pre-plus", True, "incomplete", True, True, 5, False, "temporal",
        2.5, "tunica",
    )  # fmt: skip
    assert parse_eye({}, "x") == Eye()


@pytest.mark.parametrize("hours", [1, 12])
def test_disease_may_take_one_clock_hour_or_all(hours: int) -> None:
    assert parse_eye({"stage": 1, "clock_hours": hours}, "x").clock_hours == hours


def test_clock_hours_that_are_named_are_counted() -> None:
    read = parse_eye({"stage": 1, "clock_positions": "12, 1 3, 1"}, "x")
    assert (read.clock_positions, read.clock_hours) == ((1, 3, 12), 3)
    assert parse_eye({"stage": 1, "clock_hours": 3}, "x").clock_positions == ()


@pytest.mark.parametrize(
    ("word", "zone"), [("I", Zone.I), ("posterior II", Zone.POSTERIOR_II), ("II", Zone.II), ("III", Zone.III)]
)
def test_zones_are_read_and_ordered_from_the_disc_outward(word: str, zone: Zone) -> None:
    """International Classification of ROP, 3rd edition, Ophthalmology 2021;128:e51."""
    assert parse_eye({"zone": word}, "x").zone == zone
    assert parse_eye({"vascularization": word}, "x").vascularization == zone
    assert Zone.I < Zone.POSTERIOR_II < Zone.II < Zone.III < Zone.FULL


@pytest.mark.parametrize("stage", [0, 1, 2, 3, "4A", "4B", "5A", "5B", "5C", "4a"])
def test_stages_are_those_of_the_classification(stage: Any) -> None:
    assert parse_eye({"stage": stage}, "x").stage == str(stage).upper()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"zone": "IV"}, ("x.zone", "III")),
        ({"zone": 2}, ("x.zone",)),
        ({"zone": "full"}, ("x.zone",)),
        ({"zone": "I", "posterior": True}, ("posterior is said of zone II only",)),
        ({"posterior": True}, ("posterior is said of zone II only",)),
        ({"posterior": "yes"}, ("x.posterior", "true or false")),
        ({"stage": 4}, ("x.stage", "4A")),
        ({"stage": True}, ("x.stage",)),
        ({"plus": True}, ("x.plus", "pre-plus")),
        ({"view": "good"}, ("x.view", "adequate")),
        ({"regression": "some"}, ("x.regression", "incomplete")),
        ({"clock_hours": 13}, ("x.clock_hours", "1 to 12")),
        ({"clock_hours": 0}, ("x.clock_hours",)),
        ({"clock_hours": True}, ("x.clock_hours",)),
        ({"clock_positions": "0, 1"}, ("x.clock_positions", "1 to 12")),
        ({"clock_positions": "2, 13"}, ("x.clock_positions",)),
        ({"clock_positions": "two"}, ("x.clock_positions",)),
        ({"clock_positions": ""}, ("x.clock_positions",)),
        ({"clock_positions": 3}, ("x.clock_positions",)),
        ({"avascular_extent": "2 DD"}, ("x.avascular_extent", "disc diameters")),
        ({"avascular_extent": -1}, ("x.avascular_extent",)),
        ({"avascular_extent": True}, ("x.avascular_extent",)),
        ({"note": 7}, ("x.note", "text")),
        ({"sgate": 2}, ("unknown key 'sgate'", "stage")),
        ({"view": "none", "stage": 0}, ("was not seen has no findings",)),
        ({"view": "none", "plus": "none"}, ("was not seen has no findings",)),
        ({"aggressive": True, "stage": 0}, ("aggressive ROP is disease",)),
        ({"reactivation": True, "stage": 0}, ("reactivation is disease",)),
        ({"reactivation": True, "regression": "complete"}, ("completely regressed and reactivated",)),
        ({"aggressive": True, "regression": "complete"}, ("completely regressed and",)),
        ({"vascularization": "full", "stage": 2}, ("fully vascularized retina has no active disease",)),
        ({"vascularization": "full", "aggressive": True}, ("fully vascularized",)),
        ({"vascularization": "full", "plus": "plus"}, ("full vascularization cannot be",)),
        ({"zone": "III", "vascularization": "II", "stage": 1}, ("cannot be beyond",)),
        ({"zone": "III", "nasal_at_ora": False}, ("nasal vessels have not reached the ora",)),
        ({"vascularization": "full", "nasal_at_ora": False}, ("nasal vessels",)),
        ({"notch": True}, ("a notch is recorded with the zone",)),
        ({"zone": "II", "near_zone_i": True}, ("posterior zone II only",)),
        ({"zone": "II", "stage": 0, "clock_hours": 3}, ("clock hours describe disease",)),
        ({"zone": "II", "stage": 0, "clock_positions": "3"}, ("clock hours describe disease",)),
        ({"stage": 1, "clock_hours": 3, "clock_positions": "3, 4"}, ("the number of clock hours is not",)),
    ],
)
def test_what_cannot_be_is_refused_in_words(data: dict[str, Any], words: tuple[str, ...]) -> None:
    with pytest.raises(ConfigurationError) as refused:
        parse_eye(data, "x")
    for word in words:
        assert word in str(refused.value)


def test_what_can_be_is_not_refused() -> None:
    for data in (
        {"vascularization": "full", "stage": 1, "regression": "complete"},
        {"zone": "II", "stage": 0, "vascularization": "II"},
        {"zone": "I", "notch": True, "vascularization": "II", "stage": 3},
        {"view": "poor", "plus": "plus"},
        {"view": "none", "note": "corneal haze"},
    ):
        assert contradiction(parse_eye(data, "x")) == ""


@pytest.mark.parametrize(
    ("data", "lacking"),
    [
        ({"view": "none"}, "was not seen"),
        ({"view": "poor", "zone": "II", "stage": 1, "plus": "none"}, "was seen poorly"),
        ({}, "has no zone and no stage and no plus on record"),
        ({"zone": "II", "plus": "none"}, "has no stage on record"),
        ({"stage": 0}, "has no zone on record"),
        ({"zone": "II", "stage": 1}, "has no plus on record"),
        ({"zone": "II", "regression": "incomplete"}, "has no plus on record"),
        ({"zone": "II", "stage": 0}, ""),
        ({"zone": "II", "stage": 1, "plus": "none"}, ""),
        ({"zone": "II", "regression": "complete"}, ""),
        ({"vascularization": "full"}, ""),
        ({"aggressive": True}, ""),
    ],
)
def test_what_was_not_recorded_leaves_the_record_incomplete(data: dict[str, Any], lacking: str) -> None:
    """Missing plus counts as none only where there is no disease at all, or all of it is gone."""
    eye = parse_eye(data, "x")
    assert eye.lacking == lacking
    assert eye.complete == (lacking == "")


@pytest.mark.parametrize(
    "data",
    [
        {"zone": "I"}, {"vascularization": "II"}, {"stage": 0}, {"plus": "none"}, {"regression": "none"},
        {"clock_hours": 3}, {"nasal_at_ora": False}, {"avascular_extent": 0}, {"aggressive": True},
        {"reactivation": True}, {"notch": True}, {"near_zone_i": True}, {"avascular_site": "temporal"},
    ],
    ids=str,
)  # fmt: skip
def test_whatever_was_said_of_the_retina_is_a_finding(data: dict[str, Any]) -> None:
    assert Eye(view="poor", **data).has_findings
    assert not Eye(view="poor", note="corneal haze").has_findings


def test_an_eye_left_out_of_an_exam_was_not_examined() -> None:
    exam = parse_exam({"on": "2031-06-01", "right": {"zone": "II", "stage": 0}}, "x")
    assert exam == Exam(DAY, right=Eye(zone=Zone.II, stage="0"), left=UNSEEN)
    assert exam.eye("left") is UNSEEN
    assert not exam.complete
    assert not UNSEEN.complete


def test_the_time_of_an_exam_is_the_wall_clock_at_the_site() -> None:
    for given in (
        {"on": datetime(2031, 6, 1, 9, 30)},  # noqa: DTZ001 - as a TOML file writes local time
        {"on": "2031-06-01T09:30:00"},
        {"on": DAY, "at": time(9, 30)},
        {"on": DAY, "at": "09:30"},
    ):
        exam = parse_exam(given, "x")
        assert (exam.on, exam.at) == (DAY, "09:30")
    assert parse_exam({"on": DAY}, "x").at == ""


def test_who_looked_and_how_and_what_went_wrong_are_kept() -> None:
    said = {"examiner": "Dr Invented", "method": "indirect ophthalmoscopy", "adverse_events": "bradycardia"}
    assert parse_exam({"on": DAY, **said}, "x") == Exam(DAY, UNSEEN, UNSEEN, **said)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({}, ("x.on", "is not a date")),
        ({"on": "June"}, ("x.on", "2031-06-01")),
        ({"on": DAY, "at": "noon"}, ("x.at", "09:30")),
        ({"on": DAY, "right": "zone II"}, ("x.right", "table of findings")),
        ({"on": DAY, "rigth": {}}, ("unknown key 'rigth'", "right")),
    ],
)
def test_an_exam_is_read_strictly(data: dict[str, Any], words: tuple[str, ...]) -> None:
    with pytest.raises(ConfigurationError) as refused:
        parse_exam(data, "x")
    for word in words:
        assert word in str(refused.value)


def test_a_treatment_names_its_eyes_kind_and_agent() -> None:
    read = parse_treatment({"on": DAY, "eyes": "both", "kind": "injection", "agent": "ranibizumab"}, "x")
    assert read == Treatment(DAY, ("right", "left"), "injection", "ranibizumab")
    assert parse_treatment({"on": DAY, "eyes": "left", "kind": "laser"}, "x").sides == ("left",)
    assert parse_treatment({"on": DAY, "eyes": "right", "kind": "surgery"}, "x").sides == ("right",)
    for data, word in (
        ({"on": DAY, "eyes": "both"}, "kind"),
        ({"on": DAY, "kind": "laser"}, "eyes"),
        ({"on": DAY, "eyes": "all", "kind": "laser"}, "both"),
        ({"on": DAY, "eyes": "both", "kind": "cryo"}, "laser"),
        ({"on": DAY, "eyes": "both", "kind": "laser", "agent": "ranibizumab"}, "leave it out"),
        ({"on": DAY, "eyes": "both", "kind": "laser", "dose": 1}, "unknown key 'dose'"),
    ):
        with pytest.raises(ConfigurationError, match=word):
            parse_treatment(data, "x")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"zone": "II", "posterior": True, "stage": 0}, "posterior zone II without ROP"),
        ({"zone": "I", "stage": 3, "plus": "plus"}, "zone I stage 3 with plus disease"),
        ({"zone": "II", "stage": 2, "regression": "complete"}, "zone II stage 2 completely regressed"),
        ({"zone": "II", "stage": 2, "reactivation": True}, "zone II stage 2 reactivated"),
        ({"aggressive": True}, "zone not recorded aggressive ROP"),
        ({"vascularization": "full"}, "full vascularization"),
        ({"view": "none"}, "not seen"),
        ({"view": "poor"}, "seen poorly"),
        ({"view": "poor", "zone": "II", "stage": 3}, "zone II stage 3"),
        ({}, "zone not recorded stage not recorded"),
    ],
)
def test_an_eye_in_words(data: dict[str, Any], words: str) -> None:
    assert str(parse_eye(data, "x")) == words
