"""From a decision to what is published: ServiceRequest, Task, List and the small resources of our own facade.

One *step* (service/fhir/step.py) of one infant is one ServiceRequest with one Task, or one Task alone where nothing is
requested of a service (data to record, a decision, a hand-over). The pair keeps its identifier for life: a moved date
is a new version of the same pair, never a second one.

    ServiceRequest   the authorisation asked for: this infant needs an exam, in these days, for these reasons
    Task             the coordination: please see to it; where does it stand

Shapes follow HL7 Clinical Order Workflows (hl7.fhir.uv.cow 1.0.0-ballot) and http://hl7.org/fhir/R4/workflow.html.

*Names of our own* are under `https://ridgeline.invalid/fhir`. A canonical must be a URI that nobody else can come to
own. An unregistered `urn:` namespace is none (RFC 8141 wants namespace identifiers registered) and `urn:uuid` cannot
be read by a person; the reserved name `.invalid` (RFC 2606 section 2) can never be bought, resolve or answer falsely.

*What midnight changes is not stored*: there is no businessStatus "overdue" here; a reader compares
`restriction.period.end` with today. (`businessStatus` is left to the site's people: booked, missed, moved.)

*Priority* tells how the window stood on the decision's own day: not yet open `routine`; open `urgent`; closed
`asap`. `stat` is kept for treatment and for a decision about it, whose clocks run in hours; there the period ends
with the instant at which the clock runs out.

*Intent* is the site's choice, `proposal` unless its file says otherwise, and the Task carries the same word, so that
no reader takes a suggestion for an order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final, Literal
from uuid import UUID, uuid5

from service.core.decision import Decision, NextStep, Reason, Window
from service.errors import NotUnderstood
from service.fhir.sites import Site
from service.fhir.step import AUTHOR as AUTHOR
from service.fhir.step import CANONICAL as CANONICAL
from service.fhir.step import CODE_SYSTEM as CODE_SYSTEM
from service.fhir.step import EXAMS, KINDS, is_closed
from service.fhir.step import STEP_SYSTEM as STEP_SYSTEM
from service.fhir.step import Step as Step
from service.fhir.strict import Resource, check, instant, is_id, lean, text

INFANT_SYSTEM: Final = f"{CANONICAL}/sid/infant"
SNOMED: Final = "http://snomed.info/sct"
TASK_CODES: Final = "http://hl7.org/fhir/CodeSystem/task-code"
CAUTION: Final = "Decision support, not a medical device. The local guideline and licensed clinicians decide."
FROM_MEMORY: Final = (
    "Numbers of this policy were entered from memory or borrowed and are not yet checked against its text."
)

_NAMESPACE: Final = UUID("6f0a3c1e-4f0b-5d53-9a51-1b6e0f3f2a77")
"""Drawn once; must never change: every identifier already published hangs on it."""

Audience = Literal["site", "facade"]
"""Whose server will hold the resource: references point there."""

_MISSING: Final[Mapping[str, str]] = {
    "date_of_birth": "date of birth",
    "gestational_age_at_birth": "gestational age at birth",
    "birth_weight": "birth weight",
}
_REQUEST_STATUS: Final = {"requested": "active", "completed": "completed", "cancelled": "revoked"}
_REASON_TYPES: Final = ("Condition", "Observation", "DiagnosticReport", "DocumentReference")
"""The only types ServiceRequest.reasonReference may point to (http://hl7.org/fhir/R4/servicerequest.html)."""
_EYES: Final[Mapping[frozenset[str], tuple[str, str]]] = {
    frozenset({"right"}): ("362502000", "right eye"),
    frozenset({"left"}): ("362503005", "left eye"),
    frozenset({"right", "left"}): ("362508001", "both eyes"),
}
"""SNOMED CT "entire eye" by side, as in the value set of HL7 C-CDA eye care; right and left are easily swapped."""


def resource_id(step: Step, type: str) -> str:
    """The step's id for a resource type: the same for ever, and telling nothing. Also its identifier's value."""
    return str(uuid5(_NAMESPACE, "\x1f".join((step.site.id, step.patient, step.name, type))))


def priority(window: Window, on: date) -> str:
    """`routine` before the window opens, `urgent` while it is open, `asap` once it has closed."""
    return "routine" if on < window.opens else "urgent" if on <= window.closes else "asap"


def service_request(step: Step, audience: Audience) -> Resource | None:
    """The request for an exam or a treatment; None for a step that asks nothing of a service.

    Raises NotUnderstood when the result would not be valid R4.
    """
    if not step.words.requests:
        return None
    own = {"system": CODE_SYSTEM, "code": step.kind, "display": step.words.title}
    exam = {"system": SNOMED, "code": "410453006", "display": "Binocular indirect ophthalmoscopy (procedure)"}
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
                "intent": _intent(step),
                "priority": _priority(step),
                "code": {"coding": [own, exam] if step.kind in EXAMS else [own], "text": step.words.title},
                "subject": _subject(step, audience),
                "occurrencePeriod": _period(step),
                "authoredOn": instant(step.authored_on),
                "requester": _author(),
                "performer": [_owner(step.site)],
                "locationCode": [{"text": text(step.unit)}],
                "reasonCode": [{"text": _because(reason)} for reason in _reasons(step)],
                "reasonReference": [_evidence(step, reference, audience) for reference in references],
                "supportingInfo": [_evidence(step, reference, audience) for reference in others],
                "bodySite": [_body_site(step)],
                "note": [_note(step, f"Revoked: {_cancellation(step)}." if step.status == "cancelled" else None)],
            }
        )
    )


def task(step: Step, audience: Audience) -> Resource:
    """The Task of a step: fulfil the ServiceRequest, or do what needs none. Raises NotUnderstood."""
    requests = step.words.requests
    fulfil = {"system": TASK_CODES, "code": "fulfill", "display": "Fulfill the focal request"}
    own = {"system": CODE_SYSTEM, "code": step.kind, "display": step.words.title}
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
                "intent": _intent(step),
                "priority": _priority(step),
                "code": {"coding": [fulfil] if requests else [own], "text": step.words.short},
                "description": _description(step),
                "focus": {"reference": f"ServiceRequest/{resource_id(step, 'ServiceRequest')}"}
                if requests
                else _subject(step, audience),
                "for": _subject(step, audience),
                "authoredOn": instant(step.authored_on),
                "lastModified": instant(max(step.authored_on, step.changed_at)),
                "requester": _author(),
                "owner": _owner(step.site),
                "location": {"display": text(step.unit)},
                "reasonCode": {"text": text("; ".join(_because(reason) for reason in _reasons(step)))},
                "note": [_note(step)],
                "restriction": {"period": _period(step)},
                "input": [
                    {
                        "type": {"coding": [{"system": CODE_SYSTEM, "code": "missing"}], "text": "to be recorded"},
                        "valueString": _MISSING.get(name, text(name)),
                    }
                    for name in (step.decision.missing if step.kind == "data-needed" else ())
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
    if not step.asked:
        return None
    if step.kind == "treatment" or any(each.by for each in step.asked):
        return "stat"
    return priority(_window(step.asked[0]), step.decision.as_of)


def _window(asked: NextStep) -> Window:
    """The window of something asked for: all that is asked for has one."""
    if asked.window is None:
        raise NotUnderstood(f"{asked.kind} is asked for without a window")
    return asked.window


def _period(step: Step) -> Resource | None:
    """The soonest window of the step; where a clock runs, up to the instant at which it runs out."""
    if not step.asked:
        return None
    soonest = step.asked[0]
    window, by = _window(soonest), _runs_out(step, soonest)
    return {"start": window.opens.isoformat(), "end": by.isoformat() if by else window.closes.isoformat()}


def _runs_out(step: Step, asked: NextStep) -> datetime | None:
    """When the clock of something asked for runs out; hours without an offset are those of the site."""
    if asked.by is None:
        return None
    moment = datetime.fromisoformat(asked.by)
    return moment if moment.tzinfo else moment.replace(tzinfo=step.site.timezone)


def _intent(step: Step) -> str:
    """The site's choice for what a standing order may cover; software orders no treatment and no decision."""
    return "proposal" if step.kind in ("treatment", "decision") else step.site.publish.intent


def _body_site(step: Step) -> Resource | None:
    """The eye, or both, to be treated. An exam is of both eyes whichever asks for it: it names none."""
    sides = frozenset(str(each.eye) for each in step.asked)
    if step.kind != "treatment" or sides not in _EYES:
        return None
    code, words = _EYES[sides]
    return {"coding": [{"system": SNOMED, "code": code}], "text": words}


def _description(step: Step) -> str | None:
    """The title with the best day, for which R4 has no element of its own beside the window; then, but for the steps
    before the first exam, what each eye asks for and what to look for."""
    said = [step.words.title]
    for each in step.asked if step.status == "requested" else ():
        window, by = _window(each), _runs_out(step, each)
        late = f"at the latest on {by:%Y-%m-%d at %H:%M}, local time" if by else f"late after {window.closes}"
        when = f"best on {window.due}, {late}"
        why = "" if each.kind in ("first-exam", "data-needed") else f". {each.reason.text}"
        said.append(f"{': ' if len(said) == 1 else '. Also '}{when}{why}")
    return text("".join(said))


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


def _reasons(step: Step) -> Iterable[Reason]:
    """What made the infant a case, then what fixed the dates of this step; each once."""
    dated = [each.reason for each in step.asked] or [step.decision.next.reason]
    return dict.fromkeys((*step.decision.because, *dated))


def _because(reason: Reason) -> str:
    return text(f"{reason.text} ({reason.cite})" if reason.cite else reason.text) or reason.rule


def _cancellation(step: Step) -> str:
    """Why nobody asks for the step any more: who closed the course, what rules the infant out, or what is asked for
    in its stead."""
    decision = step.decision
    now = decision.next
    if is_closed(decision):
        words = str(decision.closing)
    elif decision.state in ("closed", "not-eligible"):
        words = "; ".join(reason.text for reason in decision.because or (now.reason,))
    else:
        words = f"asked for now: {KINDS[now.kind].title}: {now.reason.text}" if now.kind in KINDS else now.reason.text
    return text(words) or "no longer due"


def _status_reason(step: Step) -> Resource | None:
    """Also by what it says: a status that carries our code is ours to take back (channels/fhir_task.py)."""
    if step.status == "requested":
        return None
    code, words = ("done", step.words.done) if step.status == "completed" else ("no-longer-due", _cancellation(step))
    return {"coding": [{"system": CODE_SYSTEM, "code": code}], "text": words}


def _note(step: Step, last: str | None = None) -> Resource:
    """One note, so that ours is known by its first words where a server drops the author."""
    memory = any(reason.provenance in ("memory", "unconfirmed") for reason in _reasons(step))
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
