"""/events: server-sent events that say only that a list is watched, and that it has changed. No name, no number, no
reason.

However many people look, the database is asked once a second, and not at all while nobody looks.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Collection, Mapping
from typing import Final

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import StreamingResponse

from service.web.guard import log_error
from service.web.looking import Look

HEARTBEAT: Final = 15.0
"""Seconds after which a comment is sent when nothing changed, so that a dead line is noticed at both ends."""
WATCHED: Final = b"event: watched\ndata: watched\n\n"
"""Said once on every stream, as soon as the database has been asked: of whatever changes from then on it will be told.
What a browser fetched before may lack what was stored in between, so it fetches the list again."""


class Announcer:
    """Watches `revisions()`, a number for each site, and tells every listener when one of its own sites' has grown.

    It is the one part of the pages that is asynchronous: a thread for each open browser would soon use them up.
    """

    def __init__(self, revisions: Callable[[], Mapping[str, int]], every: float = 1.0) -> None:
        self._revisions, self._every = revisions, every
        self._listeners: dict[asyncio.Queue[bytes | None], tuple[Collection[str], int | None]] = {}
        self._poller: asyncio.Task[None] | None = None
        self._last: Mapping[str, int] | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def listeners(self) -> int:
        """How many browsers listen now."""
        return len(self._listeners)

    def close(self) -> None:
        """End every stream, so that a server that is stopping need not wait. May be called from any thread."""
        if self._loop is not None and self._listeners:
            self._loop.call_soon_threadsafe(self._end)

    async def listen(self, sites: Collection[str], seen: int | None) -> AsyncIterator[bytes]:
        """The stream for one browser that shows these sites; `seen` is the revision it already shows, None when it says
        nothing."""
        queue: asyncio.Queue[bytes | None] = asyncio.Queue()
        self._listeners[queue] = sites, seen
        if self._last is not None:
            self._greet(queue, self._last)
        self._loop = asyncio.get_running_loop()
        if self._poller is None or self._poller.done():
            self._poller = asyncio.create_task(self._poll())
        try:
            yield b"retry: 3000\n\n"
            while True:
                try:
                    said = await asyncio.wait_for(queue.get(), HEARTBEAT)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if said is None:
                    return
                yield said
        finally:
            del self._listeners[queue]

    def answer(self, request: Request, sites: Collection[str]) -> StreamingResponse:
        """The answer to GET /events of whoever may see these sites."""
        last = request.headers.get("last-event-id", "")
        stream = self.listen(sites, int(last) if last.isascii() and last.isdigit() else None)
        return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})

    async def _poll(self) -> None:
        while self._listeners:
            try:
                revisions = await run_in_threadpool(self._revisions)
            except Exception as error:  # the database may be away for a while; browsers keep their list and wait
                log_error(error)
            else:
                before, self._last = self._last, revisions
                for queue, (sites, _) in self._listeners.items():
                    if before is None:
                        self._greet(queue, revisions)
                    elif _of(before, sites) != (now := _of(revisions, sites)):
                        queue.put_nowait(_event(now))
            await asyncio.sleep(self._every)
        self._last = None

    def _greet(self, queue: asyncio.Queue[bytes | None], revisions: Mapping[str, int]) -> None:
        sites, seen = self._listeners[queue]
        queue.put_nowait(WATCHED)
        if seen is not None and seen != (now := _of(revisions, sites)):
            queue.put_nowait(_event(now))

    def _end(self) -> None:
        for queue in self._listeners:
            queue.put_nowait(None)


def live_routes(announcer: Announcer) -> APIRouter:
    """/events."""
    router = APIRouter(include_in_schema=False)

    @router.get("/events")
    async def events(request: Request, look: Look) -> StreamingResponse:
        return announcer.answer(request, look.flow.sites)

    return router


def _of(revisions: Mapping[str, int], sites: Collection[str]) -> int:
    """One number for some sites, that grows when one of theirs does."""
    return sum(number for site, number in revisions.items() if site in sites)


def _event(revision: int) -> bytes:
    return f"id: {revision}\nevent: changed\ndata: changed\n\n".encode()
