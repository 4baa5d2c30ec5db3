"""Stays: where an infant is, whether it left, is to leave or came back, and what helps it to breathe there."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.core.infant import Fact


def whereabouts(stays: Sequence[Fact], planned: Sequence[Fact]) -> dict[str, Any]:
    """Where the infant is: the latest open stay; where none is open, when and how the last one ended."""
    if not stays:
        return {"leaves_on": _leaves("", "", planned)}
    open_stays = [fact for fact in stays if fact.value.get("open")]
    if open_stays:
        now = max(open_stays, key=lambda fact: (fact.value.get("since") or "", fact.resource))
        return {
            "in_hospital": True,
            "came_back": _came_back(stays),
            "leaves_on": _leaves(now.value.get("since") or "", now.value.get("until") or "", planned),
            "place": now.value.get("place"),
            "place_text": now.value.get("place_text") or "",
        }
    last = max(stays, key=lambda fact: (fact.value.get("until") or "", fact.resource))
    until = last.value.get("until")
    return {
        "in_hospital": False,
        "left_on": _day(until) if until else None,
        "came_back": _came_back(stays),
        "disposition": last.value.get("disposition") or "",
        "place": last.value.get("place"),
        "place_text": last.value.get("place_text") or "",
    }


def _leaves(since: str, until: str, planned: Sequence[Fact]) -> date | None:
    """The day on which a stay that goes on is to end: the site's own (`until`) or what was typed in last since it
    began, and of the two the sooner: a plan can bring a hand-over forward, and puts nothing off."""
    last = max(
        (fact for fact in planned if str(fact.value["on"]) >= since),
        key=lambda fact: (str(fact.value["on"]), fact.issued, fact.resource),
        default=None,
    )
    days = [day for day in (until, last and last.value.get("date")) if day]
    return min(map(_day, days), default=None)


def _came_back(stays: Sequence[Fact]) -> date | None:
    """The day on which the last stay began, none having gone on until then. One that begins on the day on which another
    ended is a move within the hospital; while it goes on it may as well be a return."""
    back, ended = "", ""
    for since, until, goes_on in sorted(
        (str(fact.value.get("since") or ""), str(fact.value.get("until") or ""), bool(fact.value.get("open")))
        for fact in stays
    ):
        if ended and (since > ended or (since == ended and goes_on)):
            back = since
        ended = max(ended, date.max.isoformat() if goes_on else until or since)
    return _day(back) if back else None


def support(said: Sequence[Fact]) -> str:
    """The respiratory support last told of, in the site's own words, and of which day; "" when it has ended. Who is on
    a ventilator is looked at in the cot, with somebody beside who watches the breathing."""
    if not said:
        return ""
    last = max(said, key=lambda fact: (str(fact.value.get("on") or ""), fact.issued, fact.resource))
    day, what = last.value.get("on"), str(last.value["what"])
    return "" if last.value.get("until") else f"{what} ({day})" if day else what


def _day(text: Any) -> date:
    return date.fromisoformat(str(text))
