"""What an infant needs because it leaves hospital with its course open: somebody who takes over, and, months later, a
look at refraction and alignment."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from service.core.course import Course
from service.core.infant import Infant
from service.core.window import NextStep, Reason, Window

LONG_TERM: Final = (122, 183)
"""Refraction and alignment 4 to 6 months after discharge, in days (memory); where the day of discharge is not known,
after the course was closed."""

HAND_OVER_AHEAD: Final = timedelta(days=7)
"""A hand-over is asked for from so long before the day on which an infant is to leave: it takes days to arrange (common
practice, no source)."""


def beside(infant: Infant, course: Course) -> Iterator[NextStep]:
    """What an infant needs who has left hospital, or is to leave, with the course open: somebody who takes over, until
    place and date are recorded; and, months after leaving, a look at refraction and alignment."""
    leaves = leaving_day(infant)
    if leaves is not None and course.handed_over(leaves) is None:
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
        yield long_term(infant, course)


def leaving_day(infant: Infant) -> date | None:
    """The day on which the infant left hospital, or is to leave; None where neither is on record."""
    return infant.left_on or infant.known_since if infant.in_hospital is False else infant.leaves_on


def long_term(infant: Infant, course: Course) -> NextStep:
    """Refraction and alignment, months after discharge; where that day is not known, after the closing."""
    closed_on = course.closing.on if course.closing is not None else None
    start = infant.left_on or closed_on or infant.known_since
    opens, closes = (start + timedelta(days=days) for days in LONG_TERM)
    since = "discharge" if infant.left_on else "the course was closed"
    text = f"refraction and alignment of the eyes 4 to 6 months after {since} on {start.isoformat()}"
    return NextStep("long-term", Window(opens, opens, closes), Reason("long-term", "", text, "memory"))
