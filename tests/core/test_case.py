"""Worked examples: read strictly, answered for their own date."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from core.invented import infant

from service.core.ages import Gestation
from service.core.case import answers, check_case, parse_case
from service.core.course import Deferral
from service.core.decision import decide
from service.core.infant import Days, Weighing
from service.errors import ConfigurationError
from service.policies import load_policies

AAP = load_policies()["aap-2018"]
TODAY = date(2031, 6, 1)


def case(**given: Any) -> dict[str, Any]:
    return {"id": "one", "given": given}


def test_everything_that_may_be_given_is_read() -> None:
    read = parse_case(
        case(
            born=date(2031, 5, 1),
            gestational_age_at_birth=["25w3d", "26w"],
            birth_weight=["780g", 790],
            sex="female",
            risk_flags=["sepsis", "inotropes"],
            weights=[{"on": date(2031, 5, 11), "weight": "790g"}],
            unreadable=["birth_weight"],
            known_since=date(2031, 5, 2),
            deceased=date(2031, 5, 9),
        ),
        "x",
    )
    told = read.infant
    assert (read.id, told.patient, told.known_since) == ("one", "one", date(2031, 5, 2))
    assert told.born.values == (Days(date(2031, 5, 1), date(2031, 5, 1)),)
    assert told.gestation.values == (Gestation(178, 178), Gestation(182, 188))
    assert told.birth_weight.values == (780, 790)
    assert (told.born.unreadable, told.gestation.unreadable, told.birth_weight.unreadable) == (False, False, True)
    assert (told.sex, told.risk_flags) == ("female", ("inotropes", "sepsis"))
    assert (told.deceased, told.deceased_on) == (True, date(2031, 5, 9))
    assert told.record == "infant"


def test_everything_given_may_be_left_out() -> None:
    told = parse_case({"id": "bare"}, "x").infant
    assert (told.born.candidates, told.gestation.candidates, told.birth_weight.candidates) == ((), (), ())
    assert (told.sex, told.risk_flags, told.deceased, told.deceased_on) == (None, (), False, None)
    assert parse_case(case(deceased=True), "x").infant.deceased
    assert not parse_case(case(deceased=False), "x").infant.deceased


def test_a_birth_known_to_the_month_is_a_range_of_days() -> None:
    told = parse_case(case(born="2031-05-01..2031-05-31"), "x").infant
    assert told.born.values == (Days(date(2031, 5, 1), date(2031, 5, 31)),)
    assert parse_case(case(born="2031-05-01"), "x").infant.born.values[0].exact


def test_a_case_is_known_since_its_birth_else_since_its_own_date_else_since_today() -> None:
    def due(data: dict[str, Any]) -> date | None:
        window = parse_case(data, "x").decide(AAP, TODAY).next.window
        return window and window.due

    born = case(born=["2031-05-03", "2031-05-02"])
    assert parse_case(born, "x").infant.known_since == date(2031, 5, 2)
    assert due({**case(birth_weight="900g"), "as_of": date(2031, 3, 3)}) == date(2031, 3, 3)
    assert due(case(birth_weight="900g")) == TODAY


def test_a_case_is_answered_for_its_own_date_else_for_today() -> None:
    given = case(born="2031-05-01", gestational_age_at_birth="25w3d", birth_weight="780g")
    assert parse_case(given, "x").decide(AAP, TODAY).ages.postnatal_days == 31
    dated = parse_case({**given, "as_of": "2031-05-11"}, "x")
    assert dated.decide(AAP, TODAY).ages.postnatal_days == 10
    assert dated.decide(AAP, TODAY) == decide(dated.infant, AAP, date(2031, 5, 11))


def test_what_differs_from_the_expectation_is_said_in_sentences() -> None:
    given = case(born="2031-05-01", gestational_age_at_birth="25w3d", birth_weight="780g")
    expect = {"eligible": "no", "due": date(2031, 6, 9), "kind": "none"}
    assert check_case(parse_case({**given, "expect": expect}, "x"), AAP, TODAY) == [
        "one: eligible is yes, expected no",
        "one: kind is first-exam, expected none",
    ]
    assert check_case(parse_case({**given, "expect": {"eligible": "yes"}}, "x"), AAP, TODAY) == []


def test_every_answer_can_be_expected_and_holds_of_itself() -> None:
    decision = decide(infant(date(2031, 5, 1), "25w3d", 780), AAP, TODAY)
    told = answers(decision)
    assert told == {
        "eligible": "yes", "state": "eligible", "because": ["birth-weight", "gestational-age"], "missing": [],
        "kind": "first-exam", "rule": "31-weeks-or-4-weeks", "opens": date(2031, 6, 9), "due": date(2031, 6, 9),
        "closes": date(2031, 6, 15), "gestational_age_at_birth": "25w3d", "postnatal_days": 31,
        "postmenstrual_age": "29w6d", "by": None, "eye": None, "flags": [], "also": [],
    }  # fmt: skip
    given = case(born="2031-05-01", gestational_age_at_birth="25w3d", birth_weight="780g")
    assert check_case(parse_case({**given, "expect": told}, "x"), AAP, TODAY) == []
    outside = answers(decide(infant(date(2031, 5, 1), "35w0d", 2400), AAP, TODAY))
    assert (outside["opens"], outside["due"], outside["closes"]) == (None, None, None)


def test_what_was_agreed_in_a_case() -> None:
    told = parse_case(
        {
            "id": "one",
            "given": {"born": "2031-05-01", "gestational_age_at_birth": "25w3d", "birth_weight": "780g",
                      "left_on": "2031-06-12", "weights": [{"on": "2031-05-20", "weight": "900g"},
                                                           {"on": "2031-05-11", "weight": "790g"}]},
            "exam": [{"on": "2031-06-09", "right": {"zone": "II", "stage": "0"}}],
            "closing": {"on": "2031-06-10", "by": "Dr Reed", "why": "palliative"},
            "deferral": [{"on": "2031-06-09", "until": "2031-06-10", "reason": "unwell", "ophthalmologist": "A",
                          "neonatologist": "B"}],
            "hand_over": [{"on": "2031-06-11", "to": "Elsewhere", "place": "Clinic", "appointment": "2031-06-16",
                           "by": "C", "parents_told": True}],
        },
        "x",
    )  # fmt: skip
    assert told.infant.weights == (Weighing(date(2031, 5, 11), 790), Weighing(date(2031, 5, 20), 900))
    assert (told.infant.in_hospital, told.infant.left_on) == (False, date(2031, 6, 12))
    assert told.course.deferrals == (Deferral(date(2031, 6, 9), date(2031, 6, 10), "unwell", "A", "B"),)
    assert told.course.hand_overs[0].appointment == date(2031, 6, 16)
    assert told.course.closing is not None
    assert told.course.closing.basis == told.course.basis, "it rests on what was on record that day"
    assert told.decide(AAP, date(2031, 6, 12)).state == "closed"
    later = {"on": "2031-06-11", "right": {"zone": "II", "stage": "1"}}
    again = parse_case({"id": "one", "given": {"born": "2031-05-01"}, "exam": [later],
                        "closing": {"on": "2031-06-10", "by": "Dr Reed", "why": "palliative"}}, "x")  # fmt: skip
    assert again.course.closing is not None
    assert again.course.closing.basis != again.course.basis, "an exam of a later day opens it again"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({}, ("x.id", "missing or empty")),
        ({"id": ""}, ("x.id", "missing or empty")),
        ({"id": 7}, ("x.id", "must be a text")),
        ({"id": "one", "givne": {}}, ("x: unknown key 'givne'", "given")),
        ({"id": "one", "exam": {}}, ("x: exam", "[[exam]]")),
        ({"id": "one", "exam": [{}]}, ("x: exam[0].on", "is not a date")),
        ({"id": "one", "exam": [{"on": "2031-06-09", "right": {"zone": "IV"}}]}, ("x: exam[0].right.zone", "III")),
        ({"id": "one", "treatment": [{}]}, ("x: treatment[0]", "eyes", "kind")),
        ({"id": "one", "given": "25w3d"}, ("x.given", "must be a table")),
        (case(weight="780g"), ("x.given: unknown key 'weight'", "birth_weight")),
        (case(born="1 May 2031"), ("x.given.born",)),
        (case(born="2031-05"), ("x.given.born",)),
        (case(born="2031-05-31..2031-05-01"), ("x.given.born", "earlier to the later")),
        (case(born="2031-05-31.."), ("x.given.born",)),
        (case(gestational_age_at_birth=25.4), ("x.given.gestational_age_at_birth", "25w3d")),
        (case(gestational_age_at_birth=""), ("x.given.gestational_age_at_birth",)),
        (case(birth_weight="0.78kg"), ("x.given.birth_weight", "write 1500g")),
        (case(birth_weight=True), ("x.given.birth_weight", "written 1500g")),
        (case(birth_weight=["780g", "?"]), ("x.given.birth_weight",)),
        (case(unreadable="born"), ("x.given.unreadable", "birth_weight")),
        (case(unreadable=["weight"]), ("x.given.unreadable", "birth_weight")),
        (case(risk_flags="sepsis"), ("x.given.risk_flags", "list of words")),
        (case(risk_flags=[1]), ("x.given.risk_flags", "list of words")),
        (case(deceased="no"), ("x.given.deceased", "true or false")),
        (case(sex="f"), ("x.given.sex", "female")),
        (case(known_since="yesterday"), ("x.given.known_since", "2031-06-01")),
        ({"id": "one", "closing": []}, ("x.closing", "must be a table")),
        ({"id": "one", "closing": {"on": "2031-06-09", "by": "Dr Reed"}}, ("x.closing.why", "is missing")),
        (
            {"id": "one", "closing": {"on": "2031-06-09", "by": "Dr Reed", "why": "fine"}},
            ("x.closing.why", "'fine' closes no course", "palliative"),
        ),
        ({"id": "one", "closing": {"on": "soon", "by": "Dr Reed", "why": "death"}}, ("x.closing.on", "is not a date")),
        (
            {"id": "one", "deferral": [{"on": "2031-06-09", "unitl": "2031-06-10"}]},
            ("x: deferral[0]: unknown key 'unitl'", "ophthalmologist"),
        ),
        (
            {
                "id": "one",
                "deferral": [
                    {
                        "on": "2031-06-09",
                        "until": "2031-06-10",
                        "reason": 3,
                        "ophthalmologist": "A",
                        "neonatologist": "B",
                    }
                ],
            },
            ("x: deferral[0].reason", "must be a text"),
        ),
        (
            {
                "id": "one",
                "hand_over": [
                    {
                        "on": "2031-06-09",
                        "to": "A",
                        "place": "B",
                        "appointment": "2031-06-10",
                        "by": "C",
                        "parents_told": "yes",
                    }
                ],
            },
            ("x: hand_over[0].parents_told", "must be a truth value"),
        ),
        (case(left_on="Friday"), ("x.given.left_on", "is not a date")),
        (case(weights={}), ("x.given.weights", "must be a list")),
        (case(weights=[{"on": "2031-05-11"}]), ("x.given.weights", "weight")),
        (case(weights=["790g"]), ("x.given.weights", "on, weight")),
        (case(weights=[{"on": "soon", "weight": "790g"}]), ("x.given.weights", "is not a date")),
        (case(weights=[{"on": "2031-05-11", "weight": "0.79"}]), ("x.given.weights", "is not a weight")),
        ({"id": "one", "as_of": "31w0d"}, ("x.as_of", "is not a date")),
        ({"id": "one", "expect": ["yes"]}, ("x.expect", "must be a table")),
        ({"id": "one", "expect": {"elligible": "yes"}}, ("x.expect: unknown key 'elligible'", "eligible")),
    ],
)
def test_what_is_misspelt_is_refused_with_its_place(data: dict[str, Any], words: tuple[str, ...]) -> None:
    with pytest.raises(ConfigurationError) as refused:
        parse_case(data, "x")
    for word in words:
        assert word in str(refused.value)
