"""The words of a row. Dates checked against the calendar: 1 June 2031 is a Sunday (any calendar; `cal 6 2031`)."""

from __future__ import annotations

from datetime import date, timedelta
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steps import TIMING, WEIGHT, a_decision, asking, decisions, of_kind

from service.core.course import Deferral
from service.core.decision import Ages, Decision, LastExam, NextStep, Reason, Window
from service.core.window import Kind
from service.core.worklist import Entry, bucket, days_over, rank
from service.web import view
from service.web.sheets import SHEETS

SUNDAY = date(2031, 6, 1)


def an_entry(window: Window, kind: str = "first-exam", **changes: object) -> Entry:
    decision = a_decision(window, next=NextStep(kind, window, TIMING), **changes)  # type: ignore[arg-type]
    return Entry("larkfield", "k", "p", "Ada Moss", "N-1", "Nursery 2", "4", False, decision, kind, window)  # type: ignore[arg-type]


def days(opens: int, due: int, closes: int) -> Window:
    return Window(*(SUNDAY + timedelta(days=each) for each in (opens, due, closes)))


@pytest.mark.parametrize(
    ("window", "kind", "said", "section"),
    [
        (days(-9, -9, -3), "first-exam", "3 days over", "overdue"),
        (days(-7, -7, -1), "first-exam", "1 day over", "overdue"),
        (days(-6, -6, 0), "first-exam", "Last day today", "today"),
        (days(0, 0, 6), "first-exam", "Due now, 6 days left", "today"),
        (days(-2, 1, 5), "first-exam", "Due tomorrow", "this-week"),
        (days(1, 1, 7), "first-exam", "Due tomorrow", "this-week"),
        (days(6, 6, 12), "first-exam", "Due in 6 days", "this-week"),
        (days(7, 7, 13), "first-exam", "Due in 7 days", "later"),
        (days(-4, 3, 3), "data-needed", "Needed in 3 days", "unjudged"),
        (days(-4, 30, 30), "data-needed", "Needed in 30 days", "unjudged"),
        (days(-4, 0, 0), "data-needed", "Needed today", "today"),
        (days(-9, -2, -2), "data-needed", "Needed 2 days ago", "overdue"),
    ],
)
def test_standing_and_section(window: Window, kind: str, said: str, section: str) -> None:
    entry = an_entry(window, kind)
    assert view.say_standing(entry, SUNDAY) == said
    assert view.find_section(entry, SUNDAY) == section


windows = st.tuples(*[st.integers(-60, 60)] * 3).map(lambda each: days(*sorted(each)))


@given(st.lists(st.tuples(windows, st.sampled_from(["first-exam", "data-needed"])), max_size=12))
def test_every_ranked_entry_stands_in_exactly_one_section_and_keeps_its_order(drawn: list[tuple[Window, str]]) -> None:
    entries = rank([an_entry(window, kind) for window, kind in drawn], lambda _: SUNDAY)
    sections = view.arrange(entries, lambda _: SUNDAY, lambda site: site)
    assert list(sections) == list(view.SECTIONS)
    assert sum(map(len, sections.values())) == len(entries)
    for section, rows in sections.items():
        assert [row.window for row in rows] == [e.window for e in entries if view.find_section(e, SUNDAY) == section]


@given(windows)
def test_what_is_missing_is_never_read_last_once_its_day_has_come(window: Window) -> None:
    entry = an_entry(window, "data-needed")
    if days_over(entry, SUNDAY) > 0 or bucket(entry, SUNDAY) == "today":
        assert view.find_section(entry, SUNDAY) in ("overdue", "today")


def test_dates_are_said_with_their_weekday_and_a_year_only_where_it_differs() -> None:
    assert view.say_day(SUNDAY, SUNDAY) == "Sun 1 Jun"
    assert view.say_day(date(2032, 2, 29), SUNDAY) == "Sun 29 Feb 2032"  # leap day, a Sunday
    assert view.say_long_day(SUNDAY) == "Sunday 1 June 2031"
    assert view.say_dates_in("by 2031-06-05, not 2031-13-05 or 12031-06-05", SUNDAY) == (
        "by Thu 5 Jun, not 2031-13-05 or 12031-06-05"
    )


def test_ages_are_those_of_the_day_shown_not_of_the_day_decided() -> None:
    # Born at 26w4d = 186 days; 19 days old on 20 May, so 31 on 1 June, and 186 + 31 = 217 = 31w0d.
    row = view.describe(an_entry(days(0, 0, 6)), SUNDAY, "Larkfield")
    assert dict(row.ages) == {"Born at": "26w4d", "Birth weight": "not known", "Age": "31 days", "PMA": "31w0d"}


def test_an_age_in_whole_weeks_says_that_the_day_is_not_known() -> None:
    ages = Ages("30w", 33, "34w5d..35w4d")
    assert dict(view.say_ages(ages, 1310)) == {
        "Born at": "30w, day not known",
        "Birth weight": "1310 g",
        "Age": "33 days",
        "PMA": "34w5d to 35w4d",
    }


def test_each_reason_says_its_source_and_how_sure_its_numbers_are() -> None:
    memory = Reason("m", "Invented guideline, table 3", "1 is 1", "memory")
    odd = Reason("o", "Invented guideline, table 4", "2 is 2", "hearsay")
    again = Reason("weight-2", WEIGHT.cite, "26w4d is within 30w6d", WEIGHT.provenance)
    whys = view.say_why([WEIGHT, memory, again, WEIGHT, odd], SUNDAY)
    assert [(why.text, why.cite) for why in whys] == [
        ("1120 g is at most 1500 g; 26w4d is within 30w6d.", WEIGHT.cite),
        ("1 is 1.", memory.cite),
        ("2 is 2.", odd.cite),
    ]
    assert [why.unconfirmed for why in whys] == [False, True, True]
    assert "memory" in whys[1].surety
    assert whys[2].surety == "hearsay"


def test_where_an_infant_is_says_nothing_twice() -> None:
    assert view.say_place("Northbank", "Northbank nursery", "Bed 4") == ("Northbank nursery", "Bed 4")
    assert view.say_place("Northbank", "Nursery 2", "4") == ("Northbank", "Nursery 2", "bed 4")
    assert view.say_place("Northbank", "", "") == ("Northbank",)


# --- every kind of step, and what stands beside it ------------------------------------------------------------------

OPEN = days(0, 2, 4)
EXAM_ON = LastExam(SUNDAY - timedelta(days=4), "zone II stage 2", "zone II without ROP")


@pytest.mark.parametrize("kind", [kind for kind in get_args(Kind) if kind != "none"])
def test_every_kind_of_step_has_words_and_a_sheet_that_answers_it(kind: str) -> None:
    (asked,) = view.say_steps(asking(of_kind(kind, window=OPEN), missing=("birth_weight",)), SUNDAY)
    assert asked.task and "-" not in asked.task
    assert asked.act is not None and asked.act[0] in SHEETS
    assert asked.dates.startswith("by Thu 5 Jun") if kind == "data-needed" else asked.dates == "Sun 1 Jun to Thu 5 Jun"
    assert not asked.late


def test_when_nothing_is_due_nothing_is_asked_for() -> None:
    assert view.say_steps(a_decision(None), SUNDAY) == ()
    assert view.say_task("none") == "Nothing is due"


def test_what_both_eyes_ask_for_is_said_once_the_right_eye_first() -> None:
    left, right = (
        of_kind("repeat-exam", Reason("r", "Invented guideline", f"{eye} eye: again", "read"), OPEN, eye=eye)
        for eye in ("left", "right")
    )
    alone = of_kind("repeat-exam", window=days(0, 3, 4), eye="left")
    both, other = view.say_steps(asking(left, right, alone), SUNDAY)
    assert (both.task, other.task) == ("Next eye exam, both eyes", "Next eye exam, left eye")
    assert both.why[0].text == "Right eye: again; left eye: again."


@pytest.mark.parametrize(
    ("clock", "today", "said", "dates"),
    [
        ("2031-06-04T09:30+02:00", date(2031, 6, 2), "By Wed 4 Jun 09:30", "by Wed 4 Jun 09:30"),
        ("2031-06-04T09:30", date(2031, 6, 4), "Today by 09:30", "by Wed 4 Jun 09:30"),
        ("2031-06-04T09:30+02:00", date(2031, 6, 5), "1 day over", "by Wed 4 Jun 09:30"),
    ],
)
def test_a_treatment_clock_is_said_as_a_time(clock: str, today: date, said: str, dates: str) -> None:
    window = Window(date(2031, 6, 1), date(2031, 6, 3), date(2031, 6, 4))
    decision = asking(of_kind("treatment", window=window, by=clock, eye="right"))
    (asked,) = view.say_steps(decision, today)
    assert (asked.standing, asked.dates, asked.task) == (said, dates, "Treatment, right eye")
    entry = Entry("larkfield", "k", "p", "Ada Moss", "N-1", "", "", False, decision, "treatment", window)
    assert view.say_standing(entry, today) == said


def test_a_row_says_the_last_finding_the_deferrals_and_who_has_nobody() -> None:
    put_off = [
        Deferral(SUNDAY - timedelta(days=ago), SUNDAY + timedelta(days=4), why, "Dr Reed", "Dr Tarn")
        for ago, why in ((3, "sepsis"), (1, "unstable"))
    ]
    asked = (of_kind("repeat-exam", window=OPEN, eye="right"), of_kind("hand-over", window=days(-3, -3, -3)))
    decision = asking(
        *asked, last=EXAM_ON, deferrals=tuple(put_off), flags=(*map(str, put_off), "type 2 disease on 2031-05-28")
    )
    entry = Entry("larkfield", "k", "p", "Ada Moss", "N-1", "", "", True, decision, "repeat-exam", OPEN)
    row = view.describe(entry, SUNDAY, "Larkfield")
    assert row.last == "Wed 28 May: right zone II stage 2, left zone II without ROP"
    assert row.put_off == "Put off twice, last until Thu 5 Jun: unstable"
    assert row.flags == ("Type 2 disease on Wed 28 May",)
    assert row.needs_hand_over and row.left_hospital
    assert [(each.task, each.late) for each in row.also] == [("Hand over to whoever takes the infant on", True)]
    assert row.act == ("exam", "Enter an exam")


@given(decisions(), st.dates(date(2000, 1, 1), date(2060, 1, 1)))
def test_any_decision_can_be_said(decision: Decision, today: date) -> None:
    steps = view.say_steps(decision, today)
    assert sum(step.window is not None for step in (decision.next, *decision.also)) >= len(steps)
    assert (steps == ()) == (decision.next.window is None and not decision.also)
    assert all(step.task and step.dates and step.standing for step in steps)
    view.say_last(decision, today)
    view.say_put_off(decision, today)
