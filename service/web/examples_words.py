"""A worked example of an edition in words: whom it is about, what was done, what must follow, whether it does. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from service.core.case import Case, check_case, parse_case
from service.core.course import CLOSINGS
from service.core.policy import Policy
from service.web.phrases import tell
from service.web.view import join_words, say_day, say_missing, say_task
from service.web.words import N_, _

ELIGIBLE: Final = {"yes": N_("to be examined"), "no": N_("not to be examined"), "unknown": N_("cannot be judged yet")}
_STATES: Final = {
    "eligible": N_("something is to come"), "unknown": N_("cannot be judged yet"),
    "not-eligible": N_("not to be examined by the policy"), "closed": N_("closed"),
}  # fmt: skip
_DAYS: Final = {
    "opens": N_("opens %(day)s"), "due": N_("best %(day)s"), "closes": N_("late after %(day)s"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Example:
    """One example, ready to print. `wrong` is what came out otherwise than expected, worked out now."""

    id: str
    source: str
    infant: str
    done: tuple[str, ...]
    as_of: str
    shows: tuple[str, ...]
    wrong: tuple[str, ...]


def say_examples(policy: Policy, today: date) -> list[Example]:
    """Every worked example of an edition, each worked out again."""
    return [
        _say(table, parse_case(table, f"{policy.id}: example[{number}]"), policy, today)
        for number, table in enumerate(policy.examples)
    ]


def _say(table: Mapping[str, Any], case: Case, policy: Policy, today: date) -> Example:
    beside = case.as_of or today
    return Example(
        case.id, str(table.get("source", "")), ", ".join(_infant(table.get("given", {}), beside)),
        tuple(_done(case, beside)), say_day(case.as_of, today) if case.as_of else "",
        tuple(_shows(case.expect, beside)), tuple(check_case(case, policy, today)),
    )  # fmt: skip


def _infant(given: Mapping[str, Any], beside: date) -> Iterator[str]:
    born = given.get("born")
    if born is not None:
        yield _("born %(day)s", day=_day(born, beside))
    if "gestational_age_at_birth" in given:
        yield _("at %(age)s", age=_values(given["gestational_age_at_birth"]))
    if "birth_weight" in given:
        yield _("weighing %(weight)s", weight=_values(given["birth_weight"]).replace("g", " g"))
    if given.get("risk_flags"):
        yield _("risk flags: %(flags)s", flags=_values(given["risk_flags"]))
    if given.get("weights"):
        later = [f"{_day(each['on'], beside)} {each['weight']}" for each in given["weights"]]
        yield _("later weights: %(weights)s", weights=", ".join(later))
    if given.get("unreadable"):
        yield _("%(names)s could not be read", names=say_missing(given["unreadable"]))
    if given.get("deceased"):
        yield _("died")
    if given.get("left_on"):
        yield _("left hospital %(day)s", day=_day(given["left_on"], beside))


def _done(case: Case, beside: date) -> Iterator[str]:
    told = [
        *((exam.on, 0, _("%(day)s exam: right %(right)s, left %(left)s",
                         day=say_day(exam.on, beside), right=tell(str(exam.right)), left=tell(str(exam.left))))
          for exam in case.course.exams),
        *((each.on, 1, _("%(day)s %(kind)s, %(eyes)s", day=say_day(each.on, beside), kind=_(each.kind),
                         eyes=" + ".join(map(tell, each.sides))))
          for each in case.course.treatments),
        *((each.on, 2, _("%(day)s put off until %(until)s", day=say_day(each.on, beside),
                         until=say_day(each.until, beside)))
          for each in case.course.deferrals),
        *((each.on, 3, _("%(day)s handed over to %(to)s", day=say_day(each.on, beside), to=each.to))
          for each in case.course.hand_overs),
    ]  # fmt: skip
    closing = case.course.closing
    if closing is not None:
        words = _("%(day)s closed: %(why)s", day=say_day(closing.on, beside), why=tell(CLOSINGS[closing.why]))
        told.append((closing.on, 4, words))
    yield from (words for *_order, words in sorted(told))


def _shows(expect: Mapping[str, Any], beside: date) -> Iterator[str]:
    for name, wanted in expect.items():
        match name:
            case "eligible":
                yield _(ELIGIBLE[wanted])
            case "state":
                yield _(_STATES[wanted])
            case "kind":
                yield say_task(wanted)
            case "rule":
                yield _("by the rule %(rule)s", rule=wanted)
            case "because":
                yield _("because of %(rules)s", rules=join_words(wanted))
            case "missing":
                yield _("missing: %(names)s", names=say_missing(wanted)) if wanted else _("nothing is missing")
            case "opens" | "due" | "closes":
                yield _(_DAYS[name], day=say_day(wanted, beside)) if wanted else _("no window")
            case "by":
                yield _("the clock runs out %(instant)s", instant=str(wanted).replace("T", " "))
            case "eye":
                yield _("asked for by the %(eye)s eye", eye=wanted)
            case "flags":
                yield (
                    _("says: %(flags)s", flags="; ".join(map(tell, wanted))) if wanted else _("nothing is said beside")
                )
            case "also":
                yield (
                    _("also: %(steps)s", steps=join_words([say_task(kind) for kind in wanted]))
                    if wanted
                    else _("nothing else is asked for")
                )
            case _:
                yield f"{name.replace('_', ' ')}: {wanted}"


def _day(value: Any, beside: date) -> str:
    if isinstance(value, list):
        return " / ".join(_day(each, beside) for each in value)
    return say_day(value, beside) if isinstance(value, date) else str(value)


def _values(value: Any) -> str:
    return " / ".join(map(str, value)) if isinstance(value, list) else str(value)
