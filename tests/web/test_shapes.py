"""A decision and a course as JSON: nothing is lost on the way, and an exam reads back as it was."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter
from steps import CLOCK, TYPE_1, a_decision, asking, decisions, of_kind

from service.core.course import Closing, Course, Deferral, HandOver
from service.core.decision import Decision
from service.core.findings import (
    KINDS,
    PLUS,
    REGRESSIONS,
    STAGES,
    VIEWS,
    Exam,
    Eye,
    Treatment,
    Zone,
    contradiction,
    parse_exam,
    parse_treatment,
)
from service.web.shapes import (
    CourseJson,
    DecisionJson,
    course_json,
    decision_json,
    exam_json,
    treatment_json,
)

ON = date(2031, 6, 9)
marks = st.booleans()
eyes = st.builds(
    Eye,
    view=st.sampled_from(VIEWS), zone=st.none() | st.sampled_from([zone for zone in Zone if zone != Zone.FULL]),
    near_zone_i=marks, vascularization=st.none() | st.sampled_from(Zone), stage=st.none() | st.sampled_from(STAGES),
    plus=st.none() | st.sampled_from(PLUS), aggressive=marks, regression=st.none() | st.sampled_from(REGRESSIONS),
    reactivation=marks, notch=marks, clock_hours=st.none() | st.integers(1, 12), nasal_at_ora=st.none() | marks,
    avascular_site=st.sampled_from(["", "temporal"]), avascular_extent=st.none() | st.floats(0, 20),
    note=st.sampled_from(["", "tunica"]), clock_positions=st.just(()) | st.just((2, 3)),
).filter(lambda eye: not contradiction(eye))  # fmt: skip
exams = st.builds(
    Exam, st.just(ON), eyes, eyes, st.sampled_from(["", "09:30"]), st.sampled_from(["", "Dr Reed"]),
    st.sampled_from(["", "indirect"]), st.sampled_from(["", "apnoea"]),
)  # fmt: skip
treatments = st.builds(
    lambda sides, kind, agent: Treatment(ON, sides, kind, agent if kind == "injection" else ""),
    st.sampled_from([("right",), ("left",), ("right", "left")]), st.sampled_from(KINDS),
    st.sampled_from(["", "ranibizumab"]),
)  # fmt: skip


@given(exams)
def test_an_exam_in_the_case_format_reads_back_as_it_was(exam: Exam) -> None:
    """What was not seen is left out and read as not seen: never as no finding."""
    assert parse_exam(json.loads(json.dumps(exam_json(exam))), "exam") == exam


@given(treatments)
def test_a_treatment_in_the_case_format_reads_back_as_it_was(treatment: Treatment) -> None:
    assert parse_treatment(json.loads(json.dumps(treatment_json(treatment))), "treatment") == treatment


@given(st.lists(exams, max_size=3), st.lists(treatments, max_size=2))
def test_a_course_fits_its_shape(held: list[Exam], given_: list[Treatment]) -> None:
    made = course_json(Course.of(held, given_), ON)
    assert TypeAdapter(CourseJson).validate_python(made, strict=True) == made


@given(decisions())
def test_a_decision_fits_its_shape(decision: Decision) -> None:
    """Strictly: a text where the description says text, and no key the description does not name."""
    made: Any = decision_json(decision, ON)
    assert TypeAdapter(DecisionJson).validate_python(made, strict=True) == made
    assert json.loads(json.dumps(made)) == made
    asked = [made["next"], *made["also"]]
    assert [step["kind"] for step in asked] == [step.kind for step in (decision.next, *decision.also)]


def test_what_was_agreed_is_told() -> None:
    deferral = Deferral(ON, date(2031, 6, 12), "too unwell", "Dr One", "Dr Two")
    over = HandOver(ON, "Dr Reed", "Eye clinic", date(2031, 6, 20), "Nurse Hale", parents_told=True)
    closing = Closing(ON, "Dr Reed", "opt-out", "abc", "by letter")
    step = of_kind("treatment", TYPE_1, eye="right", by=CLOCK)
    made = decision_json(
        asking(step, exams=2, treatments=1, deferrals=(deferral,), hand_over=over, closing=closing), ON
    )
    assert (made["next"]["by"], made["next"]["eye"], made["exams"], made["treatments"]) == (CLOCK, "right", 2, 1)
    assert made["deferrals"] == [
        {"on": "2031-06-09", "until": "2031-06-12", "reason": "too unwell", "ophthalmologist": "Dr One",
         "neonatologist": "Dr Two"}
    ]  # fmt: skip
    assert made["hand_over"] == {
        "on": "2031-06-09", "to": "Dr Reed", "place": "Eye clinic", "appointment": "2031-06-20", "by": "Nurse Hale",
        "parents_told": True,
    }  # fmt: skip
    told = {"on": "2031-06-09", "by": "Dr Reed", "why": "opt-out", "note": "by letter", "basis": "abc"}
    assert made["closing"] == {**told, "stands": False}, "open again: something is asked for"
    shut = a_decision(None, state="closed", closing=closing)
    assert decision_json(shut, ON)["closing"] == {**told, "stands": True}


def test_the_basis_is_that_of_what_has_happened() -> None:
    """A closing is judged by what was on record up to its day (core/course.py): so is the basis it is given."""
    held = Exam(ON, Eye(zone=Zone.II, stage="1", plus="none"), Eye(view="poor"))
    ahead = Exam(date(2031, 7, 9), held.right, held.left)
    assert course_json(Course.of([held, ahead]), ON)["basis"] == Course.of([held]).basis
