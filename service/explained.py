"""One infant as text for a terminal: what is next and why, and every date ever shown with what changed it. And what
another edition would change, for everybody at a site."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, tzinfo
from typing import Any, Final

from service.core.ages import Gestation
from service.core.decision import Decision, NextStep, Reason, to_json
from service.core.findings import SIDES, parse_eye
from service.core.history import Change, Recorded, Shown
from service.core.impact import DIFFERENCES, Difference, Impact
from service.core.infant import Fact
from service.core.policy import Policy
from service.errors import ConfigurationError
from service.flow import InfantView
from service.terminal import clean, draw_table
from service.web.api import decision_json
from service.web.view import SURETY, say_ages, say_missing, say_task

FEEDS: Final[Mapping[str, str]] = {
    "hand": "typed in here", "rest-hook": "sent by the site", "poll": "read at the site", "file": "read from a file",
}  # fmt: skip
"""Feed that brought a fact -> how it came, in words."""

CHANGES: Final[Mapping[str, str]] = {
    "new": "new", "corrected": "corrected", "withdrawn": "withdrawn", "unreadable": "sent and not readable",
    "counts-now": "its day has come",
}  # fmt: skip
"""What changed -> in words."""

IMPACTS: Final[Mapping[Difference, str]] = {
    "no-longer-eligible": "NO LONGER ELIGIBLE", "newly-eligible": "newly eligible", "later": "LATER",
    "earlier": "earlier", "other-step": "another step", "other-reasons": "same dates, other reasons",
}  # fmt: skip
"""How another edition decides otherwise -> in words; what takes an exam away is said loudly."""


# --- one infant ------------------------------------------------------------------------------------------------------


def draw_infant(view: InfantView, width: int) -> str:
    """Everything behind one infant's next date: what is due and why, what is missing, the facts and where each came
    from, what could not be read, and every date shown so far with what changed it."""
    decision, infant, zone, lines = view.decision, view.infant, view.site.timezone, _Lines(width)
    who = " · ".join(part for part in (infant.name or "name not known", infant.identifier, view.site.name) if part)
    lines.say(who)
    lines.say(f"Patient {view.patient} at {view.site.id}; key {view.key}")
    known = f", as known on {_moment(view.known_at, zone)}" if view.known_at else ""
    lines.say(f"As of {view.as_of.isoformat()}{known}, under {_edition(decision)}")
    if infant.in_hospital is False:
        lines.say(f"Left hospital{f' on {infant.left_on.isoformat()}' if infant.left_on else ''}")

    lines.head("Next")
    _say_step(lines, decision, decision.next)
    if decision.next.window is not None and view.as_of > decision.next.window.closes:
        over = (view.as_of - decision.next.window.closes).days
        lines.item(f"LATE: {over} {'day' if over == 1 else 'days'} past the last day")
    _say_reason(lines, decision.next.reason)
    if decision.also:
        lines.head("Also")
    for step in decision.also:
        _say_step(lines, decision, step)
        _say_reason(lines, step.reason)

    lines.head("Ages")
    for label, value in say_ages(decision.ages, decision.birth_weight):
        lines.item(f"{label}: {value}")

    lines.head(f"Eligible: {decision.eligible}")
    for reason in decision.because:
        _say_reason(lines, reason)
    for flag in decision.flags:
        lines.item(flag)

    lines.head("Missing")
    lines.item(say_missing(decision.missing) if decision.missing else "nothing that would change the answer")

    lines.head("Facts")
    for each in sorted(_counting(view), key=lambda r: (r.fact.name, r.fact.resource, r.fact.version.updated, r.at)):
        fact = each.fact
        old = "" if fact in view.current else "; replaced by a newer version"
        doubt = "" if fact.certain else "; may mean something else"
        lines.item(f"{fact.name.replace('_', ' ')}: {_say_value(fact)}")
        lines.item(f"    {_say_source(each, zone)}{doubt}{old}")

    if view.rejections:
        lines.head("Could not be read")
        for rejection in view.rejections:
            lines.item(f"{rejection['resource']} {rejection['path']}: {rejection['reason']}")

    lines.head("Every date shown, in order")
    for shown in view.shown():
        _say_shown(lines, shown, zone)
    return str(lines)


def infant_json(view: InfantView) -> dict[str, Any]:
    """The same for a program: the decision as `assess` prints it, with facts, sources, rejections, and under `shown`
    every decision ever made, oldest first, with the facts it rests on and what changed it."""
    return {
        "patient": view.patient,
        "site": view.site.id,
        "key": view.key,
        "name": view.infant.name,
        "identifier": view.infant.identifier,
        "in_hospital": view.infant.in_hospital,
        "known_at": view.known_at and view.known_at.isoformat(),
        **decision_json(view.decision, view.as_of),
        "facts": [{**_recorded_json(each), "current": each.fact in view.current} for each in _counting(view)],
        "rejected": [
            {key: each[key] for key in ("resource", "path", "about", "reason")} for each in view.rejections
        ],
        "shown": [
            {
                "decided_at": shown.at.isoformat(),
                "decision": to_json(shown.decision),
                "rests_on": [_recorded_json(each) for each in shown.rests_on],
                "edition": shown.edition,
                "changes": [
                    {
                        "what": change.what, "name": change.name, "resource": change.resource,
                        "now": [_recorded_json(each) for each in change.now],
                        "before": [_recorded_json(each) for each in change.before],
                    }
                    for change in shown.changes
                ],
            }
            for shown in view.shown()
        ],
    }  # fmt: skip


def _counting(view: InfantView) -> list[Recorded]:
    """What is said of the infant at the moment looked at."""
    return [each for each in view.recorded if (each.counts(view.known_at) if view.known_at else each.until is None)]


def _recorded_json(each: Recorded) -> dict[str, Any]:
    fact = each.fact
    return {
        "name": fact.name, "value": dict(fact.value), "resource": fact.resource, "version": fact.version.label,
        "updated": fact.version.updated, "rank": fact.rank, "certain": fact.certain,
        "recorded_at": each.at.isoformat(), "via": each.via, "by": _who(fact),
    }  # fmt: skip


def _say_shown(lines: _Lines, shown: Shown, zone: tzinfo) -> None:
    decision = shown.decision
    lines.say("")
    lines.item(f"Shown from {_moment(shown.at, zone)}, under {_edition(decision)}:")
    _say_step(lines, decision, decision.next, "    ")
    _say_reason(lines, decision.next.reason, "    ")
    if shown.edition:
        lines.item(f"    changed by: another edition: {shown.edition}")
    for change in shown.changes:
        lines.item(f"    changed by: {_say_change(change, zone)}")
    if not shown.edition and not shown.changes:
        lines.item("    nothing was recorded in between: the day is another, or the program")
    for each in shown.rests_on:
        value = f"{each.fact.name.replace('_', ' ')}: {_say_value(each.fact)}"
        lines.item(f"    rests on {value} ({_say_source(each, zone)})")


def _say_change(change: Change, zone: tzinfo) -> str:
    name, word = change.name.replace("_", " ") or "something", CHANGES[change.what]
    now = ", ".join(_say_value(each.fact) for each in change.now)
    before = ", ".join(_say_value(each.fact) for each in change.before)
    source = _say_source((change.now or change.before)[-1], zone)
    if change.what == "withdrawn":
        return f"{name} {word}: {before} ({change.resource} says it no longer)"
    if change.what == "unreadable":
        still = f"; {before} still counts" if before else ""
        return f"{name} {word}: {now}{still} ({source})"
    return f"{name} {word}: {now}{f', before {before}' if before else ''} ({source})"


def _say_step(lines: _Lines, decision: Decision, step: NextStep, margin: str = "") -> None:
    if step.window is None:
        lines.item(f"{margin}nothing is due: {decision.state.replace('-', ' ')}")
        return
    eye = f", {step.eye} eye" if step.eye else ""
    lines.item(f"{margin}{say_task(step.kind, decision.missing)}{eye}")
    clock = f", by {step.by}" if step.by else ""
    lines.item(f"{margin}from {step.window.opens}, due {step.window.due}, last day {step.window.closes}{clock}")


def _say_reason(lines: _Lines, reason: Reason, margin: str = "") -> None:
    lines.item(f"{margin}{reason.text}")
    source = f"    rule {reason.rule}" + (f", {reason.cite}" if reason.cite else "")
    lines.item(f"{margin}{source}; {SURETY.get(reason.provenance, reason.provenance)}")


def _say_source(each: Recorded, zone: tzinfo) -> str:
    """`Observation/w1 version 2, sent by the site, recorded 2031-06-01 09:00 CEST`."""
    fact, who = each.fact, _who(each.fact)
    version = "" if fact.version.number is None else f" version {fact.version.number}"
    how = FEEDS.get(each.via, each.via)
    return f"{fact.resource}{version}, {how}{f' by {who}' if who else ''}, recorded {_moment(each.at, zone)}"


def _who(fact: Fact) -> str:
    """The person a fact names as the one who answers for it, "" where it names none."""
    named = (fact.value.get(key) for key in ("by", "examiner", "ophthalmologist"))
    return next((str(name) for name in named if name), "")


def _edition(decision: Decision) -> str:
    return f"{decision.policy} revision {decision.revision}"


def _moment(at: datetime, zone: tzinfo) -> str:
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M %Z}"


class _Lines:
    """Text under headings, wrapped to a width."""

    def __init__(self, width: int) -> None:
        self._width, self._lines = max(width, 40), list[str]()

    def say(self, text: str, indent: str = "") -> None:
        kept = len(text) - len(text.lstrip())
        margin = indent + " " * kept
        self._lines += textwrap.wrap(
            clean(text.strip()), self._width, initial_indent=margin, subsequent_indent=margin + "  ",
            break_long_words=False, break_on_hyphens=False,
        ) or [""]  # fmt: skip

    def head(self, text: str) -> None:
        self._lines += ["", text]

    def item(self, text: str) -> None:
        self.say(text, "  ")

    def __str__(self) -> str:
        return "\n".join(self._lines)


# --- values in words -------------------------------------------------------------------------------------------------


def _say_value(fact: Fact) -> str:
    """A fact's value in words."""
    value = fact.value
    match fact.name:
        case "gestation":
            return str(Gestation(int(value["low"]), int(value["high"])))
        case "birth_weight":
            return f"{value['grams']} g"
        case "weight":
            return f"{value['grams']} g on {value['on']}"
        case "born":
            return str(value["low"] if value["low"] == value["high"] else f"{value['low']} to {value['high']}")
        case "name" | "sex" | "risk" | "mother" | "replaced_by":
            return str(next(iter(value.values())))
        case "identifier":
            return f"{value['value']} of {value['system']}"
        case "unreadable":
            return f"{str(value['of']).replace('_', ' ')}: {value['reason']}"
        case "stay":
            return _say_stay(value)
        case "exam":
            eyes = (f"{side} eye {_say_eye(value.get(side), side)}" for side in SIDES)
            return f"{value['on']}{f' {at}' if (at := value.get('at')) else ''}: {'; '.join(eyes)}"
        case "treatment":
            return " ".join(str(value[key]) for key in ("on", "kind", "agent", "eyes") if value.get(key))
        case _:
            said = [f"{key.replace('_', ' ')} {_say(given)}" for key, given in value.items() if given is not None]
            return ", ".join(said) or "yes"


def _say(given: Any) -> str:
    if isinstance(given, Mapping):
        return ", ".join(f"{key.replace('_', ' ')} {_say(part)}" for key, part in given.items())
    return {True: "yes", False: "no"}.get(given, str(given)) if isinstance(given, bool) else str(given)


def _say_eye(value: Any, side: str) -> str:
    if not isinstance(value, Mapping):
        return "not recorded"
    try:
        return str(parse_eye(value, side))
    except ConfigurationError:  # written under rules that have been tightened since
        return _say(value)


def _say_stay(value: Mapping[str, Any]) -> str:
    place = value.get("place_text") or value.get("place")
    parts = [
        "in hospital" if value.get("open") else "ended",
        f"at {place}" if place else "",
        f"from {value['since']}" if value.get("since") else "",
        f"to {value['until']}" if value.get("until") else "",
        f"({value['disposition']})" if value.get("disposition") else "",
    ]
    return " ".join(part for part in parts if part)


# --- another edition -------------------------------------------------------------------------------------------------


def draw_impact(found: Sequence[Impact], used: Policy, other: Policy, known: int, width: int) -> str:
    """What another edition would change: how many infants, by the gravest difference of each; then each of them in an
    aligned table, whoever falls off the list first."""
    lines = [
        f"{_named(used)} decides now; {_named(other)} would decide otherwise about {len(found):,} of {known:,} known.",
        *_describe(other, used),
        *(f"{number:>7,}  {IMPACTS[difference]}" for difference, number in count_impact(found).items() if number),
    ]
    if not found:
        return "\n".join(lines)
    rows = [
        (
            (
                " and ".join(IMPACTS[each] for each in impact.differences), impact.name or "?",
                impact.identifier or impact.patient, _say_then(impact.before), _say_then(impact.after),
            ),
            impact.after.next.reason.text,
        )
        for impact in found
    ]  # fmt: skip
    table = draw_table(("Change", "Infant", "Number", "Now", f"Under {other.id}"), rows, width)
    return "\n".join([*lines, "", table])


def impact_json(found: Iterable[Impact], used: Policy, other: Policy, known: int) -> dict[str, Any]:
    """The same for a program, with both decisions in full."""
    found = list(found)
    return {
        "used": {"policy": used.id, "revision": used.revision},
        "other": {
            "policy": other.id, "revision": other.revision, "extends": other.extends, "reason": other.reason,
            "approved_by": other.approved_by, "effective": other.effective and other.effective.isoformat(),
        },
        "known": known,
        "counts": count_impact(found),
        "infants": [
            {
                "patient": impact.patient, "key": impact.key, "name": impact.name, "identifier": impact.identifier,
                "differences": list(impact.differences), "before": to_json(impact.before),
                "after": to_json(impact.after),
            }
            for impact in found
        ],
    }  # fmt: skip


def count_impact(found: Iterable[Impact]) -> dict[Difference, int]:
    """How many infants by the gravest difference of each, the gravest first."""
    counted = Counter(impact.differences[0] for impact in found)
    return {difference: counted[difference] for difference in DIFFERENCES}


def _describe(other: Policy, used: Policy) -> Iterable[str]:
    if other.extends:
        yield f"{other.id} is a variation of {other.extends}, approved by {other.approved_by}: {other.reason}"
    if other.effective is not None:
        yield f"It decides from {other.effective.isoformat()} on; until then {used.id} goes on."


def _named(policy: Policy) -> str:
    return f"{policy.id} revision {policy.revision}"


def _say_then(decision: Decision) -> str:
    window = decision.next.window
    return f"{say_task(decision.next.kind, decision.missing)}, {window.due} to {window.closes}" if window else (
        decision.state.replace("-", " ")
    )  # fmt: skip
