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
from service.web.words import N_

Options = tuple[tuple[str, str], ...]
"""(value, words) of each answer to choose from."""

EYES: Final[Mapping[str, str]] = {"right": N_("Right eye"), "left": N_("Left eye")}
"""What each side is called."""

NOT_SAID: Final = ("", N_("Not said"))


@dataclass(frozen=True, slots=True)
class Field:
    """One thing asked. `kind`: text, day, time, number, choice (one of `options`), flag (a box), flags (boxes),
    hours (a box for each hour of the clock).
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

_ZONES: Final[Options] = (
    ("I", "I"),
    ("posterior II", N_("Posterior II")),
    ("II", "II"),
    ("III", "III"),
    ("full", N_("Full")),
)
_YES_NO: Final[Options] = (NOT_SAID, ("yes", N_("Yes")), ("no", N_("No")))

EYE: Final[tuple[Field, ...]] = (
    Field("view", N_("View"), "choice", (("adequate", N_("Good")), ("poor", N_("Poor")), ("none", N_("Not seen")))),
    Field(
        "zone", N_("Zone"), "choice", (NOT_SAID, *_ZONES),
        hint=N_("The most posterior zone with disease; without disease, where the vessels end. "
        "Full: the vessels reach the ora serrata all around."),
    ),
    Field(
        "stage", N_("Stage"), "choice", (NOT_SAID, ("0", N_("No ROP")), *((stage, stage) for stage in STAGES[1:])),
        hint=N_("The highest stage in the eye."),
    ),
    Field(
        "plus", N_("Plus"), "choice",
        (NOT_SAID, ("none", N_("No plus")), ("pre-plus", N_("Pre-plus")), ("plus", N_("Plus"))),
    ),
    Field("aggressive", N_("Aggressive ROP (A-ROP)"), "flag"),
    Field(
        "regression", N_("Regression"), "choice",
        (NOT_SAID, ("none", N_("None")), ("incomplete", N_("Incomplete")), ("complete", N_("Complete"))), rare=True,
    ),
    Field("reactivation", N_("Reactivation: disease has come back"), "flag", rare=True),
    Field("vascularization", N_("Vessels reach"), "choice", (NOT_SAID, *_ZONES), rare=True,
          hint=N_("Where it is not the zone above.")),
    Field("nasal_at_ora", N_("Nasal vessels reach the ora serrata"), "choice", _YES_NO, rare=True),
    Field("near_zone_i", N_("Immature vessels close to zone I"), "flag", rare=True),
    Field("notch", N_("The zone is reached by a notch of one or two clock hours"), "flag", rare=True),
    Field("clock_positions", N_("Clock hours of disease"), "hours", rare=True,
          hint=N_("As you see the eye: 3 is nasal in the right eye and temporal in the left.")),
    Field("clock_hours", N_("Clock hours, where only their number is known"), "number", rare=True),
    Field("avascular_site", N_("Where retina stays avascular"), rare=True),
    Field("avascular_extent", N_("Extent of avascular retina, in disc diameters"), "number", rare=True),
    Field("note", N_("Note on this eye: pupil, tunica, media, haemorrhage"), rare=True),
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
            "exam", "eye-exam", "exam", N_("Eye exam"),
            N_("What was seen of both eyes. An eye that was not seen is not an eye without disease: say so."),
            N_("The exam is saved."), "examiner",
            (
                _on(N_("Day of the exam")),
                Field("at", N_("Time"), "time", hint=N_("Treatment is counted from this time.")),
                _name("examiner", N_("Who examined?")),
                Field("method", N_("How?"), rare=True, hint=N_("Indirect ophthalmoscopy, wide-field imaging.")),
                Field("adverse_events", N_("Apnoea, bradycardia or anything else that happened"), rare=True),
            ),
        ),
        Sheet(
            "treatment", "treatment", "treatment", N_("Treatment"),
            N_("A treatment that was done. It ends the treatment clock of the eye it names and starts its reviews."),
            N_("The treatment is saved."), "by",
            (
                _on(N_("Day of the treatment")),
                Field(
                    "eyes", N_("Which eye?"), "choice",
                    (("right", N_("Right")), ("left", N_("Left")), ("both", N_("Both"))),
                    required=True,
                ),
                Field(
                    "kind", N_("What was done?"), "choice",
                    (("laser", N_("Laser")), ("injection", N_("Injection")), ("surgery", N_("Surgery"))), required=True,
                ),
                Field(
                    "agent", N_("What was injected?"), "choice",
                    (NOT_SAID, *((agent, agent.capitalize()) for agent in AGENTS), ("other", N_("Another"))),
                    hint=N_("Only for an injection."),
                ),
                Field(
                    "other_agent", N_("Another agent, by its generic name"),
                    hint=N_("Only where “Another” is chosen."),
                ),
                _name("by", N_("Who writes this down?")),
            ),
        ),
        Sheet(
            "defer", "deferral", "deferral", N_("Put the exam off"),
            N_("A joint decision of an ophthalmologist and a neonatologist. The exam stays due as it was, and the "
            "infant stays where it is on the list: the sickest infants have the worst disease."),
            N_("The deferral is saved. The exam stays due as it was."), "ophthalmologist",
            (
                _on(N_("Day of the decision")),
                _on(N_("Put off until"), "until"),
                Field("reason", N_("Why can the infant not be examined?"), required=True),
                _name("ophthalmologist", N_("Ophthalmologist who decided")),
                Field("neonatologist", N_("Neonatologist who decided"), required=True),
            ),
        ),
        Sheet(
            "hand-over", "hand-over", "hand_over", N_("Hand over"),
            N_("Who takes the infant on, and where and when the eyes are next looked at there."),
            N_("The hand-over is saved."), "by",
            (
                _on(N_("Day of the hand-over")),
                Field("to", N_("Unit or clinic that takes over"), required=True),
                Field("place", N_("Place of the next exam"), required=True),
                _on(N_("Day of the next exam"), "date"),
                Field("parents_told", N_("The parents were told place and day, and why it matters"), "flag"),
                _name("by", N_("Who hands over?")),
            ),
        ),
        Sheet(
            "close", "closing", "closing", N_("Close the course"),
            N_("A named person ends the exams. Another exam or treatment, one corrected or one taken back opens the "
            "course again by itself."),
            N_("The closing is saved."), "by",
            (
                _on(N_("Day of the decision")),
                Field(
                    "why", N_("Why?"), "choice",
                    tuple(CLOSINGS.items()), required=True,
                ),
                Field("note", N_("Note")),
                _name("by", N_("Who closes the course?")),
            ),
        ),
        Sheet(
            "reopen", "closing", "reopening", N_("Open the course again"),
            N_("The infant goes back on the list with the date that its last exam gives."),
            N_("The course is open again."), "by",
            (
                _on(N_("Day of the decision")),
                Field("why", N_("Why?"), required=True),
                _name("by", N_("Who opens the course again?")),
            ),
        ),
        Sheet(
            "book", "booking", "booking", N_("Book the exam"),
            N_(
                "A day, and if it is known a time, a place and who examines. The exam stays due as it was: a booking "
                "clears nothing and moves no date."
            ),
            N_("The booking is saved. The exam stays due as it was."), "by",
            (
                _on(N_("Booked for"), "date"),
                Field("time", N_("Time"), "time"),
                Field("place", N_("Where?"), hint=N_("Only where it is not the usual place.")),
                Field("examiner", N_("Who examines?"), autocomplete="name"),
                _name("by", N_("Who books?")),
                Field("on", N_("Day on which this was booked"), "day", required=True, rare=True),
            ),
        ),
        Sheet(
            "long-term", "long-term", "long_term", N_("Refraction and alignment"),
            N_("The visit some months after discharge was held, or somebody has taken it over."),
            N_("The visit is saved."), "by",
            (
                _on(N_("Day of the visit or of the hand-over")),
                Field("where", N_("Where?"), required=True),
                _name("by", N_("Who saw the infant, or handed over?")),
            ),
        ),
        Sheet(
            "bedside", "bedside", "", N_("Breathing, planned leaving"),
            N_("What is known at the cot and no feed sends; what is left empty stays as it is. Breathing is shown "
            "beside the infant and decides nothing. A planned day of leaving asks for the hand-over ahead of it, and "
            "moves no exam."),
            N_("It is saved, and shown on the list."), "by",
            (
                Field(
                    "support", N_("What helps the infant to breathe?"), "choice",
                    (
                        NOT_SAID, ("invasive ventilation", N_("Ventilated, through a tube")),
                        ("non-invasive ventilation", N_("Ventilated, by mask or prongs")), ("CPAP", "CPAP"),
                        ("high flow", N_("High flow")), ("low-flow oxygen", N_("Low-flow oxygen")),
                        ("no support", N_("Nothing")),
                    ),
                ),
                Field("leaves", N_("Planned day of leaving"), "day"),
                Field("stays", N_("No day of leaving is planned any more"), "flag"),
                _name("by", N_("Who writes this down?")),
                Field("on", N_("Day on which this holds"), "day", required=True, rare=True),
            ),
        ),
        Sheet(
            "newborn", "newborn", "", N_("Age at birth, birth weight, risk"),
            N_("What must be known before anybody can say whether an exam is due. What is filled in here settles it, "
            "also where records disagree; what is left empty stays as it is."),
            N_("The values are saved."), "by",
            (
                Field("weeks", N_("Gestational age at birth: completed weeks"), "number", hint=N_("Such as 25.")),
                Field("days", N_("and days"), "number", hint=N_("0 to 6; empty if not known.")),
                Field("birth_weight", N_("Birth weight in grams"), "number", hint=N_("Such as 780.")),
                Field("risk_flags", N_("Risk, as the guideline names it"), "flags"),
                _name("by", N_("Who writes this down?")),
            ),
        ),
    )
}  # fmt: skip
"""Every sheet by its path."""

SHEET_OF: Final[Mapping[str, str]] = {
    **{sheet.fact: path for path, sheet in SHEETS.items() if sheet.fact and path != "reopen"},
    "reopening": "close", "respiratory": "bedside", "leaving": "bedside",
    "gestation": "newborn", "birth_weight": "newborn", "risk": "newborn",
}  # fmt: skip
"""Name of a fact that was typed in -> the sheet on which it is corrected."""
