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
from service.web.course_words import say_eyes
from service.web.phrases import tell
from service.web.sheets import SHEET_OF
from service.web.view import capitalize, join_words, say_missing, say_steps
from service.web.words import N_, _

HAND: Final = "hand"
"""The feed that brings what was typed in here."""

AGREED: Final = ("deferral", "booking", "leaving", "hand_over", "closing", "reopening", "long_term")
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


def undo(seen: InfantView, saved: str, id: str) -> tuple[str, str] | None:
    """(address, words) of what takes back what was just saved under an id: `saved` is its sheet, "withdrawn" or
    "cancelled". The address stands under that of the infant."""
    found = next((each for each in written(seen) if each.id == id), None)
    if found is None:
        return None
    place = f"{found.sheet}/{id}"
    if found.withdrawn:
        return place, N_("Book it again") if found.sheet == "book" else N_("Enter it again")
    if saved == "reopen":
        return place, N_("Close it again")
    return f"{place}/error", N_("Undo")


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
        if resource in here:
            return ""
        if not resource:
            return _("sent by %(site)s as part of another record", site=seen.site.name)
        return _("sent by %(site)s", site=seen.site.name)

    rows = [
        Done(
            exam.on, exam.at, _("Eye exam"), tell(str(exam.right)), tell(str(exam.left)), exam.examiner,
            tuple(_notes(exam)), gave.get(exam.resource, ""), here.get(exam.resource), source(exam.resource),
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
    if treatment.agent:
        return _("Injection of %(agent)s", agent=treatment.agent)
    return capitalize(tell(treatment.kind))


def _treated(treatment: Treatment, side: Side) -> str:
    return _("treated") if side in treatment.sides else ""


def _notes(exam: Exam) -> Iterator[str]:
    for side in SIDES:
        details = say_details(exam.eye(side))
        if details:
            yield (_("Right eye") if side == "right" else _("Left eye")) + f": {'; '.join(details)}"
    if exam.method:
        yield exam.method
    if exam.adverse_events:
        yield _("During the exam: %(said)s", said=exam.adverse_events)


def say_details(eye: Eye) -> list[str]:
    """What the short words of an eye leave out."""
    details = []
    if eye.view == "poor":
        details.append(_("poor view"))
    if eye.clock_hours:
        named = f" ({', '.join(map(str, eye.clock_positions))})" if eye.clock_positions else ""
        details.append(_("%(hours)s clock hours", hours=eye.clock_hours) + named)
    if eye.notch:
        details.append(_("with a notch"))
    if eye.near_zone_i:
        details.append(_("close to zone I"))
    if eye.vascularization is not None and eye.vascularization != eye.where:
        details.append(_("vessels reach %(zone)s", zone=tell(str(eye.vascularization))))
    if eye.nasal_at_ora is not None:
        details.append(
            _("nasal vessels reach the ora serrata")
            if eye.nasal_at_ora
            else _("nasal vessels do not reach the ora serrata")
        )
    if eye.avascular_site or eye.avascular_extent is not None:
        extent = ""
        if eye.avascular_extent is not None:
            extent = _("%(extent)s disc diameters", extent=format(eye.avascular_extent, "g"))
        details.append(_("avascular retina: %(where)s", where=", ".join(filter(None, [eye.avascular_site, extent]))))
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
    return f"{steps[0].task}, {steps[0].dates}" if steps else _("nothing more")


# --- facts ---------------------------------------------------------------------------------------------------------


LABELS: Final[Mapping[str, str]] = {
    "born": N_("Date of birth"),
    "gestation": N_("Gestational age at birth"),
    "birth_weight": N_("Birth weight"),
    "sex": N_("Sex"),
    "multiple": N_("Multiple birth"),
    "deceased": N_("Death"),
    "fetal": N_("Record of a fetus"),
    "identifier": N_("Number"),
    "name": N_("Name"),
    "replaced_by": N_("Merged into another record"),
    "mother": N_("Mother's own record"),
    "risk": N_("Risk flag"),
    "stay": N_("Stay"),
    "respiratory": N_("Respiratory support"),
    "leaving": N_("Planned leaving"),
    "unreadable": N_("Could not be read"),
    "retracted": N_("Withdrawn"),
    "weight": N_("Weight"),
    "exam": N_("Eye exam"),
    "finding": N_("Finding of an eye exam"),
    "treatment": N_("Treatment"),
    "closing": N_("Course closed"),
    "reopening": N_("Course opened again"),
    "deferral": N_("Exam put off"),
    "booking": N_("Exam booked"),
    "hand_over": N_("Hand-over"),
    "long_term": N_("Refraction and alignment"),
    "place": N_("Place"),
}
"""Name of a fact -> what it is called in a table."""
_SEXES: Final = {"male": N_("male"), "female": N_("female"), "other": N_("other"), "unknown": N_("unknown")}


def say_fact(fact: Fact) -> tuple[str, str]:
    """Label and value of a fact, in trade words."""
    value = fact.value
    match fact.name:
        case "born":
            low, high = value["low"], value["high"]
            said = low if low == high else _("between %(first)s and %(last)s", first=low, last=high)
        case "gestation":
            said = str(Gestation(int(value["low"]), int(value["high"])))
        case "birth_weight":
            said = f"{value['grams']} g"
        case "sex":
            said = _(_SEXES.get(str(value["code"]), str(value["code"])))
        case "multiple":
            said = _("number %(order)s", order=value["order"]) if value.get("order") else _("yes")
        case "deceased":
            said = value.get("on") or _("yes")
        case "identifier":
            said = str(value["value"])
        case "name":
            said = str(value["text"])
        case "risk":
            said = tell(str(value["flag"]).replace("-", " "))
        case "stay":
            where = value.get("place_text") or value.get("place") or _("place not named")
            parts = [where, _("open") if value.get("open") else _("ended")]
            parts += [_("since %(day)s", day=value["since"])] if value.get("since") else []
            parts += [_("until %(day)s", day=value["until"])] if value.get("until") else []
            said = ", ".join(parts)
        case "respiratory":
            said = " ".join([tell(str(value["what"])), *([f"({value['on']})"] if value.get("on") else [])])
            said += "; " + _("until %(day)s", day=value["until"]) if value.get("until") else ""
        case "weight":
            said = _("%(grams)s g on %(day)s", grams=value["grams"], day=value["on"])
        case "exam":
            said = _say_exam(value)
        case "finding":
            found = join_words([f"{key.replace('_', ' ')} {_plain(each)}" for key, each in value["of"].items()])
            said = f"{value['on']}: {_eyes(value)}, {found}"
        case "treatment":
            agent = value.get("agent")
            what = _("injection of %(agent)s", agent=agent) if agent else tell(str(value["kind"]))
            said = f"{value['on']}: {what}, {_eyes(value)}"
        case "closing":
            said = f"{value['on']}: {tell(CLOSINGS.get(value['why'], value['why']))} ({value['by']})"
            said += f"; {value['note']}" if value.get("note") else ""
        case "reopening":
            said = f"{value['on']}: {value['why']} ({value['by']})"
        case "deferral":
            said = _("%(day)s: put off until %(until)s by %(ophthalmologist)s and %(neonatologist)s: %(reason)s",
                     day=value["on"], until=value["until"], ophthalmologist=value["ophthalmologist"],
                     neonatologist=value["neonatologist"], reason=value["reason"])  # fmt: skip
        case "booking":
            when = (
                _("%(day)s at %(time)s", day=value["date"], time=value["time"]) if value.get("time") else value["date"]
            )
            more = "".join(f", {value[key]}" for key in ("place", "examiner") if value.get(key))
            said = _("%(on)s: for %(when)s%(more)s (%(by)s)", on=value["on"], when=when, more=more, by=value["by"])
        case "leaving":
            day = _("leaves on %(day)s", day=value["date"]) if value.get("date") else _("no day is planned any more")
            said = f"{value['on']}: {day} ({value['by']})"
        case "hand_over":
            told = _("the parents were told") if value.get("parents_told") else _("not said that the parents were told")
            said = _("%(day)s: to %(to)s, next exam on %(date)s at %(place)s (%(by)s); %(told)s",
                     day=value["on"], to=value["to"], date=value["date"], place=value["place"], by=value["by"],
                     told=told)  # fmt: skip
        case "long_term":
            said = f"{value['on']}: {value['where']} ({value['by']})"
        case "unreadable":
            said = f"{say_missing([str(value['of'])])}: {tell(str(value['reason']))}"
        case "retracted":
            said = _("this version says nothing any more")
        case _:
            said = _("yes")
    return _(LABELS.get(fact.name, fact.name.replace("_", " "))), said


def _say_exam(value: Mapping[str, Any]) -> str:
    on = _("%(day)s at %(time)s", day=value["on"], time=value["at"]) if value.get("at") else value["on"]
    who = f" ({value['examiner']})" if value.get("examiner") else ""
    try:
        exam = parse_exam(value, "exam")
    except ConfigurationError:  # written under rules that have been tightened since
        return f"{on}{who}: " + _("kept, and not readable under the rules of today")
    return f"{on}{who}: " + "; ".join(f"{say_eyes([side])} {tell(str(exam.eye(side)))}" for side in SIDES)


def _eyes(value: Mapping[str, Any]) -> str:
    return say_eyes(SIDES if value["eyes"] == "both" else [str(value["eyes"])])


def _plain(value: Any) -> str:
    return (_("yes") if value else _("no")) if isinstance(value, bool) else str(value)
