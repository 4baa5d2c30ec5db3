"""In which language a request is answered: the one chosen on a page (a cookie), else the first that the browser asks
for and there is a catalogue of, else English."""

from __future__ import annotations

from typing import Final
from urllib.parse import urlsplit

from babel import negotiate_locale
from fastapi import APIRouter
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import NotUnderstood
from service.web.entry import Given
from service.web.typed import first
from service.web.words import ENGLISH, languages, speaking

COOKIE: Final = "language"
_YEAR: Final = 365 * 24 * 3600


def choose(chosen: str, asked: str) -> str:
    """The language to answer in. `chosen` before, or ""; `asked` is an Accept-Language header."""
    if chosen in languages():
        return chosen
    ranked = sorted((_weigh(part) for part in asked.split(",") if part.strip()), key=lambda each: -each[1])
    return negotiate_locale([tag for tag, weight in ranked if weight > 0], languages(), sep="-") or ENGLISH


def _weigh(part: str) -> tuple[str, float]:
    tag, _, weight = part.strip().partition(";q=")
    try:
        return tag.strip(), float(weight or 1)
    except ValueError:
        return tag.strip(), 0.0


class Speaking:
    """ASGI middleware: what runs within a request speaks its language, and the answer says which."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        code = choose(request.cookies.get(COOKIE, ""), request.headers.get("accept-language", ""))

        async def send_spoken(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if headers.get("content-type", "").startswith("text/html"):
                    headers.setdefault("Content-Language", code)
                    headers.add_vary_header("Accept-Language, Cookie")
            await send(message)

        with speaking(code):
            await self._app(scope, receive, send_spoken)


def language_routes() -> APIRouter:
    """POST /language, from the foot of every page: that page again, in another language."""
    router = APIRouter(include_in_schema=False)

    @router.get("/language")
    def lost() -> Response:  # somebody went back to where the form was sent
        return RedirectResponse("/", 303)

    @router.post("/language")
    def change(request: Request, given: Given) -> Response:
        code = first(given, "language")
        if code not in languages():
            raise NotUnderstood("there is no such language here")
        page = urlsplit(request.headers.get("referer", ""))
        back = page.path if page.netloc == request.headers.get("host") and page.path.startswith("/") else "/"
        answer = RedirectResponse(back + (f"?{page.query}" if page.query and back != "/" else ""), 303)
        answer.set_cookie(
            COOKIE, code, max_age=_YEAR, httponly=True, samesite="lax", secure=request.url.scheme == "https"
        )
        return answer

    return router
