"""Worked examples: an infant described in a few lines of TOML, and what the answer must be.

The same format serves a policy's own `[[example]]` tables, the test suite and `ridgeline assess`:

    [[example]]
    id = "25w3d, 780 g"
    source = "..."                                    # where the expected values come from
    given = { born = 2031-05-01, gestational_age_at_birth = "25w3d", birth_weight = "780g", risk_flags = ["sepsis"] }
    as_of = 2031-06-01
    expect = { eligible = "yes", kind = "first-exam", due = 2031-06-09 }

    [[example.exam]]                                  # as many as were held, see core/findings.py
    on = 2031-06-09
    right = { zone = "II", stage = 2, plus = "pre-plus" }
    left = { view = "poor" }                          # an eye left out was not examined

    [[example.treatment]]
    on = 2031-06-11
    eyes = "right"
    kind = "injection"
    agent = "ranibizumab"

    [example.closing]                                 # on what is on record until that day; `why`: core/course.py
    on = 2031-12-01
    by = "Dr Reed"
    why = "screening-complete"

    [[example.deferral]]                              # on, until, reason, ophthalmologist, neonatologist
    [[example.hand_over]]                             # on, to, place, appointment, by, parents_told
    [[example.booking]]                               # on, day, time, place, examiner, by

In `given` everything may be left out; a list gives values that disagree; `unreadable = ["birth_weight"]` says that
something was sent that could not be read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, replace
from datetime import date, datetime
from typing import Any, Final, TypeVar

from service.core.ages import Gestation
from service.core.course import CLOSINGS, NOTHING_DONE, Booking, Closing, Course, Deferral, HandOver
from service.core.decision import Decision, decide
from service.core.findings import parse_exam, parse_treatment
from service.core.infant import Candidate, Days, Infant, Known, Weighing
from service.core.origin import numbered
from service.core.policy import Policy, parse_grams
from service.errors import ConfigurationError, NotUnderstood

T = TypeVar("T")

_KEYS: Final = (
    "id", "source", "note", "given", "as_of", "exam", "treatment", "closing", "deferral", "hand_over", "booking",
    "expect",
)  # fmt: skip
_GIVEN: Final = (
    "born", "gestational_age_at_birth", "birth_weight", "sex", "risk_flags", "weights", "unreadable", "known_since",
    "deceased", "left_on",
)  # fmt: skip
_READABLE: Final = ("born", "gestational_age_at_birth", "birth_weight")
_SEXES: Final = ("male", "female", "other", "unknown")


@dataclass(frozen=True, slots=True)
class Case:
    """One worked example. `expect` maps a name of `answers` to the value it must have."""

    id: str
    infant: Infant
    as_of: date | None
    expect: Mapping[str, Any]
    course: Course = NOTHING_DONE

    def decide(self, policy: Policy, today: date) -> Decision:
        """The decision on the case's own date, or on `today` when it has none. An infant whose case holds no date at
        all is known since that day."""
        day = self.as_of or today
        undated = self.infant.known_since == date.min
        infant = replace(self.infant, known_since=day) if undated else self.infant
        return decide(infant, policy, day, self.course)


def answers(decision: Decision) -> dict[str, Any]:
    """What an example can expect of a decision, by name."""
    window = decision.next.window
    return {
        "eligible": decision.eligible,
        "state": decision.state,
        "because": [reason.rule for reason in decision.because],
        "missing": list(decision.missing),
        "kind": decision.next.kind,
        "rule": decision.next.reason.rule,
        "opens": window and window.opens,
        "due": window and window.due,
        "closes": window and window.closes,
        "by": decision.next.by,
        "eye": decision.next.eye,
        "flags": list(decision.flags),
        "also": [step.kind for step in decision.also],
        "gestational_age_at_birth": decision.ages.gestation,
        "postnatal_days": decision.ages.postnatal_days,
        "postmenstrual_age": decision.ages.postmenstrual,
    }


def parse_case(data: Mapping[str, Any], where: str) -> Case:
    """A Case from one `[[example]]` table. Raises ConfigurationError naming `where` and the key."""
    for key in data:
        if key not in _KEYS:
            raise ConfigurationError(where, f"unknown key {key!r}", _KEYS)
    given = data.get("given", {})
    if not isinstance(given, Mapping):
        raise ConfigurationError(f"{where}.given", "must be a table")
    for key in given:
        if key not in _GIVEN:
            raise ConfigurationError(f"{where}.given", f"unknown key {key!r}", _GIVEN)
    name, as_of, expect = data.get("id"), data.get("as_of"), data.get("expect", {})
    if not isinstance(name, str) or not name:
        raise ConfigurationError(f"{where}.id", "must be a text and is missing or empty")
    day = None if as_of is None else _date(as_of, f"{where}.as_of")
    if not isinstance(expect, Mapping):
        raise ConfigurationError(f"{where}.expect", "must be a table")
    for key in expect:
        if key not in _EXPECTED:
            raise ConfigurationError(f"{where}.expect", f"unknown key {key!r}", _EXPECTED)
    course = Course.of(
        [parse_exam(table, at) for table, at in numbered(data, "exam", where)],
        [parse_treatment(table, at) for table, at in numbered(data, "treatment", where)],
        deferrals=[_agreed(Deferral, table, at) for table, at in numbered(data, "deferral", where)],
        hand_overs=[_agreed(HandOver, table, at) for table, at in numbered(data, "hand_over", where)],
        bookings=[_agreed(Booking, table, at) for table, at in numbered(data, "booking", where)],
    )
    if "closing" in data:
        given_closing = data["closing"]
        if not isinstance(given_closing, Mapping):
            raise ConfigurationError(f"{where}.closing", "must be a table")
        closing = _agreed(Closing, {"basis": "", **given_closing}, f"{where}.closing")
        if closing.why not in CLOSINGS:
            raise ConfigurationError(f"{where}.closing.why", f"{closing.why!r} closes no course", tuple(CLOSINGS))
        course = replace(course, closing=replace(closing, basis=closing.basis or course.until(closing.on).basis))
    return Case(name, _infant(name, given, day, f"{where}.given"), day, expect, course)


_EXPECTED: Final = (
    "eligible", "state", "because", "missing", "kind", "rule", "opens", "due", "closes", "by", "eye", "flags", "also",
    "gestational_age_at_birth", "postnatal_days", "postmenstrual_age",
)  # fmt: skip


def _agreed(kind: type[T], data: Mapping[str, Any], where: str) -> T:
    """What was agreed, from a table with the very names it has; all but a note and what is true or false must be
    there."""
    days, found = ("on", "until", "appointment"), {}
    known = {field.name: field for field in fields(kind)}  # type: ignore[arg-type]
    for key, value in data.items():
        if key not in known:
            raise ConfigurationError(where, f"unknown key {key!r}", tuple(known))
        found[key] = _date(value, f"{where}.{key}") if key in days else value
    for name, field in known.items():
        if name not in found and field.default is MISSING:
            raise ConfigurationError(f"{where}.{name}", "is missing")
        wanted = bool if name == "parents_told" else date if name in days else str
        if name in found and not isinstance(found[name], wanted):
            raise ConfigurationError(f"{where}.{name}", f"must be a {'truth value' if wanted is bool else 'text'}")
    return kind(**found)


def check_case(case: Case, policy: Policy, today: date) -> list[str]:
    """What differs from the expectation, as sentences; empty when all of it holds. `today` if the case has no date."""
    found = answers(case.decide(policy, today))
    return [
        f"{case.id}: {name} is {found[name]}, expected {wanted}"
        for name, wanted in case.expect.items()
        if not _agrees(name, wanted, found)
    ]


def _agrees(name: str, wanted: object, found: Mapping[str, Any]) -> bool:
    """Equal; flags may be expected in part, none when none is; an instant is when a clock runs out."""
    if name == "flags" and isinstance(wanted, list):
        shown = [any(str(part) in flag for flag in found["flags"]) for part in wanted]
        return all(shown) and bool(wanted) == bool(found["flags"])
    if isinstance(wanted, datetime):
        return bool(wanted.isoformat(timespec="minutes") == found["by"])
    return bool(found[name] == wanted)


def _infant(name: str, given: Mapping[str, Any], as_of: date | None, where: str) -> Infant:
    unreadable = given.get("unreadable", [])
    if not isinstance(unreadable, list) or any(word not in _READABLE for word in unreadable):
        raise ConfigurationError(f"{where}.unreadable", "must be a list of attributes", _READABLE)

    def attribute(key: str, read: Callable[[Any], T]) -> Known[T]:
        value = given.get(key)
        values = value if isinstance(value, list) else [] if value is None else [value]
        try:
            candidates = tuple(Candidate(read(each)) for each in values)
        except (NotUnderstood, ValueError) as error:
            raise ConfigurationError(f"{where}.{key}", str(error)) from None
        return Known(candidates, key in unreadable)

    born = attribute("born", _days)
    first = min((value.low for value in born.values), default=None)
    since = given.get("known_since")
    known_since = _date(since, f"{where}.known_since") if since is not None else first or as_of or date.min
    flags, deceased, sex = given.get("risk_flags", []), given.get("deceased", False), given.get("sex")
    if not isinstance(flags, list) or not all(isinstance(flag, str) for flag in flags):
        raise ConfigurationError(f"{where}.risk_flags", "must be a list of words")
    if type(deceased) not in (bool, date):
        raise ConfigurationError(f"{where}.deceased", "must be a date, true or false")
    if sex not in (None, *_SEXES):
        raise ConfigurationError(f"{where}.sex", "is not a sex as records write it", _SEXES)
    left = given.get("left_on")
    return Infant(
        patient=name,
        known_since=known_since,
        born=born,
        gestation=attribute("gestational_age_at_birth", lambda text: Gestation.parse(str(text))),
        birth_weight=attribute("birth_weight", parse_grams),
        risk_flags=tuple(sorted(flags)),
        sex=sex,
        deceased=bool(deceased),
        deceased_on=deceased if isinstance(deceased, date) else None,
        weights=_weighings(given.get("weights", []), f"{where}.weights"),
        in_hospital=None if left is None else False,
        left_on=None if left is None else _date(left, f"{where}.left_on"),
    )


def _weighings(weights: object, where: str) -> tuple[Weighing, ...]:
    """Later weights, `{ on = 2031-05-11, weight = "790g" }`."""
    if not isinstance(weights, list):
        raise ConfigurationError(where, "must be a list")
    found = []
    for weight in weights:
        if not isinstance(weight, Mapping) or set(weight) != {"on", "weight"}:
            raise ConfigurationError(where, "each weight is a table", ("on", "weight"))
        try:
            found.append(Weighing(_date(weight["on"], where), parse_grams(weight["weight"])))
        except NotUnderstood as error:
            raise ConfigurationError(where, str(error)) from None
    return tuple(sorted(found))


def _days(value: object) -> Days:
    """A date, or a text `2031-05-01..2031-05-31` for a date known only to the month."""
    first, dots, last = str(value).partition("..")
    try:
        days = Days(date.fromisoformat(first), date.fromisoformat(last if dots else first))
    except ValueError:
        raise NotUnderstood(f"{str(value)!r} is not a date; write 2031-06-01") from None
    if days.low > days.high:
        raise NotUnderstood("a range runs from the earlier to the later day")
    return days


def _date(value: object, where: str) -> date:
    try:
        return value if type(value) is date else date.fromisoformat(str(value))
    except ValueError:
        raise ConfigurationError(where, f"{value!r} is not a date; write 2031-06-01") from None
