"""The round of one unit on one day: whom it is for, in which order, and the sheet for it.

The sheet is printed, written on at the cots, and typed in afterwards in its own order. Whom it is for is worked out as
of the beginning of its day, so that nobody leaves it because an exam of that day was typed in.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final, Literal

from service.core.decision import on_day
from service.core.worklist import Entry
from service.errors import NotUnderstood
from service.fhir.sites import Site
from service.fhir.step import EXAMS
from service.flow import Flow
from service.web.view import (
    Asked,
    capitalize,
    flag_bookings,
    say_age,
    say_booking,
    say_dates_in,
    say_last,
    say_put_off,
    say_standing,
    say_steps,
)
from service.web.words import N_, _

Order = Literal["bed", "rank"]

ORDERS: Final[tuple[tuple[Order, str], ...]] = (("bed", N_("By bed")), ("rank", N_("By rank")))
"""(word of an address, words) of each order of the sheet."""

MOST_AHEAD: Final = 14
"""Days after the round's own that a sheet may look ahead."""

KINDS: Final = (*EXAMS, "treatment", "decision", "data-needed")
"""What brings an infant on the sheet when it is due: everything that somebody at the cot can answer."""


@dataclass(frozen=True, slots=True)
class RoundOf:
    """Which round, in which order, how far ahead: all that an address carries of it."""

    site: str
    day: date
    order: Order = "bed"
    ahead: int = 0

    def __str__(self) -> str:
        """`northbank.2031-06-01.bed.0`: the value of a parameter."""
        return f"{self.site}.{self.day.isoformat()}.{self.order}.{self.ahead}"

    @classmethod
    def parse(cls, text: str) -> RoundOf:
        """The round that `str` wrote. Raises NotUnderstood."""
        parts = text.split(".")
        try:
            site, day, order, ahead = parts
            return cls(site, date.fromisoformat(day), order_of(order), ahead_of(ahead))
        except ValueError:
            raise NotUnderstood("this is not the address of a round") from None

    @property
    def path(self) -> str:
        """The address of its sheet."""
        return f"/site/{self.site}/round/{self.day.isoformat()}"

    @property
    def query(self) -> str:
        """The part of an address after the question mark."""
        return f"order={self.order}&ahead={self.ahead}"


def order_of(text: str) -> Order:
    """An order by its word. Raises NotUnderstood."""
    if text not in dict(ORDERS):
        raise NotUnderstood("a round is ordered by bed or by rank")
    return text


def ahead_of(text: str) -> int:
    """How many days ahead. Raises NotUnderstood."""
    if not (text.isascii() and text.isdigit() and int(text) <= MOST_AHEAD):
        raise NotUnderstood(f"a sheet looks 0 to {MOST_AHEAD} days ahead")
    return int(text)


@dataclass(frozen=True, slots=True)
class Line:
    """One infant on the sheet, ready to print. `listed`: due, booked or missed by the round's horizon; the others can
    only be booked. `any_booking`: one stands, ahead or missed. `done` says what was typed in for the day, "" while
    nothing was; `first` is what comes first."""

    key: str
    name: str
    identifier: str
    unit: str
    bed: str
    left_hospital: bool
    ages: str
    standing: str
    asked: tuple[Asked, ...]
    booked: str
    any_booking: bool
    last: str
    notes: tuple[str, ...]
    listed: bool
    done: str

    @property
    def where(self) -> str:
        """The bed, or why there is none."""
        return _("left hospital") if self.left_hospital else self.bed or _("no bed on record")


def lines_of(flow: Flow, of: RoundOf) -> list[Line]:
    """Everybody at the site for whom something is to come, in the order of the sheet; who is on it says `listed`."""
    today = flow.today(of.site)
    site = flow.site(of.site)
    lines = [_line(entry, held, of, min(today, of.day), site) for entry, held in flow.round(of.site, of.day)]
    if of.order == "rank":
        return lines
    return sorted(lines, key=lambda line: (line.left_hospital, not line.bed, line.unit.casefold(), _natural(line.bed)))


def _line(entry: Entry, held: bool, of: RoundOf, today: date, site: Site) -> Line:
    decision = on_day(entry.decision, of.day)
    told = {str(each) for each in (*decision.deferrals, *filter(None, [decision.hand_over]))}
    last_day = of.day + timedelta(days=of.ahead)
    days = [each.day for each in decision.bookings]
    steps = [step for step in (decision.next, *decision.also) if step.window is not None and step.kind in KINDS]
    due = any(step.window is not None and step.window.due <= last_day for step in steps)
    put_off = any(each.on == of.day for each in decision.deferrals)
    return Line(
        key=entry.key,
        name=entry.name or _("Name not known"),
        identifier=entry.identifier,
        unit="" if entry.unit.casefold() == site.name.casefold() else entry.unit,
        bed=entry.bed,
        left_hospital=entry.left_hospital,
        ages=_say_ages(entry, of.day),
        standing=say_standing(entry, of.day),
        asked=say_steps(decision, of.day),
        booked="; ".join(say_booking(each, of.day) for each in decision.bookings if each.day >= today),
        any_booking=bool(decision.bookings),
        last=say_last(decision, of.day),
        notes=tuple(
            filter(
                None,
                [
                    *flag_bookings(decision, today),
                    say_put_off(decision, of.day),
                    *(capitalize(say_dates_in(flag, of.day)) for flag in decision.flags if flag not in told),
                ],
            )
        ),
        listed=due or any(day <= last_day for day in days if day >= of.day or day < today),
        done=_("Exam typed in") if held else _("Put off") if put_off else "",
    )


def _say_ages(entry: Entry, day: date) -> str:
    ages, grams = on_day(entry.decision, day).ages, entry.decision.birth_weight
    weight = f"{grams} g" if grams is not None else _("weight not known")
    return _(
        "born at %(gestation)s, %(weight)s; now %(now)s",
        gestation=say_age(ages.gestation),
        weight=weight,
        now=say_age(ages.postmenstrual),
    )


def _natural(bed: str) -> tuple[tuple[int, str], ...]:
    """`Bed 10` after `Bed 9`."""
    return tuple((int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", bed.casefold()))


# --- typing it in --------------------------------------------------------------------------------------------------


def next_on_sheet(lines: Sequence[Line], after: str) -> Line | None:
    """The next infant on the sheet of whom nothing was typed in: after the one with this key, then from the top."""
    listed = [line for line in lines if line.listed]
    start = next((n for n, line in enumerate(listed, start=1) if line.key == after), 0)
    return next((line for line in [*listed[start:], *listed[:start]] if not line.done), None)


def days_from(today: date, number: int) -> Iterator[date]:
    """So many days, today first."""
    return (today + timedelta(days=n) for n in range(number))


def start_typed(typed: dict[str, list[str]], text: str, now: datetime) -> dict[str, list[str]]:
    """An empty sheet of the entry pages, opened from a round: dated on the round's day, without a time where that is
    not today."""
    of = RoundOf.parse(text)
    on = {"on": [min(of.day, now.date()).isoformat()]} if "on" in typed else {}
    at = {"at": [""]} if "at" in typed and of.day != now.date() else {}
    return {**typed, **on, **at, "round": [text]}


def back_to_round(text: str, key: str, what: str) -> str | None:
    """Where to go after something was typed in on the way through a round; None when it was not."""
    try:
        of = RoundOf.parse(text)
    except NotUnderstood:
        return None
    return f"{of.path}/typing?{of.query}&after={key}&saved={what}"
