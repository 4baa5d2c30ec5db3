"""What is counted of one infant, worked by hand; how months are added up; and when a run chart says that more than
chance is at work.

Dates of AAP 2018 (Pediatrics 2018;142(6):e20183061, as transcribed in the edition): an infant born on 1 April 2031 at
25w3d has the window of the first exam from 10 to 16 May; stage 1 in zone II is seen again on the 14th day; type 1
disease is treated within 72 hours.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from core.invented import infant
from hypothesis import given
from hypothesis import strategies as st

from service.core.course import Closing, Course, HandOver
from service.core.figures import (
    FIGURES,
    Counted,
    appraise,
    months_until,
    points,
    read_runs,
    tally,
)
from service.core.findings import Exam, Eye, Treatment, Zone
from service.core.infant import Infant
from service.core.policy import Policy
from service.policies import load_policies

AAP = load_policies()["aap-2018"]
UK = load_policies()["uk-2022"]
SPANS = [(date(2031, 1, 1), AAP)]
BORN = date(2031, 4, 1)
TODAY = date(2031, 12, 1)
MILD = Eye(zone=Zone.II, stage="1", plus="none")
GRAVE = Eye(zone=Zone.II, stage="2", plus="plus")
FULL = Eye(vascularization=Zone.FULL)


def newborn(**more: Any) -> Infant:
    return infant(BORN, "25w3d", 780, **more)


def exam(day: int, month: int = 5, right: Eye = MILD, left: Eye | None = None) -> Exam:
    return Exam(date(2031, month, day), right, right if left is None else left)


def counted(
    course: Course, who: Infant | None = None, spans: list[tuple[date, Policy]] = SPANS, today: date = TODAY
) -> dict[str, list[tuple[str, str]]]:
    """Figure -> (day, outcome) of each thing counted."""
    found: dict[str, list[tuple[str, str]]] = {}
    for each in appraise(who or newborn(), course, spans, today):
        assert each.outcome in FIGURES[each.figure]
        found.setdefault(each.figure, []).append((each.day.isoformat(), each.outcome))
    return found


@pytest.mark.parametrize(
    ("held", "outcome"),
    [((5, 9), "early"), ((5, 10), "on-time"), ((5, 16), "on-time"), ((5, 17), "late"), (None, "missing")],
)
def test_the_first_exam_is_on_time_from_the_first_day_of_its_window_to_the_last(
    held: tuple[int, int] | None, outcome: str
) -> None:
    course = Course.of([exam(held[1], held[0])] if held else [])
    assert counted(course)["first-exam"] == [("2031-05-16", outcome)]


def test_a_window_counts_from_the_day_after_its_last() -> None:
    found = [(each, 1) for each in appraise(newborn(), Course(), SPANS, date(2031, 5, 16))]
    may = ("first-exam", date(2031, 5, 1))
    assert may not in tally(found, date(2031, 5, 16))
    assert tally(found, date(2031, 5, 17))[may] == Counter(missing=1)


@pytest.mark.parametrize(("day", "outcome"), [(25, "early"), (26, "on-time"), (27, "late")])
def test_a_repeat_exam_is_judged_by_what_the_exam_before_asked_for(day: int, outcome: str) -> None:
    found = counted(Course.of([exam(12), exam(day)]))["repeat-exam"]
    assert found[0] == ("2031-05-26", outcome)
    assert found[1][1] == "missing"  # and nobody came after that
    assert len(found) == 2


def test_who_saw_neither_eye_completely_has_not_held_the_exam() -> None:
    unseen = Eye(view="poor")
    found = counted(Course.of([exam(12, right=unseen), exam(20)]))
    assert found["first-exam"] == [("2031-05-16", "late")]
    assert found["record"] == [("2031-05-12", "not-seen"), ("2031-05-20", "complete")]


def test_an_early_look_at_one_eye_alone_is_not_the_first_exam() -> None:
    found = counted(Course.of([exam(2, right=MILD, left=Eye(view="none")), exam(12)]))
    assert found["first-exam"] == [("2031-05-16", "on-time")]
    in_the_window = counted(Course.of([exam(12, right=MILD, left=Eye(view="none"))]))
    assert in_the_window["first-exam"] == [("2031-05-16", "on-time")]  # the other eye is asked for as a repeat


def test_an_eye_that_was_not_seen_is_asked_for_within_seven_days() -> None:
    found = counted(Course.of([exam(12, left=Eye(view="none")), exam(19), exam(2, 6)]))["repeat-exam"]
    assert found[:2] == [("2031-05-19", "on-time"), ("2031-06-02", "on-time")]


@pytest.mark.parametrize(
    ("days", "outcome"),
    [(0, "within-48"), (1, "within-48"), (2, "within-72"), (3, "later"), (9, "later"), (None, "missing")],
)
def test_treatment_is_counted_in_days_from_the_exam_that_found_the_disease(days: int | None, outcome: str) -> None:
    done = [] if days is None else [Treatment(date(2031, 5, 12) + timedelta(days), ("right", "left"), "laser")]
    assert counted(Course.of([exam(12, right=GRAVE)], done))["treatment"] == [("2031-05-15", outcome)]


def test_of_both_eyes_the_one_treated_later_counts() -> None:
    done = [Treatment(date(2031, 5, 12), ("right",), "laser"), Treatment(date(2031, 5, 14), ("left",), "laser")]
    assert counted(Course.of([exam(12, right=GRAVE)], done))["treatment"] == [("2031-05-15", "within-72")]
    assert counted(Course.of([exam(12, right=GRAVE)], done[:1]))["treatment"] == [("2031-05-15", "missing")]
    one = counted(Course.of([exam(12, right=GRAVE, left=MILD)], done[:1]))
    assert one["treatment"] == [("2031-05-15", "within-48")]


def test_disease_that_waits_for_treatment_already_is_not_counted_again() -> None:
    done = [Treatment(date(2031, 5, 21), ("right", "left"), "laser")]
    course = Course.of([exam(12, right=GRAVE), exam(19, right=GRAVE)], done)
    assert counted(course)["treatment"] == [("2031-05-15", "later")]
    second = Course.of([exam(12, right=GRAVE, left=MILD), exam(19, right=MILD, left=GRAVE)], done)
    assert counted(second)["treatment"] == [("2031-05-15", "later"), ("2031-05-22", "within-72")]


def test_records_are_complete_where_the_next_date_follows_from_them() -> None:
    no_plus = Eye(zone=Zone.II, stage="1")
    course = Course.of([exam(10), exam(11, right=no_plus), exam(12, right=no_plus), exam(12)])
    assert counted(course)["record"] == [
        ("2031-05-10", "complete"), ("2031-05-11", "incomplete"), ("2031-05-12", "complete"),
    ]  # fmt: skip


def closed(course: Course, why: str, day: date, basis: str | None = None) -> Course:
    return replace(course, closing=Closing(day, "Dr Reed", why, course.basis if basis is None else basis))


def test_a_closing_is_valid_where_the_edition_asked_for_it_or_it_was_agreed() -> None:
    done = Course.of([exam(12), exam(26, right=FULL)])
    day = date(2031, 5, 26)
    assert counted(closed(done, "screening-complete", day))["closing"] == [("2031-05-26", "by-rule")]
    early = Course.of([exam(12)])
    assert counted(closed(early, "screening-complete", date(2031, 5, 13)))["closing"] == [("2031-05-13", "no-rule")]
    for why in ("opt-out", "palliative", "death"):
        assert counted(closed(early, why, date(2031, 5, 13)))["closing"] == [("2031-05-13", "agreed")]
    assert counted(closed(early, "opt-out", date(2031, 5, 13), "otherwise"))["closing"][0][1] == "open-again"
    alone = counted(closed(early, "taken-over", date(2031, 5, 13)))
    assert alone["closing"][0][1] == "open-again"  # nobody is on record who took over


def test_what_a_closing_or_a_death_came_before_is_left_out() -> None:
    course = Course.of([exam(12)])  # asks for the 26th
    assert counted(course)["repeat-exam"] == [("2031-05-26", "missing")]
    for day, left in ((26, True), (27, False)):
        found = counted(closed(course, "opt-out", date(2031, 5, day)))
        assert ("repeat-exam" not in found) is left
        assert [outcome for _, outcome in found["follow-up"]] == ["kept"]  # 28 days on, nobody was to come any more
        died = counted(course, newborn(deceased=True, deceased_on=date(2031, 5, day)))
        assert ("repeat-exam" not in died) is left
        assert died["first-exam"] == [("2031-05-16", "on-time")]
    assert "repeat-exam" not in counted(course, newborn(deceased=True))  # nobody knows since when


def test_a_hand_over_with_place_and_date_leaves_out_what_it_came_before() -> None:
    gone = newborn(in_hospital=False, left_on=date(2031, 5, 20))
    over = HandOver(date(2031, 5, 20), "Fernhollow", "Eye clinic", date(2031, 5, 26), "Nurse")
    course = Course.of([exam(12)])
    assert counted(course, gone)["repeat-exam"] == [("2031-05-26", "missing")]
    handed = Course.of([exam(12)], hand_overs=[over])
    assert "repeat-exam" not in counted(handed, gone)
    late = Course.of([exam(12)], hand_overs=[replace(over, on=date(2031, 5, 28), appointment=date(2031, 6, 1))])
    assert counted(late, gone)["repeat-exam"] == [("2031-05-26", "missing")]


@pytest.mark.parametrize(
    ("held", "outcome"), [(date(2031, 6, 13), "kept"), (date(2031, 6, 14), "back"), (None, "lost")]
)
def test_lost_is_who_was_not_seen_within_28_days_after_the_window(held: date | None, outcome: str) -> None:
    course = Course.of([Exam(held, MILD, MILD)] if held else [])
    assert counted(course)["follow-up"][0] == ("2031-06-13", outcome)


def test_an_exam_is_judged_by_the_edition_of_its_day() -> None:
    """UK 2022 asks for posterior zone II without ROP within 7 days, AAP 2018 within 14 (both as transcribed)."""
    quiet = Eye(zone=Zone.POSTERIOR_II, stage="0", plus="none")
    course = Course.of([exam(12, right=quiet), exam(24, right=quiet)])

    def first_repeat(change: date) -> tuple[str, str]:
        return counted(course, spans=[(date(2031, 1, 1), AAP), (change, UK)])["repeat-exam"][0]

    assert first_repeat(date(2031, 5, 25)) == ("2031-05-26", "on-time")
    assert first_repeat(date(2031, 5, 24)) == ("2031-05-19", "late")
    # a window that was over before the edition changed is judged by the one it was shown under
    assert first_repeat(date(2031, 5, 12)) == ("2031-05-19", "late")
    back = counted(course, spans=[(date(2031, 1, 1), UK), (date(2031, 5, 20), AAP)])["repeat-exam"][0]
    assert back == ("2031-05-19", "late")


def test_nobody_is_counted_who_is_nobody_to_screen_or_was_not_asked_for() -> None:
    assert counted(Course(), newborn(record="merged")) == {}
    assert counted(Course(), infant(BORN, "36w0d", 2900)) == {}
    outside = counted(Course.of([exam(12)]), infant(BORN, "36w0d", 2900))
    assert "first-exam" not in outside
    assert outside["record"] == [("2031-05-12", "complete")]
    assert counted(Course(), infant(BORN)) == {}  # cannot be judged: it stands on the list
    assert appraise(newborn(), Course(), [], TODAY) == ()


def test_an_exam_dated_ahead_is_not_held_yet() -> None:
    course = Course.of([exam(15)])
    assert counted(course, today=date(2031, 5, 14))["first-exam"] == [("2031-05-16", "missing")]
    assert counted(course, today=date(2031, 5, 15))["first-exam"] == [("2031-05-16", "on-time")]


days = st.lists(st.integers(0, 120), max_size=6, unique=True)


@given(days, st.integers(0, 130))
def test_every_awaited_exam_is_counted_once_and_none_of_today_or_later(offsets: list[int], today: int) -> None:
    course = Course.of([Exam(BORN + timedelta(30 + each), MILD, MILD) for each in offsets])
    now = BORN + timedelta(30 + today)
    found = appraise(newborn(), course, SPANS, now)
    held = [exam for exam in course.exams if exam.on <= now]
    assert sum(each.figure == "record" for each in found) == len(held)
    assert sum(each.figure == "first-exam" for each in found) == 1
    awaited = [each for each in found if each.figure in ("first-exam", "repeat-exam")]
    assert len(awaited) == len(held) + 1
    assert sum(each.outcome == "missing" for each in awaited) == 1
    assert sum(each.figure == "follow-up" for each in found) == len(awaited)
    settled = tally([(each, 1) for each in found], now)
    assert sum(counter.total() for counter in settled.values()) == sum(each.day < now for each in found)


# --- months and runs -----------------------------------------------------------------------------------------------


def test_months_are_added_up() -> None:
    day = date(2031, 5, 9)
    found = tally([(Counted("record", day, "complete"), 3), (Counted("record", day, "incomplete"), 1)], TODAY)
    may, june = points(found, "record", ("complete",), [date(2031, 5, 1), date(2031, 6, 1)])
    assert (may.number, may.of, may.share) == (3, 4, 0.75)
    assert (june.number, june.of, june.share) == (0, 0, None)
    assert months_until(date(2031, 2, 28), 3) == [date(2030, 12, 1), date(2031, 1, 1), date(2031, 2, 1)]


LONGEST = {
    10: 6, 11: 6, 12: 7, 16: 7, 22: 7, 23: 8, 24: 8, 36: 8, 45: 8, 46: 9, 59: 9,
}  # fmt: skip
"""Useful observations -> the longest run that chance allows, as tabulated for the rule of Anhøj and Olesen."""


@pytest.mark.parametrize(("useful", "longest"), LONGEST.items())
def test_the_longest_run_that_chance_allows_is_as_published(useful: int, longest: int) -> None:
    shares = [0.0] * (useful // 2) + [0.5] * 3 + [1.0] * (useful - useful // 2)
    found = read_runs(shares)
    assert (found.median, found.useful, found.longest_most) == (0.5, useful, longest)


def test_one_month_more_in_a_row_than_chance_allows_is_a_signal() -> None:
    def runs(row: int) -> list[float]:
        """24 months: so many above the median in a row, then months below it in small groups."""
        above = [1.0] * (12 - row)
        below = [[0.0] * (2 + (n < 12 - 2 * (13 - row))) for n in range(13 - row)]
        spread = [share for n, group in enumerate(below) for share in [*group, *above[n : n + 1]]]
        return [1.0] * row + spread

    assert (read_runs(runs(8)).longest, read_runs(runs(8)).shifted) == (8, False)
    assert (read_runs(runs(9)).longest, read_runs(runs(9)).shifted) == (9, True)


def test_fewest_crossings_as_published() -> None:
    """Lower limits of crossings: the 5 % quantile of a binomial of n - 1 at one half; 13 points: fewer than three."""
    limits = {n: read_runs([0.0, 1.0] * (n // 2) + [0.0, 1.0][: n % 2]).crossings_least for n in (10, 12, 14, 20, 24)}
    assert limits == {10: 2, 12: 3, 14: 4, 20: 6, 24: 8}


def test_either_rule_alone_is_a_signal() -> None:
    """24 months: no more than eight in a row, no fewer than eight crossings."""
    high, low = [1.0], [0.0]
    long = low * 3 + high * 9 + low * 3 + high + low * 2 + high + low * 2 + high + low * 2
    assert (read_runs(long).longest, read_runs(long).crossings, read_runs(long).shifted) == (9, 8, True)
    seldom = high * 8 + low * 8 + high * 4 + low * 4
    assert (read_runs(seldom).longest, read_runs(seldom).crossings, read_runs(seldom).shifted) == (8, 3, True)


def test_what_the_runs_say() -> None:
    alternating = read_runs([0.4, 0.6] * 6)
    assert (alternating.median, alternating.useful, alternating.longest, alternating.crossings) == (0.5, 12, 1, 11)
    assert not alternating.shifted
    shifted = read_runs([0.4] * 8 + [0.6] * 8)
    assert (shifted.longest, shifted.crossings, shifted.shifted) == (8, 1, True)
    on_it = read_runs([0.4, 0.5, 0.6])
    assert (on_it.median, on_it.useful, on_it.crossings, on_it.enough) == (0.5, 2, 1, False)
    few = read_runs([0.4] * 4 + [0.6] * 4)
    assert not few.enough
    assert not few.shifted
    assert (read_runs([]).median, read_runs([]).longest) == (None, 0)
    assert read_runs([0.5]).useful == 0
