"""Every page there is, found in the application and not listed here: by the rules of accessibility, by the keyboard
alone, at every width, in both schemes. The pictures are kept in build/pages, to be looked at."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from playwright.sync_api import Browser, expect
from web.bedside import NORMAL, at, save
from web.browsing import a_browser, a_page, fits, violations
from web.conftest import make_flow
from web.serving import every_route, serve
from web.ward import fill, key_of, local_age, send

from service.demo.staff import STAFF
from service.store.database import Database
from service.web.application import build
from service.web.guard import MACHINES
from service.web.mend import group_id
from service.web.sheets import SHEETS

PICTURES = Path(__file__).parents[2] / "build" / "pages"
WIDTHS = {"phone": 390, "tablet": 820, "desktop": 1280}

STANDS_FOR: dict[str, list[str]] = {
    "key": [key_of("today"), key_of("late")],
    "path": list(SHEETS),
    "site": ["northbank"],
    "kind": ["family", "clinic"],
    "day": ["2031-06-01"],
    "ending": ["csv", "xlsx", "ics"],
    "/site/{id}": ["northbank", "eastmere"],
    "/people/{id}": [str(STAFF[0].id)],
    "/policies/{id}": ["aap-2018", "nigeria-group"],
    "other": ["uk-2022"],
    "group": [group_id("northbank", "code", "urn:northbank", "AGE")],
}
"""Parameter of an address, or the address up to it -> what it takes here. A new one is added here."""


@dataclass
class House:
    """The served application, and a browser."""

    app: FastAPI
    browser: Browser
    address: str
    record: str
    """The id of an exam that was typed in for the infant "today"."""
    token: str
    """Under which the answer to a search stands."""


@pytest.fixture(scope="module")
def house(new_database: Callable[[], Database]) -> Iterator[House]:
    database = new_database()
    flow = make_flow(database)
    fill(flow)
    send(flow, "northbank", local_age("vague", "26w4d"))
    app = build(flow, every=0.05, invented=STAFF)
    with a_browser() as browser, serve(app) as address, httpx.Client(base_url=address, timeout=30) as client:
        assert save(client, at("today", "exam"), **NORMAL).status_code == 303
        (exam,) = (fact for fact in flow.infant(key_of("today")).facts if fact.name == "exam")
        asked = client.post("/found", data={"who": "ada"}, headers={"Sec-Fetch-Site": "same-origin"})
        token = asked.headers["location"].rpartition("/")[2].partition("#")[0]
        yield House(app, browser, address, exam.resource.partition("/")[2], token)


def templates(app: FastAPI) -> list[str]:
    """Addresses that a person can open, with their parameters."""
    found = [route.path for route in every_route(app.routes) if "GET" in (route.methods or ())]
    people = [path for path in found if path.strip("/").partition("/")[0] not in (*MACHINES, "static")]
    assert "/" in people
    return list(dict.fromkeys(people))


def addresses(house: House, template: str) -> Iterator[str]:
    """The template with every value its parameters take; what does not go together answers 404 or 409."""
    names = re.findall(r"{(\w+)}", template)
    options = []
    for name in names:
        upto = template.partition("{" + name + "}")[0] + "{" + name + "}"
        assert {upto, name} & STANDS_FOR.keys() or name in ("id", "token"), (
            f"say in STANDS_FOR what {name} of {template} takes"
        )
        options.append(
            STANDS_FOR.get(upto) or STANDS_FOR.get(name) or [{"id": house.record, "token": house.token}[name]]
        )
    for values in product(*options):
        address = template
        for name, value in zip(names, values, strict=True):
            address = address.replace("{" + name + "}", value, 1)
        yield address


@pytest.fixture(scope="module")
def pages(house: House) -> list[str]:
    """Addresses of all pages: of each template, all that can be opened."""
    found = []
    with httpx.Client(base_url=house.address, timeout=30) as client:
        for template in templates(house.app):
            opened = []
            for address in addresses(house, template):
                answer = client.get(address)
                assert answer.status_code in (200, 303, 404, 409), f"{address}: {answer.status_code}"
                if answer.status_code == 200 and answer.headers["content-type"].startswith("text/html"):
                    opened.append(address)
                elif answer.status_code in (200, 303):
                    opened.append("")  # something to keep, a table or a calendar; or the way to another page
            assert opened, f"{template} was never opened"
            found += filter(None, opened)
    return list(dict.fromkeys(found))


def picture_of(address: str, *words: str) -> Path:
    """Keys are left out of a file's name: the first page of a kind keeps the plain one."""
    plain = re.sub(r"/[0-9a-f-]{36}|(?<=/found)/.+", "", address).strip("/")
    plain = plain.replace("/", "-").replace("?", "-") or "all-sites"
    return PICTURES / f"{plain}-{'-'.join(words)}.png"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_breaks_a_rule_of_accessibility_and_none_is_wider_than_its_window(
    house: House, pages: list[str], scheme: Any
) -> None:
    PICTURES.mkdir(parents=True, exist_ok=True)
    found: dict[str, list[str]] = {}
    with a_page(house.browser, house.address, color_scheme=scheme) as page:
        for address in pages:
            page.set_viewport_size({"width": WIDTHS["phone"], "height": 844})
            page.goto(address)
            troubles = [f"{rule}: {place}" for rule, places in violations(page, least=5).items() for place in places]
            for name, width in WIDTHS.items():
                page.set_viewport_size({"width": width, "height": 900})
                page.screenshot(path=picture_of(address, name, scheme), full_page=True)
                if not fits(page):
                    troubles.append(f"wider than {width} px")
            if troubles:
                found[address] = troubles
    assert not found, "\n".join(f"{address}: {trouble}" for address, each in found.items() for trouble in each)


def test_zoomed_to_200_and_400_percent_nothing_is_lost(house: House, pages: list[str]) -> None:
    """WCAG 1.4.4 and 1.4.10: a window of 1280 px shows 640 px at 200 % and 320 px at 400 %."""
    found = {}
    with a_page(house.browser, house.address) as page:
        for address in pages:
            for width in (640, 320):
                page.set_viewport_size({"width": width, "height": 512})
                page.goto(address)
                if lost := page.evaluate(LOST):
                    found[f"{address} at {width} px"] = lost
    assert not found, "\n".join(f"{address}: {trouble}" for address, each in found.items() for trouble in each)


LOST = """() => {
    const lost = []
    if (document.documentElement.scrollWidth > innerWidth) {
        const wide = [...document.querySelectorAll("main *")].filter(
            e => e.getBoundingClientRect().right > innerWidth + 1 && !e.closest("[tabindex='0']"))
        lost.push("wider than the window: " + wide.slice(0, 3).map(e => e.tagName + "." + e.className).join(", "))
    }
    for (const each of document.querySelectorAll("main :is(p, a, button, td, th, li, dt, dd, h1, h2, label)")) {
        const style = getComputedStyle(each)
        if (each.closest(".spoken")) continue  // said, not shown
        if (style.overflowX === "hidden" && each.scrollWidth > each.clientWidth + 1 && each.clientWidth > 1)
            lost.push("cut off: " + each.textContent.trim().slice(0, 40))
    }
    return lost
}"""
"""What sticks out of the window, and text that is cut off."""


def test_every_page_by_keyboard_alone(house: House, pages: list[str]) -> None:
    """Whatever can be pressed or filled in is reached with the Tab key, in the order of the page, and shows it."""
    found = {}
    with a_page(house.browser, house.address, viewport={"width": 1280, "height": 900}) as page:
        for address in pages:
            page.goto(address)
            if page.locator("#live").count():  # from then on the line beneath the list stays as it is
                expect(page.locator("#live")).to_contain_text("Live.")
            wanted: int = page.evaluate(MARK)
            reached: dict[str, bool] = {}
            for _ in range(8 * wanted if page.evaluate("document.activeElement !== document.body") else 0):
                page.keyboard.press("Tab")  # the page began further down, with what is to be filled in: once around
                if page.evaluate(HERE) is None:
                    break
            for _ in range(8 * wanted):  # a field for a day is several stops
                page.keyboard.press("Tab")
                here = page.evaluate(HERE)
                if here is None or (here["number"] in reached and here["number"] != next(reversed(reached))):
                    break
                reached[here["number"]] = here["shown"] or reached.get(here["number"], False)
            troubles = [f"shows no focus: {number}" for number, shown in reached.items() if not shown]
            missed = [str(n + 1) for n in range(wanted) if str(n + 1) not in reached]
            troubles += [page.locator(f"[data-number='{number}']").evaluate("e => e.outerHTML") for number in missed]
            if not missed and list(reached) != sorted(reached, key=int):
                troubles.append(f"out of order: {list(reached)}")
            if troubles:
                found[address] = troubles
    assert not found, "\n".join(f"{address}: {trouble}" for address, each in found.items() for trouble in each)


MARK = """() => {
    let number = 0
    const groups = new Set()
    for (const each of document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")) {
        if (each.disabled || each.type === "hidden" || !each.checkVisibility()) continue
        if (each.ariaHidden === "true" && each.tabIndex < 0) continue  // what the Enter key presses within a form
        if (each.type === "radio") {
            if (groups.has(each.form?.id + each.name)) continue
            groups.add(each.form?.id + each.name)
        }
        each.dataset.number = ++number
    }
    return number
}"""
"""Numbers what can be pressed or filled in: of radio buttons one for the group."""

HERE = """() => {
    const here = document.activeElement
    if (here === document.body) return null
    let marked = here
    if (here.type === "radio")
        marked = [...document.getElementsByName(here.name)].find(e => e.dataset.number) ?? here
    const seen = e => e && (getComputedStyle(e).outlineStyle !== "none" || getComputedStyle(e).boxShadow !== "none")
    const shown = seen(here) || seen(here.closest("label")) || seen(here.nextElementSibling)
    return {number: marked.dataset.number ?? here.outerHTML.slice(0, 80), shown: shown}
}"""
"""Where the focus is, and whether it shows."""
