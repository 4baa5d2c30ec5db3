"""The hook: a site's server posts what changed; our answer says that it is durable, read and decided.

`POST` or `PUT` to `/hooks/{site}/rest-hook`, with or without `/{Type}/{id}` behind it, with an empty body, a resource
or a Bundle, and the site's secret as `Authorization: Bearer ...`. The route is plain Starlette in front of one writer
thread: requests that arrive together share one transaction, each behind its own savepoint.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import queue
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import orjson
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from service.fhir.write import operation_outcome
from service.flow import Flow, Receipt
from service.store.arrivals import Arrival

log = logging.getLogger(__name__)

NAME: Final = "rest-hook"
BATCH: Final = 64
WAITING_ROOM: Final = 2_000
RETRY_AFTER: Final = "5"
METHODS: Final = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")

AfterCommit = Callable[[Mapping[str, bool]], None]
"""Told of each batch once it is durable: site -> whether the server only rang the bell and must be read."""


@dataclass(frozen=True, slots=True)
class _Waiting:
    arrival: Arrival
    loop: asyncio.AbstractEventLoop
    answer: asyncio.Future[Receipt]


class GroupCommit:
    """One thread that writes what many requests bring. Whoever waits is answered after the commit, never before."""

    def __init__(self, flow: Flow, after: AfterCommit) -> None:
        self._flow, self._after = flow, after
        self._room: queue.Queue[_Waiting | None] = queue.Queue(WAITING_ROOM)
        self._thread = threading.Thread(target=self._run, name="group-commit", daemon=True)

    def start(self) -> None:
        """Begin to write."""
        self._thread.start()

    def stop(self) -> None:
        """Write what is waiting, then end."""
        self._room.put(None)
        self._thread.join()

    async def write(self, arrival: Arrival) -> Receipt:
        """Durable when this returns. Raises queue.Full when too much is waiting, or what the database raised."""
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[Receipt] = loop.create_future()
        self._room.put_nowait(_Waiting(arrival, loop, answer))
        return await answer

    def _run(self) -> None:
        while (first := self._room.get()) is not None:
            batch = [first]
            last = False
            while len(batch) < BATCH and not last:
                try:
                    following = self._room.get_nowait()
                except queue.Empty:
                    break
                last = following is None
                if following is not None:
                    batch.append(following)
            self._write(batch)
            if last:
                return

    def _write(self, batch: Sequence[_Waiting]) -> None:
        try:
            receipts = self._flow.accept([each.arrival for each in batch])
        except Exception as error:
            if len(batch) > 1:  # one of them may be to blame: nobody else shall suffer for it
                for each in batch:
                    self._write([each])
                return
            log.error("an arrival could not be kept: %s", type(error).__name__)
            batch[0].loop.call_soon_threadsafe(_fail, batch[0].answer, error)
            return
        for each, receipt in zip(batch, receipts, strict=True):
            each.loop.call_soon_threadsafe(_answer, each.answer, receipt)
        rung: dict[str, bool] = {}
        for each in batch:
            rung[each.arrival.site] = rung.get(each.arrival.site, False) or not each.arrival.body
        try:
            self._after(rung)
        except Exception as error:  # it is durable and answered; the ticker does later what this would have done now
            log.warning("could not wake the workers: %s", type(error).__name__)


def _answer(answer: asyncio.Future[Receipt], receipt: Receipt) -> None:
    if not answer.done():
        answer.set_result(receipt)


def _fail(answer: asyncio.Future[Receipt], error: Exception) -> None:
    if not answer.done():
        answer.set_exception(error)


class Hook:
    """The route. `secrets` gives the secrets a site's server may show: two while one is being changed."""

    def __init__(self, flow: Flow, writer: GroupCommit, secrets: Mapping[str, Iterable[str]], max_body: int) -> None:
        self._flow, self._writer, self._max_body = flow, writer, max_body
        self._secrets = {site: [b"Bearer " + secret.encode() for secret in known] for site, known in secrets.items()}

    def routes(self) -> list[Route]:
        """`/hooks/{site}/rest-hook`, alone and with whatever a server puts behind it."""
        path = f"/hooks/{{site}}/{NAME}"
        return [Route(each, self.receive, methods=METHODS) for each in (path, path + "/{rest:path}")]

    async def receive(self, request: Request) -> Response:
        """Answer 200 with a small OperationOutcome once what came is durable."""
        site = request.path_params["site"]
        if request.method not in ("POST", "PUT"):
            return _outcome(405, "error", "not-supported", "A hook takes POST and PUT.")
        if site not in self._flow.sites:
            return _outcome(404, "error", "not-found", "There is no such site here.")
        if not self._knows(site, request):
            return _outcome(401, "error", "login", "The secret of this site's hook is missing or wrong.")
        if request.headers.get("content-encoding", "identity").lower() != "identity":
            return _outcome(415, "error", "not-supported", "Send the body without a content encoding.")
        try:
            body = await self._body(request)
        except ClientDisconnect:
            return _outcome(400, "error", "incomplete", "The connection ended before the body did.")
        if body is None:
            return _outcome(413, "error", "too-long", f"The body is larger than {self._max_body} bytes.")
        rest = request.path_params.get("rest", "").replace("\x00", "")[:300]
        try:
            receipt = await self._writer.write(Arrival(site, NAME, body, request.method, rest))
        except queue.Full:
            return _outcome(503, "error", "throttled", "Too much is waiting to be written; send it again.")
        except Exception:  # logged where it happened; the sender keeps the event
            return _outcome(503, "error", "exception", "It could not be stored; send it again.")
        if not receipt.digested:
            return _outcome(200, "warning", "processing", "Stored. It could not be read yet and will be tried again.")
        if receipt.rejections:
            return _outcome(200, "warning", "invalid", f"Stored. Not readable without guessing: {receipt.rejections}.")
        return _outcome(200, "information", "informational", "Stored.")

    def _knows(self, site: str, request: Request) -> bool:
        """Compare raw bytes in constant time, with every secret whatever the first one says."""
        shown = next((value for name, value in request.headers.raw if name == b"authorization"), b"")
        matches = [hmac.compare_digest(shown, secret) for secret in self._secrets.get(site, [])]
        return any(matches)

    async def _body(self, request: Request) -> bytes | None:
        """The body, or None when it is larger than allowed, without having read it all."""
        parts: list[bytes] = []
        size = 0
        async for part in request.stream():
            size += len(part)
            if size > self._max_body:
                return None
            parts.append(part)
        return b"".join(parts)


def _outcome(status: int, severity: str, code: str, text: str) -> Response:
    headers = {"Retry-After": RETRY_AFTER} if status == 503 else {}
    if status == 401:
        headers["WWW-Authenticate"] = "Bearer"
    if status == 405:
        headers["Allow"] = "POST, PUT"
    return Response(
        orjson.dumps(operation_outcome(severity, code, text)), status, headers, media_type="application/fhir+json"
    )
