"""Feeds: each site's health in words, equal troubles together, and a code that gets its meaning in one step."""

from __future__ import annotations

import re
import time
from datetime import date, datetime, timedelta
from typing import Any

import httpx
import pytest
from playwright.sync_api import expect
from sqlalchemy import text
from web.browsing import a_browser, a_page
from web.ward import NOW, age, fill, key_of, local_age, newborn, send, two_sites, weight

from service.flow import Cursor, Flow
from service.mending import Mending, Weighed
from service.store.database import Database
from service.store.traffic import DAYS, Feed, Said, Stuck, Traffic
from service.web.mend import find_groups, find_silent, group_id, say_effect
from service.web.traffic_words import draw_bars, is_silent, say_ago, say_health

AGE = group_id("northbank", "code", "urn:northbank", "AGE")
TODAY = date(2031, 6, 1)


def ounces(patient: str, grams: float) -> dict[str, Any]:
    """A weight whose unit word nobody knows."""
    return weight(patient, grams) | {"valueQuantity": {"value": grams, "unit": "gmz"}}


@pytest.fixture(autouse=True)
def as_a_browser(client: httpx.Client) -> None:
    client.headers["Sec-Fetch-Site"] = "same-origin"


def words(answer: httpx.Response) -> str:
    assert answer.status_code in (200, 422), answer.status_code
    return " ".join(re.sub(r"<[^>]*>", " ", answer.text).split())


# --- health in words -----------------------------------------------------------------------------------------------


def a_feed(ago: timedelta, longest: timedelta | None = timedelta(minutes=30), gaps: int = 200) -> Feed:
    days = tuple((TODAY - timedelta(days=DAYS - 1 - n), n * 100) for n in range(DAYS))
    return Feed("rest-hook", NOW - ago, days, longest, gaps)


def health_of(*feeds: Feed, **more: Any) -> Any:
    said: dict[str, Any] = {"stuck": (), "said": (), "cursors": {}, "rejected": 0, **more}
    site = two_sites()["northbank"]
    otherwise, asked = said.pop("otherwise", 0), said.pop("asked", False)
    return say_health(site, Traffic(feeds, **said), otherwise, asked, NOW, TODAY)


def test_a_site_is_heard_from_or_silent_for_longer_than_is_usual_there() -> None:
    well = health_of(a_feed(timedelta(minutes=3)))
    assert (well.standing, well.says) == ("well", "Heard from 3 minutes ago. All is well.")
    silent = health_of(a_feed(timedelta(hours=5)))
    assert silent.standing == "trouble"
    assert "silent since today at 09:00" in silent.troubles[0].says  # 20:00 UTC is 14:00 in Denver
    assert "longer than is usual here" in silent.troubles[0].says


@pytest.mark.parametrize(
    ("feed", "silent"),
    [
        (a_feed(timedelta(minutes=59), timedelta(minutes=1)), False),
        (a_feed(timedelta(minutes=61), timedelta(minutes=1)), True),
        (a_feed(timedelta(hours=15), timedelta(hours=8)), False),
        (a_feed(timedelta(hours=17), timedelta(hours=8)), True),
        (a_feed(timedelta(days=9), timedelta(hours=1), gaps=9), False),
        (a_feed(timedelta(days=9), None, gaps=0), False),
    ],
)
def test_silence_is_judged_by_what_is_usual(feed: Feed, silent: bool) -> None:
    assert is_silent(feed, NOW) is silent


def test_every_trouble_says_what_to_do_and_the_worst_stands_first() -> None:
    since = NOW - timedelta(hours=3)
    found = health_of(
        a_feed(timedelta(minutes=1)),
        rejected=2,
        stuck=(Stuck("KeyError", 3, 7, since),),
        said=(
            Said("fhir_task", "refused", "the server does not take Task", 2, 1, since, since),
            Said("fhir_task", "put-off", "the server does not answer", 1, 2, since, NOW + timedelta(minutes=5)),
        ),
        cursors={
            "reading": ({"problem": "the server does not answer"}, NOW),
            "subscription": ({"kept": [{"type": "Patient", "status": "error"}]}, NOW),
        },
        otherwise=12,
    )
    said = [trouble.says for trouble in found.troubles]
    standing = [trouble.standing for trouble in found.troubles]
    assert standing == sorted(standing), "trouble before watch"
    for part in ("3 arrivals are kept and could not be worked out (KeyError), tried up to 7 times",
                 "refused 2 steps: the server does not take Task", "1 step waits since today at 11:00",
                 "2 things could not be read", "12 arrivals were last read under an earlier mapping",
                 "could not be read: the server does not answer", "it does not deliver Patient"):  # fmt: skip
        assert any(part in each for each in said), part
    assert all(trouble.do for trouble in found.troubles)
    assert {trouble.action for trouble in found.troubles} == {"", "replay", "say-again"}


@pytest.mark.parametrize(
    ("passed", "said"),
    [
        (timedelta(seconds=59), "less than a minute ago"), (timedelta(minutes=1), "1 minute ago"),
        (timedelta(minutes=59), "59 minutes ago"), (timedelta(hours=47), "47 hours ago"),
        (timedelta(hours=48), "2 days ago"),
    ],
)  # fmt: skip
def test_how_long_ago(passed: timedelta, said: str) -> None:
    assert say_ago(passed) == said


def test_bars_are_as_high_as_their_numbers() -> None:
    picture = draw_bars(tuple((TODAY - timedelta(days=n), number) for n, number in enumerate((0, 50, 100))), "<hook>")
    heights = [float(height) for height in re.findall(r'<rect [^>]*height="([0-9.]+)"', picture)]
    assert heights == [30.0, 60.0]
    assert "&lt;hook&gt;: 150 arrivals in 3 days" in picture
    assert "<hook>" not in picture


def test_arrivals_are_counted_by_the_days_of_the_site(flow: Flow, database: Database) -> None:
    instants = ("2031-05-31T05:59", "2031-05-31T06:01", "2031-06-01T06:01", "2031-06-01T19:00")
    moments = [datetime.fromisoformat(f"{each}:00Z") for each in instants]
    for moment in moments:
        then = Flow(database, flow.sites, flow.policies, lambda moment=moment: moment)  # type: ignore[misc]
        send(then, "northbank", newborn("a", "Al Lantern", "2031-05-20", "N-1"))
    (feed,) = Mending(flow).traffic("northbank").feeds
    assert [number for _day, number in feed.by_day][-3:] == [1, 1, 2]  # midnight in Denver is 06:00 UTC
    assert (feed.last, feed.gaps, feed.longest) == (moments[-1], 3, timedelta(hours=24))
    assert Mending(flow).traffic("eastmere").feeds == ()


# --- pages ---------------------------------------------------------------------------------------------------------


def test_all_sites_and_one_site_say_how_they_are(own_ward: httpx.Client, flow: Flow) -> None:
    said = words(own_ward.get("/feeds"))
    assert "Northbank Heard from less than a minute ago" in said
    assert "1 thing could not be read" in said
    Mending(flow).note(Cursor("northbank", "subscription", {"kept": [{"type": "Patient", "status": "active"}]}))
    one = words(own_ward.get("/feeds/northbank"))
    assert "1.36 g is not a plausible birth weight" in one
    assert "None: the site’s file alone says what its codes mean." in one
    assert own_ward.get("/feeds/nowhere").status_code == 404


def test_equal_troubles_stand_together_and_one_answer_serves_them_all(own_ward: httpx.Client, flow: Flow) -> None:
    for n in range(4):
        send(flow, "northbank", newborn(f"u{n}", f"Una {n}", "2031-05-20", f"U-{n}"), age(f"u{n}", 240),
             ounces(f"u{n}", 900 + n))  # fmt: skip
    group, other = find_groups(Mending(flow), "northbank")
    assert (group.number, group.meant, other.trouble) == (4, "gmz", None)
    address = f"/feeds/northbank/trouble/{group.id}"
    page = words(own_ward.get(address))
    assert "“gmz” is not a unit known here" in page
    assert "4 times" in page
    shown = own_ward.post(address, data={"means": "g", "do": "weigh"})
    said = words(shown)
    assert "4 of these rejections would be answered." in said
    assert "4 infants would be decided about otherwise" in said
    assert "[[word]] says = &#34;gmz&#34; means = &#34;g&#34;" in said
    assert len(find_groups(Mending(flow), "northbank")) == 2, "nothing is kept before it is saved"
    digest = re.search(r'name="shown" value="(\w+)"', shown.text)
    assert digest
    unsigned = own_ward.post(address, data={"means": "g", "do": "save", "shown": digest[1], "by": " "})
    assert unsigned.status_code == 422
    other_choice = own_ward.post(address, data={"means": "kg", "do": "save", "shown": digest[1], "by": "IT"})
    assert other_choice.status_code == 200, "what was not shown is not saved"
    assert Mending(flow).meanings("northbank") == []
    saved = own_ward.post(address, data={"means": "g", "do": "save", "shown": digest[1], "by": "Ingrid Cable"})
    assert saved.status_code == 303
    assert [each.trouble for each in find_groups(Mending(flow), "northbank")] == [None]
    assert flow.infant(key_of("u0")).infant.birth_weight.value == 900
    assert "Ingrid Cable" in words(own_ward.get(saved.headers["location"]))
    assert own_ward.get(address).status_code == 404


def test_a_choice_that_cannot_be_is_refused_in_words(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", local_age("vague", "26w4d"))
    for means in ({}, {"means": "nothing"}, {"means": "risk", "asks-risk": "Two Words"}):
        answer = own_ward.post(f"/feeds/northbank/trouble/{AGE}", data={**means, "do": "weigh"})
        assert answer.status_code == 422
        assert 'role="alert"' in answer.text
    assert "what would follow" not in answer.text.casefold().replace("show what would follow", "")


def test_codes_that_say_nothing_are_found_and_the_likely_ones_stand_first(flow: Flow) -> None:
    fill(flow)
    pulse = age("vague", 0) | {"id": "vague-pulse", "valueInteger": 140}
    pulse["code"] = {"coding": [{"system": "urn:northbank", "code": "HR", "display": "Heart rate"}]}
    send(flow, "northbank", *[pulse | {"id": f"pulse-{n}"} for n in range(3)], local_age("vague", "26w4d"))
    groups = find_silent(Mending(flow), "northbank")
    assert [(group.meant, group.number) for group in groups] == [("AGE", 1), ("HR", 3)]
    assert Mending(flow).kept("northbank") == 18


def test_a_meaning_is_withdrawn_and_everything_is_offered_to_be_read_again(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", local_age("vague", "26w4d"))
    address = f"/feeds/northbank/trouble/{AGE}"
    shown = own_ward.post(address, data={"means": "gestation", "do": "weigh"})
    digest = re.search(r'name="shown" value="(\w+)"', shown.text)
    assert digest
    own_ward.post(address, data={"means": "gestation", "do": "save", "shown": digest[1], "by": "IT"})
    assert flow.infant(key_of("vague")).infant.gestation.value is not None
    (given,) = Mending(flow).meanings("northbank")
    withdraw = f"/feeds/northbank/meaning/{given.id}/withdraw"
    assert own_ward.post(withdraw, data={"by": ""}).status_code == 422
    assert own_ward.post(withdraw, data={"by": "IT"}).status_code == 303
    assert own_ward.post(withdraw, data={"by": "IT"}).status_code == 404
    assert "still to be read again" in words(own_ward.get("/feeds/northbank"))
    while Mending(flow).replay("northbank"):
        pass
    assert flow.infant(key_of("vague")).infant.gestation.value is None
    assert "still to be read again" not in words(own_ward.get("/feeds/northbank"))


def test_a_site_file_that_changed_offers_a_replay_on_the_page(own_ward: httpx.Client, flow: Flow) -> None:
    table = {"system": "urn:northbank", "code": "AGE", "concept": "gestation"}
    send(flow, "northbank", local_age("vague", "26w4d"))
    flow.sites = {**flow.sites, "northbank": flow.sites["northbank"].having({"code": [table]}, "northbank.toml")}
    flow.mappings.__init__()  # type: ignore[misc] -- as a start does
    assert "Read what is stored again" in words(own_ward.get("/feeds/northbank"))
    assert own_ward.post("/feeds/northbank/replay", data={"by": ""}).status_code == 422
    assert Mending(flow).asked() == []
    assert own_ward.post("/feeds/northbank/replay", data={"by": "IT"}).status_code == 303
    assert Mending(flow).asked() == ["northbank"]


def test_no_code_value_or_name_stands_in_an_address(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", local_age("vague", "26w4d"), ounces("light", 1360))
    for path in ("/feeds", "/feeds/northbank", "/feeds/northbank/codes"):
        for address in re.findall(r'(?:href|action)="([^"]*)"', own_ward.get(path).text):
            assert not re.search(r"AGE|gmz|1360|vague|light|Driftwood", address), address


# --- very many -----------------------------------------------------------------------------------------------------

MANY = 20_000


def again(database: Database, times: int, number: str) -> None:
    """The last arrival so many times more, with what could not be read and what says nothing of it, as if each had come
    by itself; `number` is what stands for a number in the reason, in SQL."""
    with database.transaction() as connection:
        last = connection.execute(text("SELECT max(id) FROM arrivals")).scalar_one()
        for statement in (
            """
            INSERT INTO arrivals (site, received_at, feed, method, path, body, state, digested_at, attempts, mapping)
            SELECT site, received_at, feed, method, path, body, state, digested_at, attempts, mapping
            FROM arrivals, generate_series(1, :times) WHERE id = :last""",
            f"""
            INSERT INTO rejections (site, arrival, resource, version_updated, version_label, patient, about, path,
                reason, recorded_at, version_reading, trouble)
            SELECT r.site, a.id, r.resource || a.id, version_updated, version_label, patient, about, r.path,
                replace(reason, '1.36', ({number})::text), recorded_at, version_reading, trouble
            FROM rejections r, arrivals a WHERE r.arrival = :last AND a.id > :last""",
            """
            INSERT INTO silent (site, trouble, arrival, resource, number, mapping)
            SELECT s.site, s.trouble, a.id, s.resource, s.number, s.mapping
            FROM silent s, arrivals a WHERE s.arrival = :last AND a.id > :last""",
        ):
            connection.execute(text(statement), {"times": times, "last": last})


def test_all_rejections_are_grouped_however_many_they_are(
    own_ward: httpx.Client, flow: Flow, database: Database
) -> None:
    send(flow, "northbank", ounces("old", 900))
    send(flow, "northbank", weight("new", 1.36))
    again(database, MANY - 1, "1 + a.id % 250 / 1000.0")
    began = time.process_time()
    groups = find_groups(Mending(flow), "northbank")
    assert time.process_time() - began < 2, "the database groups them"
    assert sum(group.number for group in groups) == MANY + 2
    assert (groups[0].meant, groups[0].number) == ("gmz", 1), "what an entry answers stands first, however old"
    first = own_ward.get("/feeds/northbank")
    assert "All that has not been answered is here" in words(first)
    seen = len(re.findall('class="feed-group', first.text))
    last = first
    while following := re.search(r'href="([^"]*)" rel="next"', last.text):
        last = own_ward.get(following[1].replace("&amp;", "&"))
        seen += len(re.findall('class="feed-group', last.text))
    assert seen == len(groups) > 200, "every group is on a part of the page"
    assert f"{len(groups)} of {len(groups)}" in words(last)
    unread = own_ward.get("/unread?site=northbank")
    assert len(re.findall('class="rejection"', unread.text)) == 100
    assert f"1 to 100 of {MANY + 2}" in words(unread)
    assert f"{MANY + 1} to {MANY + 2} of {MANY + 2}" in words(own_ward.get(f"/unread?site=northbank&from={MANY}"))


def test_a_code_without_a_meaning_is_found_however_long_ago_it_came(
    own_ward: httpx.Client, flow: Flow, database: Database
) -> None:
    send(flow, "northbank", local_age("vague", "26w4d"))
    pulse = age("vague", 0) | {"id": "vague-pulse", "valueInteger": 140}
    pulse["code"] = {"coding": [{"system": "urn:northbank", "code": "HR", "display": "Heart rate"}]}
    send(flow, "northbank", pulse)
    again(database, 9_999, "0")
    silent = find_silent(Mending(flow), "northbank")
    assert [(group.meant, group.number) for group in silent] == [("AGE", 1), ("HR", 10_000)]
    page = words(own_ward.get("/feeds/northbank/codes"))
    assert f"Counted over all {Mending(flow).kept('northbank')} arrivals that are kept." in page
    assert "earlier mapping" not in page
    came, arrived = Mending(flow).came("northbank", silent[1].gathered, silent=True)
    assert arrived == 10_000 > len(came) > 1_000, "as many as can be read while somebody waits"
    shown = own_ward.post(f"/feeds/northbank/trouble/{silent[0].id}", data={"means": "gestation", "do": "weigh"})
    assert "Cy Driftwood" in words(shown)
    assert "newest" not in words(shown)
    limited = say_effect(Weighed(500, 0, 0, 0, 0, ()), rejected=False, came=10_000)
    assert limited[0].startswith("Tried on the newest 500 of 10000 arrivals")


def test_what_was_read_under_an_earlier_mapping_is_said_and_counted_once_it_is_read_again(
    own_ward: httpx.Client, flow: Flow, database: Database
) -> None:
    send(flow, "northbank", local_age("vague", "26w4d"), ounces("odd", 900))
    with database.transaction() as connection:  # as before the codes were counted
        connection.execute(text("UPDATE silent SET mapping = -1"))
        connection.execute(text("UPDATE rejections SET trouble = NULL"))
        connection.execute(text("UPDATE arrivals SET mapping = 0"))
    assert find_silent(Mending(flow), "northbank") == []
    assert "were last read under an earlier mapping: a code of theirs may be missing here" in words(
        own_ward.get("/feeds/northbank/codes")
    )
    while Mending(flow).replay("northbank"):
        pass
    assert [(group.meant, group.number) for group in find_silent(Mending(flow), "northbank")] == [("AGE", 1)]
    assert "gmz" in [group.meant for group in find_groups(Mending(flow), "northbank")]


# --- the journey ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("script", [True, False])
def test_it_fixes_an_unknown_code_and_the_infant_moves_onto_the_list(flow: Flow, served: str, script: bool) -> None:
    fill(flow)
    send(flow, "northbank", local_age("vague", "26w4d"))
    with a_browser() as browser, a_page(browser, served, java_script_enabled=script) as page:  # 390 px wide
        page.goto("/site/northbank")
        expect(page.locator(".entry", has_text="Cy Driftwood")).to_have_class(re.compile("unjudged"))
        page.get_by_role("navigation", name="Pages").locator("summary").click()
        page.get_by_role("link", name="Feeds").click()
        page.get_by_role("link", name="Northbank", exact=True).last.click()
        page.get_by_role("link", name="Codes that say nothing").click()
        page.get_by_role("link", name="Gest. age at delivery").click()
        expect(page.locator("pre.original").first).to_contain_text('"AGE"')
        page.get_by_label("Gestational age at birth").check()
        page.get_by_role("button", name="Show what would follow").click()
        follows = page.locator(".follows")
        expect(follows).to_contain_text("1 arrival would say something that it does not say now")
        expect(follows).to_contain_text("Cy Driftwood")
        expect(follows).to_contain_text("Then: to be examined")
        assert flow.infant(key_of("vague")).decision.state == "unknown", "looking changes nothing"
        page.get_by_label("Who says so?").fill("Ingrid Cable")
        page.get_by_role("button", name="Keep this meaning and read again").click()
        expect(page.get_by_role("status")).to_contain_text("has been read again")
        expect(page.locator("#given ~ .entries")).to_contain_text("Ingrid Cable")
        page.goto("/site/northbank")
        if page.locator("#later-rows").count():
            page.locator("#later-rows > summary").click()
        entry = page.locator(".entry", has_text="Cy Driftwood")
        expect(entry).to_contain_text("First eye exam")
        expect(entry).to_contain_text("26w4d")
        expect(entry).not_to_have_class(re.compile("unjudged"))
