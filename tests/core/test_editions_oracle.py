"""The other editions, said a second time: who is examined, and on which days of age the first exam is due and late.

Each function restates one guideline as published or remembered (the edition's file says which, rule by rule), in plain
terms and in another way than the file: completed weeks are counted, days are walked one by one, no limit is shared with
the service. AAP 2018, RCPCH 2022 and NNF 2010 are restated in `tests/test_policies.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import NamedTuple

import pytest
from core.invented import candidates, infant

from service.core.ages import Gestation, format_age
from service.core.decision import Decision, decide
from service.core.infant import Infant
from service.policies import load_policies

POLICIES = load_policies()
BORN = date(2031, 5, 1)
GESTATIONS = range(22 * 7, 45 * 7)
WEIGHTS = (400, 1199, 1200, 1249, 1250, 1251, 1499, 1500, 1501, 1749, 1999, 2000, 2001, 4000)


class Born(NamedTuple):
    """An infant: gestational age in days, birth weight in grams, and whether a clinician named a risk."""

    days: int
    grams: int
    risk: bool

    @property
    def week(self) -> int:
        """Completed weeks."""
        return self.days // 7

    def age_at(self, week: int, day: int = 0) -> int:
        """Days of age on the first day, from birth on, of at least so many weeks and days since the last period."""
        return next(age for age in range(400) if divmod(self.days + age, 7) >= (week, day))


Ages = tuple[int, int]
"""Days of age: on which the first exam is due, and the last one on which it is not late."""

ORACLES: dict[str, Callable[[Born], Ages | None]] = {}


def edition(id: str) -> Callable[[Callable[[Born], Ages | None]], Callable[[Born], Ages | None]]:
    def keep(oracle: Callable[[Born], Ages | None]) -> Callable[[Born], Ages | None]:
        ORACLES[id] = oracle
        return oracle

    return keep


def later_of_31_and_4_weeks(born: Born) -> Ages:
    """The week that begins once 31 weeks since the last period and 4 weeks of age have both been completed."""
    first = next(age for age in range(200) if (born.days + age) // 7 >= 31 and age // 7 >= 4)
    return first, first + 6


@edition("aap-2013")
def aap_2013(born: Born) -> Ages | None:
    """As 2018 (Pediatrics 2018;142(6):e20183061), from memory: 1500 g or less, 30 completed weeks or less, or judged
    high-risk."""
    return later_of_31_and_4_weeks(born) if born.grams <= 1500 or born.week <= 30 or born.risk else None


@edition("aap-2006")
def aap_2006(born: Born) -> Ages | None:
    """Am Fam Physician 2006;73(11):2077: less than 1500 g, 32 weeks or less (first printing), or an unstable course;
    timing as 2018, from memory."""
    return later_of_31_and_4_weeks(born) if born.grams < 1500 or born.week <= 32 or born.risk else None


@edition("uk-2008")
def uk_2008(born: Born) -> Ages | None:
    """Before 32 weeks or below 1501 g. Before 27 weeks at 30 to 31 weeks, otherwise 4 to 5 weeks of age."""
    if born.week >= 32 and born.grams >= 1501:
        return None
    return (born.age_at(30), born.age_at(31)) if born.week < 27 else (4 * 7, 5 * 7)


@edition("india-nnf-2021")
def india_nnf_2021(born: Born) -> Ages | None:
    """Below 34 weeks or 2000 g; 34 to 36 weeks with risk factors. 4 weeks of age, late after day 30 (as in 2010); below
    28 weeks or 1200 g, 2 to 3 weeks."""
    if born.week < 34 or born.grams < 2000 or (born.risk and born.week in (34, 35, 36)):
        return (2 * 7, 3 * 7) if born.week < 28 or born.grams < 1200 else (4 * 7, 30)
    return None


@edition("india-rbsk-2017")
def india_rbsk_2017(born: Born) -> Ages | None:
    """Indian J Ophthalmol 2020;68(Suppl 1):S108: 34 weeks or less, 2000 g or less; in some quotations also 34 to 36
    weeks with risk factors. By 30 days of age; below 28 weeks or 1200 g, 2 to 3 weeks."""
    if born.week <= 34 or born.grams <= 2000 or (born.risk and born.week in (34, 35, 36)):
        return (2 * 7, 3 * 7) if born.week < 28 or born.grams < 1200 else (4 * 7, 30)
    return None


@edition("canada-2016")
def canada_2016(born: Born) -> Ages | None:
    """Paediatr Child Health 2016;21(2):101: up to 30w6d or 1250 g. Up to 26w6d in the week of 31, then in the fifth
    week after birth."""
    if born.week > 30 and born.grams > 1250:
        return None
    return (born.age_at(31), born.age_at(31, 6)) if born.week <= 26 else (28, 34)


@edition("germany-2020")
def germany_2020(born: Born) -> Ages | None:
    """AWMF 024-010: before 31 weeks; before 37 weeks at risk. Days of life 36 to 42, birth being day 1, but not before
    31 weeks."""
    if born.week >= 31 and not (born.risk and born.week < 37):
        return None
    days_of_life = range(36, 43)
    return max(days_of_life[0] - 1, born.age_at(31)), max(days_of_life[-1] - 1, born.age_at(31, 6))


@edition("sweden-2020")
def sweden_2020(born: Born) -> Ages | None:
    """Before 30 weeks. Before 26 weeks in the week of 31, otherwise in the week that begins at 5 weeks of age."""
    if born.week >= 30:
        return None
    return (born.age_at(31), born.age_at(31, 6)) if born.week < 26 else (5 * 7, 5 * 7 + 6)


@edition("netherlands-2013")
def netherlands_2013(born: Born) -> Ages | None:
    """Before 30 weeks or below 1250 g; with a risk factor 30 to 32 weeks or 1250 to 1500 g. 5 to 6 weeks of age, day
    42 last."""
    at_risk = born.risk and (born.week in (30, 31, 32) or 1250 <= born.grams <= 1500)
    return (5 * 7, 42) if born.week < 30 or born.grams < 1250 or at_risk else None


@edition("new-zealand-newborn")
def new_zealand_newborn(born: Born) -> Ages | None:
    """Before 31 weeks or below 1250 g, and the unstable. Before 26 weeks at 30 to 31 weeks; 26 to 29 and above 30 weeks
    in the week that begins at 4 weeks of age; 30 as the earlier of its neighbours."""
    if born.week >= 31 and born.grams >= 1250 and not born.risk:
        return None
    return (born.age_at(30), born.age_at(31)) if born.week < 26 else (28, 34)


@edition("china-2014")
def china_2014(born: Born) -> Ages | None:
    """BMC Ophthalmol 2025;25:3 quotes who: before 32 weeks, below 2000 g, or suspected at risk. 4 to 6 weeks of age or
    31 to 32 weeks: whichever comes first, unless 32 weeks are over at birth."""
    if born.week >= 32 and born.grams >= 2000 and not born.risk:
        return None
    by_age, by_term = (4 * 7, 6 * 7), (born.age_at(31), born.age_at(32))
    if born.days > 32 * 7:
        return by_age
    return min(by_age[0], by_term[0]), min(by_age[1], by_term[1])


@edition("south-africa-2013")
def south_africa_2013(born: Born) -> Ages | None:
    """S Afr Med J 103(2): below 1500 g or before 32 weeks; with risk 1500 to 2000 g. 4 to 6 weeks of age or 31 to 33
    weeks, whichever is later."""
    if not (born.grams < 1500 or born.week < 32 or (born.risk and 1500 <= born.grams <= 2000)):
        return None
    return max(4 * 7, born.age_at(31)), max(6 * 7, born.age_at(33))


@edition("argentina-national")
def argentina_national(born: Born) -> Ages | None:
    """Below 1500 g or 32 weeks or less; 1500 g or more, or 33 to 36 weeks, with oxygen or another risk. 4 weeks."""
    at_risk = born.risk and (born.grams >= 1500 or born.week in (33, 34, 35, 36))
    return (28, 34) if born.grams < 1500 or born.week <= 32 or at_risk else None


@edition("brazil-national")
def brazil_national(born: Born) -> Ages | None:
    """1500 g or less, or 32 weeks or less. 4 to 6 weeks of age."""
    return (4 * 7, 6 * 7) if born.grams <= 1500 or born.week <= 32 else None


@edition("nigeria-group")
def nigeria_group(born: Born) -> Ages | None:
    """Niger J Paediatr, doi:10.4314/njp.v50i2.6: 1500 g or less, or 34 weeks or less. Within 30 days, due from 4 weeks
    as in India."""
    return (28, 30) if born.grams <= 1500 or born.week <= 34 else None


EVERY = pytest.mark.parametrize("id", ORACLES)


def days_of_age(decision: Decision) -> Ages | None:
    window = decision.next.window
    if window is None:
        return None
    assert window.opens == window.due
    return (window.due - BORN).days, (window.closes - BORN).days


def flagged(id: str) -> tuple[str, ...]:
    """One flag of the edition's own, or any at all where it has none."""
    return tuple(POLICIES[id].risk_flags)[:1] or ("sepsis",)


@EVERY
def test_an_edition_says_what_its_guideline_says(id: str) -> None:
    for days in GESTATIONS:
        for grams in WEIGHTS:
            for risk in (False, True):
                told = ORACLES[id](Born(days, grams, risk))
                flags = flagged(id) if risk else ()
                found = decide(infant(BORN, format_age(days), grams, risk_flags=flags), POLICIES[id], BORN)
                who = (format_age(days), grams, risk)
                assert found.eligible == ("no" if told is None else "yes"), who
                assert days_of_age(found) == told, who


@EVERY
def test_smaller_or_younger_is_never_left_out(id: str) -> None:
    """Of the restatement itself: a guideline told wrongly in both places would still have to be of this shape."""
    oracle = ORACLES[id]
    for risk in (False, True):
        for days in GESTATIONS:
            taken = [oracle(Born(days, grams, risk)) is not None for grams in WEIGHTS]
            assert taken == sorted(taken, reverse=True)
        for grams in WEIGHTS:
            taken = [oracle(Born(days, grams, risk)) is not None for days in GESTATIONS]
            assert taken == sorted(taken, reverse=True)


def test_every_edition_is_said_a_second_time() -> None:
    assert ORACLES.keys() | {"aap-2018", "uk-2022", "india-nnf-2010"} == POLICIES.keys()


# --- Germany: a weight counts only while the gestational age is not certain ------------------------------------------


def in_germany(person: Infant) -> Decision:
    return decide(person, POLICIES["germany-2020"], BORN)


def test_without_a_certain_gestational_age_the_weight_decides() -> None:
    """AWMF 024-010: below 1500 g when the gestational age is not certain."""
    by_weight = "birth-weight-without-certain-gestational-age"
    certain = infant(BORN, "33w0d", 1400)
    assert in_germany(certain).eligible == "no"
    doubtful = [
        infant(BORN, None, 1400),
        replace(certain, gestation=candidates(Gestation(231, 231), certain=False)),
        replace(certain, gestation=candidates(Gestation(231, 231), unreadable=True)),
    ]
    for person in doubtful:
        found = in_germany(person)
        assert found.eligible == "yes"
        assert [reason.rule for reason in found.because] == [by_weight]
        assert found.because[0].text == "1400 g is below 1500 g; gestational age at birth is not certain"
        assert days_of_age(found) == (35, 41)
        assert in_germany(replace(person, birth_weight=candidates(1500))).eligible == "unknown"
    assert in_germany(infant(BORN, "30w6d", 1400)).because[0].rule == "gestational-age"


def test_two_certain_gestational_ages_are_no_doubt_but_the_wider_one_counts() -> None:
    both = replace(infant(BORN, None, 1400), gestation=candidates(Gestation(231, 231), Gestation(216, 216)))
    assert in_germany(both).because[0].rule == "gestational-age"
    older = replace(both, gestation=candidates(Gestation(231, 231), Gestation(238, 238)))
    assert in_germany(older).eligible == "no"
