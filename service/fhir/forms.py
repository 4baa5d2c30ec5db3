"""Our published Questionnaires, one for each thing a person records, and answers to them.

A form is a list of questions; the FHIR Questionnaire, the answers that a page writes (`fill`) and the reading of
answers (`service.fhir.answers`) are all made from that list. A question's linkId is the key of the fact's value:
`on`, `kind`; the keys of one eye stand under their group, `right.zone`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, Final

from service.core.findings import EYE_KEYS, SIDES
from service.errors import NotUnderstood
from service.fhir import terms
from service.fhir.step import PERSON_SYSTEM
from service.fhir.strict import Resource, check, instant, is_id, lean, text
from service.fhir.terms import CANONICAL, EYE_TYPES, WORDS, code_of, code_system, coding, question_code

__all__ = ["FORMS", "QUESTIONNAIRES", "Form", "Question", "code_system", "fill", "questionnaires"]

QUESTIONNAIRES: Final = f"{CANONICAL}/Questionnaire"
VERSION: Final = "1"


@dataclass(frozen=True, slots=True)
class Question:
    """One question of a form. `type` is a FHIR item type; `list` names the list of answers in `terms.WORDS`, of which
    `words` are offered; `when` is (linkId, operator, answer[x], value): ask only then; `inner` are a group's questions.
    """

    key: str
    type: str
    asks: str
    list: str = ""
    words: tuple[str, ...] = ()
    required: bool = False
    repeats: bool = False
    fixed: bool = False
    code: str = ""
    when: tuple[str, str, str, Any] | None = None
    inner: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True)
class Form:
    """One form: `id` of the Questionnaire, `fact` the name of what an answer to it says ("" for `bedside` and
    `newborn`, whose answers say several things)."""

    id: str
    title: str
    fact: str
    purpose: str
    questions: tuple[Question, ...]

    @property
    def canonical(self) -> str:
        """The Questionnaire's URL with its version."""
        return f"{QUESTIONNAIRES}/{self.id}|{VERSION}"

    @property
    def links(self) -> dict[str, Question]:
        """Every question that takes an answer, by its linkId."""
        return dict(_links(self.questions, ""))


def _links(questions: tuple[Question, ...], group: str) -> Iterator[tuple[str, Question]]:
    for question in questions:
        if question.type == "group":
            yield from _links(question.inner, f"{question.key}.")
        else:
            yield f"{group}{question.key}", question


# --- the questions -------------------------------------------------------------------------------------------------

_EYE_ASKS: Final[Mapping[str, str]] = {
    "view": "How well could this eye be seen?",
    "zone": "Most posterior zone with disease (without disease: where the vessels end)",
    "posterior": "Posterior zone II: within two disc diameters of zone I",
    "near_zone_i": "Immature vessels of posterior zone II close to zone I",
    "vascularization": "How far do the vessels reach?",
    "stage": "Highest stage (0: seen, and no disease)",
    "plus": "Plus disease",
    "aggressive": "Aggressive disease (A-ROP)",
    "regression": "Does disease regress?",
    "reactivation": "Disease has come back",
    "notch": "The zone is reached by a notch of one or two clock hours",
    "clock_hours": "Clock hours of disease",
    "clock_positions": "Which clock hours, as the examiner sees the eye: 2, 3, 4",
    "nasal_at_ora": "Nasal vessels reach the ora serrata",
    "avascular_site": "Where does retina stay avascular?",
    "avascular_extent": "Extent of avascular retina in disc diameters",
    "note": "Note on this eye (tunica, media, pupil, haemorrhage)",
}


def _eye(side: str) -> Question:
    def ask(key: str) -> Question:
        return Question(
            key,
            EYE_TYPES[key],
            _EYE_ASKS[key],
            list=key if EYE_TYPES[key] == "choice" else "",
            words=tuple(word for word in WORDS.get(key, ()) if (key, word) != ("zone", "posterior II")),
            code=question_code(key),
            when=(f"{side}.zone", "=", "answerCoding", code_of("zone", "II")) if key == "posterior" else None,
        )

    asks = f"{side.capitalize()} eye (leave it out when it was not examined)"
    return Question(side, "group", asks, inner=tuple(ask(key) for key in EYE_KEYS))


def _list(key: str, asks: str, of: str, **more: Any) -> Question:
    return Question(key, "choice", asks, list=of, words=WORDS[of], required=True, **more)


def _day(key: str, asks: str, **more: Any) -> Question:
    return Question(key, "date", asks, required=True, **more)


def _text(key: str, asks: str, **more: Any) -> Question:
    return Question(key, "string", asks, **more)


_CLOSED: Final[dict[str, Any]] = {"when": ("reopening.on", "exists", "answerBoolean", False)}
_INJECTED: Final = ("kind", "=", "answerCoding", code_of("treatment", "injection"))

FORMS: Final[Mapping[str, Form]] = {
    form.id: form
    for form in (
        Form(
            "eye-exam", "Eye exam for retinopathy of prematurity", "exam",
            "What was seen of both eyes on one day. What was not seen is left out: it is not the same as no finding.",
            (
                _day("on", "Day of the exam"),
                Question("at", "time", "Time of the exam: treatment is counted from it"),
                *(_eye(side) for side in SIDES),
                _text("examiner", "Who examined?"),
                _text("method", "How? (indirect ophthalmoscopy, wide-field imaging)"),
                _text("adverse_events", "Apnoea, bradycardia or anything else that happened"),
            ),
        ),
        Form(
            "treatment", "Treatment of retinopathy of prematurity", "treatment",
            "A treatment that was done. It stops the treatment clock of the eyes it names.",
            (
                _day("on", "Day of the treatment"),
                _list("eyes", "Which eyes?", "eyes", code=question_code("side")),
                _list("kind", "What was done?", "treatment"),
                Question(
                    "agent", "open-choice", "What was injected? (generic name)", list="agent", words=WORDS["agent"],
                    when=_INJECTED,
                ),
            ),
        ),
        Form(
            "closing", "Closing of a course of eye exams", "closing",
            "Who closes the course and why. It is opened again by a newer version of the same answers that fills in "
            "the last group, or that is entered in error.",
            (
                _day("on", "Day of the decision", **_CLOSED),
                _text("by", "Who closes the course?", required=True, **_CLOSED),
                _list("why", "Why?", "closing", **_CLOSED),
                _text("note", "Note", **_CLOSED),
                _text("basis", "Digest of the record this rests on (filled in by the program)", fixed=True, **_CLOSED),
                Question(
                    "reopening", "group", "Opening the course again (leave it out to close)",
                    inner=(
                        _day("on", "Day of the decision"),
                        _text("by", "Who opens the course again?", required=True),
                        _text("why", "Why?", required=True),
                    ),
                ),
            ),
        ),
        Form(
            "deferral", "An eye exam put off", "deferral",
            "A joint decision of ophthalmologist and neonatologist. The exam stays due as it was.",
            (
                _day("on", "Day of the decision"),
                _day("until", "Put off until"),
                _text("reason", "Why can the infant not be examined?", required=True),
                _text("ophthalmologist", "Ophthalmologist who decided", required=True),
                _text("neonatologist", "Neonatologist who decided", required=True),
            ),
        ),
        Form(
            "hand-over", "Hand-over of an infant whose course is open", "hand_over",
            "Who takes the infant on, and where and when the eyes are next looked at there.",
            (
                _day("on", "Day of the hand-over"),
                _text("to", "Unit or clinic that takes over", required=True),
                _text("place", "Place of the next exam", required=True),
                _day("date", "Day of the next exam"),
                _text("by", "Who hands over?", required=True),
                Question("parents_told", "boolean", "The parents were told place and day, and why it matters"),
            ),
        ),
        Form(
            "booking", "An eye exam booked for a day", "booking",
            "When and where the eyes are to be looked at, and by whom. The exam stays due as it was.",
            (
                _day("on", "Day on which this was booked"),
                _day("date", "Booked for"),
                Question("time", "time", "Time"),
                _text("place", "Where?"),
                _text("examiner", "Who examines?"),
                _text("by", "Who books?", required=True),
            ),
        ),
        Form(
            "long-term", "Refraction and alignment after screening", "long_term",
            "The visit some months after discharge was held, or somebody has taken it over.",
            (
                _day("on", "Day of the visit or of the hand-over"),
                _text("by", "Who saw the infant, or handed over?", required=True),
                _text("where", "Where?", required=True),
            ),
        ),
        Form(
            "bedside", "Respiratory support and planned leaving", "",
            "What is known at the cot and no feed sends. Respiratory support is shown and decides nothing; a planned "
            "day of leaving asks for the hand-over ahead of that day, and moves no exam.",
            (
                _day("on", "Day on which this holds"),
                Question("support", "choice", "What helps the infant to breathe?", list="support",
                         words=WORDS["support"]),
                Question("leaves", "date", "Planned day of leaving hospital"),
                Question("stays", "boolean", "No day of leaving is planned any more"),
                _text("by", "Who writes this down?", required=True),
            ),
        ),
        Form(
            "newborn", "What must be known of a newborn", "",
            "For an infant who cannot be judged yet, or whose records disagree. What is filled in here settles it.",
            (
                _text(
                    "gestational_age_at_birth",
                    "Gestational age at birth: 25w3d, or 25w where only the completed week is known",
                ),
                Question("birth_weight", "integer", "Birth weight in grams"),
                _text("risk_flags", "Risk, by its word in the guideline, such as sepsis", repeats=True),
            ),
        ),
    )
}  # fmt: skip
"""Every form by the id of its Questionnaire."""


# --- published -----------------------------------------------------------------------------------------------------


def questionnaires() -> list[Resource]:
    """Every form as the FHIR facade serves it. Raises NotUnderstood when one would not be valid R4."""
    return [
        check(
            lean(
                {
                    "resourceType": "Questionnaire",
                    "id": form.id,
                    "url": form.canonical.partition("|")[0],
                    "version": VERSION,
                    "name": "".join(word.capitalize() for word in form.id.split("-")),
                    "title": form.title,
                    "status": "active",
                    "experimental": False,
                    "subjectType": ["Patient"],
                    "publisher": "Ridgeline",
                    "description": form.purpose,
                    "item": [_item(question, "") for question in form.questions],
                }
            )
        )
        for form in FORMS.values()
    ]


def _item(question: Question, group: str) -> Resource:
    when = question.when
    value = None if when is None else terms.coding(when[3]) if when[2] == "answerCoding" else when[3]
    return {
        "linkId": f"{group}{question.key}",
        "code": [coding(question.code)] if question.code else None,
        "text": question.asks,
        "type": question.type,
        "enableWhen": [] if when is None else [{"question": when[0], "operator": when[1], when[2]: value}],
        "required": question.required or None,
        "repeats": question.repeats or None,
        "readOnly": question.fixed or None,
        "answerOption": [{"valueCoding": coding(code_of(question.list, word))} for word in question.words],
        "item": [_item(inner, f"{question.key}.") for inner in question.inner],
    }


# --- filled in -----------------------------------------------------------------------------------------------------


def fill(
    form: str, value: Mapping[str, Any], *, id: str, version: int, patient: str, author: str, authored: datetime,
    status: str = "completed", recorder: str = "",
) -> Resource:  # fmt: skip
    """The QuestionnaireResponse that answers a form with the value of a fact.

    `value` has the keys of the fact; those of one eye are a mapping under `right` or `left`; a course is opened again
    by `{"reopening": {on, by, why}}`; `newborn` takes `gestational_age_at_birth` ("25w3d"), `birth_weight` (grams) and
    `risk_flags` (a list of words). What is None, empty or blank is left out. `version` is meta.versionId: a correction
    is the same id with the next number; `status` "entered-in-error" takes the answers back (`value` may be {}).
    `patient` is the Patient id at the site, or `system|value`; `author` who filled it in, `recorder` the id of
    whoever was signed in where it was typed; `authored` has a time zone.

    Raises NotUnderstood in words, without repeating the value, for a key the form does not ask or a value that is no
    answer to it.
    """
    if form not in FORMS:
        raise NotUnderstood(f"{form!r} is not one of our forms ({', '.join(FORMS)})")
    asked = FORMS[form]
    if not is_id(id):
        raise NotUnderstood("an id is up to 64 letters, digits, dashes and dots")
    return check(
        lean(
            {
                "resourceType": "QuestionnaireResponse",
                "id": id,
                "meta": {"versionId": str(version), "lastUpdated": instant(authored)},
                "questionnaire": asked.canonical,
                "status": status,
                "subject": _subject(patient),
                "authored": instant(authored),
                "author": {"display": text(author), "identifier": _recorder(recorder)},
                "item": _items(asked.questions, value, ""),
            }
        )
    )


def _recorder(id: str) -> Resource | None:
    return {"system": PERSON_SYSTEM, "value": id} if id else None


def _subject(patient: str) -> Resource:
    system, bar, number = patient.partition("|")
    if bar:
        return {"type": "Patient", "identifier": {"system": system, "value": number}}
    return {"reference": f"Patient/{patient}"}


def _items(questions: tuple[Question, ...], value: Mapping[str, Any], group: str) -> list[Resource]:
    keys = [question.key for question in questions]
    if unknown := next((key for key in value if key not in keys), None):
        raise NotUnderstood(f"{group}{unknown} is not asked by this form ({', '.join(keys)})")
    items = []
    for question in questions:
        given, link = value.get(question.key), f"{group}{question.key}"
        if given is None or given in ("", (), [], {}):
            continue
        item: Resource = {"linkId": link, "text": question.asks}
        if question.type == "group":
            if not isinstance(given, Mapping):
                raise NotUnderstood(f"{link} is a group of answers")
            item["item"] = _items(question.inner, _one_zone(given), f"{question.key}.")
        else:
            given = list(given) if question.repeats and isinstance(given, list | tuple) else [given]
            answers = [answer for one in given if (answer := _answer(question, one, link))]
            item["answer"] = answers
        if item.get("item") or item.get("answer"):
            items.append(item)
    return items


def _one_zone(eye: Mapping[str, Any]) -> Mapping[str, Any]:
    """Posterior zone II as the form asks for it: zone II, and then whether it is posterior."""
    return {**eye, "zone": "II", "posterior": True} if eye.get("zone") == "posterior II" else eye


def _answer(question: Question, value: object, link: str) -> Resource | None:
    if question.list:
        word = next((word for word in question.words if word == str(value).strip()), None)
        word = word or next((word for word in question.words if word == str(value).strip().upper()), None)
        if word is not None:
            return {"valueCoding": coding(code_of(question.list, word))}
        if question.type == "choice":
            raise NotUnderstood(f"{link} is one of {', '.join(question.words)}")
    if question.type == "boolean" and isinstance(value, bool):
        return {"valueBoolean": value}
    if question.type == "date" and (day := _day_of(value)):
        return {"valueDate": day}
    if question.type == "time" and (clock := _time_of(value)):
        return {"valueTime": clock}
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool) and math.isfinite(value):
        if question.type == "integer" and value == int(value):
            return {"valueInteger": int(value)}
        if question.type == "decimal":
            return {"valueDecimal": float(value)}
    if question.type in ("string", "open-choice") and isinstance(value, str):
        return {"valueString": written} if (written := text(value)) else None
    raise NotUnderstood(f"{link} takes {_TAKES[question.type]}")


_TAKES: Final = {
    "boolean": "true or false", "date": "a date such as 2031-06-01", "time": "a time of day such as 09:30",
    "integer": "a whole number", "decimal": "a number", "string": "a text", "open-choice": "a text",
}  # fmt: skip


def _day_of(value: object) -> str | None:
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError:
        return None


def _time_of(value: object) -> str | None:
    try:
        return time.fromisoformat(str(value)).replace(microsecond=0, tzinfo=None).isoformat()
    except ValueError:
        return None
