"""/events: server-sent events that say only that a list has changed. No name, no number, no reason.

However many people look, the database is asked once a second, and not at all while nobody looks.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import StreamingResponse

from service.web.guard import log_error

HEARTBEAT: Final = 15.0
"""Seconds after which a comment is sent when nothing changed, so that a dead line is noticed at both ends."""


class Announcer:
    """Watches `revision()` and tells every listener when it has grown.

    It is the one part of the pages that is asynchronous: a thread for each open browser would soon use them up.
    """

    def __init__(self, revision: Callable[[], int], every: float = 1.0) -> None:
        self._revision, self._every = revision, every
        self._listeners: set[asyncio.Queue[int | None]] = set()
        self._poller: asyncio.Task[None] | None = None
        self._last: int | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def listeners(self) -> int:
        """How many browsers listen now."""
        return len(self._listeners)

    def close(self) -> None:
        """End every stream, so that a server that is stopping need not wait. May be called from any thread."""
        if self._loop is not None and self._listeners:
            self._loop.call_soon_threadsafe(self._tell, None)

    async def listen(self, seen: int | None) -> AsyncIterator[bytes]:
        """The stream for one browser; `seen` is the revision it already shows, None when it says nothing."""
        queue: asyncio.Queue[int | None] = asyncio.Queue()
        self._listeners.add(queue)
        self._loop = asyncio.get_running_loop()
        if self._poller is None or self._poller.done():
            self._poller = asyncio.create_task(self._poll())
        try:
            yield b"retry: 3000\n\n"
            if seen is not None and self._last is not None and seen != self._last:
                yield _event(self._last)
            while True:
                try:
                    revision = await asyncio.wait_for(queue.get(), HEARTBEAT)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if revision is None:
                    return
                yield _event(revision)
        finally:
            self._listeners.discard(queue)

    async def answer(self, request: Request) -> StreamingResponse:
        """The route: GET /events."""
        last = request.headers.get("last-event-id", "")
        stream = self.listen(int(last) if last.isascii() and last.isdigit() else None)
        return StreamingResponse(stream, media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})

    async def _poll(self) -> None:
        while self._listeners:
            try:
                revision = await run_in_threadpool(self._revision)
            except Exception as error:  # the database may be away for a while; browsers keep their list and wait
                log_error(error)
            else:
                if self._last is not None and revision != self._last:
                    self._tell(revision)
                self._last = revision
            await asyncio.sleep(self._every)
        self._last = None

    def _tell(self, revision: int | None) -> None:
        for queue in self._listeners:
            queue.put_nowait(revision)


def _event(revision: int) -> bytes:
    return f"id: {revision}\nevent: changed\ndata: changed\n\n".encode()
