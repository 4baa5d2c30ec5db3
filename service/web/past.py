"""What was said, done and agreed about one infant, in words: facts, exams and treatments with the window each gave, and
what was typed in here and can be corrected here. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from service.core.ages import Gestation
from service.core.course import CLOSINGS
from service.core.decision import Decision
from service.core.findings import SIDES, Exam, Eye, Side, Treatment, parse_exam
from service.core.history import Shown
from service.core.infant import Fact
from service.errors import ConfigurationError
from service.flow import InfantView
from service.web.sheets import SHEET_OF
from service.web.view import join_words, say_missing, say_steps

HAND: Final = "hand"
"""The feed that brings what was typed in here."""

AGREED: Final = ("deferral", "booking", "hand_over", "closing", "reopening", "long_term")
"""Facts that somebody agreed upon: shown in a table of their own."""


# --- typed in here -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Written:
    """One thing typed in here: `sheet` and `id` are its address, `version` its newest, `says` the facts of the newest
    version that says anything, `at` when that was recorded; `withdrawn`: it was marked as entered in error since."""

    sheet: str
    id: str
    version: int
    says: tuple[Fact, ...]
    at: datetime
    withdrawn: bool

    @property
    def resource(self) -> str:
        """Under which name it is on record."""
        return f"QuestionnaireResponse/{self.id}"


def written(seen: InfantView) -> list[Written]:
    """Everything about an infant that was typed in here, the newest first."""
    by_resource: dict[str, list[Any]] = {}
    for each in seen.recorded:
        if each.fact.resource.startswith("QuestionnaireResponse/"):
            by_resource.setdefault(each.fact.resource, []).append(each)
    found = []
    for resource, records in by_resource.items():
        telling = [each for each in records if each.fact.name in SHEET_OF]
        if any(each.via != HAND for each in records) or not telling:
            continue
        newest = max(_number(each.fact) for each in records)
        last = max(_number(each.fact) for each in telling)
        says = [each for each in telling if _number(each.fact) == last]
        found.append(
            Written(
                SHEET_OF[says[0].fact.name], resource.partition("/")[2], newest,
                tuple(each.fact for each in says), says[0].at,
                any(each.fact.name == "retracted" for each in records if _number(each.fact) == newest),
            )
        )  # fmt: skip
    return sorted(found, key=lambda each: each.at, reverse=True)


def version_of(seen: InfantView, id: str) -> int:
    """The newest version on record of what was typed in under an id; 0 when there is none."""
    numbers = (_number(fact) for fact in seen.facts if fact.resource == f"QuestionnaireResponse/{id}")
    return max(numbers, default=0)


def _number(fact: Fact) -> int:
    return fact.version.number or 0


# --- exams and treatments ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Done:
    """An exam or a treatment: what was seen of, or done to, each eye ("" for an eye not treated), by whom, what else
    was noted, and what it asked for when it was recorded. `written` is set where it can be corrected here, else
    `source` says where it came from."""

    on: date
    at: str
    name: str
    right: str
    left: str
    who: str
    notes: tuple[str, ...]
    gave: str
    written: Written | None
    source: str


def done(seen: InfantView, today: date) -> list[Done]:
    """Every exam and treatment on record, the newest first."""
    here = {each.resource: each for each in written(seen) if not each.withdrawn}
    gave = _gave(seen, today)

    def source(resource: str) -> str:
        return "" if resource in here else f"sent by {seen.site.name} as {resource or 'part of another record'}"

    rows = [
        Done(
            exam.on, exam.at, "Eye exam", str(exam.right), str(exam.left), exam.examiner, tuple(_notes(exam)),
            gave.get(exam.resource, ""), here.get(exam.resource), source(exam.resource),
        )
        for exam in seen.course.exams
    ]  # fmt: skip
    rows += [
        Done(
            each.on, "", say_treatment(each), _treated(each, "right"), _treated(each, "left"), "", (),
            gave.get(each.resource, ""), here.get(each.resource), source(each.resource),
        )
        for each in seen.course.treatments
    ]  # fmt: skip
    return sorted(rows, key=lambda row: (row.on, row.at), reverse=True)


def say_treatment(treatment: Treatment) -> str:
    """`Laser`, `Injection of ranibizumab`."""
    return f"Injection of {treatment.agent}" if treatment.agent else treatment.kind.capitalize()


def _treated(treatment: Treatment, side: Side) -> str:
    return "treated" if side in treatment.sides else ""


def _notes(exam: Exam) -> Iterator[str]:
    for side in SIDES:
        details = say_details(exam.eye(side))
        if details:
            yield f"{side.capitalize()} eye: {'; '.join(details)}"
    if exam.method:
        yield exam.method
    if exam.adverse_events:
        yield f"During the exam: {exam.adverse_events}"


def say_details(eye: Eye) -> list[str]:
    """What the short words of an eye leave out."""
    details = []
    if eye.view == "poor":
        details.append("poor view")
    if eye.clock_hours:
        details.append(f"{eye.clock_hours} clock hours")
    if eye.notch:
        details.append("with a notch")
    if eye.near_zone_i:
        details.append("close to zone I")
    if eye.vascularization is not None and eye.vascularization != eye.where:
        details.append(f"vessels reach {eye.vascularization}")
    if eye.nasal_at_ora is not None:
        details.append(f"nasal vessels {'reach' if eye.nasal_at_ora else 'do not reach'} the ora serrata")
    if eye.avascular_site or eye.avascular_extent is not None:
        extent = f"{eye.avascular_extent:g} disc diameters" if eye.avascular_extent is not None else ""
        details.append(f"avascular retina: {', '.join(filter(None, [eye.avascular_site, extent]))}")
    return [*details, eye.note] if eye.note else details


def _gave(seen: InfantView, today: date) -> dict[str, str]:
    """What each exam and treatment asked for when it was last recorded or corrected, where it was then the newest."""
    gave = {}
    for shown in seen.shown():
        for change in shown.changes:
            if change.name not in ("exam", "finding", "treatment") or not change.now:
                continue
            on = str(change.now[0].fact.value["on"])
            gave[change.resource] = _say_next(shown.decision, today) if on >= _newest(shown) else ""
    return gave


def _newest(shown: Shown) -> str:
    done = ("exam", "finding", "treatment")
    return max((str(each.fact.value["on"]) for each in shown.rests_on if each.fact.name in done), default="")


def _say_next(decision: Decision, today: date) -> str:
    steps = say_steps(decision, today)
    return f"{steps[0].task}, {steps[0].dates}" if steps else "nothing more"


# --- facts ---------------------------------------------------------------------------------------------------------


LABELS: Final[Mapping[str, str]] = {
    "born": "Date of birth",
    "gestation": "Gestational age at birth",
    "birth_weight": "Birth weight",
    "sex": "Sex",
    "multiple": "Multiple birth",
    "deceased": "Death",
    "fetal": "Record of a fetus",
    "identifier": "Number",
    "name": "Name",
    "replaced_by": "Merged into another record",
    "mother": "Mother's own record",
    "risk": "Risk flag",
    "stay": "Stay",
    "unreadable": "Could not be read",
    "retracted": "Withdrawn",
    "weight": "Weight",
    "exam": "Eye exam",
    "finding": "Finding of an eye exam",
    "treatment": "Treatment",
    "closing": "Course closed",
    "reopening": "Course opened again",
    "deferral": "Exam put off",
    "booking": "Exam booked",
    "hand_over": "Hand-over",
    "long_term": "Refraction and alignment",
    "place": "Place",
}
"""Name of a fact -> what it is called in a table."""


def say_fact(fact: Fact) -> tuple[str, str]:
    """Label and value of a fact, in trade words."""
    value = fact.value
    match fact.name:
        case "born":
            low, high = value["low"], value["high"]
            said = low if low == high else f"between {low} and {high}"
        case "gestation":
            said = str(Gestation(int(value["low"]), int(value["high"])))
        case "birth_weight":
            said = f"{value['grams']} g"
        case "sex":
            said = str(value["code"])
        case "multiple":
            said = f"number {value['order']}" if value.get("order") else "yes"
        case "deceased":
            said = value.get("on") or "yes"
        case "identifier":
            said = str(value["value"])
        case "name":
            said = str(value["text"])
        case "risk":
            said = str(value["flag"]).replace("-", " ")
        case "stay":
            where = value.get("place_text") or value.get("place") or "place not named"
            said = f"{where}, {'open' if value.get('open') else 'ended'}"
            said += f", since {value['since']}" if value.get("since") else ""
            said += f", until {value['until']}" if value.get("until") else ""
        case "weight":
            said = f"{value['grams']} g on {value['on']}"
        case "exam":
            said = _say_exam(value)
        case "finding":
            found = join_words([f"{key.replace('_', ' ')} {_plain(each)}" for key, each in value["of"].items()])
            said = f"{value['on']}: {'both eyes' if value['eyes'] == 'both' else value['eyes'] + ' eye'}, {found}"
        case "treatment":
            what = f"injection of {value['agent']}" if value.get("agent") else str(value["kind"])
            said = f"{value['on']}: {what}, {'both eyes' if value['eyes'] == 'both' else value['eyes'] + ' eye'}"
        case "closing":
            said = f"{value['on']}: {CLOSINGS.get(value['why'], value['why'])} ({value['by']})"
            said += f"; {value['note']}" if value.get("note") else ""
        case "reopening":
            said = f"{value['on']}: {value['why']} ({value['by']})"
        case "deferral":
            said = (
                f"{value['on']}: put off until {value['until']} by {value['ophthalmologist']} and "
                f"{value['neonatologist']}: {value['reason']}"
            )
        case "booking":
            at = f" at {value['time']}" if value.get("time") else ""
            more = "".join(f", {value[key]}" for key in ("place", "examiner") if value.get(key))
            said = f"{value['on']}: for {value['date']}{at}{more} ({value['by']})"
        case "hand_over":
            told = "the parents were told" if value.get("parents_told") else "not said that the parents were told"
            said = (
                f"{value['on']}: to {value['to']}, next exam on {value['date']} at {value['place']} ({value['by']}); "
            )
            said += told
        case "long_term":
            said = f"{value['on']}: {value['where']} ({value['by']})"
        case "unreadable":
            said = f"{say_missing([str(value['of'])])}: {value['reason']}"
        case "retracted":
            said = "this version says nothing any more"
        case _:
            said = "yes"
    return LABELS.get(fact.name, fact.name.replace("_", " ")), said


def _say_exam(value: Mapping[str, Any]) -> str:
    at = f" at {value['at']}" if value.get("at") else ""
    who = f" ({value['examiner']})" if value.get("examiner") else ""
    try:
        exam = parse_exam(value, "exam")
    except ConfigurationError:  # written under rules that have been tightened since
        return f"{value['on']}{at}{who}: kept, and not readable under the rules of today"
    return f"{value['on']}{at}{who}: " + "; ".join(f"{side} eye {exam.eye(side)}" for side in SIDES)


def _plain(value: Any) -> str:
    return {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)
