"""Who may look: the page on which hospital IT adds, changes and retires people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from fastapi import APIRouter
from sqlalchemy import Connection
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.errors import NotFound, NotUnderstood
from service.store import looks, people
from service.store.passwords import check_new, hash_password
from service.store.tables import ROLES
from service.web.entry import Given
from service.web.looking import ROLE_WORDS, Look, Looking, Person
from service.web.paging import From, Part
from service.web.typed import first
from service.web.view import capitalize
from service.web.words import _

PAGE = "/people"


def people_routes(invented: Sequence[Person]) -> APIRouter:
    """/people, to see and to add; /people/{id} to change one."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    read = ["GET", "HEAD"]

    def everybody(look: Looking, **values: Any) -> Response:
        with look.flow.database.transaction() as connection:
            known = [each for each in people.everybody(connection) if look.knows(each)]
        status = values.pop("status", 200)
        shown = {"problem": "", "typed": {}, "token": "", **values}
        part = Part.of([*invented] or known, shown.pop("begin", 0), PAGE)
        return HTMLResponse(
            look.pages.render(
                "people.html", here="people", part=part, roles_to_give=_roles(), **shown
            ),
            status,
        )  # fmt: skip

    def one(look: Looking, id: str, problem: str = "", status: int = 200) -> Response:
        with look.flow.database.transaction() as connection:
            person = next((each for each in invented if str(each.id) == id), None) or _find(look, connection, id)
        values = {"someone": person, "roles_to_give": _roles(), "problem": problem}
        return HTMLResponse(look.pages.render("someone.html", here="people", **values), status)

    @router.api_route(PAGE, methods=read)
    def show(look: Look, begin: From = 0) -> Response:
        look.only_for(PAGE)
        return everybody(look, begin=begin)

    @router.post(PAGE)
    def add(look: Look, given: Given) -> Response:
        look.only_for(PAGE)
        _only_real(invented)
        role, sign_in, password = first(given, "role"), first(given, "sign_in"), (given.get("password") or [""])[0]
        now = look.flow.clock()
        try:
            kept = "" if role == "machine" else hash_password(check_new(password, sign_in))
            wanted = Person(first(given, "name"), role, _sites(look, given), sign_in=sign_in)
            with look.flow.database.transaction() as connection:
                person = people.add(connection, wanted, kept, now)
                token = people.begin(connection, person, now) if role == "machine" else ""
                looks.write(connection, "people", now, look.person.id, PAGE, [("", person.id)])
        except NotUnderstood as error:
            return everybody(look, problem=capitalize(f"{error}."), typed=given, status=422)
        return everybody(look, token=token) if token else RedirectResponse(PAGE, 303)

    @router.api_route(PAGE + "/{id}", methods=read)
    def someone(look: Look, id: str) -> Response:
        look.only_for(PAGE)
        return one(look, id)

    @router.post(PAGE + "/{id}")
    def change(look: Look, id: str, given: Given) -> Response:
        look.only_for(PAGE)
        _only_real(invented)
        now, which = look.flow.clock(), _id(id)
        password = (given.get("password") or [""])[0]
        try:
            with look.flow.database.transaction() as connection:
                before = _find(look, connection, id)
                what = _changes(look, before, given, password)
                people.change(connection, which, now, **what)
                looks.write(connection, "people", now, look.person.id, PAGE, [("", which)])
        except NotUnderstood as error:
            return one(look, id, capitalize(f"{error}."), 422)
        return RedirectResponse(PAGE, 303)

    return router


def _changes(look: Looking, before: Person, given: Mapping[str, list[str]], password: str) -> dict[str, Any]:
    """What differs from what is on record."""
    if first(given, "do") == "retire":
        if before.id == look.person.id:
            raise NotUnderstood("nobody retires themselves: ask somebody else of IT")
        return {"active": False}
    if first(given, "do") == "again":
        return {"active": True}
    sites = _sites(look, given)
    what: dict[str, Any] = {}
    if first(given, "name") != before.name:
        what["name"] = first(given, "name")
    if before.role != "machine" and first(given, "role") != before.role:
        what["role"] = first(given, "role")
    if sites != before.sites:
        what |= {"all_sites": True} if sites is None else {"sites": sites}
    if password and before.role != "machine":
        what["kept_password"] = hash_password(check_new(password, before.sign_in))
    return what


def _sites(look: Looking, given: Mapping[str, list[str]]) -> frozenset[str] | None:
    if first(given, "all_sites"):
        if look.person.sites is not None:
            raise NotUnderstood("who sees some sites only gives nobody more")
        return None
    return frozenset(look.flow.site(each).id for each in given.get("sites", []) if each)


def _roles() -> list[tuple[str, str]]:
    return [(role, _(ROLE_WORDS[role])) for role in ROLES]


def _find(look: Looking, connection: Connection, id: str) -> Person:
    person = people.of_id(connection, _id(id))
    if not look.knows(person):
        raise NotFound("there is no such person")
    return person


def _id(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise NotFound("there is no such person") from None


def _only_real(invented: Sequence[Person]) -> None:
    if invented:
        raise NotUnderstood("these people are invented: nobody can be added here")
