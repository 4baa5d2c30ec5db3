"""A step: one thing to be done for one infant, under a name it keeps for life.

A decision may ask for several things at once. Those of one kind are one step: the soonest speaks for it, the others
are told beside it. Its name counts what has been done, so that a moved date is the same step and the next exam another:

    first-exam, data-needed, long-term                            as they are
    repeat-exam-N, review-after-laser-N, review-after-injection-N N-1 exams are on record
    treatment-N                                                   N-1 treatments are on record
    decision-N                                                    N-1 exams and treatments are on record
    hand-over-N                                                   N-1 exams are on record

An exam that is taken back takes its number back: the step before it is asked for again, under the same name. So where
an earlier exam is taken back, or overwritten by the next, one name may speak of two exams, one after the other. That
drops nothing: whatever a decision asks for is requested under its name, whatever became of the name before
(announce.py), and two exams asked for at once are one step. At a site's server a Task that we had ended is opened
again, and one that people ticked off as well, where the window asked for now begins after the one they had before them
(channels/fhir_task.py). An exam recorded late under an earlier day ends the step and asks for the next in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal, NamedTuple

from service.core.decision import Decision, NextStep
from service.core.demands import order
from service.fhir.sites import Site
from service.fhir.strict import check
from service.fhir.terms import CANONICAL as CANONICAL

STEP_SYSTEM: Final = f"{CANONICAL}/sid/step"
PERSON_SYSTEM: Final = f"{CANONICAL}/sid/person"
"""Identifier system of every ServiceRequest and Task we write: how our own are found again."""
CODE_SYSTEM: Final = f"{CANONICAL}/CodeSystem/step"
AUTHOR: Final = "Ridgeline"

Status = Literal["requested", "completed", "cancelled"]


class Words(NamedTuple):
    """How a kind of step is said: as a title, as the short text of a Task, and what makes it done. `requests`: whether
    a service is asked for something, so that a ServiceRequest stands beside the Task."""

    title: str
    short: str
    done: str
    requests: bool = True


_EXAM_DONE: Final = "an eye exam is on record"
KINDS: Final[Mapping[str, Words]] = {
    "first-exam": Words(
        "First eye exam for retinopathy of prematurity", "first eye exam for retinopathy of prematurity", _EXAM_DONE
    ),
    "repeat-exam": Words(
        "Next eye exam for retinopathy of prematurity", "next eye exam for retinopathy of prematurity", _EXAM_DONE
    ),
    "review-after-laser": Words(
        "Eye exam after laser for retinopathy of prematurity", "eye exam after laser treatment", _EXAM_DONE
    ),
    "review-after-injection": Words(
        "Eye exam after an injection for retinopathy of prematurity", "eye exam after an injection", _EXAM_DONE
    ),
    "treatment": Words(
        "Treatment of retinopathy of prematurity", "treatment of retinopathy of prematurity",
        "a treatment is on record",
    ),
    "decision": Words(
        "A named clinician decides what happens next to the eyes", "decide what happens next to the eyes",
        "an exam, a treatment or the end of the course is on record", requests=False,
    ),
    "data-needed": Words(
        "Record what is missing, so that the infant can be judged", "record missing data",
        "nothing is missing that would change the answer", requests=False,
    ),
    "hand-over": Words(
        "Record who takes over the eye exams, with place and date", "record the hand-over",
        "who takes over is on record", requests=False,
    ),
    "long-term": Words(
        "Refraction and alignment of the eyes", "refraction and alignment of the eyes", "the visit is on record"
    ),
}  # fmt: skip
"""Every kind of step that is published."""

EXAMS: Final = ("first-exam", "repeat-exam", "review-after-laser", "review-after-injection")
"""The kinds that are eye exams."""
_UNNUMBERED: Final = ("first-exam", "data-needed", "long-term")

_OTHER_CODES: Final[Mapping[str, str]] = {
    "missing": "A value that must be recorded",
    "no-longer-due": "No longer asked for",
    "done": "What was asked for is on record",
    "due-again": "Asked for again, after it was called off",
    "worklist": "The ranked worklist",
}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to be done for one infant, as it is to be published.

    `key` is the infant's opaque id here, `patient` its Patient id at the site; `name` is the step's for life;
    `decision` the whole decision it follows from. `evidence` are references at the site (`Observation/bw-1`);
    `authored_on` is when the step was first decided, `changed_at` when last changed.
    """

    site: Site
    key: str
    patient: str
    name: str
    status: Status
    decision: Decision
    evidence: tuple[str, ...]
    authored_on: datetime
    changed_at: datetime
    unit: str = ""

    @property
    def kind(self) -> str:
        """`repeat-exam` of `repeat-exam-3`: a word of KINDS."""
        return split_name(self.name)[0]

    @property
    def words(self) -> Words:
        """How its kind is said."""
        return KINDS[self.kind]

    @property
    def asked(self) -> tuple[NextStep, ...]:
        """What the decision asks for under this name, soonest first; nothing when it is no longer asked for."""
        return asked_for(self.decision).get(self.name, ())


def step_name(kind: str, decision: Decision) -> str:
    """The name under which a decision asks for a kind of step."""
    return kind if kind in _UNNUMBERED else f"{kind}-{_count(kind, decision) + 1}"


def split_name(name: str) -> tuple[str, int]:
    """The kind in a step's name, and its number: 1 where it has none."""
    kind, _, number = name.rpartition("-")
    return (kind, int(number)) if kind and number.isascii() and number.isdigit() else (name, 1)


def asked_for(decision: Decision) -> dict[str, tuple[NextStep, ...]]:
    """Everything a decision asks for, by the name of its step, each step's parts soonest first."""
    found: dict[str, list[NextStep]] = {}
    for each in sorted(dict.fromkeys((decision.next, *decision.also)), key=order):
        if each.window is not None:
            found.setdefault(step_name(each.kind, decision), []).append(each)
    return {name: tuple(parts) for name, parts in found.items()}


def is_closed(decision: Decision) -> bool:
    """Whether a named person's closing of the course stands. Only then is the visit months later all that is left."""
    return decision.closing is not None and (decision.state == "closed" or decision.next.kind == "long-term")


def is_done(name: str, decision: Decision) -> bool:
    """Whether a step that a decision does not ask for (any more) was answered by what it asked for."""
    kind, number = split_name(name)
    match kind:
        case "data-needed":
            return decision.state in ("eligible", "not-eligible")
        case "hand-over":
            return decision.hand_over is not None
        case "long-term":
            return decision.followed_up is not None
        case "decision" if is_closed(decision) and decision.closing is not None:
            return decision.closing.why != "death"
    return _count(kind, decision) >= number


def step_code_system() -> dict[str, Any]:
    """The CodeSystem of our own codes in ServiceRequest, Task and List. Raises NotUnderstood."""
    displays = {kind: words.title for kind, words in KINDS.items()} | dict(_OTHER_CODES)
    return check(
        {
            "resourceType": "CodeSystem",
            "id": CODE_SYSTEM.rpartition("/")[2],
            "url": CODE_SYSTEM,
            "name": "RidgelineStep",
            "title": "Steps of screening for retinopathy of prematurity",
            "status": "active",
            "experimental": False,
            "publisher": AUTHOR,
            "description": "What is asked for (ServiceRequest.code, Task.code), why a Task ended (Task.statusReason), "
            "and what a Task or a List holds.",
            "caseSensitive": True,
            "content": "complete",
            "count": len(displays),
            "concept": [{"code": code, "display": display} for code, display in displays.items()],
        }
    )


def _count(kind: str, decision: Decision) -> int:
    """How often what a kind of step asks for has been done."""
    match kind:
        case "treatment":
            return decision.treatments
        case "decision":
            return decision.exams + decision.treatments
    return decision.exams
