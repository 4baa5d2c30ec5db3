"""What one version of one resource says, while it is being read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from service.core.infant import Fact, Reading, Rejection, Version
from service.fhir.element import Element, Unreadable, clean
from service.fhir.references import Entries
from service.fhir.sites import Site

T = TypeVar("T")


class Draft:
    """Collects the facts and rejections of one resource. `entries` are the names its bundle gives to resources."""

    def __init__(self, element: Element, resource: str, version: Version, site: Site, entries: Entries) -> None:
        self.element, self.resource, self.version = element, resource, version
        self.site, self.entries = site, entries
        self._facts: list[Fact] = []
        self._rejections: list[Rejection] = []

    def say(
        self, patient: str, name: str, value: Mapping[str, Any], rank: int = 1, certain: bool = True, issued: str = ""
    ) -> None:
        """One fact. The same thing said twice in a resource is said once."""
        fact = Fact(patient, name, value, self.resource, self.version, rank, certain, issued)
        if fact not in self._facts:
            self._facts.append(fact)

    def reject(self, error: Unreadable, patient: str = "", about: str = "", doubtful: bool = True) -> None:
        """What could not be read. About a known infant it is a fact as well (`unreadable`), unless not `doubtful`:
        then nothing was said that might mean anything else."""
        path, reason, about = clean(error.path), clean(error.reason), about or error.about
        self._rejections.append(Rejection(self.resource, path, reason, patient, about))
        if patient and about and doubtful:
            self.say(patient, "unreadable", {"of": about, "reason": reason})

    def attempt(self, read: Callable[[], T], patient: str = "", about: str = "") -> T | None:
        """The result of a reader, or None and a rejection."""
        try:
            return read()
        except Unreadable as error:
            self.reject(error, patient, about)
            return None

    def finish(self) -> Reading:
        """The Reading, once everything has been said."""
        return Reading(self.resource, self.version, tuple(self._facts), tuple(self._rejections))
