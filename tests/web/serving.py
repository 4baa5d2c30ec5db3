"""The application behind a real server on loopback."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

import httpx
import uvicorn
from fastapi import FastAPI
from starlette.routing import BaseRoute, Route


@contextmanager
def serve(app: FastAPI, port: int = 0) -> Iterator[str]:
    """Yields the address, on a free port where none is asked for; stops the way the service does: streams first, then
    the server."""
    config = uvicorn.Config(app, host="127.0.0.1", port=port, log_config=None, timeout_graceful_shutdown=3)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 10
    while not server.started:
        assert thread.is_alive() and time.monotonic() < until, "the server did not start"
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield f"http://127.0.0.1:{port}"
    app.state.announcer.close()
    server.should_exit = True
    thread.join(10)
    assert not thread.is_alive(), "the server did not stop"


@contextmanager
def calling(app: FastAPI) -> Iterator[httpx.Client]:
    """A caller of the application on a socket of its own."""
    with serve(app) as address, httpx.Client(base_url=address, timeout=30) as client:
        yield client


def every_route(routes: Iterable[BaseRoute]) -> Iterator[Route]:
    """Every route of an application, those of the routers it includes as well."""
    for each in routes:
        inner = getattr(each, "routes", None) or getattr(getattr(each, "original_router", None), "routes", None)
        if inner:
            yield from every_route(inner)
        elif isinstance(each, Route):
            yield each
