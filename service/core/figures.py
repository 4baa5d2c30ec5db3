"""What was done in time and what was not: every exam, treatment, record and closing of one infant, counted once.

Each count falls on a day, the last on which things could still go well: the last day of a window, the third day of a
treatment clock, the day of an exam or of a closing. It counts when that day is over, so what is still open is never
held against anybody. A window is judged by the edition in use on the day of the exam, or on the day the window closed
where that came first; what counts is what is on record now.

    first-exam   on-time, early, late, missing           whoever is eligible; day: the last day of the first window
    repeat-exam  on-time, early, late, missing           every look asked for by the one before, or after treatment
    follow-up    kept, back, lost                        both of these: held within 28 days after the last day or not
    treatment    within-48, within-72, later, missing    disease that has to be treated, from the exam that found it
    record       complete, not-seen, incomplete          every day on which eyes were looked at
    closing      by-rule, agreed, no-rule, open-again    the last closing on record

Left out: what the infant's death, a closing that stands, or a hand-over with place and date came before; an exam nobody
had asked for; whoever cannot be judged. A treatment is on record by its day alone: on the same or the next day it is
within 48 hours for certain, on the second day after within 72.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import comb, log2
from statistics import median
from typing import Final

from service.core.course import Course
from service.core.decision import decide, youngest
from service.core.demands import first_exam_done
from service.core.findings import SIDES, Exam, Side
from service.core.infant import Infant
from service.core.intervals import need
from service.core.policy import Policy
from service.core.window import NextStep, Window

DEFINITION: Final = 2
"""Raise it whenever anything here counts otherwise than before: all that is kept is then counted again."""

FIGURES: Final[Mapping[str, tuple[str, ...]]] = {
    "first-exam": ("on-time", "early", "late", "missing"),
    "repeat-exam": ("on-time", "early", "late", "missing"),
    "treatment": ("within-48", "within-72", "later", "missing"),
    "record": ("complete", "not-seen", "incomplete"),
    "closing": ("by-rule", "agreed", "no-rule", "open-again"),
    "follow-up": ("kept", "back", "lost"),
}
"""Figure -> what may have become of each thing that it counts."""

CLOCK_DAYS: Final = 3
"""The day on which 72 hours end at the latest that began on day 0."""
LOST_DAYS: Final = 28
"""An exam not held so many days after its window closed counts as lost (a choice of this project; no source)."""

AGAIN: Final = ("repeat-exam", "review-after-laser", "review-after-injection")

Spans = Sequence[tuple[date, Policy]]
"""Editions in use, each with its first day, oldest first; the first one judges every day before it as well."""


@dataclass(frozen=True, slots=True, order=True)
class Counted:
    """One thing, what became of it, and the day on which that was settled."""

    figure: str
    day: date
    outcome: str


def appraise(infant: Infant, course: Course, spans: Spans, today: date) -> tuple[Counted, ...]:
    """All there is to count of one infant, with what is on record and not dated later than today. What has not been
    done yet is "missing" or "lost" on its day, which may lie ahead. Never raises; nothing of whoever is nobody to
    screen."""
    if infant.record != "infant" or not spans:
        return ()
    audit = _Audit(infant, replace(infant, deceased=False, deceased_on=None), course.until(today), spans, today)
    return tuple(sorted([*audit.exams(), *audit.treatments(), *audit.records(), *audit.closings()]))


@dataclass(frozen=True)
class _Audit:
    """One infant; `living` is the same before it died, so that what came before a death is judged as it was."""

    infant: Infant
    living: Infant
    course: Course
    spans: Spans
    today: date

    # --- exams -----------------------------------------------------------------------------------------------------

    def exams(self) -> Iterator[Counted]:
        """Every look at the eyes that was asked for. Who saw neither eye completely has not held it."""
        seen = {exam.on for exam in self.course.exams if any(exam.eye(side).complete for side in SIDES)}
        for day in sorted(seen):
            asked = self._asked(self._open(day - timedelta(days=1)), day)
            if asked is None:
                continue
            figure, window = asked
            if figure == "first-exam" and not first_exam_done(self.course.until(day), window.opens):
                continue  # before the window, and of one eye only: the exam is still to come
            yield from self._judge(figure, window, day)
        asked = self._asked(self._open(self.today), None)
        if asked is not None:
            yield from self._judge(*asked, None)

    def _judge(self, figure: str, window: Window, held: date | None) -> Iterator[Counted]:
        closes = window.closes
        if not (held is None or held > closes) or not self._ended(closes):
            yield Counted(figure, closes, _say_exam(window, held))
        limit = closes + timedelta(days=LOST_DAYS)
        if held is not None and held <= limit:
            yield Counted("follow-up", limit, "kept")
        elif not self._ended(limit):
            yield Counted("follow-up", limit, "lost" if held is None else "back")

    def _asked(self, course: Course, held: date | None) -> tuple[str, Window] | None:
        """(figure, window) of the exam that a course asks for: by the edition of the day on which it was `held`, or of
        the day on which its window closed, where that came first."""
        found = None
        for number, (_, policy) in enumerate(self.spans):
            after = self.spans[number + 1][0] if number + 1 < len(self.spans) else None
            found = self._expects(policy, course, held or self.today)
            if after is None or (held is not None and held < after):
                break
            if found is not None and found[1].closes < after:
                break
        return found

    def _expects(self, policy: Policy, course: Course, day: date) -> tuple[str, Window] | None:
        steps = self._steps(policy, course, day)
        first = [step.window for step in steps if step.kind == "first-exam" and step.window is not None]
        if first:
            return "first-exam", first[0]
        again = [step.window for step in steps if step.kind in AGAIN and step.window is not None]
        return ("repeat-exam", min(again, key=lambda window: (window.closes, window.due))) if again else None

    # --- treatment -------------------------------------------------------------------------------------------------

    def treatments(self) -> Iterator[Counted]:
        """Every exam that found disease which has to be treated, in an eye that was not waiting for treatment already.
        Of both eyes the one treated later counts."""
        waiting: dict[Side, date] = {}
        for day in sorted({exam.on for exam in self.course.exams if _asks_treatment(exam)}):
            course = self._open(day)
            course = replace(course, treatments=tuple(each for each in course.treatments if each.on < day))
            steps = self._steps(self._edition(day), course, day)
            asking = [s.eye for s in steps if s.kind == "treatment" and s.eye and s.window and s.window.opens == day]
            eyes = {eye for eye in asking if eye not in waiting or self._treated(eye, waiting[eye], day)}
            if not eyes:
                continue
            waiting.update(dict.fromkeys(eyes, day))
            done = [self._treated(eye, day) for eye in eyes]
            limit = day + timedelta(days=CLOCK_DAYS)
            last = None if None in done else max(on for on in done if on is not None)
            if (last is None or last > limit) and self._ended(limit):
                continue
            yield Counted("treatment", limit, _say_treated(None if last is None else (last - day).days))

    def _treated(self, side: Side, since: date, before: date = date.max) -> date | None:
        return min((each.on for each in self.course.treated(side) if since <= each.on < before), default=None)

    # --- records and closings --------------------------------------------------------------------------------------

    def records(self) -> Iterator[Counted]:
        """Every day on which eyes were looked at; two records of one day are one."""
        days: dict[date, list[Exam]] = {}
        for exam in self.course.exams:
            days.setdefault(exam.on, []).append(exam)
        for day, held in days.items():
            lacking = [side for side in SIDES if not any(exam.eye(side).complete for exam in held)]
            seen = any(exam.eye(side).seen for side in lacking for exam in held)
            yield Counted("record", day, "complete" if not lacking else "incomplete" if seen else "not-seen")

    def closings(self) -> Iterator[Counted]:
        """The last closing on record."""
        closing = self.course.closing
        if closing is None:
            return
        if not self.course.closed(self._edition(self.today).care, self._age):
            outcome = "open-again"
        elif closing.why not in ("screening-complete", "surveillance-complete"):
            outcome = "agreed"
        else:
            outcome = "by-rule" if self._proposed(closing.why, closing.on) else "no-rule"
        yield Counted("closing", closing.on, outcome)

    def _proposed(self, why: str, day: date) -> bool:
        """Whether the edition of the day asked on that day if the course may be closed."""
        policy = self._edition(day)
        steps = [step for step in self._steps(policy, self._open(day), day) if step.kind == "decision"]
        if why == "screening-complete":
            return any(step.reason.rule in {stop.id for stop in policy.care.stops} for step in steps)
        asked = [step.window for step in steps if step.reason.rule == "injected-eye"]
        return any(window is not None and window.opens <= day for window in asked)

    # --- what all of them need -------------------------------------------------------------------------------------

    def _steps(self, policy: Policy, course: Course, day: date) -> tuple[NextStep, ...]:
        decision = decide(self.living, policy, day, course)
        return (decision.next, *decision.also)

    def _edition(self, day: date) -> Policy:
        return next((policy for start, policy in reversed(self.spans) if start <= day), self.spans[0][1])

    def _open(self, day: date) -> Course:
        """What had been done by the end of a day, as if nobody had closed the course."""
        return replace(self.course.until(day), closing=None)

    def _age(self, day: date) -> int | None:
        return youngest(self.infant, day)

    def _ended(self, day: date) -> bool:
        """Whether by the end of a day nobody here was answerable any more: the infant had died, the course was closed
        and stayed so, or another unit had taken over with place and date."""
        infant = self.infant
        if infant.deceased and (infant.deceased_on is None or infant.deceased_on <= day):
            return True
        course = self.course.until(day)
        if course.closed(self._edition(day).care, self._age):
            return True
        left = infant.left_on or infant.known_since
        return infant.in_hospital is False and left <= day and course.handed_over(left) is not None


def _asks_treatment(exam: Exam) -> bool:
    needs = [need(exam.eye(side)) for side in SIDES]
    return any(each is not None and each[0] == "treatment" for each in needs)


def _say_exam(window: Window, held: date | None) -> str:
    if held is None:
        return "missing"
    return "early" if held < window.opens else "on-time" if held <= window.closes else "late"


def _say_treated(days: int | None) -> str:
    if days is None:
        return "missing"
    return "within-48" if days <= 1 else "within-72" if days == 2 else "later"


# --- by month --------------------------------------------------------------------------------------------------------


Tally = Mapping[tuple[str, date], Counter[str]]
"""(figure, first day of a month) -> how many of each outcome."""


def tally(counted: Iterable[tuple[Counted, int]], today: date) -> Tally:
    """Counts by month, of what was settled before today. Each comes with how often it was counted."""
    found: dict[tuple[str, date], Counter[str]] = {}
    for each, times in counted:
        if each.day < today:
            found.setdefault((each.figure, each.day.replace(day=1)), Counter())[each.outcome] += times
    return found


def months_until(last: date, number: int) -> list[date]:
    """So many months up to the one `last` is in, each by its first day."""
    count = last.year * 12 + last.month - 1
    return [date(month // 12, month % 12 + 1, 1) for month in range(count - number + 1, count + 1)]


@dataclass(frozen=True, slots=True)
class Point:
    """One month: `number` of `of`."""

    month: date
    number: int
    of: int

    @property
    def share(self) -> float | None:
        """0 to 1; None for a month in which nothing was to be counted."""
        return self.number / self.of if self.of else None


def points(counts: Tally, figure: str, outcomes: Sequence[str], months: Iterable[date]) -> list[Point]:
    """How many of a figure had one of the outcomes, month by month."""
    found = []
    for month in months:
        counter = counts.get((figure, month), Counter())
        found.append(Point(month, sum(counter[outcome] for outcome in outcomes), counter.total()))
    return found


FEWEST: Final = 10
"""Below so many useful months the two rules say nothing."""


@dataclass(frozen=True, slots=True)
class Runs:
    """How a run chart's months lie about their median. `useful`: those that do not lie on it; `longest`: the most of
    these in a row on one side; `crossings`: how often the line changes sides. `longest_most` and `crossings_least` are
    what chance allows."""

    median: float | None
    useful: int
    longest: int
    crossings: int
    longest_most: int
    crossings_least: int

    @property
    def enough(self) -> bool:
        """Whether there are months enough to say anything."""
        return self.useful >= FEWEST

    @property
    def shifted(self) -> bool:
        """Whether the months lie otherwise than chance would have it: something has changed."""
        return self.enough and (self.longest > self.longest_most or self.crossings < self.crossings_least)


def read_runs(shares: Iterable[float]) -> Runs:
    """The median and the runs about it.

    Two rules: a run longer than log2(n) + 3 (rounded), or fewer crossings than the 5 % quantile of a binomial of n - 1
    tries at one half, n being the months off the median (Anhøj J, Olesen AV, PLoS ONE 2014;9(11):e113825). The run
    chart itself as in Perla RJ, Provost LP, Murray SK, BMJ Qual Saf 2011;20:46 (from memory).
    """
    values = list(shares)
    centre = median(values) if values else None
    sides = [value > centre for value in values if centre is not None and value != centre]
    runs: list[int] = []
    for number, side in enumerate(sides):
        if number and side == sides[number - 1]:
            runs[-1] += 1
        else:
            runs.append(1)
    n = len(sides)
    most = round(log2(n) + 3) if n else 0
    return Runs(centre, n, max(runs, default=0), max(len(runs) - 1, 0), most, _quantile(n - 1) if n else 0)


def _quantile(tries: int) -> int:
    """The smallest number of successes that 5 % of all series of so many tries at one half do not exceed."""
    total, number = 1, 0
    while total * 20 < 2**tries:
        number += 1
        total += comb(tries, number)
    return number
