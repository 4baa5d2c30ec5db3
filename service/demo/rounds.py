"""Who looks at eyes on the three units: the courses on file at the start, and exams, treatments, corrections and the
rest while the demonstration runs.

The doctors go by habits of their own (`chart.Chart.is_due`), not by what the service says: it reads what they wrote,
like anything else that comes from a unit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any, Final

import orjson

from service.core.chart import read_course
from service.demo.census import Newborn
from service.demo.chart import Chart, Event, Exam, eye
from service.demo.courses import CLINICS, EYE_DOCTORS, WARD_DOCTORS, Course, Done, Look, Paper
from service.demo.records import Resource, Scribe, bundle
from service.fhir.read import read_body

LEFT_ALONE: Final = frozenset(
    {
        "put-off-twice", "treatment-clock", "laser-1-week", "injected-at-home", "closed-by-name", "one-eye-not-seen",
        "laser-2-weeks", "more-treatment", "reopened", "decision-at-65-weeks", "palliative", "opted-out",
        "overdue-at-home", "laser-4-weeks", "avascular", "death", "entered-in-error",
    }
)  # fmt: skip
"""Tales that are told as they are; the others go on while you watch."""

_FIRST_LOOKS: Final = (("pII 0", "II 0", "II 0", "II 1"), ("II 0", "II 0", "III ora 0", "II 1"))
"""What is found at first: born before 27 weeks, and later."""
_GOES_ON: Final[Mapping[str, tuple[str, ...]]] = {
    "I 0": ("I 0", "pII 0"), "I 1": ("I 1", "pII 1"), "pII 0": ("pII 0", "II 0", "II 0"), "pII 1": ("pII 1", "II 1"),
    "II 0": ("II 0", "II 0", "III ora 0", "II 1"), "III ora 0": ("III ora 0", "full 0", "full 0"),
    "II 1": ("II 1", "II 1", "II 1 regressing", "II 2"), "II 2": ("II 2", "II 2", "II 2 regressing", "II 3"),
    "II 3": ("II 3", "II 3 regressing", "II 3 pre-plus"), "II 2 pre-plus": ("II 2", "II 2 regressing", "II 3 pre-plus"),
    "II 3 pre-plus": ("II 3 pre-plus", "II 3 regressing", "II 3 plus"), "II 1 regressing": ("II 1 regressed",),
    "II 2 regressing": ("II 1 regressing", "II 2 regressed"), "II 3 regressing": ("II 2 regressing",),
    "II 1 regressed": ("III ora 1 regressed", "full 0"), "III ora 1 regressed": ("full 0",), "unseen": ("II 0", "II 1"),
}  # fmt: skip
"""What may be found next, by what was found last; what is not here stays as it is."""

_Tell = Callable[[list[Chart], date, datetime, Random], Event | None]


class Rounds:
    """The exams of the three units, whose writers are `scribes`."""

    def __init__(self, scribes: Sequence[Scribe]) -> None:
        self._scribes = scribes
        self._slips: list[tuple[Chart, Exam]] = []

    # --- on file at the start ---------------------------------------------------------------------------------------

    def on_file(self, course: Course, infant: Newborn, today: date, start: datetime) -> tuple[Chart, Event]:
        """An infant whose eyes have been looked at: everything since birth, in one message."""
        scribe = self._scribes[infant.unit]
        gone = None if course.left is course.died is None else today - timedelta(days=course.left or course.died or 0)
        chart = Chart(
            infant, infant.number if gone is None else None, infant.born,
            {"patient": 1, "stay": 1, "weight": 1, "age": 1}, weighed=infant.grams, settled=course.tells in LEFT_ALONE,
            closed=any(paper.form == "closing" for paper in course.papers) or course.died is not None,
        )  # fmt: skip
        record = _Record(scribe, chart, today, start)
        at = record.at(infant.born, "08:00")
        resources = [scribe.patient(infant, at), scribe.stay(infant, infant.number, infant.born, at),
                     scribe.weight(infant, at), scribe.age(infant, at)]  # fmt: skip
        if gone is not None:
            chart.versions["stay"] = 2
            resources.append(scribe.stay(infant, infant.number, infant.born, record.at(gone, "11:00"), 2, gone))
        if course.died is not None and gone is not None:
            resources.append(scribe.patient(infant, record.at(gone, "12:00"), 2, died=gone))
        if course.weighed:
            resources += [record.weight(infant.born + timedelta(days=day), course) for day in range(1, course.days)]
        happened: list[Look | Done | Paper] = [*course.looks, *course.done, *course.papers]
        for each in sorted(happened, key=lambda each: (-each.ago, isinstance(each, Paper))):
            resources += record.of(each)
        resources += record.second_thoughts(course.looks)
        chart.handed_over = any(paper.form == "hand-over" for paper in course.papers)
        return chart, Event(infant.unit, resources, f"{scribe.site.name}: an infant with exams on file")

    # --- while you watch --------------------------------------------------------------------------------------------

    def tell(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        """What happens next to the eyes of one unit's infants; None when nothing does today."""
        kinds: list[tuple[_Tell, int]] = [
            (self._take_back, 12), (self._examine, 12), (self._treat, 4), (self._hand_over, 4), (self._send_home, 2),
            (self._close, 2), (self._put_off, 2), (self._correct, 2), (self._slip, 1),
        ]  # fmt: skip
        first = random.choices(kinds, [weight for _, weight in kinds])[0]
        return next((event for kind, _ in [first, *kinds] if (event := kind(charts, today, at, random))), None)

    def _examine(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        chart = _any(random, [chart for chart in charts if chart.is_due(today)])
        if chart is None:
            return None
        scribe = self._scribes[chart.infant.unit]
        exam = self._look(chart, today, at, random)
        chart.exams.append(exam)
        record = _Record(scribe, chart, today, at)
        text = f"{scribe.site.name}: {'an' if len(chart.exams) > 1 else 'the first'} exam is typed in: {exam}"
        return Event(chart.infant.unit, record.exam(exam, at), text)

    def _look(self, chart: Chart, today: date, at: datetime, random: Random) -> Exam:
        scribe = self._scribes[chart.infant.unit]
        clock = f"{at.astimezone(scribe.site.timezone):%H:%M}"
        if chart.exams:
            last = chart.exams[-1]
            right, left = (random.choice(_GOES_ON.get(eye, (eye,))) for eye in (last.right, last.left))
        else:
            found = _FIRST_LOOKS[chart.infant.gestation >= 27 * 7]
            right, left = random.choice(found), random.choice(found)
        return Exam(today, clock, right, "unseen" if random.random() < 0.06 else left)

    def _treat(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        chart = _any(random, [chart for chart in charts if chart.needs_treatment() and not chart.settled])
        if chart is None or chart.bed is None:
            return None
        scribe, last = self._scribes[chart.infant.unit], chart.exams[-1]
        kind = "injection" if any("A-ROP" in eye or "I " in eye[:2] for eye in (last.right, last.left)) else "laser"
        done = Done(0, "both", kind, "ranibizumab" if kind == "injection" else "")
        text = f"{scribe.site.name}: {kind} of both eyes; the treatment clock stops"
        return Event(chart.infant.unit, _Record(scribe, chart, today, at).of(done), text)

    def _correct(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        """One eye of the last exam is put right."""
        seen = [chart for chart in charts if chart.exams and not chart.settled and not chart.closed]
        chart = _any(random, [chart for chart in seen if chart.exams[-1].right in _GOES_ON])
        if chart is None:
            return None
        scribe, before = self._scribes[chart.infant.unit], chart.exams[-1]
        others = [words for words in _GOES_ON[before.right] if words != before.right]
        if not others:
            return None
        after = chart.exams[-1] = Exam(before.on, before.at, random.choice(others), before.left)
        text = f"{scribe.site.name}: the last exam is corrected: {after}"
        return Event(chart.infant.unit, _Record(scribe, chart, today, at).exam(after, at), text)

    def _slip(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        """An exam typed in under the wrong infant; it is taken back a little later."""
        taken = [chart for chart, _ in self._slips]
        chart = _any(
            random, [c for c in charts if c.bed is not None and not c.settled and not c.closed and c not in taken]
        )
        if chart is None:
            return None
        exam = self._look(chart, today, at, random)
        if f"exam-{exam.on}-{exam.at.replace(':', '')}" in chart.versions:
            return None
        self._slips.append((chart, exam))
        scribe = self._scribes[chart.infant.unit]
        resources = _Record(scribe, chart, today, at).exam(exam, at)
        return Event(chart.infant.unit, resources, f"{scribe.site.name}: an exam is typed in: {exam}")

    def _take_back(self, charts: list[Chart], today: date, at: datetime, _: Random) -> Event | None:
        chart, exam = next((slip for slip in self._slips if slip[0] in charts), (None, None))
        if chart is None or exam is None:
            return None
        self._slips.remove((chart, exam))
        scribe = self._scribes[chart.infant.unit]
        resources = _Record(scribe, chart, today, at).exam(exam, at, withdrawn=True)
        text = f"{scribe.site.name}: an exam was typed in under the wrong infant and is taken back"
        return Event(chart.infant.unit, resources, text)

    def _put_off(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        chart = _any(random, [chart for chart in charts if chart.is_due(today)])
        if chart is None:
            return None
        unit, days = chart.infant.unit, random.choice((1, 2, 3))
        chart.put_off = today
        reason = random.choice(("unstable after surgery", "oxygen need rose in the night", "sepsis is being treated"))
        names = {"ophthalmologist": EYE_DOCTORS[unit], "neonatologist": WARD_DOCTORS[unit]}
        paper = Paper(0, "deferral", {"until": days, "reason": reason, **names})
        scribe = self._scribes[unit]
        text = f"{scribe.site.name}: an exam is put off for {days} {'day' if days == 1 else 'days'}: {reason}"
        return Event(unit, _Record(scribe, chart, today, at).of(paper), text)

    def _send_home(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        present = [chart for chart in charts if chart.bed is not None]
        old = [chart for chart in present if (today - chart.infant.born).days + chart.infant.gestation >= 37 * 7]
        chart = _any(random, [chart for chart in old if not chart.settled and not chart.needs_treatment()])
        if chart is None or len(present) < 10:
            return None
        scribe, infant = self._scribes[chart.infant.unit], chart.infant
        stay = scribe.stay(infant, chart.bed or 1, chart.since, at, chart.next_version("stay"), today)
        chart.bed = None
        open_course = "; who takes over is still to be said" if chart.screened and not chart.closed else ""
        return Event(infant.unit, [stay], f"{scribe.site.name}: an infant goes home{open_course}")

    def _hand_over(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        gone = [chart for chart in charts if chart.bed is None and not chart.handed_over and not chart.closed]
        chart = _any(random, [chart for chart in gone if chart.screened and not chart.settled])
        if chart is None:
            return None
        unit, days = chart.infant.unit, random.randint(2, 9)
        chart.handed_over = True
        place = {"to": CLINICS[unit], "place": f"{CLINICS[unit]}, ground floor", "date": days}
        paper = Paper(0, "hand-over", {**place, "by": WARD_DOCTORS[unit], "parents_told": True})
        scribe = self._scribes[unit]
        text = f"{scribe.site.name}: an infant at home is handed over, to be seen in {days} days"
        return Event(unit, _Record(scribe, chart, today, at).of(paper), text)

    def _close(self, charts: list[Chart], today: date, at: datetime, random: Random) -> Event | None:
        ended = [chart for chart in charts if chart.exams and chart.exams[-1].ended and chart.treated is None]
        chart = _any(random, [chart for chart in ended if not chart.closed and not chart.settled])
        if chart is None or any(chart is slipped for slipped, _ in self._slips):
            return None
        unit = chart.infant.unit
        chart.closed = True
        scribe, paper = self._scribes[unit], Paper(0, "closing", {"by": EYE_DOCTORS[unit], "why": "screening-complete"})
        text = f"{scribe.site.name}: a course is closed by a named person: both eyes are fully vascularized"
        return Event(unit, _Record(scribe, chart, today, at).of(paper), text)


def _any(random: Random, charts: list[Chart]) -> Chart | None:
    return random.choice(charts) if charts else None


class _Record:
    """Writes what happens to one infant's eyes, and keeps the chart in step. `now` is the latest that anything can have
    been written."""

    def __init__(self, scribe: Scribe, chart: Chart, today: date, now: datetime) -> None:
        self._scribe, self._chart, self._today, self._now = scribe, chart, today, now
        self._unit = chart.infant.unit

    def at(self, day: date, clock: str) -> datetime:
        """A time of day at the unit."""
        return min(datetime.combine(day, time.fromisoformat(clock), self._scribe.site.timezone), self._now)

    def of(self, each: Look | Done | Paper) -> list[Resource]:
        """The records of one thing in a course."""
        day = self._today - timedelta(days=each.ago)
        infant = self._chart.infant
        if isinstance(each, Look):
            exam = _exam(day, each.at, each.first or each.eyes)
            if not each.withdrawn:
                self._chart.exams.append(exam)
            return self.exam(exam, self.at(day, each.at) + timedelta(minutes=25))
        at = self.at(day, "17:30")
        if isinstance(each, Done):
            value = {"on": day.isoformat(), "eyes": each.eyes, "kind": each.kind, "agent": each.agent}
            done = self._scribe.treatment(infant, value, EYE_DOCTORS[self._unit], at)
            self._chart.treated = day
            self._chart.eyes[done["id"]] = [done]
            return [done]
        answers = each.answers(self._today)
        if each.form == "closing":
            answers["basis"] = self._basis(day)
        by = str(answers.get("by") or answers["neonatologist"])
        version = self._chart.next_version(f"{each.form}-{day}")
        return [self._scribe.form(infant, each.form, answers, by, at, version=version)]

    def exam(self, exam: Exam, at: datetime, withdrawn: bool = False) -> list[Resource]:
        """An exam, a correction of it, or its withdrawal."""
        name = f"exam-{exam.on}-{exam.at.replace(':', '')}"
        value: dict[str, Any] = {
            "on": exam.on.isoformat(), "at": exam.at, "right": eye(exam.right), "left": eye(exam.left),
            "examiner": EYE_DOCTORS[self._unit], "method": "indirect ophthalmoscopy",
        }  # fmt: skip
        version = self._chart.next_version(name)
        written = self._scribe.exam(self._chart.infant, value, name, at, version, withdrawn)
        self._chart.eyes[name] = written
        return written

    def second_thoughts(self, looks: Sequence[Look]) -> Iterator[Resource]:
        """What was put right or taken back the day after it was typed in."""
        for look in looks:
            day = self._today - timedelta(days=look.ago)
            at = self.at(day + timedelta(days=1), "11:40")
            if look.first or look.withdrawn:
                exam = _exam(day, look.at, look.eyes)
                self._chart.exams = [exam if each.on == day else each for each in self._chart.exams]
                yield from self.exam(exam, at, look.withdrawn)

    def weight(self, day: date, course: Course) -> Resource:
        """What the infant weighed on one morning."""
        infant = self._chart.infant
        grams = course.grams_on((day - infant.born).days)
        return self._scribe.body_weight(infant, day, self.at(day, "06:00"), grams)

    def _basis(self, day: date) -> str:
        """The digest of exams and treatments that the person who closes has before them."""
        body = orjson.dumps(bundle([each for written in self._chart.eyes.values() for each in written]))
        readings = read_body(body, self._scribe.site, self._now.isoformat())
        course = read_course([fact for reading in readings for fact in reading.facts], self._scribe.site.timezone)
        return course.until(day).basis


def _exam(day: date, at: str, eyes: str) -> Exam:
    right, _, left = eyes.partition(" | ")
    return Exam(day, at, right, left or right)
