"""Answers without a database: a file of records or of worked examples in, one line of JSON per infant out."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

from service.core.case import Case, check_case, parse_case
from service.core.decision import Decision, decide
from service.core.infant import Fact, Rejection, assemble
from service.core.policy import Policy
from service.errors import ConfigurationError
from service.fhir.read import read_body
from service.fhir.sites import Site
from service.web.api import decision_json


@dataclass(frozen=True, slots=True)
class Answer:
    """One infant's decision, what of their records could not be read, and where it differs from what was expected."""

    decision: Decision
    rejections: tuple[Rejection, ...] = ()
    differences: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """The line `ridgeline assess` prints: dates as ISO text, ages as `25w3d`. A treatment closes at an instant,
        `2031-06-04T09:30` local time at the site."""
        line: dict[str, Any] = dict(decision_json(self.decision, self.decision.as_of))
        if self.decision.next.kind == "treatment" and self.decision.next.by:
            line["next"] = {**line["next"], "closes": self.decision.next.by}
        return {
            "patient": self.decision.patient,
            **line,
            "rejected": [{"path": each.path, "about": each.about, "reason": each.reason} for each in self.rejections],
        }


def read_cases(path: Path) -> list[Case]:
    """The `[[example]]` cases of a TOML file. Raises ConfigurationError naming the file and the key."""
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise ConfigurationError(path.name, "is not text in UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(path.name, f"is not valid TOML: {error}") from None
    for key in data:
        if key != "example":
            raise ConfigurationError(path.name, f"unknown key {key!r}", ("example",))
    examples = data.get("example", [])
    if not isinstance(examples, list) or not examples:
        raise ConfigurationError(path.name, "holds no [[example]]")
    return [parse_case(example, f"{path.name}: example[{n}]") for n, example in enumerate(examples)]


def answer_cases(cases: Iterable[Case], policy: Policy, today: date) -> Iterator[Answer]:
    """Each case answered for its own date, or for `today` when it has none, and compared with what it expects."""
    for case in cases:
        decision = case.decide(policy, today)
        yield Answer(decision, differences=tuple(check_case(case, policy, today)))


YOUNGEST_PARENT: Final = timedelta(days=10 * 365)


class Records:
    """Records gathered into infants. What comes later in a file may correct, complete or merge what came earlier, so
    the answers are given when everything has been read; the bodies themselves are not kept."""

    def __init__(self, site: Site, received_at: str) -> None:
        self._site, self._received_at = site, received_at
        self._facts: dict[str, list[Fact]] = {}
        self._rejections: dict[str, list[Rejection]] = {}
        self._merged: dict[str, str] = {}
        self.resources = 0

    def add(self, body: bytes) -> None:
        """Read one body (a resource, a Bundle or a line of NDJSON)."""
        for reading in read_body(body, self._site, self._received_at):
            self.resources += 1
            for fact in reading.facts:
                if fact.patient:
                    self._facts.setdefault(fact.patient, []).append(fact)
                if fact.name == "replaced_by":
                    self._merged[fact.patient] = str(fact.value["patient"])
                    self._facts.setdefault(self._merged[fact.patient], [])
            for rejection in reading.rejections:
                self._rejections.setdefault(rejection.patient, []).append(rejection)
                if rejection.patient:
                    self._facts.setdefault(rejection.patient, [])

    @property
    def infants(self) -> int:
        return len(self._facts)

    @property
    def homeless(self) -> list[Rejection]:
        """Rejections that name no infant."""
        return self._rejections.get("", [])

    def answers(self, policy: Policy, as_of: date) -> Iterator[Answer]:
        """One answer per patient, in the order in which the file first named them. A merged record is answered as
        merged, and its facts count for the record it was merged into."""
        merged_into: dict[str, list[str]] = {}
        for old in self._merged:
            merged_into.setdefault(self._survivor(old), []).append(old)
        for patient, facts in self._facts.items():
            everything = list(facts)
            for old in merged_into.get(patient, ()):
                everything += self._facts[old]
            infant = assemble(patient, everything, _first_named(everything, as_of))
            yield Answer(decide(infant, policy, as_of), tuple(self._rejections.get(patient, ())))

    def _survivor(self, patient: str) -> str:
        """Where a chain of merges ends; a ring of merges ends where it began."""
        seen = {patient}
        while (then := self._merged.get(patient)) and then not in seen:
            seen.add(then)
            patient = then
        return patient


def _first_named(said: Iterable[Fact], as_of: date) -> date:
    """The day on which the infant counts as first named. A file does not say, and an old register is not a list of
    grown children: whoever is young enough not to be a parent counts as named on the day of birth."""
    born = max((date.fromisoformat(str(fact.value["high"])) for fact in said if fact.name == "born"), default=as_of)
    return min(born, as_of) if as_of - born < YOUNGEST_PARENT else as_of
