"""Signing in in a real browser, by keyboard alone; and an auditor who sees last Tuesday's list as it was."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from web.bedside import at
from web.browsing import a_browser, a_page, fits, violations
from web.staff import PASSWORD, register
from web.test_people import flow, wall
from web.ward import NOW, Clock, fill, newborn, send

from service.flow import Flow

__all__ = ["flow", "wall"]
PICTURES = Path(__file__).parents[2] / "build" / "pages"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with a_browser() as browser:
        yield browser


def tab_to(page: Page, words: str) -> None:
    """Go on with the Tab key until what has the focus is called so."""
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.innerText || document.activeElement.name") == words:
            return
    raise AssertionError(f"{words} was not reached")


def type_in(page: Page, name: str, password: str) -> None:
    """Typed where the page put the focus, once it has."""
    expect(page.locator("input:focus, [autofocus]:focus")).to_have_count(1)
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.keyboard.type(password)
    page.keyboard.press("Enter")


def test_a_nurse_signs_in_and_out_by_keyboard_alone(flow: Flow, served: str, browser: Browser) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank", name="Nurse Fennel")
    with a_page(browser, served) as page:
        page.goto("/site/northbank")
        expect(page).to_have_url(re.compile(r"/sign-in\?to=/site/northbank$"))
        expect(page.get_by_label("Sign-in name")).to_be_focused()
        type_in(page, "fennel", "not the password")
        expect(page.get_by_role("alert")).to_contain_text("do not belong together")
        expect(page.get_by_label("Sign-in name")).to_have_value("fennel")
        expect(page.get_by_label("Password")).to_be_focused()
        assert page.get_by_label("Password").input_value() == ""
        page.keyboard.type(PASSWORD)
        page.keyboard.press("Enter")
        expect(page).to_have_url(re.compile("/site/northbank$"))
        expect(page.get_by_role("heading", level=1)).to_contain_text("Northbank")
        expect(page.get_by_role("navigation", name="Pages")).not_to_contain_text("Eastmere")
        tab_to(page, "Sign out")
        page.keyboard.press("Enter")
        expect(page).to_have_url(re.compile("/sign-in$"))
        page.go_back()
        expect(page.get_by_label("Sign-in name")).to_be_visible()  # the list is not kept by the browser


def test_an_open_list_goes_when_nobody_is_signed_in_any_more(
    flow: Flow, served: str, browser: Browser, wall: Clock
) -> None:
    fill(flow)
    register(flow, "fennel", "unit", "northbank")
    with a_page(browser, served) as page:
        page.goto("/site/northbank")
        type_in(page, "fennel", PASSWORD)
        expect(page.locator("#live")).to_contain_text("Live")
        wall.now += timedelta(hours=13)
        send(flow, "northbank", newborn("new", "Fay Snowdrop", "2031-06-01", "N-600"))
        expect(page.get_by_label("Sign-in name")).to_be_visible()
        expect(page.get_by_text("Ada Lanternfish")).to_have_count(0)


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_an_auditor_sees_last_tuesdays_list_as_it_was(
    flow: Flow, served: str, browser: Browser, wall: Clock, script: bool
) -> None:
    fill(flow)
    register(flow, "burnet", "auditor", name="Burnet")
    tuesday = NOW + timedelta(days=2)
    wall.now = tuesday - timedelta(hours=12)
    send(flow, "northbank", newborn("before", "Fay Snowdrop", "2031-06-01", "N-600"))
    wall.now = tuesday + timedelta(days=1)
    send(flow, "northbank", newborn("after", "Gus Thimble", "2031-06-03", "N-700"))
    wall.now = tuesday + timedelta(days=6)
    with a_page(browser, served, viewport={"width": 1280, "height": 900}, java_script_enabled=script) as page:
        page.goto("/")
        type_in(page, "burnet", PASSWORD)
        expect(page.get_by_text("Gus Thimble").first).to_be_visible()
        page.get_by_role("link", name="Who looked").click()
        page.get_by_label("Day", exact=True).fill(f"{tuesday:%Y-%m-%d}")
        page.get_by_label("Site").select_option("northbank")
        page.get_by_role("button", name="Show").click()
        expect(page).to_have_url(re.compile(f"{tuesday:%Y-%m-%d}"))
        page.get_by_role("link", name="at 07:00").click()
        expect(page.get_by_text("As it was known at")).to_be_visible()
        expect(page.get_by_text("Fay Snowdrop").first).to_be_visible()
        expect(page.get_by_text("Gus Thimble")).to_have_count(0)
        page.get_by_role("link", name="Ada Lanternfish").first.click()
        expect(page.get_by_role("link", name="Eye exam")).to_have_count(0)  # an auditor enters nothing


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_of_people_keep_the_rules_of_accessibility(
    flow: Flow, served: str, browser: Browser, scheme: Any
) -> None:
    fill(flow)
    register(flow, "millet", "it", name="Millet")
    fennel = register(flow, "fennel", "unit", "northbank", name="Nurse Fennel")
    PICTURES.mkdir(parents=True, exist_ok=True)
    found = {}
    with a_page(browser, served, color_scheme=scheme) as page:
        page.goto("/sign-in")
        for width in (390, 1280):
            page.set_viewport_size({"width": width, "height": 844})
            page.screenshot(path=PICTURES / f"sign-in-{width}-{scheme}.png", full_page=True)
        found["/sign-in"] = violations(page, least=5)
        type_in(page, "millet", PASSWORD)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        page.goto(at("today"))
        for address in ("/", "/me", "/people", f"/people/{fennel.id}", "/audit", at("today")):
            page.goto(address)
            found[address] = violations(page, least=5)
            for width in (1280, 390):
                page.set_viewport_size({"width": width, "height": 844})
                name = re.sub(r"[0-9a-f-]{36}", "one", address).strip("/").replace("/", "-") or "signed-in"
                page.screenshot(path=PICTURES / f"{name}-{width}-{scheme}.png", full_page=True)
                assert fits(page), address
    assert {address: each for address, each in found.items() if each} == {}
