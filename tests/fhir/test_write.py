"""What is published, exactly: a golden folder to read and to compare, and the rules behind it.

Field meanings: HL7 FHIR R4 http://hl7.org/fhir/R4/task.html, /servicerequest.html, and HL7 Clinical Order Workflows
(hl7.fhir.uv.cow 1.0.0-ballot). After a deliberate change: `python tests/fhir/test_write.py` writes the folder anew;
read the difference before you keep it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from hypothesis import given
from hypothesis import strategies as st
from steps import (
    GONE,
    LASER_REVIEW,
    TYPE_1,
    WINDOW,
    a_decision,
    a_site,
    a_step,
    a_step_of,
    asking,
    data_needed,
    decided,
    handed_over,
    of_kind,
    reviewed,
    steps,
    treated,
)

from service.core.course import Closing
from service.core.decision import Window
from service.errors import NotUnderstood
from service.fhir import write
from service.fhir.forms import questionnaires
from service.fhir.sites import Publish
from service.fhir.step import KINDS, Step, step_code_system
from service.fhir.strict import REQUIRED_CODES, check

GOLDEN = Path(__file__).parent / "golden"
NOON = datetime(2031, 6, 1, 12, tzinfo=UTC)
SERVED = {
    "type": "Task",
    "interaction": [{"code": "read"}, {"code": "search-type"}],
    "versioning": "versioned",
    "conditionalDelete": "not-supported",
    "searchParam": [{"name": "status", "type": "token"}],
}
CANCELLED = a_step(status="cancelled", decision=a_decision(None), changed_at=NOON)
CLOSED = Closing(date(2031, 9, 1), "Dr Reed", "screening-complete", "")
COMPLETED = a_step(status="completed", decision=asking(of_kind("repeat-exam"), exams=1), changed_at=NOON)
ORDERED = a_step(
    a_site(publish=Publish("order", (), "Larkfield eye service", ("http://larkfield.example/teams", "eyes")))
)


def made() -> dict[str, Any]:
    """Every golden file by name."""
    return {
        "first-exam.ServiceRequest.site": write.service_request(a_step(), "site"),
        "first-exam.Task.site": write.task(a_step(), "site"),
        "first-exam.ServiceRequest.facade": write.service_request(a_step(), "facade"),
        "first-exam.Task.facade": write.task(a_step(), "facade"),
        "first-exam.ServiceRequest.facade-no-address": write.service_request(a_step(a_site(None)), "facade"),
        "first-exam.ServiceRequest.order": write.service_request(ORDERED, "site"),
        "first-exam.Task.order": write.task(ORDERED, "site"),
        "cancelled.ServiceRequest.site": write.service_request(CANCELLED, "site"),
        "cancelled.Task.site": write.task(CANCELLED, "site"),
        "abort.Task.site": write.abort_task(CANCELLED, "Task/t-1"),
        "completed.Task.site": write.task(COMPLETED, "site"),
        "data-needed.Task.site": write.task(data_needed(), "site"),
        "repeat-exam.ServiceRequest.site": write.service_request(a_step_of(COMPLETED.decision), "site"),
        "review-after-laser.ServiceRequest.facade": write.service_request(reviewed(), "facade"),
        "review-after-laser.Task.facade": write.task(reviewed(), "facade"),
        "treatment.ServiceRequest.site": write.service_request(treated(), "site"),
        "treatment.Task.site": write.task(treated(), "site"),
        "decision.Task.site": write.task(decided(), "site"),
        "hand-over.Task.site": write.task(handed_over(), "site"),
        "CodeSystem": step_code_system(),
        "Patient": write.patient(
            "0b9c1f1e-7d0a-4a57-8a11-4f0c6e2d9a01",
            "Girl Alder",
            (date(2031, 5, 1), date(2031, 5, 1)),
            "female",
            ("http://larkfield.example/mrn", "000123"),
            2,
            a_site(),
        ),
        "List": write.list_resource(a_site(), [write.resource_id(a_step(), "Task")], NOON),
        "List.all-empty": write.list_resource(None, [], NOON),
        "OperationOutcome": write.operation_outcome("information", "informational", "accepted"),
        "CapabilityStatement": write.capability_statement("http://127.0.0.1:8080/fhir", "0.1.0", NOON, [SERVED]),
        "Bundle": write.search_bundle(
            "http://127.0.0.1:8080/fhir/Task",
            [("http://127.0.0.1:8080/fhir/Task/1", write.task(a_step(), "facade"), "match")],
            2,
            NOON,
            "http://127.0.0.1:8080/fhir/Task?page=2",
        ),
    }


@pytest.mark.parametrize("name", made())
def test_golden(name: str) -> None:
    assert made()[name] == json.loads((GOLDEN / f"{name}.json").read_text("utf-8"))


def test_golden_folder_holds_nothing_else() -> None:
    assert {path.stem for path in GOLDEN.iterdir()} == set(made())


@given(steps())
def test_a_step_keeps_its_identifier_whatever_is_decided(step: Step) -> None:
    """One pair per infant per step: only site, patient and step make the identifier."""
    later = replace(step, decision=a_decision(), status="completed", unit="", evidence=(), changed_at=NOON)
    for type in ("ServiceRequest", "Task", "abort"):
        assert write.resource_id(step, type) == write.resource_id(later, type)
    other = [
        replace(step, patient=step.patient + "x"),
        replace(step, site=replace(step.site, id="elsewhere")),
        replace(step, name="data-needed" if step.name == "first-exam" else "first-exam"),
        replace(step, name="repeat-exam-77"),
    ]
    ids = {write.resource_id(one, type) for one in (step, *other) for type in ("ServiceRequest", "Task", "abort")}
    assert len(ids) == 15


@pytest.mark.parametrize(
    ("name", "service_request", "task"),
    [
        ("first-exam", "15d698fd-8df1-5fc0-a9e2-e18b7594a31c", "f544a239-d562-5735-af7e-b173357e9dd4"),
        ("data-needed", "b5e1a453-cd24-5c4f-b0fc-a9ddded23c93", "30167ec2-5202-50f7-9528-32070c619db6"),
    ],
)
def test_what_was_published_before_keeps_its_identifier(name: str, service_request: str, task: str) -> None:
    """As they stood in the first published versions: other systems hold on to them."""
    step = a_step(name=name)
    assert (write.resource_id(step, "ServiceRequest"), write.resource_id(step, "Task")) == (
        service_request,
        task,
    )


def test_the_identifier_tells_nothing() -> None:
    made = json.dumps([write.task(a_step(), "facade"), write.service_request(a_step(), "facade")])
    assert "p-1" not in made, "the site's Patient id must not leave through the facade"


@given(steps())
def test_the_soonest_window_is_the_period(step: Step) -> None:
    """Where a clock runs, to its minute: the day is the window's, whatever the zone it is written in."""
    period = write.task(step, "site").get("restriction", {}).get("period")
    request = write.service_request(step, "site")
    assert request is None or request.get("occurrencePeriod") == period
    if step.status != "requested":
        assert period is None
        return
    closes = [each.window.closes for each in step.asked if each.window]
    soonest = step.asked[0]
    assert soonest.window and soonest.window.closes == min(closes)
    assert period["start"] == soonest.window.opens.isoformat()
    assert date.fromisoformat(period["end"][:10]) == soonest.window.closes
    assert (len(period["end"]) > 10) == (soonest.by is not None)


def test_the_hours_of_a_clock_are_those_of_the_site() -> None:
    """R4 wants an offset with every time of day (http://hl7.org/fhir/R4/datatypes.html#dateTime). Oslo is two hours
    ahead in June, one in December (IANA tz)."""
    for by, end in (
        ("2031-06-11T09:30", "2031-06-11T09:30:00+02:00"),
        ("2031-12-11T09:30", "2031-12-11T09:30:00+01:00"),
    ):
        day = date.fromisoformat(by[:10])
        step = a_step_of(asking(of_kind("treatment", TYPE_1, Window(day, day, day), by=by), exams=1))
        assert (write.service_request(step, "site") or {})["occurrencePeriod"] == {"start": by[:10], "end": end}


@pytest.mark.parametrize(
    ("on", "expected"),
    [
        (WINDOW.opens - timedelta(1), "routine"),
        (WINDOW.opens, "urgent"),
        (WINDOW.closes, "urgent"),
        (WINDOW.closes + timedelta(1), "asap"),
    ],
)
def test_priority_follows_the_window(on: date, expected: str) -> None:
    step = a_step(decision=a_decision(as_of=on))
    assert write.task(step, "site")["priority"] == expected
    assert (write.service_request(step, "site") or {})["priority"] == expected


def test_a_running_clock_is_stat() -> None:
    """R4 request-priority: stat, "the request should be actioned immediately - highest possible priority"."""
    clocked = a_step_of(asking(of_kind("decision", TYPE_1, by="2031-06-07T09:30+02:00"), exams=1))
    for step in (treated(), clocked):
        assert write.task(step, "site")["priority"] == "stat"
    assert (write.service_request(treated(), "site") or {})["priority"] == "stat"
    assert write.task(decided(), "site")["priority"] == "routine"


@pytest.mark.parametrize(
    ("eyes", "code", "words"),
    [
        (("right",), "362502000", "right eye"),
        (("left",), "362503005", "left eye"),
        (("right", "left"), "362508001", "both eyes"),
        (("left", "right"), "362508001", "both eyes"),
    ],
)
def test_right_is_right_and_left_is_left(eyes: tuple[str, ...], code: str, words: str) -> None:
    """SNOMED CT "entire eye": 362502000 right, 362503005 left, 362508001 both, as in the value sets of HL7/cda-eyecare
    and an example of UK Core; public code exists in which right and left are swapped."""
    step = a_step_of(asking(*(of_kind("treatment", TYPE_1, eye=eye) for eye in eyes), exams=1))
    (site,) = (write.service_request(step, "site") or {})["bodySite"]
    assert site == {"coding": [{"system": "http://snomed.info/sct", "code": code}], "text": words}


def test_an_exam_is_of_both_eyes_whichever_asks_for_it() -> None:
    right = a_step_of(asking(of_kind("repeat-exam", eye="right"), exams=1))
    for step in (a_step(), right, reviewed()):
        assert "bodySite" not in (write.service_request(step, "site") or {})


def test_a_standing_order_for_exams_orders_no_treatment() -> None:
    ordering = a_site(publish=Publish("order", (), "Larkfield eye service"))
    for step in (treated(), decided()):
        assert write.task(replace(step, site=ordering), "site")["intent"] == "proposal"
    assert (write.service_request(replace(treated(), site=ordering), "site") or {})["intent"] == "proposal"
    assert write.task(replace(reviewed(), site=ordering), "site")["intent"] == "order"


def test_only_exams_carry_a_code_of_others() -> None:
    """410453006 binocular indirect ophthalmoscopy, in VSAC value sets of qicore-2024; no code for laser, for injections
    or for refraction is verified, so none is published."""
    for kind, words in KINDS.items():
        request = write.service_request(a_step_of(asking(of_kind(kind, TYPE_1), exams=1)), "site")
        assert (request is not None) == words.requests
        codes = [] if request is None else [coding["code"] for coding in request["code"]["coding"]]
        exam = kind in ("first-exam", "repeat-exam", "review-after-laser", "review-after-injection")
        assert codes == ([kind, "410453006"] if exam else [kind] if words.requests else [])


def test_the_soonest_speaks_and_the_others_are_told_beside_it() -> None:
    said = write.task(reviewed(), "site")["description"]
    assert said == (
        "Eye exam after laser for retinopathy of prematurity: best on 2031-06-01, late after 2031-06-07. "
        "look for regression of the ridge. Also best on 2031-06-02, late after 2031-06-08. "
        "look for regression of the ridge"
    )
    assert LASER_REVIEW.text in str((write.service_request(reviewed(), "site") or {})["reasonCode"])


def test_a_clock_is_said_to_the_minute() -> None:
    assert "at the latest on 2031-06-11 at 09:30, local time" in write.task(treated(), "site")["description"]


def test_an_exam_put_off_says_so_in_the_note_and_moves_nothing() -> None:
    """Design: a deferral never clears overdue; businessStatus is the site's people's."""
    flag = "put off on 2031-06-05 until 2031-06-09 by Dr One and Dr Two: too unwell"
    before = a_step_of(asking(of_kind("repeat-exam"), exams=1))
    after = replace(before, decision=replace(before.decision, flags=(flag,)))
    task = write.task(after, "site")
    assert flag in task["note"][0]["text"] and "businessStatus" not in task
    assert task["restriction"] == write.task(before, "site")["restriction"]


@pytest.mark.parametrize(
    ("decision", "said"),
    [
        (a_decision(None), GONE.text),
        (
            asking(of_kind("repeat-exam"), exams=1),
            "asked for now: Next eye exam for retinopathy of prematurity: due 31 days after birth",
        ),
        (
            a_decision(None, state="closed", eligible="yes", closing=CLOSED),
            "Dr Reed closed the course on 2031-09-01: acute screening is complete",
        ),
        (
            asking(of_kind("long-term"), closing=CLOSED),
            "Dr Reed closed the course on 2031-09-01: acute screening is complete",
        ),
    ],
)
def test_what_is_called_off_says_why(decision: Any, said: str) -> None:
    step = a_step(name="treatment-9", status="cancelled", decision=decision)
    assert write.task(step, "site")["statusReason"]["text"] == said
    assert (write.service_request(step, "site") or {})["note"][0]["text"].endswith(f"Revoked: {said}.")


def test_every_code_of_ours_is_in_the_code_system() -> None:
    known = {concept["code"] for concept in step_code_system()["concept"]}
    used = set()
    for resource in made().values():
        found = json.dumps(resource)
        used |= {word.partition('"')[0] for word in found.split(f'"system": "{write.CODE_SYSTEM}", "code": "')[1:]}
    assert {"missing", "no-longer-due", "done", "worklist", "decision", "treatment"} <= used <= known


@given(st.dates(), st.dates())
def test_priority_never_falls_as_days_pass(one: date, other: date) -> None:
    rank = ["routine", "urgent", "asap"].index
    earlier, later = sorted((one, other))
    window = Window(date(2000, 1, 1), date(2000, 6, 1), date(2001, 1, 1))
    assert rank(write.priority(window, earlier)) <= rank(write.priority(window, later))


def test_what_midnight_changes_is_not_stored() -> None:
    """The same decision read a month later is the same bytes: "overdue" is computed by whoever reads."""
    assert "businessStatus" not in write.task(a_step(), "facade")


def test_nothing_is_ordered_unless_the_site_says_so() -> None:
    assert {write.task(a_step(), "site")["intent"], (write.service_request(a_step(), "site") or {})["intent"]} == {
        "proposal"
    }
    assert {write.task(ORDERED, "site")["intent"], (write.service_request(ORDERED, "site") or {})["intent"]} == {
        "order"
    }


def test_every_request_carries_the_caution_and_says_when_numbers_are_from_memory() -> None:
    (remembered,) = write.task(data_needed(), "site")["note"]
    (read,) = write.task(a_step(), "site")["note"]
    assert remembered["text"].startswith(f"{write.CAUTION} {write.FROM_MEMORY}")
    assert read["text"].startswith(write.CAUTION)
    assert write.FROM_MEMORY not in read["text"]


def test_missing_data_is_asked_for_by_name_and_without_a_service_request() -> None:
    step = data_needed()
    assert write.service_request(step, "site") is None
    task = write.task(step, "site")
    assert [one["valueString"] for one in task["input"]] == ["gestational age at birth"]
    assert task["focus"] == {"reference": "Patient/p-1"}


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (date(2031, 5, 1), date(2031, 5, 1), "2031-05-01"),
        (date(2031, 5, 1), date(2031, 5, 31), "2031-05"),
        (date(2031, 12, 1), date(2031, 12, 31), "2031-12"),
        (date(2032, 2, 1), date(2032, 2, 29), "2032-02"),
        (date(2031, 1, 1), date(2031, 12, 31), "2031"),
        (date(2031, 5, 1), date(2031, 5, 2), None),
        (date(2031, 5, 1), date(2031, 6, 30), None),
        (date(2031, 5, 2), date(2031, 5, 31), None),
        (date(2031, 1, 1), date(2032, 12, 31), None),
    ],
)
def test_a_birth_date_is_as_exact_as_it_is_known(low: date, high: date, expected: str | None) -> None:
    assert write.patient("k", born=(low, high)).get("birthDate") == expected


@pytest.mark.parametrize("path", REQUIRED_CODES)
def test_a_wrong_required_code_is_refused_by_place_and_not_quoted(path: str) -> None:
    """The library accepts any word there; the list of http://hl7.org/fhir/R4/terminologies.html#required does not."""
    type, *names = path.split(".")
    kept = [*made().values(), *questionnaires(), ANSWERS, SUBSCRIPTION]
    broken = json.loads(json.dumps([resource for resource in kept if resource["resourceType"] == type]))
    resource, place = next((one, place) for one in broken for place in _places(one, names))
    place[names[-1]] = "zzz"
    with pytest.raises(NotUnderstood) as caught:
        check(resource)
    assert path in str(caught.value)
    assert "zzz" not in str(caught.value)


ANSWERS = {"resourceType": "QuestionnaireResponse", "status": "completed"}
SUBSCRIPTION = {
    "resourceType": "Subscription",
    "status": "requested",
    "reason": "x",
    "criteria": "Patient?",
    "channel": {"type": "rest-hook", "endpoint": "http://127.0.0.1/hook"},
}


def _places(value: Any, names: list[str]) -> Iterator[dict[str, Any]]:
    """Every object in a resource that holds the last of these names, under the others."""
    for each in value if isinstance(value, list) else [value]:
        if len(names) > 1:
            yield from _places(each.get(names[0], []), names[1:])
        elif names[0] in each:
            yield each


def test_a_fault_of_structure_is_named_without_its_value() -> None:
    with pytest.raises(NotUnderstood, match="birthDate") as caught:
        check({"resourceType": "Patient", "birthDate": "a secret"})
    assert "secret" not in str(caught.value)
    with pytest.raises(NotUnderstood, match="not a FHIR R4 resource type"):
        check({"resourceType": "Infant"})


if __name__ == "__main__":
    GOLDEN.mkdir(exist_ok=True)
    for name, resource in made().items():
        (GOLDEN / f"{name}.json").write_text(json.dumps(resource, indent=2, ensure_ascii=False) + "\n", "utf-8")
