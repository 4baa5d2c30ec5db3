"""FHIR search parameters as asked for, read into what the store can answer. http://hl7.org/fhir/R4/search.html

What a resource type can be searched by is declared once, in `PARAMETERS`: the CapabilityStatement is written from it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final
from uuid import UUID

from service.errors import NotUnderstood
from service.fhir.instants import read_days, read_instant
from service.store.publications import Span, Term, Token

PREFIXES: Final = ("eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")
MOST: Final = 200
"""Largest page; `_count` asks for fewer."""
USUAL: Final = 50

_REFERENCE = re.compile(r"(?:(?P<base>https?://\S+)/)?(?:(?P<type>[A-Za-z]+)/)?(?P<id>[A-Za-z0-9\-.]{1,64})")
_NOBODY: Final = UUID(int=0)
"""Stands for a reference that cannot be one of ours, so that the search finds nothing rather than everything."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter: its FHIR `type`, the store's `field`, and words for the CapabilityStatement."""

    type: str
    field: str
    says: str
    modifiers: tuple[str, ...] = ()
    system: str = ""
    """The one code system a `type` token of plain text belongs to."""


_WINDOW: Final = (
    "The days in which the step is to be done: ServiceRequest.occurrence, Task.restriction.period. "
    "Window days are calendar days at the infant's site."
)
_COMMON: Final = {
    "_id": Parameter("token", "id", "The resource's id."),
    "_lastUpdated": Parameter("date", "updated", "When the version in force was written."),
    "identifier": Parameter("token", "identifier", "The step's identifier: system|value, |value or value."),
    "patient": Parameter("reference", "infant", "The infant, by the id the Patient has here.", ("Patient",)),
    "subject": Parameter("reference", "infant", "The infant, by the id the Patient has here.", ("Patient",)),
    "code": Parameter("token", "code", "What is to be done."),
}
_CANONICAL: Final = {
    "_id": Parameter("token", "id", "The resource's id."),
    "url": Parameter("uri", "url", "The canonical url, as it is written."),
}
PARAMETERS: Final[Mapping[str, Mapping[str, Parameter]]] = {
    "Task": _COMMON
    | {
        "status": Parameter("token", "status", "Task.status.", system="http://hl7.org/fhir/task-status"),
        "owner": Parameter(
            "reference", "owner", "Task.owner, by its display; with :identifier, by its identifier.", ("identifier",)
        ),
        "group-identifier": Parameter("token", "group", "The infant's identifier here, common to all its steps."),
        "period": Parameter(
            "date",
            "period",
            f"{_WINDOW} Here it searches Task.restriction.period, as `window` does: "
            "Task.executionPeriod, which R4 names for this parameter, is never set by this server.",
        ),
        "window": Parameter("date", "period", _WINDOW),
    },
    "ServiceRequest": _COMMON
    | {
        "status": Parameter("token", "status", "ServiceRequest.status.", system="http://hl7.org/fhir/request-status"),
        "requisition": Parameter("token", "group", "The infant's identifier here, common to all its steps."),
        "occurrence": Parameter("date", "period", _WINDOW),
    },
    "Patient": {
        "_id": Parameter("token", "infant", "The resource's id."),
        "_lastUpdated": Parameter("date", "updated", "When what is known of the infant last changed."),
        "identifier": Parameter("token", "identifier", "An identifier here or at the site."),
    },
    "List": {"_id": Parameter("token", "id", "The list's id: one for every site, and one for all.")},
    "CodeSystem": _CANONICAL,
    "Questionnaire": _CANONICAL,
}
INCLUDES: Final[Mapping[str, Sequence[str]]] = {"Task": ("Task:focus",)}
SORTS: Final[Mapping[str, Mapping[str, str]]] = {
    "Task": {"_lastUpdated": "_lastUpdated", "_id": "_id", "period": "period", "window": "period"},
    "ServiceRequest": {"_lastUpdated": "_lastUpdated", "_id": "_id", "occurrence": "period"},
    "Patient": {},
    "List": {},
    "CodeSystem": {},
    "Questionnaire": {},
}
"""Per type: name to sort by -> the store's order. Without `_sort`, what closes first comes first."""

_RESULT: Final = ("_count", "_sort", "_include", "_total", "_summary")
_PRESENTATION: Final = ("_format", "_pretty")
"""Asked of the answer, not of the resources; they need not come back in the self link."""


@dataclass(slots=True)
class Question:
    """A search, understood. `kept` are the parameters that were used, as asked, for the self link."""

    type: str
    terms: list[Term] = field(default_factory=list)
    kept: list[tuple[str, str]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    limit: int = USUAL
    sort: str = ""
    descending: bool = False
    include: bool = False
    total: bool = True


def understand(type: str, asked: Iterable[tuple[str, str]]) -> Question:
    """Read the parameters of a search. What is not known is named in `unknown`, to be refused or left out.

    Raises NotUnderstood for a value that cannot be read, and for a modifier or chain that is not supported: leaving
    those out would answer a different question.
    """
    question = Question(type)
    for name, value in asked:
        head, _, modifier = name.partition(":")
        if name in _PRESENTATION or value == "":
            continue
        if name in _RESULT:
            _read_result(question, name, value)
        elif head in PARAMETERS[type]:
            question.terms.append(_read_term(PARAMETERS[type][head], head, modifier, value))
            question.kept.append((name, value))
        elif name.partition(".")[0] in PARAMETERS[type]:
            raise NotUnderstood(f"Chained search is not supported: {name.partition('.')[0]}.…")
        else:
            question.unknown.append(name)
    return question


def _read_result(question: Question, name: str, value: str) -> None:
    match name:
        case "_count":
            if not (value.isascii() and value.isdigit() and len(value) < 7):
                raise NotUnderstood("_count must be a whole number.")
            question.limit = min(int(value), MOST)
        case "_sort":
            wanted, known = value.removeprefix("-"), SORTS[question.type]
            if wanted not in known:
                raise NotUnderstood(f"_sort takes one of: {', '.join(known) or 'nothing, for this type'}.")
            question.sort, question.descending = known[wanted], value.startswith("-")
        case "_include":
            if value not in INCLUDES.get(question.type, ()):
                question.unknown.append(name)
                return
            question.include = True
        case "_total":
            if value not in ("none", "estimate", "accurate"):
                raise NotUnderstood("_total takes one of: none, estimate, accurate.")
            question.total = value != "none"
        case _:
            if value not in ("count", "false"):
                raise NotUnderstood("_summary takes one of: count, false.")
            if value == "count":
                question.limit = 0
    question.kept.append((name, value))


def _read_term(parameter: Parameter, name: str, modifier: str, value: str) -> Term:
    if modifier and modifier not in parameter.modifiers:
        raise NotUnderstood(f"The modifier :{modifier} is not supported on {name}.")
    parts = [_unescape(part) for part in re.split(r"(?<!\\),", value) if part]
    if parameter.field == "infant":
        return Term("infant", tuple(_read_infant(part) for part in parts))
    if parameter.field == "owner":
        read_owner: Callable[[str], Token] = read_token if modifier else lambda part: Token(None, part)
        return Term("owner", tuple(read_owner(part) for part in parts))
    if parameter.type == "date":
        return Term(parameter.field, tuple(read_span(part) for part in parts))
    if parameter.system:
        tokens = (read_token(part) for part in parts)
        return Term(parameter.field, tuple(t.value for t in tokens if t.value and t.system in (None, parameter.system)))
    if parameter.field in ("id", "url"):
        return Term(parameter.field, tuple(parts))
    return Term(parameter.field, tuple(read_token(part) for part in parts))


def read_token(text: str) -> Token:
    """`value`: any system; `system|value`; `|value`: no system; `system|`: any value of it."""
    system, bar, value = text.partition("|")
    return Token(system, value or None) if bar else Token(None, text)


def read_span(text: str) -> Span:
    """A FHIR date with its prefix. Times without a zone are UTC. Raises NotUnderstood."""
    prefix = text[:2] if text[:2] in PREFIXES else "eq"
    rest = text.removeprefix(prefix)
    if days := read_days(rest):
        low = datetime(days[0].year, days[0].month, days[0].day, tzinfo=UTC)
        return Span(prefix, low, datetime(days[1].year, days[1].month, days[1].day, tzinfo=UTC) + timedelta(days=1))
    moment = read_instant(rest.replace(" ", "+"), UTC)  # a + that nobody escaped arrives as a space
    if moment is None:
        raise NotUnderstood(
            "A date must be written like 2031-06-01 or 2031-06-01T09:30:00Z, with or without ge, le, gt, lt."
        )
    clock = rest[10:].rstrip("Zz").partition("+")[0].partition("-")[0]
    fraction = clock.partition(".")[2]
    second = timedelta(microseconds=10 ** (6 - min(len(fraction), 6)))
    return Span(prefix, moment, moment + (second if clock.count(":") == 2 else timedelta(minutes=1)))


def _read_infant(text: str) -> UUID:
    match = _REFERENCE.fullmatch(text)
    if match is None or (match["type"] or "Patient") != "Patient":
        return _NOBODY
    try:
        return UUID(match["id"])
    except ValueError:
        return _NOBODY


def _unescape(part: str) -> str:
    return re.sub(r"\\([,|$\\])", r"\1", part)
