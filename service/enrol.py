"""The command `ridgeline people`: who may look, added, changed and retired where the service runs."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Mapping, Sequence
from getpass import getpass
from typing import Any, Final

from service.errors import NotUnderstood
from service.flow import Flow
from service.store import looks, people
from service.store.passwords import check_new, hash_password
from service.store.people import Person

HEADINGS: Final = ("SIGN-IN NAME", "NAME", "ROLE", "SEES", "")
WHERE: Final = "ridgeline people"
"""What is written down as the page of a change made here."""


def run(flow: Flow, options: Namespace) -> str:
    """Add, change or retire somebody as the command says; what was done, in a sentence, with the token of a machine.
    Raises NotFound, NotUnderstood."""
    if options.what == "add":
        return _add(flow, options)
    given: dict[str, Any] = {"active": False} if options.what == "retire" else {
        "name": options.name, "role": options.role, "language": options.language, "all_sites": options.all_sites,
        "sites": _sites(flow, options) if options.site else None,
        "kept_password": hash_password(check_new(_ask(), options.sign_in)) if options.password else None,
    }  # fmt: skip
    now = flow.clock()
    with flow.database.transaction() as connection:
        id = people.id_of(connection, options.sign_in)
        person = people.change(connection, id, now, **given)
        looks.write(connection, "people", now, None, WHERE, [("", id)])
    return f"{'retired' if options.what == 'retire' else 'changed'} {person.sign_in}"


def _add(flow: Flow, options: Namespace) -> str:
    machine = options.role == "machine"
    kept = "" if machine else hash_password(check_new(_ask(), options.sign_in))
    wanted = Person(
        options.name, options.role, _sites(flow, options), sign_in=options.sign_in, language=options.language or ""
    )
    now = flow.clock()
    with flow.database.transaction() as connection:
        person = people.add(connection, wanted, kept, now)
        token = people.begin(connection, person, now) if machine else ""
        looks.write(connection, "people", now, None, WHERE, [("", person.id)])
    said = f"added {person.sign_in}, {person.role}; from now on everybody has to sign in"
    return f"{said}\nits token, shown once: {token}" if token else said


def _ask() -> str:
    """A password: typed twice on a terminal, else the first line of standard input."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    password = getpass("password: ")
    if getpass("once more: ") != password:
        raise NotUnderstood("the two were not the same; nothing was changed")
    return password


def everybody(flow: Flow) -> list[Person]:
    """Everybody registered, those retired last."""
    with flow.database.transaction() as connection:
        return people.everybody(connection)


def cells(known: Sequence[Person]) -> list[tuple[tuple[str, ...], str]]:
    """A line for each, under HEADINGS, as a table of the terminal takes it."""
    return [
        ((each.sign_in, each.name, each.role, _say_sites(each), "" if each.active else "retired"), "")
        for each in known
    ]  # fmt: skip


def _say_sites(person: Person) -> str:
    return "all sites" if person.sites is None else ", ".join(sorted(person.sites))


def people_json(known: Sequence[Person]) -> list[Mapping[str, Any]]:
    """The same as JSON: never a password, nor what is kept of one."""
    return [
        {
            "sign_in": each.sign_in, "name": each.name, "role": each.role, "active": each.active,
            "sites": None if each.sites is None else sorted(each.sites), "language": each.language,
        }
        for each in known
    ]  # fmt: skip


def _sites(flow: Flow, options: Namespace) -> frozenset[str] | None:
    return None if options.all_sites else frozenset(flow.site(each).id for each in options.site or ())
