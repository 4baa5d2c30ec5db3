"""The ranked list against a second statement of its order, in sentences."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import pytest
from core.invented import infant
from hypothesis import given
from hypothesis import strategies as st

from service.core.ages import parse_age
from service.core.course import Deferral
from service.core.decision import Ages, NextStep, Window, decide
from service.core.worklist import Entry, bucket, days_over, rank, round_day
from service.policies import load_policies

TODAY = date(2031, 6, 10)
CALENDAR = {"west": TODAY - timedelta(days=1), "home": TODAY, "east": TODAY + timedelta(days=1)}
DECISION = decide(infant(date(2031, 5, 1), "25w3d", 780), load_policies()["aap-2018"], TODAY)


def entry(
    opens: int = 0, due: int = 0, closes: int = 6, *, site: str = "home", key: str = "a", left: bool = False,
    gestation: str | None = "25w3d", grams: int | None = 780, kind: Any = "first-exam",
) -> Entry:  # fmt: skip
    """An entry whose window lies so many days from TODAY."""
    window = Window(*(TODAY + timedelta(days=days) for days in (opens, due, closes)))
    decision = replace(
        DECISION,
        ages=Ages(gestation, None, None),
        birth_weight=grams,
        next=NextStep(kind, window, DECISION.next.reason),
    )
    return Entry(site, key, key, "", "", "", "", left, decision, kind, window)


def put_off(one: Entry, times: int) -> Entry:
    """The same entry, its exam put off so many times."""
    each = Deferral(TODAY, TODAY, "unwell", "Dr One", "Dr Two")
    return replace(one, decision=replace(one.decision, deferrals=(each,) * times))


def keys(entries: list[Entry]) -> str:
    return "".join(each.key for each in rank(entries, CALENDAR.__getitem__))


def test_an_exam_put_off_again_and_again_rises_a_week_each_further_time() -> None:
    """Chained deferrals raise the rank; how far is a choice of this project."""
    here = entry(closes=3, key="a")
    for times in (0, 1):
        assert keys([here, put_off(entry(closes=9, key="b"), times)]) == "ab"
    assert keys([here, put_off(entry(closes=9, key="b"), 2)]) == "ba"
    assert keys([here, put_off(entry(closes=10, key="b"), 2)]) == "ab"
    assert keys([entry(closes=3, key="b"), put_off(entry(closes=10, key="a"), 2)]) == "ab", "seven days to the day"
    assert keys([here, put_off(entry(closes=11, key="b"), 2)]) == "ab"
    assert keys([here, put_off(entry(closes=16, key="b"), 3)]) == "ba"


def test_who_left_with_nobody_to_take_over_comes_before_who_left() -> None:
    alone = entry(left=True, key="b")
    waiting = NextStep("hand-over", alone.window, DECISION.next.reason)
    alone = replace(alone, decision=replace(alone.decision, also=(waiting,)))
    assert alone.needs_hand_over
    assert keys([entry(key="c"), entry(left=True, key="a"), alone]) == "bac"


# --- a second statement of the order ---------------------------------------------------------------------------------


def comes_first(one: Entry, other: Entry) -> bool:
    """Whether `one` is to be acted on before `other`: each sentence settles what those above left open."""
    here, there = CALENDAR[one.site], CALENDAR[other.site]
    late, other_late = here > one.window.closes, there > other.window.closes
    if late != other_late:
        return late
    if late:
        over, other_over = (here - one.window.closes).days, (there - other.window.closes).days
        if over != other_over:
            return over > other_over
    else:
        left, other_left = (one.window.closes - here).days, (other.window.closes - there).days
        if left != other_left:
            return left < other_left
    for edge in ("due", "opens"):
        ahead, other_ahead = (getattr(one.window, edge) - here).days, (getattr(other.window, edge) - there).days
        if ahead != other_ahead:
            return ahead < other_ahead
    if one.left_hospital != other.left_hospital:
        return one.left_hospital
    ages = [each.decision.ages.gestation for each in (one, other)]
    if ages[0] != ages[1]:
        days = [-1 if age is None else first_day(age) for age in ages]
        if days[0] != days[1]:
            return days[0] < days[1]
    weights = (one.decision.birth_weight, other.decision.birth_weight)
    if weights[0] != weights[1]:
        return weights[0] is None or (weights[1] is not None and weights[0] < weights[1])
    return (one.site, one.key) < (other.site, other.key)


def first_day(age: str) -> int:
    return parse_age(age.split("..")[0])


entries = st.lists(
    st.builds(
        lambda opens, to_due, to_close, **more: entry(opens, opens + to_due, opens + to_due + to_close, **more),
        st.integers(-8, 8),
        st.integers(0, 2),
        st.integers(0, 3),
        site=st.sampled_from(sorted(CALENDAR)),
        key=st.text("abcdef", min_size=1, max_size=3),
        gestation=st.sampled_from([None, "25w3d", "25w", "25w0d..26w6d", "30w6d"]),
        grams=st.sampled_from([None, 780, 800]),
        left=st.booleans(),
        kind=st.sampled_from(["first-exam", "data-needed"]),
    ),
    max_size=12,
    unique_by=lambda each: (each.site, each.key),
)


@given(entries)
def test_the_order_is_the_one_stated(unranked: list[Entry]) -> None:
    expected: list[Entry] = []
    for each in unranked:  # insertion, by the sentences above alone
        place = next((n for n, placed in enumerate(expected) if comes_first(each, placed)), len(expected))
        expected.insert(place, each)
    assert rank(unranked, CALENDAR.__getitem__) == expected


@given(entries, st.randoms(use_true_random=False))
def test_the_order_never_depends_on_the_order_of_arrival(unranked: list[Entry], random: Any) -> None:
    shuffled = list(unranked)
    random.shuffle(shuffled)
    ranked = rank(shuffled, CALENDAR.__getitem__)
    assert ranked == rank(unranked, CALENDAR.__getitem__)
    assert all(comes_first(one, other) and not comes_first(other, one) for one, other in pairwise(ranked))
    late = [CALENDAR[each.site] > each.window.closes for each in ranked]
    assert late == sorted(late, reverse=True), "late first"


@given(entries, entries)
def test_more_infants_do_not_change_the_order_of_the_others(some: list[Entry], more: list[Entry]) -> None:
    taken = {(each.site, each.key) for each in some}
    both = rank([*some, *(each for each in more if (each.site, each.key) not in taken)], CALENDAR.__getitem__)
    assert [each for each in both if (each.site, each.key) in taken] == rank(some, CALENDAR.__getitem__)


# --- each sentence by itself -----------------------------------------------------------------------------------------


# Keys run against the expected order: the last tie-break alone would turn each of these round.


def test_late_comes_first_and_the_latest_of_all_first() -> None:
    assert keys([entry(closes=0, key="x"), entry(-9, -9, -1, key="y"), entry(-9, -9, -2, key="z")]) == "zyx"


def test_then_what_closes_soonest_then_what_is_due_then_what_opens() -> None:
    assert keys([entry(closes=5, key="y"), entry(closes=4, key="z")]) == "zy"
    assert keys([entry(0, 2, 6, key="y"), entry(1, 1, 6, key="z")]) == "zy"
    assert keys([entry(1, 2, 6, key="y"), entry(0, 2, 6, key="z")]) == "zy"


def test_who_left_hospital_comes_before_who_is_on_the_unit_on_the_same_days_only() -> None:
    assert keys([entry(key="y"), entry(key="z", left=True, gestation="30w6d")]) == "zy"
    assert keys([entry(key="z"), entry(1, 1, 7, key="y", left=True)]) == "zy"


def test_the_younger_then_the_lighter_first_and_not_known_counts_as_least() -> None:
    by_age = [entry(key=key, gestation=age) for key, age in (("x", "26w0d"), ("y", "25w"), ("z", None))]
    assert keys(by_age) == "zyx"
    assert keys([entry(key="x", grams=900), entry(key="y", grams=800), entry(key="z", grams=None)]) == "zyx"
    assert keys([entry(key="z", grams=900), entry(key="y", gestation="25w4d", grams=700)]) == "zy"


def test_what_cannot_be_judged_ranks_by_its_own_date() -> None:
    unknown = {"gestation": None, "kind": "data-needed"}
    listed = [entry(closes=3, key="x"), entry(0, 2, 2, key="y", **unknown), entry(-9, -9, -1, key="z")]
    assert keys(listed) == "zyx"
    assert keys([entry(closes=6, key="y"), entry(-9, -3, -3, key="z", **unknown)]) == "zy"


def test_days_are_counted_on_each_sites_own_calendar() -> None:
    """The same dates: east it is tomorrow already, so there they are nearer."""
    assert keys([entry(site="west", key="x"), entry(site="home", key="y"), entry(site="east", key="z")]) == "zyx"
    assert keys([entry(closes=0, site="home", key="y"), entry(closes=0, site="east", key="z")]) == "zy"


def test_site_and_key_settle_the_rest() -> None:
    assert keys([entry(key="b"), entry(key="a")]) == "ab"
    assert keys([entry(1, 1, 7, site="east", key="b"), entry(key="a")]) == "ba"


# --- where an entry is shown -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("opens", "due", "closes", "where", "over"),
    [
        (-9, -9, -2, "overdue", 2),
        (-9, -9, -1, "overdue", 1),
        (-6, -6, 0, "today", 0),
        (-3, -3, 3, "today", 0),
        (0, 0, 6, "today", 0),
        (-3, 1, 3, "this-week", 0),
        (1, 1, 7, "this-week", 0),
        (6, 6, 9, "this-week", 0),
        (7, 7, 9, "later", 0),
        (40, 40, 46, "later", 0),
    ],
)
def test_buckets_and_days_over(opens: int, due: int, closes: int, where: str, over: int) -> None:
    listed = entry(opens, due, closes)
    assert bucket(listed, TODAY) == where
    assert days_over(listed, TODAY) == over


def test_a_running_treatment_clock_is_todays_whatever_day_is_best() -> None:
    assert bucket(entry(-1, 2, 3, kind="treatment"), TODAY) == "today"
    assert bucket(entry(-1, 2, 3, kind="repeat-exam"), TODAY) == "this-week"


@given(entries)
def test_every_entry_has_one_bucket_and_overdue_is_what_has_days_over(listed: list[Entry]) -> None:
    for each in listed:
        today = CALENDAR[each.site]
        assert (bucket(each, today) == "overdue") == (days_over(each, today) > 0)


# --- rounds ----------------------------------------------------------------------------------------------------------

MONDAYS_AND_THURSDAYS = frozenset({0, 3})


@pytest.mark.parametrize(
    ("opens", "due", "closes", "round_on"),  # days from Tuesday 10 June 2031 (any calendar; `cal 6 2031`)
    [
        (0, 0, 6, 2),  # due today: Thursday
        (-2, 1, 6, 2),
        (-2, 3, 6, 6),  # due on Friday: Monday 16 June is still within the window
        (-2, 3, 5, 2),  # the Monday is too late: Thursday, before the best day
        (3, 4, 5, None),  # Friday to Sunday: no round
        (-9, -9, -2, 2),  # late: the next round
        (6, 6, 6, 6),
        (30, 33, 36, 34),  # Monday 14 July
    ],
)
def test_the_round_on_which_a_window_is_kept(opens: int, due: int, closes: int, round_on: int | None) -> None:
    window = Window(*(TODAY + timedelta(days=each) for each in (opens, due, closes)))
    day = round_day(window, TODAY, MONDAYS_AND_THURSDAYS)
    assert day == (None if round_on is None else TODAY + timedelta(days=round_on))


@given(st.tuples(*[st.integers(-30, 30)] * 3).map(sorted), st.frozensets(st.integers(0, 6)))
def test_a_round_is_within_what_is_left_of_the_window_and_on_a_day_of_rounds(
    days: list[int], weekdays: frozenset[int]
) -> None:
    window = Window(*(TODAY + timedelta(days=each) for each in days))
    day = round_day(window, TODAY, weekdays)
    left = [TODAY + timedelta(days=each) for each in range(max(days[0], 0), days[2] + 1)]
    possible = [each for each in left if not weekdays or each.weekday() in weekdays]
    if window.closes < TODAY:
        assert day is not None and TODAY <= day <= TODAY + timedelta(days=6)
    elif day is None:
        assert not possible
    else:
        assert day in possible
        assert (
            day == min(each for each in possible if each >= window.due) if day >= window.due else day == max(possible)
        )
