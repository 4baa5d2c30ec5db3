"""What changed a date: facts compared as they stood at two decisions, without a database."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.core.decision import Ages, Decision
from service.core.history import Recorded, history
from service.core.infant import Fact, Version
from service.core.window import NextStep, Reason, Window

START = datetime(2031, 6, 1, 7, tzinfo=UTC)
DAY = date(2031, 6, 1)
REASON = Reason("rule", "source", "text", "read")
SHOWN = Decision(
    "a", "aap-2018", 1, DAY, "eligible", "yes", (REASON,), (), Ages(None, None, None),
    NextStep("first-exam", Window(DAY, DAY, DAY), REASON), (),
)  # fmt: skip


def at(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def said(hours: float, name: str, value: dict[str, Any], version: int = 1, resource: str = "Observation/w") -> Recorded:
    fact = Fact("a", name, value, resource, Version(version, f"2031-06-01T00:00:0{version}Z", str(version)))
    return Recorded(fact, at(hours), "rest-hook")


def told(facts: list[Recorded], *hours: float) -> list[list[tuple[str, str]]]:
    shown = history([(at(each), SHOWN) for each in hours], facts)
    return [[(change.what, change.name) for change in each.changes] for each in shown]


def test_decisions_in_any_order_are_told_oldest_first() -> None:
    shown = history([(at(2), SHOWN), (at(0), SHOWN), (at(1), SHOWN)], [])
    assert [each.at for each in shown] == [at(0), at(1), at(2)]


def test_an_older_version_that_comes_late_changes_nothing() -> None:
    facts = [said(0, "birth_weight", {"grams": 900}, 2), said(1, "birth_weight", {"grams": 700}, 1)]
    assert told(facts, 0, 1) == [[("new", "birth_weight")], []]


def test_the_same_said_again_changes_nothing() -> None:
    facts = [said(0, "birth_weight", {"grams": 900}, 1), said(1, "birth_weight", {"grams": 900}, 2)]
    assert told(facts, 0, 1) == [[("new", "birth_weight")], []]
    exam = {"on": "2031-06-01", "right": {"zone": "II", "stage": 1}}
    reordered = {"right": {"stage": 1, "zone": "II"}, "on": "2031-06-01"}
    assert told([said(0, "exam", exam, 1), said(1, "exam", reordered, 2)], 0, 1) == [[("new", "exam")], []]


def test_a_planned_day_of_leaving_is_something_a_date_rests_on() -> None:
    facts = [said(1, "leaving", {"on": "2031-06-01", "date": "2031-06-09", "by": "N"}), said(1, "name", {"text": "A"})]
    assert told(facts, 0, 1) == [[], [("new", "leaving")]]


def test_a_value_becomes_certain() -> None:
    first, second = said(0, "birth_weight", {"grams": 900}, 1), said(1, "birth_weight", {"grams": 900}, 2)
    unsure = replace(first, fact=replace(first.fact, certain=False))
    assert told([unsure, second], 0, 1) == [[("new", "birth_weight")], [("corrected", "birth_weight")]]
    (changed,) = history([(at(0), SHOWN), (at(1), SHOWN)], [unsure, second])[-1].changes
    assert (changed.resource, changed.now, changed.before) == ("Observation/w", (second,), (unsure,))


def test_who_somebody_is_moves_no_date() -> None:
    facts = [said(0, "name", {"text": "Ada"}), said(1, "name", {"text": "Bo"}, 2)]
    assert told(facts, 0, 1) == [[], []]


def test_one_flag_of_two_is_taken_back() -> None:
    both = [said(0, "risk", {"flag": flag}, 1, "Condition/c") for flag in ("sepsis", "transfusion")]
    facts = [*both, said(1, "risk", {"flag": "sepsis"}, 2, "Condition/c")]
    (first, last) = history([(at(0), SHOWN), (at(1), SHOWN)], facts)
    assert [change.what for change in first.changes] == ["new"]
    assert [(c.what, [r.fact.value["flag"] for r in c.before]) for c in last.changes] == [
        ("withdrawn", ["transfusion"])
    ]


def test_what_cannot_be_read_leaves_what_was_said_before_in_force() -> None:
    lost = said(1, "unreadable", {"of": "birth_weight", "reason": "no unit"}, 2)
    last = history([(at(0), SHOWN), (at(1), SHOWN)], [said(0, "birth_weight", {"grams": 900}), lost])[-1]
    assert [(change.what, change.name, change.before[0].fact.value) for change in last.changes] == [
        ("unreadable", "birth_weight", {"grams": 900})
    ]
    assert last.changes[0].resource == "Observation/w"
    assert {each.fact.name for each in last.rests_on} == {"birth_weight", "unreadable"}


def test_what_is_dated_ahead_counts_from_its_day() -> None:
    exam = said(0, "exam", {"on": "2031-06-03"}, resource="QuestionnaireResponse/e")
    later = replace(SHOWN, as_of=date(2031, 6, 3))
    first, last = history([(at(1), SHOWN), (at(48), later)], [exam])
    assert (first.rests_on, first.changes) == ((), ())
    assert last.rests_on == (exam,)
    assert [(change.what, change.name) for change in last.changes] == [("counts-now", "exam")]


def test_a_record_joins_and_leaves() -> None:
    other = replace(said(1, "birth_weight", {"grams": 900}), until=at(3))
    assert told([other], 0, 1, 2, 3) == [[], [("new", "birth_weight")], [], [("withdrawn", "birth_weight")]]
    gone = history([(at(2), SHOWN), (at(3), SHOWN)], [other])[-1].changes
    assert [(each.resource, each.now, each.before) for each in gone] == [("Observation/w", (), (other,))]


def test_another_edition_or_revision_is_named() -> None:
    shown = history([(at(0), SHOWN), (at(1), replace(SHOWN, revision=2)), (at(2), replace(SHOWN, revision=2))], [])
    assert [each.edition for each in shown] == ["", "aap-2018 revision 2 decides; before it, aap-2018 revision 1", ""]
