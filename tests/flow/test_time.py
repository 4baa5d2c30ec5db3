"""Any day can be shown again: the list and each infant, as of a day and as known at an instant."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import orjson
import pytest
from flow.conftest import Ward, gestation, patient, stay, weight
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.core.history import Shown
from service.core.worklist import Entry
from service.errors import NotFound
from service.fhir.forms import fill
from service.fhir.sites import Site
from service.flow import InfantView, infant_key
from service.store.arrivals import Arrival

number = itertools.count()


def key(name: str) -> str:
    return str(infant_key("northgate", name))


def exam(ward: Ward, infant: str, on: str, stage: str, version: int = 1, **more: Any) -> None:
    """An exam of zone II on both sides, as a form filled in on its day, or on a device whose clock is ahead."""
    day = datetime.fromisoformat(f"{on}T12:00:00+00:00")
    eye = {"view": "adequate", "zone": "II", "stage": stage, "plus": "none"}
    body = fill(
        "eye-exam", {"on": on, "right": eye, "left": eye, "examiner": "Dr Reed"}, id=f"{infant}-{on}", version=version,
        patient=infant, author="Dr Reed", authored=max(day, ward.now), **more,
    )  # fmt: skip
    ward.flow.accept([Arrival("northgate", "hand", orjson.dumps(body))])


# --- a random history, read again -------------------------------------------------------------------------------------


@st.composite
def events(draw: st.DrawFn) -> list[tuple[float, list[dict[str, Any]]]]:
    """Hours that pass, and what then arrives in one batch: versions of the resources of two records, `A` and `B`,
    newer and older, corrected, retracted, unreadable, of the other infant; merged and told apart again; moved, sent
    home; a place renamed."""
    found = []
    for _ in range(draw(st.integers(3, 9))):
        who, version = draw(st.sampled_from("AB")), draw(st.integers(1, 5))
        other = "B" if who == "A" else "A"
        event = draw(st.sampled_from(["patient", "weight", "weight", "gestation", "stay", "bed", "merge", "merge"]))
        match event:
            case "patient":
                dead = {"deceasedDateTime": "2031-05-25"} if draw(st.integers(0, 5)) == 0 else {}
                sent = [patient(who, version, name=[{"text": draw(st.sampled_from(["Ada", "Bo"]))}], **dead)]
            case "weight":
                grams = draw(st.sampled_from([700, 1490, 1501, 1900, 0.9]))
                status = draw(st.sampled_from(["final", "corrected", "preliminary", "entered-in-error"]))
                named = draw(st.sampled_from([who, who, other]))
                body = weight(who, grams, version, status=status)
                sent = [{**body, "subject": {"reference": f"Patient/{named}"}}]
            case "gestation":
                sent = [gestation(who, draw(st.sampled_from(["25w3d", "30w6d", "31w0d", "33"])), version)]
            case "stay":
                place = draw(st.sampled_from(["Location/ward-1", "Location/bed", None]))
                gone = {"status": "finished", "period": {"end": "2031-05-30T10:00:00Z"}} if draw(st.booleans()) else {}
                sent = [stay(who, place, version, **gone)]
            case "bed":
                name = draw(st.sampled_from(["Bed 1", "Bed 2"]))
                meta = {"versionId": str(version), "lastUpdated": f"2031-05-20T04:{version:02d}:00Z"}
                sent = [{"resourceType": "Location", "id": "bed", "name": name, "meta": meta}]
            case _:
                link = [{"other": {"reference": f"Patient/{other}"}, "type": "replaced-by"}]
                sent = [patient(who, version, active=False, link=link)]
        found.append((draw(st.sampled_from([0.5, 3, 9, 30, 400])), sent))
    return found


def named(value: Any, prefix: str) -> Any:
    """The same resources of two records, and a bed, of their own."""
    text = orjson.dumps(value).decode()
    for who in "AB":
        text = text.replace(f'"{who}"', f'"{prefix}{who}"').replace(f'"{who}-', f'"{prefix}{who}-')
        text = text.replace(f"Patient/{who}", f"Patient/{prefix}{who}")
    return orjson.loads(text.replace("Location/bed", f"Location/{prefix}bed").replace('"bed"', f'"{prefix}bed"'))


def plain(view: InfantView) -> dict[str, Any]:
    """Everything a view shows, but for how it was asked for."""
    shown = replace(view, known_at=None, facts=tuple(sorted(view.facts, key=str)), recorded=())
    return {name: getattr(shown, name) for name in InfantView.__slots__ if name != "current"} | {
        "current": sorted(view.current, key=str), "shown": view.shown(),
    }  # fmt: skip


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(events())
def test_what_was_shown_at_any_instant_can_be_shown_again(
    ward: Ward, history: list[tuple[float, list[dict[str, Any]]]]
) -> None:
    prefix = f"h{next(number)}"
    written: list[tuple[datetime, list[Entry], dict[str, dict[str, Any]]]] = []
    for hours, sent in history:
        ward.now += timedelta(hours=hours)
        ward.flow.reassess("northgate")  # what every new day brings
        ward.now += timedelta(minutes=1)
        ward.send(*named(sent, prefix))
        seen = {}
        for who in "AB":
            try:
                seen[who] = plain(ward.flow.infant(key(prefix + who)))
            except NotFound:
                seen[who] = {}
        written.append((ward.now, ward.flow.worklist(), seen))
        ward.now += timedelta(seconds=1)
    ward.now += timedelta(days=3)
    for instant, listed, seen in written:
        assert ward.flow.worklist(known_at=instant) == listed
        for who, view in seen.items():
            try:
                again = plain(ward.flow.infant(key(prefix + who), known_at=instant))
            except NotFound:
                again = {}
            assert again == view


# --- one thing at a time ----------------------------------------------------------------------------------------------


def test_a_correction_counts_for_the_day_and_not_for_what_was_known(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 1490), gestation("a", "33w0d"))
    first = ward.now
    ward.now += timedelta(days=2)
    ward.send(weight("a", 1940, version=2, status="corrected"))
    assert ward.flow.worklist() == []
    assert [entry.patient for entry in ward.flow.worklist(known_at=first)] == ["a"]
    assert ward.flow.worklist(as_of=date(2031, 6, 1)) == []  # what is known now of that day
    assert [e.patient for e in ward.flow.worklist(as_of=date(2031, 6, 1), known_at=first)] == ["a"]
    then = ward.flow.infant(key("a"), known_at=first)
    assert (then.decision.state, then.as_of, then.decision.birth_weight) == ("eligible", date(2031, 6, 1), 1490)
    assert len(then.history) == 1
    assert ward.flow.infant(key("a"), as_of=date(2031, 6, 1)).decision.state == "not-eligible"


def test_an_infant_nobody_knew_is_not_shown_to_have_been_known(ward: Ward) -> None:
    ward.now += timedelta(days=3)
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    before = ward.now - timedelta(minutes=1)
    assert ward.flow.worklist(known_at=before) == []
    assert ward.flow.worklist(as_of=date(2031, 6, 3)) == []
    with pytest.raises(NotFound, match="nobody knew"):
        ward.flow.infant(key("a"), known_at=before)


def test_what_could_not_be_read_then_is_shown_then(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 0.94), gestation("a", "33w0d"))
    first = ward.now
    ward.now += timedelta(hours=1)
    ward.send(weight("a", 940, version=2, status="corrected"))
    assert ward.flow.infant(key("a")).rejections == ()
    assert len(ward.flow.infant(key("a"), known_at=first).rejections) == 1


def test_the_edition_of_the_day_decides_about_the_day(ward: Ward, sites: dict[str, Site]) -> None:
    """India's NNF 2010 examines up to 1750 g and under 34 weeks; AAP 2018 up to 1500 g and 30w6d."""
    ward.send(patient("a"), weight("a", 1650), gestation("a", "33w0d"))
    first = ward.now
    changed = Ward(ward.database, {**sites, "northgate": replace(sites["northgate"], policy="india-nnf-2010")})
    changed.now = ward.now + timedelta(days=5)
    changed.flow.activate("northgate", "Dr Kestrel")
    assert [entry.patient for entry in changed.flow.worklist()] == ["a"]
    assert changed.flow.worklist(as_of=date(2031, 6, 3)) == []
    assert changed.flow.infant(key("a"), as_of=date(2031, 6, 3)).decision.policy == "aap-2018"
    assert changed.flow.infant(key("a"), as_of=date(2031, 6, 6)).decision.policy == "india-nnf-2010"
    known_then = changed.flow.infant(key("a"), as_of=date(2031, 6, 6), known_at=first)
    assert known_then.decision.policy == "aap-2018"  # nobody had activated the other one


def test_an_exam_recorded_ahead_of_its_day_counts_from_its_day(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    exam(ward, "a", "2031-06-21", stage="2")
    assert ward.rows()["a"].kind == "first-exam"
    ward.now = datetime(2031, 6, 20, 21, 59, tzinfo=UTC)  # a minute before midnight in Oslo
    ward.flow.reassess("northgate")
    assert ward.rows()["a"].kind == "first-exam"
    ward.now += timedelta(minutes=1)
    assert ward.flow.overtaken() == ["northgate", "southgate"]
    assert ward.flow.reassess("northgate") == 1
    assert ward.rows()["a"].kind == "repeat-exam"
    last = ward.flow.infant(key("a")).shown()[-1]
    assert [(change.what, change.name) for change in last.changes] == [("counts-now", "exam")]


def test_an_exam_ahead_of_its_day_reaches_whoever_is_not_on_the_list(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 1900), gestation("a", "33w0d"))
    exam(ward, "a", "2031-06-05", stage="2")
    assert ward.states() == {"a": "not-eligible"}
    ward.now = datetime(2031, 6, 5, 7, tzinfo=UTC)
    assert ward.flow.reassess("northgate") == 1
    assert ward.rows()["a"].kind == "repeat-exam"


def test_a_day_decided_anew_counts_only_what_was_done_by_then(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    ward.now = datetime(2031, 6, 25, 7, tzinfo=UTC)
    exam(ward, "a", "2031-06-21", stage="2")
    assert ward.rows()["a"].kind == "repeat-exam"
    assert ward.flow.worklist(as_of=date(2031, 6, 20))[0].kind == "first-exam"
    assert ward.flow.worklist(as_of=date(2031, 6, 21))[0].kind == "repeat-exam"
    assert ward.flow.infant(key("a"), as_of=date(2031, 6, 20)).decision.exams == 0
    for day in (date(2031, 6, 19) + timedelta(days) for days in range(6)):
        assert ward.flow.worklist(as_of=day) == [ward.flow.infant(key("a"), as_of=day).entry]


def test_trying_out_an_exam_keeps_nothing(ward: Ward) -> None:
    eye = {"view": "adequate", "zone": "II", "stage": "2", "plus": "none"}
    body = fill("eye-exam", {"on": "2031-06-01", "right": eye, "left": eye, "examiner": "Dr Reed"}, id="x", version=1,
                patient="a", author="Dr Reed", authored=ward.now)  # fmt: skip
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    tried = ward.flow.try_out(Arrival("northgate", "hand", orjson.dumps(body)), key("a"))
    assert tried.decision.exams == 1
    assert ward.flow.infant(key("a")).decision.exams == 0
    assert ward.query("SELECT count(*) FROM arrivals")[0][0] == 3


# --- every date ever shown --------------------------------------------------------------------------------------------


def told(shown: list[Shown]) -> list[list[tuple[str, str]]]:
    return [sorted((change.what, change.name) for change in each.changes) for each in shown]


def test_every_date_says_what_changed_it(ward: Ward) -> None:
    ward.send(patient("a"), gestation("a", "33w0d"))
    for minutes, resource in enumerate(
        (
            weight("a", 1490), weight("a", 1940, 2, status="corrected"), weight("a", 15000, 3, status="corrected"),
            weight("a", 1480, 4, status="corrected"), weight("a", 1480, 5, status="entered-in-error"),
        ), 1,
    ):  # fmt: skip
        ward.now += timedelta(minutes=minutes)
        ward.send(resource)
    ward.now += timedelta(days=20)
    exam(ward, "a", "2031-06-20", stage="2")
    ward.now += timedelta(minutes=1)
    exam(ward, "a", "2031-06-20", stage="3", version=2)
    ward.now += timedelta(minutes=1)
    exam(ward, "a", "2031-06-20", stage="3", version=3, status="entered-in-error")
    shown = ward.flow.infant(key("a")).shown()
    assert told(shown) == [
        [("new", "born"), ("new", "gestation")],
        [("new", "birth_weight")],
        [("corrected", "birth_weight")],
        [("unreadable", "birth_weight")],
        [("corrected", "birth_weight")],
        [("withdrawn", "birth_weight")],
        [("new", "exam")],
        [("corrected", "exam")],
        [("withdrawn", "exam")],
    ]
    assert [each.fact.value for each in shown[2].changes[0].before] == [{"grams": 1490}]
    assert [each.via for each in shown[6].changes[0].now] == ["hand"]
    assert all(each.at <= shown[6].at for each in shown[6].rests_on)


def test_another_edition_is_named_as_what_changed_a_date(ward: Ward, sites: dict[str, Site]) -> None:
    ward.send(patient("a"), weight("a", 1650), gestation("a", "33w0d"))
    changed = Ward(ward.database, {**sites, "northgate": replace(sites["northgate"], policy="india-nnf-2010")})
    changed.now = ward.now + timedelta(days=5)
    changed.flow.activate("northgate", "Dr Kestrel")
    last = changed.flow.infant(key("a")).shown()[-1]
    assert last.edition == "india-nnf-2010 revision 1 decides; before it, aap-2018 revision 1"
    assert last.changes == ()


def test_a_merge_brings_what_the_other_record_held(ward: Ward) -> None:
    ward.send(patient("temp"), weight("temp", 900), patient("real"), gestation("real", "33w0d"))
    apart = ward.now
    ward.now += timedelta(hours=1)
    link = [{"other": {"reference": "Patient/real"}, "type": "replaced-by"}]
    ward.send(patient("temp", version=2, active=False, link=link))
    merged = ward.now
    ward.now += timedelta(hours=1)
    ward.send(patient("temp", version=3))  # the site takes it back
    shown = ward.flow.infant(key("real")).shown()
    assert told(shown)[1:] == [
        [("new", "birth_weight"), ("new", "born"), ("new", "replaced_by")],
        [("withdrawn", "birth_weight"), ("withdrawn", "born"), ("withdrawn", "replaced_by")],
    ]
    weights = [ward.flow.infant(key("real"), known_at=at).decision.birth_weight for at in (apart, merged, ward.now)]
    assert weights == [None, 900, None]
    assert ward.flow.infant(key("temp"), known_at=merged).decision.closed_by == "merged"
    assert {entry.patient for entry in ward.flow.worklist(known_at=merged)} == {"real"}
