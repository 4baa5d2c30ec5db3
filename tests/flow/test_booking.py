"""A booking in the service: typed in, corrected, taken back; the list stays as it was, and nothing is said twice."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import orjson
import pytest
from flow.conftest import Ward, gestation, patient, stay, weight
from flow.test_course_in_service import FULL, Bedside

from service.fhir.forms import fill
from service.store.arrivals import Arrival

BOOKED = {"on": "2031-05-12", "date": "2031-05-14", "time": "09:30", "place": "eye room", "by": "Sister Lane"}


@pytest.fixture
def bedside(database: Any, sites: Any) -> Bedside:
    """One infant, 25w3d at birth: first exam due on 10 May 2031, last day 16 May (AAP 2018)."""
    ward = Bedside(database, sites)
    ward.now = datetime(2031, 5, 12, 7, 0, tzinfo=UTC)
    ward.send(patient("p", birthDate="2031-04-01"), gestation("p", "25w3d"), weight("p", 780), stay("p", None))
    return ward


def days(ward: Bedside) -> list[date]:
    return [each.day for each in ward.row.decision.bookings]


def test_the_list_shows_it_and_the_window_stays(bedside: Bedside) -> None:
    before = bedside.due
    bedside.type("booking", BOOKED)
    assert (bedside.due, days(bedside)) == (before, [date(2031, 5, 14)])
    (booking,) = bedside.row.decision.bookings
    assert (booking.time, booking.place, booking.examiner, booking.by) == ("09:30", "eye room", "", "Sister Lane")


def test_nobody_outside_is_told_anything_new(bedside: Bedside) -> None:
    told = "SELECT o.channel, o.state, o.attempts, p.* FROM outbox o, publications p ORDER BY p"
    before = bedside.query(told)
    assert before
    bedside.type("booking", BOOKED)
    assert bedside.query(told) == before


def test_corrected_and_taken_back(bedside: Bedside) -> None:
    bedside.type("booking", BOOKED)
    bedside.now += timedelta(minutes=5)
    bedside.type("booking", {**BOOKED, "date": "2031-05-15"}, version=2)
    assert days(bedside) == [date(2031, 5, 15)]
    bedside.now += timedelta(minutes=5)
    bedside.withdraw("booking", "one", 3)
    assert days(bedside) == []
    told = [change.what for shown in bedside.seen.shown() for change in shown.changes if change.name == "booking"]
    assert told == ["new", "corrected", "withdrawn"]


def test_only_an_exam_answers_it(bedside: Bedside) -> None:
    bedside.type("booking", BOOKED)
    bedside.now = datetime(2031, 5, 15, 7, 0, tzinfo=UTC)
    assert days(bedside) == [date(2031, 5, 14)], "missed, and still there"
    assert bedside.row.kind == "first-exam"
    bedside.examine("2031-05-15", {"zone": "II", "stage": "0", "plus": "none"})
    assert days(bedside) == []
    bedside.withdraw("eye-exam", "exam-2031-05-15")
    assert days(bedside) == [date(2031, 5, 14)]


def test_the_list_of_a_day_that_is_over_shows_what_was_booked_then(bedside: Bedside) -> None:
    bedside.type("booking", BOOKED)
    bedside.type("booking", {**BOOKED, "on": "2031-05-13", "date": "2031-05-16"}, id="two")
    bedside.now = datetime(2031, 5, 20, 7, 0, tzinfo=UTC)
    (then,) = bedside.flow.worklist(as_of=date(2031, 5, 12))
    assert [each.day for each in then.decision.bookings] == [date(2031, 5, 14)]


def test_a_booking_that_cannot_be_is_refused_and_shown(bedside: Bedside) -> None:
    body = fill(
        "booking", {**BOOKED, "date": "2031-05-11"}, id="b", version=1, patient="p", author="x", authored=bedside.now
    )  # fmt: skip
    bedside.flow.accept([Arrival(bedside.site, "hand", orjson.dumps(body))])
    assert "is before the day on which this was booked" in bedside.flow.rejections()[0]["reason"]
    assert days(bedside) == []


# --- the round -----------------------------------------------------------------------------------------------------


def on_round(ward: Ward, day: date) -> list[tuple[str, str, bool]]:
    return [(entry.patient, entry.window.due.isoformat(), held) for entry, held in ward.flow.round(ward.site, day)]


def test_a_round_stays_as_it_was_while_it_is_typed_in(bedside: Bedside) -> None:
    bedside.send(patient("q", birthDate="2031-04-03"), gestation("q", "25w3d"), weight("q", 900), stay("q", None))
    day = date(2031, 5, 14)
    bedside.now = datetime(2031, 5, 14, 6, 0, tzinfo=UTC)
    before = on_round(bedside, day)
    assert before == [("p", "2031-05-10", False), ("q", "2031-05-12", False)]
    bedside.examine("2031-05-14", {"zone": "II", "stage": "0", "plus": "none"})
    after = [("p", "2031-05-10", True), ("q", "2031-05-12", False)]
    assert on_round(bedside, day) == after
    bedside.now = datetime(2031, 5, 16, 6, 0, tzinfo=UTC)
    assert on_round(bedside, day) == after, "and days later"


def test_a_round_keeps_whom_its_exam_closed(bedside: Bedside) -> None:
    bedside.examine("2031-05-14", FULL)
    basis = bedside.seen.course.basis
    bedside.type(
        "closing", {"on": "2031-05-14", "by": "Dr Reed", "why": "screening-complete", "basis": basis}, id="closing"
    )
    assert on_round(bedside, date(2031, 5, 14)) == [("p", "2031-05-10", True)]


def test_a_round_to_come_has_the_ages_of_its_day(bedside: Bedside) -> None:
    ((entry, held),) = bedside.flow.round(bedside.site, date(2031, 5, 19))
    assert (entry.decision.ages.postmenstrual, held) == ("32w2d", False)  # 25w3d and 48 days
