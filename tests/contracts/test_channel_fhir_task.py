"""The channel against a real server, straight and through servers' habits: one pair, whatever happens on the way.

`Habits` stands between our client and a running sekmet and changes what passes, as other servers do. What each habit
copies is named beside it (CapabilityStatements of Epic and Oracle Millennium, documentation of HAPI FHIR and of
the R4 specification, http://hl7.org/fhir/R4/http.html).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx
import pytest
from contracts.counterpart import Sekmet
from steps import (
    GONE,
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
    treated,
)

from service.channels import find_channels
from service.channels.fhir_task import FhirTask
from service.client import Auth, FhirClient
from service.core.decision import Window
from service.errors import SiteRefused, SiteUnavailable
from service.fhir import write
from service.fhir.step import Step

LATER = Window(date(2031, 6, 3), date(2031, 6, 4), date(2031, 6, 10))


@dataclass
class Habits(httpx.BaseTransport):
    """Between our client and a real server. `before` may answer in its stead, `after` may change its answer."""

    before: Callable[[httpx.Request], httpx.Request | httpx.Response] = lambda request: request
    after: Callable[[httpx.Request, httpx.Response], httpx.Response] = lambda _, response: response
    seen: list[str] = field(default_factory=list)
    _inner: httpx.HTTPTransport = field(default_factory=httpx.HTTPTransport)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        self.seen.append(f"{request.method} {request.url.path.removeprefix('/fhir/').partition('/')[0]}")
        changed = self.before(request)
        if isinstance(changed, httpx.Response):
            return changed
        response = self._inner.handle_request(changed)
        response.read()
        return self.after(changed, response)

    def writes(self) -> list[str]:
        return [one for one in self.seen if not one.startswith("GET")]

    def close(self) -> None:
        self._inner.close()


def _with(request: httpx.Request, content: bytes | None = None, drop: str = "", **headers: str) -> httpx.Request:
    """The same request with another body, one header less, others more."""
    kept = {name: value for name, value in request.headers.items() if name not in (drop.lower(), "content-length")}
    body = content if content is not None else request.read()
    return httpx.Request(request.method, request.url, headers=kept | headers, content=body)


def _metadata(**says: bool) -> httpx.Response:
    interactions = [{"code": code} for code in ("read", "create", "update", "search-type")]
    types = [{"type": type, "interaction": interactions, **says} for type in ("ServiceRequest", "Task")]
    body = {"resourceType": "CapabilityStatement", "rest": [{"mode": "server", "resource": types}]}
    return httpx.Response(200, json=body)


EVERYTHING = {"conditionalCreate": True, "conditionalUpdate": True, "updateCreate": True}


def no_metadata(request: httpx.Request) -> httpx.Request | httpx.Response:
    return httpx.Response(404) if request.url.path.endswith("/metadata") else request


def plain(says: dict[str, bool], refusal: int = 405) -> Callable[[httpx.Request], httpx.Request | httpx.Response]:
    """A server with create, read, update and search, and no conditional form (as Epic's and Millennium's statements
    have it): If-None-Exist is ignored, PUT at a query and PUT at a new id are refused, whatever it `says`."""

    def before(request: httpx.Request) -> httpx.Request | httpx.Response:
        if request.url.path.endswith("/metadata"):
            return _metadata(**says)
        if request.method == "PUT" and (request.url.query or not _exists(request)):
            return httpx.Response(refusal)
        return _with(request, drop="If-None-Exist")

    return before


def _exists(request: httpx.Request) -> bool:
    return httpx.get(str(request.url)).status_code == 200


def conditional_update_only(request: httpx.Request) -> httpx.Request | httpx.Response:
    if request.url.path.endswith("/metadata"):
        return _metadata(conditionalUpdate=True)
    if request.method == "POST":
        return httpx.Response(422)
    return request


def silent(request: httpx.Request) -> httpx.Request:
    """Answers writes without a body, as R4 allows: only Location tells what was created."""
    return _with(request, drop="Prefer", Prefer="return=minimal") if request.method != "GET" else request


def forgetful_search(request: httpx.Request) -> httpx.Request:
    """Ignores the search parameter and answers with everything (R4: unknown parameters may be ignored)."""
    if request.method == "GET" and "identifier" in request.url.params:
        url = request.url.copy_remove_param("identifier").copy_set_param("_count", "500")
        return httpx.Request("GET", url, headers=request.headers)
    return request


def no_identifier_search(request: httpx.Request) -> httpx.Request | httpx.Response:
    return httpx.Response(400) if "identifier" in request.url.params and request.method == "GET" else request


def late_index(request: httpx.Request) -> httpx.Request | httpx.Response:
    """A search never yet knows what was just written; a read does."""
    if "identifier" in request.url.params and request.method == "GET":
        return httpx.Response(200, json={"resourceType": "Bundle", "type": "searchset", "total": 0})
    return request


def anonymous(request: httpx.Request) -> httpx.Request:
    """Keeps notes, but not who wrote them."""
    if request.method == "GET":
        return request
    body = json.loads(request.read())
    body["note"] = [{"text": note["text"]} for note in body.get("note", [])]
    return _with(request, json.dumps(body).encode())


HABITS: dict[str, Callable[[httpx.Request], httpx.Request | httpx.Response]] = {
    "as it is": lambda request: request,
    "no metadata": no_metadata,
    "nothing conditional, and says so": plain({}),
    "nothing conditional, says it has all, 405": plain(EVERYTHING, 405),
    "nothing conditional, says it has all, 404": plain(EVERYTHING, 404),
    "nothing conditional, says it has all, 400": plain(EVERYTHING, 400),
    "conditional update is the only way in": conditional_update_only,
    "writes answered without a body": silent,
    "search by identifier ignored": forgetful_search,
    "search by identifier refused": no_identifier_search,
    "search index never catches up": late_index,
}


@pytest.fixture
def connect(sekmet: Sekmet) -> Iterator[Callable[..., tuple[FhirTask, Habits]]]:
    """A channel to the real server through habits."""
    open: list[FhirClient] = []

    def make(habits: Habits | None = None, server: Sekmet = sekmet) -> tuple[FhirTask, Habits]:
        habits = habits or Habits()
        clock = lambda: datetime.now(UTC)  # noqa: E731
        open.append(
            FhirClient(server.base_url, Auth(), clock=clock, transport=habits, sleep=lambda _: None, timeout=10)
        )
        return FhirTask(lambda _: open[-1]), habits

    yield make
    for client in open:
        client.close()


@pytest.fixture
def step() -> Step:
    """For an infant nobody else has."""
    return a_step(a_site("http://127.0.0.1/fhir"), patient=f"p-{uuid4().hex[:12]}")


def moved(step: Step) -> Step:
    return replace(step, decision=a_decision(LATER), changed_at=step.changed_at + timedelta(days=1))


def cancelled(step: Step) -> Step:
    return replace(step, status="cancelled", decision=a_decision(None), changed_at=step.changed_at + timedelta(days=2))


def there(sekmet: Sekmet, step: Step, type: str = "Task") -> dict[str, Any]:
    """The one resource of the step at the site."""
    (found,) = sekmet.all(type, subject=f"Patient/{step.patient}")
    return found


@pytest.mark.parametrize("habit", HABITS)
def test_one_pair_for_life(habit: str, sekmet: Sekmet, connect: Any, step: Step) -> None:
    """Create, repeat, move the date, repeat, cancel, repeat, due again: still one ServiceRequest and one Task."""
    channel, habits = connect(Habits(HABITS[habit]))
    assert channel.send(step)["Task"]["action"] == "created"
    first = there(sekmet, step)
    writes = len(habits.writes())
    assert channel.send(step)["Task"]["action"] == "unchanged"
    assert len(habits.writes()) == writes, "what says nothing new is not written"

    channel.send(moved(step))
    assert there(sekmet, step)["restriction"] == {"period": {"start": "2031-06-03", "end": "2031-06-10"}}
    assert there(sekmet, step, "ServiceRequest")["occurrencePeriod"] == {"start": "2031-06-03", "end": "2031-06-10"}
    assert there(sekmet, step)["id"] == first["id"]
    assert there(sekmet, step)["focus"]["reference"].endswith(there(sekmet, step, "ServiceRequest")["id"])

    for _ in range(2):
        receipt = channel.send(cancelled(step))
    assert receipt["Task"]["action"] == receipt["ServiceRequest"]["action"] == "unchanged"
    task, request = there(sekmet, step), there(sekmet, step, "ServiceRequest")
    assert (task["status"], request["status"]) == ("cancelled", "revoked")
    assert task["statusReason"]["text"] == GONE.text
    assert task["restriction"]["period"]["end"] == "2031-06-10", "a cancelled Task keeps its dates"

    channel.send(moved(step))
    assert (there(sekmet, step)["status"], there(sekmet, step, "ServiceRequest")["status"]) == ("requested", "active")
    assert "statusReason" not in there(sekmet, step)


@pytest.mark.parametrize("says", [{}, {"conditionalCreate": True}, EVERYTHING])
def test_a_time_out_after_the_write_never_makes_two(
    says: dict[str, bool], sekmet: Sekmet, connect: Any, step: Step
) -> None:
    """Every answer to a write is lost, for every resource, though the server did it."""

    def before(request: httpx.Request) -> httpx.Request | httpx.Response:
        return _metadata(**says) if request.url.path.endswith("/metadata") else request

    def after(request: httpx.Request, response: httpx.Response) -> httpx.Response:
        if request.method in ("POST", "PUT"):
            raise httpx.ReadTimeout("lost", request=request)
        return response

    channel, habits = connect(Habits(before, after))
    for one in (step, moved(step)):
        receipt = channel.send(one)
        assert {receipt["Task"]["status"], receipt["ServiceRequest"]["status"]} == {"requested", "active"}
    assert there(sekmet, step)["restriction"]["period"]["end"] == "2031-06-10"
    assert there(sekmet, step, "ServiceRequest")
    assert len(habits.writes()) == 4, "two resources, twice; no write was repeated"


def test_a_write_that_lands_long_after_its_time_out_is_found_next_time(
    sekmet: Sekmet, connect: Any, step: Step
) -> None:
    held: list[httpx.Request] = []

    def before(request: httpx.Request) -> httpx.Request | httpx.Response:
        if request.url.path.endswith("/metadata"):
            return _metadata()
        if request.method == "POST" and not held:
            held.append(request)
            raise httpx.ReadTimeout("nothing yet", request=request)
        return request

    channel, habits = connect(Habits(before))
    with pytest.raises(SiteUnavailable):
        channel.send(step)
    assert habits.writes() == ["POST ServiceRequest"], "no second try while nobody knows"
    httpx.post(str(held[0].url), content=held[0].read(), headers={"Content-Type": "application/fhir+json"})
    channel.send(step)
    assert there(sekmet, step, "ServiceRequest") and there(sekmet, step)


def test_two_that_came_about_all_the_same_become_one(sekmet: Sekmet, connect: Any, step: Step) -> None:
    """A server without any conditional form, and two writes in flight: the one people work on is kept."""
    channel, _ = connect()
    channel.send(step)
    first = there(sekmet, step)
    second = {name: inner for name, inner in first.items() if name not in ("id", "meta")} | {"status": "accepted"}
    made = httpx.post(f"{sekmet.base_url}/Task", json=second).json()
    receipt = channel.send(moved(step))
    assert receipt["Task"]["reference"] == f"Task/{made['id']}"
    left = sekmet.all("Task", subject=f"Patient/{step.patient}")
    assert {one["id"]: one["status"] for one in left} == {made["id"]: "accepted", first["id"]: "entered-in-error"}
    channel.send(moved(step))
    assert len(sekmet.all("Task", subject=f"Patient/{step.patient}")) == 2


@pytest.mark.parametrize("status", ["accepted", "received", "ready", "in-progress", "on-hold", "rejected", "completed"])
def test_what_the_sites_people_set_stays(sekmet: Sekmet, connect: Any, step: Step, status: str) -> None:
    """Their status, owner, notes and every element we do not write; our date moves all the same."""
    channel, _ = connect()
    channel.send(step)
    task = there(sekmet, step)
    theirs = {
        "status": status,
        "owner": {"display": "Dr Birch"},
        "businessStatus": {"text": "booked"},
        "executionPeriod": {"start": "2031-06-02"},
        "output": [{"type": {"text": "slot"}, "valueString": "09:30"}],
    }
    mark = {"system": "http://larkfield.example/tasks", "value": "77"}
    note = {"authorString": "Dr Birch", "text": "after the feed"}
    sekmet.put(task | theirs | {"note": [*task["note"], note], "identifier": [mark, *task["identifier"]]})
    later = moved(step)
    later = replace(later, decision=replace(later.decision, flags=("Another flag.",)))
    receipt = channel.send(later)
    now = there(sekmet, step)
    assert {name: now[name] for name in theirs} == theirs
    assert note in now["note"] and mark in now["identifier"]
    assert len(now["note"]) == len(task["note"]) + 1, "ours are replaced, not added to"
    assert now["restriction"]["period"]["end"] == "2031-06-10"
    assert receipt["Task"]["status"] == status
    assert channel.send(later)["Task"]["action"] == "kept"


def test_notes_do_not_pile_up_where_authors_are_dropped(sekmet: Sekmet, connect: Any, step: Step) -> None:
    channel, _ = connect(Habits(anonymous))
    for on in (step, moved(step), replace(step, decision=replace(step.decision, flags=("Another flag.",)))):
        channel.send(on)
    (note,) = there(sekmet, step)["note"]
    assert note["text"].endswith("Another flag.")


def test_a_task_cancelled_by_the_sites_people_is_not_opened_again(sekmet: Sekmet, connect: Any, step: Step) -> None:
    channel, _ = connect()
    channel.send(step)
    sekmet.put(there(sekmet, step) | {"status": "cancelled", "statusReason": {"text": "parents moved away"}})
    receipt = channel.send(moved(step))
    assert there(sekmet, step)["status"] == receipt["Task"]["status"] == "cancelled"
    assert there(sekmet, step)["statusReason"] == {"text": "parents moved away"}


@pytest.mark.parametrize("status", ["in-progress", "on-hold"])
def test_work_begun_is_asked_to_stop_not_cancelled(sekmet: Sekmet, connect: Any, step: Step, status: str) -> None:
    """http://hl7.org/fhir/R4/task.html: no way from in-progress to cancelled; COW: a second Task, code abort."""
    channel, _ = connect()
    channel.send(step)
    task = there(sekmet, step)
    sekmet.put(task | {"status": status})
    for _ in range(2):
        receipt = channel.send(cancelled(step))
    found = {one["id"]: one for one in sekmet.all("Task", subject=f"Patient/{step.patient}")}
    assert len(found) == 2 and found.pop(task["id"])["status"] == status
    (abort,) = found.values()
    assert abort["code"]["coding"] == [{"system": write.TASK_CODES, "code": "abort"}]
    assert (abort["status"], abort["focus"]["reference"]) == ("requested", f"Task/{task['id']}")
    assert there(sekmet, step, "ServiceRequest")["status"] == "revoked"
    assert receipt["abort"]["action"] == "unchanged"

    channel.send(step)  # due again: the request to stop is taken back; and once more
    assert httpx.get(f"{sekmet.base_url}/Task/{abort['id']}").json()["status"] == "cancelled"
    assert there(sekmet, step, "ServiceRequest")["status"] == "active"
    channel.send(cancelled(step))
    assert httpx.get(f"{sekmet.base_url}/Task/{abort['id']}").json()["status"] == "requested"


def test_done_is_said_once(sekmet: Sekmet, connect: Any, step: Step) -> None:
    channel, _ = connect()
    channel.send(step)
    channel.send(replace(step, status="completed"))
    assert (there(sekmet, step)["status"], there(sekmet, step, "ServiceRequest")["status"]) == ("completed",) * 2


@pytest.mark.parametrize("ticked_off_first", [False, True])
def test_an_exam_taken_back_is_due_again(sekmet: Sekmet, connect: Any, step: Step, ticked_off_first: bool) -> None:
    """Said by us to be done, it is ours to say that it is not, also where the site's people had ticked it off."""
    channel, _ = connect()
    channel.send(step)
    if ticked_off_first:
        sekmet.put(there(sekmet, step) | {"status": "completed"})
    exam = asking(of_kind("repeat-exam"), exams=1)
    for _ in range(2):
        channel.send(replace(step, status="completed", decision=exam))
    assert there(sekmet, step)["statusReason"]["coding"] == [{"system": write.CODE_SYSTEM, "code": "done"}]
    channel.send(step)
    task, request = there(sekmet, step), there(sekmet, step, "ServiceRequest")
    assert (task["status"], request["status"]) == ("requested", "active")
    assert task["restriction"]["period"]["end"] == "2031-06-07" and "statusReason" not in task


def test_what_was_ticked_off_is_opened_again_for_an_exam_that_begins_only_afterwards(
    sekmet: Sekmet, connect: Any, step: Step
) -> None:
    """The exam on record was overwritten with the next one: the count of exams, and so the name, is the same."""
    channel, _ = connect()
    first = a_step_of(asking(of_kind("repeat-exam", window=Window(*[date(2031, 6, 7)] * 3)), exams=1),
                      patient=step.patient)  # fmt: skip
    channel.send(first)
    sekmet.put(there(sekmet, first) | {"status": "completed", "owner": {"display": "Dr Birch"}})
    channel.send(first)
    assert there(sekmet, first)["status"] == "completed", "ticked off before the exam is on record"
    after = Window(date(2031, 6, 7), date(2031, 6, 14), date(2031, 6, 14))
    channel.send(replace(first, decision=asking(of_kind("repeat-exam", window=after), exams=1)))
    assert there(sekmet, first)["status"] == "completed", "the same exam, moved"
    again = replace(first, decision=asking(of_kind("repeat-exam", window=Window(*[date(2031, 6, 15)] * 3)), exams=1))
    for _ in range(2):
        channel.send(again)
        assert there(sekmet, first)["status"] == "requested"
    sekmet.put(there(sekmet, first) | {"status": "completed"})
    channel.send(again)
    assert there(sekmet, first)["status"] == "completed", "ticked off anew"


def test_the_next_exam_is_another_pair(sekmet: Sekmet, connect: Any, step: Step) -> None:
    """A moved date is the same pair; after the exam there is a second one beside it."""
    channel, _ = connect()
    first = asking(of_kind("repeat-exam"), exams=1)
    for decision in (first, asking(of_kind("repeat-exam", window=LATER), exams=1)):
        channel.send(a_step_of(decision, patient=step.patient))
    second = asking(of_kind("repeat-exam", window=LATER), exams=2)
    channel.send(replace(a_step_of(first, patient=step.patient), status="completed", decision=second))
    channel.send(a_step_of(second, patient=step.patient))
    tasks = sekmet.all("Task", subject=f"Patient/{step.patient}")
    requests = sekmet.all("ServiceRequest", subject=f"Patient/{step.patient}")
    assert sorted(task["status"] for task in tasks) == ["completed", "requested"]
    assert sorted(request["status"] for request in requests) == ["active", "completed"]


@pytest.mark.parametrize("make", [reviewed, treated, decided, handed_over])
def test_every_kind_of_step_is_kept_as_it_was_written(
    sekmet: Sekmet, connect: Any, step: Step, make: Callable[..., Step]
) -> None:
    """Eye, clock and all. What asks nothing of a service is a Task alone."""
    mine = make(patient=step.patient)
    receipt = connect()[0].send(mine)
    for type in ("ServiceRequest", "Task") if mine.words.requests else ("Task",):
        assert (receipt[type]["action"], receipt[type]["stripped"], receipt[type]["coerced"]) == ("created", [], [])
    assert len(sekmet.all("ServiceRequest", subject=f"Patient/{step.patient}")) == mine.words.requests
    task = there(sekmet, mine)
    assert task["focus"]["reference"].startswith("ServiceRequest/" if mine.words.requests else "Patient/")
    assert connect()[0].send(mine)["Task"]["action"] == "unchanged"


def test_an_eye_that_does_not_ask_any_more_is_taken_out(sekmet: Sekmet, connect: Any, step: Step) -> None:
    mine = treated(patient=step.patient)
    connect()[0].send(mine)
    infants = replace(mine.decision, next=replace(mine.decision.next, eye=None))
    connect()[0].send(replace(mine, decision=infants))
    assert "bodySite" not in there(sekmet, mine, "ServiceRequest")


@pytest.mark.parametrize("status", ["cancelled", "completed"])
def test_what_never_was_there_is_not_made_to_be_ended(sekmet: Sekmet, connect: Any, step: Step, status: Any) -> None:
    channel, habits = connect()
    receipt = channel.send(replace(step, status=status))
    assert receipt["Task"]["action"] == receipt["ServiceRequest"]["action"] == "absent"
    assert habits.writes() == []
    assert sekmet.all("Task", subject=f"Patient/{step.patient}") == []


def test_missing_data_is_one_task_and_no_request(sekmet: Sekmet, connect: Any, step: Step) -> None:
    needed = data_needed(patient=step.patient)
    channel, _ = connect()
    for _ in range(2):
        receipt = channel.send(needed)
    assert "ServiceRequest" not in receipt
    assert there(sekmet, step)["focus"] == {"reference": f"Patient/{step.patient}"}
    channel.send(replace(needed, status="completed"))
    assert there(sekmet, step)["status"] == "completed"


def test_a_change_between_look_and_write_is_looked_at_again(sekmet: Sekmet, connect: Any, step: Step) -> None:
    """If-Match makes the server refuse (412 by R4; 409 at Millennium); what was written meanwhile survives."""
    for refusal in (412, 409):
        mine = replace(step, patient=f"{step.patient}-{refusal}")
        connect()[0].send(mine)
        touched: list[str] = []

        def before(
            request: httpx.Request, mine: Step = mine, touched: list[str] = touched
        ) -> httpx.Request | httpx.Response:
            if request.method == "PUT" and "/Task/" in request.url.path and not touched:
                sekmet.put(there(sekmet, mine) | {"businessStatus": {"text": "booked"}})
                touched.append("once")
            return request

        def after(_: httpx.Request, response: httpx.Response, refusal: int = refusal) -> httpx.Response:
            return httpx.Response(refusal) if response.status_code == 412 else response

        connect(Habits(before, after))[0].send(moved(mine))
        assert there(sekmet, mine)["businessStatus"] == {"text": "booked"}
        assert there(sekmet, mine)["restriction"]["period"]["end"] == "2031-06-10"


def test_a_conflict_that_never_ends_is_left_for_later(connect: Any, step: Step) -> None:
    connect()[0].send(step)
    channel, habits = connect(Habits(lambda request: httpx.Response(412) if request.method == "PUT" else request))
    with pytest.raises(SiteUnavailable):
        channel.send(moved(step))
    assert 2 <= len(habits.writes()) <= 5


def test_the_receipt_names_what_the_server_dropped_or_changed(sekmet: Sekmet, connect: Any, step: Step) -> None:
    """Element names only. Servers strip and coerce in silence."""

    def before(request: httpx.Request) -> httpx.Request:
        if request.method == "GET" or not request.read():
            return request
        body = json.loads(request.read())
        body.pop("note", None)
        if body["resourceType"] == "Task":
            body.pop("instantiatesCanonical", None)
            body["priority"] = "routine"
        return _with(request, json.dumps(body).encode())

    late = replace(step, decision=a_decision(as_of=date(2031, 6, 30)))
    receipt = connect(Habits(before))[0].send(late)
    assert receipt["Task"]["stripped"] == ["instantiatesCanonical", "note"]
    assert receipt["Task"]["coerced"] == ["priority"]
    assert receipt["ServiceRequest"]["stripped"] == ["note"]
    assert json.loads(json.dumps(receipt)) == receipt
    assert step.patient not in json.dumps(receipt)
    untouched = connect()[0].send(replace(step, patient=step.patient + "-2"))
    assert untouched["Task"]["stripped"] == untouched["Task"]["coerced"] == []


@pytest.mark.parametrize("missing", ["Task", "ServiceRequest"])
def test_a_server_without_the_type_is_refused_before_anything_is_written(
    connect: Any, step: Step, missing: str
) -> None:
    """Millennium has no Task, Epic's Task no create: half a pair would help nobody."""

    def before(request: httpx.Request) -> httpx.Request | httpx.Response:
        if not request.url.path.endswith("/metadata"):
            return request
        statement = _metadata().json()
        types = statement["rest"][0]["resource"]
        if missing == "Task":
            types[1]["interaction"] = [{"code": "read"}, {"code": "update"}, {"code": "search-type"}]
        else:
            del types[0]
        return httpx.Response(200, json=statement)

    channel, habits = connect(Habits(before))
    with pytest.raises(SiteRefused, match=f"takes no new {missing}"):
        channel.send(step)
    assert habits.writes() == []


def test_a_server_that_cannot_be_searched_is_refused_rather_than_written_to_twice(connect: Any, step: Step) -> None:
    def before(request: httpx.Request) -> httpx.Request | httpx.Response:
        return _metadata() if request.url.path.endswith("/metadata") else no_identifier_search(request)

    channel, habits = connect(Habits(before))
    with pytest.raises(SiteRefused):
        channel.send(step)
    assert habits.writes() == []


def test_absolute_references_are_no_change(start_sekmet: Callable[..., Sekmet], connect: Any, step: Step) -> None:
    """Some servers answer with absolute references (as Firely does)."""
    server = start_sekmet(server_behaviour={"absolute_references": True})
    channel, habits = connect(server=server)
    receipt = channel.send(step)
    assert receipt["Task"]["coerced"] == []
    writes = len(habits.writes())
    assert channel.send(step)["Task"]["action"] == "unchanged"
    assert len(habits.writes()) == writes


def test_down_and_up_again(start_sekmet: Callable[..., Sekmet], connect: Any, step: Step) -> None:
    server = start_sekmet()
    channel, _ = connect(server=server)
    channel.send(step)
    server.stop()
    for _ in range(2):
        with pytest.raises(SiteUnavailable):
            channel.send(moved(step))
    server.start()
    assert channel.send(moved(step))["Task"]["action"] == "updated"
    assert there(server, step)["restriction"]["period"]["end"] == "2031-06-10"


def test_channels_are_found_by_looking() -> None:
    found = find_channels(lambda _: pytest.fail("finding a channel must not connect"))
    assert list(found) == ["fhir_task"]
