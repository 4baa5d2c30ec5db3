"""What leaves the service is checked twice: by the FHIR models and by our own list of required codes.

The models (`fhir.resources.R4B`, equal to R4 for every element written here) check structure and data types; they do
not check codes bound with strength *required*, so those are listed below. Source of the lists: HL7 FHIR R4 (4.0.1),
http://hl7.org/fhir/R4/valueset-task-status.html, -task-intent, -request-status, -request-intent, -request-priority,
-list-status, -list-mode, -bundle-type, -search-entry-mode, -issue-severity, -issue-type, -administrative-gender,
-publication-status, -item-type, -questionnaire-enable-operator, -questionnaire-answers-status,
-codesystem-content-mode, -capability-statement-kind, -restful-capability-mode, -type-restful-interaction,
-search-param-type, -versioning-policy, -conditional-delete-status, -subscription-status, -subscription-channel-type.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, Final

from fhir.resources.R4B import get_fhir_model_class
from pydantic import ValidationError

from service.errors import NotUnderstood

Resource = dict[str, Any]
"""One FHIR resource as JSON-able Python."""

_PRIORITY = "routine urgent asap stat"
_PUBLICATION = "draft active retired unknown"

REQUIRED_CODES: Final[Mapping[str, frozenset[str]]] = {
    path: frozenset(codes.split())
    for path, codes in {
        "ServiceRequest.status": "draft active on-hold revoked completed entered-in-error unknown",
        "ServiceRequest.intent": "proposal plan directive order original-order reflex-order filler-order"
        " instance-order option",
        "ServiceRequest.priority": _PRIORITY,
        "Task.status": "draft requested received accepted rejected ready cancelled in-progress on-hold failed completed"
        " entered-in-error",
        "Task.intent": "unknown proposal plan order original-order reflex-order filler-order instance-order option",
        "Task.priority": _PRIORITY,
        "List.status": "current retired entered-in-error",
        "List.mode": "working snapshot changes",
        "Bundle.type": "document message transaction transaction-response batch batch-response history searchset"
        " collection",
        "Bundle.entry.search.mode": "match include outcome",
        "Patient.gender": "male female other unknown",
        "OperationOutcome.issue.severity": "fatal error warning information",
        "OperationOutcome.issue.code": "invalid structure required value invariant security login unknown expired"
        " forbidden suppressed processing not-supported duplicate multiple-matches not-found deleted too-long"
        " code-invalid extension too-costly business-rule conflict transient lock-error no-store exception timeout"
        " incomplete throttled informational",
        "Questionnaire.status": _PUBLICATION,
        "Questionnaire.item.type": "group display question boolean decimal integer date dateTime time string text url"
        " choice open-choice attachment reference quantity",
        "Questionnaire.item.enableWhen.operator": "exists = != > < >= <=",
        "QuestionnaireResponse.status": "in-progress completed amended entered-in-error stopped",
        "CodeSystem.status": _PUBLICATION,
        "CodeSystem.content": "not-present example fragment complete supplement",
        "CapabilityStatement.status": _PUBLICATION,
        "CapabilityStatement.kind": "instance capability requirements",
        "CapabilityStatement.fhirVersion": "4.0.1",
        "CapabilityStatement.rest.mode": "client server",
        "CapabilityStatement.rest.resource.interaction.code": "read vread update patch delete history-instance"
        " history-type create search-type",
        "CapabilityStatement.rest.resource.versioning": "no-version versioned versioned-update",
        "CapabilityStatement.rest.resource.conditionalDelete": "not-supported single multiple",
        "CapabilityStatement.rest.resource.searchParam.type": "number date string token reference composite quantity"
        " uri special",
        "Subscription.status": "requested active error off",
        "Subscription.channel.type": "rest-hook websocket email sms message",
    }.items()
}
"""FHIRPath-like place -> every code R4 allows there."""

_NOTHING: Final[tuple[object, ...]] = (None, "", {}, [])
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def check(resource: Resource) -> Resource:
    """The resource itself, when it is good R4. Raises NotUnderstood naming elements, never values.

    A failure here is a fault in this program or in a site file, not in a patient's data.
    """
    kind = str(resource.get("resourceType", ""))
    try:
        model = get_fhir_model_class(kind)
    except (KeyError, ValueError):
        raise NotUnderstood("not a FHIR R4 resource type") from None
    try:
        model.model_validate(resource)
    except ValidationError as error:
        places = sorted({".".join(str(step) for step in issue["loc"]) for issue in error.errors(include_input=False)})
        raise NotUnderstood(f"{kind} is not valid R4 at {', '.join(places)}") from None
    wrong = sorted({path for path, code in _codes(resource, kind) if code not in REQUIRED_CODES[path]})
    if wrong:
        raise NotUnderstood(f"not an R4 code at {', '.join(wrong)}")
    return resource


def _codes(value: object, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        if value.get("resourceType") and "." in path:
            path = value["resourceType"]
        for name, inner in value.items():
            nested = name == "item" and path.endswith(".item")  # questions within a group of questions
            yield from _codes(inner, path if nested else f"{path}.{name}")
    elif isinstance(value, list):
        for inner in value:
            yield from _codes(inner, path)
    elif path in REQUIRED_CODES:
        yield path, str(value)


def lean(value: Mapping[str, Any]) -> Resource:
    """Without the elements that are absent (None) or empty: FHIR has no null and no empty list or text."""
    out: Resource = {}
    for name, inner in value.items():
        if isinstance(inner, Mapping):
            inner = lean(inner)
        elif isinstance(inner, list | tuple):
            items = [lean(item) if isinstance(item, Mapping) else item for item in inner]
            inner = [item for item in items if item not in _NOTHING]
        if inner not in _NOTHING:
            out[name] = inner
    return out


def text(value: str | None) -> str | None:
    """A FHIR string: one line, no control characters, None when nothing is left."""
    cleaned = " ".join("".join(letter if letter.isprintable() else " " for letter in value or "").split())
    return cleaned or None


def instant(moment: datetime) -> str:
    """`2025-11-01T03:12:00.000Z`: UTC to the millisecond, so that two of them compare as text."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def is_id(value: str) -> bool:
    """Whether R4 takes this text as a resource id (http://hl7.org/fhir/R4/datatypes.html#id)."""
    return _ID.fullmatch(value) is not None
