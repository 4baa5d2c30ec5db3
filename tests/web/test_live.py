"""/events over a real socket: only that the list is watched and has changed, soon, and to everybody."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import httpx
from fastapi import FastAPI
from waiting import eventually
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


def test_a_change_is_told_to_everybody_and_says_nothing_about_anybody(flow: Flow, app: FastAPI, served: str) -> None:
    ears: list[list[str]] = [[], [], []]
    threads = [listen(served, heard) for heard in ears]
    eventually(lambda: all(heard.count("event: watched") == 1 for heard in ears))
    time.sleep(0.3)  # a few looks at the revision
    assert all("event: changed" not in heard for heard in ears)
    send(flow, "northbank", newborn("p", "Ada Lanternfish", "2031-05-20", "N-1"))
    eventually(lambda: all("event: changed" in heard for heard in ears))
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
    eventually(lambda: "event: watched" in first)
    send(flow, "northbank", newborn("p", "Ada Lanternfish", "2031-05-20", "N-1"))
    seen = sum(flow.revisions().values())  # an arrival may be several changes, told one by one
    eventually(lambda: f"id: {seen}" in first)
    same: list[str] = []
    listen(served, same, last=str(seen))
    older: list[str] = []
    listen(served, older, last=str(seen - 1))
    eventually(lambda: "event: changed" in older and "event: watched" in same)
    time.sleep(0.3)
    assert "event: changed" not in same
    app.state.announcer.close()
    thread.join(5)


class Held:
    """Revisions that are not told before the test lets go."""

    def __init__(self) -> None:
        self.number, self.asked, self.let_go = 7, 0, threading.Event()

    def __call__(self) -> dict[str, int]:
        self.asked += 1
        self.let_go.wait(30)
        return {"northbank": self.number}


def test_a_list_is_watched_only_once_the_database_has_been_asked(flow: Flow) -> None:
    """What is stored while the first answer is on its way is in that answer, and so no change: a browser that fetched
    its list before would never hear of it. It fetches at this word."""
    app = make_app(flow)
    held = app.state.announcer._revisions = Held()
    with serve(app) as address:
        heard: list[str] = []
        listen(address, heard)
        eventually(lambda: "retry: 3000" in heard and held.asked == 1)
        held.number = 8
        assert "event: watched" not in heard
        held.let_go.set()
        eventually(lambda: "event: watched" in heard)
        later: list[str] = []
        listen(address, later)
        eventually(lambda: "event: watched" in later)  # at once: somebody is watching already
        held.number = 9
        eventually(lambda: all("event: changed" in each for each in (heard, later)))


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
        eventually(lambda: app.state.announcer.listeners == 6)
        before, start = counting.asked, time.monotonic()
        eventually(lambda: counting.asked >= before + 4)
        assert counting.asked - before <= (time.monotonic() - start) / 0.2 + 1


def test_an_impatient_last_event_id_is_no_error(served: str, app: FastAPI) -> None:
    for last in ("x", "-1", "9" * 400, "\u0663"):
        with httpx.stream("GET", f"{served}/events", headers={"Last-Event-ID": last.encode()}, timeout=10) as stream:
            assert stream.status_code == 200
            assert next(lines(stream)) == "retry: 3000"
    eventually(lambda: app.state.announcer.listeners == 0)


def lines(stream: httpx.Response) -> Iterator[str]:
    return stream.iter_lines()
