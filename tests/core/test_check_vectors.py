"""Dates worked out beforehand, and numbers printed in papers, through the editions and the age arithmetic.

The vectors restate, with the day of birth as day 0, the lower bound max(217 - gestation, 28) days of age that the AAP
2018 statement (Pediatrics 2018;142(6):e20183061; formula in Arch Ophthalmol 2002;120:1470) and the UK guideline of
March 2022 (Early Hum Dev 2023;177-178:105715) share below 31 weeks, and the last day max(223 - gestation, 34).
"""

from __future__ import annotations

from datetime import date

import pytest
from core.invented import infant

from service.core.ages import date_at_postmenstrual, format_age, parse_age, postmenstrual_days
from service.core.decision import Window, decide
from service.policies import load_policies

POLICIES = load_policies()
BOTH = pytest.mark.parametrize("policy", ["aap-2018", "uk-2022"])


def window(policy: str, born: date, gestation: str, grams: int = 900) -> Window:
    found = decide(infant(born, gestation, grams), POLICIES[policy], born).next.window
    assert found is not None
    return found


@BOTH
@pytest.mark.parametrize(
    ("gestation", "first", "postmenstrual", "last"),
    [
        ("22w0d", 63, "31w0d", 69),
        ("24w0d", 49, "31w0d", 55),
        ("25w3d", 39, "31w0d", 45),
        ("26w4d", 31, "31w0d", 37),
        ("27w0d", 28, "31w0d", 34),
        ("28w0d", 28, "32w0d", 34),
        ("30w6d", 28, "34w6d", 34),
    ],
)
def test_days_of_age(policy: str, gestation: str, first: int, postmenstrual: str, last: int) -> None:
    born = date(2031, 5, 1)
    found = window(policy, born, gestation)
    assert [(day - born).days for day in (found.opens, found.due, found.closes)] == [first, first, last]
    assert format_age(postmenstrual_days(born, parse_age(gestation), found.due)) == postmenstrual


@BOTH
@pytest.mark.parametrize(
    ("born", "gestation", "first", "last", "at_40", "at_45", "at_65"),
    [
        ("2024-01-31", "25w3d", "2024-03-10", "2024-03-16", "2024-05-12", "2024-06-16", "2024-11-03"),
        ("2024-02-01", "27w0d", "2024-02-29", "2024-03-06", "2024-05-02", "2024-06-06", "2024-10-24"),
        ("2025-10-05", "26w6d", "2025-11-03", "2025-11-09", "2026-01-05", "2026-02-09", "2026-06-29"),
    ],
)
def test_calendar_dates(
    policy: str, born: str, gestation: str, first: str, last: str, at_40: str, at_45: str, at_65: str
) -> None:
    birth, days = date.fromisoformat(born), parse_age(gestation)
    found = window(policy, birth, gestation)
    assert [found.opens.isoformat(), found.due.isoformat(), found.closes.isoformat()] == [first, first, last]
    later = [date_at_postmenstrual(birth, days, weeks * 7).isoformat() for weeks in (40, 45, 65)]
    assert later == [at_40, at_45, at_65]


# Completed week of gestation -> week of age of the first exam.
PRINTED = {
    # AAP 2018, table 1 (rows from memory): 22 to 27 weeks reach 31 weeks, then 32, 33, 34.
    "aap-2018": {22: 9, 23: 8, 24: 7, 25: 6, 26: 5, 27: 4, 28: 4, 29: 4, 30: 4},
    # Local table of a UK unit: 23 to 27 and more, postnatal weeks. 31 weeks qualify by birth weight below 1501 g.
    "uk-2022": {23: 8, 24: 7, 25: 6, 26: 5, 27: 4, 28: 4, 29: 4, 30: 4, 31: 4},
}


@pytest.mark.parametrize(
    ("policy", "week", "row"), [(policy, *row) for policy, rows in PRINTED.items() for row in rows.items()]
)
def test_printed_tables_by_completed_week(policy: str, week: int, row: int) -> None:
    born = date(2031, 5, 1)
    first_day = window(policy, born, f"{week}w0d")
    assert (first_day.due - born).days == row * 7
    for day in range(7):
        found = window(policy, born, f"{week}w{day}d")
        assert (found.closes - born).days <= row * 7 + 6, "never closes after the printed row"
        assert (found.due - born).days // 7 in (row, row - 1)
    whole_week = window(policy, born, f"{week}w")
    assert whole_week.due <= first_day.due, "whole weeks take the earlier date"


def test_postmenstrual_age_at_the_first_exam_by_the_printed_aap_table() -> None:
    born = date(2031, 5, 1)
    for week, reached in {22: 31, 23: 31, 24: 31, 25: 31, 26: 31, 27: 31, 28: 32, 29: 33, 30: 34}.items():
        due = window("aap-2018", born, f"{week}w0d").due
        assert postmenstrual_days(born, week * 7, due) // 7 == reached, week


@pytest.mark.parametrize(
    ("source", "weeks_at_birth", "days_after", "by_arithmetic", "printed"),
    [
        ("Alberta 2005, Eye 2005;19:138, first exam", 25.5, 36, 30.6, 30.7),
        ("Alberta 2005, Eye 2005;19:138, stage 3", 25.5, 74, 36.1, 36.3),
        ("Sweden 2010-11, JAMA Ophthalmol, first exam after 5.4 weeks", 28.4, 5.4 * 7, 33.8, 33.8),
    ],
)
def test_published_cohort_means(
    source: str, weeks_at_birth: float, days_after: float, by_arithmetic: float, printed: float
) -> None:
    """Postmenstrual age is linear in both terms, so means obey it too; printed means differ by their own rounding. The
    two whole days on either side of a mean bracket it."""
    born, low, after = date(2005, 1, 1), int(weeks_at_birth * 7), int(days_after)
    below = postmenstrual_days(born, low, date.fromordinal(born.toordinal() + after))
    above = postmenstrual_days(born, low + 1, date.fromordinal(born.toordinal() + after + 1))
    mean = weeks_at_birth * 7 + days_after
    assert below <= mean <= above <= below + 2
    assert round(mean / 7, 1) == by_arithmetic, source
    assert abs(mean / 7 - printed) < 0.25, source
