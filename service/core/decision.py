"""One infant, one policy, one day: the decision and its reasons.

Read `decide` from the top: is this somebody to screen at all; do the facts make the infant eligible; when is the first
exam due; what do the exams and treatments on record ask for. Every value on record is tried, not only the preferred
one, and every value a missing one might have: what disagrees or is missing can make an exam earlier or an infant
eligible, never the reverse.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

from service.core.ages import Gestation, format_age, postmenstrual_days, postnatal_days
from service.core.course import NOTHING_DONE, AgeOn, Booking, Closing, Course, Deferral, HandOver
from service.core.demands import demands, first_exam_done, order, remarks
from service.core.growth import growth_flags, judge_growth
from service.core.infant import Candidate, Infant, plausible_gestation
from service.core.leaving import has_died, long_term_visit, owed_on_leaving, standing_hand_over
from service.core.stopping import propose_closing
from service.core.window import Kind as Kind
from service.core.window import NextStep as NextStep
from service.core.window import Reason as Reason
from service.core.window import Window as Window

if TYPE_CHECKING:
    from service.core.policy import FirstExam, Policy

Eligibility = Literal["yes", "no", "unknown"]
State = Literal["eligible", "unknown", "not-eligible", "closed"]


@dataclass(frozen=True, slots=True)
class Ages:
    """Ages on the day of the decision; None where birth date or gestational age is not known."""

    gestation: str | None
    postnatal_days: int | None
    postmenstrual: str | None


@dataclass(frozen=True, slots=True)
class LastExam:
    """The last exam in words, eye by eye, as a list shows it."""

    on: date
    right: str
    left: str


@dataclass(frozen=True, slots=True)
class Decision:
    """The answer for one infant under one policy revision on one day. Immutable.

    `state` is one of four (no infant is ever in none or in two); `missing` names what must be recorded
    ("date_of_birth", "gestational_age_at_birth", "birth_weight"); `flags` are sentences to show; `evidence` names the
    site's resources the weights and gestational ages came from. `also` is all else that is asked for, soonest first: by
    the eyes, then a hand-over and the visit after discharge. `exams` and `treatments` count what has been done;
    `deferrals` are those of the exam that is still to come, `hand_over` the one that stands for an infant who left or
    is to leave, `closing` the one on record, whether it stands or not, `followed_up` the day of the long-term visit,
    `last` the last exam; `bookings` those that no exam has answered (`Course.open_bookings`). A booking is told and
    changes nothing else.
    """

    patient: str
    policy: str
    revision: int
    as_of: date
    state: State
    eligible: Eligibility
    because: tuple[Reason, ...]
    missing: tuple[str, ...]
    ages: Ages
    next: NextStep
    flags: tuple[str, ...]
    birth_weight: int | None = None
    closed_by: str | None = None
    evidence: tuple[str, ...] = ()
    also: tuple[NextStep, ...] = ()
    exams: int = 0
    treatments: int = 0
    deferrals: tuple[Deferral, ...] = ()
    hand_over: HandOver | None = None
    closing: Closing | None = None
    followed_up: date | None = None
    last: LastExam | None = None
    bookings: tuple[Booking, ...] = ()


NOTHING_NEXT: Final = "nothing is due"

_CLOSED: Final = {
    "merged": "this record was merged into another one, which stays on the list",
    "fetus": "this is the record of a fetus",
    "older": "this person was not a newborn when first named",
    "unborn-or-empty": "no birth is recorded here, and nothing else a newborn's record has",
    "deceased": "a death is recorded",
}
"""Why a record is closed without an exam, by name of the rule."""


def decide(infant: Infant, policy: Policy, as_of: date, course: Course = NOTHING_DONE) -> Decision:
    """The decision for `infant` under `policy`, with all that was done so far. `as_of` sets the ages shown, and what
    is dated after it does not count yet: otherwise the dates do not depend on it.

    An infant outside the criteria, or of whom that is not known, is followed all the same once an exam is on record:
    `eligible` then still says whether the criteria hold, `state` that there is a date. Never raises: whatever is
    missing or contradictory, the infant ends in exactly one state.
    """
    happened = course.until(as_of)
    closed_by = infant.record if infant.record != "infant" else "deceased" if has_died(infant, happened) else None
    if closed_by is not None:
        reason = Reason(closed_by, "", _CLOSED[closed_by], "computed")
        return _decision(infant, policy, as_of, "closed", "no", (reason,), (), _nothing(reason), (), closed_by)

    def age(day: date) -> int | None:
        return youngest(infant, day)

    growth = judge_growth(
        infant.gestation, infant.birth_weight, infant.born, infant.weights, infant.risk_flags, as_of
    )  # fmt: skip
    slow = growth.studied and bool(growth.since_birth)
    eligible = _eligible(infant, policy)
    because = _because(infant, policy, held=eligible == "yes")
    if slow and eligible != "yes":
        eligible, because = "yes", growth.since_birth
    flags = (
        *_flags(infant, policy, eligible), *growth_flags(growth, bool(infant.weights), eligible == "yes"),
        *_course_flags(infant, policy, course, happened, eligible, age),
    )  # fmt: skip
    closing = happened.closing
    if closing is not None and happened.closed(policy.care, age, infant.came_back):
        rule = "deceased" if closing.why == "death" else closing.why
        step = NextStep("none", None, Reason(rule, "", str(closing), "computed"))
        if happened.asks_long_term():
            step, flags = long_term_visit(infant, happened), (*flags, str(closing))
            return _decision(infant, policy, as_of, "eligible", eligible, because, (), step, flags, course=happened)
        return _decision(infant, policy, as_of, "closed", eligible, because, (), step, flags, rule, course=happened)
    if eligible == "no" and not happened.begun:
        return _decision(infant, policy, as_of, "not-eligible", "no", because, (), _nothing(because[0]), flags)

    options = [] if eligible == "no" else list(_options(infant, policy, everyone=slow))
    counted = happened.doubted_before(infant.earliest)
    steps = _steps(policy, counted, None if eligible == "no" else _next(infant, options, eligible), age)
    return _decision(
        infant, policy, as_of,
        "unknown" if eligible == "unknown" else "eligible",
        eligible,
        because,
        _missing(infant, options, eligible) if options or eligible != "no" else (),
        steps[0],
        flags,
        also=(*steps[1:], *owed_on_leaving(infant, happened)),
        course=happened,
    )  # fmt: skip


def _steps(policy: Policy, course: Course, first: NextStep | None, age: AgeOn) -> list[NextStep]:
    """All that the eyes ask for, soonest first; at least one step."""
    opening = first.window.opens if first is not None and first.kind == "first-exam" and first.window else None
    awaited = first if first is not None and not first_exam_done(course, opening) else None
    found = demands(course, policy.care, age, opening, awaited=awaited is not None)
    steps = found if awaited is None else [awaited, *found]
    proposal = propose_closing(course, policy.care, age, steps)
    if proposal is not None:
        return [proposal, *sorted(steps, key=order)]
    return sorted(steps, key=order)


def youngest(infant: Infant, day: date) -> int | None:
    """The youngest postmenstrual age in days that the infant may have on a day; None when it may be anything."""
    if infant.gestation.unsettled or infant.born.unsettled:
        return None
    gestation = min(value.low for value in infant.gestation.values)
    return postmenstrual_days(max(value.high for value in infant.born.values), gestation, day)


def _course_flags(
    infant: Infant, policy: Policy, course: Course, happened: Course, eligible: Eligibility, age: AgeOn
) -> tuple[str, ...]:  # fmt: skip
    born = infant.earliest
    flags = list(remarks(happened.doubted_before(born), policy.care, age))
    if infant.deceased:
        flags.append(f"a death on {infant.deceased_on} is recorded, and an exam or a treatment after it: somebody must "
                     "settle which is right")  # fmt: skip
    if born is not None and any(on < born for on in happened.days):
        flags.append("an exam or a treatment is dated before the birth: it ends nothing until one of the dates is put "
                     "right")  # fmt: skip
    if eligible == "no" and happened.begun:
        flags.append("outside the criteria, and followed because an exam or a treatment is on record")
    if (len(course.exams), len(course.treatments)) != (len(happened.exams), len(happened.treatments)):
        flags.append("an exam or a treatment is dated later than today and does not count yet")
    if happened.closing is not None and (why := happened.reopened(policy.care, age, infant.came_back)):
        flags.append(f"{happened.closing}; it is open again: {why}")
    flags += [str(deferral) for deferral in happened.chain]
    if over := standing_hand_over(infant, happened):
        flags.append(str(over))
    return tuple(dict.fromkeys(flags))


def _eligible(infant: Infant, policy: Policy) -> Eligibility:
    """Yes if any values on record say yes; no only if all of them say no and none is missing or in doubt."""
    held = [
        policy.eligible(gestation, weight, bool(infant.risk_flags))
        for gestation in _gestations(infant)
        for weight in _weights(infant)
    ]
    if True in held:
        return "yes"
    return "unknown" if None in held else "no"


def _gestations(infant: Infant) -> list[int | None]:
    """Days on record for eligibility: whole weeks count as their first day, the youngest; None when it is unsettled."""
    days: list[int | None] = [value.low for value in infant.gestation.values]
    return [*days, None] if infant.gestation.unsettled else days


def _weights(infant: Infant) -> list[int | None]:
    grams: list[int | None] = list(infant.birth_weight.values)
    return [*grams, None] if infant.birth_weight.unsettled else grams


class Option(NamedTuple):
    """What the first exam would be if the infant's true values were these."""

    window: Window
    rule: FirstExam
    born: date
    gestation: int
    weight: int


def _options(infant: Infant, policy: Policy, everyone: bool = False) -> Iterable[Option]:
    """A window for every combination of values the infant may have that makes an exam due (`everyone`: any does)."""
    grams, days = set(infant.birth_weight.values), set[int]()
    for value in infant.gestation.values:
        days.update(policy.gestation_knots(value.days()))
    if infant.gestation.unsettled:
        heaviest = None if infant.birth_weight.unsettled else max(grams)
        days.update(policy.gestation_knots(plausible_gestation(heaviest)))
    if infant.birth_weight.unsettled:
        grams.update(policy.weight_knots)
    for gram in sorted(grams):
        for day in sorted(days):
            if everyone or policy.eligible(day, gram, bool(infant.risk_flags)):
                rule = policy.first_exam(day, gram)
                for born in _births(infant):
                    yield Option(rule.window(born, day), rule, born, day, gram)


def _births(infant: Infant) -> list[date]:
    """Earliest days of birth on record. Nothing recorded: none, and no window can be computed."""
    return sorted({value.low for value in infant.born.values})


def _next(infant: Infant, options: Sequence[Option], eligible: Eligibility) -> NextStep:
    if not options:  # the date of birth is missing: the exam may be due now
        day = infant.known_since
        text = "without a date of birth no date can be worked out: an exam may be due now"
        reason = Reason("date-of-birth", "", text, "computed")
        return NextStep("data-needed", Window(day, day, day), reason)
    first = min(options, key=lambda option: (option.window.due, option.window.closes))
    opens = min(option.window.opens for option in options)
    closes = min(option.window.closes for option in options)
    reason = first.rule.reason(first.born, first.gestation)
    reason = replace(reason, text=_supposed(infant, options, first, eligible) + reason.text)
    if eligible == "yes":
        return NextStep("first-exam", Window(opens, first.window.due, closes), reason)
    due = first.window.due
    text = f"must be known by {due.isoformat()}, when an exam could be due: {reason.text}"
    return NextStep("data-needed", Window(min(infant.known_since, due), due, due),
                    Reason(reason.rule, reason.cite, text, reason.provenance))  # fmt: skip


def _supposed(infant: Infant, options: Sequence[Option], taken: Option, eligible: Eligibility) -> str:
    """Names the values a date rests on where they are not simply those on record."""
    values = []
    if infant.gestation.unsettled or infant.gestation.values != (Gestation(taken.gestation, taken.gestation),):
        values.append(format_age(taken.gestation))
    doubtful = infant.birth_weight.unsettled or infant.birth_weight.conflicting
    if doubtful and (eligible == "unknown" or _weight_moves(options)):
        values.append(f"{taken.weight} g")
    return f"taking {' and '.join(values)} at birth, " if values else ""


def _because(infant: Infant, policy: Policy, held: bool) -> tuple[Reason, ...]:
    """The criteria that hold (`held`), or all of them with what keeps each from holding."""
    at_risk = bool(infant.risk_flags)
    reasons = (
        criterion.reason(gestation, weight, at_risk)
        for criterion in policy.criteria
        for gestation in _gestations(infant)
        for weight in _weights(infant)
        if not held or criterion.holds(gestation, weight, at_risk)
    )
    return tuple(dict.fromkeys(reasons))


def _missing(infant: Infant, options: Sequence[Option], eligible: Eligibility) -> tuple[str, ...]:
    """What is not on record, or in doubt, and could change the answer or the date."""
    missing = []
    if infant.born.unsettled or not all(value.exact for value in infant.born.values):
        missing.append("date_of_birth")
    windows = {option.window for option in options if option.born == options[0].born}
    matters = eligible == "unknown" or len(windows) > 1 or not options
    if infant.gestation.unsettled and matters:
        missing.append("gestational_age_at_birth")
    if infant.birth_weight.unsettled and (eligible == "unknown" or not options or _weight_moves(options)):
        missing.append("birth_weight")
    return tuple(missing)


def _weight_moves(options: Sequence[Option]) -> bool:
    """Whether, for some gestational age, the weight alone changes the rule that applies."""
    rules: dict[tuple[date, int], set[str]] = {}
    for option in options:
        rules.setdefault((option.born, option.gestation), set()).add(option.rule.id)
    return any(len(ids) > 1 for ids in rules.values())


def _flags(infant: Infant, policy: Policy, eligible: Eligibility) -> tuple[str, ...]:
    flags = [
        f"gestational age at birth is recorded as {value}: eligibility reads it as its first day, "
        "dates as whichever of its days is earliest"
        for value in infant.gestation.values
        if not value.exact
    ]
    named = (("date of birth", infant.born), ("gestational age at birth", infant.gestation),
             ("birth weight", infant.birth_weight))  # fmt: skip
    for name, attribute in named:
        if attribute.conflicting:
            shown = ", ".join(f"{value} g" if name == "birth weight" else str(value) for value in attribute.values)
            flags.append(f"{name} differs between records ({shown}): the wider rule and the earlier date count "
                         "until a clinician settles it")  # fmt: skip
        if attribute.unreadable:
            flags.append(f"a {name} was sent that could not be read")
        elif attribute.candidates and attribute.unsettled:
            flags.append(f"{name} is provisional, or was recorded in a way that may mean something else")
    if eligible != "yes" and policy.by_risk and not infant.risk_flags:
        flags.append("no risk flag is recorded; a clinician who judges the course high-risk can add one")
    return tuple(flags)


def _ages(infant: Infant, as_of: date) -> Ages:
    born, gestation = infant.born.value, infant.gestation.value
    days = None if born is None or not born.exact else postnatal_days(born.low, as_of)
    now = None if days is None else _postmenstrual(gestation, days)
    return Ages(None if gestation is None else str(gestation), days, now)


def _evidence(infant: Infant) -> tuple[str, ...]:
    said: tuple[Candidate[Any], ...] = (*infant.gestation.candidates, *infant.birth_weight.candidates)
    return tuple(dict.fromkeys(candidate.resource for candidate in said if candidate.resource))


def _nothing(reason: Reason) -> NextStep:
    return NextStep("none", None, Reason(reason.rule, reason.cite, NOTHING_NEXT, reason.provenance))


def _decision(
    infant: Infant, policy: Policy, as_of: date, state: State, eligible: Eligibility, because: tuple[Reason, ...],
    missing: tuple[str, ...], step: NextStep, flags: tuple[str, ...], closed_by: str | None = None,
    also: tuple[NextStep, ...] = (), course: Course = NOTHING_DONE,
) -> Decision:  # fmt: skip
    return Decision(
        patient=infant.patient, policy=policy.id, revision=policy.revision, as_of=as_of, state=state,
        eligible=eligible, because=because, missing=missing, ages=_ages(infant, as_of), next=step, flags=flags,
        birth_weight=infant.birth_weight.value, closed_by=closed_by, evidence=_evidence(infant), also=also,
        exams=course.held, treatments=len({(each.on, each.kind) for each in course.treatments}), deferrals=course.chain,
        hand_over=standing_hand_over(infant, course), closing=course.closing,
        followed_up=course.followed_up, last=_last(course), bookings=course.open_bookings(_needed(policy, step, *also)),
    )  # fmt: skip


def _needed(policy: Policy, *steps: NextStep) -> date:
    """From which day on the eyes ask for anything; the question whether screening may stop asks for no visit."""
    stops = {stop.id for stop in policy.care.stops}
    asked = [step for step in steps if step.kind not in _NO_VISIT and step.reason.rule not in stops]
    return min((step.window.opens for step in asked if step.window is not None), default=date.max)


_NO_VISIT: Final = ("data-needed", "hand-over", "long-term")


def _last(course: Course) -> LastExam | None:
    if not course.exams:
        return None
    exam = course.exams[-1]
    return LastExam(exam.on, str(exam.right), str(exam.left))


# --- as JSON, and back ---------------------------------------------------------------------------------------------


def to_json(decision: Decision) -> dict[str, Any]:
    """JSON-able shape of a decision, dates as ISO text: what the store keeps and `/api` shows."""
    return {key: _plain(value) for key, value in asdict(decision).items()}


def from_json(body: Mapping[str, Any]) -> Decision:
    """The decision that `to_json` wrote."""
    return Decision(
        **{
            **body,
            "as_of": date.fromisoformat(body["as_of"]),
            "because": tuple(Reason(**reason) for reason in body["because"]),
            "missing": tuple(body["missing"]),
            "ages": Ages(**body["ages"]),
            "next": _step(body["next"]),
            "flags": tuple(body["flags"]),
            "evidence": tuple(body["evidence"]),
            "also": tuple(_step(step) for step in body.get("also", ())),
            "deferrals": tuple(Deferral(**_dated(each)) for each in body.get("deferrals", ())),
            "hand_over": HandOver(**_dated(body["hand_over"])) if body.get("hand_over") else None,
            "closing": Closing(**_dated(body["closing"])) if body.get("closing") else None,
            "followed_up": date.fromisoformat(body["followed_up"]) if body.get("followed_up") else None,
            "last": LastExam(**_dated(body["last"])) if body.get("last") else None,
            "bookings": tuple(Booking(**_dated(each)) for each in body.get("bookings", ())),
        }
    )


def _dated(body: Mapping[str, Any]) -> dict[str, Any]:
    days = ("on", "until", "appointment", "day")
    return {key: date.fromisoformat(value) if key in days else value for key, value in body.items()}


def _step(body: Mapping[str, Any]) -> NextStep:
    """A step as written, also as it was written before steps had a clock or an eye."""
    days = body["window"]
    window = days and Window(*(date.fromisoformat(days[edge]) for edge in ("opens", "due", "closes")))
    return NextStep(body["kind"], window, Reason(**body["reason"]), body.get("by"), body.get("eye"))


def on_day(decision: Decision, day: date) -> Decision:
    """The same decision with the ages of another day; nothing else depends on the day."""
    if day == decision.as_of:
        return decision
    ages = decision.ages
    if ages.postnatal_days is None:
        return replace(decision, as_of=day)
    days = ages.postnatal_days + (day - decision.as_of).days
    gestation = Gestation.parse(ages.gestation) if ages.gestation else None
    return replace(decision, as_of=day, ages=Ages(ages.gestation, days, _postmenstrual(gestation, days)))


def says_anew(before: Mapping[str, Any] | None, decision: Decision) -> bool:
    """Whether a decision says anything that the one before, as JSON, did not; the ages alone do not count."""
    return before is None or to_json(on_day(from_json(before), decision.as_of)) != to_json(decision)


def _postmenstrual(gestation: Gestation | None, days: int) -> str | None:
    if gestation is None or gestation.low + days <= 0:
        return None
    return str(Gestation(gestation.low + days, gestation.high + days))


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value
