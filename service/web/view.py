"""An Entry becomes the words of one row. Pure: dates in, sentences out; nothing here knows HTML or HTTP."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from markupsafe import Markup

from service.core.ages import Gestation, format_age
from service.core.course import Booking
from service.core.decision import Ages, Decision, NextStep, Reason, Window, on_day
from service.core.findings import SIDES
from service.core.worklist import Entry, bucket
from service.web.phrases import tell
from service.web.strip import draw_strip
from service.web.words import N_, _, ngettext_, say_date

SECTIONS: Final[Mapping[str, tuple[str, str]]] = {
    "clock": (N_("Treatment clock"), N_("Treatment is asked for, and its hours run, on weekends too.")),
    "overdue": (N_("Overdue"), N_("The last day of the window has passed.")),
    "today": (N_("Today"), N_("The best day has come and the window is still open.")),
    "this-week": (N_("This week"), N_("The best day is within the next six days.")),
    "unjudged": (
        N_("Cannot be judged yet"),
        N_("Something is missing, so nobody can say whether an exam is due. Record it by the day shown."),
    ),
    "later": (N_("Later"), N_("The best day is a week or more away.")),
}
"""Section of the list -> its heading and what being in it means, in the order shown."""

SURETY: Final[Mapping[str, str]] = {
    "read": N_("numbers read in the source"),
    "memory": N_("numbers from memory, not checked against the source"),
    "unconfirmed": N_("numbers unconfirmed: not found in the source, or borrowed"),
    "practice": N_("common practice, no published source"),
    "computed": N_("computed from this infant's own data"),
}
"""How the numbers of a rule came into the policy file -> the words that say so."""

_TASKS: Final[Mapping[str, str]] = {
    "first-exam": N_("First eye exam"),
    "repeat-exam": N_("Next eye exam"),
    "treatment": N_("Treatment"),
    "review-after-laser": N_("Exam after laser"),
    "review-after-injection": N_("Exam after injection"),
    "decision": N_("Somebody decides"),
    "hand-over": N_("Hand over to whoever takes the infant on"),
    "long-term": N_("Refraction and alignment"),
    "none": N_("Nothing is due"),
}
ACTS: Final[Mapping[str, tuple[str, str]]] = {
    **dict.fromkeys(
        ("first-exam", "repeat-exam", "review-after-laser", "review-after-injection", "decision"),
        ("exam", N_("Enter an exam")),
    ),
    "treatment": ("treatment", N_("Enter the treatment")),
    "data-needed": ("newborn", N_("Fill it in")),
    "hand-over": ("hand-over", N_("Hand over")),
    "long-term": ("long-term", N_("Enter the visit")),
}
"""Kind of step -> the sheet that answers it, and how a link to the sheet is said."""
_MISSING: Final[Mapping[str, str]] = {
    "date_of_birth": N_("date of birth"),
    "gestational_age_at_birth": N_("gestational age at birth"),
    "birth_weight": N_("birth weight"),
}
_EYES: Final[Mapping[tuple[str, ...], str]] = {
    ("right",): N_("right eye"), ("left",): N_("left eye"), ("right", "left"): N_("both eyes"),
}  # fmt: skip
NOT_KNOWN: Final = N_("not known")


@dataclass(frozen=True, slots=True)
class Why:
    """Reasons from one place in one source: what they say together, the source, and how sure its numbers are."""

    text: str
    cite: str
    surety: str
    unconfirmed: bool


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing asked for, in words; what is the same for both eyes is said once. `act` is the sheet that answers it
    and the words of the link."""

    kind: str
    task: str
    standing: str
    dates: str
    advice: str
    late: bool
    window: Window
    reasons: tuple[Reason, ...]
    today: date
    act: tuple[str, str] | None

    @property
    def why(self) -> tuple[Why, ...]:
        """Each rule with its source."""
        return say_why(self.reasons, self.today)

    @property
    def in_short(self) -> str:
        """Why, without the sources."""
        return "; ".join(dict.fromkeys(capitalize(say_dates_in(each.text, self.today)) for each in self.reasons))


@dataclass(frozen=True, slots=True)
class Row:
    """One infant as the list shows it; every text is ready to print (and still to be escaped). What only a row that is
    unfolded shows is worked out when it is asked for: a list may have thousands of rows."""

    entry: Entry
    decision: Decision
    today: date
    site: str
    site_name: str
    key: str
    name: str
    identifier: str
    section: str
    unjudged: bool
    late: bool
    standing: str
    task: str
    dates: str
    advice: str
    left_hospital: bool
    needs_hand_over: bool
    last: str
    put_off: str
    asked: Asked
    also: tuple[Asked, ...]
    act: tuple[str, str] | None

    @property
    def window(self) -> Window:
        return self.entry.window

    @property
    def booked(self) -> str:
        """What is booked ahead; "" when nothing is."""
        return say_booked(self.decision, self.today)

    @property
    def booking_flags(self) -> tuple[str, ...]:
        """What is wrong with the bookings: missed, or later than the window allows."""
        return flag_bookings(self.decision, self.today)

    @property
    def place(self) -> tuple[str, ...]:
        """Site, unit and bed, widest first."""
        return say_place(self.site_name, self.entry.unit, self.entry.bed)

    @property
    def ages(self) -> tuple[tuple[str, str], ...]:
        return say_ages(self.decision.ages, self.decision.birth_weight)

    @property
    def strip(self) -> Markup | None:
        return draw_strip(self.decision.ages, self.entry.window, self.today)

    @property
    def why_then(self) -> tuple[Why, ...]:
        return self.asked.why

    @property
    def why_this_infant(self) -> tuple[Why, ...]:
        """Why the infant is screened at all."""
        return say_why((each for each in self.decision.because if each != self.decision.next.reason), self.today)

    @property
    def flags(self) -> tuple[str, ...]:
        """Sentences to show, without those said in words of their own."""
        agreed = (*self.decision.deferrals, *filter(None, [self.decision.hand_over]))
        told = {str(each) for each in agreed}
        return tuple(capitalize(say_dates_in(flag, self.today)) for flag in self.decision.flags if flag not in told)

    @property
    def policy(self) -> str:
        return tell(f"{self.decision.policy} revision {self.decision.revision}")


def say_day(day: date, beside: date) -> str:
    """`Sun 1 Jun`, with the year where it is not the year of `beside`."""
    return say_date(day, "EEE d MMM" if day.year == beside.year else "EEE d MMM y")


def say_long_day(day: date) -> str:
    """`Sunday 1 June 2031`."""
    return say_date(day, _("EEEE d MMMM y"))


def count_days(number: int) -> str:
    """`1 day`, `3 days`."""
    return ngettext_("%(n)s day", "%(n)s days", number)


def join_words(words: Sequence[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return _(" and ").join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def capitalize(sentence: str) -> str:
    """First letter large; the rest as it stands."""
    return sentence[:1].upper() + sentence[1:]


def say_missing(missing: Iterable[str]) -> str:
    """The names of missing values in trade words."""
    return join_words([_(_MISSING.get(name, name.replace("_", " "))) for name in missing])


def say_task(kind: str, missing: Sequence[str] = (), eyes: Sequence[str | None] = ()) -> str:
    """What is to be done, as a heading: `First eye exam`, `Record birth weight`, `Treatment, right eye`."""
    if kind == "data-needed":
        return _("Record %(names)s", names=say_missing(missing)) if missing else _("Record what is missing")
    task = _(_TASKS.get(kind) or kind.replace("-", " ").capitalize())
    named = [eye for eye in SIDES if eye in eyes]
    return f"{task}, {_(_EYES[tuple(named)])}" if named else task


def say_clock(by: str, beside: date) -> str:
    """The instant at which a clock runs out, as the clock on the site's wall: `Fri 4 Jun 09:30`."""
    moment = datetime.fromisoformat(by)
    return f"{say_day(moment.date(), beside)} {moment:%H:%M}"


def say_times(number: int) -> str:
    """`once`, `twice`, `3 times`."""
    return {1: _("once"), 2: _("twice")}.get(number) or _("%(n)s times", n=number)


def say_dates_in(text: str, beside: date) -> str:
    """The core's sentence in the language spoken now, with each `2031-06-01` said as a day of the week and month."""

    def say(match: re.Match[str]) -> str:
        try:
            return say_day(date.fromisoformat(match[0]), beside)
        except ValueError:
            return match[0]

    text = tell(text)
    return _DAY.sub(say, text) if "-" in text else text


_DAY: Final = re.compile(r"\b\d{4}-\d{2}-\d{2}\b")


_NO_SOURCE: Final = "common practice, no source"
"""A citation that says what the surety beside it says."""


def say_why(reasons: Iterable[Reason], today: date) -> tuple[Why, ...]:
    """Reasons with their sources; what one source says is told together. Unknown provenance counts as unconfirmed."""
    together: dict[tuple[str, str], list[str]] = {}
    for reason in dict.fromkeys(reasons):
        together.setdefault((reason.cite, reason.provenance), []).append(say_dates_in(reason.text, today))
    return tuple(
        Why(
            capitalize("; ".join(dict.fromkeys(texts))) + ".",
            "" if provenance == "practice" and cite == _NO_SOURCE else tell(cite),
            _(SURETY.get(provenance, provenance)),
            provenance not in ("read", "computed"),
        )
        for (cite, provenance), texts in together.items()
    )


def say_age(age: str | None) -> str:
    """`26w4d`; `30w, day not known`; `34w5d to 35w4d`; or that it is not known."""
    if age is None:
        return _(NOT_KNOWN)
    known = Gestation.parse(age)
    if known.exact:
        return age
    low, high = format_age(known.low), format_age(known.high)
    if ".." in age:
        return _("%(low)s to %(high)s", low=low, high=high)
    return _("%(age)s, day not known", age=age)


def say_ages(ages: Ages, birth_weight: int | None) -> tuple[tuple[str, str], ...]:
    """Label and value of the four numbers every reader of the list asks for."""
    postnatal = ages.postnatal_days
    return (
        (_("Born at"), say_age(ages.gestation)),
        (_("Birth weight"), f"{birth_weight} g" if birth_weight is not None else _(NOT_KNOWN)),
        (_("Age"), count_days(postnatal) if postnatal is not None else _(NOT_KNOWN)),
        (_("PMA"), say_age(ages.postmenstrual)),
    )


def say_standing(entry: Entry, today: date) -> str:
    """Where the entry stands today, in few words: `3 days over`, `Last day today`, `Due in 4 days`."""
    step = entry.decision.next
    return _stand(entry.kind, entry.window, step.by if step.kind == entry.kind else None, today)


def _stand(kind: str, window: Window, by: str | None, today: date) -> str:
    over, left = (today - window.closes).days, (window.closes - today).days
    if kind == "data-needed":
        if over > 0:
            return _("Needed %(days)s ago", days=count_days(over))
        return _("Needed today") if left == 0 else _("Needed in %(days)s", days=count_days(left))
    if over > 0:
        return _("%(days)s over", days=count_days(over))
    if by is not None:
        clock = datetime.fromisoformat(by)
        if clock.date() == today:
            return _("Today by %(time)s", time=f"{clock:%H:%M}")
        return _("By %(time)s", time=say_clock(by, today))
    if left == 0:
        return _("Last day today")
    if window.due <= today:
        return _("Due now, %(days)s left", days=count_days(left))
    wait = (window.due - today).days
    return _("Due tomorrow") if wait == 1 else _("Due in %(days)s", days=count_days(wait))


def say_window(kind: str, window: Window, by: str | None, today: date) -> tuple[str, str]:
    """The days of a window, and what is best within it."""
    opens, due, closes = (say_day(day, today) for day in (window.opens, window.due, window.closes))
    if kind == "data-needed":
        return _("by %(day)s", day=closes), _("From that day an exam may be due.")
    if by is not None:
        best = [] if window.due == window.closes else [_("Best by %(day)s.", day=due)]
        advice = " ".join([*best, _("The clock runs on weekends too.")])
        return _("by %(time)s", time=say_clock(by, today)), advice
    if window.opens == window.closes:
        return _("on %(day)s", day=opens), ""
    best_day = _("Best on %(day)s.", day=due) if window.due != window.closes else _("By %(day)s.", day=due)
    return _("%(first)s to %(last)s", first=opens, last=closes), best_day


def say_steps(decision: Decision, today: date) -> tuple[Asked, ...]:
    """All that a decision asks for, the next step first; none when nothing is due."""
    steps = [step for step in (decision.next, *decision.also) if step.window is not None]
    together: dict[tuple[str, Window | None, str | None], list[NextStep]] = {}
    for step in steps:
        together.setdefault((step.kind, step.window, step.by), []).append(step)
    return tuple(_ask(sorted(alike, key=_right_first), decision, today) for alike in together.values())


def _right_first(step: NextStep) -> bool:
    return step.eye == "left"


def _ask(alike: Sequence[NextStep], decision: Decision, today: date) -> Asked:
    step, window = alike[0], alike[0].window
    if window is None:
        raise ValueError("nothing is asked for")  # say_steps has looked
    dates, advice = say_window(step.kind, window, step.by, today)
    return Asked(
        kind=step.kind,
        task=say_task(step.kind, decision.missing, [each.eye for each in alike]),
        standing=_stand(step.kind, window, step.by, today),
        dates=dates,
        advice=advice,
        late=today > window.closes,
        window=window,
        reasons=tuple(each.reason for each in alike),
        today=today,
        act=ACTS.get(step.kind),
    )


def say_last(decision: Decision, today: date) -> str:
    """What the last exam found, in short: `Mon 2 Jun: right zone II stage 2, left zone II without ROP`."""
    last = decision.last
    if last is None:
        return ""
    right, left = tell(last.right), tell(last.left)
    day = say_day(last.on, today)
    if right == left:
        return _("%(day)s: both eyes %(eye)s", day=day, eye=right)
    return _("%(day)s: right %(right)s, left %(left)s", day=day, right=right, left=left)


def say_put_off(decision: Decision, today: date) -> str:
    """How often the exam was put off, and what was said last; "" when it never was."""
    if not decision.deferrals:
        return ""
    last = decision.deferrals[-1]
    times, day = say_times(len(decision.deferrals)), say_day(last.until, today)
    return _("Put off %(times)s, last until %(day)s: %(reason)s", times=times, day=day, reason=last.reason)


def say_booking(booking: Booking, beside: date) -> str:
    """`Tue 3 Jun at 09:30, eye clinic, Dr Reed`."""
    day = say_day(booking.day, beside)
    at = _("%(day)s at %(time)s", day=day, time=booking.time) if booking.time else day
    return ", ".join(filter(None, [at, booking.place, booking.examiner]))


def say_booked(decision: Decision, today: date) -> str:
    """What is booked from today on: `Booked for Tue 3 Jun at 09:30`; "" when nothing is."""
    ahead = [say_booking(each, today) for each in decision.bookings if each.day >= today]
    return _("Booked for %(days)s", days="; ".join(ahead)) if ahead else ""


def flag_bookings(decision: Decision, today: date) -> tuple[str, ...]:
    """What is wrong with the bookings of an infant who is on the list: missed, or later than the window allows. Worked
    out when it is shown: a day that has passed needs no new decision."""
    window = decision.next.window
    if window is None:
        return ()
    flags = []
    for each in decision.bookings:
        if each.day < today:
            flags.append(
                _("Missed: booked for %(day)s, and no exam is on record since", day=say_booking(each, today))
            )  # fmt: skip
        elif each.day > window.closes:
            late = (each.day - window.closes).days
            flags.append(
                ngettext_(
                    "Booked after the window closes: %(day)s is %(n)s day after the last day",
                    "Booked after the window closes: %(day)s is %(n)s days after the last day",
                    late, day=say_day(each.day, today),
                )
            )  # fmt: skip
    return tuple(flags)


def say_place(site_name: str, unit: str, bed: str) -> tuple[str, ...]:
    """Where the infant is, widest first; a site named in its unit's name is not said twice."""
    site = "" if unit.casefold().startswith(site_name.casefold()) else site_name
    bed = bed if not bed or bed.casefold().startswith(("bed", "cot", "incubator")) else _("bed %(bed)s", bed=bed)
    return tuple(part for part in (site, unit, bed) if part)


def short_bed(bed: str) -> str:
    """`Bed 4` -> `4`: in a column that is headed so already."""
    return bed[3:].lstrip() if bed[:4].casefold() == "bed " else bed


def find_section(entry: Entry, today: date) -> str:
    """The section of the list an entry stands in.

    Whatever a treatment clock runs for stands apart, also when it has run out. What cannot be judged yet has a section
    of its own until its date comes; from that day it stands among the overdue and today's, so that it is never read
    last.
    """
    step = entry.decision.next
    if entry.kind == "treatment" or (step.by is not None and step.kind == entry.kind):
        return "clock"
    when = bucket(entry, today)
    if entry.kind == "data-needed" and when not in ("overdue", "today"):
        return "unjudged"
    return when


def describe(entry: Entry, today: date, site_name: str) -> Row:
    """The row of one entry on one day."""
    decision = on_day(entry.decision, today)
    asked, *also = say_steps(decision, today)
    return Row(
        entry=entry, decision=decision, today=today, site=entry.site, site_name=site_name, key=entry.key,
        name=entry.name or "Name not known",
        identifier=entry.identifier,
        section=find_section(entry, today),
        unjudged=entry.kind == "data-needed",
        late=today > entry.window.closes,
        standing=say_standing(entry, today),
        task=asked.task,
        dates=asked.dates,
        advice=asked.advice,
        left_hospital=entry.left_hospital,
        needs_hand_over=entry.needs_hand_over,
        last=say_last(decision, today),
        put_off=say_put_off(decision, today),
        asked=asked,
        also=tuple(also),
        act=asked.act,
    )  # fmt: skip


def arrange(
    entries: Iterable[Entry], today_of: Callable[[str], date], name_of: Callable[[str], str]
) -> dict[str, list[Row]]:
    """The rows of each section, every section present, in the order the ranked entries came."""
    sections: dict[str, list[Row]] = {section: [] for section in SECTIONS}
    for entry in entries:
        row = describe(entry, today_of(entry.site), name_of(entry.site))
        sections[row.section].append(row)
    return sections
