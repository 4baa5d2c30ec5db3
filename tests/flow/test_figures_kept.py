"""The figures of a site: counted again by a plain second reckoning over whole invented courses, kept while nothing
changes, and counted anew when something does."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import orjson
import pytest
from flow.conftest import Ward, gestation, patient, stay, weight

from service.core.decision import Decision
from service.demo import _demo_sites
from service.demo.records import Scribe, bundle
from service.demo.story import Story
from service.errors import NotFound
from service.fhir.forms import fill
from service.figures import AT_ONCE
from service.flow import Flow, InfantView
from service.policies import load_policies
from service.store.arrivals import Arrival
from service.store.database import Database

MAPPINGS = Path(__file__).parents[2] / "mappings"
LONG_AGO = date(2020, 1, 1)
MILD = {"zone": "II", "stage": "1", "plus": "none"}


class Clinic(Ward):
    """A ward where exams are typed in."""

    def examine(self, id: str, on: str, eye: Mapping[str, Any] = MILD, version: int = 1, **more: Any) -> None:
        value = {"on": on, "right": eye, "left": eye}
        body = fill(
            "eye-exam", {} if more else value, id=f"{id}-{on}", version=version, patient=id, author="Dr Invented",
            authored=self.now, **more,
        )  # fmt: skip
        (receipt,) = self.flow.accept([Arrival(self.site, "hand", orjson.dumps(body))])
        assert receipt.digested
        assert receipt.rejections == 0

    def figure(self, name: str, site: str = "northgate") -> dict[str, dict[str, int]]:
        """Month -> how many of each outcome."""
        found = self.flow.figures(site, LONG_AGO)
        assert found.waiting == 0
        return {f"{month:%Y-%m}": dict(counts) for (figure, month), counts in found.tally.items() if figure == name}


@pytest.fixture
def clinic(database: Database, sites: Any) -> Clinic:
    """Three infants of 25w3d, born on 1 April: the first exam from 10 to 16 May (AAP 2018, published check vector)."""
    ward = Clinic(database, sites)
    ward.now = datetime(2031, 5, 12, 7, 0, tzinfo=UTC)
    for id in ("a", "b", "c"):
        ward.send(patient(id, birthDate="2031-04-01"), gestation(id, "25w3d"), weight(id, 780), stay(id, None))
    return ward


def on(ward: Ward, day: str) -> None:
    ward.now = datetime.fromisoformat(f"{day}T09:00:00+00:00")


def test_what_was_done_is_counted_when_its_day_is_over(clinic: Clinic) -> None:
    clinic.examine("a", "2031-05-12")
    assert clinic.figure("first-exam") == {}
    on(clinic, "2031-05-16")
    assert clinic.figure("first-exam") == {}
    on(clinic, "2031-05-17")
    assert clinic.figure("first-exam") == {"2031-05": {"on-time": 1, "missing": 2}}
    assert clinic.figure("record") == {"2031-05": {"complete": 1}}
    clinic.examine("b", "2031-05-17")
    on(clinic, "2031-05-18")
    assert clinic.figure("first-exam") == {"2031-05": {"on-time": 1, "late": 1, "missing": 1}}
    assert clinic.figure("first-exam", "southgate") == {}
    with pytest.raises(NotFound):
        clinic.flow.figures("nowhere", LONG_AGO)


def test_a_correction_counts_for_the_month_it_is_about(clinic: Clinic) -> None:
    clinic.examine("a", "2031-05-12")
    on(clinic, "2031-08-01")
    assert clinic.figure("first-exam")["2031-05"] == {"on-time": 1, "missing": 2}
    clinic.examine("a", "2031-05-12", version=2, status="entered-in-error")
    assert clinic.figure("first-exam")["2031-05"] == {"missing": 3}
    assert clinic.figure("record") == {}


def test_only_who_changed_is_counted_again(clinic: Clinic) -> None:
    def stored() -> dict[str, tuple[str, str]]:
        rows = clinic.query("SELECT patient, xmin::text AS row, changed_at::text AS at FROM figures")
        return {row.patient: (row.row, row.at) for row in rows}

    clinic.figure("first-exam")
    before = stored()
    assert set(before) == {"a", "b", "c"}
    on(clinic, "2031-05-13")
    clinic.figure("first-exam")
    assert stored() == before
    clinic.examine("a", "2031-05-13")
    clinic.figure("first-exam")
    after = stored()
    assert {name for name in before if before[name] != after[name]} == {"a"}
    clinic.query("UPDATE figures SET definition = 0 WHERE patient = 'b' RETURNING 1")  # counted by an older service
    clinic.flow.recount("northgate")
    assert stored()["b"] != after["b"]
    assert stored()["c"] == after["c"]


def test_what_changed_while_it_was_counted_is_counted_once_more(clinic: Clinic) -> None:
    clinic.flow.recount("northgate")
    later = "UPDATE infants SET changed_at = changed_at + interval '1 microsecond' WHERE patient = 'a' RETURNING 1"
    clinic.query(later)
    rows = "SELECT count(*) FROM infants JOIN figures USING (site, patient, changed_at)"
    assert clinic.query(rows)[0][0] == 2
    assert clinic.flow.recount("northgate") == 0
    assert clinic.query(rows)[0][0] == 3


def test_the_same_question_before_anything_came_in_is_answered_as_before(clinic: Clinic) -> None:
    on(clinic, "2031-05-20")
    first = clinic.flow.figures("northgate", LONG_AGO)
    assert clinic.flow.figures("northgate", LONG_AGO) is first
    assert clinic.flow.within(["northgate"]).figures("northgate", LONG_AGO) is first
    assert clinic.flow.figures("northgate", date(2031, 5, 1)) is not first
    clinic.examine("a", "2031-05-20")
    assert clinic.figure("first-exam") == {"2031-05": {"late": 1, "missing": 2}}
    on(clinic, "2031-05-21")
    assert clinic.figure("record") == {"2031-05": {"complete": 1}}


def test_a_change_that_was_slow_to_be_seen_is_counted(clinic: Clinic) -> None:
    """Its transaction began before everybody was counted, and ended after."""
    on(clinic, "2031-05-20")
    clinic.flow.figures("northgate", LONG_AGO)
    began = clinic.now
    clinic.now = began + timedelta(minutes=5)
    clinic.flow.figures("northgate", date(2031, 1, 1))
    clinic.now = began
    clinic.examine("a", "2031-05-20")
    clinic.now = datetime(2031, 5, 21, 9, tzinfo=UTC)
    assert clinic.figure("record") == {"2031-05": {"complete": 1}}


def test_a_great_many_are_counted_over_several_questions_and_the_page_says_so(clinic: Clinic) -> None:
    many = [f"p{number}" for number in range(AT_ONCE + 5)]
    clinic.send(*(weight(name, 1600) for name in many))
    first = clinic.flow.figures("northgate", LONG_AGO)
    assert first.waiting == 8  # the three of the ward as well
    assert clinic.flow.figures("northgate", LONG_AGO).waiting == 0


def test_an_exam_is_judged_by_the_edition_in_use_on_its_day(clinic: Clinic) -> None:
    """UK 2022 sees posterior zone II without ROP again within 7 days, AAP 2018 within 14 (both as transcribed)."""
    quiet = {"zone": "II", "posterior": True, "stage": "0", "plus": "none"}
    clinic.examine("a", "2031-05-12", quiet)
    clinic.examine("b", "2031-05-12", quiet)
    on(clinic, "2031-05-14")
    again = Flow(
        clinic.database,
        {**clinic.flow.sites, "northgate": replace(clinic.flow.sites["northgate"], policy="uk-2022")},
        load_policies(), lambda: clinic.now,
    )  # fmt: skip
    on(clinic, "2031-05-24")
    clinic.examine("a", "2031-05-24", quiet)  # on time by AAP 2018: up to the 26th
    on(clinic, "2031-05-25")
    assert again.activate("northgate", "Dr Kestrel") > 0
    on(clinic, "2031-05-26")
    clinic.flow = again
    clinic.examine("b", "2031-05-26", quiet)  # UK 2022 decides by now, and asked for the 19th
    on(clinic, "2031-05-27")
    assert clinic.figure("repeat-exam") == {"2031-05": {"on-time": 1, "late": 1}}
    assert [each.by for each in again.activations("northgate")] == ["first start", "Dr Kestrel"]


# --- a second reckoning over whole courses --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def network(new_database: Callable[[], Database]) -> Iterator[tuple[Flow, date]]:
    """The three invented units of the demonstration, ten weeks on, and their day."""
    database = new_database()
    now = [datetime(2031, 6, 2, 9, tzinfo=UTC)]
    sites = _demo_sites(MAPPINGS)
    flow, ids = Flow(database, sites, load_policies(), lambda: now[0]), list(sites)
    story = Story([Scribe(site) for site in sites.values()], now[0])
    for event in story.opening():
        flow.accept([Arrival(ids[event.unit], "rest-hook", orjson.dumps(bundle(event.resources)))])
    for _ in range(200):
        now[0] += timedelta(hours=8)
        event = story.tell(now[0])
        flow.accept([Arrival(ids[event.unit], "rest-hook", orjson.dumps(bundle(event.resources)))])
    yield flow, now[0].date()


EXAMS = ("repeat-exam", "review-after-laser", "review-after-injection")


def asked(decision: Decision) -> tuple[str, date, date] | None:
    """(figure, opens, closes) of the exam that was on the list."""
    steps = [step for step in (decision.next, *decision.also) if step.window is not None]
    for step in steps:
        if step.kind == "first-exam" and step.window:
            return "first-exam", step.window.opens, step.window.closes
    again = sorted((s.window.closes, s.window.due, s.window.opens) for s in steps if s.kind in EXAMS and s.window)
    return ("repeat-exam", again[0][2], again[0][0]) if again else None


def reckon(flow: Flow, key: str) -> Iterator[tuple[str, date, str]]:
    """First and repeat exams of one infant, from what the list said on the day before each exam: (figure, last day,
    outcome). Plainly, by the page of the infant as of other days."""
    seen = flow.infant(key)
    held = sorted({exam.on for exam in seen.course.exams if exam.right.complete or exam.left.complete})
    for day in held:
        on_list = asked(flow.infant(key, day - timedelta(days=1)).decision)
        if on_list is None:
            continue
        figure, opens, closes = on_list
        after = asked(flow.infant(key, day).decision)
        if figure == "first-exam" and after is not None and after[0] == "first-exam":
            continue  # it did not answer the list
        yield figure, closes, "early" if day < opens else "on-time" if day <= closes else "late"
    on_list = asked(seen.decision)
    if on_list is not None:
        yield on_list[0], on_list[2], "missing"


def everybody(flow: Flow, site: str) -> list[InfantView]:
    with flow.database.transaction() as connection:
        keys = connection.exec_driver_sql("SELECT key FROM infants WHERE site = %s", (site,)).scalars().all()
    return [flow.infant(str(key)) for key in keys]


@pytest.mark.parametrize("site", ["larkmoor", "quillhaven", "tamarind-vale"])
def test_a_plain_second_reckoning_of_records_and_of_months_comes_to_the_same(
    network: tuple[Flow, date], site: str
) -> None:
    flow, _ = network
    today = flow.today(site)
    tally = flow.figures(site, LONG_AGO).tally
    records = Counter[tuple[str, date, bool]]()
    for seen in everybody(flow, site):
        if seen.infant.record != "infant":
            continue
        for day in {exam.on for exam in seen.course.exams if exam.on < today}:
            of_day = [exam for exam in seen.course.exams if exam.on == day]
            whole = all(any(not exam.eye(side).lacking for exam in of_day) for side in ("right", "left"))
            records["record", day.replace(day=1), whole] += 1
    assert sum(records.values()) > 40
    assert records == Counter({
        (*key, outcome == "complete"): sum(n for o, n in counts.items() if (o == "complete") == (outcome == "complete"))
        for key, counts in tally.items() if key[0] == "record"
        for outcome in counts
    })  # fmt: skip
    months = Counter[tuple[str, str, str]]()
    for each in (words for counted in kept(flow, site).values() for words in counted):
        figure, day, outcome = each.split(" ")
        if day < today.isoformat():
            months[figure, day[:7], outcome] += 1
    assert months == Counter({
        (figure, f"{month:%Y-%m}", outcome): number
        for (figure, month), counts in tally.items()
        for outcome, number in counts.items()
    })  # fmt: skip


def kept(flow: Flow, site: str) -> dict[str, list[str]]:
    with flow.database.transaction() as connection:
        rows = connection.exec_driver_sql("SELECT patient, counted FROM figures WHERE site = %s", (site,)).all()
    return {row.patient: row.counted for row in rows}


def test_a_plain_second_reckoning_of_exams_is_the_same_infant_by_infant(network: tuple[Flow, date]) -> None:
    """Who died, was closed or was handed over is left out from then on; that is worked by hand in tests/core."""
    flow, _ = network
    compared = Counter[str]()
    for site in flow.sites:
        flow.figures(site, LONG_AGO)
        counted = kept(flow, site)
        for seen in everybody(flow, site):
            if seen.infant.record != "infant" or seen.infant.deceased or seen.course.closing or seen.course.hand_overs:
                continue
            expected = sorted(
                f"{figure} {closes.isoformat()} {outcome}" for figure, closes, outcome in reckon(flow, seen.key)
            )
            assert sorted(each for each in counted[seen.patient] if "-exam " in each) == expected, seen.key
            compared.update(each.rpartition(" ")[2] for each in expected)
    assert sum(compared.values()) > 150
    assert all(compared[outcome] > 3 for outcome in ("on-time", "early", "late", "missing")), compared
