"""Every route of the web side on one ASGI application."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.errors import RidgelineError
from service.flow import Flow
from service.web.api import CAUTION, api_routes
from service.web.audit import audit_routes
from service.web.door import Door
from service.web.downtime import Copies
from service.web.entry import entry_routes
from service.web.exports import export_routes
from service.web.facade import READ_ONLY, facade_routes
from service.web.feeds import feed_routes
from service.web.figures import figures_routes
from service.web.found import found_routes
from service.web.guard import Answers, Guard, judge
from service.web.guidelines import policy_routes
from service.web.health import health_routes
from service.web.language import Speaking, language_routes
from service.web.lists import list_routes
from service.web.live import Announcer, live_routes
from service.web.looking import STRANGER, Person
from service.web.pages import Pages, page_routes
from service.web.people import people_routes
from service.web.rounds import round_routes
from service.web.sign_in import sign_in_routes
from service.web.words import _


def build(
    flow: Flow, *, base_url: str | None = None, every: float = 1.0, invented: Sequence[Person] = (),
    copies: Copies | None = None,
) -> FastAPI:  # fmt: skip
    """The application: pages, /api, /fhir, /events, /health and /metrics. Feeds mount their own routes beside these.

    `base_url` is the public address, as links in FHIR answers show it; without it the address asked under counts.
    `every` is how often, in seconds, a change is looked for while a browser is listening. `invented` people can be
    looked as by anybody: for the demonstration. `app.state.announcer.close()` ends the open streams, which a server
    that stops politely should call. `copies` are those for downtime.
    """
    release = _release()
    pages = Pages(flow.sites)
    answers = Answers(pages.seen_by(STRANGER).problem)
    app = FastAPI(
        title="Ridgeline", version=release, openapi_url="/api/openapi.json", docs_url=None, redoc_url=None,
        description=f"Who must be examined for retinopathy of prematurity, when, and why. {CAUTION}",
    )  # fmt: skip
    app.add_middleware(Door, flow=flow, pages=pages, answers=answers, public=base_url, invented=invented)
    app.add_middleware(Guard, answers=answers, public=base_url)
    app.add_middleware(Speaking)  # the last one added is the outermost: an error is said in the reader's language too
    app.include_router(api_routes())
    app.include_router(facade_routes(release, flow.clock(), base_url))
    app.include_router(health_routes(flow.database, copies))
    app.include_router(export_routes())
    app.include_router(list_routes())
    app.include_router(found_routes())
    app.include_router(page_routes())
    app.include_router(round_routes())
    app.include_router(sign_in_routes(base_url, invented))
    app.include_router(people_routes(invented))
    app.include_router(audit_routes())
    app.include_router(entry_routes())
    app.include_router(feed_routes())
    app.include_router(policy_routes())
    app.include_router(figures_routes())
    app.include_router(language_routes())
    app.state.announcer = Announcer(flow.revisions, every)
    app.include_router(live_routes(app.state.announcer))

    @app.exception_handler(HTTPException)
    def refuse(request: Request, error: HTTPException) -> Response:
        return answers.problem(request, error.status_code, _sentence(request, error), error.headers)

    @app.exception_handler(RequestValidationError)
    def misunderstand(request: Request, error: RequestValidationError) -> Response:
        # pydantic's own words quote what was sent: the names of the parameters must do.
        names = sorted({str(issue["loc"][-1]) for issue in error.errors()})
        said = [_("Cannot be read: %(names)s.", names=", ".join(names))]
        said += [_("A day is written 2031-06-01.")] if "as_of" in names else []
        said += [_("An instant is written 2031-06-01T07:00Z, with its zone.")] if "known_at" in names else []
        return answers.problem(request, 400, " ".join(said))

    @app.exception_handler(RidgelineError)
    def explain(request: Request, error: RidgelineError) -> Response:
        status, sentence = judge(error)
        return answers.problem(request, status, sentence)

    return app


def _sentence(request: Request, error: HTTPException) -> str:
    """Our own words for what the framework would say in its own."""
    fhir = request.url.path.startswith("/fhir")
    match error.status_code:
        case 404 if error.detail == "Not Found":
            return _("There is nothing at this address.")
        case 405:
            return READ_ONLY if fhir else _("%(method)s is not possible here.", method=request.method)
        case _:
            return error.detail


def _release() -> str:
    try:
        return installed("ridgeline")
    except PackageNotFoundError:
        return "0"
