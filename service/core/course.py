"""An infant's course: what was done to the eyes, what was agreed, and whether a closing stands.

What the eyes need next because of it is `core/demands.py`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta, tzinfo
from typing import Final

from service.core.ages import format_age
from service.core.care import Care
from service.core.findings import SIDES, Exam, Eye, Side, Treatment

AgeOn = Callable[[date], int | None]
"""Postmenstrual age in days on a day, the youngest the infant may be; None when it is not known."""

CLOSINGS: Final[Mapping[str, str]] = {
    "screening-complete": "acute screening is complete",
    "surveillance-complete": "the watch over injected eyes is complete",
    "taken-over": "another unit or clinic has taken over",
    "palliative": "a palliative decision was made",
    "opt-out": "the family declined further exams",
    "death": "the infant has died",
}
"""Why a person closes a course, and how it is said."""

_COMPLETE: Final = ("screening-complete", "surveillance-complete")


@dataclass(frozen=True, slots=True)
class Closing:
    """A named person closed the course on a day; `why` is a word of CLOSINGS. It rests on what was on record then
    (`Course.basis`): another exam or treatment, one corrected or taken back, opens the course again."""

    on: date
    by: str
    why: str
    basis: str
    note: str = ""

    def __str__(self) -> str:
        """`Dr Reed closed the course on 2031-09-01: acute screening is complete`."""
        note = f" ({self.note})" if self.note else ""
        return f"{self.by} closed the course on {self.on.isoformat()}: {CLOSINGS.get(self.why, self.why)}{note}"


@dataclass(frozen=True, slots=True)
class Deferral:
    """On a day, both named clinicians put an exam off until another, for a reason. It moves no window."""

    on: date
    until: date
    reason: str
    ophthalmologist: str
    neonatologist: str

    def __str__(self) -> str:
        return (
            f"put off on {self.on.isoformat()} until {self.until.isoformat()} by {self.ophthalmologist} and "
            f"{self.neonatologist}: {self.reason}"
        )


@dataclass(frozen=True, slots=True)
class HandOver:
    """Who takes the infant on, and where and when the eyes are next looked at there."""

    on: date
    to: str
    place: str
    appointment: date
    by: str
    parents_told: bool = False

    def __str__(self) -> str:
        told = "the parents were told" if self.parents_told else "nobody has said that the parents were told"
        return (
            f"handed over to {self.to}, next exam on {self.appointment.isoformat()} at {self.place} ({self.by}); {told}"
        )


@dataclass(frozen=True, slots=True)
class Booking:
    """On a day (`on`), an exam was booked for another (`day`): at a time on the site's clock, at a place, with an
    examiner, each "" where nobody said. It moves no window, and answers nothing: only an exam does.

    See `Course.open_bookings` for what answers it."""

    on: date
    day: date
    time: str = ""
    place: str = ""
    examiner: str = ""
    by: str = ""

    def __str__(self) -> str:
        """`booked for 2031-06-04 at 09:30, eye clinic, Dr Reed`; who booked, and when, is left out."""
        said = [f"booked for {self.day.isoformat()}{f' at {self.time}' if self.time else ''}"]
        return ", ".join([*said, *filter(None, [self.place, self.examiner])])


@dataclass(frozen=True, slots=True)
class Course:
    """Everything done and agreed so far. Build it with `of`, which puts the records in order. `followed_up`: the day
    of the long-term visit, held or handed over. `unread`: kinds of record that were sent and could not be read. `zone`:
    the site's, for the hours of a treatment clock; without one they are those of the clock on the wall."""

    exams: tuple[Exam, ...] = ()
    treatments: tuple[Treatment, ...] = ()
    closing: Closing | None = None
    deferrals: tuple[Deferral, ...] = ()
    hand_overs: tuple[HandOver, ...] = ()
    followed_up: date | None = None
    unread: tuple[str, ...] = ()
    zone: tzinfo | None = None
    bookings: tuple[Booking, ...] = ()

    @classmethod
    def of(
        cls, exams: Sequence[Exam] = (), treatments: Sequence[Treatment] = (), closing: Closing | None = None, *,
        deferrals: Sequence[Deferral] = (), hand_overs: Sequence[HandOver] = (), followed_up: date | None = None,
        unread: tuple[str, ...] = (), zone: tzinfo | None = None, bookings: Sequence[Booking] = (),
    ) -> Course:  # fmt: skip
        """A course from records in any order."""
        return cls(
            tuple(sorted(exams, key=lambda exam: (exam.on, exam.at, exam.resource, repr(exam)))),
            tuple(sorted(treatments, key=lambda each: (each.on, each.resource, repr(each)))),
            closing,
            tuple(sorted(set(deferrals), key=lambda each: (each.on, each.until, repr(each)))),
            tuple(sorted(set(hand_overs), key=lambda each: (each.on, each.appointment, repr(each)))),
            followed_up,
            unread,
            zone,
            tuple(sorted(set(bookings), key=lambda each: (each.day, each.time, repr(each)))),
        )

    def until(self, day: date) -> Course:
        """What had happened by the end of the day."""
        followed_up, closing = self.followed_up, self.closing
        return Course.of(
            [exam for exam in self.exams if exam.on <= day],
            [each for each in self.treatments if each.on <= day],
            closing if closing is not None and closing.on <= day else None,
            deferrals=[each for each in self.deferrals if each.on <= day],
            hand_overs=[each for each in self.hand_overs if each.on <= day],
            followed_up=followed_up if followed_up is not None and followed_up <= day else None,
            unread=self.unread,
            zone=self.zone,
            bookings=[each for each in self.bookings if each.on <= day],
        )

    def as_began(self, day: date) -> Course:
        """What had happened before the day, and what was agreed up to its end: whom a round of that day is for does not
        depend on what the round found."""
        agreed = self.until(day)
        return replace(self.until(day - timedelta(days=1)), deferrals=agreed.deferrals, bookings=agreed.bookings)

    def doubted_before(self, born: date | None) -> Course:
        """The same, with exams dated before the birth taken for what they are: one of the two dates is wrong. Disease
        found then counts as seen in passing, and such an exam neither reassures nor stands for one that is due."""
        if born is None or not any(exam.on < born for exam in self.exams):
            return self
        return replace(
            self,
            exams=tuple(
                replace(exam, right=_doubted(exam.right), left=_doubted(exam.left)) if exam.on < born else exam
                for exam in self.exams
            ),
        )

    def went_on_after(self, day: date | None) -> bool:
        """Whether an exam or a treatment is dated after a day; not where the day is not known."""
        return day is not None and any(on > day for on in self.days)

    @property
    def days(self) -> tuple[date, ...]:
        """The days on which something was found or done, exams first."""
        return tuple([exam.on for exam in self.exams] + [treatment.on for treatment in self.treatments])

    def open_bookings(self, needed: date) -> tuple[Booking, ...]:
        """The bookings that no exam has answered: one held on the day booked or later; or, if the booked day comes
        before the first on which anything is `needed`, one held since it was booked that saw both eyes completely and
        kept no other booking. Each such exam answers the soonest."""
        left = [each for each in self.bookings if self.last is None or each.day > self.last]
        kept = {each.day for each in self.bookings}
        for held in dict.fromkeys(exam.on for exam in self.exams if exam.complete and exam.on not in kept):
            meant = [each.day for each in left if each.on < held]
            if meant and min(meant) < needed:
                left = [each for each in left if each.day != min(meant) or each.on >= held]
        return tuple(left)

    @property
    def begun(self) -> bool:
        """Whether anything has been done."""
        return bool(self.exams or self.treatments)

    @property
    def held(self) -> int:
        """On how many days the eyes were looked at."""
        return len({exam.on for exam in self.exams})

    @property
    def basis(self) -> str:
        """A digest of all that was found and done: what a closing rests on."""
        found = sorted((exam.on.isoformat(), exam.at, repr(exam.right), repr(exam.left)) for exam in self.exams)
        done = sorted(
            (each.on.isoformat(), each.sides, each.kind, each.agent, *(() if each.certain else (False,)))
            for each in self.treatments
        )
        return hashlib.sha256(repr((found, done)).encode()).hexdigest()[:16]

    @property
    def last(self) -> date | None:
        """The day of the last exam."""
        return self.exams[-1].on if self.exams else None

    @property
    def chain(self) -> tuple[Deferral, ...]:
        """The deferrals since the eyes were last looked at: each puts the same exam off once more."""
        return tuple(each for each in self.deferrals if self.last is None or each.on >= self.last)

    def handed_over(self, left: date, back: date | None = None) -> HandOver | None:
        """The hand-over that stands for an infant who left on a day: whoever takes over looks at the eyes after the
        last exam here, and not before the infant left. Made before the infant came `back`, it was for another leaving.
        """
        standing = [
            each
            for each in self.hand_overs
            if each.appointment >= left
            and (self.last is None or each.appointment > self.last)
            and (back is None or each.on >= back)
        ]
        return standing[-1] if standing else None

    def treated(self, side: Side) -> tuple[Treatment, ...]:
        """The treatments of one eye."""
        return tuple(treatment for treatment in self.treatments if side in treatment.sides)

    def surely_treated(self, side: Side) -> tuple[Treatment, ...]:
        """Those of them that are certain: only these answer anything."""
        return tuple(treatment for treatment in self.treated(side) if treatment.certain)

    def injections(self, side: Side) -> tuple[Treatment, ...]:
        """The injections of one eye."""
        return tuple(treatment for treatment in self.treated(side) if treatment.kind == "injection")

    def complete(self, side: Side) -> tuple[Exam, ...]:
        """The exams that saw one eye completely."""
        return tuple(exam for exam in self.exams if exam.eye(side).complete)

    def surveillance_open(self, care: Care, age: int | None) -> bool:
        """Whether an eye was injected and the infant, of this age, may be too young to be let go."""
        until = care.surveillance_age
        injected = any(self.injections(side) for side in SIDES)
        return injected and (until is None or age is None or age < until)

    def reopened(self, care: Care, age: AgeOn, back: date | None = None) -> str:
        """Why the closing on record does not stand, in words; "" when it does, or when there is none. Death ends every
        course that does not go on; only it, a palliative decision and another unit that takes over, until the infant
        comes `back`, end the watch over an injected eye."""
        closing = self.closing
        if closing is None:
            return ""
        if closing.why == "death":
            return "an exam or a treatment is dated after the death" if self.went_on_after(closing.on) else ""
        if closing.basis != self.basis:
            return "what is on record has changed"
        if closing.why == "taken-over" and back is not None and back >= closing.on:
            return f"the infant came back on {back.isoformat()}"
        if closing.why == "taken-over":
            return "" if self.hand_overs else "no hand-over is on record"
        if closing.why != "palliative" and self.surveillance_open(care, age(closing.on)):
            until = care.surveillance_age
            words = f"until {format_age(until)} postmenstrual age" if until else "until somebody says how long"
            return f"an injected eye is watched {words}"
        return ""

    def closed(self, care: Care, age: AgeOn, back: date | None = None) -> bool:
        """Whether the closing on record still stands."""
        return self.closing is not None and not self.reopened(care, age, back)

    def asks_long_term(self) -> bool:
        """Whether the visit months after discharge is still to come, after a closing that stands."""
        return self.followed_up is None and self.closing is not None and self.closing.why in _COMPLETE


def _doubted(eye: Eye) -> Eye:
    """An eye as it may have been on another day: with the disease that was seen, or not seen at all."""
    grave = eye.any_rop or eye.plus in ("pre-plus", "plus") or eye.notch
    return replace(eye, view="poor") if grave else Eye(view="none")


NOTHING_DONE: Final = Course()
