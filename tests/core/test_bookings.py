"""A booking is told and changes nothing: only an exam answers it, and nothing but an exam moves a date."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

from core.invented import fact
from core.test_course import FOLLOWED, LATER, babies, courses, days, policies
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.chart import read_course
from service.core.course import Booking, Course
from service.core.decision import decide, from_json, to_json
from service.core.findings import Exam, Eye
from service.core.infant import Fact, Infant

MADE = date(2031, 6, 1)
SEEN = Eye(view="poor")

bookings = st.lists(
    st.builds(Booking, days, days, st.sampled_from(["", "09:30"]), st.sampled_from(["", "eye room"])), max_size=4
)


@settings(max_examples=150)
@given(babies, policies, courses, bookings)
def test_a_booking_never_changes_any_window_or_anything_else(
    baby: Infant, edition: str, drawn: Course, made: list[Booking]
) -> None:
    booked = replace(drawn, bookings=tuple(made))
    plain, more = (decide(baby, FOLLOWED[edition], LATER, course) for course in (drawn, booked))
    assert replace(more, bookings=()) == plain
    assert booked.basis == drawn.basis, "a closing that stands goes on standing"
    assert from_json(json.loads(json.dumps(to_json(more)))) == more


@settings(max_examples=150)
@given(courses, bookings, days)
def test_a_round_is_for_the_same_infants_whatever_its_day_brings(drawn: Course, made: list[Booking], day: date) -> None:
    course = Course.of(drawn.exams, drawn.treatments, drawn.closing, bookings=made)
    looked_at = Course.of([*course.exams, Exam(day, SEEN, SEEN)], course.treatments, course.closing, bookings=made)
    assert looked_at.as_began(day) == course.as_began(day)
    assert all(exam.on < day for exam in looked_at.as_began(day).exams)


def day(number: int) -> date:
    return MADE + timedelta(days=number)


def course(*exams: int) -> Course:
    booked = [Booking(MADE, day(3)), Booking(MADE, day(9), "09:30")]
    return Course.of([Exam(day(number), SEEN, SEEN) for number in exams], bookings=booked)


def test_an_exam_on_the_day_or_later_answers_a_booking_and_an_earlier_one_does_not() -> None:
    assert [each.day for each in course().booked] == [day(3), day(9)]
    assert [each.day for each in course(2).booked] == [day(3), day(9)]
    assert [each.day for each in course(3).booked] == [day(9)]
    assert [each.day for each in course(4).booked] == [day(9)]
    assert course(10).booked == ()


def test_what_was_booked_later_is_not_known_before() -> None:
    late = Course.of(bookings=[Booking(day(5), day(6))])
    assert late.until(day(4)).bookings == ()
    assert len(late.until(day(5)).bookings) == 1
    assert len(late.as_began(day(5)).bookings) == 1, "made in the morning, for the same day's round"


def test_as_it_is_told() -> None:
    assert str(Booking(MADE, day(3))) == "booked for 2031-06-04"
    assert (
        str(Booking(MADE, day(3), "09:30", "eye room", "Dr Reed"))
        == "booked for 2031-06-04 at 09:30, eye room, Dr Reed"
    )


def booking(version: int = 1, **more: str) -> Fact:
    value = {"on": "2031-06-01", "date": "2031-06-04", "by": "Sister Lane", **more}
    return fact("booking", value, "QuestionnaireResponse/b", version)


def test_from_facts_the_newest_version_alone() -> None:
    told = booking(time="09:30", place="eye room", examiner="Dr Reed")
    assert read_course([told]).bookings == (Booking(MADE, day(3), "09:30", "eye room", "Dr Reed", "Sister Lane"),)
    assert [each.day for each in read_course([told, booking(2, date="2031-06-05")]).bookings] == [day(4)]
    assert read_course([told, fact("retracted", {}, "QuestionnaireResponse/b", 2)]).bookings == ()
