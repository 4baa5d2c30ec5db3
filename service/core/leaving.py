"""Leaving: whether an infant has left or died, who takes over, and what is still owed afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from service.core.course import Course, HandOver
from service.core.findings import STAGES
from service.core.infant import Infant
from service.core.window import NextStep, Reason, Window

HAND_OVER_AHEAD: Final = timedelta(days=7)
"""A hand-over is asked for from so long before the day on which an infant is to leave: it takes days to arrange (common
practice, no source)."""

LONG_TERM: Final = (122, 183)
"""Refraction and alignment 4 to 6 months after discharge, in days (memory); where the day of discharge is not known,
after the course was closed."""

SEVERE: Final = STAGES[STAGES.index("3") :]
"""Stages after which eyes are followed for years."""


def has_died(infant: Infant, course: Course) -> bool:
    """Whether the death on the infant's record stands: of two who were mixed up, the one whose eyes were looked at on a
    later day is alive."""
    return infant.deceased and not course.went_on_after(infant.deceased_on)


def _leaves(infant: Infant) -> date | None:
    """The day on which the infant left hospital, or is to leave; None where neither is on record."""
    return infant.left_on or infant.known_since if infant.in_hospital is False else infant.leaves_on


def standing_hand_over(infant: Infant, course: Course) -> HandOver | None:
    """The hand-over that stands for an infant who has left or is to leave. While it is here, a move to another ward may
    look like a return, and voids none."""
    leaves = _leaves(infant)
    if leaves is None:
        return None
    return course.handed_over(leaves, infant.came_back if infant.in_hospital is False else None)


def owed_on_leaving(infant: Infant, course: Course) -> Iterator[NextStep]:
    """What an infant needs who has left hospital, or is to leave, with the course open: somebody who takes over, until
    place and date are recorded; and, months after leaving, a look at refraction and alignment."""
    leaves = _leaves(infant)
    if leaves is not None and standing_hand_over(infant, course) is None:
        text = "left hospital with the course open: record who takes over, and place and date of the next exam there"
        opens = leaves
        if infant.in_hospital is not False:
            text = (
                f"is to leave hospital on {leaves.isoformat()} with the course open: record who takes over, and place "
                "and date of the next exam there"
            )
            opens = leaves - HAND_OVER_AHEAD
        reason = Reason("hand-over", "common practice, no source", text, "practice")
        yield NextStep("hand-over", Window(opens, leaves, leaves), reason)
    if course.begun and course.followed_up is None and infant.left_on is not None:
        yield long_term_visit(infant, course)


def long_term_visit(infant: Infant, course: Course) -> NextStep:
    """Refraction and alignment, months after discharge; where that day is not known, after the closing. Eyes that were
    treated, or had stage 3 or worse, are followed for years after it (to at least 5, from memory)."""
    closed_on = course.closing.on if course.closing is not None else None
    start = infant.left_on or closed_on or infant.known_since
    opens, closes = (start + timedelta(days=days) for days in LONG_TERM)
    since = "discharge" if infant.left_on else "the course was closed"
    severe = any(eye.stage in SEVERE for exam in course.exams for eye in (exam.right, exam.left))
    years = "; treated or stage 3, so followed to at least 5 years of age" if course.treatments or severe else ""
    text = f"refraction and alignment of the eyes 4 to 6 months after {since} on {start.isoformat()}{years}"
    return NextStep("long-term", Window(opens, opens, closes), Reason("long-term", "", text, "memory"))
