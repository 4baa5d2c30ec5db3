"""What is published follows what is decided: said once, and nobody in limbo, whatever was decided before."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from flow.conftest import Ward, gestation, patient, weight
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from steps import WINDOW, a_decision, a_site, asking, decisions, of_kind

from service import announce
from service.core.ages import Gestation
from service.core.course import Closing, Course, HandOver
from service.core.decision import Ages, Decision, decide
from service.core.findings import Exam, Eye, Treatment, Zone
from service.core.infant import Days, Infant, known
from service.core.window import Window
from service.fhir.forms import fill
from service.fhir.sites import Publish
from service.fhir.step import KINDS, Step, asked_for, is_done, split_name, step_name
from service.policies import load_policies
from service.store import infants
from service.store.database import Database

ONE_DAY = timedelta(days=1)
LATER = Window(*(day + 7 * ONE_DAY for day in (WINDOW.opens, WINDOW.due, WINDOW.closes)))


class Told:
    """One infant of one site, and what has been published of it. Every infant here is another one."""

    def __init__(self, database: Database) -> None:
        self.database, self.key, self.patient = database, uuid4(), f"p-{uuid4().hex}"
        self.site = a_site(publish=Publish(channels=("fhir_task",), owner="Larkfield eye service"))
        self.now = datetime(2031, 5, 20, 6, 30, tzinfo=UTC)
        self.sent: list[Step] = []

    def tell(self, decision: Decision) -> None:
        """The infant is decided upon, in a transaction of its own, a day after the last time."""
        decision, self.now = replace(decision, patient=self.patient), self.now + ONE_DAY
        with self.database.transaction() as connection:
            (id,) = infants.decide(connection, self.site.id, [decision], self.now)
            row = {
                "site": self.site.id, "patient": self.patient, "key": self.key, "known_since": date(2031, 5, 1),
                "first_seen": self.now, "changed_at": self.now, "decision": id, **infants.judgement(decision),
                "name": "", "identifier": "", "bed": "",
            }  # fmt: skip
            infants.put(connection, [row])
            announce.announce(connection, self.site, [announce.Decided(decision, id, self.key, "Ward")], self.now)

    def publish(self) -> announce.Sent:
        """Everything waiting is sent to a server that takes it all."""

        def send(step: Step) -> dict[str, Any]:
            self.sent.append(step)
            return {}

        return announce.publish(self.database, self.site, {"fhir_task": send}, lambda: self.now + ONE_DAY, 1000)

    def rows(self, type: str = "Task") -> list[Any]:
        query = "SELECT * FROM publications WHERE current AND patient = %s AND type = %s"
        with self.database.transaction() as connection:
            return list(connection.exec_driver_sql(query, (self.patient, type)))

    def tasks(self) -> dict[str, str]:
        """Status of the Task in force, by the step's name."""
        rows = self.rows()
        assert len({row.step for row in rows}) == len(rows) == len({row.id for row in rows}), "one Task for each step"
        return {row.step: row.status for row in rows}


@pytest.fixture
def told(database: Database) -> Told:
    return Told(database)


words = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
"""What PostgreSQL keeps: reading lets no NUL through (service/fhir/element.py)."""


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(sequence=st.lists(decisions(words), min_size=1, max_size=5))
def test_what_is_asked_is_requested_and_nothing_else_is(database: Database, sequence: Sequence[Decision]) -> None:
    """After every decision, whatever came before it: design, invariants 1 (no limbo) and 4 (said once)."""
    told = Told(database)
    for decision in sequence:
        before = told.tasks()
        told.tell(decision)
        after, asked = told.tasks(), asked_for(decision)
        assert {name for name, status in after.items() if status == "requested"} == set(asked)
        assert {each.kind for each in (decision.next, *decision.also)} - {"none"} == {
            split_name(name)[0] for name in asked
        }, "one step for each kind"
        for name, status in before.items():
            if name not in asked:
                ended = "completed" if is_done(name, decision) else "cancelled"
                assert after[name] == (ended if status == "requested" else status), "what has ended stays as it ended"
        requests = {row.step: row.status for row in told.rows("ServiceRequest")}
        match = {"requested": "active", "completed": "completed", "cancelled": "revoked"}
        paired = {name: match[status] for name, status in after.items() if KINDS[split_name(name)[0]].requests}
        assert requests == paired
        versions = {row.id: row.version for type in ("Task", "ServiceRequest") for row in told.rows(type)}
        told.tell(decision)
        assert versions == {row.id: row.version for type in ("Task", "ServiceRequest") for row in told.rows(type)}

    while told.publish().done:
        pass
    last = {step.name: step for step in told.sent if step.patient == told.patient}
    assert {name: step.status for name, step in last.items()} == told.tasks(), "the site hears how it ended"
    assert {name: step.asked for name, step in last.items() if step.asked} == asked_for(
        replace(sequence[-1], patient=told.patient)
    )


def test_a_moved_date_is_the_same_step_and_the_next_exam_another(told: Told) -> None:
    told.tell(asking(of_kind("repeat-exam"), exams=1))
    (first,) = told.rows()
    told.tell(asking(of_kind("repeat-exam", window=LATER), exams=1))
    (moved,) = told.rows()
    assert (moved.id, moved.version, moved.period_end) == (first.id, 2, LATER.closes)
    told.tell(asking(of_kind("repeat-exam", window=LATER), exams=2))
    assert told.tasks() == {"repeat-exam-2": "completed", "repeat-exam-3": "requested"}


def test_what_was_published_before_the_course_is_still_the_first_exam(told: Told) -> None:
    told.tell(a_decision())
    told.tell(asking(of_kind("repeat-exam"), exams=1))
    assert told.tasks() == {"first-exam": "completed", "repeat-exam-2": "requested"}


def test_an_exam_taken_back_makes_the_step_before_it_due_again(told: Told) -> None:
    told.tell(asking(of_kind("repeat-exam"), exams=1))
    told.tell(asking(of_kind("review-after-laser"), exams=2, treatments=1))
    assert told.tasks() == {"repeat-exam-2": "completed", "review-after-laser-3": "requested"}
    told.tell(asking(of_kind("repeat-exam"), exams=1))
    assert told.tasks() == {"repeat-exam-2": "requested", "review-after-laser-3": "cancelled"}
    told.tell(a_decision())
    assert told.tasks()["first-exam"] == "requested" and told.tasks()["repeat-exam-2"] == "cancelled"


def test_treatment_given_completes_it_and_another_exam_does_not(told: Told) -> None:
    told.tell(asking(of_kind("treatment", by="2031-06-07T09:30"), of_kind("repeat-exam"), exams=1))
    assert told.tasks() == {"treatment-1": "requested", "repeat-exam-2": "requested"}
    told.tell(asking(of_kind("treatment", by="2031-06-07T09:30"), of_kind("repeat-exam"), exams=2))
    assert told.tasks() == {"treatment-1": "requested", "repeat-exam-2": "completed", "repeat-exam-3": "requested"}
    told.tell(asking(of_kind("review-after-laser"), exams=2, treatments=1))
    assert told.tasks()["treatment-1"] == "completed" and told.tasks()["repeat-exam-3"] == "cancelled"


def test_a_decision_is_answered_by_whatever_was_done_about_it(told: Told) -> None:
    told.tell(asking(of_kind("decision"), exams=2))
    told.tell(asking(of_kind("repeat-exam"), exams=2))
    assert told.tasks()["decision-3"] == "cancelled", "the finding behind it was corrected: nothing was decided"
    told.tell(asking(of_kind("decision"), exams=2))
    told.tell(asking(of_kind("repeat-exam"), exams=2, treatments=1))
    assert told.tasks()["decision-3"] == "completed"


@pytest.mark.parametrize(
    ("why", "ended"), [("screening-complete", "completed"), ("opt-out", "completed"), ("death", "cancelled")]
)
def test_closing_the_course_answers_the_question_whether_to(told: Told, why: str, ended: str) -> None:
    told.tell(asking(of_kind("decision"), of_kind("repeat-exam"), exams=3))
    closing = Closing(date(2031, 7, 1), "Dr Reed", why, "")
    told.tell(a_decision(None, state="closed", exams=3, closing=closing))
    assert told.tasks() == {"decision-4": ended, "repeat-exam-4": "cancelled"}
    (exam,) = [row.body for row in told.rows() if row.step == "repeat-exam-4"]
    assert exam["statusReason"]["text"].startswith("Dr Reed closed the course on 2031-07-01")


def test_a_death_calls_everything_off(told: Told) -> None:
    told.tell(asking(of_kind("treatment"), of_kind("repeat-exam"), of_kind("hand-over"), of_kind("long-term"), exams=1))
    told.tell(a_decision(None, state="closed", closed_by="deceased"))
    assert set(told.tasks().values()) == {"cancelled"}


def test_a_hand_over_is_done_when_somebody_takes_over(told: Told) -> None:
    told.tell(asking(of_kind("repeat-exam"), of_kind("hand-over"), exams=1))
    assert told.tasks() == {"repeat-exam-2": "requested", "hand-over-2": "requested"}
    over = HandOver(date(2031, 6, 2), "Dr Reed", "Eye clinic", date(2031, 6, 5), "Nurse Hale")
    told.tell(asking(of_kind("repeat-exam"), exams=1, hand_over=over))
    assert told.tasks() == {"repeat-exam-2": "requested", "hand-over-2": "completed"}
    told.tell(asking(of_kind("repeat-exam"), of_kind("hand-over"), exams=1))  # taken back
    assert told.tasks()["hand-over-2"] == "requested"


def test_the_visit_months_later_is_one_step_to_the_end(told: Told) -> None:
    told.tell(asking(of_kind("repeat-exam"), of_kind("long-term"), exams=1))
    closing = Closing(date(2031, 7, 1), "Dr Reed", "screening-complete", "")
    told.tell(asking(of_kind("long-term"), exams=1, closing=closing))
    assert told.tasks() == {"repeat-exam-2": "cancelled", "long-term": "requested"}
    told.tell(a_decision(None, state="closed", exams=1, closing=closing, followed_up=date(2031, 12, 1)))
    assert told.tasks()["long-term"] == "completed"


# --- a course as the core decides it -------------------------------------------------------------------------------

BORN = date(2031, 3, 1)
MILD = Eye(zone=Zone.II, stage="1", plus="none")
BAD = Eye(zone=Zone.I, stage="3", plus="plus")


def after(*exams: Exam, treatments: Sequence[Treatment] = (), on: date = date(2031, 8, 1), **more: Any) -> Decision:
    """What the core decides of an infant of 25w3d after these exams and treatments, under AAP 2018."""
    infant = Infant(
        patient="p", known_since=BORN, born=known(Days(BORN, BORN)), gestation=known(Gestation.parse("25w3d")),
        birth_weight=known(780), **more,
    )  # fmt: skip
    return decide(infant, load_policies()["aap-2018"], on, Course.of(exams, treatments))


def test_a_whole_course_leaves_one_open_step_for_each_thing_asked(told: Told) -> None:
    """First exam, disease that needs treatment, laser, its review; then the second exam was an error."""
    day = date(2031, 4, 11)  # 41 days old: 31w2d
    first, bad = Exam(day, MILD, MILD), Exam(day + 14 * ONE_DAY, BAD, MILD)
    laser = Treatment(bad.on + ONE_DAY, ("right",), "laser")
    told.tell(after())
    told.tell(after(first))
    assert told.tasks() == {"first-exam": "completed", "repeat-exam-2": "requested"}
    told.tell(after(first, bad))
    open = {name for name, status in told.tasks().items() if status == "requested"}
    assert open == {"treatment-1", "repeat-exam-3"}
    told.tell(after(first, bad, treatments=[laser]))
    assert told.tasks()["treatment-1"] == "completed"
    open = {name for name, status in told.tasks().items() if status == "requested"}
    assert {"review-after-laser-3", "repeat-exam-3"} == open
    told.tell(after(first))
    assert {name for name, status in told.tasks().items() if status == "requested"} == {"repeat-exam-2"}
    told.tell(after(first, deceased=True))
    assert "requested" not in told.tasks().values()


def test_an_exam_typed_in_and_taken_back_through_the_whole_flow(ward: Ward) -> None:
    """Typed in, corrected and withdrawn as answers to our own form; nothing is published that is not asked for."""
    day, eye = "2031-05-31", {"view": "adequate", "zone": "II", "stage": "1", "plus": "none"}

    def exam(version: int, on: str = day, **more: Any) -> bytes:
        answers = fill(
            "eye-exam", {"on": on, "right": eye, "left": eye, "examiner": "Dr Reed"} if not more else {},
            id="exam-1", version=version, patient="a", author="Dr Reed",
            authored=datetime(2031, 6, 1, 7, version, tzinfo=UTC), **more,
        )  # fmt: skip
        return json.dumps(answers).encode()

    def tasks() -> dict[str, str]:
        rows = ward.query("SELECT step, status FROM publications WHERE current AND type = 'Task' AND patient = 'a'")
        return {row.step: row.status for row in rows}

    ward.send(patient("a", birthDate="2031-04-30"), weight("a", 900), gestation("a", "26w4d"))
    assert tasks()["first-exam"] == "requested"
    ward.send(exam(1))
    assert (tasks()["first-exam"], tasks()["repeat-exam-2"]) == ("completed", "requested")
    first = ward.rows()["a"].window
    ward.send(exam(2, "2031-06-01"))
    assert ward.rows()["a"].window.closes == first.closes + ONE_DAY
    assert (tasks()["first-exam"], tasks()["repeat-exam-2"]) == ("completed", "requested")
    ward.send(exam(3, status="entered-in-error"))
    assert (tasks()["first-exam"], tasks()["repeat-exam-2"]) == ("requested", "cancelled")
    asked = asked_for(ward.rows()["a"].decision)
    assert {name for name, status in tasks().items() if status == "requested"} == set(asked)


def test_names_count_what_has_been_done() -> None:
    """The table of names: service/fhir/step.py."""
    decision = a_decision(exams=2, treatments=1, ages=Ages(None, None, None))
    assert {kind: step_name(kind, decision) for kind in KINDS} == {
        "first-exam": "first-exam", "data-needed": "data-needed", "long-term": "long-term",
        "repeat-exam": "repeat-exam-3", "review-after-laser": "review-after-laser-3",
        "review-after-injection": "review-after-injection-3", "treatment": "treatment-2", "decision": "decision-4",
        "hand-over": "hand-over-3",
    }  # fmt: skip
    assert all(split_name(step_name(kind, decision))[0] == kind for kind in KINDS)
