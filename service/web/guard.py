"""Around every answer: security headers, and a sentence in place of an error nobody expected.

The sentence has the shape the caller speaks: an OperationOutcome under /fhir and /hooks, `{"problem": …}` for the JSON
API and machines, a page for people. No answer and no log line ever holds a traceback's values: an exception's text may
quote a row of a table, so only its type and the line it came from are logged.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable, Mapping
from typing import Final
from urllib.parse import urlsplit

from sqlalchemy.exc import InterfaceError, OperationalError
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.errors import Forbidden, NotFound, NotUnderstood, RidgelineError, SiteUnavailable
from service.fhir.write import operation_outcome
from service.web.phrases import tell
from service.web.words import N_, _

HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    # Under no-referrer a browser sends a form with the Origin "null", and nobody can tell whose form it was.
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}
"""Set on every answer that does not set them itself; only the style sheet, script and picture may be kept."""

SAFE: Final = ("GET", "HEAD", "OPTIONS")
MACHINES: Final = ("fhir", "hooks", "api", "health", "metrics", "events")
"""First parts of the paths that programs ask."""

FHIR_JSON: Final = "application/fhir+json"

_ISSUES: Final[Mapping[int, str]] = {
    400: "invalid", 401: "login", 403: "forbidden", 404: "not-found", 405: "not-supported", 406: "not-supported",
    410: "not-found", 413: "too-long", 415: "not-supported", 422: "processing", 503: "transient",
}  # fmt: skip
"""HTTP status -> IssueType code of an OperationOutcome (http://hl7.org/fhir/R4/valueset-issue-type.html)."""

_log = logging.getLogger(__name__)


def judge(error: Exception) -> tuple[int, str]:
    """HTTP status and sentence for an exception that reached the edge."""
    match error:
        case NotFound():
            return 404, str(error)
        case NotUnderstood():
            return 400, str(error)
        case Forbidden():
            return 403, str(error)
        case SiteUnavailable():
            return 503, str(error)
        case RidgelineError():
            return 500, str(error)
        case OperationalError() | InterfaceError():
            return 503, N_("The database cannot be reached just now. Nothing is lost; try again in a moment.")
        case _:
            return 500, N_("Something went wrong inside the service. It has been logged; the list itself is unharmed.")


class Answers:
    """Makes the answer for a problem in the shape the path's callers understand. `page` renders it for people of whom
    nothing is known; whoever has come past the door gets it with their own navigation."""

    def __init__(self, page: Callable[[int, str], str]) -> None:
        self._page = page

    def problem(
        self, request: Request, status: int, sentence: str, headers: Mapping[str, str] | None = None
    ) -> Response:  # fmt: skip
        """An answer of `status` that says `sentence`."""
        headers = dict(headers or {})
        if status == 503:
            headers.setdefault("Retry-After", "5")
        top = request.url.path.strip("/").partition("/")[0]
        if top in ("fhir", "hooks"):
            severity = "fatal" if status >= 500 and status != 503 else "error"
            outcome = operation_outcome(severity, _ISSUES.get(status, "exception"), sentence)
            return JSONResponse(outcome, status, headers, media_type=FHIR_JSON)
        if top in MACHINES:
            return JSONResponse({"problem": sentence}, status, headers)
        looking = request.scope.get("state", {}).get("looking")
        page = looking.pages.problem if looking is not None else self._page
        return Response(page(status, tell(_(sentence)) if sentence else ""), status, headers, media_type="text/html")


FOREIGN: Final = N_(
    "This form was not sent from a page of this service, so nothing was saved. Open the page here and fill it in again."
)


class Guard:
    """ASGI middleware that wraps the whole application. `public` is the address people know, where a proxy stands
    between: a form may come from there as well."""

    def __init__(self, app: ASGIApp, answers: Answers, public: str | None = None) -> None:
        self._app, self._answers = app, answers
        self._public = urlsplit(public).netloc if public else ""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = False

        async def send_guarded(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        request = Request(scope)
        if request.method not in SAFE and _for_people(request.url.path) and not self._from_here(request):
            await self._answers.problem(request, 403, FOREIGN)(scope, receive, send_guarded)
            return
        try:
            await self._app(scope, receive, send_guarded)
        except Exception as error:
            log_error(error)
            if started:
                # Half an answer is on its way: the only honest thing left is to break the connection.
                raise ConnectionAbortedError("the answer could not be finished") from None
            status, sentence = judge(error)
            answer = self._answers.problem(request, status, sentence)
            await answer(scope, receive, send_guarded)

    def _from_here(self, request: Request) -> bool:
        """Whether a page of our own sent this. A browser says so in Sec-Fetch-Site; an older one, or one that talks to
        us without encryption, names its page's Origin. What says neither is no browser with a page of ours."""
        site = request.headers.get("sec-fetch-site")
        if site is not None:
            return site == "same-origin"
        origin = urlsplit(request.headers.get("origin", "")).netloc
        return bool(origin) and origin in (request.headers.get("host"), self._public)


def _for_people(path: str) -> bool:
    """Whether a page answers at this path: programs keep no cookie and have no page that somebody else could send."""
    return path.strip("/").partition("/")[0] not in MACHINES


def log_error(error: Exception) -> None:
    """Log what kind of error it was and where it came from, without a word of what it says."""
    frames = traceback.extract_tb(error.__traceback__)
    where = " < ".join(f"{frame.filename.rpartition('/')[2]}:{frame.lineno}" for frame in reversed(frames[-6:]))
    _log.error("%s at %s", type(error).__name__, where)
