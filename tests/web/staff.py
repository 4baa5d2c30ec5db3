"""People who are registered, and browsers in which they are signed in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import httpx

from service.flow import Flow
from service.store import people
from service.store.passwords import hash_password
from service.store.people import Person

PASSWORD: Final = "seven grey herons at dawn"
_KEPT: Final = hash_password(PASSWORD)
SENT: Final = {"Sec-Fetch-Site": "same-origin"}
"""What a browser says of a form that comes from a page of ours."""


def register(flow: Flow, sign_in: str, role: str = "unit", *sites: str, name: str = "") -> Person:
    """Register somebody who sees these sites; all, where none is named."""
    wanted = Person(name or sign_in.capitalize(), role, frozenset(sites) or None, sign_in=sign_in)
    with flow.database.transaction() as connection:
        return people.add(connection, wanted, "" if role == "machine" else _KEPT, flow.clock())


def token_of(flow: Flow, person: Person) -> str:
    """A session's or a machine's token."""
    with flow.database.transaction() as connection:
        return people.begin(connection, person, flow.clock())


def signing_in(client: httpx.Client, sign_in: str, password: str = PASSWORD, **more: str) -> httpx.Response:
    """Send the form of the sign-in page."""
    typed = {"name": sign_in, "password": password, "to": "/", **more}
    return client.post("/sign-in", data=typed, headers=SENT)


@contextmanager
def signed_in(address: str, sign_in: str) -> Iterator[httpx.Client]:
    """A browser in which somebody is signed in."""
    with httpx.Client(base_url=address, timeout=30, headers=SENT) as client:
        assert signing_in(client, sign_in).status_code == 303
        yield client
