"""From a decision to what is published: ServiceRequest, Task, List and the small resources of our own facade.

One *step* (a first exam; data that must be recorded) of one infant is one ServiceRequest with one Task, or one Task
alone where nothing is requested of a service. The pair keeps its identifier for life: a moved date is a new version
of the same pair, never a second one.

    ServiceRequest   the authorisation asked for: this infant needs an exam, in these days, for these reasons
    Task             the coordination: please see to it; where does it stand

Shapes follow HL7 Clinical Order Workflows (hl7.fhir.uv.cow 1.0.0-ballot) and http://hl7.org/fhir/R4/workflow.html.

*Names of our own* are under `https://ridgeline.invalid/fhir`. A canonical must be a URI that nobody else can come to
own. An unregistered `urn:` namespace is none (RFC 8141 wants namespace identifiers registered) and `urn:uuid` cannot
be read by a person; the reserved name `.invalid` (RFC 2606 section 2) can never be bought, resolve or answer falsely.

*What midnight changes is not stored*: there is no businessStatus "overdue" here; a reader compares
`restriction.period.end` with today. (`businessStatus` is left to the site's people: booked, missed, moved.)

*Priority* tells how the window stood on the decision's own day: not yet open `routine`; open `urgent`; closed
`asap`. `stat` is kept for treatment, whose clock runs in hours.

*Intent* is the site's choice, `proposal` unless its file says otherwise, and the Task carries the same word, so that
no reader takes a suggestion for an order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final, Literal
from uuid import UUID, uuid5

from service.core.decision import Decision, Reason, Window
from service.fhir.sites import Site
from service.fhir.strict import Resource, check, instant, is_id, lean, text

CANONICAL: Final = "https://ridgeline.invalid/fhir"
STEP_SYSTEM: Final = f"{CANONICAL}/sid/step"
"""Identifier system of every ServiceRequest and Task we write: how our own are found again."""
INFANT_SYSTEM: Final = f"{CANONICAL}/sid/infant"
CODE_SYSTEM: Final = f"{CANONICAL}/CodeSystem/step"
AUTHOR: Final = "Ridgeline"
TASK_CODES: Final = "http://hl7.org/fhir/CodeSystem/task-code"
CAUTION: Final = "Decision support, not a medical device. The local guideline and licensed clinicians decide."
FROM_MEMORY: Final = (
    "Numbers of this policy were entered from memory or borrowed and are not yet checked against its text."
)

_NAMESPACE: Final = UUID("6f0a3c1e-4f0b-5d53-9a51-1b6e0f3f2a77")
"""Drawn once; must never change: every identifier already published hangs on it."""

Audience = Literal["site", "facade"]
"""Whose server will hold the resource: references point there."""

_STEPS: Final[Mapping[str, tuple[str, str]]] = {
    "first-exam": ("First eye exam for retinopathy of prematurity", "first eye exam for retinopathy of prematurity"),
    "data-needed": ("Record what is missing, so that the infant can be judged", "record missing data"),
}
_MISSING: Final[Mapping[str, str]] = {
    "date_of_birth": "date of birth",
    "gestational_age_at_birth": "gestational age at birth",
    "birth_weight": "birth weight",
}
_REQUEST_STATUS: Final = {"requested": "active", "completed": "completed", "cancelled": "revoked"}
_REASON_TYPES: Final = ("Condition", "Observation", "DiagnosticReport", "DocumentReference")
"""The only types ServiceRequest.reasonReference may point to (http://hl7.org/fhir/R4/servicerequest.html)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to be done for one infant, as it is to be published.

    `key` is the infant's opaque id here, `patient` its Patient id at the site; `evidence` are references at the
    site (`Observation/bw-1`); `authored_on` is when the step was first decided, `changed_at` when last changed.
    """

    site: Site
    key: str
    patient: str
    name: str
    status: Literal["requested", "completed", "cancelled"]
    decision: Decision
    evidence: tuple[str, ...]
    authored_on: datetime
    changed_at: datetime
    unit: str = ""


def resource_id(step: Step, type: str) -> str:
    """The step's id for a resource type: the same for ever, and telling nothing. Also its identifier's value."""
    return str(uuid5(_NAMESPACE, "\x1f".join((step.site.id, step.patient, step.name, type))))


def priority(window: Window, on: date) -> str:
    """`routine` before the window opens, `urgent` while it is open, `asap` once it has closed."""
    return "routine" if on < window.opens else "urgent" if on <= window.closes else "asap"


def service_request(step: Step, audience: Audience) -> Resource | None:
    """The request for the exam; None for a step that asks nothing of a service (data-needed).

    Raises NotUnderstood when the result would not be valid R4.
    """
    if step.name == "data-needed":
        return None
    references = [reference for reference in step.evidence if reference.partition("/")[0] in _REASON_TYPES]
    others = [reference for reference in step.evidence if reference not in references]
    return check(
        lean(
            {
                "resourceType": "ServiceRequest",
                "id": resource_id(step, "ServiceRequest"),
                "identifier": [_identifier(step, "ServiceRequest")],
                "instantiatesCanonical": [_policy(step.decision)],
                "requisition": _group(step),
                "status": _REQUEST_STATUS[step.status],
                "intent": step.site.publish.intent,
                "priority": _priority(step),
                "code": {
                    "coding": [
                        {"system": CODE_SYSTEM, "code": step.name, "display": _STEPS[step.name][0]},
                        {
                            "system": "http://snomed.info/sct",
                            "code": "410453006",
                            "display": "Binocular indirect ophthalmoscopy (procedure)",
                        },
                    ],
                    "text": _STEPS[step.name][0],
                },
                "subject": _subject(step, audience),
                "occurrencePeriod": _period(step),
                "authoredOn": instant(step.authored_on),
                "requester": _author(),
                "performer": [_owner(step.site)],
                "locationCode": [{"text": text(step.unit)}],
                "reasonCode": [{"text": _because(reason)} for reason in _reasons(step.decision)],
                "reasonReference": [_evidence(step, reference, audience) for reference in references],
                "supportingInfo": [_evidence(step, reference, audience) for reference in others],
                "note": [_note(step, f"Revoked: {_cancellation(step)}." if step.status == "cancelled" else None)],
            }
        )
    )


def task(step: Step, audience: Audience) -> Resource:
    """The Task of a step: fulfil the ServiceRequest, or record what is missing. Raises NotUnderstood."""
    exam = step.name != "data-needed"
    title, short = _STEPS[step.name]
    fulfil = {"system": TASK_CODES, "code": "fulfill", "display": "Fulfill the focal request"}
    own = {"system": CODE_SYSTEM, "code": step.name, "display": title}
    return check(
        lean(
            {
                "resourceType": "Task",
                "id": resource_id(step, "Task"),
                "identifier": [_identifier(step, "Task")],
                "instantiatesCanonical": _policy(step.decision),
                "groupIdentifier": _group(step),
                "status": step.status,
                "statusReason": _status_reason(step),
                "intent": step.site.publish.intent,
                "priority": _priority(step),
                "code": {"coding": [fulfil] if exam else [own], "text": short},
                "description": _description(step),
                "focus": {"reference": f"ServiceRequest/{resource_id(step, 'ServiceRequest')}"}
                if exam
                else _subject(step, audience),
                "for": _subject(step, audience),
                "authoredOn": instant(step.authored_on),
                "lastModified": instant(max(step.authored_on, step.changed_at)),
                "requester": _author(),
                "owner": _owner(step.site),
                "location": {"display": text(step.unit)},
                "reasonCode": {"text": text("; ".join(_because(reason) for reason in _reasons(step.decision)))},
                "note": [_note(step)],
                "restriction": {"period": _period(step)},
                "input": []
                if exam
                else [
                    {
                        "type": {"coding": [{"system": CODE_SYSTEM, "code": "missing"}], "text": "to be recorded"},
                        "valueString": _MISSING.get(name, text(name)),
                    }
                    for name in step.decision.missing
                ],
            }
        )
    )


def abort_task(step: Step, reference: str, withdrawn: bool = False) -> Resource:
    """The request to stop work already begun on the Task at `reference`; `withdrawn` takes that request back.

    A Task in progress may not be cancelled (http://hl7.org/fhir/R4/task.html, state machine); the party doing the
    work is asked to stop by a second Task with code `abort` (HL7 Clinical Order Workflows, cancellation).
    """
    made = task(step, "site")
    made["id"] = resource_id(step, "abort")
    made["identifier"] = [_identifier(step, "abort")]
    made["status"] = "cancelled" if withdrawn else "requested"
    made["statusReason"] = {"coding": [{"system": CODE_SYSTEM, "code": "due-again"}], "text": "due again"}
    made["code"] = {"coding": [{"system": TASK_CODES, "code": "abort"}], "text": "stop: no longer asked for"}
    made["description"] = "due again" if withdrawn else text(f"Please stop: {_cancellation(step)}")
    made["focus"] = {"reference": reference}
    for name in ("restriction", "input", "priority", *(() if withdrawn else ("statusReason",))):
        made.pop(name, None)
    return check(made)


def patient(
    key: str,
    name: str = "",
    born: tuple[date, date] | None = None,
    sex: str = "",
    identifier: tuple[str, str] | None = None,
    multiple: int | bool | None = None,
    site: Site | None = None,
) -> Resource:
    """An infant as our facade shows it. `born` is the first and last day it may be; a whole month or year becomes a
    partial date, any other range no date. `multiple` is the birth order, or True for part of a multiple birth."""
    order = isinstance(multiple, int) and not isinstance(multiple, bool)
    return check(
        lean(
            {
                "resourceType": "Patient",
                "id": key,
                "identifier": [{"system": INFANT_SYSTEM, "value": key}]
                + ([{"system": text(identifier[0]), "value": text(identifier[1])}] if identifier else []),
                "name": [{"text": text(name)}],
                "gender": sex if sex in ("male", "female", "other", "unknown") else None,
                "birthDate": _partial(born) if born else None,
                "multipleBirthInteger": multiple if order else None,
                "multipleBirthBoolean": None if order else multiple,
                "managingOrganization": {"display": text(site.name)} if site else None,
            }
        )
    )


def list_resource(site: Site | None, tasks: Iterable[str], moment: datetime) -> Resource:
    """The worklist of one site, or of all (None): Task ids in the order in which they should be seen to."""
    entries = [{"item": {"reference": f"Task/{id}"}} for id in tasks]
    where = f" at {text(site.name)}" if site else ""
    empty = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/list-empty-reason", "code": "nilknown"}]}
    return check(
        lean(
            {
                "resourceType": "List",
                "id": list_id(site),
                "status": "current",
                "mode": "working",
                "title": f"Infants due for an eye exam{where}",
                "code": {"coding": [{"system": CODE_SYSTEM, "code": "worklist"}], "text": "ranked worklist"},
                "date": instant(moment),
                "source": _author(),
                "orderedBy": {
                    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/list-order", "code": "priority"}]
                },
                "note": [{"text": CAUTION}],
                "entry": entries,
                "emptyReason": None if entries else empty,
            }
        )
    )


def list_id(site: Site | None) -> str:
    """`worklist`, or `worklist-<site>`; where a site's name is no R4 id, an opaque one."""
    id = f"worklist-{site.id}" if site else "worklist"
    return id if is_id(id) else str(uuid5(_NAMESPACE, id))


def operation_outcome(severity: str, code: str, message: str) -> Resource:
    """One issue, as every error (and the answer to a hook) carries it. Codes are checked; raises NotUnderstood."""
    issue = {"severity": severity, "code": code, "diagnostics": text(message)}
    return check(lean({"resourceType": "OperationOutcome", "issue": [issue]}))


def search_bundle(
    self_url: str,
    entries: Sequence[tuple[str, Resource, Literal["match", "include", "outcome"]]],
    total: int | None,
    moment: datetime,
    next_url: str | None = None,
) -> Resource:
    """One page of search results: (full URL, resource, mode) each. `total` counts matches over all pages.

    The resources are taken as they are: they were checked when they were written.
    """
    links = [{"relation": "self", "url": self_url}]
    if next_url:
        links.append({"relation": "next", "url": next_url})
    shell: Resource = {
        "resourceType": "Bundle",
        "type": "searchset",
        "timestamp": instant(moment),
        "total": total,
        "link": links,
    }
    bundle = check(lean(shell))
    rows = [{"fullUrl": url, "resource": resource, "search": {"mode": mode}} for url, resource, mode in entries]
    return bundle | ({"entry": rows} if rows else {})


def capability_statement(base_url: str, version: str, moment: datetime, resources: Sequence[Resource] = ()) -> Resource:
    """What our facade can do. `resources` are the entries of `rest.resource`: only the routes know what they serve."""
    return check(
        lean(
            {
                "resourceType": "CapabilityStatement",
                "url": f"{CANONICAL}/CapabilityStatement/facade",
                "version": version,
                "name": "RidgelineFacade",
                "title": "Ridgeline: who must be examined for retinopathy of prematurity, when, and why",
                "status": "active",
                "date": instant(moment),
                "description": f"Read-only. {CAUTION}",
                "kind": "instance",
                "software": {"name": AUTHOR, "version": version},
                "implementation": {"description": "Ridgeline worklist", "url": base_url},
                "fhirVersion": "4.0.1",
                "format": ["json"],
                "rest": [{"mode": "server", "resource": resources}],
            }
        )
    )


def _identifier(step: Step, type: str) -> Resource:
    return {"system": STEP_SYSTEM, "value": resource_id(step, type)}


def _group(step: Step) -> Resource:
    return {"system": INFANT_SYSTEM, "value": step.key}


def _policy(decision: Decision) -> str:
    return f"{CANONICAL}/PlanDefinition/{decision.policy}|{decision.revision}"


def _priority(step: Step) -> str | None:
    window = step.decision.next.window
    return priority(window, step.decision.as_of) if window else None


def _period(step: Step) -> Resource | None:
    window = step.decision.next.window
    return {"start": window.opens.isoformat(), "end": window.closes.isoformat()} if window else None


def _description(step: Step) -> str:
    """The title with the best day, for which R4 has no element of its own beside the window."""
    window = step.decision.next.window
    when = f": best on {window.due}, late after {window.closes}" if window and step.status == "requested" else ""
    return _STEPS[step.name][0] + when


def _subject(step: Step, audience: Audience) -> Resource:
    return {"reference": f"Patient/{step.key if audience == 'facade' else step.patient}"}


def _author() -> Resource:
    return {"type": "Device", "display": AUTHOR}


def _owner(site: Site) -> Resource:
    identifier = site.publish.owner_identifier
    return {
        "identifier": {"system": identifier[0], "value": identifier[1]} if identifier else None,
        "display": text(site.publish.owner),
    }


def _evidence(step: Step, reference: str, audience: Audience) -> Resource:
    """At the site a reference it can resolve; from the facade an absolute one, or words where no address is known."""
    type, _, id = reference.partition("/")
    resolvable = is_id(id)
    if audience == "site" and resolvable:
        return {"reference": reference}
    if audience == "facade" and resolvable and step.site.base_url:
        return {"reference": f"{step.site.base_url.rstrip('/')}/{reference}"}
    return {"type": type, "display": text(f"{type} at {step.site.name}")}


def _reasons(decision: Decision) -> Iterable[Reason]:
    """What made the infant a case, then what fixed the date; each once."""
    return dict.fromkeys((*decision.because, decision.next.reason))


def _because(reason: Reason) -> str:
    return text(f"{reason.text} ({reason.cite})" if reason.cite else reason.text) or reason.rule


def _cancellation(step: Step) -> str:
    reasons = step.decision.because or (step.decision.next.reason,)
    return text("; ".join(reason.text for reason in reasons)) or "no longer due"


def _status_reason(step: Step) -> Resource | None:
    if step.status != "cancelled":
        return None
    return {"coding": [{"system": CODE_SYSTEM, "code": "no-longer-due"}], "text": _cancellation(step)}


def _note(step: Step, last: str | None = None) -> Resource:
    """One note, so that ours is known by its first words where a server drops the author."""
    memory = any(reason.provenance in ("memory", "unconfirmed") for reason in _reasons(step.decision))
    words = [CAUTION, FROM_MEMORY if memory else None, *step.decision.flags, last]
    return {"authorString": AUTHOR, "text": text(" ".join(word for word in words if word))}


def _partial(born: tuple[date, date]) -> str | None:
    low, high = born
    if low == high:
        return low.isoformat()
    after: Any = date.fromordinal(high.toordinal() + 1)
    if low.day == 1 and after.day == 1:
        if (after.year, after.month) == (low.year + low.month // 12, low.month % 12 + 1):
            return f"{low:%Y-%m}"
        if low.month == 1 and (after.year, after.month) == (low.year + 1, 1):
            return f"{low:%Y}"
    return None
