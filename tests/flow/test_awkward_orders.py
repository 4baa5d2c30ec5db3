"""Records in an order nobody would choose: what they say must neither lose an infant nor end a course by mistake.

No source: what a unit would expect, in the terms of the invariants (conflicts add or advance, and never end anything).
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import orjson
import pytest
from flow.conftest import gestation, patient, stay, weight
from flow.test_course_in_service import BORN, FULL, GRAVE, MILD, Bedside, bedside

from service.core.infant import assemble
from service.fhir.forms import fill
from service.fhir.read import read_body
from service.store.arrivals import Arrival

__all__ = ["bedside"]  # the fixture

FIRST = ("first-exam", "2031-05-10", "2031-05-16")
OVER = {"on": "2031-05-20", "to": "Elsewhere", "place": "Eye clinic", "date": "2031-05-26", "by": "Nurse"}


def close(bedside: Bedside, why: str, on: str) -> None:
    basis = bedside.seen.course.basis
    bedside.type("closing", {"on": on, "by": "Dr One", "why": why, "basis": basis}, id="closing")


def in_bed(number: int, start: str, end: str = "", version: int = 1) -> dict[str, Any]:
    period = {"start": start} | ({"end": end} if end else {})
    body = stay("p", None, version, status="finished" if end else "in-progress", period=period)
    return {**body, "id": f"stay-{number}"}


@pytest.fixture
def gone(bedside: Bedside) -> Bedside:
    """Somebody who left on 20 May, was handed over and closed as taken over on that day."""
    bedside.examine("2031-05-12", MILD)
    bedside.send({**stay("p", None, 2, status="finished", period={"start": "2031-04-01", "end": "2031-05-20"})})
    bedside.type("hand-over", OVER, id="over")
    close(bedside, "taken-over", "2031-05-20")
    assert bedside.states() == {"p": "closed"}
    return bedside


def test_an_exam_dated_before_the_birth_neither_reassures_nor_is_the_first_exam(bedside: Bedside) -> None:
    bedside.examine("2031-03-12", FULL, id="mistyped")
    assert bedside.due == FIRST
    assert any("dated before the birth" in flag for flag in bedside.row.decision.flags)
    bedside.withdraw("eye-exam", "mistyped")
    assert not any("dated before the birth" in flag for flag in bedside.row.decision.flags)


def test_disease_found_on_a_day_before_the_birth_is_not_forgotten(bedside: Bedside) -> None:
    """It may be the day of birth that is wrong: what asks for treatment asks all the same."""
    bedside.examine("2031-03-12", GRAVE, id="mistyped")
    assert bedside.row.kind == "treatment"
    assert FIRST[0] in {step.kind for step in bedside.row.decision.also}


def test_who_was_taken_over_and_comes_back_is_on_the_list_again(gone: Bedside) -> None:
    gone.now = datetime(2031, 5, 23, 12, tzinfo=UTC)
    gone.send(in_bed(2, "2031-05-23"))
    assert gone.due == ("repeat-exam", "2031-05-26", "2031-05-26")
    assert any("open again: the infant came back on 2031-05-23" in flag for flag in gone.row.decision.flags)


def test_who_comes_back_on_the_day_of_leaving_is_on_the_list_again(gone: Bedside) -> None:
    gone.send(in_bed(2, "2031-05-20"))
    assert gone.states() == {"p": "eligible"}


def test_a_move_to_another_ward_before_leaving_reopens_nothing(bedside: Bedside) -> None:
    bedside.examine("2031-05-12", MILD)
    bedside.send(in_bed(1, "2031-04-01", "2031-05-15"), in_bed(2, "2031-05-15", "2031-05-20"))
    bedside.send({**stay("p", None, 2, status="finished", period={"start": "2031-04-01", "end": "2031-05-15"})})
    bedside.type("hand-over", {**OVER, "on": "2031-05-14"}, id="over")
    close(bedside, "taken-over", "2031-05-15")
    assert bedside.states() == {"p": "closed"}


def test_who_leaves_a_second_time_is_handed_over_a_second_time(gone: Bedside) -> None:
    gone.now = datetime(2031, 5, 24, 12, tzinfo=UTC)
    gone.send(in_bed(2, "2031-05-22", "2031-05-24"))
    assert gone.row.needs_hand_over, "the first one was for the first leaving"
    gone.type("hand-over", {**OVER, "on": "2031-05-24"}, id="over-again")
    assert not gone.row.needs_hand_over


def test_a_return_that_begins_tomorrow_opens_the_course_tomorrow_at_the_latest(gone: Bedside) -> None:
    gone.send(in_bed(2, "2031-05-21"))
    gone.now = datetime(2031, 5, 21, 12, tzinfo=UTC)
    gone.flow.reassess(gone.site)
    assert gone.states() == {"p": "eligible"}


def test_a_death_that_an_exam_contradicts_does_not_end_a_course(bedside: Bedside) -> None:
    """Twins are mixed up: the one whose eyes are looked at the day after is alive."""
    died = {"birthDate": BORN.isoformat(), "deceasedDateTime": "2031-05-18"}
    bedside.send(patient("p", 2, **died))
    assert bedside.states() == {"p": "closed"}
    bedside.examine("2031-05-19", MILD)
    assert bedside.due == ("repeat-exam", "2031-06-02", "2031-06-02")
    assert any("a death on 2031-05-18 is recorded" in flag for flag in bedside.row.decision.flags)
    bedside.withdraw("eye-exam", "exam-2031-05-19")
    assert bedside.states() == {"p": "closed"}
    bedside.send(patient("p", 3, birthDate=BORN.isoformat()))
    assert bedside.due == FIRST


def test_a_closing_by_death_that_an_exam_contradicts_is_open_again(bedside: Bedside) -> None:
    bedside.examine("2031-05-12", MILD)
    close(bedside, "death", "2031-05-20")
    bedside.examine("2031-05-19", MILD)
    assert bedside.states() == {"p": "closed"}, "written down late, and held before"
    bedside.examine("2031-05-21", MILD)
    assert bedside.due == ("repeat-exam", "2031-06-04", "2031-06-04")
    assert any("open again: an exam or a treatment is dated after the death" in f for f in bedside.row.decision.flags)


def test_a_treatment_is_known_before_any_exam(bedside: Bedside) -> None:
    """The exam that led to it was held elsewhere: the eyes are reviewed, and looked at here as well."""
    bedside.type("treatment", {"on": "2031-05-12", "eyes": "both", "kind": "laser"}, id="laser")
    kinds = [step.kind for step in (bedside.row.decision.next, *bedside.row.decision.also)]
    assert kinds == ["first-exam", "review-after-laser", "review-after-laser"]


def test_two_exams_of_one_day_and_the_graver_is_taken_back(bedside: Bedside) -> None:
    bedside.examine("2031-05-12", MILD, id="one", at="08:00")
    bedside.examine("2031-05-12", GRAVE, id="two", at="10:00")
    assert bedside.row.decision.next.by == "2031-05-15T10:00+02:00"
    bedside.withdraw("eye-exam", "two")
    assert bedside.due == ("repeat-exam", "2031-05-26", "2031-05-26")


def test_an_exam_dated_ahead_waits_for_its_day(bedside: Bedside) -> None:
    """Another system's answers to our form may leave out when it was filled in."""
    body = fill("eye-exam", {"on": "2031-05-20", "right": MILD, "left": MILD}, id="ahead", version=1, patient="p",
                author="Dr One", authored=bedside.now)  # fmt: skip
    del body["authored"]
    bedside.flow.accept([Arrival(bedside.site, "rest-hook", orjson.dumps(body))])
    assert bedside.due == FIRST
    assert any("dated later than today" in flag for flag in bedside.row.decision.flags)


def test_twins_merged_by_mistake_stand_apart_again(bedside: Bedside) -> None:
    bedside.send(patient("q", birthDate=BORN.isoformat()), gestation("q", "25w3d"), weight("q", 700))
    bedside.examine("2031-05-12", MILD)
    link = [{"other": {"reference": "Patient/p"}, "type": "replaced-by"}]
    bedside.send(patient("q", 2, birthDate=BORN.isoformat(), link=link))
    assert bedside.states() == {"p": "eligible", "q": "closed"}
    assert any("birth weight differs" in flag for flag in bedside.row.decision.flags)
    bedside.send(patient("q", 3, birthDate=BORN.isoformat()))
    assert bedside.rows()["q"].kind == "first-exam"
    assert not any("birth weight differs" in flag for flag in bedside.row.decision.flags)


@pytest.mark.parametrize(
    ("stays", "back"),
    [
        ([("2031-04-01", "2031-05-01")], None),
        ([("2031-04-01", "2031-05-01"), ("2031-05-01", "2031-05-20")], None),
        ([("2031-04-01", "2031-05-01"), ("2031-05-01", "")], "2031-05-01"),
        ([("2031-04-01", "2031-05-01"), ("2031-05-03", "2031-05-20")], "2031-05-03"),
        ([("2031-04-01", "2031-05-20"), ("2031-05-03", "2031-05-10")], None),  # both at once
        ([("2031-04-01", ""), ("2031-05-03", "2031-05-10")], None),  # the first never ended
        ([("2031-04-01", "2031-04-10"), ("2031-04-12", "2031-04-20"), ("2031-04-25", "")], "2031-04-25"),
    ],
)
def test_the_day_of_coming_back_is_read_from_the_stays(
    bedside: Bedside, stays: list[tuple[str, str]], back: str | None
) -> None:
    bodies = [in_bed(number, *each) for number, each in enumerate(stays)]
    site = bedside.flow.site(bedside.site)
    said = [fact for body in bodies for each in read_body(orjson.dumps(body), site, "") for fact in each.facts]
    for facts in (said, said[::-1]):
        assert assemble("p", facts, BORN).came_back == (date.fromisoformat(back) if back else None)
