"""Who is looking, and what of the whole they may see. Every handler that shows or changes something takes a `Look` and
asks nothing else for data, so that what a person may not see cannot be reached by way of a forgotten condition."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final
from uuid import UUID

from fastapi import Depends
from starlette.requests import Request

from service.errors import NotFound
from service.flow import Flow
from service.store import looks
from service.store.people import Person as Person
from service.store.publications import Publications
from service.web.words import N_

if TYPE_CHECKING:
    from service.web.pages import Pages

NOBODY: Final = Person("", "open")
"""Whoever looks where nobody has to say who they are: on the machine itself, before the first person is registered."""

STRANGER: Final = Person("", "stranger", frozenset())
"""Whoever has not said yet who they are, where that is asked. Sees nothing of anybody."""

ROLE_WORDS: Final[Mapping[str, str]] = {
    "unit": N_("Unit staff"),
    "ophthalmologist": N_("Ophthalmologist"),
    "coordinator": N_("Coordinator"),
    "it": N_("Hospital IT"),
    "auditor": N_("Auditor"),
    "machine": N_("Another program"),
    "open": N_("Anybody on this machine"),
    "stranger": N_("Not signed in"),
}

ENTERS: Final = ("unit", "ophthalmologist", "coordinator", "open")
"""Who may type in what was found, done and agreed. Everybody else only looks."""

MENDS: Final = ("it", "open")
"""Who may say what a code means, and let what is stored be read again."""

ACTIVATES: Final = ("ophthalmologist", "coordinator", "open")
"""Who may put an edition in use at a site: it decides about everybody there."""

PAGES_FOR: Final[Mapping[str, tuple[str, ...]]] = {"/people": ("it", "open"), "/audit": ("it", "auditor", "open")}
"""Pages that not everybody sees -> who does. To all others they are not there."""


@dataclass(frozen=True, slots=True)
class Looking:
    """One look: by whom, and the flow and the pages of what they may see. `page`: says the pattern of the address."""

    person: Person
    flow: Flow
    pages: Pages
    page: object = ""

    @property
    def publications(self) -> Publications:
        """What is published of the sites they may see."""
        return Publications(self.flow.database, self.flow.sites)

    @property
    def enters(self) -> bool:
        """Whether they may type something in."""
        return self.person.role in ENTERS

    def knows(self, person: Person) -> bool:
        """Whether they may know of a person: of whoever sees no more sites than they do."""
        return self.person.sites is None or (person.sites is not None and person.sites <= self.person.sites)

    @property
    def activates(self) -> bool:
        """Whether they may put an edition in use."""
        return self.person.role in ACTIVATES

    @property
    def mends(self) -> bool:
        """Whether they may say what a code means."""
        return self.person.role in MENDS

    def only_for(self, page: str) -> None:
        """Raise NotFound unless the person's role sees this page of PAGES_FOR."""
        if self.person.role not in PAGES_FOR[page]:
            raise NotFound("there is nothing at this address")

    def note(self, kind: str, *about: tuple[str, UUID | None]) -> None:
        """Write down a look, a change or a list carried away that the flow did not see: a kind of `tables.LOOKS`, with
        which (site, infant's key). What the flow shows and changes it writes down itself. Raises what the database
        raises: then show nothing."""
        with self.flow.database.transaction() as connection:
            looks.write(connection, kind, self.flow.clock(), self.person.id, str(self.page), about or (("", None),))


def look_of(request: Request) -> Looking:
    """The look a request is made with. The door has asked who it is; without a door nobody may see anything."""
    looking: Looking = request.state.looking
    return looking


Look = Annotated[Looking, Depends(look_of)]
"""What a handler takes as its parameter `look`."""
