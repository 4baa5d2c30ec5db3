"""A decision and a course as JSON: the shapes that `/api` declares and that `assess` and `explain` print.

Days are `YYYY-MM-DD` at the infant's site, ages `25w3d`. What is not known is null. Exams and treatments are written in
the case format (core/case.py), where what was not recorded is left out.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import NotRequired, cast

from typing_extensions import TypedDict

from service.core.course import Booking, Closing, Course, Deferral, HandOver
from service.core.decision import Decision, NextStep, Reason, on_day
from service.core.findings import ZONES, Exam, Eye, Treatment, Zone
from service.fhir.step import is_closed


class ReasonJson(TypedDict):
    """A rule that holds: `provenance` is read, memory, unconfirmed, practice or computed."""

    rule: str
    cite: str
    text: str
    provenance: str


class AgesJson(TypedDict):
    """Ages on the day asked for."""

    gestational_age_at_birth: str | None
    postnatal_days: int | None
    postmenstrual_age: str | None


class NextJson(TypedDict):
    """Something asked for, with the rule that dates it; days are null when nothing is due. `by` is the instant at which
    a clock runs out (`2031-06-04T09:30+02:00`), null where none runs; `eye` is right or left, null where it is the
    infant's."""

    kind: str
    opens: str | None
    due: str | None
    closes: str | None
    by: str | None
    eye: str | None
    rule: str
    cite: str
    text: str
    provenance: str


class DeferralJson(TypedDict):
    """An exam put off: when, until when, why, and who decided it. It moves no window."""

    on: str
    until: str
    reason: str
    ophthalmologist: str
    neonatologist: str


class HandOverJson(TypedDict):
    """Who takes the infant on, where, and the day on which the eyes are next looked at there."""

    on: str
    to: str
    place: str
    appointment: str
    by: str
    parents_told: bool


class BookingJson(TypedDict):
    """An exam booked on one day for another; texts that nobody said are empty. It moves no window."""

    on: str
    day: str
    time: str
    place: str
    examiner: str
    by: str


class ClosingJson(TypedDict):
    """Who closed the course, when and why. `stands`: nothing on record has opened it again."""

    on: str
    by: str
    why: str
    note: str
    basis: str
    stands: bool


class DecisionJson(TypedDict):
    """The decision behind a line of the list."""

    policy: str
    revision: int
    as_of: str
    state: str
    eligible: str
    because: list[ReasonJson]
    missing: list[str]
    birth_weight: int | None
    age: AgesJson
    next: NextJson
    also: list[NextJson]
    exams: int
    treatments: int
    deferrals: list[DeferralJson]
    bookings: list[BookingJson]
    hand_over: HandOverJson | None
    closing: ClosingJson | None
    flags: list[str]


class EyeJson(TypedDict, total=False):
    """One eye at one exam, as the case format has it: what was not recorded is left out."""

    view: str
    zone: str
    posterior: bool
    near_zone_i: bool
    vascularization: str
    stage: str
    plus: str
    aggressive: bool
    regression: str
    reactivation: bool
    notch: bool
    clock_hours: int
    clock_positions: str
    nasal_at_ora: bool
    avascular_site: str
    avascular_extent: float
    note: str


class ExamJson(TypedDict):
    """One exam, as the case format has it; texts that were not recorded are left out."""

    on: str
    at: NotRequired[str]
    right: EyeJson
    left: EyeJson
    examiner: NotRequired[str]
    method: NotRequired[str]
    adverse_events: NotRequired[str]


class TreatmentJson(TypedDict):
    """One treatment, as the case format has it."""

    on: str
    eyes: str
    kind: str
    agent: NotRequired[str]


class CourseJson(TypedDict):
    """All exams and treatments on record, oldest first. `basis`: the digest of those up to today, which a closing
    rests on."""

    basis: str
    exams: list[ExamJson]
    treatments: list[TreatmentJson]


def reason_json(reason: Reason) -> ReasonJson:
    """One reason."""
    return {"rule": reason.rule, "cite": reason.cite, "text": reason.text, "provenance": reason.provenance}


def decision_json(decision: Decision, today: date) -> DecisionJson:
    """A decision, its ages moved to `today`."""
    ages, closing, over = on_day(decision, today).ages, decision.closing, decision.hand_over
    return {
        "policy": decision.policy,
        "revision": decision.revision,
        "as_of": decision.as_of.isoformat(),
        "state": decision.state,
        "eligible": decision.eligible,
        "because": [reason_json(reason) for reason in decision.because],
        "missing": list(decision.missing),
        "birth_weight": decision.birth_weight,
        "age": {
            "gestational_age_at_birth": ages.gestation,
            "postnatal_days": ages.postnatal_days,
            "postmenstrual_age": ages.postmenstrual,
        },
        "next": step_json(decision.next),
        "also": [step_json(step) for step in decision.also],
        "exams": decision.exams,
        "treatments": decision.treatments,
        "deferrals": [deferral_json(each) for each in decision.deferrals],
        "bookings": [booking_json(each) for each in decision.bookings],
        "hand_over": None if over is None else hand_over_json(over),
        "closing": None if closing is None else closing_json(closing, is_closed(decision)),
        "flags": list(decision.flags),
    }


def step_json(step: NextStep) -> NextJson:
    """One thing asked for."""
    window = step.window
    return {
        "kind": step.kind,
        "opens": window.opens.isoformat() if window else None,
        "due": window.due.isoformat() if window else None,
        "closes": window.closes.isoformat() if window else None,
        "by": step.by,
        "eye": step.eye,
        **reason_json(step.reason),
    }


def deferral_json(deferral: Deferral) -> DeferralJson:
    """One deferral."""
    return {
        "on": deferral.on.isoformat(),
        "until": deferral.until.isoformat(),
        "reason": deferral.reason,
        "ophthalmologist": deferral.ophthalmologist,
        "neonatologist": deferral.neonatologist,
    }


def booking_json(booking: Booking) -> BookingJson:
    """One booking."""
    return {
        "on": booking.on.isoformat(),
        "day": booking.day.isoformat(),
        "time": booking.time,
        "place": booking.place,
        "examiner": booking.examiner,
        "by": booking.by,
    }


def hand_over_json(over: HandOver) -> HandOverJson:
    """One hand-over."""
    return {
        "on": over.on.isoformat(),
        "to": over.to,
        "place": over.place,
        "appointment": over.appointment.isoformat(),
        "by": over.by,
        "parents_told": over.parents_told,
    }


def closing_json(closing: Closing, stands: bool) -> ClosingJson:
    """One closing, and whether the course is closed by it."""
    return {
        "on": closing.on.isoformat(),
        "by": closing.by,
        "why": closing.why,
        "note": closing.note,
        "basis": closing.basis,
        "stands": stands,
    }


def course_json(course: Course, today: date) -> CourseJson:
    """A course in the case format, as `core.findings.parse_exam` and `parse_treatment` read it."""
    return {
        "basis": course.until(today).basis,
        "exams": [exam_json(exam) for exam in course.exams],
        "treatments": [treatment_json(treatment) for treatment in course.treatments],
    }


def exam_json(exam: Exam) -> ExamJson:
    """One exam in the case format."""
    made: ExamJson = {"on": exam.on.isoformat(), "right": eye_json(exam.right), "left": eye_json(exam.left)}
    if exam.at:
        made["at"] = exam.at
    if exam.examiner:
        made["examiner"] = exam.examiner
    if exam.method:
        made["method"] = exam.method
    if exam.adverse_events:
        made["adverse_events"] = exam.adverse_events
    return made


def eye_json(eye: Eye) -> EyeJson:
    """One eye in the case format. Whether the nasal vessels reach the ora serrata is said also when they do not."""
    words = {zone: word for word, zone in ZONES.items()}
    said = {
        name: value for name, value in asdict(eye).items() if value or (name == "nasal_at_ora" and value is not None)
    }
    if eye.zone is not None:
        said["zone"] = "II" if eye.zone == Zone.POSTERIOR_II else words[eye.zone]
        said |= {"posterior": True} if eye.zone == Zone.POSTERIOR_II else {}
    if eye.vascularization is not None:
        said["vascularization"] = words[eye.vascularization]
    if eye.clock_positions:
        said["clock_positions"] = ", ".join(map(str, eye.clock_positions))
    if eye.avascular_extent is not None:
        said["avascular_extent"] = eye.avascular_extent
    return cast(EyeJson, said)


def treatment_json(treatment: Treatment) -> TreatmentJson:
    """One treatment in the case format."""
    eyes = treatment.sides[0] if len(treatment.sides) == 1 else "both"
    made: TreatmentJson = {"on": treatment.on.isoformat(), "eyes": eyes, "kind": treatment.kind}
    if treatment.agent:
        made["agent"] = treatment.agent
    return made
