"""A real browser for the tests of the pages, and what it must never say."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect, sync_playwright

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
PATIENCE = 20_000
"""Milliseconds that a browser is waited for: no test of a page says how quick the machine is."""

expect.set_options(timeout=PATIENCE)


@contextmanager
def a_browser() -> Iterator[Browser]:
    """The system's Chromium or Chrome, else Playwright's own."""
    with sync_playwright() as playwright:
        path = next(filter(None, map(shutil.which, NAMES)), None)
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


NOT_ACCEPTED: Final = r"Failed to load resource: the server responded with a status of 4(09|22) "
"""What the browser's console says of a sheet that is not accepted: it is answered with 409 or 422."""


@contextmanager
def a_page(browser: Browser, address: str, provoked: str = NOT_ACCEPTED, **context: Any) -> Iterator[Page]:
    """A page in a context of its own. Whatever the content security policy refuses, and any error on any page of the
    context, fails the test, but for what the console says of what the test itself provokes: `provoked`, a pattern."""
    window = browser.new_context(base_url=address, **{"viewport": {"width": 390, "height": 844}, **context})
    complaints: list[str] = []
    window.add_init_script(
        "addEventListener('securitypolicyviolation', e => console.error('refused: ' + e.violatedDirective))"
    )
    window.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    window.on("weberror", lambda error: complaints.append(str(error.error)))
    page = window.new_page()
    page.set_default_timeout(PATIENCE)
    yield page
    window.close()
    told = [each for each in complaints if not re.match(provoked, each)]
    assert told == [], told


def fits(page: Page) -> bool:
    """Whether the page is no wider than its window, once all of it and its style have arrived."""
    page.wait_for_load_state()
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def violations(page: Page, least: int = 10) -> dict[str, list[str]]:
    """Rule of WCAG 2.2 A or AA -> the places that break it, as far as axe-core can tell; more than `least` rules must
    hold, so that it has looked. All of the page and its style have arrived by then."""
    page.wait_for_load_state()
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": RULES}}).response
    assert len(found["passes"]) > least
    return {
        each["id"]: [" ".join(map(str, node["target"])) + ": " + node["failureSummary"] for node in each["nodes"]]
        for each in found["violations"]
    }
