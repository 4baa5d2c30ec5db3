"""Looking for somebody by name, number or bed: nothing of it in an address or a log, and nobody else sees it."""

from __future__ import annotations

import logging
from datetime import timedelta

import httpx
import pytest
from playwright.sync_api import expect
from web.browsing import a_browser, a_page
from web.test_pages import Page as Read
from web.ward import NOW, age, key_of, newborn, send, weight

from service.flow import Flow
from service.web.found import KEPT_FOR, MOST_KEPT, MOST_SHOWN, Searches

HERE = {"Sec-Fetch-Site": "same-origin"}


def look_for(client: httpx.Client, said: str) -> httpx.Response:
    return client.post("/found", data={"who": said}, headers=HERE)


def found(client: httpx.Client, said: str) -> str:
    answer = look_for(client, said)
    assert answer.status_code == 303
    return Read(client.get(answer.headers["location"]).text).text


def test_infants_on_the_list_and_off_it_are_found(ward: httpx.Client) -> None:
    assert "Ada Lanternfish" in found(ward, "lant ad")
    assert "First eye exam, by Sat 7 Jun" in found(ward, "n-100")
    late = found(ward, "TEAKETTLE")
    assert "First eye exam, 16 days over" in late and "left hospital" in late
    assert "Not to be examined by the policy" in found(ward, "oatcake")
    assert "Nobody known here is called so" in found(ward, "nobody-like-this")
    assert "5 infants found" in found(ward, "N")  # the numbers of Northbank all begin so


def test_what_is_looked_for_is_in_no_address_and_no_log(ward: httpx.Client, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        answer = look_for(ward, "Lanternfish")
        page = ward.get(answer.headers["location"])
    assert "antern" not in answer.headers["location"].lower()
    assert len(answer.headers["location"].rpartition("/")[2]) >= 20
    assert page.headers["cache-control"] == "no-store"
    ours = [each.getMessage() for each in caplog.records if each.name.startswith(("service", "uvicorn"))]
    assert not any("antern" in message for message in ours)
    assert ward.get("/found?who=Lanternfish").text.count("Lanternfish") == 0  # an address is not how to ask
    assert look_for(ward, "Lanternfish").headers["location"] != answer.headers["location"]


def test_an_empty_search_asks_again_and_a_forgotten_one_says_so(ward: httpx.Client) -> None:
    assert look_for(ward, "  ").headers["location"] == "/found"
    assert "Name, number or bed" in ward.get("/found").text
    gone = ward.get("/found/AAAAAAAAAAAAAAAAAAAAAA")
    assert gone.status_code == 404
    assert "This search is forgotten by now." in gone.text
    assert ward.post("/found", data={"who": "x"}, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403


def test_a_search_is_kept_for_minutes_for_whoever_asked_and_not_without_end() -> None:
    searches = Searches()
    token = searches.keep("ada", "Dr Reed", NOW)
    assert searches.recall(token, "Dr Reed", NOW + KEPT_FOR - timedelta(seconds=1)) == "ada"
    assert searches.recall(token, "Dr Tarn", NOW) is None
    assert searches.recall(token, "Dr Reed", NOW + KEPT_FOR) is None
    for number in range(MOST_KEPT):
        searches.keep(str(number), "Dr Reed", NOW)
    assert searches.recall(token, "Dr Reed", NOW) is None
    assert len(searches._kept) == MOST_KEPT


def test_what_a_person_may_not_see_is_not_found(flow: Flow) -> None:
    send(flow, "northbank", newborn("a", "Ada Moss", "2031-05-20", "N-1"))
    send(flow, "eastmere", newborn("b", "Ada Moss", "2031-05-20", "E-1", "eastmere"))
    assert {each.site for each in flow.search("ada")} == {"northbank", "eastmere"}
    assert {each.site for each in flow.within({"eastmere"}).search("ada")} == {"eastmere"}


def test_too_many_are_cut_off_and_it_says_so(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", *(newborn(f"m{n}", f"Many {n}", "2031-05-20", f"M-{n}") for n in range(MOST_SHOWN + 5)))
    said = found(own_ward, "many")
    assert f"More than {MOST_SHOWN} infants found" in said
    assert said.count("Many") == MOST_SHOWN


def test_from_any_page_by_keyboard_alone_to_the_infant(served: str, flow: Flow) -> None:
    send(flow, "northbank", newborn("z", "Zoë Žák", "2031-05-01", "N-900"), age("z", 186), weight("z", 780))
    with a_browser() as browser, a_page(browser, served, viewport={"width": 1280, "height": 800}) as page:
        page.goto("/unread")
        for _ in range(30):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.name") == "who":
                break
        page.keyboard.type("zoe zak")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="1 infant found")).to_be_focused()
        expect(page.get_by_label("Name, number or bed")).to_have_value("zoe zak")
        assert "zoe" not in page.url
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page).to_have_url(f"{served}/infant/{key_of('z')}")
