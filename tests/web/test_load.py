"""The weeks ahead, counted. Monday 9 June 2031 (any calendar; `cal 6 2031`)."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from steps import TIMING, a_decision, a_site

from service.core.decision import NextStep, Window
from service.core.worklist import Entry
from service.web.load import count_load, draw_load, highest

TUESDAY = date(2031, 6, 10)
SITES = {"larkfield": a_site()}


def entry(opens: int, due: int, closes: int, kind: Any = "first-exam") -> Entry:
    window = Window(*(TUESDAY + timedelta(days=each) for each in (opens, due, closes)))
    decision = a_decision(window, next=NextStep(kind, window, TIMING))
    return Entry("larkfield", "k", "p", "", "", "", "", False, decision, kind, window)


def test_each_infant_counts_once_in_the_week_of_its_best_day() -> None:
    entries = [
        entry(-9, -9, -2), entry(-1, -1, 3), entry(0, 5, 6), entry(6, 6, 8), entry(13, 13, 13), entry(90, 90, 96),
        entry(0, 0, 0, "treatment"), entry(0, 0, 0, "data-needed"),
    ]  # fmt: skip
    (load,) = count_load(entries, lambda _: TUESDAY, SITES, weeks=3)
    # Sunday 15 June is the last day of this week, Monday 16 June the first of the next, Monday 23 June of the third.
    assert load.counts == (3, 1, 1)
    assert load.late == 1
    assert load.weeks == (date(2031, 6, 9), date(2031, 6, 16), date(2031, 6, 23))
    assert load.words() == ("this week: 3", "week of Mon 16 Jun: 1", "week of Mon 23 Jun: 1")


@given(st.lists(st.tuples(*[st.integers(-40, 60)] * 3).map(sorted), max_size=30))
def test_nobody_counts_twice_and_the_tallest_bar_fits(days: list[list[int]]) -> None:
    (load,) = count_load([entry(*each) for each in days], lambda _: TUESDAY, SITES)
    assert sum(load.counts) <= len(days)
    assert load.late <= load.counts[0]
    drawn = str(draw_load(load, highest([load])))
    assert drawn.count('class="bar"') == sum(count > 0 for count in load.counts)
    assert "style=" not in drawn
