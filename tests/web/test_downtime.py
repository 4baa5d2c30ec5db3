"""Copies for downtime: files that a browser opens with no server, written whole or not at all, and watched."""

from __future__ import annotations

import logging
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from web.bedside import at, save
from web.browsing import a_browser
from web.serving import calling
from web.test_pages import Page
from web.ward import NOW, Clock, fill, newborn, send, two_sites

from service.app import open_service
from service.flow import Flow
from service.policies import load_policies
from service.settings import read_settings
from service.store.database import Database
from service.web.application import build
from service.web.downtime import GOOD_FOR, Copies
from service.web.pages import Pages

FILES = ["all-sites.html", "eastmere-round.html", "eastmere.html", "northbank-round.html", "northbank.html"]


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def moving(database: Database, clock: Clock) -> Flow:
    """Everybody has arrived, and time goes on when the test says so."""
    flow = Flow(database, two_sites(), load_policies(), clock)
    fill(flow)
    return flow


@pytest.fixture
def copies(moving: Flow, tmp_path: Path) -> Copies:
    """Nothing is written yet."""
    return Copies(moving, Pages(moving.sites), tmp_path / "copies" / "here")


def folder(tmp_path: Path) -> Path:
    return tmp_path / "copies" / "here"


def test_each_list_and_each_round_is_a_file(copies: Copies, tmp_path: Path) -> None:
    assert copies.write() == []
    assert sorted(path.name for path in folder(tmp_path).iterdir()) == FILES == sorted(copies.names)
    assert all(path.stat().st_mode & 0o777 == 0o640 for path in folder(tmp_path).iterdir())
    everybody = Page((folder(tmp_path) / "all-sites.html").read_text()).text
    assert "Ada Lanternfish" in everybody and "Bo Teakettle" in everybody
    sheet = Page((folder(tmp_path) / "northbank-round.html").read_text()).text
    assert "Round sheet" in sheet and "Ada Lanternfish" in sheet


def test_it_says_when_it_was_made_and_until_when_it_is_good(copies: Copies, tmp_path: Path) -> None:
    copies.write()
    for name in ("northbank.html", "northbank-round.html"):  # 20:00 UTC is 14:00 in Denver
        text = Page((folder(tmp_path) / name).read_text()).text
        assert "14:00 on Sunday 1 June 2031" in text and "Good until 14:15 on Sunday 1 June 2031." in text


@pytest.mark.parametrize("name", FILES)
def test_it_needs_no_server_no_script_and_no_other_file(copies: Copies, tmp_path: Path, name: str) -> None:
    copies.write()
    text = (folder(tmp_path) / name).read_text()
    assert not re.search(r"<script|<link|<form|<input|<img|url\(|@import|https?://(?!www\.w3\.org)", text)
    assert not re.search(r'href="(?!#)', text)
    with a_browser() as browser:
        page = browser.new_context(offline=True, java_script_enabled=False).new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto((folder(tmp_path) / name).as_uri())
        assert len(asked) == 1
        assert page.locator("body").evaluate("e => getComputedStyle(e).margin") == "0px", "its style came with it"


def test_it_is_written_again_and_its_time_is_when_it_was_made(
    copies: Copies, moving: Flow, clock: Clock, tmp_path: Path
) -> None:
    copies.write()
    send(moving, "northbank", newborn("new", "Newly Come", "2031-05-31", "N-901"))
    clock.now = NOW + timedelta(minutes=5)
    copies.write()
    path = folder(tmp_path) / "northbank.html"
    assert "Newly Come" in path.read_text()
    assert datetime.fromtimestamp(path.stat().st_mtime, UTC) == clock.now == copies.oldest()


def test_what_cannot_be_written_stays_as_it_was_and_is_told_without_names(
    copies: Copies, clock: Clock, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    copies.write()
    whole = (folder(tmp_path) / "northbank.html").read_text()
    (folder(tmp_path) / "eastmere.html").unlink()
    (folder(tmp_path) / "eastmere.html").mkdir()  # a folder in its place: not to be replaced, whoever runs this
    clock.now = NOW + timedelta(minutes=5)
    with caplog.at_level(logging.ERROR):
        assert copies.write() == ["eastmere.html"]
    assert "the downtime copy eastmere.html was not written" in caplog.text
    assert "Lanternfish" not in caplog.text and "script" not in caplog.text
    assert (folder(tmp_path) / "northbank.html").read_text() != whole, "the others were written"
    assert not [path for path in folder(tmp_path).iterdir() if path.name.startswith(".")], "no draft is left"


def test_health_and_metrics_tell_of_them(copies: Copies, moving: Flow, clock: Clock) -> None:
    with calling(build(moving, copies=copies)) as client:
        ready = client.get("/health/ready")
        assert ready.status_code == 200, "a service that cannot write them is needed all the more"
        assert "at least one copy is missing" in ready.json()["checks"]["downtime copies"]
        assert "ridgeline_downtime_copy" not in client.get("/metrics").text
        copies.write()
        assert client.get("/health/ready").json()["checks"]["downtime copies"] == "good"
        assert f"ridgeline_downtime_copy_timestamp_seconds {NOW.timestamp()}" in client.get("/metrics").text
        clock.now = NOW + GOOD_FOR + timedelta(seconds=1)
        problem = client.get("/health/ready").json()["checks"]["downtime copies"]
        assert problem == "the oldest copy was made at 2031-06-01T20:00Z: writing has stopped"


def test_a_service_without_a_folder_says_nothing_of_copies(client: httpx.Client) -> None:
    assert "downtime copies" not in client.get("/health/ready").json()["checks"]


def test_a_booking_is_on_the_copies(copies: Copies, moving: Flow, tmp_path: Path) -> None:
    with calling(build(moving)) as client:
        assert save(client, at("today", "book"), date="2031-06-03", time="09:30", by="Sister Lane").status_code == 303
    copies.write()
    for name in ("all-sites.html", "northbank.html", "northbank-round.html"):
        assert "Booked for Tue 3 Jun at 09:30" in Page((folder(tmp_path) / name).read_text()).text


def test_a_service_with_a_folder_writes_them_as_soon_as_it_starts_to_work(database_url: str, tmp_path: Path) -> None:
    set_so = {
        "DATABASE_URL": database_url,
        "RIDGELINE_DATA": str(tmp_path),
        "RIDGELINE_DOWNTIME": str(folder(tmp_path)),
    }
    with open_service(read_settings(set_so), lambda: NOW, sites=two_sites()) as service:
        jobs = service.jobs()
        jobs.start()
        jobs.stop()
    assert sorted(path.name for path in folder(tmp_path).iterdir()) == FILES
    assert read_settings({}).downtime is None
