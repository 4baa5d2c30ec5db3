"""Answers to our own forms: read exactly, never guessed, and never losing what can be read.

What each fact's value holds is the list in `service/core/infant.py`. Right and left are the infant's own.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from reading import RECEIVED, observation, only, read_all, read_one, said, site

from service.core import ledger
from service.core.chart import read_course
from service.core.course import CLOSINGS
from service.core.findings import EYE_KEYS, KINDS, Zone, parse_exam, parse_eye, parse_treatment
from service.core.infant import Fact, assemble
from service.errors import ConfigurationError
from service.fhir import terms
from service.fhir.forms import FORMS, fill
from service.fhir.read import read_body

AUTHORED = datetime(2031, 6, 9, 12, tzinfo=UTC)
EYE = {"view": "adequate", "zone": "II", "stage": "2", "plus": "none"}


def filled(form: str, value: dict[str, Any], **more: Any) -> dict[str, Any]:
    given = {"id": "r-1", "version": 1, "patient": "p", "author": "Dr Reed", "authored": AUTHORED, **more}
    return fill(form, value, **given)


def answers(form: str, *items: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A response written by hand, as a program of somebody else may write it."""
    return {
        "resourceType": "QuestionnaireResponse", "id": "r-1", "status": "completed",
        "questionnaire": f"https://ridgeline.invalid/fhir/Questionnaire/{form}",
        "subject": {"reference": "Patient/p"}, "authored": "2031-06-09T12:00:00Z", "item": list(items), **more,
    }  # fmt: skip


def item(link: str, *values: Any, **answer: Any) -> dict[str, Any]:
    """One item: `item("at", valueTime="09:30:00")`, or a group of items."""
    return {"linkId": link, "item": list(values)} if values else {"linkId": link, "answer": [answer]}


def code(code: str, system: str = terms.SYSTEM) -> dict[str, Any]:
    return {"valueCoding": {"system": system, "code": code}}


ON = item("on", valueDate="2031-06-09")


# --- there and back ------------------------------------------------------------------------------------------------

TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=20)
DAYS = st.dates(date(2031, 1, 1), date(2031, 6, 9)).map(date.isoformat)
_VALUES: dict[str, st.SearchStrategy[Any]] = {
    **{key: st.sampled_from(terms.WORDS[key]) for key, kind in terms.EYE_TYPES.items() if kind == "choice"},
    **{key: st.booleans() for key, kind in terms.EYE_TYPES.items() if kind == "boolean"},
    "zone": st.sampled_from(["I", "II", "III"]),
    "clock_hours": st.integers(1, 12),
    "clock_positions": st.sets(st.integers(1, 12), min_size=1).map(lambda hours: ", ".join(map(str, sorted(hours)))),
    "avascular_extent": st.integers(0, 80).map(lambda quarters: quarters / 4),
    "avascular_site": TEXTS,
    "note": TEXTS,
}


@st.composite
def eyes(draw: st.DrawFn) -> dict[str, Any]:
    """One eye as anybody may find it: any keys, in any combination that can be."""
    keys = draw(st.lists(st.sampled_from(EYE_KEYS), unique=True, min_size=1))
    eye: dict[str, Any] = {}
    for key in keys:
        more = {key: draw(_VALUES[key])}
        try:
            parse_eye({**eye, **more}, "eye")
        except ConfigurationError:
            continue
        eye |= more
    assume(eye)
    return eye


def exams() -> st.SearchStrategy[dict[str, Any]]:
    both = st.fixed_dictionaries({"right": eyes()}, optional={"left": eyes()}) | st.fixed_dictionaries({"left": eyes()})
    rest = st.fixed_dictionaries(
        {"on": DAYS},
        optional={
            "at": st.times().map(lambda at: f"{at:%H:%M}"), "examiner": TEXTS, "method": TEXTS, "adverse_events": TEXTS,
        },
    )  # fmt: skip
    return st.builds(lambda seen, told: told | seen, both, rest)


def treatments() -> st.SearchStrategy[dict[str, Any]]:
    base = {"on": DAYS, "eyes": st.sampled_from(["right", "left", "both"])}
    agents = st.sampled_from(terms.AGENTS) | TEXTS
    return st.fixed_dictionaries({**base, "kind": st.sampled_from(KINDS)}) | st.fixed_dictionaries(
        {**base, "kind": st.just("injection"), "agent": agents}
    )


thoroughly = settings(max_examples=150)


@thoroughly
@given(exams())
def test_any_exam_comes_back_as_it_was_filled_in(exam: dict[str, Any]) -> None:
    fact = only(read_one(filled("eye-exam", exam)))
    assert (fact.name, fact.patient, fact.rank, fact.certain) == ("exam", "p", 1, True)
    assert dict(fact.value) == exam
    assert json.loads(json.dumps(fact.value)) == exam, "the store keeps JSON"
    assert parse_exam(fact.value, "here") == parse_exam(exam, "here")


@thoroughly
@given(treatments())
def test_any_treatment_comes_back_as_it_was_filled_in(treatment: dict[str, Any]) -> None:
    known = {agent.casefold(): agent for agent in terms.AGENTS}
    assume(treatment.get("agent", "").casefold() not in known.keys() - known.values())
    fact = only(read_one(filled("treatment", treatment)))
    assert (fact.name, dict(fact.value)) == ("treatment", treatment)
    assert parse_treatment(fact.value, "here") == parse_treatment(treatment, "here")


OTHERS = [
    ("closing", {"on": "2031-06-09", "by": "Dr Reed", "why": why, "note": "n", "basis": "0123"}, "closing")
    for why in CLOSINGS
] + [
    ("closing", {"on": "2031-06-09", "by": "Dr Reed", "why": "death"}, "closing"),
    (
        "deferral",
        {"on": "2031-06-09", "until": "2031-06-12", "reason": "r", "ophthalmologist": "a", "neonatologist": "b"},
        "deferral",
    ),
    ("hand-over", {"on": "2031-06-09", "to": "t", "place": "p", "date": "2031-06-16", "by": "b"}, "hand_over"),
    (
        "hand-over",
        {"on": "2031-06-09", "to": "t", "place": "p", "date": "2031-06-16", "by": "b", "parents_told": False},
        "hand_over",
    ),
    ("booking", {"on": "2031-06-09", "date": "2031-06-09", "by": "b"}, "booking"),
    (
        "booking",
        {"on": "2031-06-09", "date": "2031-06-16", "time": "09:30", "place": "p", "examiner": "e", "by": "b"},
        "booking",
    ),
    ("long-term", {"on": "2031-06-09", "by": "b", "where": "w"}, "long_term"),
]


@pytest.mark.parametrize(("form", "value", "name"), OTHERS)
def test_every_other_form_comes_back_as_it_was_filled_in(form: str, value: dict[str, Any], name: str) -> None:
    fact = only(read_one(filled(form, value)))
    assert (fact.name, dict(fact.value), fact.patient) == (name, value, "p")
    assert fact.issued == "2031-06-09T12:00:00.000000Z"
    assert fact.version.number == 1


BY = {"on": "2031-06-09", "by": "Sister Lane"}


@pytest.mark.parametrize(
    ("typed", "respiratory", "leaving"),
    [
        ({"support": "CPAP"}, {"what": "CPAP", "on": "2031-06-09", "until": None}, None),
        ({"support": "no support"}, {"what": "no support", "on": "2031-06-09", "until": "2031-06-09"}, None),
        ({"leaves": "2031-06-20"}, None, {**BY, "date": "2031-06-20"}),
        ({"stays": True}, None, {**BY, "date": None}),
        ({"support": "high flow", "leaves": "2031-06-09", "stays": False},
         {"what": "high flow", "on": "2031-06-09", "until": None}, {**BY, "date": "2031-06-09"}),
    ],
)  # fmt: skip
def test_what_is_known_at_the_cot(typed: dict[str, Any], respiratory: Any, leaving: Any) -> None:
    reading = read_one(filled("bedside", {**BY, **typed}))
    assert said(reading, "respiratory") == [each for each in [respiratory] if each]
    assert said(reading, "leaving") == [each for each in [leaving] if each]
    assert reading.rejections == ()


@pytest.mark.parametrize(
    ("typed", "words", "kept"),
    [
        ({"support": "CPAP", "leaves": "2031-06-08"}, "is before the day on which this was written down", True),
        ({"support": "CPAP", "leaves": "2031-06-20", "stays": True}, "contradicts the planned day of leaving", True),
        ({"support": "CPAP", "leaves": "2031-06-20", "by": None}, "is missing: Who writes this down?", True),
        ({}, "says nothing of respiratory support or of leaving", False),
        ({"support": "CPAP", "on": "2031-06-10"}, "is after the day on which this was filled in", False),
    ],
)
def test_of_what_is_known_at_the_cot_one_answer_does_not_wait_for_the_other(
    typed: dict[str, Any], words: str, kept: bool
) -> None:
    reading = read_one(filled("bedside", {**BY, **typed}))
    (refused,) = reading.rejections
    assert words in refused.reason
    assert bool(said(reading, "respiratory")) == kept and said(reading, "leaving") == []


def test_zone_ii_is_posterior_in_one_way_only() -> None:
    exam = {"on": "2031-06-09", "right": {"zone": "posterior II", "vascularization": "posterior II"}}
    eye = said(read_one(filled("eye-exam", exam)), "exam")[0]["right"]
    assert eye == {"zone": "II", "posterior": True, "vascularization": "posterior II"}
    assert parse_eye(eye, "right").zone == Zone.POSTERIOR_II


# --- who, when, and whether ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "questionnaire",
    [
        "https://elsewhere.example/fhir/Questionnaire/eye-exam",
        "https://ridgeline.invalid/fhir/Questionnaire/birthday",
        "https://ridgeline.invalid/fhir/PlanDefinition/eye-exam",
        "Questionnaire/eye-exam",
        "eye-exam",
        None,
        5,
    ],
)
def test_answers_to_other_forms_say_nothing(questionnaire: Any) -> None:
    reading = read_one(filled("eye-exam", {"on": "2031-06-09", "right": EYE}) | {"questionnaire": questionnaire})
    assert (reading.facts, reading.rejections) == ((), ())


@pytest.mark.parametrize("version", ["", "|1", "|2"])
def test_a_form_is_ours_with_or_without_its_version(version: str) -> None:
    response = answers("eye-exam", ON, item("right", item("right.stage", **code("stage-2"))))
    response["questionnaire"] += version
    assert only(read_one(response)).name == "exam"


@pytest.mark.parametrize(("status", "name"), [("completed", "exam"), ("amended", "exam")])
def test_what_is_completed_counts(status: str, name: str) -> None:
    assert only(read_one(filled("eye-exam", {"on": "2031-06-09", "right": EYE}, status=status))).name == name


@pytest.mark.parametrize("status", ["entered-in-error", "stopped"])
def test_what_is_taken_back_says_nothing_any_more(status: str) -> None:
    assert only(read_one(filled("eye-exam", {"on": "2031-06-09", "right": EYE}, status=status))).name == "retracted"
    assert only(read_one(filled("eye-exam", {}, status=status))).name == "retracted"


def test_what_is_still_being_filled_in_is_no_fact() -> None:
    reading = read_one(filled("eye-exam", {"on": "2031-06-09", "right": EYE}, status="in-progress"))
    assert reading.facts == ()
    assert [rejection.about for rejection in reading.rejections] == ["exam"]


@pytest.mark.parametrize("status", [None, "done", ""])
def test_an_odd_status_is_told(status: Any) -> None:
    reading = read_one(filled("treatment", {"on": "2031-06-09", "eyes": "both", "kind": "laser"}) | {"status": status})
    assert [(fact.name, fact.value["of"]) for fact in reading.facts] == [("unreadable", "treatment")]
    assert reading.rejections[0].path == "QuestionnaireResponse.status"


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (None, "wrong subject: it is missing"),
        ({"reference": "Practitioner/p"}, "wrong subject: it is a Practitioner"),
        ({"display": "somebody"}, "names nobody"),
    ],
)
def test_nobody_can_be_meant_by_chance(subject: Any, words: str) -> None:
    reading = read_one(answers("eye-exam", ON, subject=subject))
    assert reading.facts == ()
    assert words in reading.rejections[0].reason


def test_an_infant_known_by_a_number() -> None:
    response = filled("long-term", {"on": "2031-06-09", "by": "b", "where": "w"}, patient="https://x.example/mrn|47")
    assert only(read_one(response)).patient == "https://x.example/mrn|47"


def test_the_day_is_the_day_at_the_site() -> None:
    """00:30 in India is still the day before in UTC."""
    response = answers(
        "eye-exam", item("on", valueDateTime="2031-06-08T19:00:00Z"), item("right", item("right.stage", valueInteger=2))
    )
    assert only(read_one(response, site("Asia/Kolkata"))).value["on"] == "2031-06-09"
    assert only(read_one(response, site("Europe/Oslo"))).value["on"] == "2031-06-08"


def test_what_has_been_cannot_lie_after_the_form() -> None:
    """A year mistyped would keep an exam out of the course until that year comes."""
    reading = read_one(filled("eye-exam", {"on": "2032-06-09", "right": EYE}))
    assert said(reading, "exam") == []
    assert "is after the day on which this was filled in" in reading.rejections[0].reason
    late = filled("eye-exam", {"on": "2031-06-10", "right": EYE}, authored=datetime(2031, 6, 9, 23, tzinfo=UTC))
    assert said(read_one(late, site("Europe/Oslo")), "exam"), "at the site it is the tenth already"
    assert said(read_one(filled("deferral", OTHERS[7][1])), "deferral"), "what is planned lies ahead"


# --- tolerant, and never guessing ----------------------------------------------------------------------------------


def test_order_and_nesting_do_not_matter() -> None:
    plain = filled("eye-exam", {"on": "2031-06-09", "at": "09:30", "right": EYE, "left": {"view": "none"}})
    expected = dict(only(read_one(plain)).value)
    backwards = {**plain, "item": plain["item"][::-1]}
    assert dict(only(read_one(backwards)).value) == expected
    flat = [inner for outer in plain["item"] for inner in outer.get("item", [outer])]
    assert dict(only(read_one({**plain, "item": flat})).value) == expected
    deep = {**plain, "item": [{"linkId": "page", "item": plain["item"]}]}
    assert dict(only(read_one(deep)).value) == expected
    under = {"linkId": "seen", "answer": [{"item": plain["item"]}]}
    assert dict(only(read_one({**plain, "item": [under]})).value) == expected


SAID = [
    (item("right.stage", valueString="Stage 3"), {"stage": "3"}),
    (item("right.stage", valueInteger=2), {"stage": "2"}),
    (item("right.stage", **code("stage-4A")), {"stage": "4A"}),
    (item("right.stage", valueInteger=4), {"stage": "4A", "note": "stage 4 recorded without its letter"}),
    (item("right.stage", valueString="5"), {"stage": "5A", "note": "stage 5 recorded without its letter"}),
    (item("right.zone", valueString="zone ii"), {"zone": "II"}),
    (item("right.zone", valueInteger=1), {"zone": "I"}),
    (item("right.zone", **code("zone-posterior-II")), {"zone": "II", "posterior": True}),
    (item("right.zone", valueString="Posterior zone II"), {"zone": "II", "posterior": True}),
    (item("right.vascularization", **code("vascularization-full")), {"vascularization": "full"}),
    (item("right.plus", valueCoding={"code": "plus-pre-plus"}), {"plus": "pre-plus"}),
    (item("right.aggressive", valueBoolean=False), {"aggressive": False}),
    (item("right.avascular_extent", valueDecimal=2.5), {"avascular_extent": 2.5}),
    (item("right.note", valueString=" hazy \n media "), {"note": "hazy media"}),
]


@pytest.mark.parametrize(("answer", "eye"), SAID)
def test_one_meaning_in_several_ways(answer: dict[str, Any], eye: dict[str, Any]) -> None:
    fact = only(read_one(answers("eye-exam", ON, item("right", answer))))
    assert fact.value["right"] == eye


REFUSED = [
    (item("right.stage", valueString="3+"), "item[1].item[0].answer[0]", 'is no answer to stage known here (0, 1, 2'),
    (item("right.stage", **code("stage-9")), ".valueCoding", '"stage-9" is not a code of this question (stage-0'),
    (item("right.stage", **code("zone-I")), ".valueCoding", '"zone-I" is not a code of this question'),
    (item("right.stage", **code("stage-2", "https://x.example")), ".valueCoding", "is not a code of this question"),
    (item("right.stage", valueBoolean=True), ".valueBoolean", "is not a way to answer this: Highest stage"),
    (item("right.aggressive", valueString="yes"), ".valueString", "is not a way to answer this"),
    (item("right.clock_hours", valueInteger=13), "item[1].item[0].answer[0]", "clock_hours is a whole number from 1"),
    (item("right.stage", valueInteger=1, valueString="2"), ".answer[0]", "gives two answers in one"),
    (item("right.posterior", valueBoolean=True), "answer[0]", "right eye: posterior is said of zone II only"),
]  # fmt: skip


@pytest.mark.parametrize(("answer", "path", "words"), REFUSED, ids=[row[2] for row in REFUSED])
def test_what_cannot_be_read_is_told_with_its_place_and_the_other_eye_counts(
    answer: dict[str, Any], path: str, words: str
) -> None:
    reading = read_one(
        answers("eye-exam", ON, item("right", answer), item("left", item("left.plus", **code("plus-plus"))))
    )
    (rejection,) = reading.rejections
    assert rejection.path.startswith("QuestionnaireResponse.item[1]")
    assert path in rejection.path
    assert words in rejection.reason
    assert (rejection.patient, rejection.about) == ("p", "exam")
    assert said(reading, "exam") == [{"on": "2031-06-09", "left": {"plus": "plus"}}]
    assert [value["of"] for value in said(reading, "unreadable")] == ["exam"]


IMPOSSIBLE = [
    ({"view": "none", "stage": "2"}, "an eye that was not seen has no findings"),
    ({"stage": "0", "aggressive": True}, "aggressive ROP is disease"),
    ({"vascularization": "full", "plus": "plus"}, "plus disease and full vascularization cannot be"),
    ({"zone": "III", "nasal_at_ora": False}, "zone III is not called"),
]


@pytest.mark.parametrize(("eye", "words"), IMPOSSIBLE, ids=[row[1] for row in IMPOSSIBLE])
def test_what_cannot_be_is_refused_in_the_words_of_the_core(eye: dict[str, Any], words: str) -> None:
    reading = read_one(filled("eye-exam", {"on": "2031-06-09", "left": eye}))
    assert said(reading, "exam") == []
    (rejection,) = reading.rejections
    assert rejection.path == "QuestionnaireResponse.item[1]"
    assert rejection.reason.startswith(f"left eye: {words}")


def test_right_answers_inside_the_left_group_are_refused() -> None:
    """Right and left swapped is the one slip that must not be guessed away."""
    swapped = answers("eye-exam", ON, item("left", item("right.stage", **code("stage-3"))))
    reading = read_one(swapped)
    assert said(reading, "exam") == []
    assert reading.rejections[0].reason == '"right.stage" stands inside the group "left"'
    right = read_one(answers("eye-exam", ON, item("right", item("right.stage", **code("stage-3")))))
    assert "left" not in said(right, "exam")[0]


def test_a_question_answered_twice_must_agree() -> None:
    once = item("right.stage", **code("stage-3"))
    assert said(read_one(answers("eye-exam", ON, item("right", once, once))), "exam")
    reading = read_one(answers("eye-exam", ON, item("right", once, item("right.stage", **code("stage-2")))))
    assert said(reading, "exam") == []
    assert "is answered twice with different values" in reading.rejections[0].reason


def test_an_answer_nobody_asked_for_may_matter() -> None:
    reading = read_one(answers("eye-exam", ON, item("right", item("right.stage", **code("stage-1"))),
                               item("haemorrhage", valueBoolean=True)))  # fmt: skip
    assert said(reading, "exam") == [{"on": "2031-06-09", "right": {"stage": "1"}}]
    assert said(reading, "unreadable")[0]["of"] == "exam"
    assert "is not asked by this form" in reading.rejections[0].reason


@pytest.mark.parametrize(
    ("items", "words"),
    [
        ([], '"on" is missing: Day of the exam'),
        ([item("on", valueDate="2031-02-30")], '"2031-02-30" is not a date'),
        ([item("on", valueDate="2031-06")], "does not say on which day"),
        ([ON], "says nothing of either eye"),
    ],
)
def test_an_exam_needs_a_day_and_an_eye(items: list[dict[str, Any]], words: str) -> None:
    eye = [] if items == [ON] else [item("right", item("right.stage", **code("stage-3")))]
    reading = read_one(answers("eye-exam", *items, *eye))
    assert said(reading, "exam") == []
    assert words in reading.rejections[0].reason
    assert said(reading, "unreadable")[0]["of"] == "exam"


def test_what_may_be_left_out_does_not_cost_the_exam() -> None:
    reading = read_one(
        answers("eye-exam", ON, item("at", valueString="half past"), item("right", item("right.stage", valueInteger=3)))
    )
    assert said(reading, "exam") == [{"on": "2031-06-09", "right": {"stage": "3"}}]
    assert '"half past" is not a time of day' in reading.rejections[0].reason


MISSING = [
    ("treatment", [ON, item("kind", **code("treatment-laser"))], '"eyes" is missing'),
    ("treatment", [ON, item("eyes", **code("eyes-both"))], '"kind" is missing'),
    ("treatment", [ON, item("eyes", valueString="OD"), item("kind", **code("treatment-laser"))], "is not one of right"),
    (
        "treatment",
        [
            ON,
            item("eyes", **code("eyes-left")),
            item("kind", **code("treatment-laser")),
            item("agent", valueString="x"),
        ],
        "an agent is what was injected",
    ),
    ("closing", [ON, item("why", **code("closing-death"))], '"by" is missing'),
    ("closing", [ON, item("by", valueString="  "), item("why", **code("closing-death"))], '"by" is missing'),
    (
        "closing",
        [ON, item("by", valueString="b"), item("why", valueString="enough")],
        "is not one of screening-complete",
    ),
    ("deferral", [ON, item("until", valueDate="2031-06-08")], "is missing"),
    ("hand-over", [ON, item("to", valueString="t")], "is missing"),
    ("long-term", [ON, item("by", valueString="b")], '"where" is missing'),
]


@pytest.mark.parametrize(("form", "items", "words"), MISSING)
def test_the_other_forms_are_read_whole_or_not_at_all(form: str, items: list[dict[str, Any]], words: str) -> None:
    reading = read_one(answers(form, *items))
    assert [(fact.name, fact.value["of"]) for fact in reading.facts] == [("unreadable", FORMS[form].fact)]
    assert words in reading.rejections[0].reason


def test_nothing_is_put_off_into_the_past() -> None:
    value = {**OTHERS[7][1], "until": "2031-06-08"}
    reading = read_one(filled("deferral", value))
    assert reading.rejections[0].reason == "is before the day of the decision"


# --- the settled values of a newborn -------------------------------------------------------------------------------


def test_what_a_person_fills_in_settles_what_records_disagree_about() -> None:
    records = [
        *read_all(observation("8339-4", id="a", valueQuantity={"value": 780, "code": "g"})),
        *read_all(observation("8339-4", id="b", valueQuantity={"value": 1780, "code": "g"})),
    ]
    hand = read_one(
        filled("newborn", {"gestational_age_at_birth": "25w", "birth_weight": 800, "risk_flags": ["sepsis", "apnoea"]})
    )
    assert hand.rejections == ()
    assert {(fact.name, fact.rank) for fact in hand.facts} == {("gestation", 0), ("birth_weight", 0), ("risk", 0)}
    infant = assemble("p", [fact for reading in [*records, hand] for fact in reading.facts], date(2031, 5, 1))
    assert infant.birth_weight.values == (800,)
    assert [(age.low, age.high) for age in infant.gestation.values] == [(175, 181)]
    assert infant.risk_flags == ("apnoea", "sepsis")


NEWBORN = [
    (item("gestational_age_at_birth", valueString="28.4"), "gestation"),
    (item("gestational_age_at_birth", valueString="51w"), "gestation"),
    (item("birth_weight", valueInteger=78), "birth_weight"),
    (item("birth_weight", valueString="780 g"), "birth_weight"),
    (item("risk_flags", valueString="Much Oxygen"), "risk"),
]


@pytest.mark.parametrize(("answer", "about"), NEWBORN)
def test_each_answer_about_a_newborn_stands_alone(answer: dict[str, Any], about: str) -> None:
    good = {
        "gestation": item("gestational_age_at_birth", valueString="25w3d"),
        "birth_weight": item("birth_weight", valueInteger=780),
        "risk": item("risk_flags", valueString="sepsis"),
    }
    reading = read_one(answers("newborn", *(answer if name == about else one for name, one in good.items())))
    assert {fact.name for fact in reading.facts} == good.keys() - {about} | {"unreadable"}
    assert [rejection.about for rejection in reading.rejections] == [about]


def test_a_form_without_an_answer_is_told() -> None:
    reading = read_one(answers("newborn"))
    assert reading.facts == ()
    assert "says nothing of age at birth" in reading.rejections[0].reason


# --- corrections ---------------------------------------------------------------------------------------------------


def kept(*responses: dict[str, Any]) -> list[Fact]:
    """What the ledger keeps of several versions of one response."""
    facts: list[Fact] = []
    for response in responses:
        (reading,) = read_body(json.dumps(response).encode(), site(), RECEIVED)
        facts += ledger.additions(reading, facts)
    return facts


STAGE_3 = {"on": "2031-06-09", "right": {**EYE, "stage": "3"}, "left": EYE}
LATER = {"version": 2, "authored": AUTHORED + timedelta(hours=1)}


def test_a_correction_replaces_the_exam_and_a_retraction_takes_it_away() -> None:
    better = filled("eye-exam", {**STAGE_3, "right": EYE}, **LATER)
    assert [exam.right.stage for exam in read_course(kept(filled("eye-exam", STAGE_3), better)).exams] == ["2"]
    gone = filled("eye-exam", {}, status="entered-in-error", **LATER)
    assert read_course(kept(filled("eye-exam", STAGE_3), gone)).exams == ()
    assert read_course(kept(gone, filled("eye-exam", STAGE_3))).exams == (), "in whichever order they come"


def test_an_unreadable_correction_keeps_the_last_readable_exam_and_says_so() -> None:
    broken = answers("eye-exam", ON, item("right", item("right.stage", valueString="3+")), meta={"versionId": "2"})
    course = read_course(kept(filled("eye-exam", STAGE_3), broken))
    assert [exam.right.stage for exam in course.exams] == ["3"]
    assert course.unread == ("exam",)
    assert read_course(kept(broken)).exams == ()
    assert read_course(kept(broken)).unread == ("exam",)


def test_an_exam_that_is_being_corrected_stands_until_it_is() -> None:
    """Disease on record must not vanish while somebody types."""
    opened = filled("eye-exam", {"on": "2031-06-09"}, status="in-progress", **LATER)
    assert [exam.right.stage for exam in read_course(kept(filled("eye-exam", STAGE_3), opened)).exams] == ["3"]
    assert kept(opened)[0].patient == "", "and before it is first completed it is nothing"


CLOSED = {"on": "2031-06-09", "by": "Dr Reed", "why": "screening-complete", "basis": "0123"}
OPEN = {"on": "2031-06-09", "by": "Dr Marsh", "why": "disease was seen elsewhere"}


def test_a_course_is_closed_and_opened_again_by_versions_of_one_response() -> None:
    closed = filled("closing", CLOSED)
    closing = read_course(kept(closed)).closing
    assert closing is not None and (closing.by, closing.why) == ("Dr Reed", "screening-complete")
    opened = filled("closing", {"reopening": OPEN}, **LATER)
    facts = kept(closed, opened)
    assert read_course(facts).closing is None
    assert [dict(fact.value) for fact in facts if fact.name == "reopening"] == [OPEN]
    again = filled("closing", CLOSED, version=3, authored=AUTHORED + timedelta(hours=2))
    assert read_course(kept(closed, opened, again)).closing is not None
    gone = filled("closing", {}, status="entered-in-error", **LATER)
    assert read_course(kept(closed, gone)).closing is None


def test_a_reopening_that_cannot_be_read_opens_the_course() -> None:
    """Closed by a typing error would be an exam dropped."""
    both = filled("closing", {**CLOSED, "reopening": OPEN}, **LATER)
    assert read_course(kept(filled("closing", CLOSED), both)).closing is None
    unsigned = filled("closing", {**CLOSED, "reopening": {"on": "2031-06-09"}}, **LATER)
    facts = kept(filled("closing", CLOSED), unsigned)
    assert read_course(facts).closing is None
    assert [fact.value["of"] for fact in facts if fact.name == "unreadable"] == ["reopening"]


def test_a_closing_whose_correction_cannot_be_read_ends_nothing() -> None:
    """Whether it still holds is not known: an open course drops no exam."""
    unsigned = filled("closing", {**CLOSED, "by": None}, **LATER)
    assert read_course(kept(filled("closing", CLOSED))).closing is not None
    assert read_course(kept(unsigned)).closing is None
    assert read_course(kept(filled("closing", CLOSED), unsigned)).closing is None
