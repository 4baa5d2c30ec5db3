"""The lists people use: grouped and filtered by their address, drop times, surveillance, gaps filled in place."""

from __future__ import annotations

import re
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, time, timedelta
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, Page, expect
from waiting import eventually
from web.bedside import NORMAL, at, save
from web.browsing import a_browser, a_page, violations
from web.serving import serve
from web.test_every_page import LOST
from web.test_pages import Page as Read
from web.test_pages import row, section
from web.ward import HOSTILE, NOW, age, fill, gone_home, key_of, newborn, send, two_sites, weight

from service.fhir.sites import Round
from service.flow import Flow
from service.policies import load_policies
from service.store.database import Database
from service.web.application import build

MONDAYS_AND_THURSDAYS = Round(time(8), frozenset({0, 3}), 60)


def in_bed(patient: str, bed: str) -> dict[str, Any]:
    """A stay that goes on, in a bed of the nursery."""
    return {
        "resourceType": "Encounter", "id": f"{patient}-stay", "meta": {"versionId": "1"}, "status": "in-progress",
        "class": {"code": "IMP"}, "subject": {"reference": f"Patient/{patient}"}, "period": {"start": "2031-05-01"},
        "location": [{"location": {"reference": "Location/nicu", "display": bed}, "status": "active"}],
    }  # fmt: skip


class Wards:
    """Two sites over one database, whose clock the test moves, and a browser that looks at them."""

    def __init__(self, flow: Flow, browser: Browser, address: str, client: httpx.Client) -> None:
        self.flow, self.browser, self.address, self.client = flow, browser, address, client
        self.now = NOW

    def open(self, **context: Any) -> Any:
        return a_page(self.browser, self.address, **context)

    def read(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.text


@pytest.fixture(scope="module")
def wards(new_database: Callable[[], Database]) -> Iterator[Wards]:
    database = new_database()
    made: list[Wards] = []

    def now() -> datetime:
        return made[0].now if made else NOW

    sites = two_sites()
    sites["northbank"] = replace(sites["northbank"], round=MONDAYS_AND_THURSDAYS, silent_after_hours=24)
    flow = Flow(database, sites, load_policies(), now)
    app = build(flow, every=0.05)
    with a_browser() as browser, serve(app) as address, httpx.Client(base_url=address, timeout=30) as client:
        made.append(Wards(flow, browser, address, client))
        fill(flow)
        send(flow, "northbank", in_bed("today", "Bed 4"))
        yield made[0]


@pytest.fixture
def treated(wards: Wards) -> str:
    """An infant with an injected right eye and a left eye treated by laser."""
    patient = f"t{uuid.uuid4().hex[:8]}"
    send(
        wards.flow, "northbank", newborn(patient, "Gil Saltmarsh", "2031-04-20", f"T-{patient}"), age(patient, 172),
        weight(patient, 640),
    )  # fmt: skip
    exam = {"right.zone": "I", "right.stage": "3", "right.plus": "plus", "left.same": "yes", "examiner": "Dr Reed"}
    assert save(wards.client, at(patient, "exam"), **exam).status_code == 303
    for eyes, kind, agent in (("right", "injection", "bevacizumab"), ("left", "laser", None)):
        assert save(
            wards.client, at(patient, "treatment"), eyes=eyes, kind=kind, agent=agent, by="Dr Reed"
        ).status_code == 303  # fmt: skip
    return patient


# --- today -----------------------------------------------------------------------------------------------------------


def test_a_row_says_bed_ages_round_and_when_the_drops_go_in(wards: Wards) -> None:
    said = row(wards.read("/site/northbank"), "today")
    # Sunday 1 June at Northbank: the next round is Monday 2 June at 08:00, and the drops go in an hour before it.
    for words in ("Bed 4", "Nursery 2", "PMA 31w0d", "31 days", "Round tomorrow 08:00", "Drops at 07:00"):
        assert words in said, words
    assert "Drops" not in row(wards.read("/site/northbank"), "late")  # who has left is not made ready


def test_who_leaves_soon_and_what_helps_to_breathe_stand_in_the_row(wards: Wards) -> None:
    """R4: an Encounter that goes on may carry the end it is to have; SNOMED CT 47545007 as in HL7 QI-Core."""
    patient = f"s{uuid.uuid4().hex[:8]}"
    stay = in_bed(patient, "Bed 7") | {"period": {"start": "2031-05-01", "end": "2031-06-04"}}
    cpap = {
        "resourceType": "Procedure", "id": f"{patient}-cpap", "meta": {"versionId": "1"}, "status": "in-progress",
        "code": {"text": "nasal CPAP", "coding": [{"system": "http://snomed.info/sct", "code": "47545007"}]},
        "subject": {"reference": f"Patient/{patient}"}, "performedPeriod": {"start": "2031-05-30T06:00:00-06:00"},
    }  # fmt: skip
    send(
        wards.flow, "northbank", newborn(patient, "Ira Fernbank", "2031-05-01", f"S-{patient}"), age(patient, 186),
        weight(patient, 800), stay, cpap,
    )  # fmt: skip
    page = wards.read("/site/northbank")
    said = row(page, patient)
    for words in ("leaves on Wed 4 Jun", "Breathing nasal CPAP (Fri 30 May)"):
        assert words in said, words
    assert re.search(r"Leaving soon.*Ira Fernbank.*leaves on Wed 4 Jun", Read(page).text, re.DOTALL)
    assert "Breathing" not in row(page, "today")
    assert "was to leave on Wed 4 Jun" in row(wards.read("/site/northbank?as_of=2031-06-06"), patient)
    send(wards.flow, "northbank", cpap | {"status": "completed", "meta": {"versionId": "2"}})
    assert "Breathing" not in row(wards.read("/site/northbank"), patient)


def test_on_the_day_of_the_round_it_is_today(wards: Wards) -> None:
    assert "Round today 08:00 · Drops at 07:00" in row(wards.read("/?as_of=2031-06-02"), "today")
    # Thursday 5 June is the last round within the window, which closes on Saturday.
    assert "Round Thu 5 Jun" in row(wards.read("/?as_of=2031-06-03"), "today")
    assert "No round within the window" in row(wards.read("/?as_of=2031-06-06"), "today")


def test_a_treatment_clock_stands_first_and_is_not_called_today(wards: Wards) -> None:
    patient = f"c{uuid.uuid4().hex[:8]}"
    send(wards.flow, "northbank", newborn(patient, "Hal Reedbed", "2031-04-20", f"C-{patient}"), age(patient, 172),
         weight(patient, 640))  # fmt: skip
    exam = {"right.zone": "I", "right.stage": "3", "right.plus": "plus", "left.same": "yes", "examiner": "Dr Reed"}
    assert save(wards.client, at(patient, "exam"), **exam).status_code == 303
    text = wards.read("/site/northbank")
    assert "Hal Reedbed" in section(text, "clock")
    assert text.index('aria-labelledby="clock"') < text.index('aria-labelledby="overdue"')
    assert "Hal Reedbed" not in section(text, "today")


def test_a_silent_feed_is_said_on_the_list_of_its_site(wards: Wards) -> None:
    quiet = "Nothing has arrived from Northbank since Sun 1 Jun 14:00."  # 20:00 UTC, summer time in Denver
    assert quiet not in wards.read("/site/northbank")
    wards.now = NOW + timedelta(hours=23, minutes=59)
    assert quiet not in wards.read("/site/northbank")
    wards.now = NOW + timedelta(hours=24)
    assert quiet in wards.read("/site/northbank") and quiet in wards.read("/")
    assert "Nothing has arrived" not in wards.read("/site/eastmere")  # its file does not say when it is silent
    wards.now = NOW


def test_what_is_missing_is_filled_in_on_the_list_without_a_script(wards: Wards) -> None:
    """A nurse finds today's infants and completes a missing gestational age."""
    patient = f"g{uuid.uuid4().hex[:8]}"
    send(wards.flow, "northbank", newborn(patient, "Ivy Millrace", "2031-05-01", f"G-{patient}"), weight(patient, 1600))
    with wards.open(java_script_enabled=False) as page:
        page.goto("/site/northbank")
        line = page.locator(f"#infant-{key_of(patient)}")
        expect(line).to_contain_text("Record gestational age at birth")
        expect(line.get_by_label("Birth weight, grams")).to_have_count(0)  # known already
        line.get_by_label("Born at, weeks").fill("26")
        line.get_by_label("and days").fill("4")
        line.get_by_label("Who writes this down?").fill("Nurse Wren")
        line.get_by_role("button", name="Show what follows").click()
        expect(page.get_by_role("region", name="What follows, if this is saved")).to_contain_text("First eye exam")
        assert wards.flow.infant(key_of(patient)).infant.gestation.values == ()  # nothing is saved before it was seen
        page.get_by_role("button", name="Save", exact=True).click()
        expect(page.get_by_role("status")).to_contain_text("The values are saved.")
        page.goto("/site/northbank")
        assert "Ivy Millrace" in section(page.content(), "today")
    assert wards.flow.infant(key_of(patient)).decision.ages.gestation == "26w4d"


def test_a_form_in_place_with_nothing_in_it_saves_nothing_and_says_so(wards: Wards) -> None:
    answer = wards.client.post(
        at("vague", "newborn"), data={"weeks": "", "days": "", "birth_weight": "", "by": "", "do": "show"},
        headers={"Sec-Fetch-Site": "same-origin"},
    )  # fmt: skip
    assert answer.status_code == 422
    assert "Nothing is filled in" in answer.text
    direct = wards.client.post(
        at("vague", "newborn"), data={"weeks": "26", "by": "Nurse Wren", "do": "save"},
        headers={"Sec-Fetch-Site": "same-origin"},
    )  # fmt: skip
    assert direct.status_code == 400  # nothing is saved that was not shown first


# --- grouped and filtered --------------------------------------------------------------------------------------------


def names(text: str) -> set[str]:
    return set(re.findall(r'<h3 id="name-[^"]+"><a [^>]+>([^<]+)</a>', text))


def test_by_site_and_by_round_day_everybody_still_stands_there(wards: Wards, treated: str) -> None:
    everybody = names(wards.read("/"))
    assert {"Ada Lanternfish", "Gil Saltmarsh"} <= everybody
    for by in ("site", "round"):
        assert names(wards.read(f"/?by={by}")) == everybody
    by_round = wards.read("/?by=round")
    assert "Ada Lanternfish" in section(by_round, "on-2031-06-02-northbank")
    assert "Bo Teakettle" in section(by_round, "no-round")  # has left
    assert "Cy Driftwood" in section(by_round, "no-round")  # data is missing
    assert "Ada Lanternfish" in section(wards.read("/?by=site"), "at-northbank")
    assert "Ada Lanternfish" not in section(wards.read("/?by=site"), "at-eastmere")


def test_filters_in_the_address_leave_whom_they_say_and_count_the_others(wards: Wards, treated: str) -> None:
    late = wards.read("/?show=late")
    assert "Bo Teakettle" in names(late) and "Ada Lanternfish" not in names(late)
    shown, every = late.count('<li class="entry'), wards.read("/").count('<li class="entry')
    assert f"Filtered: {shown} of {every} infants are shown" in Read(late).text
    assert names(wards.read("/?show=late&show=left")) == {"Bo Teakettle"}
    assert "Gil Saltmarsh" in names(wards.read("/?show=injected")) & names(wards.read("/?show=treated"))
    assert "Cy Driftwood" in names(wards.read("/?kind=data-needed"))
    assert HOSTILE not in "".join(names(wards.read("/?site=northbank")))
    nobody = Read(wards.read("/?show=injected&site=eastmere")).text
    assert "Nobody on the list is meant by this filter." in nobody


def test_every_filter_offered_leaves_as_many_as_it_says(wards: Wards, treated: str) -> None:
    page = wards.read("/?show=late")
    offered = re.findall(r'<a href="(/[^"]*)"(?: aria-current="true")?>[^<]+<span class="tally">(\d+)</span>', page)
    assert len(offered) >= 5
    for link, count in offered:
        if link != "/":  # takes off the only filter
            assert wards.read(link.replace("&amp;", "&")).count('<li class="entry') == int(count), link


def test_what_no_filter_says_is_refused_with_what_may_be_said(wards: Wards) -> None:
    for path in ("/?by=name", "/?show=blue", "/?kind=x", "/?site=nowhere"):
        answer = wards.client.get(path)
        assert answer.status_code == 400, path
    assert "rank, site, round" in wards.client.get("/?by=name").text
    assert wards.client.get("/?by=&kind=&site=&show=").status_code == 200  # what an empty form sends


def test_links_on_the_list_of_another_day_stay_on_that_day(wards: Wards) -> None:
    page = wards.read("/?as_of=2031-06-03&by=site")
    for link in re.findall(r'<a href="(/\?[^"]*)"', page):
        assert "as_of=2031-06-03" in link, link


# --- surveillance, and who may be lost -------------------------------------------------------------------------------


def test_treated_eyes_with_what_was_done_and_what_to_look_for(wards: Wards, treated: str) -> None:
    text = wards.read("/?by=watch")
    assert "Gil Saltmarsh" in section(text, "injected")
    said = row(text, treated)
    for words in (
        "Sun 1 Jun, 0 days ago: injection (bevacizumab), right eye", "Sun 1 Jun, 0 days ago: laser, left eye",
        "after injection: look for", "after laser: look for", "only a named clinician closes it",
    ):  # fmt: skip
        assert words in said, words
    assert "Ada Lanternfish" not in names(text)


def test_who_may_be_lost_and_why(wards: Wards) -> None:
    text = wards.read("/?by=lost")
    assert "Bo Teakettle" in section(text, "lost-left")
    said = row(text, "late")
    assert "Left hospital, and nobody is on record who takes over" in said
    assert "16 days late" in said
    assert "Ada Lanternfish" not in names(text)


def test_an_agreed_exam_of_which_nothing_came_back_is_a_loss(wards: Wards) -> None:
    patient = f"h{uuid.uuid4().hex[:8]}"
    send(wards.flow, "northbank", newborn(patient, "Jo Withybed", "2031-04-25", f"H-{patient}"), age(patient, 190),
         weight(patient, 900))  # fmt: skip
    assert save(wards.client, at(patient, "exam"), **NORMAL).status_code == 303
    send(wards.flow, "northbank", gone_home(patient))
    assert save(
        wards.client, at(patient, "hand-over"), to="Hill clinic", place="Room 4", date="2031-06-05", by="Nurse Wren",
        parents_told="yes", on="2031-06-01",
    ).status_code == 303  # fmt: skip
    assert "Jo Withybed" not in names(wards.read("/?by=lost"))
    wards.now = NOW + timedelta(days=5)
    said = row(wards.read("/?by=lost"), patient)
    assert "The exam agreed for Thu 5 Jun at the place that took over has not come back" in said
    wards.now = NOW


def test_put_off_and_left_are_named_again_beneath_and_lead_to_their_rows(wards: Wards) -> None:
    page = Read(wards.read("/site/northbank"))
    assert f"#infant-{key_of('late')}" in page.links
    assert "Left hospital" in page.headings


# --- live ------------------------------------------------------------------------------------------------------------


def live(page: Page, path: str) -> None:
    page.goto(path)
    expect(page.locator("#live")).to_contain_text("Live.")


def arrives(wards: Wards, page: Page, name: str) -> None:
    """Somebody else arrives, and the list shows it without a reload."""
    patient = f"n{uuid.uuid4().hex[:8]}"
    send(wards.flow, "northbank", newborn(patient, name, "2031-04-01", f"L-{patient}"), age(patient, 178),
         weight(patient, 700))  # fmt: skip
    expect(page.get_by_role("heading", name=name)).to_be_visible()


def test_who_came_before_the_list_was_watched_is_on_it(wards: Wards) -> None:
    """The service is slow to look for the first time; meanwhile somebody is stored, after the page was made."""
    app = build(wards.flow, every=0.05)
    ask, let_go = app.state.announcer._revisions, threading.Event()

    def slow() -> Mapping[str, int]:
        let_go.wait(30)
        return ask()

    app.state.announcer._revisions = slow
    with serve(app) as address, a_page(wards.browser, address) as page:
        page.goto("/site/northbank")
        eventually(lambda: app.state.announcer.listeners == 1)
        send(wards.flow, "northbank", newborn("nan", "Nan Tideway", "2031-04-01", "L-nan"), age("nan", 178))
        let_go.set()
        expect(page.get_by_role("heading", name="Nan Tideway")).to_be_visible()


def test_what_is_typed_in_place_stays_with_focus_and_caret_while_the_list_changes(wards: Wards) -> None:
    with wards.open(viewport={"width": 1280, "height": 700}) as page:
        live(page, "/site/northbank")
        line = page.locator(f"#infant-{key_of('vague')}")
        grams = line.get_by_label("Birth weight, grams")
        grams.fill("1240")
        grams.press("ArrowLeft")
        why = page.locator(f"#why-{key_of('today')} > summary")
        why.click()
        grams.focus()
        top = line.evaluate("e => e.getBoundingClientRect().top")
        arrives(wards, page, "Kit Overbrook")
        expect(grams).to_have_value("1240")
        expect(grams).to_be_focused()
        assert grams.evaluate("e => e.selectionStart") == 3
        expect(page.locator(f"#why-{key_of('today')}")).to_have_attribute("open", "")
        assert abs(line.evaluate("e => e.getBoundingClientRect().top") - top) < 200  # still on the screen


def test_a_row_that_changes_under_the_hand_keeps_what_was_typed(wards: Wards) -> None:
    patient = f"k{uuid.uuid4().hex[:8]}"
    send(wards.flow, "northbank", newborn(patient, "Lu Fernhill", "2031-05-10", f"K-{patient}"))
    with wards.open() as page:
        live(page, "/site/northbank")
        line = page.locator(f"#infant-{key_of(patient)}")
        line.get_by_label("Born at, weeks").fill("27")
        send(wards.flow, "northbank", weight(patient, 1600))  # the row now asks for the age alone
        expect(line).to_contain_text("Record gestational age at birth by")
        expect(line.get_by_label("Born at, weeks")).to_have_value("27")
        send(wards.flow, "northbank", age(patient, 189))  # and now for nothing
        expect(line).to_contain_text("First eye exam")
        expect(line).to_contain_text("What you typed is kept here.")
        expect(line.get_by_label("Born at, weeks")).to_have_value("27")


def test_a_filtered_list_stays_filtered_while_it_is_live(wards: Wards) -> None:
    with wards.open() as page:
        live(page, "/site/northbank?show=left")
        before = page.locator(".entry").count()
        page.locator("#filters > summary").click()  # folded by hand
        patient = f"f{uuid.uuid4().hex[:8]}"
        send(wards.flow, "northbank", newborn(patient, "Mo Staithe", "2031-04-01", f"F-{patient}"), age(patient, 178),
             weight(patient, 700), gone_home(patient))  # fmt: skip
        expect(page.get_by_role("heading", name="Mo Staithe")).to_be_visible()
        assert page.locator(".entry").count() == before + 1
        expect(page.locator("#filters")).not_to_have_attribute("open", "")


# --- how it looks ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_way_to_look_at_a_list_keeps_the_rules_and_fits_its_window(
    wards: Wards, treated: str, scheme: Any
) -> None:
    with wards.open(color_scheme=scheme) as page:
        for path in ("/?by=site", "/?by=round", "/?by=watch", "/?by=lost", "/?show=late&kind=first-exam"):
            page.goto(path)
            page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
            assert violations(page, least=5) == {}, path
            for width in (320, 390, 820, 1280, 1700):
                page.set_viewport_size({"width": width, "height": 900})
                assert page.evaluate(LOST) == [], (path, width)


def test_rows_are_short_and_print_without_what_is_folded_away(wards: Wards) -> None:
    with wards.open(viewport={"width": 1700, "height": 900}) as page:
        page.goto("/site/northbank")
        line = page.locator(f"#infant-{key_of('today')}")
        box = line.bounding_box()
        assert box is not None and box["height"] <= 120  # three lines of print and their margins
        line.locator("summary").click()
        expect(line).to_contain_text("Why this infant")
        page.emulate_media(media="print")
        expect(line.get_by_role("heading", name="Ada Lanternfish")).to_be_visible()
        expect(line.get_by_text("Why this infant")).to_be_hidden()
        expect(line.get_by_role("link", name="Enter an exam")).to_be_hidden()
        later = page.locator("#later-rows .entry").first
        if later.count():
            expect(later).to_be_visible()


def test_on_a_phone_a_name_keeps_its_line_however_long_the_unit_is(wards: Wards) -> None:
    """A unit is said where there is more than one; however it is called, the name beside it is not broken."""
    patient = f"u{uuid.uuid4().hex[:8]}"
    send(
        wards.flow, "northbank", newborn(patient, "Ana Thistledown", "2031-05-01", f"U-{patient}"), age(patient, 186),
        in_bed(patient, "Bed 9"),
    )  # fmt: skip
    with wards.open(viewport={"width": 390, "height": 844}) as page:
        page.goto("/site/northbank")
        unit = page.locator(f"#infant-{key_of(patient)} .bed .lesser")
        unit.evaluate("each => each.textContent = 'High dependency and intensive care of newborn medicine'")
        for name in page.locator(".entry h3 a").all():
            if name.is_visible():
                box = name.bounding_box()
                assert box is not None and box["height"] <= 2 * 30 and box["width"] >= 100, name.inner_text()


def test_who_has_left_lies_in_no_bed(wards: Wards) -> None:
    patient = f"v{uuid.uuid4().hex[:8]}"
    send(
        wards.flow, "northbank", newborn(patient, "Eli Foxglove", "2031-05-01", f"V-{patient}"), age(patient, 186),
        in_bed(patient, "Bed 12"),
    )  # fmt: skip
    assert "Bed 12" in row(wards.read("/site/northbank"), patient)
    gone = gone_home(patient)
    gone |= {"meta": {"versionId": "2"}, "period": {"start": "2031-05-01", "end": "2031-05-28"}}
    gone["location"] = in_bed(patient, "Bed 12")["location"]
    send(wards.flow, "northbank", gone)
    said = row(wards.read("/site/northbank"), patient)
    assert "Left hospital" in said and "Bed 12" not in said


def test_the_load_is_a_picture_with_its_numbers_in_words(wards: Wards) -> None:
    text = wards.read("/")
    said = re.search(r'aria-label="(Northbank, exams by week: [^"]+)"', text)
    assert said is not None
    weeks = [int(each.rpartition(": ")[2]) for each in said[1].partition(": ")[2].split("; ")]
    drawn = re.findall(r'class="number[^"]*"[^>]*>(\d+)<', text.partition(said[1])[2].partition("</svg>")[0])
    assert weeks == [int(each) for each in drawn] and weeks[0] > 0
    assert "exams by week" not in wards.read("/site/northbank")
