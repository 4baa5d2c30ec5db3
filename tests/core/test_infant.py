"""From facts to an infant: which version counts, which value wins, what stays in doubt."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from itertools import permutations
from typing import Any

import pytest
from core.invented import BORN, born_fact, fact
from pretermgrowth import Fenton

from service.core.ages import Gestation
from service.core.decision import decide
from service.core.infant import (
    MEDIAN_GIRL_GRAMS,
    PLAUSIBLE_GESTATION,
    SETTLED,
    Days,
    Fact,
    Infant,
    Weighing,
    assemble,
    newest,
    plausible_gestation,
)
from service.policies import load_policies

AAP = load_policies()["aap-2018"]


def weight(grams: int, resource: str = "Observation/1", version: int | None = 1, **more: Any) -> Fact:
    return fact("birth_weight", {"grams": grams}, resource, version, **more)


def gestation(text: str, resource: str = "Observation/2", version: int | None = 1, **more: Any) -> Fact:
    value: dict[str, Any] = {"low": Gestation.parse(text).low, "high": Gestation.parse(text).high}
    if "observed" in more:
        value["observed"] = more.pop("observed")
    return fact("gestation", value, resource, version, **more)


def unreadable(of: str, resource: str = "Observation/1", version: int = 2) -> Fact:
    return fact("unreadable", {"of": of, "reason": "no unit"}, resource, version)


def person(*said: Fact, known_since: date = BORN, patient: str = "p") -> Infant:
    """The same infant whichever order the facts come in, and however often."""
    found = [assemble(patient, order, known_since) for order in permutations(said[:5])]
    found.append(assemble(patient, [*said, *said], known_since))
    if len(said) <= 5:
        assert found.count(found[0]) == len(found)
    return found[-1]


# --- versions --------------------------------------------------------------------------------------------------------


def test_the_highest_version_number_counts_whatever_its_time_says() -> None:
    nine = weight(900, version=9, updated="2031-05-09T00:00:00.000000Z")
    ten = weight(1000, version=10, updated="2031-05-01T00:00:00.000000Z")
    assert person(nine, ten).birth_weight.values == (1000,)


def test_without_a_number_on_every_version_the_latest_update_counts() -> None:
    numbered = weight(900, version=9, updated="2031-05-01T00:00:00.000000Z")
    later = weight(1000, version=None, updated="2031-05-02T00:00:00.000000Z")
    assert person(numbered, later).birth_weight.values == (1000,)
    earlier = weight(1000, version=None, updated="2031-04-30T00:00:00.000000Z")
    assert person(numbered, earlier).birth_weight.values == (900,)


def test_versions_of_the_same_moment_are_told_apart_by_their_label() -> None:
    at = "2031-05-01T00:00:00.000000Z"
    one, other = (weight(grams, version=None, updated=at, label=label) for grams, label in ((900, "a"), (1000, "b")))
    assert person(one, other).birth_weight.values == (1000,)


def test_a_newer_version_replaces_all_that_the_older_one_said() -> None:
    told = person(born_fact(), fact("sex", {"code": "male"}, "Patient/p", 1), born_fact(date(2031, 5, 2), version=2))
    assert told.born.values == (Days(date(2031, 5, 2), date(2031, 5, 2)),)
    assert told.sex is None


def test_a_retraction_takes_the_value_back_without_making_the_infant_ineligible() -> None:
    told = person(born_fact(), gestation("34w0d"), weight(1400), fact("retracted", {}, version=2))
    assert told.birth_weight.candidates == ()
    assert told.birth_weight.unsettled
    assert decide(told, AAP, BORN).eligible == "unknown"


def test_a_retraction_overtaken_by_a_correction_does_not_count() -> None:
    told = person(weight(1400), fact("retracted", {}, version=2), weight(1500, version=3))
    assert told.birth_weight.values == (1500,)


def test_an_unreadable_correction_keeps_the_last_readable_value_as_a_candidate() -> None:
    told = person(weight(1400), weight(1450, version=2), unreadable("birth_weight", version=3))
    assert told.birth_weight.values == (1450,)
    assert told.birth_weight.unreadable
    assert told.birth_weight.unsettled
    twice = person(weight(1400), unreadable("birth_weight", version=2), unreadable("birth_weight", version=3))
    assert twice.birth_weight.values == (1400,)


def test_an_unreadable_correction_does_not_revive_what_was_retracted() -> None:
    told = person(weight(1400), fact("retracted", {}, version=2), unreadable("birth_weight", version=3))
    assert told.birth_weight.values == ()
    assert told.birth_weight.unreadable


def test_only_what_became_unreadable_is_kept_from_before() -> None:
    told = person(born_fact(), fact("sex", {"code": "male"}, "Patient/p", 1), unreadable("born", "Patient/p", 2))
    assert told.born.values == (Days(BORN, BORN),)
    assert told.sex is None


def test_newest_gives_each_resource_its_own_newest_version() -> None:
    old, new, other = weight(900), weight(950, version=2), weight(1000, "Observation/9")
    current, earlier = newest([new, old, other])
    assert sorted(each.value["grams"] for each in current) == [950, 1000]
    assert earlier == []


# --- which value wins ------------------------------------------------------------------------------------------------


def test_values_that_disagree_all_stay_and_the_first_choice_of_code_is_shown() -> None:
    told = person(weight(1600, "Observation/1", rank=2), weight(1400, "Observation/3", rank=1))
    assert told.birth_weight.values == (1400, 1600)
    assert told.birth_weight.value == 1400
    assert told.birth_weight.conflicting
    assert not told.birth_weight.unsettled


def test_of_the_same_rank_the_latest_issued_is_shown_and_one_without_a_date_last() -> None:
    said = [
        weight(1100, "Observation/1", issued=""),
        weight(1200, "Observation/2", issued="2031-05-01T10:00:00.000000Z"),
        weight(1300, "Observation/3", issued="2031-05-02T10:00:00.000000Z"),
        weight(1400, "Observation/4", issued="2031-05-02T10:00:00.000000Z"),
    ]
    assert person(*said).birth_weight.values == (1300, 1400, 1200, 1100)


def test_two_values_of_one_version_come_in_one_order() -> None:
    told = person(weight(1400, rank=2), weight(1350, rank=2), born_fact())
    assert told.birth_weight.values == (1350, 1400)


def test_the_same_value_twice_is_no_conflict_and_certain_if_any_is() -> None:
    told = person(weight(1400, "Observation/1", certain=False), weight(1400, "Observation/3", rank=2))
    assert told.birth_weight.values == (1400,)
    assert not told.birth_weight.unsettled
    assert told.birth_weight.candidates[0].resource == "Observation/3"
    doubted = person(weight(1400, "Observation/1", certain=False), weight(1400, "Observation/3", certain=False))
    assert doubted.birth_weight.unsettled


def test_every_body_weight_is_kept_once_in_the_order_of_days() -> None:
    said = [
        fact("weight", {"on": f"2031-05-{day:02}", "grams": grams}, f"Observation/{day}")
        for day, grams in ((9, 930), (3, 900), (9, 930))
    ]
    assert person(born_fact(), *said).weights == (Weighing(date(2031, 5, 3), 900), Weighing(date(2031, 5, 9), 930))


def test_an_unreadable_correction_of_what_was_settled_by_hand_settles_nothing() -> None:
    """What was settled at 1600 g would leave the infant out (AAP 2018: up to 1500 g or 30w6d)."""
    settled = weight(1600, "hand/1", 1, rank=0, updated="2031-05-03T00:00:00.000000Z")
    lost = fact("unreadable", {"of": "birth_weight", "reason": ""}, "hand/1", 2, updated="2031-05-04T00:00:00.000000Z")
    other, age = weight(1700, "Observation/1"), gestation("32w0d")
    assert decide(person(born_fact(), age, other, settled), AAP, BORN).eligible == "no"
    told = person(born_fact(), age, other, settled, lost)
    assert set(told.birth_weight.values) == {1600, 1700}
    assert told.birth_weight.unsettled
    assert decide(told, AAP, BORN).eligible == "unknown"

    again = weight(1600, "hand/2", 1, rank=0, updated="2031-05-05T00:00:00.000000Z")
    assert decide(person(born_fact(), age, other, settled, lost, again), AAP, BORN).eligible == "no"
    before = weight(1650, "hand/0", 1, rank=0, updated="2031-05-02T00:00:00.000000Z")
    told = person(born_fact(), age, before, settled, lost)
    assert told.birth_weight.unsettled, "what was settled before the correction does not silence it"
    assert set(told.birth_weight.values) == {1600, 1650}


def test_what_was_settled_by_hand_stands_where_another_record_cannot_be_read() -> None:
    settled = weight(1600, "hand/1", 1, rank=0, updated="2031-05-03T00:00:00.000000Z")
    lost = fact("unreadable", {"of": "birth_weight", "reason": ""}, "Observation/9", 1,
                updated="2031-05-04T00:00:00.000000Z")  # fmt: skip
    assert person(born_fact(), settled, lost).birth_weight == person(born_fact(), settled).birth_weight


def test_an_unreadable_birth_date_is_missed_and_a_death_whose_correction_is_unreadable_ends_nothing() -> None:
    lost = fact("unreadable", {"of": "born", "reason": ""}, "Patient/p", 2)
    told = person(born_fact(), gestation("27w0d"), lost)
    decision = decide(told, AAP, BORN)
    assert (decision.state, decision.missing) == ("eligible", ("date_of_birth",))
    assert decision.next == decide(person(born_fact(), gestation("27w0d")), AAP, BORN).next

    died = fact("deceased", {"on": None}, "Patient/p", 1)
    unsure = fact("unreadable", {"of": "deceased", "reason": ""}, "Patient/p", 2)
    assert decide(person(born_fact(), died, gestation("27w0d")), AAP, BORN).state == "closed"
    again = person(born_fact(), died, gestation("27w0d"), unsure, born_fact(version=2))
    assert decide(again, AAP, BORN).state == "eligible"


def test_a_body_weight_is_certain_where_any_record_of_it_is_and_none_has_an_unreadable_correction() -> None:
    def weighed(resource: str, version: int = 1, **more: Any) -> Fact:
        return fact("weight", {"on": "2031-05-09", "grams": 930}, resource, version, **more)

    def told(*said: Fact) -> tuple[Weighing, ...]:
        return person(born_fact(), *said).weights

    day = date(2031, 5, 9)
    assert told(weighed("Observation/1", certain=False)) == (Weighing(day, 930, certain=False),)
    assert told(weighed("Observation/1", certain=False), weighed("Observation/2")) == (Weighing(day, 930),)
    lost = unreadable("weight", "Observation/1", 2)
    assert told(weighed("Observation/1"), lost) == (Weighing(day, 930, certain=False),)
    assert told(weighed("Observation/1"), lost, weighed("Observation/2")) == (Weighing(day, 930),)


def test_a_value_settled_by_hand_ends_every_disagreement() -> None:
    said = [
        weight(1400, "Observation/1"),
        weight(1600, "Observation/3"),
        unreadable("birth_weight", "Observation/4", 1),
        weight(1450, "hand/1", 1, rank=0, updated="2031-05-03T00:00:00.000000Z"),
        weight(1550, "hand/2", 1, rank=0, updated="2031-05-04T00:00:00.000000Z"),
    ]
    told = person(*said)
    assert told.birth_weight.values == (1550,)
    assert [each.rank for each in told.birth_weight.candidates] == [SETTLED]
    assert not told.birth_weight.unreadable
    assert told.birth_weight.candidates[0].resource == "hand/2"
    assert told.birth_weight.candidates[0].certain


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        (("28w", "28w3d"), ("28w3d",)),
        (("28w", "29w0d"), ("28w", "29w0d")),
        (("28w", "28w"), ("28w",)),
        (("28w", "28w0d"), ("28w0d",)),
        (("28w", "28w6d"), ("28w6d",)),
        (("28w", "27w6d"), ("27w6d", "28w")),
        (("27w0d..28w6d", "28w", "28w3d"), ("28w3d",)),
        (("27w5d..28w2d", "28w"), ("27w5d..28w2d", "28w")),
        (("28w", "28w0d", "28w6d"), ("28w0d", "28w6d")),
    ],
)
def test_a_whole_week_agrees_with_a_day_inside_it(said: tuple[str, ...], kept: tuple[str, ...]) -> None:
    told = person(*(gestation(text, f"Observation/{n}") for n, text in enumerate(said)))
    assert sorted(str(value) for value in told.gestation.values) == sorted(kept)


def test_an_uncertain_day_does_not_narrow_a_certain_week() -> None:
    told = person(gestation("28w", "Observation/1"), gestation("28w6d", "Observation/2", certain=False))
    assert [str(value) for value in told.gestation.values] == ["28w", "28w6d"]
    assert not told.gestation.unsettled


def test_a_day_of_birth_narrows_a_month_of_birth() -> None:
    month = fact("born", {"low": "2031-05-01", "high": "2031-05-31"}, "Patient/p")
    assert person(month, born_fact(date(2031, 5, 9), "Patient/q")).born.values == (
        Days(date(2031, 5, 9), date(2031, 5, 9)),
    )
    assert not person(month).born.values[0].exact


# --- a general code for gestational age ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rank", "observed", "certain"),
    [
        (2, "2031-05-04", True),
        (2, "2031-05-05", False),  # it may say how old the infant is by then
        (3, "2031-08-01", False),
        (1, "2031-08-01", True),  # at birth by its own meaning
        (2, "2031-04-20", True),
        (2, None, True),
    ],
)
def test_a_general_code_observed_after_birth_is_not_certain(rank: int, observed: str | None, certain: bool) -> None:
    told = person(born_fact(), gestation("34w0d", rank=rank, observed=observed), weight(1800, "Observation/8"))
    assert told.gestation.candidates[0].certain is certain
    assert decide(told, AAP, BORN).eligible == ("no" if certain else "unknown")


def test_a_general_code_is_measured_from_the_earliest_birth_on_record() -> None:
    month = fact("born", {"low": "2031-05-01", "high": "2031-05-31"}, "Patient/p")
    general = gestation("34w0d", rank=2, observed="2031-05-20")
    assert person(month, general).gestation.unsettled
    assert person(general).gestation.unsettled, "without a birth date nobody can tell"
    at_birth = gestation("34w0d", rank=2, observed="2031-05-02")
    assert person(born_fact(), born_fact(date(2031, 5, 20), "Patient/q"), general).gestation.unsettled
    assert not person(born_fact(), at_birth).gestation.unsettled


# --- who this is -----------------------------------------------------------------------------------------------------


def test_the_record_of_a_parent_is_not_a_newborn() -> None:
    parent = born_fact(date(2001, 3, 4))
    assert person(parent, gestation("28w3d")).record == "older"
    assert person(born_fact(date(2029, 5, 1))).record == "infant"
    assert person(born_fact(date(2029, 4, 30))).record == "older", "731 days before"


def test_a_birth_date_in_doubt_does_not_close_a_record() -> None:
    parent = born_fact(date(1931, 5, 1))
    assert person(parent, unreadable("born", "Patient/p", 2)).record == "infant", "mistyped, then corrected unreadably"
    assert person(born_fact(date(1931, 5, 1), certain=False)).record == "infant"
    assert person(parent, born_fact(date(2031, 5, 1), "Patient/q")).record == "infant"
    year = fact("born", {"low": "2029-01-01", "high": "2029-12-31"}, "Patient/p")
    assert person(year).record == "infant", "may be newer than that"


@pytest.mark.parametrize("name", ["birth_weight", "gestation", "stay", "unreadable", "born", "risk"])
def test_anything_a_newborns_record_has_makes_it_one(name: str) -> None:
    said = {
        "birth_weight": weight(900),
        "gestation": gestation("28w"),
        "born": born_fact(),
        "unreadable": unreadable("born"),
        "stay": fact("stay", {"encounter": "in-progress", "open": True}),
        "risk": fact("risk", {"flag": "sepsis"}),
    }
    assert person(said[name]).record == "infant"


def test_a_record_with_nothing_of_a_newborn_is_empty_until_something_is_said() -> None:
    named = fact("name", {"text": "Invented"}, "Patient/p")
    assert person(named).record == "unborn-or-empty"
    assert person(named, weight(900)).record == "infant"
    assert person().record == "unborn-or-empty"


def test_an_unreadable_body_weight_may_be_anybodys_and_makes_no_newborn() -> None:
    assert person(unreadable("weight", "Observation/1", 1)).record == "unborn-or-empty"
    assert person(unreadable("birth_weight", "Observation/1", 1)).record == "infant"


def test_the_record_of_a_fetus_is_not_an_infant() -> None:
    assert person(born_fact(), fact("fetal", {}, "Patient/p"), weight(500)).record == "fetus"


def test_a_merged_record_is_closed_and_its_facts_count_for_the_other_one() -> None:
    merged = fact("replaced_by", {"patient": "new"}, "Patient/old", 2, patient="old")
    said = [born_fact(patient="new", resource="Patient/new"), weight(700, patient="old"), merged]
    survivor = person(*said, patient="new")
    assert survivor.record == "infant"
    assert survivor.replaced_by is None
    assert survivor.birth_weight.values == (700,)
    assert person(*said, patient="old").record == "merged"
    assert person(*said, patient="old").replaced_by == "new"


def test_a_merged_records_own_words_come_after_those_of_the_record_that_stays() -> None:
    said = [
        fact("identifier", {"system": "mrn", "value": "OLD"}, "Patient/old", patient="old"),
        fact("identifier", {"system": "mrn", "value": "NEW"}, "Patient/p", rank=2),
        weight(700, "Observation/1", patient="old"),
        weight(900, "Observation/5", rank=2),
    ]
    survivor = person(*said)
    assert survivor.identifier == "NEW"
    assert survivor.birth_weight.values == (900, 700)


def test_what_else_is_known_of_the_infant() -> None:
    said = [
        born_fact(),
        fact("name", {"text": "Invented"}, "Patient/p"),
        fact("sex", {"code": "female"}, "Patient/p"),
        fact("multiple", {"order": None}, "Patient/p"),
        fact("multiple", {"order": 2}, "Patient/q"),
    ]
    told = person(*said)
    assert (told.name, told.sex, told.multiple, told.birth_order) == ("Invented", "female", True, 2)
    assert (told.deceased, told.deceased_on, told.risk_flags) == (False, None, ())
    unnamed = fact("name", {"text": ""}, "Patient/p"), fact("name", {"text": "Invented"}, "Patient/q")
    assert person(*unnamed).name == "Invented"
    assert person(born_fact()).multiple is False
    flagged = person(fact("risk", {"flag": "sepsis"}), fact("risk", {"flag": "inotropes"}, "Observation/4"))
    assert flagged.risk_flags == ("inotropes", "sepsis")
    died = person(fact("deceased", {"on": None}, "Patient/p"), fact("deceased", {"on": "2031-05-09"}, "Patient/q"))
    assert (died.deceased, died.deceased_on) == (True, date(2031, 5, 9))


# --- where the infant is ---------------------------------------------------------------------------------------------


def stay(
    number: int, *, since: str, until: str | None = None, disposition: str | None = None, version: int = 1,
    still: bool = False,
) -> Fact:  # fmt: skip
    value = {
        "encounter": "finished" if until else "in-progress", "open": still or until is None,
        "place": f"Location/{number}", "place_text": f"bed {number}", "since": since, "until": until,
        "disposition": disposition,
    }  # fmt: skip
    return fact("stay", value, f"Encounter/{number}", version)


def test_an_infant_is_where_the_latest_open_stay_says() -> None:
    told = person(born_fact(), stay(1, since="2031-05-01"), stay(2, since="2031-05-03"))
    assert (told.in_hospital, told.place, told.place_text) == (True, "Location/2", "bed 2")


def test_an_infant_whose_last_stay_ended_has_left_hospital_and_stays_on_the_list() -> None:
    said = [
        born_fact(), weight(800),
        stay(1, since="2031-05-01", until="2031-05-10", disposition="transfer"),
        stay(2, since="2031-05-10", until="2031-05-20", disposition="home"),
    ]  # fmt: skip
    told = person(*said)
    assert (told.in_hospital, told.left_on, told.disposition) == (False, date(2031, 5, 20), "home")
    assert told.place_text == "bed 2"
    assert decide(told, AAP, BORN).state == "eligible"
    undated = stay(9, since="2031-05-21", until="2031-05-21")
    ended = replace(undated, value={**undated.value, "until": None})
    assert person(*said, ended).left_on == date(2031, 5, 20), "a stay that ended nobody knows when is not the last"


def test_two_stays_at_once_are_no_return() -> None:
    here = stay(1, since="2031-05-01", until="2031-05-20")
    assert person(born_fact(), here, stay(2, since="2031-05-03", until="2031-05-10")).came_back is None
    assert person(born_fact(), here, stay(2, since="2031-05-22", until="2031-05-25")).came_back == date(2031, 5, 22)


def test_a_stay_that_goes_on_may_say_when_it_is_to_end() -> None:
    told = person(born_fact(), stay(1, since="2031-05-01", until="2031-06-03", still=True))
    assert (told.in_hospital, told.leaves_on, told.left_on) == (True, date(2031, 6, 3), None)


def test_a_day_of_leaving_typed_in_counts_from_the_stay_on_and_the_sooner_of_two_days_counts() -> None:
    def plan(on: str, day: str | None, number: int = 1, issued: str = "") -> Fact:
        value = {"on": on, "date": day, "by": "Sister Lane"}
        return replace(fact("leaving", value, f"QuestionnaireResponse/{number}"), issued=issued)

    born, here = born_fact(), stay(1, since="2031-05-10")
    said = plan("2031-05-20", "2031-06-05")
    assert person(born, here, said).leaves_on == person(born, said).leaves_on == date(2031, 6, 5)
    assert person(born, here, said, plan("2031-05-21", "2031-06-09", 2)).leaves_on == date(2031, 6, 9)
    same_day = plan("2031-05-20", "2031-06-07", 2, issued="2031-05-20T09:00:00.000000Z")
    assert person(born, here, said, same_day).leaves_on == date(2031, 6, 7)
    assert person(born, here, said, plan("2031-05-21", None, 2)).leaves_on is None
    for day in ("2031-06-03", "2031-06-08"):
        sent = stay(1, since="2031-05-10", until=day, still=True)
        assert person(born, sent, said).leaves_on == min(date.fromisoformat(day), date(2031, 6, 5))
        assert person(born, sent, plan("2031-05-21", None)).leaves_on == date.fromisoformat(day)
    assert person(born, here, plan("2031-05-09", "2031-06-05")).leaves_on is None, "of a stay before this one"
    assert person(born, here, plan("2031-05-10", "2031-06-05")).leaves_on == date(2031, 6, 5), "on the day it began"
    assert person(born, stay(1, since="2031-05-10", until="2031-05-28"), said).leaves_on is None, "has left"
    assert person(said).record == "unborn-or-empty"


def test_the_last_word_on_respiratory_support_counts_until_it_has_ended() -> None:
    def breathing(what: str, on: str | None, resource: str, until: str | None = None) -> Fact:
        return fact("respiratory", {"what": what, "on": on, "until": until}, resource)

    old, new = (
        breathing("ventilator", "2031-05-02", "Procedure/1"),
        breathing("nasal CPAP", "2031-05-09", "Procedure/2"),
    )
    assert person(born_fact(), old, new).support == "nasal CPAP (2031-05-09)"
    assert person(born_fact(), breathing("oxygen", None, "Observation/3")).support == "oxygen"
    ended = breathing("nasal CPAP", "2031-05-09", "Procedure/2", until="2031-05-20")
    assert person(born_fact(), old, ended).support == ""
    assert person(old, new).record == "unborn-or-empty", "who breathes with help need not be a newborn"


def test_a_readmission_brings_the_infant_back() -> None:
    left = stay(1, since="2031-05-01", until="2031-05-20", disposition="home")
    back = person(left, stay(2, since="2031-05-22"))
    assert (back.in_hospital, back.left_on, back.place) == (True, None, "Location/2")
    reopened = person(left, stay(1, since="2031-05-01", version=2))
    assert reopened.in_hospital is True


def test_without_a_stay_nobody_knows_where_the_infant_is() -> None:
    told = person(born_fact())
    assert (told.in_hospital, told.place, told.left_on, told.place_text) == (None, None, None, "")


def test_a_stay_may_leave_everything_out() -> None:
    bare = {"encounter": "finished", "open": False}
    told = person(fact("stay", bare, "Encounter/1"))
    assert (told.in_hospital, told.left_on, told.disposition, told.place_text) == (False, None, "", "")
    opened = person(fact("stay", {"encounter": "in-progress", "open": True}, "Encounter/1"))
    assert (opened.in_hospital, opened.place, opened.place_text) == (True, None, "")


# --- plausible gestational ages --------------------------------------------------------------------------------------


def test_median_weights_are_those_published() -> None:
    """Fenton TR, Kim JH, BMC Pediatrics 2013;13:59, weight on the first day of each week, from PyPI `pretermgrowth`."""
    for week, median in MEDIAN_GIRL_GRAMS.items():
        _, published, _ = Fenton.get_lms("weight", "f", week * 7)
        assert median == round(published), week
        _, boys, _ = Fenton.get_lms("weight", "m", week * 7)
        assert median <= boys, "girls give the wider range"
    assert list(MEDIAN_GIRL_GRAMS) == list(range(23, 41))


def test_a_missing_gestation_may_be_whatever_leaves_half_the_median_weight() -> None:
    medians = {week: Fenton.get_lms("weight", "f", min(max(week, 23), 40) * 7)[1] for week in range(22, 45)}
    for grams in (200, 268, 269, 500, 800, 1199, 1500, 1707, 1708, 3000):
        weeks = [week for week, median in medians.items() if week == 22 or grams >= round(median) / 2]
        assert plausible_gestation(grams) == range(22 * 7, (weeks[-1] + 1) * 7), grams
        assert weeks == list(range(22, weeks[-1] + 1))
    assert plausible_gestation(None) == PLAUSIBLE_GESTATION == range(154, 315)


def test_facts_are_kept_in_shapes_that_json_can_hold() -> None:
    for each in (weight(900), gestation("28w", observed="2031-05-01"), born_fact(), stay(1, since="2031-05-01")):
        assert json.loads(json.dumps(each.value)) == each.value
