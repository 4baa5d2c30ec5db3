"""QuestionnaireResponse to facts, where it answers one of our own forms; answers to any other form say nothing.

Where an answer stands, and in which order, does not matter: its linkId says what it is about. Everything is checked as
strictly as a file of worked examples. Of an exam, what can be read counts even where the rest cannot: an eye with
disease does not wait for the other eye's typing error.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, Final

from service.core.findings import SIDES, parse_exam, parse_eye, parse_treatment
from service.core.stays import SUPPORTS
from service.errors import ConfigurationError, NotUnderstood
from service.fhir import terms
from service.fhir.draft import Draft
from service.fhir.element import Element, Unreadable, clean, quote
from service.fhir.findings import read_when
from service.fhir.forms import FORMS, QUESTIONNAIRES, Form, Question
from service.fhir.instants import read_local_day, read_sortable
from service.fhir.quantities import Amount, read_age_text, weigh
from service.fhir.references import WRONG_SUBJECT, patient_of
from service.fhir.values import value_keys

DONE: Final = frozenset({"completed", "amended"})
RETRACTED: Final = frozenset({"entered-in-error", "stopped"})
NO_SUPPORT: Final = SUPPORTS[-1]
LONGEST_TEXT: Final = 10_000
"""Characters of a note that are kept."""

_CLOCK = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9](\.[0-9]+)?)?")
_RISK = re.compile(r"[a-z][a-z0-9-]*")


def read_response(draft: Draft) -> None:
    """Facts of one QuestionnaireResponse into `draft`."""
    response = draft.element
    form = _form(response)
    if form is None:
        return
    patient = ""
    try:
        patient = _patient(draft)
        response.refuse_modifiers()
        status = (response.text("status") or "").casefold()
        if status in RETRACTED:
            draft.say(patient, "retracted", {})
            return
        if status == "in-progress":
            # Never a fact; but what an earlier version said stands until this one is completed.
            odd = Unreadable("QuestionnaireResponse.status", "is still being filled in: it counts once it is completed")
            draft.reject(odd, patient, form.fact, doubtful=False)
            return
        if status not in DONE:
            reason = f"{quote(status)} is not a status of answers to a form" if status else "is missing"
            raise Unreadable("QuestionnaireResponse.status", reason)
        answers = _Answers(draft, form)
    except Unreadable as error:
        draft.reject(error, patient, form.fact)
        return
    _TELL.get(form.id, _tell)(answers, patient)
    for link, (path, _) in answers.strange.items():
        reason = f"{quote(link)} is not asked by this form, and what is answered there may matter"
        draft.reject(Unreadable(path, reason), patient, form.fact)


def _form(response: Element) -> Form | None:
    """Which of our forms is answered, with or without a version in its canonical."""
    canonical = response.fields.get("questionnaire")
    base, _, id = canonical.partition("|")[0].rpartition("/") if isinstance(canonical, str) else ("", "", "")
    return FORMS.get(id) if base == QUESTIONNAIRES else None


def _patient(draft: Draft) -> str:
    subject = draft.element.element("subject")
    if subject is None:
        raise Unreadable("QuestionnaireResponse.subject", f"{WRONG_SUBJECT}: it is missing")
    return patient_of(subject, draft.entries)


class _Answers:
    """The answers of one response by linkId, each with its place. Raises Unreadable where they cannot be told apart."""

    def __init__(self, draft: Draft, form: Form) -> None:
        self.draft, self.form, self.links = draft, form, form.links
        self.groups = {question.key for question in form.questions if question.type == "group"}
        self.given: dict[str, list[Element]] = {}
        self.places: dict[str, str] = {}
        self.strange: dict[str, tuple[str, Element]] = {}
        authored = draft.element.fields.get("authored")
        self.authored = authored.strip() if isinstance(authored, str) else None
        self._collect(draft.element, "")

    def _collect(self, parent: Element, group: str) -> None:
        for item in parent.elements("item"):
            link = item.text("linkId") or ""
            inside = link if link in self.groups else group
            if inside == link and link:
                self.places.setdefault(link, item.path)
            prefix = link.partition(".")[0]
            if prefix in self.groups and group and prefix != group:
                raise Unreadable(item.at("linkId"), f"{quote(link)} stands inside the group {quote(group)}")
            for answer in item.elements("answer"):
                if value_keys(answer):
                    if link in self.links:
                        self.given.setdefault(link, []).append(answer)
                        self.places.setdefault(prefix, item.path)
                    else:
                        self.strange.setdefault(link, (answer.path, answer))
                self._collect(answer, inside)
            self._collect(item, inside)

    def answered(self, group: str) -> bool:
        """Whether anything in a group was answered."""
        return any(link.startswith(f"{group}.") for link in self.given)

    def path(self, link: str) -> str:
        """Where an answer stands, or where it is missing."""
        given = self.given.get(link)
        return given[0].path if given else "QuestionnaireResponse.item"

    def read(self, link: str) -> Any:
        """The value of a question; None when it was not answered. Raises Unreadable when it is missing and required,
        or answered twice with different values."""
        question, given = self.links[link], self.given.get(link, [])
        values = [_value(question, answer, self.draft) for answer in given]
        if question.repeats:
            return list(dict.fromkeys(values)) or None
        if any(value != values[0] for value in values):
            raise Unreadable(self.path(link), f"{quote(link)} is answered twice with different values")
        if not values and question.required:
            raise Unreadable("QuestionnaireResponse.item", f"{quote(link)} is missing: {question.asks}")
        return values[0] if values else None

    def all(self, prefix: str = "") -> dict[str, Any]:
        """The values of every question of the form, or of one group, by key."""
        links = [link for link in self.links if link.rpartition(".")[0] == prefix]
        values = {self.links[link].key: self.read(link) for link in links}
        return {key: value for key, value in values.items() if value is not None}

    def day(self, link: str = "on") -> str:
        """The day of something that has been: not after the day on which the form was filled in."""
        day = str(self.read(link))
        filled = read_local_day(self.authored, self.draft.site.timezone)
        if filled is not None and date.fromisoformat(day) > filled:
            raise Unreadable(self.path(link), f"{day} is after the day on which this was filled in ({filled})")
        return day

    def say(self, patient: str, name: str, value: Mapping[str, Any], rank: int = 1) -> None:
        """One fact, issued when the form was filled in."""
        self.draft.say(patient, name, value, rank, issued=read_sortable(self.authored, self.draft.site.timezone) or "")


# --- one answer ----------------------------------------------------------------------------------------------------


def _value(question: Question, answer: Element, draft: Draft) -> Any:
    keys = value_keys(answer)
    if len(keys) > 1:
        raise Unreadable(answer.path, "gives two answers in one")
    key = keys[0]
    path = answer.at(key)
    read = _READ[question.type].get(key)
    if read is None:
        raise Unreadable(path, f"is not a way to answer this: {question.asks}")
    return read(question, answer, key, draft)


_Read = Callable[[Question, Element, str, Draft], Any]


def _coded(question: Question, answer: Element, key: str, _: Draft) -> str:
    coding = answer.element(key) or Element({}, answer.at(key))
    system, code = coding.text("system"), coding.text("code") or ""
    meant = terms.MEANINGS.get(code) if system in (None, terms.SYSTEM) else None
    if meant is None or meant[0] != question.list:
        offered = ", ".join(terms.code_of(question.list, word) for word in question.words)
        raise Unreadable(coding.path, f"{quote(code)} is not a code of this question ({offered})")
    return meant[1]


def _word(question: Question, answer: Element, key: str, _: Draft) -> str:
    value = answer.number(key) if key == "valueInteger" else answer.text(key)
    text = str(value).casefold()
    word = next((word for word in terms.WORDS[question.list] if word.casefold() == text), None)
    if word is None:
        if question.list in terms.EYE_TYPES:
            return str(value)  # terms.share knows more ways to say it, and says what it would have understood
        raise Unreadable(answer.at(key), f"{quote(value)} is not one of {', '.join(question.words)}")
    return word


def _open(question: Question, answer: Element, key: str, draft: Draft) -> str:
    text = _text(question, answer, key, draft)
    return next((word for word in question.words if word.casefold() == text.casefold()), text)


def _text(_: Question, answer: Element, key: str, __: Draft) -> str:
    return clean(answer.text(key) or "", LONGEST_TEXT)


def _flag(_: Question, answer: Element, key: str, __: Draft) -> bool | None:
    return answer.flag(key)


def _number(_: Question, answer: Element, key: str, __: Draft) -> int | float | None:
    number = answer.number(key)
    if number is None:
        return None
    return int(number) if abs(number) < 10**9 and number == int(number) else float(number)


def _day(_: Question, answer: Element, key: str, draft: Draft) -> str:
    return read_when(answer.text(key), answer.at(key), draft.site)[0].isoformat()


def _clock(_: Question, answer: Element, key: str, __: Draft) -> str:
    text = answer.text(key) or ""
    if not _CLOCK.fullmatch(text):
        raise Unreadable(answer.at(key), f"{quote(text)} is not a time of day; write 09:30")
    return text[:5]


_READ: Final[Mapping[str, Mapping[str, _Read]]] = {
    "choice": {"valueCoding": _coded, "valueString": _word, "valueInteger": _word},
    "open-choice": {"valueCoding": _coded, "valueString": _open},
    "string": {"valueString": _text},
    "boolean": {"valueBoolean": _flag},
    "date": {"valueDate": _day, "valueDateTime": _day, "valueString": _day},
    "time": {"valueTime": _clock, "valueString": _clock},
    "integer": {"valueInteger": _number, "valueDecimal": _number},
    "decimal": {"valueDecimal": _number, "valueInteger": _number},
}


# --- one form ------------------------------------------------------------------------------------------------------


def _tell(answers: _Answers, patient: str) -> None:
    """A form whose answers are one fact."""
    draft, about = answers.draft, answers.form.fact
    value = draft.attempt(lambda: {**answers.all(), "on": answers.day()}, patient, about)
    if value is not None:
        answers.say(patient, about, value)


def _tell_exam(answers: _Answers, patient: str) -> None:
    """An exam, of what can be read: the day must be; an eye stands or falls alone; all the rest may be left out."""
    draft = answers.draft
    exam: dict[str, Any] = {"on": draft.attempt(answers.day, patient, "exam")}
    for link in answers.links:
        if "." not in link and link != "on":
            value = draft.attempt(lambda link=link: answers.read(link), patient, "exam")  # type: ignore[misc]
            exam |= {} if value is None else {link: value}
    for side in SIDES:
        if answers.answered(side):
            eye = draft.attempt(lambda side=side: _eye(answers, side), patient, "exam")  # type: ignore[misc]
            exam |= {} if eye is None else {side: eye}
    if not any(answers.answered(side) for side in SIDES):
        draft.reject(Unreadable("QuestionnaireResponse.item", "says nothing of either eye"), patient, "exam")
    if exam["on"] is not None and any(side in exam for side in SIDES):
        parse_exam(exam, "exam")
        answers.say(patient, "exam", exam)


def _eye(answers: _Answers, side: str) -> dict[str, Any]:
    eye: dict[str, Any] = {}
    for key, value in answers.all(side).items():
        path = answers.path(f"{side}.{key}")
        try:
            said = terms.share(key, value)
        except NotUnderstood as error:
            raise Unreadable(path, f"{quote(value)}: {error}") from None
        note = {"note": f"{eye['note']}; {said['note']}"} if {"note"} & eye.keys() & said.keys() else {}
        if any(eye.get(known, new) != new for known, new in said.items() if known != "note"):
            raise Unreadable(path, "and another answer about the same eye cannot both be")
        eye |= said | note
    try:
        parse_eye(eye, side)
    except ConfigurationError as error:
        link = f"{side}.{error.where.rpartition('.')[2]}"
        path = answers.path(link) if link in answers.given else answers.places[side]
        raise Unreadable(path, f"{side} eye: {error.problem}") from None
    return eye


def _tell_treatment(answers: _Answers, patient: str) -> None:
    def treatment() -> dict[str, Any]:
        value = {**answers.all(), "on": answers.day()}
        try:
            parse_treatment(value, "treatment")
        except ConfigurationError as error:
            path = answers.path(error.where.rpartition(".")[2])
            raise Unreadable(path, error.problem) from None
        return value

    value = answers.draft.attempt(treatment, patient, "treatment")
    if value is not None:
        answers.say(patient, "treatment", value)


def _tell_closing(answers: _Answers, patient: str) -> None:
    """A closing; or, where the last group is filled in, that the course is open again. A reopening that cannot be read
    takes the closing back as well: the course is open until somebody says otherwise."""
    if not answers.answered("reopening"):
        _tell(answers, patient)
        return
    value = answers.draft.attempt(
        lambda: {**answers.all("reopening"), "on": answers.day("reopening.on")}, patient, "reopening"
    )
    if value is not None:
        answers.say(patient, "reopening", value)


def _tell_deferral(answers: _Answers, patient: str) -> None:
    def deferral() -> dict[str, Any]:
        value = {**answers.all(), "on": answers.day()}
        if value["until"] < value["on"]:
            raise Unreadable(answers.path("until"), "is before the day of the decision")
        return value

    value = answers.draft.attempt(deferral, patient, "deferral")
    if value is not None:
        answers.say(patient, "deferral", value)


def _tell_booking(answers: _Answers, patient: str) -> None:
    def booking() -> dict[str, Any]:
        value = {**answers.all(), "on": answers.day()}
        if value["date"] < value["on"]:
            raise Unreadable(answers.path("date"), "is before the day on which this was booked")
        return value

    value = answers.draft.attempt(booking, patient, "booking")
    if value is not None:
        answers.say(patient, "booking", value)


def _tell_bedside(answers: _Answers, patient: str) -> None:
    """What helps to breathe, and when the infant is to leave. Each answer stands alone."""
    draft = answers.draft

    def support() -> dict[str, Any] | None:
        what = answers.read("support")
        if what is None:
            return None
        on = answers.day()
        return {"what": what, "on": on, "until": on if what == NO_SUPPORT else None}

    def leaving() -> dict[str, Any] | None:
        day, stays = answers.read("leaves"), answers.read("stays")
        if day is None and not stays:
            return None
        on = answers.day()
        if day is not None and stays:
            raise Unreadable(answers.path("stays"), "contradicts the planned day of leaving, which is answered as well")
        if day is not None and day < on:
            raise Unreadable(answers.path("leaves"), "is before the day on which this was written down")
        return {"on": on, "date": day, "by": answers.read("by")}

    if not {"support", "leaves", "stays"} & answers.given.keys():
        reason = "says nothing of respiratory support or of leaving"
        draft.reject(Unreadable("QuestionnaireResponse.item", reason), patient, "leaving", doubtful=False)
    for name, told in (("respiratory", support), ("leaving", leaving)):
        if (value := draft.attempt(told, patient, name)) is not None:
            answers.say(patient, name, value)


def _tell_newborn(answers: _Answers, patient: str) -> None:
    """What a clinician settles: rank 0 ends a disagreement, see core/infant.py. Each answer stands alone."""
    draft = answers.draft
    measures = draft.site.measures

    def gestation() -> dict[str, Any] | None:
        link = "gestational_age_at_birth"
        text = answers.read(link)
        if text is None:
            return None
        age = read_age_text(text, answers.path(link), None, measures)
        return {"low": age.low, "high": age.high}

    def weight() -> dict[str, Any] | None:
        (given,) = answers.given.get("birth_weight", [None])[:1]
        if given is None or answers.read("birth_weight") is None:
            return None
        number = given.number(value_keys(given)[0])
        return None if number is None else {"grams": weigh([Amount(number, "g", given.path)], None, measures)}

    def risks() -> list[str]:
        flags = answers.read("risk_flags") or []
        if odd := next((flag for flag in flags if not _RISK.fullmatch(flag)), None):
            raise Unreadable(answers.path("risk_flags"), f"{quote(odd)} is not one lower-case word of a guideline")
        return list(flags)

    if not answers.given:
        reason = "says nothing of age at birth, birth weight or risk"
        draft.reject(Unreadable("QuestionnaireResponse.item", reason), patient, "birth_weight", doubtful=False)
    if (value := draft.attempt(gestation, patient, "gestation")) is not None:
        answers.say(patient, "gestation", value, rank=0)
    if (value := draft.attempt(weight, patient, "birth_weight")) is not None:
        answers.say(patient, "birth_weight", value, rank=0)
    for flag in draft.attempt(risks, patient, "risk") or []:
        answers.say(patient, "risk", {"flag": flag}, rank=0)


_TELL: Final[Mapping[str, Callable[[_Answers, str], None]]] = {
    "eye-exam": _tell_exam,
    "treatment": _tell_treatment,
    "closing": _tell_closing,
    "deferral": _tell_deferral,
    "bedside": _tell_bedside,
    "booking": _tell_booking,
    "newborn": _tell_newborn,
}
