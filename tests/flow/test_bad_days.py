"""Days that go wrong on real wards, and what the list must say afterwards (design: ten bad days)."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import orjson
import psycopg
import pytest
from flow.conftest import Ward, gestation, patient, stay, weight
from sqlalchemy.exc import DBAPIError

from service.core.worklist import bucket, days_over
from service.errors import NotFound, NotUnderstood, SiteRefused, SiteUnavailable
from service.fhir.sites import Site
from service.fhir.write import Step


def tasks(ward: Ward) -> dict[tuple[str, str], tuple[str, int]]:
    """(patient, step) -> (status, version) of the Tasks in force."""
    rows = ward.query("SELECT patient, step, status, version FROM publications WHERE current AND type = 'Task'")
    return {(row.patient, row.step): (row.status, row.version) for row in rows}


def test_the_same_event_twice_is_one_task(ward: Ward) -> None:
    for _ in range(3):
        ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    assert tasks(ward) == {("a", "first-exam"): ("requested", 1)}
    assert len(ward.query("SELECT 1 FROM decisions")) == 1
    assert len(ward.query("SELECT 1 FROM outbox")) == 1


def test_the_parts_in_any_order_give_the_same_list(ward: Ward) -> None:
    ward.send(gestation("a", "26w4d"))
    assert ward.rows()["a"].kind == "data-needed"  # known by one observation, and on the list at once
    ward.send(weight("a", 900))
    ward.send(patient("a"))
    window = ward.rows()["a"].window
    assert (window.opens, window.closes) == (date(2031, 6, 20), date(2031, 6, 26))  # 26w4d: 31 to 37 days of age
    assert tasks(ward) == {("a", "data-needed"): ("completed", 3), ("a", "first-exam"): ("requested", 1)}


def test_an_update_before_its_create(ward: Ward) -> None:
    ward.send(weight("a", 1900, version=2), patient("a"), gestation("a", "33w0d"))
    assert ward.states() == {"a": "not-eligible"}
    ward.send(weight("a", 900, version=1))
    assert ward.states() == {"a": "not-eligible"}


def test_a_weight_corrected_across_the_limit_and_back(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 1490), gestation("a", "33w0d"))
    assert tasks(ward)["a", "first-exam"] == ("requested", 1)
    ward.send(weight("a", 1940, version=2, status="corrected"))
    assert ward.states() == {"a": "not-eligible"}
    assert tasks(ward)["a", "first-exam"] == ("cancelled", 2)
    ward.send(weight("a", 1499, version=3, status="corrected"))
    assert ward.states() == {"a": "eligible"}
    assert tasks(ward)["a", "first-exam"] == ("requested", 3)


def test_entered_in_error_leaves_the_infant_on_the_list(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 1900), gestation("a", "33w0d"))
    assert ward.states() == {"a": "not-eligible"}
    ward.send(weight("a", 1900, version=2, status="entered-in-error"))
    assert ward.rows()["a"].decision.missing == ("birth_weight",)


def test_kilograms_as_grams_is_kept_shown_and_not_guessed(ward: Ward) -> None:
    receipts = ward.send(patient("a"), weight("a", 0.94), gestation("a", "33w0d"))
    assert [receipt.rejections for receipt in receipts] == [0, 1, 0]
    assert ward.states() == {"a": "unknown"}
    shown = ward.flow.rejections("northgate")[0]
    assert shown["path"].startswith("Observation.value")
    assert "kg" in shown["reason"] or "kilogram" in shown["reason"]
    assert b"0.94" in shown["original"]
    ward.send(weight("a", 940, version=2, status="corrected"))
    assert ward.flow.rejections("northgate") == []
    assert ward.states() == {"a": "eligible"}


def test_an_unreadable_correction_drops_no_exam(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 940), gestation("a", "33w0d"))
    before = ward.rows()["a"]
    ward.send(weight("a", 15000, version=2, status="corrected"))
    after = ward.rows()["a"]
    assert (after.kind, after.decision.eligible) == ("first-exam", "yes")
    assert after.window.due <= before.window.due


def test_moved_between_beds_and_out_of_the_hospital(ward: Ward) -> None:
    bed = {"resourceType": "Location", "id": "bed-7", "name": "Bed 7", "partOf": {"reference": "Location/ward-1"}}
    ward.send(patient("a"), weight("a", 900), stay("a", "Location/bed-7"), bed)
    assert (ward.rows()["a"].unit, ward.rows()["a"].bed) == ("Ward One", "Bed 7")
    ward.send(stay("a", "Location/ward-2", version=2))
    assert ward.rows()["a"].unit == "Ward Two"
    ward.send(stay("a", None, version=3, status="finished", period={"end": "2031-05-30T10:00:00Z"}))
    row = ward.rows()["a"]
    assert row.left_hospital
    assert row.kind == "first-exam"  # leaving is a reason to act, never to forget


def test_two_records_of_one_infant_are_merged_by_the_site_alone(ward: Ward) -> None:
    ward.send(patient("temp"), weight("temp", 900), patient("real"), gestation("real", "33w0d"))
    assert set(ward.rows()) == {"temp", "real"}  # same birthday, and still two people
    link = [{"other": {"reference": "Patient/real"}, "type": "replaced-by"}]
    ward.send(patient("temp", version=2, active=False, link=link))
    assert ward.states() == {"temp": "closed", "real": "eligible"}
    assert tasks(ward)["temp", "first-exam"][0] == "cancelled"
    ward.send(weight("temp", 880, version=2))  # the site still writes under the old number
    assert ward.rows()["real"].decision.birth_weight == 880
    ward.send(patient("temp", version=3))  # and takes the merge back
    assert set(ward.rows()) == {"temp", "real"}
    assert ward.rows()["real"].decision.birth_weight is None


def test_an_identifier_that_two_people_carry_names_nobody(ward: Ward) -> None:
    number = [{"system": "urn:ward:number", "value": "7"}]
    by_number = {"identifier": number[0]}
    ward.send(patient("a", identifier=number), {**weight("x", 900), "subject": by_number})
    assert ward.rows()["a"].decision.birth_weight == 900
    ward.send(patient("twin", identifier=number))
    assert ward.rows()["a"].decision.birth_weight is None
    assert ward.rows()["urn:ward:number|7"].decision.birth_weight == 900  # shown apart until somebody settles it


def test_gestational_age_arrives_late(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 1700))
    needed = ward.rows()["a"]
    assert (needed.kind, needed.window.due) == ("data-needed", date(2031, 6, 17))
    ward.send(gestation("a", "29w1d"))
    exam = ward.rows()["a"]
    assert (exam.kind, exam.decision.missing) == ("first-exam", ())
    assert exam.window.due >= needed.window.due


def test_the_policy_edition_changes(ward: Ward, sites: dict[str, Site]) -> None:
    from dataclasses import replace

    ward.send(patient("a"), weight("a", 1650), gestation("a", "33w0d"))
    assert ward.states() == {"a": "not-eligible"}
    changed = Ward(ward.database, {**sites, "northgate": replace(sites["northgate"], policy="india-nnf-2010")})
    assert changed.flow.reassess("northgate") == 0  # a file decides nothing until somebody activates it
    assert changed.states() == {"a": "not-eligible"}
    assert changed.flow.activate("northgate", "Dr Kestrel") == 1
    assert changed.states() == {"a": "eligible"}
    assert changed.flow.reassess("northgate") == 0
    history = changed.query("SELECT policy, state FROM decisions ORDER BY id")
    assert [tuple(row) for row in history] == [("aap-2018", "not-eligible"), ("india-nnf-2010", "eligible")]


def test_the_servers_are_down_for_an_hour(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    said: list[Step] = []

    def down(step: Step) -> dict[str, str]:
        raise SiteUnavailable("no answer", retry_after=1800)

    def up(step: Step) -> dict[str, str]:
        said.append(step)
        return {"Task": "created"}

    assert ward.flow.publish("northgate", {"fhir_task": down}).put_off == 1
    assert ward.flow.publish("northgate", {"fhir_task": up}).done == 0  # not before the server asked to be asked
    ward.send(weight("a", 890, version=2, status="corrected"), gestation("a", "27w4d", version=2))
    ward.now += timedelta(hours=1)
    assert ward.flow.publish("northgate", {"fhir_task": up}).done == 1
    assert [step.decision.birth_weight for step in said] == [890]  # the newest word, once
    assert ward.flow.publish("northgate", {"fhir_task": up}).done == 0


@pytest.mark.parametrize(
    ("error", "problem"),
    [
        (SiteRefused("not in this form", 422), "not in this form"),
        (NotUnderstood("Task.code is no code"), "Task.code is no code"),
        (ZeroDivisionError("900 g"), "ZeroDivisionError"),
    ],
)
def test_what_cannot_be_said_holds_up_nobody_and_is_kept(ward: Ward, error: Exception, problem: str) -> None:
    ward.send(patient("a"), weight("a", 900), patient("b"), weight("b", 901))

    def refuse_a(step: Step) -> dict[str, str]:
        if step.patient == "a":
            raise error
        return {}

    sent = ward.flow.publish("northgate", {"fhir_task": refuse_a})
    assert (sent.done, sent.refused) == (1, 1)
    rows = ward.query("SELECT patient, state, problem FROM outbox ORDER BY patient")
    assert [tuple(row) for row in rows] == [("a", "refused", problem), ("b", "done", None)]
    assert ward.flow.publish("northgate", {"fhir_task": lambda step: {}}).done == 0
    assert ward.flow.say_again("northgate") == 1  # somebody has put it right
    assert ward.flow.publish("northgate", {"fhir_task": lambda step: {}}).done == 1
    assert ward.flow.say_again("northgate") == 0


def test_a_decision_made_while_its_step_is_being_sent_is_sent_too(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    said: list[int | None] = []

    def meanwhile(step: Step) -> dict[str, str]:
        said.append(step.decision.birth_weight)
        if len(said) == 1:
            ward.send(weight("a", 1200, version=2, status="corrected"))
        return {}

    ward.flow.publish("northgate", {"fhir_task": meanwhile})
    ward.flow.publish("northgate", {"fhir_task": meanwhile})
    assert said == [900, 1200]


def test_the_clocks_change_and_days_are_the_sites_own(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"))
    row = ward.rows()["a"]
    ward.now = datetime(2031, 6, 26, 21, 59, tzinfo=UTC)  # 23:59 in Oslo
    assert bucket(row, ward.flow.today("northgate")) == "today"
    ward.now += timedelta(minutes=2)
    assert bucket(row, ward.flow.today("northgate")) == "overdue"
    assert days_over(row, ward.flow.today("northgate")) == 1
    assert ward.flow.today("southgate") == date(2031, 6, 27)  # fourteen hours ahead of UTC


def test_one_poisoned_arrival_spoils_nothing_beside_it(ward: Ward) -> None:
    poison = orjson.dumps(patient("p", name=[{"text": "x\u0000y"}]))
    receipts = ward.send(patient("a"), poison, weight("a", 900), b"{not json", b"\xff\xfe\x00")
    assert receipts[0].digested
    assert receipts[2].digested
    assert ward.rows()["a"].decision.birth_weight == 900
    kept = ward.query("SELECT count(*) FROM arrivals")[0][0]
    assert kept == 5


def test_what_cannot_be_digested_stays_and_is_tried_again(ward: Ward) -> None:
    with psycopg.connect(ward.database.url, autocommit=True) as owner:
        owner.execute("ALTER TABLE infants ADD CONSTRAINT fault CHECK (patient <> 'b')")
        receipts = ward.send(weight("a", 900), weight("b", 900), weight("c", 900))
        assert [receipt.digested for receipt in receipts] == [True, False, True]
        assert ward.query("SELECT problem FROM arrivals WHERE state = 'failed'")[0].problem == "IntegrityError"
        assert [receipt.digested for receipt in ward.flow.digest("northgate")] == [False]
        owner.execute("ALTER TABLE infants DROP CONSTRAINT fault")
    assert [receipt.digested for receipt in ward.flow.digest("northgate")] == [True]
    assert set(ward.rows()) == {"a", "b", "c"}
    assert ward.flow.digest("northgate") == []


def test_a_gestational_age_on_the_mothers_record_is_refused_and_shown(ward: Ward) -> None:
    ward.send(patient("mother", birthDate="2001-02-03"), gestation("mother", "27w0d"))
    assert ward.states() == {}
    assert ward.flow.rejections()[0]["path"] == "Observation.subject"
    named = {**gestation("mother", "27w0d", version=2), "focus": [{"reference": "Patient/a"}]}
    ward.send(named, patient("a"))
    assert ward.rows()["a"].decision.ages.gestation == "27w0d"
    assert ward.flow.rejections() == []


def test_a_weight_that_was_another_infants(ward: Ward) -> None:
    """Twins: the second version names the other one. The first must not keep what was never his."""
    ward.send(patient("a"), patient("b"), gestation("a", "33w0d"), gestation("b", "33w0d"))
    first = weight("a", 900)
    second = {**weight("a", 900, version=2), "subject": {"reference": "Patient/b"}}
    ward.send(second, first)
    assert ward.rows()["b"].decision.birth_weight == 900
    assert ward.rows()["a"].decision.birth_weight is None


def test_death_closes_and_a_mistaken_death_reopens(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900))
    ward.send(patient("a", version=2, deceasedDateTime="2031-05-25T10:00:00Z"))
    assert ward.states() == {"a": "closed"}
    assert tasks(ward)["a", "first-exam"][0] == "cancelled"
    ward.send(patient("a", version=3))
    assert ward.states() == {"a": "eligible"}


def test_facts_decisions_and_arrivals_cannot_be_rewritten(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900))
    for sql in ("UPDATE facts SET name = 'x'", "DELETE FROM decisions", "UPDATE arrivals SET body = ''"):
        with pytest.raises(DBAPIError, match="permission denied"):
            ward.query(sql)


def test_unknown_names(ward: Ward) -> None:
    with pytest.raises(NotFound, match="no site 'nowhere'"):
        ward.flow.worklist("nowhere")
    with pytest.raises(NotFound):
        ward.flow.infant("no-key")
