"""The sheets a person types into: what each asks, in the words of the trade and short enough for a thumb.

Each answers one of our published Questionnaires (`service.fhir.forms`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.core.course import CLOSINGS
from service.core.findings import STAGES
from service.fhir.terms import AGENTS

Options = tuple[tuple[str, str], ...]
"""(value, words) of each answer to choose from."""

NOT_SAID: Final = ("", "Not said")


@dataclass(frozen=True, slots=True)
class Field:
    """One thing asked. `kind`: text, day, time, number, choice (one of `options`), flag (a box), flags (boxes).
    `rare` fields stand in the folded part, which opens by itself when one of them is filled in."""

    name: str
    label: str
    kind: str = "text"
    options: Options = ()
    required: bool = False
    hint: str = ""
    rare: bool = False
    autocomplete: str = "off"


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page to type into. `path` is its part of the address, `form` the Questionnaire it answers, `fact` what an
    answer says, `author` the field that names who answers, `saved` what is said afterwards."""

    path: str
    form: str
    fact: str
    title: str
    meaning: str
    saved: str
    author: str
    fields: tuple[Field, ...]

    @property
    def eyes(self) -> bool:
        """Whether findings of both eyes are asked for."""
        return self.form == "eye-exam"


# --- the sheets ----------------------------------------------------------------------------------------------------

_ZONES: Final[Options] = (("I", "I"), ("posterior II", "Posterior II"), ("II", "II"), ("III", "III"), ("full", "Full"))
_YES_NO: Final[Options] = (NOT_SAID, ("yes", "Yes"), ("no", "No"))

EYE: Final[tuple[Field, ...]] = (
    Field("view", "View", "choice", (("adequate", "Good"), ("poor", "Poor"), ("none", "Not seen"))),
    Field(
        "zone", "Zone", "choice", (NOT_SAID, *_ZONES),
        hint="The most posterior zone with disease; without disease, where the vessels end. "
        "Full: the vessels reach the ora serrata all around.",
    ),
    Field(
        "stage", "Stage", "choice", (NOT_SAID, ("0", "No ROP"), *((stage, stage) for stage in STAGES[1:])),
        hint="The highest stage in the eye.",
    ),
    Field(
        "plus", "Plus", "choice", (NOT_SAID, ("none", "No plus"), ("pre-plus", "Pre-plus"), ("plus", "Plus")),
    ),
    Field("aggressive", "Aggressive ROP (A-ROP)", "flag"),
    Field(
        "regression", "Regression", "choice",
        (NOT_SAID, ("none", "None"), ("incomplete", "Incomplete"), ("complete", "Complete")), rare=True,
    ),
    Field("reactivation", "Reactivation: disease has come back", "flag", rare=True),
    Field("vascularization", "Vessels reach", "choice", (NOT_SAID, *_ZONES), rare=True,
          hint="Where it is not the zone above."),
    Field("nasal_at_ora", "Nasal vessels reach the ora serrata", "choice", _YES_NO, rare=True),
    Field("near_zone_i", "Immature vessels close to zone I", "flag", rare=True),
    Field("notch", "The zone is reached by a notch of one or two clock hours", "flag", rare=True),
    Field("clock_hours", "Clock hours of disease", "number", rare=True),
    Field("avascular_site", "Where retina stays avascular", rare=True),
    Field("avascular_extent", "Extent of avascular retina, in disc diameters", "number", rare=True),
    Field("note", "Note on this eye: pupil, tunica, media, haemorrhage", rare=True),
)  # fmt: skip
"""What is asked of one eye, in the terms of ICROP3; the names carry the side before them, `right.zone`."""


def _name(name: str, label: str, **more: Any) -> Field:
    return Field(name, label, required=True, autocomplete="name", **more)


def _on(label: str, name: str = "on") -> Field:
    return Field(name, label, "day", required=True)


SHEETS: Final[Mapping[str, Sheet]] = {
    sheet.path: sheet
    for sheet in (
        Sheet(
            "exam", "eye-exam", "exam", "Eye exam",
            "What was seen of both eyes. An eye that was not seen is not an eye without disease: say so.",
            "The exam is saved.", "examiner",
            (
                _on("Day of the exam"),
                Field("at", "Time", "time", hint="Treatment is counted from this time."),
                _name("examiner", "Who examined?"),
                Field("method", "How?", rare=True, hint="Indirect ophthalmoscopy, wide-field imaging."),
                Field("adverse_events", "Apnoea, bradycardia or anything else that happened", rare=True),
            ),
        ),
        Sheet(
            "treatment", "treatment", "treatment", "Treatment",
            "A treatment that was done. It ends the treatment clock of the eye it names and starts its reviews.",
            "The treatment is saved.", "by",
            (
                _on("Day of the treatment"),
                Field(
                    "eyes", "Which eye?", "choice", (("right", "Right"), ("left", "Left"), ("both", "Both")),
                    required=True,
                ),
                Field(
                    "kind", "What was done?", "choice",
                    (("laser", "Laser"), ("injection", "Injection"), ("surgery", "Surgery")), required=True,
                ),
                Field(
                    "agent", "What was injected?", "choice",
                    (NOT_SAID, *((agent, agent.capitalize()) for agent in AGENTS), ("other", "Another")),
                    hint="Only for an injection.",
                ),
                Field("other_agent", "Another agent, by its generic name", hint="Only where “Another” is chosen."),
                _name("by", "Who writes this down?"),
            ),
        ),
        Sheet(
            "defer", "deferral", "deferral", "Put the exam off",
            "A joint decision of an ophthalmologist and a neonatologist. The exam stays due as it was, and the infant "
            "stays where it is on the list: the sickest infants have the worst disease.",
            "The deferral is saved. The exam stays due as it was.", "ophthalmologist",
            (
                _on("Day of the decision"),
                _on("Put off until", "until"),
                Field("reason", "Why can the infant not be examined?", required=True),
                _name("ophthalmologist", "Ophthalmologist who decided"),
                Field("neonatologist", "Neonatologist who decided", required=True),
            ),
        ),
        Sheet(
            "hand-over", "hand-over", "hand_over", "Hand over",
            "Who takes the infant on, and where and when the eyes are next looked at there.",
            "The hand-over is saved.", "by",
            (
                _on("Day of the hand-over"),
                Field("to", "Unit or clinic that takes over", required=True),
                Field("place", "Place of the next exam", required=True),
                _on("Day of the next exam", "date"),
                Field("parents_told", "The parents were told place and day, and why it matters", "flag"),
                _name("by", "Who hands over?"),
            ),
        ),
        Sheet(
            "close", "closing", "closing", "Close the course",
            "A named person ends the exams. Another exam or treatment, one corrected or one taken back opens the "
            "course again by itself.",
            "The closing is saved.", "by",
            (
                _on("Day of the decision"),
                Field(
                    "why", "Why?", "choice",
                    tuple((word, says[:1].upper() + says[1:]) for word, says in CLOSINGS.items()), required=True,
                ),
                Field("note", "Note"),
                _name("by", "Who closes the course?"),
            ),
        ),
        Sheet(
            "reopen", "closing", "reopening", "Open the course again",
            "The infant goes back on the list with the date that its last exam gives.",
            "The course is open again.", "by",
            (
                _on("Day of the decision"),
                Field("why", "Why?", required=True),
                _name("by", "Who opens the course again?"),
            ),
        ),
        Sheet(
            "book", "booking", "booking", "Book the exam",
            "A day, and if it is known a time, a place and who examines. The exam stays due as it was: a booking "
            "clears nothing and moves no date.",
            "The booking is saved. The exam stays due as it was.", "by",
            (
                _on("Booked for", "date"),
                Field("time", "Time", "time"),
                Field("place", "Where?", hint="Only where it is not the usual place."),
                Field("examiner", "Who examines?", autocomplete="name"),
                _name("by", "Who books?"),
                Field("on", "Day on which this was booked", "day", required=True, rare=True),
            ),
        ),
        Sheet(
            "long-term", "long-term", "long_term", "Refraction and alignment",
            "The visit some months after discharge was held, or somebody has taken it over.",
            "The visit is saved.", "by",
            (
                _on("Day of the visit or of the hand-over"),
                Field("where", "Where?", required=True),
                _name("by", "Who saw the infant, or handed over?"),
            ),
        ),
        Sheet(
            "newborn", "newborn", "", "Age at birth, birth weight, risk",
            "What must be known before anybody can say whether an exam is due. What is filled in here settles it, also "
            "where records disagree; what is left empty stays as it is.",
            "The values are saved.", "by",
            (
                Field("weeks", "Gestational age at birth: completed weeks", "number", hint="Such as 25."),
                Field("days", "and days", "number", hint="0 to 6; empty if not known."),
                Field("birth_weight", "Birth weight in grams", "number", hint="Such as 780."),
                Field("risk_flags", "Risk, as the guideline names it", "flags"),
                _name("by", "Who writes this down?"),
            ),
        ),
    )
}  # fmt: skip
"""Every sheet by its path."""

SHEET_OF: Final[Mapping[str, str]] = {
    **{sheet.fact: path for path, sheet in SHEETS.items() if sheet.fact and path != "reopen"},
    "reopening": "close", "gestation": "newborn", "birth_weight": "newborn", "risk": "newborn",
}  # fmt: skip
"""Name of a fact that was typed in -> the sheet on which it is corrected."""
