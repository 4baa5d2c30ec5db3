"""The door: nobody gets past it without having said who they are, once anybody is registered.

It stands before every route, those that forget to ask included, and hands on a `Looking` that knows the sites of one
person and no other. What that look shows is written down in the transaction that reads it; a list that a page fetches
again by itself is written down once in a quarter of an hour, so that an open list does not drown all else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import quote, urlsplit
from uuid import UUID

from sqlalchemy import Connection
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.flow import ONLY_LOOKS, Flow
from service.store import looks, people
from service.store.people import Person
from service.web.guard import MACHINES, SAFE, Answers
from service.web.looking import NOBODY, STRANGER, Looking
from service.web.pages import Pages
from service.web.phrases import tell
from service.web.view import capitalize

WITHOUT: Final = ("static", "health", "language", "sign-in")
"""First parts of the paths that need no sign-in: none of them shows anything of anybody."""

OWN: Final = ("sign-in", "sign-out", "me", "language", "look-as")
"""First parts of the paths to which also somebody who only looks may send something: it is about themselves."""

AGAIN: Final = timedelta(minutes=15)

SIGNED_OUT: Final = (
    "You are signed out, so nothing was saved. Sign in in another window, then come back here, go one page back and "
    "send it again: what you typed is still there."
)
BY_SIGN_IN: Final = (
    "Sign in, or send the token of a machine in the header Authorization, as Bearer TOKEN. "
    "IT makes one with: ridgeline people add --role machine."
)

FOR_PROGRAMS: Final = "A machine's token opens /api, /fhir, /events and /metrics only."

Key = tuple[UUID | None, str, str]


class Door:
    """ASGI middleware, within the guard. `public`: the address people know, where that is another one. `invented`: the
    people of the demonstration, as whom anybody may look; then nobody has to sign in."""

    def __init__(
        self, app: ASGIApp, flow: Flow, pages: Pages, answers: Answers, public: str | None = None,
        invented: Sequence[Person] = (),
    ) -> None:  # fmt: skip
        self._app, self._flow, self._pages, self._answers = app, flow, pages, answers
        self._cookie = cookie_name(public)
        self._invented = {str(each.id): each for each in invented}
        self._asked = False
        self._noted: dict[Key, datetime] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        person = await run_in_threadpool(self._who, request)
        book = _Book(self._flow.clock, self._noted, person.id, scope)
        looking = self._look(person, book)
        scope.setdefault("state", {})["looking"] = looking
        refusal = self._refuse(request, person)
        if refusal is not None:
            await refusal(scope, receive, send)
            return

        async def send_noted(message: Message) -> None:
            if message["type"] == "http.response.start":
                carried = Headers(raw=message["headers"]).get("content-disposition", "").startswith("attachment")
                if carried:
                    await run_in_threadpool(looking.note, "export", *dict.fromkeys(book.shown))
                book.shown_at_last(message["status"])
            await send(message)

        await self._app(scope, receive, send_noted)

    def _who(self, request: Request) -> Person:
        if self._invented:
            return self._invented.get(request.cookies.get(AS, ""), NOBODY)
        if request.url.path.strip("/").partition("/")[0] in ("health", "static"):
            return STRANGER  # shows nobody anything, and must answer without a database
        with self._flow.database.transaction() as connection:
            if not self._asked:
                self._asked = people.is_anybody_registered(connection)
                if not self._asked:
                    return NOBODY
            token, machine = _shown(request, self._cookie)
            awake = not _by_itself(request)
            found = people.whose(connection, token, self._flow.clock(), machine, awake) if token else None
        return found or STRANGER

    def _look(self, person: Person, book: _Book) -> Looking:
        pages = self._pages.seen_by(person, tuple(self._invented.values()))
        looking = Looking(person, self._flow, pages, book)
        return replace(looking, flow=self._flow.within(person.sites, book, looking.enters))

    def _refuse(self, request: Request, person: Person) -> Response | None:
        """The answer to whoever may not pass; None for all others."""
        path = request.url.path
        top = path.strip("/").partition("/")[0]
        if person.role == "machine" and top not in MACHINES:
            return self._answers.problem(request, 403, FOR_PROGRAMS)
        if person.role == "auditor" and request.method not in SAFE and top not in (*MACHINES, *OWN):
            return self._answers.problem(request, 403, capitalize(f"{tell(ONLY_LOOKS)}."))
        if person is not STRANGER or top in WITHOUT:
            return None
        if top in MACHINES:
            return self._answers.problem(request, 401, BY_SIGN_IN, {"WWW-Authenticate": "Bearer"})
        if request.method not in SAFE:
            return self._answers.problem(request, 401, SIGNED_OUT)
        where = path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse("/sign-in" if where == "/" else f"/sign-in?to={quote(where, safe='/')}", 303)


class _Book:
    """What one request shows and changes, written down as it happens."""

    def __init__(
        self, clock: Callable[[], datetime], noted: dict[Key, datetime], person: UUID | None, scope: Scope
    ) -> None:
        self._clock, self._noted, self._person, self._scope = clock, noted, person, scope
        self.shown: list[tuple[str, UUID | None]] = []
        self._done: set[tuple[str, str, UUID | None]] = set()
        self._lists: dict[Key, datetime] = {}

    def __str__(self) -> str:
        return str(getattr(self._scope.get("route"), "path", ""))

    def __call__(self, connection: Connection, kind: str, about: Iterable[tuple[str, UUID | None]]) -> None:
        now, page = self._clock(), str(self)
        # A change tried out and taken back is not on record: each is written down, however often.
        fresh = [each for each in about if kind == "change" or (kind, *each) not in self._done]
        self._done.update((kind, *each) for each in fresh)
        self.shown.extend(fresh)
        if kind == "list":
            keys = {each: (self._person, each[0], page) for each in fresh}
            fresh = [each for each in fresh if not (now - self._noted.get(keys[each], _NEVER) < AGAIN)]
            self._lists.update((keys[each], now) for each in fresh)
        looks.write(connection, kind, now, self._person, page, fresh)

    def shown_at_last(self, status: int) -> None:
        """What was written down of lists is on record only now: a page that failed has undone it."""
        if status < 400:
            self._noted.update(self._lists)


_NEVER: Final = datetime.fromisoformat("1900-01-01T00:00:00+00:00")

AS: Final = "ridgeline-as"
"""The cookie of the demonstration: as whom it is looked."""


def cookie_name(public: str | None) -> str:
    """The session's cookie. Over https a browser takes a name with this beginning from nobody but ourselves."""
    return "__Host-ridgeline" if is_safe(public) else "ridgeline"


def is_safe(public: str | None) -> bool:
    """Whether people reach us over https."""
    return bool(public) and urlsplit(public).scheme == "https"


def _shown(request: Request, cookie: str) -> tuple[str, bool]:
    """The token shown, and whether as a program shows it."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    return (token.strip(), True) if kind.lower() == "bearer" else (request.cookies.get(cookie, ""), False)


def _by_itself(request: Request) -> bool:
    """Whether a page asks again by itself: that keeps nobody signed in."""
    return request.method in SAFE and request.headers.get("sec-fetch-dest") == "empty"
