"""What is published, exactly: a golden folder to read and to compare, and the rules behind it.

Field meanings: HL7 FHIR R4 http://hl7.org/fhir/R4/task.html, /servicerequest.html, and HL7 Clinical Order Workflows
(hl7.fhir.uv.cow 1.0.0-ballot). After a deliberate change: `python tests/fhir/test_write.py` writes the folder anew;
read the difference before you keep it.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from hypothesis import given
from hypothesis import strategies as st
from steps import WINDOW, a_decision, a_site, a_step, data_needed, steps

from service.core.decision import Window
from service.errors import NotUnderstood
from service.fhir import write
from service.fhir.sites import Publish
from service.fhir.strict import REQUIRED_CODES, check
from service.fhir.write import Step

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
        "completed.Task.site": write.task(a_step(status="completed", changed_at=NOON), "site"),
        "data-needed.Task.site": write.task(data_needed(), "site"),
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
    ]
    ids = {write.resource_id(one, type) for one in (step, *other) for type in ("ServiceRequest", "Task", "abort")}
    assert len(ids) == 12


def test_the_identifier_tells_nothing() -> None:
    made = json.dumps([write.task(a_step(), "facade"), write.service_request(a_step(), "facade")])
    assert "p-1" not in made, "the site's Patient id must not leave through the facade"


@given(steps())
def test_the_window_is_the_period(step: Step) -> None:
    window = step.decision.next.window
    period = window and {"start": window.opens.isoformat(), "end": window.closes.isoformat()}
    assert write.task(step, "site").get("restriction", {}).get("period") == period
    request = write.service_request(step, "site")
    assert request is None or request.get("occurrencePeriod") == period


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
    resource = next(one for one in [*made().values(), SUBSCRIPTION] if one["resourceType"] == type and _has(one, names))
    broken = json.loads(json.dumps(resource))
    place: Any = broken
    for name in names[:-1]:
        place = place[name][0] if isinstance(place[name], list) else place[name]
    place[names[-1]] = "zzz"
    with pytest.raises(NotUnderstood) as caught:
        check(broken)
    assert path in str(caught.value)
    assert "zzz" not in str(caught.value)


SUBSCRIPTION = {
    "resourceType": "Subscription",
    "status": "requested",
    "reason": "x",
    "criteria": "Patient?",
    "channel": {"type": "rest-hook", "endpoint": "http://127.0.0.1/hook"},
}


def _has(resource: Any, names: list[str]) -> bool:
    for name in names[:-1]:
        inner = resource.get(name)
        if not inner:
            return False
        resource = inner[0] if isinstance(inner, list) else inner
    return True


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
