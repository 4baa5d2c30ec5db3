"""Facts become a course: whole exams and gathered findings, corrections, withdrawals, what was agreed."""

from __future__ import annotations

from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from core.invented import fact, facts
from hypothesis import given
from hypothesis import strategies as st

from service.core.chart import read_course
from service.core.course import Closing, Course, Deferral, HandOver
from service.core.findings import SIDES, UNSEEN, Eye, Treatment, Zone
from service.core.infant import Fact

DAY = date(2031, 6, 9)
SAID = "2031-06-09"


def finding(eyes: str, resource: str = "Observation/1", version: int = 1, **of: Any) -> Fact:
    return fact("finding", {"on": SAID, "eyes": eyes, "of": of}, resource, version)


def exam(resource: str = "QuestionnaireResponse/1", version: int = 1, **value: Any) -> Fact:
    return fact("exam", {"on": SAID, **value}, resource, version)


def eyes(*said: Fact) -> tuple[Eye, Eye]:
    (only,) = read_course(said).exams
    return only.right, only.left


def test_an_exam_that_came_whole() -> None:
    right = {"zone": "II", "posterior": True, "stage": "2", "plus": "pre-plus"}
    course = read_course([exam(at="09:30", right=right, examiner="Dr Invented")], ZoneInfo("Europe/Oslo"))
    (held,) = course.exams
    assert (held.on, held.at, held.examiner, held.resource) == (DAY, "09:30", "Dr Invented", "QuestionnaireResponse/1")
    assert held.right == Eye(zone=Zone.POSTERIOR_II, stage="2", plus="pre-plus")
    assert held.left == UNSEEN, "an eye left out was not examined"
    assert course.zone == ZoneInfo("Europe/Oslo")


def test_findings_of_one_day_are_one_exam() -> None:
    right, left = eyes(
        finding("right", "Observation/1", zone="II"), finding("right", "Observation/2", stage="2"),
        finding("both", "Observation/3", plus="none"), finding("left", "Observation/4", zone="III", stage="0"),
    )  # fmt: skip
    assert right == Eye(zone=Zone.II, stage="2", plus="none")
    assert left == Eye(zone=Zone.III, stage="0", plus="none")


def test_right_and_left_are_never_swapped() -> None:
    right, left = eyes(
        finding("right", zone="I", stage="3", plus="plus"), finding("left", "Observation/2", view="none")
    )
    assert (right.zone, left) == (Zone.I, UNSEEN)
    right, left = eyes(finding("left", zone="I", stage="3", plus="plus"))
    assert (right, left.zone) == (UNSEEN, Zone.I)


def test_findings_of_two_days_are_two_exams_and_the_earliest_time_counts() -> None:
    later = fact("finding", {"on": "2031-06-16", "at": "11:00", "eyes": "both", "of": {"stage": "1"}}, "Observation/2")
    early = fact("finding", {"on": "2031-06-16", "at": "08:15", "eyes": "both", "of": {"zone": "II"}}, "Observation/3")
    course = read_course([finding("both", stage="1"), later, early])
    assert [(held.on, held.at) for held in course.exams] == [(DAY, ""), (date(2031, 6, 16), "08:15")]


@pytest.mark.parametrize(
    ("one", "other", "together"),
    [
        ({"zone": "II"}, {"zone": "I"}, {"zone": Zone.I}),
        ({"zone": "III"}, {"zone": "II", "posterior": True}, {"zone": Zone.POSTERIOR_II}),
        ({"zone": "I"}, {"zone": "II", "posterior": True}, {"zone": Zone.I}),
        ({"stage": "1"}, {"stage": "4A"}, {"stage": "4A"}),
        ({"stage": "5C"}, {"stage": "4B"}, {"stage": "5C"}),
        ({"plus": "none"}, {"plus": "pre-plus"}, {"plus": "pre-plus"}),
        ({"plus": "plus"}, {"plus": "pre-plus"}, {"plus": "plus"}),
        ({"view": "adequate"}, {"view": "poor"}, {"view": "poor"}),
        ({"regression": "complete"}, {"regression": "incomplete"}, {"regression": "incomplete"}),
        ({"regression": "none"}, {"regression": "incomplete"}, {"regression": "none"}),
        ({"vascularization": "full"}, {"vascularization": "III"}, {"vascularization": Zone.III}),
        ({"aggressive": False}, {"aggressive": True}, {"aggressive": True}),
        ({"nasal_at_ora": True}, {"nasal_at_ora": False}, {"nasal_at_ora": False}),
        ({"avascular_extent": 1.0}, {"avascular_extent": 2.5}, {"avascular_extent": 2.5}),
        ({"note": "a"}, {"note": "b"}, {"note": "a; b"}),
        ({"avascular_site": "temporal"}, {"avascular_site": "temporal"}, {"avascular_site": "temporal"}),
    ],
)  # fmt: skip
def test_where_records_disagree_the_worse_counts(
    one: dict[str, Any], other: dict[str, Any], together: dict[str, Any]
) -> None:
    for first, second in ((one, other), (other, one)):
        right, _ = eyes(finding("right", "Observation/1", **first), finding("right", "Observation/2", **second))
        assert {name: getattr(right, name) for name in together} == together


def test_what_cannot_go_together_leaves_out_what_reassures() -> None:
    """Aggressive disease and stage 0 cannot both be; the disease is kept."""
    right, _ = eyes(finding("right", zone="II", aggressive=True), finding("right", "Observation/2", stage="0"))
    assert right.aggressive
    assert right.stage is None
    right, _ = eyes(finding("right", vascularization="full"), finding("right", "Observation/2", stage="2", plus="plus"))
    assert (right.stage, right.plus, right.vascularization) == ("2", "plus", None)
    right, _ = eyes(finding("right", view="none"), finding("right", "Observation/2", zone="I", stage="3", plus="plus"))
    assert (right.view, right.stage, right.plus) == ("poor", "3", "plus")
    right, _ = eyes(finding("right", notch=True, near_zone_i=True))  # no zone: neither says where
    assert not right.complete
    right, _ = eyes(finding("right", zone="II", near_zone_i=True), finding("right", "Observation/2", stage="2"))
    assert (right.zone, right.stage, right.near_zone_i) == (Zone.II, "2", False)


def test_a_correction_replaces_and_a_withdrawal_takes_back() -> None:
    first = exam(right={"zone": "II", "stage": "1"})
    corrected = exam(version=2, right={"zone": "I", "stage": "1"})
    (held,) = read_course([corrected, first]).exams
    assert held.right.zone == Zone.I
    assert read_course([first, fact("retracted", {}, "QuestionnaireResponse/1", 2)]).exams == ()


def test_an_unreadable_correction_keeps_the_last_readable_and_says_so() -> None:
    lost = fact("unreadable", {"of": "exam", "reason": "no such stage"}, "QuestionnaireResponse/1", 2)
    first = exam(right={"zone": "II", "stage": "1", "plus": "none"}, left={"view": "none"})
    (held,) = read_course([first]).exams
    assert held.right.complete
    course = read_course([first, lost])
    (held,) = course.exams
    assert (held.right.stage, held.right.view, held.left.view) == ("1", "poor", "none")
    assert not held.right.complete, "what was seen counts, and that nothing else was is not said"
    assert course.unread == ("exam",)
    assert course.basis != read_course([first]).basis, "a closing that rests on it stands no longer"
    assert read_course([fact("unreadable", {"of": "weight", "reason": ""}, "Observation/9")]).unread == ()


def test_a_finding_whose_correction_is_unreadable_reassures_nobody() -> None:
    whole = finding("right", zone="III", stage="0", plus="none")
    other = finding("both", "Observation/2", nasal_at_ora=True)
    (right, left) = eyes(whole, other)
    assert right.complete
    lost = fact("unreadable", {"of": "finding", "reason": ""}, "Observation/1", 2)
    (right, left) = eyes(whole, other, lost)
    assert (right.zone, right.view) == (Zone.III, "poor")
    (right, left) = eyes(whole, other, fact("unreadable", {"of": "finding", "reason": ""}, "Observation/2", 2))
    assert (right.view, left.view) == ("poor", "poor")


def test_a_treatment_whose_correction_is_unreadable_is_followed_up_and_answers_nothing() -> None:
    given = fact("treatment", {"on": SAID, "eyes": "both", "kind": "laser"}, "Procedure/1")
    course = read_course([given, fact("unreadable", {"of": "treatment", "reason": ""}, "Procedure/1", 2)])
    assert course.treatments == (Treatment(DAY, SIDES, "laser", "", "Procedure/1", certain=False),)
    assert course.surely_treated("right") == ()
    assert course.basis != read_course([given]).basis


def test_what_was_agreed_does_not_end_anything_once_its_correction_is_unreadable() -> None:
    closed = fact("closing", {"on": SAID, "by": "Dr One", "why": "opt-out", "basis": "b"}, "QuestionnaireResponse/1")
    over = fact("hand_over", {"on": SAID, "to": "Elsewhere", "place": "Clinic", "date": "2031-06-16", "by": "Nurse"},
                "QuestionnaireResponse/2")  # fmt: skip
    seen = fact("long_term", {"on": SAID, "by": "Dr One", "where": "Clinic"}, "QuestionnaireResponse/3")
    put_off = fact("deferral", {"on": SAID, "until": "2031-06-12", "reason": "unwell", "ophthalmologist": "Dr One",
                                "neonatologist": "Dr Two"}, "QuestionnaireResponse/4")  # fmt: skip
    said = [closed, over, seen, put_off]
    lost = [fact("unreadable", {"of": each.name, "reason": ""}, each.resource, 2) for each in said]
    course = read_course([*said, *lost])
    assert (course.closing, course.hand_overs, course.followed_up) == (None, (), None)
    assert course.deferrals, "it moves nothing, and goes on being counted"


def test_an_exam_no_rule_can_read_any_more_is_a_poor_look_and_no_treatment_stops_a_clock_unread() -> None:
    (held,) = read_course([exam(right={"stage": "nine"})]).exams
    assert not held.right.complete
    assert not held.left.complete
    assert read_course([fact("treatment", {"on": SAID, "eyes": "right"}, "Procedure/1")]).treatments == ()


def test_treatments() -> None:
    both = fact("treatment", {"on": SAID, "eyes": "both", "kind": "injection", "agent": "ranibizumab"}, "Procedure/1")
    left = fact("treatment", {"on": "2031-06-10", "eyes": "left", "kind": "laser"}, "Procedure/2")
    assert read_course([left, both]).treatments == (
        Treatment(DAY, SIDES, "injection", "ranibizumab", "Procedure/1"),
        Treatment(date(2031, 6, 10), ("left",), "laser", "", "Procedure/2"),
    )


def test_the_last_closing_counts_until_it_is_taken_back() -> None:
    def closing(on: str, resource: str, version: int = 1) -> Fact:
        value = {"on": on, "by": "Dr Invented", "why": "opt-out", "basis": "b", "note": "n"}
        return fact("closing", value, resource, version)

    said = [closing("2031-07-02", "QuestionnaireResponse/2"), closing("2031-07-01", "QuestionnaireResponse/1")]
    assert read_course(said).closing == Closing(date(2031, 7, 2), "Dr Invented", "opt-out", "b", "n")
    opened = fact("reopening", {"on": "2031-07-03", "by": "Dr Two", "why": "came back"}, "QuestionnaireResponse/2", 2)
    earlier = read_course([*said, opened]).closing
    assert earlier is not None
    assert earlier.on == date(2031, 7, 1)
    assert read_course([said[0], opened]).closing is None


def test_what_was_agreed() -> None:
    put_off = fact(
        "deferral",
        {"on": SAID, "until": "2031-06-12", "reason": "unwell", "ophthalmologist": "Dr One", "neonatologist": "Dr Two"},
        "QuestionnaireResponse/1",
    )
    over = fact(
        "hand_over",
        {"on": SAID, "to": "Elsewhere", "place": "Eye clinic", "date": "2031-06-16", "by": "Nurse",
         "parents_told": True},
        "QuestionnaireResponse/2",
    )  # fmt: skip
    seen = [
        fact("long_term", {"on": on, "by": "Dr One", "where": "Clinic"}, f"QuestionnaireResponse/{on}")
        for on in ("2031-12-02", "2031-12-01")
    ]
    course = read_course([put_off, over, *seen])
    assert course.deferrals == (Deferral(DAY, date(2031, 6, 12), "unwell", "Dr One", "Dr Two"),)
    assert course.hand_overs == (HandOver(DAY, "Elsewhere", "Eye clinic", date(2031, 6, 16), "Nurse", True),)
    assert course.followed_up == date(2031, 12, 1)
    assert read_course([put_off]).deferrals, "each of them alone as well"
    assert read_course([over]).hand_overs
    assert read_course(seen).followed_up


def test_nothing_said_is_nothing_done() -> None:
    assert read_course([fact("born", {"low": SAID, "high": SAID})]) == Course()


@given(facts(), st.randoms(use_true_random=False))
def test_any_facts_make_a_course_whatever_their_order(said: list[Fact], random: Any) -> None:
    course = read_course(said)
    mixed = list(said)
    random.shuffle(mixed)
    assert read_course(mixed) == course
    assert all(not held.right.lacking or not held.right.complete for held in course.exams)
