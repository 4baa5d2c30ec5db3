"""What each eye needs next because of the course so far.

Each eye asks for what it needs: another exam, a review after treatment, treatment by the clock, somebody's decision.
The soonest of all demands is the infant's next step. An exam that did not see an eye completely can only add a demand:
what the eye asked for before stands until it has been seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from service.core.ages import format_age
from service.core.care import Care, Review, Watch
from service.core.course import AgeOn, Course
from service.core.findings import SIDES, Exam, Eye, Side, Treatment, Zone
from service.core.intervals import HOLE_DAYS, interval, is_type_2, need
from service.core.window import Kind, NextStep, Reason, Window

URGENCY: Final[tuple[Kind, ...]] = (
    "treatment", "decision", "review-after-laser", "review-after-injection", "repeat-exam", "first-exam",
    "data-needed", "hand-over", "long-term", "none",
)  # fmt: skip


def order(step: NextStep) -> tuple[object, ...]:
    """Soonest to close first; of those that close together, by the clock, then by what is sooner due and graver."""
    if step.window is None:
        return (date.max,)
    return (
        step.window.closes, step.by or "~", step.window.due, step.window.opens, URGENCY.index(step.kind),
        step.eye or "", step.reason.rule, step.reason.text,
    )  # fmt: skip


def first_exam_done(course: Course, opens: date | None) -> bool:
    """Whether the first exam has been held: since its window opened, an exam that saw an eye completely (the other eye
    is then looked at again within seven days); before that, only one that saw both."""
    if opens is None:
        return all(course.complete(side) for side in SIDES)
    return any(
        exam.complete or (exam.on >= opens and any(exam.eye(side).complete for side in SIDES)) for exam in course.exams
    )


def demands(
    course: Course, care: Care, age: AgeOn, first_opens: date | None = None, awaited: bool = False
) -> list[NextStep]:  # fmt: skip
    """All that the eyes ask for, soonest first. `first_opens`: when the window of the first exam opens; an exam before
    it asks for nothing because an eye was not seen. `awaited`: that exam is still to come.

    An eye that was never seen completely asks for an exam within seven days of the first thing done, unless the first
    exam is awaited.
    """
    found: list[NextStep] = []
    for side in SIDES:
        asked = list(_Sight(course, care, age, side, first_opens).demands())
        if course.begun and not awaited and not course.complete(side) and not course.surely_treated(side):
            held = [exam.on for exam in course.exams if first_opens is None or exam.on >= first_opens]
            start = min([*held, *(treatment.on for treatment in course.treatments)])
            asked.append(_within_seven(start, side, f"the {side} eye was not seen completely"))
        found += asked
    return sorted(found, key=order)


@dataclass(frozen=True)
class _Sight:
    """One eye through the whole course."""

    course: Course
    care: Care
    age: AgeOn
    side: Side
    first_opens: date | None

    def demands(self) -> Iterator[NextStep]:
        complete, treated = self.course.complete(self.side), self.course.treated(self.side)
        surely = self.course.surely_treated(self.side)
        since = complete[-1].on if complete else date.min
        last = surely[-1] if surely else None
        pending = list(self._after_treatment())
        for exam in self.course.exams:
            eye = exam.eye(self.side)
            if exam.on < since:
                continue
            yield from self._needs(exam, eye)
            answered = last is not None and exam.on <= last.on
            if answered or (exam.on == since and not eye.complete) or self._does_not_count(exam, eye):
                continue
            if eye.complete and pending and _is_quiet(eye) and surely == treated:
                continue  # the schedule after treatment takes the place of the table
            yield self._again(exam, eye, pending)
        if treated and not pending and not any(exam.on > treated[-1].on for exam in complete):
            yield _within_seven(
                treated[-1].on,
                self.side,
                f"{treated[-1].kind} of the {self.side} eye, for which no review is laid down",
            )
        yield from pending
        yield from self._missing_signs()

    def _does_not_count(self, exam: Exam, eye: Eye) -> bool:
        early = self.first_opens is not None and exam.on < self.first_opens
        return early and not eye.complete and not eye.has_findings

    def _again(self, exam: Exam, eye: Eye, pending: Sequence[NextStep]) -> NextStep:
        """The next exam by the table: a review where the eye is under review."""
        after = interval(eye, self.care.rows)
        due, closes = (exam.on + timedelta(days=days) for days in (after.due, after.closes))
        reviews: list[Kind] = [step.kind for step in pending if step.kind.startswith("review")]
        injected: list[Kind] = ["review-after-injection"] if self.course.injections(self.side) else []
        kind = (reviews or injected or ["repeat-exam"])[0]
        reason = after.reason
        text = f"{self.side} eye on {exam.on.isoformat()}: {reason.text}"
        return NextStep(kind, Window(due, due, closes), Reason(reason.rule, reason.cite, text, reason.provenance),
                        eye=self.side)  # fmt: skip

    # --- treatment -----------------------------------------------------------------------------------------------

    def _needs(self, exam: Exam, eye: Eye) -> Iterator[NextStep]:
        """What the findings of one exam ask for at once, by the clock that starts with it. Weekends count, and an hour
        is an hour also where the clocks change. Without a time of day the clock starts with the day."""
        wanted = need(eye)
        if wanted is None:
            return
        what, reason = wanted
        treated = self.course.surely_treated(self.side)
        if any(each.on >= exam.on and (each.kind == "surgery" or what != "surgery") for each in treated):
            return
        last = self._last_before(exam)
        days = (exam.on - last.on).days if last else 0
        if last and what != "surgery" and days < self._settling(last):
            return
        text = f"{self.side} eye on {exam.on.isoformat()}: {reason.text}"
        if what == "surgery":
            window = Window(exam.on, exam.on, exam.on)
            yield NextStep("decision", window, Reason(reason.rule, reason.cite, text, reason.provenance), eye=self.side)
            return
        clocks = [self._clock(exam, eye)]
        if what == "treatment":
            clocks += [self._clock(each, each.eye(self.side)) for each in self._found_before(exam)]
        by, best_by, best, latest, found = min(clocks, key=lambda clock: clock[:2])
        again = last is not None and days <= self._watched(last)
        hours = f"{latest} hours" if best == latest else f"{best} to {latest} hours"
        text = f"{text}; within {hours} of the exam"
        if found != exam.on:
            text = f"{text} on {found.isoformat()}, which found it"
        if again and last is not None:
            text = f"{text}; it is {days} days after {last.kind}: is more treatment needed?"
        clock = self.care.clock.origin
        provenance = clock.surety if reason.provenance == "read" else reason.provenance
        yield NextStep(
            "treatment" if what == "treatment" and not again else "decision",
            Window(found, best_by.date(), by.date()),
            Reason(reason.rule, f"{reason.cite}; {clock.cite}", text, provenance),
            by.isoformat(timespec="minutes"),
            self.side,
        )

    def _clock(self, exam: Exam, eye: Eye) -> tuple[datetime, datetime, int, int, date]:
        """When treatment of what an exam found is late, and best; the hours of both; the day of the exam."""
        best, latest = self.care.clock.hours_aggressive if eye.aggressive else self.care.clock.hours
        start = datetime.combine(exam.on, time.fromisoformat(exam.at or "00:00"), self.course.zone)
        return _later(start, latest), _later(start, best), best, latest, exam.on

    def _found_before(self, exam: Exam) -> Iterator[Exam]:
        """The exams that have asked for the treatment that this one asks for: looking again starts no new clock."""
        for before in reversed(self.course.exams[: self.course.exams.index(exam)]):
            eye = before.eye(self.side)
            wanted, last = need(eye), self._last_before(before)
            if any(each.on >= before.on for each in self.course.surely_treated(self.side)):
                return
            if wanted is None or wanted[0] != "treatment":
                if eye.complete:
                    return
            elif last is None or (before.on - last.on).days >= self._settling(last):
                yield before

    def _last_before(self, exam: Exam) -> Treatment | None:
        """The treatment whose signs an exam may show; none where the disease has come back."""
        before = [each for each in self.course.surely_treated(self.side) if each.on < exam.on]
        return before[-1] if before and not exam.eye(self.side).reactivation else None

    def _settling(self, last: Treatment) -> int:
        """Days after treatment in which its signs may still be fading: up to the first review that expects one."""
        return min((review.expected_from for review in self.care.reviews_after(last.kind) if review.expects), default=0)

    def _watched(self, last: Treatment) -> int:
        """Days after treatment in which disease that is still there is a question of more treatment."""
        days = [review.closes for review in self.care.reviews_after(last.kind)]
        if last.kind == "injection":
            days += [watch.until for watch in self.care.watches if watch.clock == "after"]
        return max(days, default=0)

    # --- after treatment -----------------------------------------------------------------------------------------

    def _after_treatment(self) -> Iterator[NextStep]:
        treated = self.course.treated(self.side)
        for laser in _latest([treatment for treatment in treated if treatment.kind == "laser"]):
            if (step := self._review(laser)) is not None:
                yield step
        until = self.care.surveillance_age
        for injection in _latest(self.course.injections(self.side)):
            step = self._review(injection)
            yield step if step is not None else self._watch(injection)
            if until is not None:
                yield from self._decision_at(until, injection)

    def _seen_after(self, treatment: Treatment) -> date | None:
        return max((exam.on for exam in self.course.complete(self.side) if exam.on > treatment.on), default=None)

    def _review(self, treatment: Treatment) -> NextStep | None:
        """The first review that no exam has been held for; an exam on or after the day it opens counts."""
        seen = self._seen_after(treatment)
        days = 0 if seen is None else (seen - treatment.on).days
        for review in self.care.reviews_after(treatment.kind):
            if days < review.opens:
                return self._look(review, treatment.on, review.opens, f"{treatment.kind}")
        return None

    def _watch(self, injection: Treatment) -> NextStep:
        """The next look at an injected eye: from the last exam, as often as its age then asked for."""
        seen = self._seen_after(injection) or injection.on
        age = self.age(seen)
        for watch in self.care.watches:
            reached = (seen - injection.on).days if watch.clock == "after" else age
            if reached is None or reached < watch.until:
                return self._look(watch, seen, watch.due, "injection")
        return _within_seven(seen, self.side, f"the {self.side} eye was injected") if not self.care.watches else (
            self._look(self.care.watches[-1], seen, self.care.watches[-1].due, "injection")
        )  # fmt: skip

    def _decision_at(self, until: int, injection: Treatment) -> Iterator[NextStep]:
        """From the age up to which an injected eye is watched, somebody decides what becomes of it."""
        seen = self._seen_after(injection) or injection.on
        age = self.age(seen)
        if age is None:
            return
        start = seen + timedelta(days=max(until - age, 0))
        watch = self.care.watches[-1]
        text = (
            f"the {self.side} eye was injected on {injection.on.isoformat()} and {format_age(until)} postmenstrual age "
            f"is reached on {(seen + timedelta(days=until - age)).isoformat()}: fully vascularized, laser to the "
            "avascular retina, or keep watching; only a named clinician closes it"
        )
        yield NextStep(
            "decision",
            Window(start, start, start + timedelta(days=watch.due)),
            Reason("injected-eye", watch.origin.cite, text, watch.origin.surety),
            eye=self.side,
        )

    def _look(self, rule: Review | Watch, start: date, opens: int, what: str) -> NextStep:
        window = Window(*(start + timedelta(days=days) for days in (opens, rule.due, rule.closes)))
        text = f"{self.side} eye after {what}: look for {rule.look_for}"
        kind: Kind = "review-after-injection" if what == "injection" else "review-after-laser"
        return NextStep(kind, window, Reason(rule.id, rule.origin.cite, text, rule.origin.surety), eye=self.side)

    def _missing_signs(self) -> Iterator[NextStep]:
        """The eye was last seen when a sign was to be expected, and it did not show it: somebody decides."""
        complete = self.course.complete(self.side)
        for last in _latest(self.course.treated(self.side)):
            if complete and complete[-1].on > last.on:
                yield from self._missing_sign(last, complete[-1])

    def _missing_sign(self, last: Treatment, exam: Exam) -> Iterator[NextStep]:
        days, eye = (exam.on - last.on).days, exam.eye(self.side)
        held = [
            review for review in self.care.reviews_after(last.kind) if review.expects and review.expected_from <= days
        ]
        if not held or held[-1].shows(eye) or need(eye) is not None:
            return
        review = held[-1]
        text = (
            f"{self.side} eye on {exam.on.isoformat()}, {days} days after {last.kind}: {eye}; expected "
            f"{review.look_for}: is more treatment needed?"
        )
        window = Window(exam.on, exam.on, exam.on + timedelta(days=HOLE_DAYS))
        yield NextStep("decision", window, Reason(review.id, review.origin.cite, text, review.origin.surety),
                       eye=self.side)  # fmt: skip


def _latest(treatments: Sequence[Treatment]) -> tuple[Treatment, ...]:
    """The last of them and, where that one is not certain, the last that is."""
    certain = [treatment for treatment in treatments if treatment.certain]
    return tuple(dict.fromkeys([*certain[-1:], *treatments[-1:]]))


def _later(start: datetime, hours: int) -> datetime:
    """So many hours later, in the same zone, if it has one."""
    if start.tzinfo is None:
        return start + timedelta(hours=hours)
    return (start.astimezone(UTC) + timedelta(hours=hours)).astimezone(start.tzinfo)


def _is_quiet(eye: Eye) -> bool:
    """No active disease: nothing that the table would look at sooner than the schedule after treatment."""
    calm = eye.regressing or not eye.any_rop
    return calm and eye.plus_read == "none" and not eye.notch and not eye.aggressive


def _within_seven(start: date, side: Side, words: str) -> NextStep:
    day = start + timedelta(days=HOLE_DAYS)
    text = f"{words}: again within {HOLE_DAYS} days"
    return NextStep("repeat-exam", Window(day, day, day), Reason("not-covered", "", text, "practice"), eye=side)


_NOT_BEYOND: Final = (None, Zone.I, Zone.FULL)
"""Where vessels end that have not grown from zone I into zone II, or have nowhere left to grow."""

# --- what is shown beside the steps --------------------------------------------------------------------------------


def remarks(course: Course, care: Care, age: AgeOn) -> Iterator[str]:
    """Sentences to show: what was read into a record, what is to be watched, what to weigh."""
    for name in course.unread:
        what = "a treatment" if name == "treatment" else "an exam"
        yield f"{what} was sent that could not be read, and does not count until somebody puts it right"
    for side in SIDES:
        complete = course.complete(side)
        if not complete:
            continue
        exam, eye = complete[-1], complete[-1].eye(side)
        now = age(exam.on)
        if eye.plus is None and eye.plus_read == "none":
            yield f"{side} eye: plus was not recorded and no active disease was: read as none"
        if is_type_2(eye):
            yield f"{side} eye: type 2 disease, watched closely: it becomes type 1 with plus disease"
        if eye.where == Zone.III and eye.nasal_at_ora is None:
            words = "zone III was recorded without saying that the nasal vessels reach the ora serrata"
            yield f"{side} eye: {words}: it ends nothing"
        if need(eye) and care.caution and (now is None or now >= care.caution.from_age):
            yield care.caution.words
        candidate = care.candidate
        if (
            candidate is not None and course.injections(side) and now is not None and now >= candidate.from_age
            and (eye.avascular_site or eye.avascular_extent is not None)
            and (eye.vessels or eye.where) not in _NOT_BEYOND
            and (eye.avascular_extent is None or eye.avascular_extent >= candidate.extent)
        ):  # fmt: skip
            yield f"{side} eye: candidate for laser to persistent avascular retina; weigh {candidate.weigh}"
