"""What must hold of every decision, whoever the infant and whatever the policy."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from core.invented import (
    BORN,
    births,
    born_fact,
    candidates,
    days,
    fact,
    facts,
    gestations,
    grams,
    infant,
    infants,
    made_up_policy,
    policies,
)
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service.core.ages import Gestation, format_age
from service.core.decision import Decision, Window, decide, from_json, on_day, to_json
from service.core.infant import Candidate, Days, Infant, Known, Weighing, assemble, known, plausible_gestation
from service.core.policy import Policy
from service.policies import load_policies

POLICIES = load_policies()
EDITIONS = pytest.mark.parametrize("policy", POLICIES.values(), ids=list(POLICIES))
LIKELIHOOD = {"no": 0, "unknown": 1, "yes": 2}


def due(decision: Decision) -> Window:
    assert decision.next.window is not None
    return decision.next.window


# --- eligibility and dates -------------------------------------------------------------------------------------------


@given(infants(), policies, st.data())
def test_smaller_or_younger_is_never_less_eligible(infant: Infant, policy: Policy, data: st.DataObject) -> None:
    """Every recorded value moved down, each by as much as it likes."""

    def younger(value: Gestation) -> Gestation:
        less = data.draw(st.integers(0, value.low - 154))
        return Gestation(value.low - less, value.high - less)

    smaller = replace(
        infant,
        gestation=Known(
            tuple(replace(each, value=younger(each.value)) for each in infant.gestation.candidates),
            infant.gestation.unreadable,
        ),
        birth_weight=Known(
            tuple(
                replace(each, value=data.draw(st.integers(200, each.value))) for each in infant.birth_weight.candidates
            ),
            infant.birth_weight.unreadable,
        ),
    )
    before, after = decide(infant, policy, BORN), decide(smaller, policy, BORN)
    assert LIKELIHOOD[after.eligible] >= LIKELIHOOD[before.eligible]


@given(infants(), policies, st.data())
def test_learning_a_missing_fact_never_takes_an_exam_away_or_makes_it_earlier(
    infant: Infant, policy: Policy, data: st.DataObject
) -> None:
    """The date given before is a lower bound of the date under any plausible value, so nobody is told too late."""
    missing = [name for name in ("born", "gestation", "birth_weight") if not getattr(infant, name).candidates]
    assume(missing)
    learned = data.draw(st.sets(st.sampled_from(missing), min_size=1))
    values: dict[str, Known[Any]] = {}
    if "born" in learned:
        values["born"] = known(data.draw(births))
    if "birth_weight" in learned:
        values["birth_weight"] = known(data.draw(grams))
    if "gestation" in learned:
        weights = () if infant.birth_weight.unsettled else infant.birth_weight.values
        plausible = max((plausible_gestation(weight) for weight in weights or (None,)), key=len)
        low = data.draw(st.integers(plausible.start, plausible.stop - 1))
        values["gestation"] = known(Gestation(low, data.draw(st.integers(low, plausible.stop - 1))))
    before, after = decide(infant, policy, BORN), decide(replace(infant, **values), policy, BORN)
    # Where a guideline takes small infants only while the gestational age is in doubt, settling it is the cause.
    settled = "gestation" in learned and any(criterion.needs_doubt for criterion in policy.criteria)
    assert before.eligible != "yes" or after.eligible == "yes" or settled
    assert before.eligible != "no" or after.eligible == "no"
    if after.next.window is not None:
        # Without a date of birth the exam may be due from the day on which the infant was first named.
        known_before = bool(infant.born.candidates)
        assert due(before).due <= (due(after).due if known_before else max(due(after).due, infant.known_since))
        if known_before:
            assert due(before).closes <= due(after).closes


@given(infants(), policies, st.data())
def test_doubt_conflict_and_risk_never_delay_or_drop(infant: Infant, policy: Policy, data: st.DataObject) -> None:
    """An attribute becomes unreadable or uncertain, a value is recorded beside one there, or a risk is flagged."""
    name = data.draw(st.sampled_from(["born", "gestation", "birth_weight", "risk"]))
    if name == "risk":
        worse = replace(infant, risk_flags=(*infant.risk_flags, "sepsis"))
    else:
        attribute: Known[Any] = getattr(infant, name)
        change = data.draw(st.sampled_from(["unreadable", "uncertain", "conflict"]))
        if change == "unreadable":
            assume(name != "born" or attribute.candidates)  # a first word on the birth is learning, not doubt
            changed = Known(attribute.candidates, True)
        elif change == "uncertain":
            changed = Known(tuple(replace(each, certain=False) for each in attribute.candidates), attribute.unreadable)
        else:
            assume(attribute.candidates)
            value = data.draw({"born": births, "gestation": gestations, "birth_weight": grams}[name])
            certain = not attribute.unsettled and data.draw(st.booleans())  # the first certain value would be learning
            where = data.draw(st.integers(0, len(attribute.candidates)))
            said = list(attribute.candidates)
            said.insert(where, Candidate(value, certain))
            changed = Known(tuple(said), attribute.unreadable)
        worse = replace(infant, **{name: changed})
    before, after = decide(infant, policy, BORN), decide(worse, policy, BORN)
    assert before.eligible != "yes" or after.eligible == "yes"
    assert before.eligible != "unknown" or after.eligible != "no"
    if before.next.window is not None:
        assert due(after).due <= due(before).due
        if after.next.kind == before.next.kind:
            assert due(after).closes <= due(before).closes


@given(infants(), policies, st.integers(-400, 400))
def test_shifting_every_date_shifts_the_answer(infant: Infant, policy: Policy, by: int) -> None:
    shift = timedelta(days=by)
    moved = replace(
        infant,
        known_since=infant.known_since + shift,
        born=Known(
            tuple(
                replace(each, value=Days(each.value.low + shift, each.value.high + shift))
                for each in infant.born.candidates
            ),
            infant.born.unreadable,
        ),
    )
    before, after = decide(infant, policy, BORN), decide(moved, policy, BORN + shift)
    window = before.next.window
    assert after.next.window == (window and Window(window.opens + shift, window.due + shift, window.closes + shift))
    for name in ("state", "eligible", "because", "missing", "ages", "birth_weight"):
        assert getattr(after, name) == getattr(before, name)
    assert (after.next.kind, after.next.reason.rule) == (before.next.kind, before.next.reason.rule)


@given(infants(), policies, days, days)
def test_the_day_of_asking_changes_only_the_ages_shown(infant: Infant, policy: Policy, one: date, other: date) -> None:
    assert on_day(decide(infant, policy, one), other) == decide(infant, policy, other)


@given(infants(), policies)
def test_candidates_count_whatever_their_order(infant: Infant, policy: Policy) -> None:
    def turned(attribute: Known[Any]) -> Known[Any]:
        return Known(attribute.candidates[::-1], attribute.unreadable)

    turned_round = replace(
        infant, born=turned(infant.born), gestation=turned(infant.gestation), birth_weight=turned(infant.birth_weight)
    )
    before, after = decide(infant, policy, BORN), decide(turned_round, policy, BORN)
    assert (after.eligible, after.state, after.next, after.missing) == (
        before.eligible, before.state, before.next, before.missing,
    )  # fmt: skip


@pytest.mark.parametrize("policy", [*POLICIES.values(), *map(made_up_policy, range(20))])
@pytest.mark.parametrize("weight", [None, 700, 1199, 1400, 1800, 2400])
def test_a_date_without_gestation_is_the_earliest_of_all_days_it_may_be(policy: Policy, weight: int | None) -> None:
    """Every plausible day tried one by one, with every weight that stands on one side of a limit."""
    weights = [weight] if weight else [300, 1250, 1700, 3000, *policy.weight_knots]
    alone = [
        decide(infant(gestation=format_age(day), grams=gram), policy, BORN)
        for day in plausible_gestation(weight)
        for gram in weights
    ]
    windows = [due(each) for each in alone if each.eligible == "yes"]
    found = decide(infant(grams=weight), policy, BORN)
    assert (found.next.window is None) == (not windows)
    if found.next.window is not None:
        assert found.next.window.due == min(window.due for window in windows)
    if found.next.kind == "first-exam":
        assert due(found).opens == min(window.opens for window in windows)
        assert due(found).closes == min(window.closes for window in windows)


def test_a_second_weight_never_narrows_what_a_missing_gestation_may_be() -> None:
    uk = POLICIES["uk-2022"]
    heavy = decide(infant(grams=1400), uk, BORN)
    both = decide(replace(infant(), birth_weight=candidates(800, 1400)), uk, BORN)
    assert due(both) == due(heavy)
    assert due(both).due < due(decide(infant(grams=800), uk, BORN)).due


# --- any facts at all ------------------------------------------------------------------------------------------------


@settings(max_examples=2 * settings().max_examples)
@given(facts(), policies, days, days)
def test_any_facts_whatever_end_in_exactly_one_state(
    said: list[Any], policy: Policy, known_since: date, today: date
) -> None:
    person = assemble("p", said, known_since)
    decision = decide(person, policy, today)
    window = decision.next.window
    eligible, kinds = {
        "eligible": ("yes", {"first-exam", "data-needed"}),
        "unknown": ("unknown", {"data-needed"}),
        "not-eligible": ("no", {"none"}),
        "closed": ("no", {"none"}),
    }[decision.state]
    assert decision.eligible == eligible
    assert decision.next.kind in kinds
    assert (window is None) == (decision.next.kind == "none")
    assert window is None or window.opens <= window.due <= window.closes
    assert (decision.closed_by is None) == (decision.state != "closed")
    assert bool(decision.missing) or decision.state != "unknown"
    assert bool(decision.missing) or decision.next.kind != "data-needed"
    assert decision.because
    for reason in (*decision.because, decision.next.reason):
        assert reason.rule
        assert reason.text
    assert from_json(to_json(decision)) == decision
    assert json.loads(json.dumps(to_json(decision))) == to_json(decision)


@given(facts(), st.randoms(use_true_random=False), policies, days)
def test_order_and_repetition_of_facts_do_not_matter(said: list[Any], random: Any, policy: Policy, today: date) -> None:
    again = [*said, *random.choices(said, k=len(said))] if said else []
    random.shuffle(again)
    before, after = assemble("p", said, BORN), assemble("p", again, BORN)
    assert decide(before, policy, today) == decide(after, policy, today)
    assert before == after


# --- closed ----------------------------------------------------------------------------------------------------------


@EDITIONS
@pytest.mark.parametrize(
    ("extra", "closed_by"),
    [
        (fact("deceased", {"on": "2031-05-09"}, "Patient/p"), "deceased"),
        (fact("deceased", {"on": None}, "Patient/p"), "deceased"),
        (fact("fetal", {}, "Patient/p"), "fetus"),
        (fact("replaced_by", {"patient": "new"}, "Patient/p"), "merged"),
    ],
)
def test_a_record_is_closed_only_by_name_of_a_rule(policy: Policy, extra: Any, closed_by: str) -> None:
    said = [born_fact(), fact("birth_weight", {"grams": 800}), extra]
    decision = decide(assemble("p", said, BORN), policy, BORN)
    assert (decision.state, decision.closed_by, decision.next.kind) == ("closed", closed_by, "none")
    assert [reason.rule for reason in decision.because] == [closed_by]


@EDITIONS
def test_somebody_born_long_before_is_not_a_newborn(policy: Policy) -> None:
    limit = 730
    just = decide(infant(BORN - timedelta(days=limit), "25w0d", 800, known_since=BORN), policy, BORN)
    assert just.state == "eligible"
    older = assemble("p", [born_fact(BORN - timedelta(days=limit + 1)), fact("birth_weight", {"grams": 800})], BORN)
    assert decide(older, policy, BORN).closed_by == "older"


# --- what is shown ---------------------------------------------------------------------------------------------------


def test_the_reason_names_the_values_it_had_to_suppose() -> None:
    aap, india = POLICIES["aap-2018"], POLICIES["india-nnf-2010"]

    def text(policy: Policy, person: Infant) -> str:
        return decide(person, policy, BORN).next.reason.text

    assert text(aap, infant(grams=1200)) == (
        "taking 30w6d at birth, the later of 31w0d postmenstrual age (2031-05-02) and 28 days of age (2031-05-29)"
    )
    assert text(aap, infant(gestation="25w", grams=800)).startswith("taking 25w6d at birth, the later of")
    assert text(aap, infant(gestation="25w6d", grams=800)).startswith("the later of 31w0d")
    assert text(aap, infant(gestation="25w6d")).startswith("the later of 31w0d"), "no weight changes the date"
    assert text(india, infant(gestation="31w0d")) == "taking 1199 g at birth, 14 days of age (2031-05-15)"
    assert text(india, infant()) == (
        "must be known by 2031-05-15, when an exam could be due: "
        "taking 22w0d and 1199 g at birth, 14 days of age (2031-05-15)"
    )
    both = replace(infant(gestation="31w0d"), birth_weight=candidates(1300, 1100))
    assert text(india, both) == "taking 1100 g at birth, 14 days of age (2031-05-15)"
    wider = replace(infant(gestation="29w0d"), birth_weight=candidates(1600, 1400))
    assert text(aap, wider).startswith("the later of"), "either weight gives the same date"


def test_the_reason_says_when_the_window_would_have_opened_before_birth() -> None:
    uk = POLICIES["uk-2022"]

    def text(gestation: str) -> str:
        return decide(infant(gestation=gestation, grams=1450), uk, BORN).next.reason.text

    both = "the earlier of 36w0d postmenstrual age ({}) and 28 days of age (2031-05-29)"
    assert text("36w0d") == both.format("2031-05-01")
    assert text("36w1d") == both.format("2031-04-30") + ", not before the day of birth"


def test_the_reason_says_which_side_of_a_limit_the_value_is_on() -> None:
    def texts(edition: str, gestation: str, grams: int) -> list[str]:
        return [
            reason.text for reason in decide(infant(gestation=gestation, grams=grams), POLICIES[edition], BORN).because
        ]

    assert texts("uk-2022", "30w6d", 1500) == ["30w6d is below 31w0d", "1500 g is below 1501 g"]
    assert texts("uk-2022", "31w0d", 1501) == ["31w0d is not below 31w0d", "1501 g is not below 1501 g"]
    assert texts("aap-2018", "30w6d", 1500) == ["1500 g is within 1500 g", "30w6d is within 30w6d"]
    assert texts("aap-2018", "31w0d", 1501) == [
        "1501 g is above 1500 g",
        "31w0d is above 30w6d",
        "no risk flag is recorded",
    ]


def test_flags_say_in_words_what_is_in_doubt() -> None:
    aap, uk = POLICIES["aap-2018"], POLICIES["uk-2022"]
    whole_week = decide(infant(gestation="30w", grams=1400), aap, BORN).flags
    first_day = "gestational age at birth is recorded as 30w: eligibility reads it as its first day, "
    assert whole_week == (first_day + "dates as whichever of its days is earliest",)
    until_settled = "the wider rule and the earlier date count until a clinician settles it"
    doubtful = replace(
        infant(gestation="30w0d"),
        birth_weight=candidates(1400, 1600),
        gestation=candidates(Gestation(210, 210), certain=False),
        born=candidates(Days(BORN, BORN), unreadable=True),
    )
    assert decide(doubtful, aap, BORN).flags == (
        "a date of birth was sent that could not be read",
        "gestational age at birth is provisional, or was recorded in a way that may mean something else",
        "birth weight differs between records (1400 g, 1600 g): " + until_settled,
    )
    add_one = "no risk flag is recorded; a clinician who judges the course high-risk can add one"
    assert decide(infant(gestation="33w0d", grams=1900), aap, BORN).flags == (add_one,)
    assert decide(infant(gestation="33w0d", grams=1900), uk, BORN).flags == (), "this edition has no risk criterion"
    assert decide(infant(gestation="29w0d", grams=1900), aap, BORN).flags == ()
    assert decide(infant(gestation="33w0d", grams=1900, risk_flags=("sepsis",)), aap, BORN).flags == ()


def test_missing_names_what_could_change_the_answer_or_the_date() -> None:
    aap, india = POLICIES["aap-2018"], POLICIES["india-nnf-2010"]

    def missing(policy: Policy, person: Infant) -> tuple[str, ...]:
        return decide(person, policy, BORN).missing

    assert missing(aap, infant()) == ("gestational_age_at_birth", "birth_weight")
    assert missing(aap, infant(grams=1800)) == ("gestational_age_at_birth",)
    assert missing(aap, infant(grams=1200)) == ("gestational_age_at_birth",), "it would move the date"
    assert missing(aap, infant(gestation="30w0d")) == (), "no weight changes anything"
    assert missing(aap, infant(gestation="31w0d")) == ("birth_weight",)
    assert missing(india, infant(gestation="31w0d")) == ("birth_weight",), "it would move the date"
    assert missing(india, infant(gestation="27w0d")) == ()
    assert missing(india, infant(grams=1100)) == (), "every gestation gives the same date"
    assert missing(india, infant(grams=1300)) == ("gestational_age_at_birth",)
    assert missing(aap, infant(gestation="34w0d", grams=1800)) == ()
    nothing = replace(infant(), born=known(None))
    assert missing(aap, nothing) == ("date_of_birth", "gestational_age_at_birth", "birth_weight")
    to_the_month = replace(infant(gestation="30w0d"), born=known(Days(date(2031, 5, 1), date(2031, 5, 31))))
    assert missing(aap, to_the_month) == ("date_of_birth",)
    once_to_the_day = replace(
        infant(gestation="30w0d"), born=candidates(Days(BORN, BORN), Days(BORN, date(2031, 5, 31)))
    )
    assert missing(aap, once_to_the_day) == ("date_of_birth",)
    twice = replace(infant(grams=1200), born=candidates(Days(BORN, BORN), Days(date(2031, 6, 1), date(2031, 6, 1))))
    assert missing(aap, twice) == ("gestational_age_at_birth",)
    same = replace(infant(grams=1100), born=candidates(Days(BORN, BORN), Days(date(2031, 6, 1), date(2031, 6, 1))))
    assert missing(india, same) == (), "two dates of birth do not make the gestation matter"


def test_data_needed_is_open_until_the_day_on_which_an_exam_could_be_due() -> None:
    aap = POLICIES["aap-2018"]
    person = infant(grams=1800, known_since=date(2031, 5, 10))
    last = date(2031, 5, 29)
    assert decide(person, aap, BORN).next.window == Window(date(2031, 5, 10), last, last)
    late = infant(grams=1800, known_since=date(2031, 7, 1))
    assert decide(late, aap, BORN).next.window == Window(last, last, last), "outborn, arrived after the date"


def test_ages_are_shown_with_the_precision_on_record() -> None:
    aap = POLICIES["aap-2018"]
    on = date(2031, 5, 11)
    assert decide(infant(gestation="25w3d"), aap, on).ages.postmenstrual == "26w6d"
    assert decide(infant(gestation="25w"), aap, on).ages.postmenstrual == "26w3d..27w2d"
    assert decide(infant(gestation="25w3d"), aap, on).ages.postnatal_days == 10
    to_the_month = replace(infant(gestation="25w3d"), born=known(Days(BORN, date(2031, 5, 31))))
    ages = decide(to_the_month, aap, on).ages
    assert (ages.gestation, ages.postnatal_days, ages.postmenstrual) == ("25w3d", None, None)
    long_before = decide(infant(gestation="25w3d"), aap, date(2030, 1, 1)).ages
    assert long_before.postmenstrual is None
    at_conception = decide(infant(gestation="25w3d"), aap, BORN - timedelta(days=178)).ages
    assert at_conception.postmenstrual is None
    assert decide(infant(gestation="25w3d"), aap, BORN - timedelta(days=177)).ages.postmenstrual == "0w1d"
    assert decide(infant(), aap, on).ages.gestation is None


# --- growth ----------------------------------------------------------------------------------------------------------

SLOW = (Weighing(date(2031, 5, 11), 1200), Weighing(date(2031, 5, 20), 1290))
"""90 g from day 10 to day 19 of age, born on 1 May: below the 120 g of JAMA Ophthalmol 2018;136:1034."""
SWEDEN = POLICIES["sweden-2020"]


def test_slow_gain_adds_an_infant_whom_the_edition_leaves_out() -> None:
    """Sweden 2020 examines below 30w0d; the growth criteria were made on infants of up to 30w6d or 1500 g."""
    plain, slow = (
        decide(infant(BORN, "30w2d", 1250, weights=weights), SWEDEN, date(2031, 5, 25)) for weights in ((), SLOW)
    )
    assert (plain.eligible, slow.eligible, slow.next.kind) == ("no", "yes", "first-exam")
    assert [reason.rule for reason in slow.because] == ["growth-10-19"]
    assert any("growth criteria ask for an exam" in flag and "90 g" in flag for flag in slow.flags)
    outside = decide(infant(BORN, "32w0d", 1800, weights=SLOW), SWEDEN, date(2031, 5, 25))
    assert outside.eligible == "no", "of such infants the criteria say nothing"


def test_weights_not_taken_rule_nothing_out_and_are_said() -> None:
    one = decide(infant(BORN, "30w2d", 1250, weights=SLOW[:1]), SWEDEN, date(2031, 5, 25))
    assert one.eligible == "no"
    assert any("growth criteria cannot rule out an exam" in flag for flag in one.flags)


@given(infants(), policies, st.lists(st.builds(Weighing, days, grams), max_size=4), days)
def test_weights_never_delay_and_never_take_an_exam_away(
    plain: Infant, policy: Policy, weights: list[Weighing], day: date
) -> None:
    weighed = replace(plain, weights=tuple(sorted(weights)))
    before, after = decide(plain, policy, day), decide(weighed, policy, day)
    if before.next.window is None:
        return
    assert after.next.window is not None
    assert after.next.window.closes <= before.next.window.closes
    assert after.next.window.due <= before.next.window.due
