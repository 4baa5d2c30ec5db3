"""A booking is told and changes nothing: only an exam answers it, and nothing but an exam moves a date."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta

from core.invented import fact, infant
from core.test_course import FOLLOWED, LATER, babies, courses, days, policies
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.chart import read_course
from service.core.course import Booking, Course
from service.core.decision import decide, from_json, to_json
from service.core.findings import Exam, Eye, Zone
from service.core.infant import Fact, Infant

MADE = date(2031, 6, 1)
SEEN = Eye(view="poor")
WHOLE = Eye(zone=Zone.II, stage="1", plus="none")

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


def left(course: Course, needed: date = date.max) -> list[date]:
    return [each.day for each in course.open_bookings(needed)]


def test_an_exam_on_the_day_or_later_answers_a_booking_and_an_earlier_poor_one_does_not() -> None:
    assert left(course()) == [day(3), day(9)]
    assert left(course(2)) == [day(3), day(9)]
    assert left(course(3)) == [day(9)]
    assert left(course(4)) == [day(9)]
    assert left(course(10)) == []


def test_an_exam_that_came_first_answers_the_soonest_booking_if_nothing_is_needed_by_its_day() -> None:
    """Common practice, no source: an exam held a day before it was booked is that exam."""

    def held(*exams: int, left_eye: Eye = WHOLE, needed: int = 20) -> list[date]:
        booked = Course.of([Exam(day(each), WHOLE, left_eye) for each in exams], bookings=course().bookings)
        return left(booked, day(needed))

    assert held(2) == [day(9)], "one visit stands for one"
    assert held(1, 2) == []
    assert held(8) == [], "the one before is over as well"
    assert held(3) == [day(9)], "held on its own day: it was not the other one"
    assert held(0) == [day(3), day(9)], "booked on the day of that exam, so for another"
    assert held(2, left_eye=SEEN) == [day(3), day(9)]
    assert held(2, needed=3) == [day(3), day(9)], "an exam is asked for by then"
    assert held(2, needed=4) == [day(9)]
    assert held(8, needed=9) == [day(9)]
    late = Course.of([Exam(day(2), WHOLE, WHOLE)], bookings=[Booking(day(5), day(6))])
    assert left(late) == [day(6)], "booked afterwards"


def test_a_decision_keeps_the_bookings_that_its_steps_may_need() -> None:
    """Zone II stage 1: AAP 2018, again in 14 days (memory)."""
    baby, edition = infant(MADE - timedelta(days=60), "27w0d", 900), FOLLOWED["aap-2018"]

    def booked(found: Eye, *days: int, on: int = 2) -> list[int]:
        made = [Booking(MADE, day(number)) for number in days]
        told = decide(baby, edition, LATER, Course.of([Exam(day(on), found, found)], bookings=made))
        return [(each.day - MADE).days for each in told.bookings]

    assert booked(WHOLE, 3) == []
    assert booked(WHOLE, 15) == [], "the next one is due a day later"
    assert booked(WHOLE, 16) == [16], "it serves as the next one"
    type_1 = Eye(zone=Zone.II, stage="2", plus="plus")
    assert booked(type_1, 3) == [3], "its treatment is running"
    full = Eye(vascularization=Zone.FULL)
    assert booked(full, 3) == [], "the question whether screening may stop needs no visit"


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
