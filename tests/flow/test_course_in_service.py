"""A course in the service: what a person types goes the way of every record, and the list follows."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import orjson
import pytest
from flow.conftest import Ward, gestation, patient, stay, weight

from service.fhir.forms import fill
from service.store.arrivals import Arrival

BORN = date(2031, 4, 1)
"""25w3d at birth: 31w0d on 10 May, 39 days old (published check vector of the AAP 2018 formula)."""
MILD = {"zone": "II", "stage": "1", "plus": "none"}
GRAVE = {"zone": "II", "stage": "2", "plus": "plus"}
FULL = {"vascularization": "full"}


class Bedside(Ward):
    """A ward where things are typed in, on the day on which they are done or later."""

    def type(self, form: str, value: dict[str, Any], id: str = "one", version: int = 1, **more: Any) -> None:
        on = value.get("on") or value.get("reopening", {}).get("on", "2031-01-01")
        self.now = max(self.now, datetime.fromisoformat(f"{on}T12:00:00+00:00"))
        body = fill(form, value, id=id, version=version, patient="p", author="Dr Invented", authored=self.now, **more)
        (receipt,) = self.flow.accept([Arrival(self.site, "hand", orjson.dumps(body))])
        assert receipt.digested
        assert receipt.rejections == 0, self.flow.rejections()[0]

    def examine(self, on: str, right: dict[str, Any], left: dict[str, Any] | None = None, **more: Any) -> None:
        value = {"on": on, "right": right, "left": right if left is None else left}
        value |= {"at": more.pop("at")} if "at" in more else {}
        self.type("eye-exam", value, **({"id": f"exam-{on}"} | more))

    def withdraw(self, form: str, id: str, version: int = 2) -> None:
        self.type(form, {}, id=id, version=version, status="entered-in-error")

    @property
    def row(self) -> Any:
        return self.rows()["p"]

    @property
    def due(self) -> tuple[str, str, str]:
        window = self.row.window
        return self.row.kind, window.due.isoformat(), window.closes.isoformat()

    @property
    def seen(self) -> Any:
        return self.flow.infant(self.flow.find("p")[0][1])


@pytest.fixture
def bedside(database: Any, sites: Any) -> Bedside:
    ward = Bedside(database, sites)
    ward.now = datetime(2031, 5, 12, 7, 0, tzinfo=UTC)
    ward.send(patient("p", birthDate=BORN.isoformat()), gestation("p", "25w3d"), weight("p", 780), stay("p", None))
    return ward


def test_an_exam_gives_the_next_date_and_the_sooner_eye_decides(bedside: Bedside) -> None:
    """AAP 2018, follow-up examinations: stage 1 in zone II 14 days, stage 3 in zone II 7 days or less."""
    assert bedside.due == ("first-exam", "2031-05-10", "2031-05-16")
    bedside.examine("2031-05-12", MILD)
    assert bedside.due == ("repeat-exam", "2031-05-26", "2031-05-26")
    bedside.examine("2031-05-12", MILD, {**MILD, "stage": "3"}, version=2)
    assert bedside.due == ("repeat-exam", "2031-05-19", "2031-05-19")
    assert bedside.row.decision.next.eye == "left"


def test_what_would_follow_is_shown_before_it_is_saved_and_nothing_is_kept(bedside: Bedside) -> None:
    body = fill("eye-exam", {"on": "2031-05-12", "at": "08:00", "right": GRAVE, "left": MILD}, id="try", version=1,
                patient="p", author="Dr Invented", authored=bedside.now)  # fmt: skip
    key = bedside.seen.key
    tables = "arrivals", "facts", "rejections", "decisions", "publications", "outbox"
    before = [bedside.query(f"SELECT count(*) FROM {table}")[0][0] for table in tables]
    shown = bedside.flow.try_out(Arrival(bedside.site, "hand", orjson.dumps(body)), key)
    assert (shown.decision.next.kind, shown.decision.next.by) == ("treatment", "2031-05-15T08:00+02:00")
    assert [bedside.query(f"SELECT count(*) FROM {table}")[0][0] for table in tables] == before
    assert bedside.due == ("first-exam", "2031-05-10", "2031-05-16")
    wrong = fill("eye-exam", {"on": "2031-05-12", "right": {"view": "none", "stage": "2"}}, id="try", version=1,
                 patient="p", author="Dr Invented", authored=bedside.now)  # fmt: skip
    refused = bedside.flow.try_out(Arrival(bedside.site, "hand", orjson.dumps(wrong)), key)
    assert any("not seen has no findings" in each["reason"] for each in refused.rejections)


def test_a_treated_eye_is_looked_at_for_the_sign_expected(bedside: Bedside) -> None:
    bedside.examine("2031-05-12", GRAVE, at="09:30")
    assert bedside.row.decision.next.by == "2031-05-15T09:30+02:00"
    bedside.type("treatment", {"on": "2031-05-13", "eyes": "both", "kind": "laser"}, id="laser")
    kind, due, closes = bedside.due
    assert kind == "review-after-laser"
    assert "2031-05-16" <= due <= closes <= "2031-05-20"


def test_a_correction_recomputes_everything_after_it(bedside: Bedside) -> None:
    bedside.examine("2031-05-12", GRAVE)
    bedside.type("treatment", {"on": "2031-05-13", "eyes": "both", "kind": "injection", "agent": "ranibizumab"},
                 id="injection")  # fmt: skip
    assert bedside.row.kind == "review-after-injection"
    bedside.withdraw("treatment", "injection")
    assert bedside.row.kind == "treatment"
    bedside.examine("2031-05-12", MILD, version=2)
    assert bedside.due == ("repeat-exam", "2031-05-26", "2031-05-26")
    bedside.withdraw("eye-exam", "exam-2031-05-12", version=3)
    assert bedside.due == ("first-exam", "2031-05-10", "2031-05-16")


def test_a_person_closes_and_a_withdrawn_exam_opens_what_it_closed(bedside: Bedside) -> None:
    bedside.now = datetime(2031, 8, 1, 7, 0, tzinfo=UTC)
    for on in ("2031-05-12", "2031-07-30"):
        bedside.examine(on, FULL if on > "2031-06" else {**MILD, "stage": "0"})
    assert bedside.row.kind == "decision"
    closing = {"on": "2031-08-01", "by": "Dr Invented", "why": "screening-complete"}
    bedside.type("closing", {**closing, "basis": bedside.seen.course.until(date(2031, 8, 1)).basis}, id="closing")
    assert bedside.row.kind == "long-term"
    bedside.withdraw("eye-exam", "exam-2031-07-30")
    assert bedside.row.kind == "repeat-exam"
    assert any("open again" in flag for flag in bedside.row.decision.flags)
    assert bedside.seen.decision.closing.by == "Dr Invented"


def test_a_closed_course_is_opened_by_a_person(bedside: Bedside) -> None:
    basis = bedside.seen.course.basis
    bedside.type("closing", {"on": "2031-05-12", "by": "Dr One", "why": "opt-out", "basis": basis}, id="closing")
    assert bedside.states() == {"p": "closed"}
    again = {"on": "2031-05-13", "by": "Dr Two", "why": "the family came back"}
    bedside.type("closing", {"reopening": again}, id="closing", version=2)
    assert bedside.due == ("first-exam", "2031-05-10", "2031-05-16")


def test_put_off_twice_it_stays_overdue_and_rises(bedside: Bedside) -> None:
    bedside.now = datetime(2031, 5, 18, 7, 0, tzinfo=UTC)
    bedside.send(patient("q", birthDate="2031-04-01"), gestation("q", "25w3d"), weight("q", 700))
    assert [entry.patient for entry in bedside.flow.worklist()] == ["q", "p"], "the lighter first"
    for number in (1, 2):
        value = {"on": f"2031-05-{15 + number}", "until": f"2031-05-{19 + number}", "reason": "unstable",
                 "ophthalmologist": "Dr One", "neonatologist": "Dr Two"}  # fmt: skip
        bedside.type("deferral", value, id=f"deferral-{number}")
    assert [entry.patient for entry in bedside.flow.worklist()] == ["p", "q"]
    assert bedside.due == ("first-exam", "2031-05-10", "2031-05-16")
    assert len(bedside.row.decision.deferrals) == 2


def test_who_leaves_is_kept_in_sight_until_somebody_takes_over(bedside: Bedside) -> None:
    bedside.examine("2031-05-12", MILD)
    bedside.send(stay("p", None, 2, status="finished", period={"start": "2031-04-01", "end": "2031-05-20"}))
    assert bedside.row.needs_hand_over
    over = {"on": "2031-05-20", "to": "Elsewhere", "place": "Eye clinic", "date": "2031-05-26", "by": "Nurse"}
    bedside.type("hand-over", over, id="over")
    assert not bedside.row.needs_hand_over
    assert bedside.due == ("repeat-exam", "2031-05-26", "2031-05-26"), "it stays on the list all the same"


def test_findings_and_procedures_of_a_site_are_an_exam_and_a_treatment(bedside: Bedside) -> None:
    """Our own code system, one Observation for each finding, the eye by body site (SNOMED CT 362502000 right eye,
    362503005 left eye: HL7 value set for eye care)."""
    system = "https://ridgeline.invalid/fhir/CodeSystem/rop-finding"

    def observed(number: int, asks: str, says: str, eye: str) -> dict[str, Any]:
        return {
            "resourceType": "Observation", "id": f"eye-{number}", "status": "final",
            "meta": {"versionId": "1", "lastUpdated": "2031-05-12T09:00:00Z"},
            "code": {"coding": [{"system": system, "code": f"eye-{asks}"}]}, "subject": {"reference": "Patient/p"},
            "bodySite": {"coding": [{"system": "http://snomed.info/sct", "code": eye}]},
            "effectiveDateTime": "2031-05-12T09:30:00+02:00",
            "valueCodeableConcept": {"coding": [{"system": system, "code": says}]},
        }  # fmt: skip

    found = [("zone", "zone-II"), ("stage", "stage-3"), ("plus", "plus-plus")]
    calm = [("zone", "zone-II"), ("stage", "stage-1"), ("plus", "plus-none")]
    said = [observed(n, *each, "362502000") for n, each in enumerate(found)]
    said += [observed(n + 3, *each, "362503005") for n, each in enumerate(calm)]
    bedside.send(*said)
    (exam,) = bedside.seen.course.exams
    assert (str(exam.right), str(exam.left)) == ("zone II stage 3 with plus disease", "zone II stage 1")
    assert (bedside.row.kind, bedside.row.decision.next.eye) == ("treatment", "right")


def test_the_dates_of_a_course_reach_tasks_once_each(bedside: Bedside) -> None:
    def tasks() -> dict[str, str]:
        found = bedside.query("SELECT step, status FROM publications WHERE type = 'Task' AND current")
        return {row.step: row.status for row in found}

    assert tasks() == {"first-exam": "requested"}
    bedside.examine("2031-05-12", MILD)
    assert tasks() == {"first-exam": "completed", "repeat-exam-2": "requested"}
    bedside.examine("2031-05-26", MILD)
    after = {"first-exam": "completed", "repeat-exam-2": "completed", "repeat-exam-3": "requested"}
    assert tasks() == after
    bedside.withdraw("eye-exam", "exam-2031-05-26")
    assert tasks() == {**after, "repeat-exam-2": "requested", "repeat-exam-3": "cancelled"}


def test_a_late_first_record_of_an_earlier_exam_changes_nothing_that_came_after(bedside: Bedside) -> None:
    bedside.now += timedelta(days=20)
    bedside.examine("2031-05-26", MILD)
    before = bedside.due
    bedside.examine("2031-05-12", GRAVE)
    assert bedside.due == before
