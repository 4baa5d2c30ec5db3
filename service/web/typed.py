"""What was typed into a sheet, read into the value of a fact, and back.

Pure: field names and texts in, a value or sentences out. What was typed is never changed on the way; whatever is wrong
with it is said beside its field, and nothing is taken for granted that was left empty.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Final

from service.core.ages import Gestation
from service.core.findings import SIDES, parse_eye
from service.core.infant import Fact
from service.errors import ConfigurationError
from service.fhir.terms import AGENTS
from service.web.sheets import EYE, Field, Sheet
from service.web.words import N_, _

Typed = Mapping[str, Sequence[str]]
"""Field name -> what was typed; a box that was not ticked is not there."""

SAME: Final = "left.same"
"""Ticked: the left eye is as the right eye."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What was typed, read: the value of the fact, who answers, and what is wrong, by field (or `right`, `left`)."""

    value: Mapping[str, Any]
    author: str
    problems: Mapping[str, str] = field(default_factory=dict)

    @property
    def digest(self) -> str:
        """Changes with anything that would be saved: what was shown is what is saved, or it is shown again."""
        return hashlib.sha256(json.dumps([self.value, self.author], sort_keys=True).encode()).hexdigest()[:16]


HOURS: Final = tuple(str(hour) for hour in range(1, 13))
"""The hours of the clock."""


def first(typed: Typed, name: str) -> str:
    """What was typed into a field, "" when nothing was."""
    return (typed.get(name) or [""])[0].strip()


def start(sheet: Sheet, now: datetime) -> dict[str, list[str]]:
    """A sheet nobody has typed into: today and now at the site, and eyes that are seen well."""
    typed = {"on": [now.date().isoformat()]} if any(each.name == "on" for each in sheet.fields) else {}
    if sheet.eyes:
        typed |= {"at": [f"{now:%H:%M}"]} | {f"{side}.view": ["adequate"] for side in SIDES}
    return typed


def read(sheet: Sheet, typed: Typed, now: datetime, born: date | None = None) -> Answers:
    """What was typed, read at `now` (local time at the site) about an infant `born` on a day, where that is known."""
    value: dict[str, Any] = {}
    problems: dict[str, str] = {}
    for each in sheet.fields:
        try:
            said = _read_field(each, typed, each.name)
        except ValueError as error:
            problems[each.name] = str(error)
            continue
        if each.required and said in (None, ""):
            problems[each.name] = (
                _("This has to be filled in.") if each.kind != "choice" else _("One of these has to be chosen.")
            )
        elif said not in (None, "", []):
            value[each.name] = said
    if sheet.eyes:
        eyes, wrong = _read_eyes(typed)
        value, problems = {**value, **eyes}, {**problems, **wrong}
    author = str(value.get(sheet.author, ""))
    value, wrong = _FINISH.get(sheet.path, _unchanged)(value)
    problems = _judge_days(typed, now, born) | wrong | problems
    if sheet.author == "by" and sheet.form in ("treatment", "newborn"):
        value.pop("by", None)
    return Answers(value if sheet.path != "reopen" else {"reopening": value}, author, problems)


def _read_field(asked: Field, typed: Typed, name: str) -> Any:
    """None for what was left empty. Raises ValueError with a sentence."""
    text = first(typed, name)
    if asked.kind == "flags":
        return [each for each in typed.get(name, ()) if each]
    if asked.kind == "hours":
        hours = [each for each in typed.get(name, ()) if each]
        if not set(hours) <= set(HOURS):
            raise ValueError(_("These are no hours of the clock."))
        return ", ".join(sorted(set(hours), key=int)) or None
    if asked.kind == "flag":
        return True if text else None
    if not text:
        return None
    match asked.kind:
        case "day":
            try:
                return date.fromisoformat(text).isoformat()
            except ValueError:
                raise ValueError(_("This is no day. Write it as 2031-06-01.")) from None
        case "time":
            try:
                return f"{datetime.strptime(text[:5], '%H:%M'):%H:%M}"  # noqa: DTZ007 -- a time of day alone
            except ValueError:
                raise ValueError(_("This is no time of day. Write it as 09:30.")) from None
        case "number":
            return _number(text)
        case "choice":
            if text not in dict(asked.options):
                raise ValueError(_("This is none of the answers."))
            return text
    if len(text) > 2000:
        raise ValueError(_("This is too long: 2000 letters at most."))
    return text


def _number(text: str) -> int | float:
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        raise ValueError(_("This is no number.")) from None
    if not abs(number) < 10**6:
        raise ValueError(_("This number is too large."))
    return int(number) if number == int(number) else number


def _judge_days(typed: Typed, now: datetime, born: date | None) -> dict[str, str]:
    """Days that cannot be: what has been is not after today and not before birth, what is to come not before it."""
    problems, today = {}, now.date().isoformat()
    on, at = first(typed, "on"), first(typed, "at")
    if on > today:
        problems["on"] = _("This day has not come yet.")
    elif born is not None and on and on < born.isoformat():
        problems["on"] = _("This day is before the infant was born.")
    elif on == today and at[:5] > f"{now:%H:%M}":
        problems["at"] = _("This time has not come yet.")
    for name in ("until", "date", "leaves"):
        if on and (later := first(typed, name)) and later < on:
            problems[name] = _(_TOO_EARLY[name if name != "date" else "to" if "to" in typed else "booked"])
    return problems


_TOO_EARLY: Final = {
    "until": N_("This is before the day of the decision."),
    "to": N_("This is before the day of the hand-over."),
    "booked": N_("This is before the day on which it was booked."),
    "leaves": N_("This is before the day on which it was written down."),
}


# --- eyes ----------------------------------------------------------------------------------------------------------


def _read_eyes(typed: Typed) -> tuple[dict[str, Any], dict[str, str]]:
    same = bool(first(typed, SAME))
    value: dict[str, Any] = {}
    problems: dict[str, str] = {}
    for side in SIDES:
        if side == "left" and same:
            if _says(typed, "left"):
                problems["left"] = _(
                    "“As the right eye” is ticked, and findings of the left eye are typed in as well. Take the tick "
                    "off, or set the findings back to “Not said”."
                )
            elif "right" in value:
                value["left"] = _as_the_other(value["right"])
            continue
        eye, problem = _read_eye(typed, side)
        if problem:
            problems[side] = problem
        elif eye:
            value[side] = eye
    return value, problems


def _as_the_other(eye: Mapping[str, Any]) -> dict[str, Any]:
    """The left eye where it is as the right one: how many clock hours, not which. The eyes are mirror images, and
    whoever says "the same" has not said on which side."""
    same = {key: said for key, said in eye.items() if key != "clock_positions"}
    if named := eye.get("clock_positions"):
        same.setdefault("clock_hours", len(named.split(",")))
    return same


def as_drawn(typed: Typed) -> dict[str, Sequence[str]]:
    """What was typed as it is drawn: with the left eye as the right one where that is ticked."""
    if not first(typed, SAME):
        return dict(typed)
    right = {name: said for name, said in typed.items() if name.startswith("right.") and "clock" not in name}
    left = {f"left.{name.removeprefix('right.')}": said for name, said in right.items()}
    return {name: said for name, said in typed.items() if not name.startswith("left.")} | left


def _says(typed: Typed, side: str) -> bool:
    """Whether anything but the view was typed of an eye."""
    return any(first(typed, f"{side}.{each.name}") for each in EYE if each.name != "view")


def _read_eye(typed: Typed, side: str) -> tuple[dict[str, Any], str]:
    eye: dict[str, Any] = {}
    for each in EYE:
        try:
            said = _read_field(each, typed, f"{side}.{each.name}")
        except ValueError as error:
            return {}, f"{each.label}: {error}"
        if said is not None:
            eye[each.name] = said
    if "nasal_at_ora" in eye:
        eye["nasal_at_ora"] = eye["nasal_at_ora"] == "yes"
    if eye.get("zone") == "full":
        if eye.get("vascularization", "full") != "full":
            return {}, _("Zone is “Full”, and “Vessels reach” says less. One of them has to change.")
        eye = {key: said for key, said in eye.items() if key != "zone"} | {"vascularization": "full"}
    if eye.get("view", "adequate") == "adequate" and len(eye) < 2:
        return {}, _("Nothing is said of this eye. Say what was seen, or that it was not seen.")
    if eye.get("zone") == "posterior II":
        eye |= {"zone": "II", "posterior": True}
    try:
        parse_eye(eye, side)
    except ConfigurationError as error:
        return {}, error.problem[:1].upper() + error.problem[1:] + "."
    return eye, ""


# --- one sheet -----------------------------------------------------------------------------------------------------


def _unchanged(value: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    return value, {}


def _finish_treatment(value: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    other, agent = value.pop("other_agent", None), value.get("agent")
    if value.get("kind") != "injection":
        if agent or other:
            return value, {"agent": _("An agent is what was injected: leave it out, or choose “Injection”.")}
        return value, {}
    if agent == "other" or (other and not agent):
        value["agent"] = other or ""
        return value, {} if other else {"other_agent": _("Write the generic name of what was injected.")}
    if other:
        return value, {"other_agent": _("Two agents are named: leave one out.")}
    return value, {} if agent else {"agent": _("Say what was injected: eyes are watched differently after each.")}


def _finish_hand_over(value: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    return {**value, "parents_told": bool(value.get("parents_told"))}, {}


def _finish_bedside(value: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    if "leaves" in value and "stays" in value:
        return value, {"stays": _("A day is planned above: leave it out, or take this tick off.")}
    if not value.keys() & {"support", "leaves", "stays"}:
        return value, {"support": _("Nothing is filled in: at least one value is needed.")}
    return value, {}


def _finish_newborn(value: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    weeks, days = value.pop("weeks", None), value.pop("days", None)
    problems = {}
    if weeks is None and days is not None:
        problems["weeks"] = _("Days alone are no age: write the completed weeks as well.")
    elif weeks is not None and (not isinstance(weeks, int) or not 20 <= weeks <= 45):
        problems["weeks"] = _("Completed weeks are a whole number from 20 to 45.")
    elif days is not None and (not isinstance(days, int) or not 0 <= days <= 6):
        problems["days"] = _("Days are a whole number from 0 to 6.")
    elif weeks is not None:
        value["gestational_age_at_birth"] = f"{weeks}w" if days is None else f"{weeks}w{days}d"
    weight = value.get("birth_weight")
    if weight is not None and not isinstance(weight, int):
        problems["birth_weight"] = _("Grams are a whole number.")
    if not problems and not value.keys() - {"by"}:
        problems["weeks"] = _("Nothing is filled in: at least one value is needed.")
    return value, problems


_FINISH: Final = {
    "treatment": _finish_treatment, "hand-over": _finish_hand_over, "bedside": _finish_bedside,
    "newborn": _finish_newborn,
}  # fmt: skip


# --- back ----------------------------------------------------------------------------------------------------------


def typed_of(sheet: Sheet, said: Iterable[Fact]) -> dict[str, list[str]]:
    """What would have to be typed to say what a resource says, so that it can be corrected."""
    typed: dict[str, list[str]] = {}
    if sheet.form == "newborn":
        for fact in said:
            if fact.name == "gestation":
                age = Gestation(int(fact.value["low"]), int(fact.value["high"]))
                typed["weeks"] = [str(age.low // 7)]
                typed |= {"days": [str(age.low % 7)]} if age.exact else {}
            elif fact.name == "birth_weight":
                typed["birth_weight"] = [str(fact.value["grams"])]
            elif fact.name == "risk":
                typed.setdefault("risk_flags", []).append(str(fact.value["flag"]))
        return typed
    if sheet.form == "bedside":
        told = {fact.name: fact.value for fact in said}
        breathes, leaves = told.get("respiratory", {}), told.get("leaving", {})
        value: Mapping[str, Any] = {
            "support": breathes.get("what"), "leaves": leaves.get("date"), "stays": bool(leaves and not leaves["date"]),
            "by": leaves.get("by"), "on": (leaves or breathes).get("on"),
        }  # fmt: skip
    else:
        value = next((fact.value for fact in said if fact.name == sheet.fact), {})
    for each in sheet.fields:
        typed |= _untype(each, each.name, value.get(each.name))
    if sheet.form == "treatment" and value.get("agent") and value["agent"] not in AGENTS:
        typed |= {"agent": ["other"], "other_agent": [str(value["agent"])]}
    if sheet.eyes:
        for side in SIDES:
            again = type_again(value.get(side) or {"view": "none"})
            typed |= {f"{side}.{name}": said for name, said in again.items()}
            typed.setdefault(f"{side}.view", ["adequate"])
    return typed


def type_again(eye: Mapping[str, Any]) -> dict[str, list[str]]:
    """What would have to be typed to say of an eye what its table says, by the names of `EYE`."""
    said = dict(eye)
    said["zone"] = "posterior II" if said.get("posterior") else said.get("zone")
    if said.get("zone") is None and said.get("vascularization") == "full":
        said |= {"zone": "full", "vascularization": None}
    if "nasal_at_ora" in said:
        said["nasal_at_ora"] = "yes" if said["nasal_at_ora"] else "no"
    if said.get("clock_positions"):
        said["clock_hours"] = None  # they are counted
    return {name: text for each in EYE for name, text in _untype(each, each.name, said.get(each.name)).items()}


def _untype(asked: Field, name: str, value: Any) -> dict[str, list[str]]:
    if value in (None, "", False):
        return {}
    if asked.kind == "hours":
        return {name: str(value).replace(",", " ").split()}
    if asked.kind == "number" and isinstance(value, float) and value == int(value):
        value = int(value)
    return {name: ["yes" if asked.kind == "flag" else str(value)]}
