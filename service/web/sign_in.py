"""Signing in and out, one's own password, and, in the demonstration, as whom to look.

A wrong name and a wrong password are one answer that takes one time. Each try is counted in the database before the
password is looked at. What was signed in before is signed out, so that a session's token changes at every sign-in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from uuid import UUID

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from service.errors import NotFound, NotUnderstood
from service.store import looks, people
from service.store.passwords import check_new, hash_password, is_password, mark
from service.web.door import AS, cookie_name, is_safe
from service.web.entry import Given
from service.web.language import COOKIE
from service.web.looking import Look, Looking, Person
from service.web.typed import first
from service.web.view import capitalize
from service.web.words import N_, _, ngettext_

WRONG: Final = N_("Sign-in name and password do not belong together. Nothing is said about which of the two is wrong.")


def sign_in_routes(public: str | None, invented: Sequence[Person]) -> APIRouter:
    """/sign-in, /sign-out, /me, and /look-as where people are invented."""
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    cookie, read = cookie_name(public), ["GET", "HEAD"]

    def page(look: Looking, to: str, problem: str = "", name: str = "", status: int = 200) -> Response:
        return HTMLResponse(look.pages.render("sign-in.html", here="", to=to, problem=problem, name=name), status)

    def leave(answer: Response) -> Response:
        answer.delete_cookie(cookie, path="/", secure=is_safe(public), httponly=True, samesite="lax")
        answer.headers["Clear-Site-Data"] = '"storage"'  # what was typed into a sheet and not saved: see entry.js
        return answer

    @router.api_route("/sign-in", methods=read)
    def show(look: Look, to: str = "/") -> Response:
        return page(look, _local(to))

    @router.post("/sign-in")
    def sign_in(look: Look, request: Request, given: Given) -> Response:
        name, to, now = first(given, "name"), _local(first(given, "to")), look.flow.clock()
        by_name, by_address = mark("name", name), mark("from", request.client.host if request.client else "")
        database = look.flow.database
        with database.transaction() as connection:
            wait = people.try_again_after(connection, by_name, by_address, now)
            person, kept = people.password_of(connection, name)
            if wait is not None:
                looks.write(connection, "refused", now, person.id if person else None, str(look.page))
        if wait is not None:
            minutes = int(wait.total_seconds()) // 60 + 1
            said = ngettext_(
                "There were too many tries. Try again in a minute.",
                "There were too many tries. Try again in %(n)s minutes.", minutes,
            )  # fmt: skip
            answer = page(look, to, said, name, 429)
            answer.headers["Retry-After"] = str(minutes * 60)
            return answer
        good = is_password(kept, (given.get("password") or [""])[0])
        with database.transaction() as connection:
            if not good or person is None:
                looks.write(connection, "refused", now, person.id if person else None, str(look.page))
            else:
                people.went_well(connection, by_name, now)
                people.end(connection, request.cookies.get(cookie, ""), now)
                token = people.begin(connection, person, now)
                looks.write(connection, "signed-in", now, person.id, str(look.page))
        if not good or person is None:
            return page(look, to, _(WRONG), name, 422)
        answer = RedirectResponse(to, 303)
        answer.set_cookie(
            cookie, token, max_age=int(people.LONGEST.total_seconds()), path="/", secure=is_safe(public), httponly=True,
            samesite="lax",
        )  # fmt: skip
        if person.language:
            answer.set_cookie(COOKIE, person.language, path="/", secure=is_safe(public), httponly=True, samesite="lax")
        return answer

    @router.post("/sign-out")
    def sign_out(look: Look, request: Request, given: Given) -> Response:
        person, now = _somebody(look), look.flow.clock()
        with look.flow.database.transaction() as connection:
            if first(given, "where") == "everywhere":
                people.end_all(connection, person, now)
            else:
                people.end(connection, request.cookies.get(cookie, ""), now)
            looks.write(connection, "signed-out", now, person, str(look.page))
        return leave(RedirectResponse("/sign-in", 303))

    def own(look: Looking, problem: str = "", status: int = 200) -> Response:
        return HTMLResponse(look.pages.render("me.html", here="me", problem=problem), status)

    @router.api_route("/me", methods=read)
    def me(look: Look) -> Response:
        return own(look)

    @router.post("/me")
    def change_password(look: Look, given: Given) -> Response:
        person, now = _somebody(look), look.flow.clock()
        old, new, again = ((given.get(field) or [""])[0] for field in ("old", "new", "again"))
        mine = mark("name", look.person.sign_in)
        with look.flow.database.transaction() as connection:
            kept = people.password_of(connection, look.person.sign_in)[1]
            wait = people.try_again_after(connection, mine, mark("me", str(person)), now)
        if wait is not None:
            return own(look, _("There were too many tries. Try again in a quarter of an hour."), 429)
        if not is_password(kept, old):
            return own(look, _("This is not your password as it is now."), 422)
        if new != again:
            return own(look, _("The new password was not typed the same way twice."), 422)
        try:
            check_new(new, look.person.sign_in)
        except NotUnderstood as error:
            return own(look, capitalize(f"{error}."), 422)
        hashed = hash_password(new)
        with look.flow.database.transaction() as connection:
            people.change(connection, person, now, kept_password=hashed)
            people.went_well(connection, mine, now)
            looks.write(connection, "people", now, person, str(look.page), [("", person)])
        return leave(RedirectResponse("/sign-in", 303))

    if invented:
        known = {str(each.id) for each in invented}

        @router.post("/look-as")
        def look_as(given: Given) -> Response:
            answer = RedirectResponse("/", 303)
            if first(given, "who") in known:
                answer.set_cookie(AS, first(given, "who"), path="/", httponly=True, samesite="lax")
            else:
                answer.delete_cookie(AS, path="/")
            return answer

    return router


def _somebody(look: Looking) -> UUID:
    if look.person.id is None:
        raise NotFound("there is nothing at this address")
    return look.person.id


def _local(to: str) -> str:
    """Where to go on, if that is an address of ours; the list otherwise."""
    fine = to.startswith("/") and not to.startswith(("//", "/\\", "/sign-")) and to.isprintable() and "\\" not in to
    return to if fine else "/"
