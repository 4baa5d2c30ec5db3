"""Who is looking, and what of the whole they may see. Every handler that shows or changes something takes a `Look` and
asks nothing else for data, so that what a person may not see cannot be reached by way of a forgotten condition."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Final

from fastapi import Depends
from starlette.requests import Request

from service.flow import Flow
from service.store.publications import Publications

if TYPE_CHECKING:
    from service.web.pages import Pages


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who looks. `sites` None: all there are."""

    name: str
    role: str
    sites: frozenset[str] | None = None


NOBODY: Final = Person("", "open")
"""Whoever looks where nobody has to say who they are: on the machine itself, before the first person is registered."""


@dataclass(frozen=True, slots=True)
class Looking:
    """One look: by whom, and the flow and the pages of what they may see."""

    person: Person
    flow: Flow
    pages: Pages

    @property
    def publications(self) -> Publications:
        """What is published of the sites they may see."""
        return Publications(self.flow.database, self.flow.sites)


def look_of(request: Request) -> Looking:
    """The look a request is made with."""
    looking: Looking = getattr(request.state, "looking", None) or request.app.state.looking
    return looking


Look = Annotated[Looking, Depends(look_of)]
"""What a handler takes as its parameter `look`."""
