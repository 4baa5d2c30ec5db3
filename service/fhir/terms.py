"""The terms of our own CodeSystem: what is asked of an eye, what may be answered, and how either is said.

No public code system was found to hold retinal zones, plus disease or the lettered stages, so they are published here
under a name of our own. The words come from the constants of `service.core.findings`: a word the core learns is a code
here, and one without a description fails when this module is imported.

A code is its question and its word: `zone-II`, `stage-4A`, `closing-death`. Questions have codes too, `eye-zone`, so
that an Observation can say what it is about.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, Final, NamedTuple

from service.core.course import CLOSINGS
from service.core.findings import EYE_KEYS, KINDS, PLUS, REGRESSIONS, SIDES, STAGES, VIEWS, ZONES
from service.core.stays import SUPPORTS
from service.errors import NotUnderstood
from service.fhir.strict import Resource, check

CANONICAL: Final = "https://ridgeline.invalid/fhir"
SYSTEM: Final = f"{CANONICAL}/CodeSystem/rop-finding"
VERSION: Final = "1"
ICROP3: Final = "International Classification of ROP, 3rd edition, Ophthalmology 2021;128:e51"

AGENTS: Final = ("ranibizumab", "bevacizumab", "aflibercept", "conbercept")
"""What is injected, by generic name."""

WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "view": VIEWS,
    "zone": tuple(ZONES)[:-1],
    "vascularization": tuple(ZONES),
    "stage": STAGES,
    "plus": PLUS,
    "regression": REGRESSIONS,
    "eyes": (*SIDES, "both"),
    "treatment": KINDS,
    "agent": AGENTS,
    "closing": tuple(CLOSINGS),
    "support": SUPPORTS,
}
"""Every question with a list of answers, and the words of its list as the core reads them."""

EYE_TYPES: Final[Mapping[str, str]] = {
    **dict.fromkeys(("view", "zone", "vascularization", "stage", "plus", "regression"), "choice"),
    **dict.fromkeys(
        ("posterior", "near_zone_i", "aggressive", "reactivation", "notch", "nasal_at_ora"), "boolean"
    ),
    "clock_hours": "integer",
    "avascular_extent": "decimal",
    "clock_positions": "string",
    "avascular_site": "string",
    "note": "string",
}  # fmt: skip
"""What kind of answer each key of an eye takes, as a FHIR item type."""


class Term(NamedTuple):
    """One code: how it is shown, and what it means."""

    display: str
    definition: str


_EYE: Final[Mapping[str, Term]] = {
    "view": Term("How well the eye was seen", "An eye that was not seen is not an eye without disease."),
    "zone": Term(
        "Zone of disease",
        f"The most posterior zone with disease; without disease, where the vessels end ({ICROP3}).",
    ),
    "posterior": Term(
        "Posterior zone II", f"The zone II that is meant lies within two disc diameters of zone I ({ICROP3})."
    ),
    "near_zone_i": Term("At the edge of zone I", "Immature vessels of posterior zone II, close to zone I."),
    "vascularization": Term("Vessels reach", "How far the retinal vessels have grown."),
    "stage": Term("Stage", f"The highest stage anywhere in the eye; 0 says that there is no disease ({ICROP3})."),
    "plus": Term("Plus", f"Dilated and tortuous vessels, judged within zone I, from none to plus ({ICROP3})."),
    "aggressive": Term(
        "Aggressive disease",
        f"Quickly worsening, severe disease, at any stage and in any place ({ICROP3}).",
    ),
    "regression": Term("Regression", f"Whether disease goes back, and how completely ({ICROP3})."),
    "reactivation": Term("Reactivation", f"Disease has come back after it went back ({ICROP3})."),
    "notch": Term("Notch", f"The zone is reached by one or two clock hours only ({ICROP3})."),
    "clock_hours": Term("Clock hours of disease", "How many twelfths of the circle show disease, 1 to 12."),
    "clock_positions": Term(
        "Which clock hours show disease",
        f"Written 2, 3, 4, as the examiner sees the eye: 3 is nasal in the right eye, temporal in the left ({ICROP3}).",
    ),
    "nasal_at_ora": Term("Nasal vessels reach the ora serrata", f"Until they do, no eye is in zone III ({ICROP3})."),
    "avascular_site": Term("Where retina stays avascular", f"The place of persistent avascular retina ({ICROP3})."),
    "avascular_extent": Term(
        "Extent of avascular retina", f"Persistent avascular retina, in disc diameters ({ICROP3})."
    ),
    "note": Term("Note", "Anything else about this eye: tunica, media, pupil, haemorrhage."),
}
"""Each key of `service.core.findings.EYE_KEYS` as a question."""

_SIDE: Final = Term("Which eye", "The eye that was examined or treated.")

_ANSWERS: Final[Mapping[str, Mapping[str, Term]]] = {
    "view": {
        "adequate": Term("Seen well enough", "The view allows saying that something is not there."),
        "poor": Term("Seen poorly", "What was seen counts; what was not seen may be there."),
        "none": Term("Not seen", "Nothing can be said of the retina."),
    },
    "zone": {
        "I": Term("Zone I", f"Within twice the distance from disc to fovea, around the disc ({ICROP3})."),
        "posterior II": Term("Posterior zone II", f"The two disc diameters of zone II next to zone I ({ICROP3})."),
        "II": Term("Zone II", f"From zone I to the circle through the nasal ora serrata ({ICROP3})."),
        "III": Term("Zone III", f"What is left on the temporal side, beyond zone II ({ICROP3})."),
    },
    "vascularization": {
        "I": Term("Vessels end in zone I", "The vessels have not grown beyond zone I."),
        "posterior II": Term("Vessels end in posterior zone II", "The vessels end just beyond zone I."),
        "II": Term("Vessels end in zone II", "The vessels end in zone II."),
        "III": Term("Vessels end in zone III", "The vessels end in zone III."),
        "full": Term("Fully vascularized", "The vessels reach the ora serrata all around."),
    },
    "stage": {
        "0": Term("No disease", "The retina was seen and there is no ROP, however immature the vessels."),
        "1": Term("Stage 1", f"A line between vascular and avascular retina ({ICROP3})."),
        "2": Term("Stage 2", f"A ridge in place of the line ({ICROP3})."),
        "3": Term("Stage 3", f"New vessels that grow out of the retina at the ridge ({ICROP3})."),
        "4A": Term("Stage 4A", f"Partial detachment that spares the fovea ({ICROP3})."),
        "4B": Term("Stage 4B", f"Partial detachment that takes in the fovea ({ICROP3})."),
        "5A": Term("Stage 5A", f"Total detachment, the disc can be seen ({ICROP3})."),
        "5B": Term("Stage 5B", f"Total detachment, the disc is hidden by tissue or a closed funnel ({ICROP3})."),
        "5C": Term("Stage 5C", f"Stage 5B with a changed anterior segment ({ICROP3})."),
    },
    "plus": {
        "none": Term("No plus", "The vessels are neither wide nor winding."),
        "pre-plus": Term("Pre-plus", f"More than normal, less than plus ({ICROP3})."),
        "plus": Term("Plus", f"Wide and winding vessels within zone I ({ICROP3})."),
    },
    "regression": {
        "none": Term("Not regressing", "Disease does not go back."),
        "incomplete": Term("Regressing", f"Disease goes back and some is left ({ICROP3})."),
        "complete": Term("Completely regressed", f"No active disease is left ({ICROP3})."),
    },
    "eyes": {
        "right": Term("Right eye", "The infant's own right eye."),
        "left": Term("Left eye", "The infant's own left eye."),
        "both": Term("Both eyes", "Right and left alike."),
    },
    "treatment": {
        "laser": Term("Laser", "Laser to the avascular retina."),
        "injection": Term("Injection", "A drug against vascular growth factor, injected into the eye."),
        "surgery": Term("Surgery", "An operation on the retina or the vitreous."),
    },
    "agent": {name: Term(name, f"{name.capitalize()}, by its generic name.") for name in AGENTS},
    "closing": {
        word: Term(says[0].upper() + says[1:], f"The course is closed because {says}.")
        for word, says in CLOSINGS.items()
    },
    "support": {
        "invasive ventilation": Term("Invasive ventilation", "A ventilator breathes through a tube in the trachea."),
        "non-invasive ventilation": Term("Non-invasive ventilation", "A ventilator breathes through a mask or prongs."),
        "CPAP": Term("CPAP", "Continuous positive airway pressure through a mask or prongs."),
        "high flow": Term("High flow", "Warmed and humidified gas at high flow through a nasal cannula."),
        "low-flow oxygen": Term("Low-flow oxygen", "Oxygen at low flow, or in the incubator."),
        "no support": Term("No support", "The infant breathes without help and without oxygen."),
    },
}  # fmt: skip


def code_of(question: str, word: str) -> str:
    """`zone`, `posterior II` -> `zone-posterior-II`."""
    return f"{question}-{word.replace(' ', '-')}"


def question_code(key: str) -> str:
    """The code of what is asked: `near_zone_i` of an eye -> `eye-near-zone-i`."""
    return f"eye-{key.replace('_', '-')}"


TERMS: Final[Mapping[str, Term]] = {
    **{question_code(key): _EYE[key] for key in EYE_KEYS},
    question_code("side"): _SIDE,
    **{code_of(question, word): _ANSWERS[question][word] for question, words in WORDS.items() for word in words},
}
"""Every code of the CodeSystem."""

QUESTIONS: Final[Mapping[str, str]] = {question_code(key): key for key in EYE_KEYS} | {question_code("side"): "eyes"}
"""What an Observation with this code is about: a key of an eye, or `eyes`."""

MEANINGS: Final[Mapping[str, tuple[str, str]]] = {
    code_of(question, word): (question, word) for question, words in WORDS.items() for word in words
}
"""The question and the word that a code answers with."""


def coding(code: str) -> Resource:
    """A FHIR Coding of one of our codes."""
    return {"system": SYSTEM, "code": code, "display": TERMS[code].display}


def share(key: str, value: object) -> dict[str, Any]:
    """What one answer adds to an eye: `zone`, `posterior II` -> `{"zone": "II", "posterior": True}`.

    `value` is a word of the list in any case, with or without its question (`stage 2`, `2`), a zone also in Arabic
    digits; a boolean; or a number. Stage 4 or 5 without its letter is read as 4A or 5A, beside a note that says so: any
    stage 4 or 5 goes to surgery, and a letter recorded elsewhere is the worse one. Raises NotUnderstood with what would
    have been understood.
    """
    kind = EYE_TYPES.get(key)
    if kind is None:
        raise NotUnderstood(f"{key!r} is not something recorded of an eye ({', '.join(EYE_KEYS)})")
    if kind == "choice":
        if key == "stage" and (bare := _plain(key, value)) in ("4", "5"):
            return {"stage": f"{bare}A", "note": f"stage {bare} recorded without its letter"}
        word = _word(key, value)
        return {"zone": "II", "posterior": True} if (key, word) == ("zone", "posterior II") else {key: word}
    if kind == "boolean":
        if not isinstance(value, bool):
            raise NotUnderstood(f"{key} is true or false")
        return {key: value}
    if kind == "string":
        if not isinstance(value, str) or not value.strip():
            raise NotUnderstood(f"{key} is a text")
        if key == "clock_positions" and not _CLOCK_HOURS.fullmatch(value.strip()):
            raise NotUnderstood(f"{key} are the clock hours with disease, from 1 to 12, written 2, 3, 4")
        return {key: value.strip()}
    return {key: _number(key, kind, value)}


_CLOCK_HOURS: Final = re.compile(r"(?:[1-9]|1[0-2])(?:[ ,]+(?:[1-9]|1[0-2])){0,11}", re.ASCII)


def _plain(key: str, value: object) -> str:
    """An answer as text: in lower case, without its question before it."""
    text = str(value).strip().casefold() if isinstance(value, str | int | Decimal) else ""
    return text.removeprefix(f"{key} ")


def _word(key: str, value: object) -> str:
    text = _plain(key, value)
    if key in ("zone", "vascularization"):
        text = {"1": "i", "2": "ii", "3": "iii"}.get(text.removeprefix("zone "), text.removeprefix("zone "))
    names = {word: (word.casefold(), TERMS[code_of(key, word)].display.casefold()) for word in WORDS[key]}
    found = next((word for word, said in names.items() if text in said), None)
    if found is None:
        raise NotUnderstood(f"is no answer to {key} known here ({', '.join(WORDS[key])})")
    return found


def _number(key: str, kind: str, value: object) -> int | float:
    number = value if isinstance(value, int | float | Decimal) and not isinstance(value, bool) else None
    if kind == "integer":
        if number is None or number != number or not 1 <= number <= 12 or number != int(number):
            raise NotUnderstood(f"{key} is a whole number from 1 to 12")
        return int(number)
    if number is None or number != number or not 0 <= number <= 20:
        raise NotUnderstood(f"{key} is a number of disc diameters from 0 to 20")
    return float(number)


def code_system() -> Resource:
    """Our CodeSystem as the FHIR facade serves it. Raises NotUnderstood when it would not be valid R4."""
    return check(
        {
            "resourceType": "CodeSystem",
            "id": SYSTEM.rpartition("/")[2],
            "url": SYSTEM,
            "version": VERSION,
            "name": "RopFinding",
            "title": "Findings and treatment of retinopathy of prematurity",
            "status": "active",
            "experimental": False,
            "publisher": "Ridgeline",
            "description": f"What an eye exam shows, in the terms of the {ICROP3}; what was done to an eye; why a "
            "course of exams was closed; and what helps an infant to breathe. Definitions are in the words of this "
            "project: the classification decides.",
            "caseSensitive": True,
            "content": "complete",
            "count": len(TERMS),
            "concept": list(_concepts()),
        }
    )


def _concepts() -> Iterator[Resource]:
    for code, term in TERMS.items():
        yield {"code": code, "display": term.display, "definition": term.definition}
