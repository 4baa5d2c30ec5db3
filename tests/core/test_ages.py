"""Ages against an independent implementation, and against published numbers.

The independent implementation is `rcpchgrowth` of the Royal College of Paediatrics and Child Health, written for its
growth charts: https://github.com/rcpch/rcpchgrowth-python. It is used in tests only.
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest
import rcpchgrowth

from service.core.ages import (
    Gestation,
    date_at_postmenstrual,
    date_at_postnatal,
    expected_delivery,
    format_age,
    parse_age,
    postmenstrual_days,
    postnatal_days,
)
from service.errors import NotUnderstood

BIRTHS = [
    *(date(year, *day) for year in (1999, 2023, 2024, 2099) for day in ((1, 1), (2, 28), (6, 30), (12, 31))),
    *(date(year, 2, 29) for year in (2000, 2024, 2028)),
    date(1900, 2, 28),  # 1900 and 2100 are no leap years, 2000 is one
    date(2100, 2, 28),
]
GESTATIONS = range(22 * 7, 45 * 7)
AGES = (0, 1, 6, 7, 27, 28, 29, 60, 61, 90, 139, 140)


def test_expected_date_of_delivery_agrees_with_rcpchgrowth() -> None:
    compared = 0
    for born in BIRTHS:
        for gestation in GESTATIONS:
            theirs = rcpchgrowth.estimated_date_delivery(born, *divmod(gestation, 7))
            assert expected_delivery(born, gestation) == theirs, (born, gestation)
            compared += 1
    assert compared == 21 * 161


def test_postmenstrual_age_agrees_with_rcpchgrowth() -> None:
    compared = corrected = 0
    for born in BIRTHS:
        for gestation in GESTATIONS:
            for age in AGES:
                on = born + timedelta(days=age)
                theirs = rcpchgrowth.corrected_gestational_age(born, on, *divmod(gestation, 7))
                weeks, days = theirs["corrected_gestation_weeks"], theirs["corrected_gestation_days"]
                ours = postmenstrual_days(born, gestation, on)
                if weeks is None:  # corrected ages end at 42w0d there
                    assert ours >= 42 * 7, (born, gestation, on)
                else:
                    assert format_age(ours) == f"{weeks}w{days}d", (born, gestation, on)
                    assert ours < 42 * 7
                    assert date_at_postmenstrual(born, gestation, ours) == on
                    corrected += 1
                compared += 1
    assert compared >= 10_000
    assert corrected >= 10_000


def test_a_postnatal_age_counts_the_day_of_birth_as_day_0() -> None:
    """AAP Committee on Fetus and Newborn, Age terminology during the perinatal period, Pediatrics 2004;114:1362, counts
    chronological age from birth."""
    born = date(2024, 2, 28)
    assert postnatal_days(born, born) == 0
    assert postnatal_days(born, date(2024, 3, 1)) == 2
    assert postnatal_days(born, date(2024, 2, 27)) == -1
    assert date_at_postnatal(born, 2) == date(2024, 3, 1)


def test_dates_stop_at_the_ends_of_the_calendar() -> None:
    assert date_at_postnatal(date(9999, 12, 31), 28) == date.max
    assert date_at_postnatal(date(9999, 12, 30), 1) == date.max
    assert date_at_postmenstrual(date(1, 1, 1), 30 * 7, 20 * 7) == date.min
    assert date_at_postnatal(date(1, 1, 2), -1) == date.min


@pytest.mark.parametrize(
    ("text", "days"), [("25w3d", 178), ("31w0d", 217), ("31w", 217), ("28d", 28), ("0d", 0), ("0w6d", 6), ("900d", 900)]
)
def test_an_age_is_written_in_weeks_and_days_or_in_days(text: str, days: int) -> None:
    assert parse_age(text) == days


@pytest.mark.parametrize(
    "text", ["", "25", "25w7d", "25w3", "25.4w", "w3d", "25 w 3 d", "-1d", "25W3D", "25w3d ", "٢٥w", "10000d", "3d25w"]
)
def test_other_notations_are_not_guessed_at(text: str) -> None:
    with pytest.raises(NotUnderstood, match="is not an age"):
        parse_age(text)


def test_ages_survive_being_written_and_read() -> None:
    assert all(parse_age(format_age(days)) == days for days in range(1000))
    assert format_age(0) == "0w0d"
    with pytest.raises(NotUnderstood):
        format_age(-1)


@pytest.mark.parametrize(
    ("text", "low", "high", "exact"),
    [
        ("25w3d", 178, 178, True),
        ("28w", 196, 202, False),  # completed weeks: 28w0d to 28w6d
        ("25w0d..26w6d", 175, 188, False),
        ("25w..26w", 175, 188, False),
        ("25w1d..25w1d", 176, 176, True),
    ],
)
def test_a_gestation_keeps_the_precision_it_was_recorded_with(text: str, low: int, high: int, exact: bool) -> None:
    gestation = Gestation.parse(text)
    assert (gestation.low, gestation.high, gestation.exact) == (low, high, exact)
    assert list(gestation.days()) == list(range(low, high + 1))
    assert Gestation.parse(str(gestation)) == gestation


@pytest.mark.parametrize("text", ["", "178d", "25", "..", "26w0d..25w6d", "25w0d..", "0w0d", "25w8d"])
def test_what_is_no_gestation_is_refused(text: str) -> None:
    with pytest.raises(NotUnderstood):
        Gestation.parse(text)


def test_a_gestation_is_shown_as_it_was_recorded() -> None:
    assert [str(Gestation(*days)) for days in ((178, 178), (196, 202), (175, 188), (196, 201), (197, 203))] == [
        "25w3d", "28w", "25w0d..26w6d", "28w0d..28w5d", "28w1d..29w0d",
    ]  # fmt: skip
