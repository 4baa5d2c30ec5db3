"""/events over a real socket: only that the list has changed, soon, and to everybody."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import httpx
from fastapi import FastAPI
from web.conftest import make_app
from web.serving import serve
from web.ward import newborn, send

from service.flow import Flow


def listen(address: str, heard: list[str], last: str = "") -> threading.Thread:
    """Collect the lines of one stream until it ends."""

    def run() -> None:
        headers = {"Last-Event-ID": last} if last else {}
        with httpx.stream("GET", f"{address}/events", headers=headers, timeout=30) as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            assert stream.headers["cache-control"] == "no-store"
            heard.extend(stream.iter_lines())

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def wait(holds: object, seconds: float = 10) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if holds():  # type: ignore[operator]
            return True
        time.sleep(0.02)
    return False


def test_a_change_is_told_to_everybody_and_says_nothing_about_anybody(flow: Flow, app: FastAPI, served: str) -> None:
    ears: list[list[str]] = [[], [], []]
    threads = [listen(served, heard) for heard in ears]
    assert wait(lambda: app.state.announcer.listeners == 3)
    time.sleep(0.3)  # a few looks at the revision
    assert all("event: changed" not in heard for heard in ears)
    send(flow, "northbank", newborn("p", "Ada Lanternfish", "2031-05-20", "N-1"))
    assert wait(lambda: all("event: changed" in heard for heard in ears))
    for heard in ears:
        assert {line.partition(":")[0] for line in heard if line} <= {"retry", "id", "event", "data", ""}
        assert "Lanternfish" not in "".join(heard) and "northbank" not in "".join(heard)
    app.state.announcer.close()
    for thread in threads:
        thread.join(5)
        assert not thread.is_alive()


def test_who_comes_back_hears_at_once_what_was_missed(flow: Flow, app: FastAPI, served: str) -> None:
    first: list[str] = []
    thread = listen(served, first)
    assert wait(lambda: app.state.announcer.listeners == 1)
    time.sleep(0.3)
    send(flow, "northbank", newborn("p", "Ada Lanternfish", "2031-05-20", "N-1"))
    assert wait(lambda: "event: changed" in first)
    seen = next(line for line in first if line.startswith("id:")).removeprefix("id:").strip()
    same: list[str] = []
    listen(served, same, last=seen)
    older: list[str] = []
    listen(served, older, last=str(int(seen) - 1))
    assert wait(lambda: "event: changed" in older)
    time.sleep(0.3)
    assert "event: changed" not in same
    app.state.announcer.close()
    thread.join(5)


class Counting:
    """Revisions that count how often it is asked."""

    def __init__(self) -> None:
        self.asked = 0

    def __call__(self) -> dict[str, int]:
        self.asked += 1
        return {"northbank": 7}


def test_the_database_is_asked_once_however_many_listen_and_never_while_nobody_does(flow: Flow) -> None:
    counting = Counting()
    app = make_app(flow)
    app.state.announcer._revisions = counting
    app.state.announcer._every = 0.2
    with serve(app) as address:
        time.sleep(0.5)
        assert counting.asked == 0
        ears: list[list[str]] = [[] for _ in range(6)]
        for heard in ears:
            listen(address, heard)
        assert wait(lambda: app.state.announcer.listeners == 6)
        before = counting.asked
        time.sleep(1.1)
        assert 2 <= counting.asked - before <= 7


def test_an_impatient_last_event_id_is_no_error(served: str, app: FastAPI) -> None:
    for last in ("x", "-1", "9" * 400, "\u0663"):
        with httpx.stream("GET", f"{served}/events", headers={"Last-Event-ID": last.encode()}, timeout=10) as stream:
            assert stream.status_code == 200
            assert next(lines(stream)) == "retry: 3000"
    assert wait(lambda: app.state.announcer.listeners == 0)


def lines(stream: httpx.Response) -> Iterator[str]:
    return stream.iter_lines()
