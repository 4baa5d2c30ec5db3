"""The round: booking one and many, the sheet to print, and typing it in in its own order. On a real database.

1 June 2031 is a Sunday, 14:00 in Denver when these tests stand (tests/web/ward.py). Ada ("today") is due on 1 June,
last day 7 June; Bo ("late") was due on 10 May, last day 16 May, and has left (AAP 2018, Pediatrics
2018;142(6):e20183061).
"""

from __future__ import annotations

import re
from typing import Any

import httpx
import pytest
from playwright.sync_api import expect
from web.bedside import NORMAL, Form, at, save, send_form, show, take_back
from web.browsing import a_browser, a_page
from web.staff import register, signed_in
from web.test_pages import Page, row
from web.ward import HOSTILE, NOW, age, key_of, newborn, send, weight

from service.fhir.forms import fill
from service.flow import Flow

ROUND = "/site/northbank/round/2031-06-01"
BOOKING = {"date": "2031-06-03", "time": "09:30", "place": "Eye room", "examiner": "Dr Reed", "by": "Sister Lane"}


def said(answer: httpx.Response) -> str:
    return Page(answer.text).text


def in_bed(patient: str, bed: str) -> list[dict[str, Any]]:
    """A bed of Nursery 2, and the infant in it."""
    id = bed.replace(" ", "-")
    return [
        {"resourceType": "Location", "id": id, "name": bed, "partOf": {"reference": "Location/nicu"}},
        {
            "resourceType": "Encounter", "id": f"{patient}-stay", "meta": {"versionId": "1"}, "status": "in-progress",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "subject": {"reference": f"Patient/{patient}"}, "period": {"start": "2031-05-01"},
            "location": [{"location": {"reference": f"Location/{id}"}, "status": "active"}],
        },
    ]  # fmt: skip


@pytest.fixture
def beds(own_ward: httpx.Client, flow: Flow) -> httpx.Client:
    """Three more at Northbank who are late, in beds 10, 9 and 2; the later the bed, the longer over."""
    for number, (patient, bed, born) in enumerate(
        [("ten", "Bed 10", "2031-04-10"), ("nine", "Bed 9", "2031-04-14"), ("two", "Bed 2", "2031-04-18")]
    ):
        send(
            flow, "northbank", newborn(patient, f"Girl {patient.title()}", born, f"N-7{number}"), age(patient, 182),
            weight(patient, 800), *in_bed(patient, bed),
        )  # fmt: skip
    return own_ward


def on_sheet(answer: httpx.Response) -> list[str]:
    """Names in the order of the sheet."""
    table = answer.text.partition('<table class="line-by-line">')[2].partition("</table>")[0]
    return re.findall(r'class="name"><a href="[^"]*">([^<]*)', table)


def in_book(client: httpx.Client, path: str = ROUND) -> dict[str, list[str]]:
    """The fields of the form that books many; the one above it chooses the order."""
    return Form(client.get(path).text.partition('<form id="book"')[2]).fields


# --- one -----------------------------------------------------------------------------------------------------------


def test_one_is_booked_shown_first_and_stays_due(own_ward: httpx.Client, flow: Flow) -> None:
    shown = said(show(own_ward, at("today", "book"), **BOOKING))
    assert "for Tue 3 Jun at 09:30, Eye room, Dr Reed (Sister Lane)" in shown
    assert "First eye exam Sun 1 Jun to Sat 7 Jun" in shown
    assert "Booked after" not in shown
    assert flow.infant(key_of("today")).course.bookings == ()
    saved = save(own_ward, at("today", "book"), **BOOKING)
    page = said(own_ward.get(saved.headers["location"]))
    assert "The booking is saved. The exam stays due as it was." in page
    assert "Booked for Tue 3 Jun at 09:30, Eye room, Dr Reed" in page
    listed = row(own_ward.get("/").text, "today")
    assert "Booked for Tue 3 Jun at 09:30" in listed and "Due now, 6 days left" in listed


def test_booked_after_the_window_closes_is_warned_of_and_flagged(own_ward: httpx.Client) -> None:
    late = {**BOOKING, "date": "2031-06-10"}
    words = "Booked after the window closes: Tue 10 Jun is 3 days after the last day"
    assert words in said(show(own_ward, at("today", "book"), **late))
    save(own_ward, at("today", "book"), **late)
    assert words in row(own_ward.get("/").text, "today")


def test_a_missed_booking_is_shown_and_flagged_until_an_exam(own_ward: httpx.Client) -> None:
    missed = {**BOOKING, "on": "2031-05-30", "date": "2031-05-31", "time": ""}
    save(own_ward, at("today", "book"), **missed)
    words = "Missed: booked for Sat 31 May, Eye room, Dr Reed, and no exam is on record since"
    assert words in row(own_ward.get("/").text, "today")
    assert words in said(own_ward.get(at("today")))
    assert words in said(own_ward.get(ROUND))
    save(own_ward, at("today", "exam"), **NORMAL)
    assert "Missed" not in row(own_ward.get("/").text, "today")


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"date": "2031-05-31"}, "This is before the day on which it was booked."),
        ({"date": ""}, "This has to be filled in."),
        ({"by": ""}, "This has to be filled in."),
        ({"time": "25:00"}, "This is no time of day."),
        ({"on": "2031-06-02"}, "This day has not come yet."),
    ],
)
def test_what_cannot_be_booked_is_said_beside_its_field(own_ward: httpx.Client, typed: Any, words: str) -> None:
    answer = show(own_ward, at("today", "book"), **{**BOOKING, **typed})
    assert answer.status_code == 422 and words in said(answer)


def test_a_booking_is_moved_by_correcting_it_and_cancelled_by_taking_it_back(
    own_ward: httpx.Client, flow: Flow
) -> None:
    save(own_ward, at("today", "book"), **BOOKING)
    again = said(own_ward.get(at("today", "book")))
    assert "Booked already for Tue 3 Jun at 09:30, Eye room, Dr Reed. A new one stands beside it. Move it" in again
    links = Page(own_ward.get(at("today")).text).links
    (correct,) = {link for link in links if re.search(r"/book/[0-9a-f-]{36}$", link)}
    assert Form(own_ward.get(correct).text).fields["date"] == ["2031-06-03"]
    assert save(own_ward, correct, date="2031-06-04").status_code == 303
    assert [str(each.day) for each in flow.infant(key_of("today")).course.bookings] == ["2031-06-04"]
    assert take_back(own_ward, f"{correct}/error").status_code == 303
    assert flow.infant(key_of("today")).course.bookings == ()
    assert "Booking cancelled" in said(own_ward.get(at("today")))


def test_a_booked_row_says_so_and_leads_to_moving_and_to_cancelling(beds: httpx.Client, flow: Flow) -> None:
    save(beds, at("ten", "book"), **BOOKING)
    missed = {**BOOKING, "on": "2031-05-30", "date": "2031-05-31"}
    save(beds, at("nine", "book"), **missed)
    for path in ("/site/northbank", ROUND):
        page = beds.get(path).text
        assert "Booked for Tue 3 Jun at 09:30" in Page(page).text
        found = [link for link in Page(page).links if link.endswith("/book")]
        assert sorted(found) == sorted([at("ten", "book"), at("nine", "book")]), path
    assert "Missed: booked for Sat 31 May at 09:30" in said(beds.get(at("nine", "book")))
    links = Page(beds.get(at("ten", "book")).text).links
    (move,) = [link for link in links if re.search(r"/book/[0-9a-f-]{36}$", link)]
    (cancel,) = [link for link in links if link.endswith("/error")]
    assert "Move the booking" in said(beds.get(move))
    assert save(beds, move, date="2031-06-05").status_code == 303
    assert booked(flow, "ten") == [("2031-06-05", "09:30")]
    asked = said(beds.get(cancel))
    assert "Cancel the booking?" in asked and "entered in error" not in asked.casefold()
    answer = take_back(beds, cancel, by="Sister Lane")
    words = said(beds.get(answer.headers["location"]))
    assert "The booking is cancelled. It stays on record" in words and "Book it again" in words
    assert booked(flow, "ten") == [] and "Booked for" not in row(beds.get("/").text, "ten")
    seen = flow.infant(key_of("ten"))
    versions = {fact.version.number: fact.name for fact in seen.facts if fact.resource.endswith(move.split("/")[-1])}
    assert versions == {1: "booking", 2: "booking", 3: "retracted"}


def test_a_booking_that_the_site_sent_is_changed_there(own_ward: httpx.Client, flow: Flow) -> None:
    value = {"on": "2031-05-30", "date": "2031-06-03", "by": "Eye desk"}
    sent = fill("booking", value, id="b-1", version=1, patient="today", author="Eye desk", authored=NOW)
    send(flow, "northbank", sent)
    page = own_ward.get(at("today", "book"))
    assert "Booked already for Tue 3 Jun. A new one stands beside it. The site sent it" in said(page)
    assert not [link for link in Page(page.text).links if "/book/" in link]


# --- the sheet -----------------------------------------------------------------------------------------------------


def test_who_is_due_booked_or_missed_is_on_it_and_nobody_else(beds: httpx.Client) -> None:
    assert set(on_sheet(beds.get(ROUND))) == {"Girl Two", "Girl Nine", "Girl Ten", "Ada Lanternfish", "Bo Teakettle"}
    before = beds.get("/site/northbank/round/2031-05-15")
    assert "Ada Lanternfish" not in on_sheet(before)
    assert "Cy Driftwood" not in on_sheet(beds.get(ROUND)), "must be known by a later day"
    save(beds, at("vague", "book"), **{**BOOKING, "date": "2031-06-01"})
    assert "Cy Driftwood" in on_sheet(beds.get(ROUND))
    save(beds, at("light", "book"), **{**BOOKING, "date": "2031-06-04"})
    assert "Ed Pepperpot" not in on_sheet(beds.get(ROUND))
    assert "Ed Pepperpot" in on_sheet(beds.get(f"{ROUND}?ahead=3"))


def test_by_bed_as_they_are_counted_or_by_rank_as_on_the_list(beds: httpx.Client, flow: Flow) -> None:
    by_bed = ["Girl Two", "Girl Nine", "Girl Ten", "Ada Lanternfish", "Bo Teakettle"]
    assert on_sheet(beds.get(ROUND)) == on_sheet(beds.get(f"{ROUND}?order=bed")) == by_bed
    ranked = [entry.name for entry in flow.worklist("northbank") if entry.name in by_bed]
    assert on_sheet(beds.get(f"{ROUND}?order=rank")) == ranked != by_bed


def test_a_name_is_a_name_on_the_sheet(own_ward: httpx.Client) -> None:
    page = own_ward.get("/site/eastmere/round/2031-07-01")
    assert HOSTILE in said(page) and HOSTILE not in page.text


@pytest.mark.parametrize(
    "path",
    ["/site/nowhere/round/2031-06-01", "/site/northbank/round/tomorrow", f"{ROUND}?order=name", f"{ROUND}?ahead=99",
     f"{ROUND}?ahead=-1", at("today", "exam") + "?round=northbank"],
)  # fmt: skip
def test_what_is_no_round_says_so(ward: httpx.Client, path: str) -> None:
    assert ward.get(path).status_code in (400, 404)


def test_on_paper_it_has_boxes_and_no_buttons(beds: httpx.Client) -> None:
    with a_browser() as browser, a_page(browser, str(beds.base_url), viewport={"width": 1280, "height": 900}) as page:
        page.goto(ROUND)
        boxes = page.locator("td.write")
        expect(boxes.first).to_be_hidden()
        page.emulate_media(media="print")
        assert boxes.count() == 5 * 2 * 5, "five boxes for each eye of each infant"
        assert all(boxes.nth(n).is_visible() for n in range(boxes.count()))
        for gone in ("button", "input[type=checkbox]", ".choose", "nav", ".book-them", ".acts"):
            assert not any(each.is_visible() for each in page.locator(gone).all()), gone
        expect(page.locator(".running")).to_contain_text("Northbank Sunday 1 June 2031 Examiner")
        expect(page.locator(".key-to-boxes")).to_contain_text("International Classification of ROP")
        expect(page.locator("footer.caution")).to_contain_text("Decision support, not a medical device.")
        # Chromium writes a page's margin boxes, and so its number, only into a PDF.
        assert page.pdf(format="A4", prefer_css_page_size=True).startswith(b"%PDF")


# --- many ----------------------------------------------------------------------------------------------------------


def tick(client: httpx.Client, *patients: str, path: str = ROUND, **typed: str) -> httpx.Response:
    fields = in_book(client, path) | {"infant": [key_of(each) for each in patients]}
    return send_form(client, path.partition("?")[0], fields, **{"by": "Sister Lane", **typed}, do="show")


def confirm(client: httpx.Client, shown: httpx.Response, path: str = ROUND, **typed: str) -> httpx.Response:
    return send_form(client, path, Form(shown.text.partition('<form id="book"')[2]).fields, **typed, do="save")


def booked(flow: Flow, patient: str) -> list[tuple[str, str]]:
    return [(str(each.day), each.time) for each in flow.infant(key_of(patient)).course.bookings]


def test_many_are_booked_at_once_when_what_follows_was_seen(beds: httpx.Client, flow: Flow) -> None:
    day = "/site/northbank/round/2031-06-03"
    windows = {entry.key: entry.window for entry in flow.worklist()}
    shown = tick(beds, "ten", "today", path=day, time="10:15")
    words = said(shown)
    assert "2 infants are booked for Tue 3 Jun at 10:15." in words and "1 needs a look:" in words
    assert "After the window closes:" in words and "Girl Ten" in words
    assert booked(flow, "ten") == booked(flow, "today") == []
    saved = confirm(beds, shown, day)
    assert saved.status_code == 303
    assert "2 infants are booked. What is due stays due as it was." in said(beds.get(saved.headers["location"]))
    assert booked(flow, "ten") == booked(flow, "today") == [("2031-06-03", "10:15")]
    assert booked(flow, "nine") == []
    assert {entry.key: entry.window for entry in flow.worklist()} == windows


def test_pressing_twice_books_once_and_other_words_are_shown_again(beds: httpx.Client, flow: Flow) -> None:
    shown = tick(beds, "ten", "nine")
    answers = [confirm(beds, shown) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [303, 303]
    assert booked(flow, "ten") == booked(flow, "nine") == [("2031-06-01", "")]
    changed = confirm(beds, shown, time="11:00")
    assert changed.status_code == 409 and "saved before, with other words" in said(changed)
    assert booked(flow, "ten") == [("2031-06-01", "")]
    confirm(beds, changed)
    assert booked(flow, "ten") == [("2031-06-01", ""), ("2031-06-01", "11:00")]


def test_nothing_is_booked_that_was_not_shown(beds: httpx.Client, flow: Flow) -> None:
    shown = tick(beds, "ten")
    more = confirm(beds, shown, examiner="Dr Marsh")
    assert more.status_code == 200 and "This is not what was shown before." in said(more)
    assert booked(flow, "ten") == []


def test_nobody_ticked_nobody_named_and_a_day_that_is_over(beds: httpx.Client, flow: Flow) -> None:
    nobody = tick(beds)
    assert nobody.status_code == 422 and "Nobody is ticked" in said(nobody)
    unnamed = tick(beds, "ten", by="", place="Eye room")
    assert unnamed.status_code == 422 and "This has to be filled in." in said(unnamed)
    kept = Form(unnamed.text.partition('<form id="book"')[2]).fields
    assert (kept["infant"], kept["place"]) == ([key_of("ten")], ["Eye room"])
    over = send_form(beds, "/site/northbank/round/2031-05-31", in_book(beds) | {"infant": [key_of("ten")]}, by="x")
    assert over.status_code == 422 and "This day is over" in said(over)
    assert booked(flow, "ten") == []


def test_another_sites_infant_cannot_be_booked_here(beds: httpx.Client, flow: Flow) -> None:
    fields = in_book(beds) | {"infant": [key_of("odd", "eastmere")]}
    assert send_form(beds, ROUND, fields, by="x", do="show").status_code == 422


def test_who_is_booked_already_is_said(beds: httpx.Client) -> None:
    save(beds, at("ten", "book"), **BOOKING)
    assert "Booked already for Tue 3 Jun at 09:30" in said(tick(beds, "ten"))


# --- typing it in --------------------------------------------------------------------------------------------------


def test_from_infant_to_infant_in_the_order_of_the_sheet(beds: httpx.Client, flow: Flow) -> None:
    page = beds.get(f"{ROUND}/typing?order=bed")
    assert "The sheet: 0 of 5 typed in" in said(page) and "First on the sheet" in said(page)
    for number, patient in enumerate(["two", "nine", "ten", "today", "late"], start=1):
        (link, *_) = [link for link in Page(page.text).links if "/exam?round=" in link]
        assert link == f"{at(patient)}/exam?round=northbank.2031-06-01.bed.0"
        shown = send_form(beds, link.partition("?")[0], Form(beds.get(link).text).fields, **NORMAL, do="show")
        saved = send_form(beds, link.partition("?")[0], Form(shown.text).fields, do="save")
        assert saved.status_code == 303
        page = beds.get(saved.headers["location"])
        assert "The exam is saved." in said(page)
        assert f"The sheet: {number} of 5 typed in" in said(page)
    assert "The whole sheet is typed in." in said(page)
    assert [str(exam.on) for exam in flow.infant(key_of("ten")).course.exams] == ["2031-06-01"]


def test_a_deferral_ticks_a_line_off_as_well(beds: httpx.Client) -> None:
    link = f"{at('nine')}/defer?round=northbank.2031-06-01.rank.0"
    typed = {"until": "2031-06-02", "reason": "unwell", "ophthalmologist": "Dr Reed", "neonatologist": "Dr Marsh"}
    shown = send_form(beds, link.partition("?")[0], Form(beds.get(link).text).fields, **typed, do="show")
    saved = send_form(beds, link.partition("?")[0], Form(shown.text).fields, do="save")
    assert saved.headers["location"].startswith(f"{ROUND}/typing?order=rank")
    page = said(beds.get(saved.headers["location"]))
    assert "Put off" in page and "1 of 5 typed in" in page


def test_a_round_that_is_over_is_dated_on_its_own_day(beds: httpx.Client) -> None:
    fields = Form(beds.get(f"{at('ten')}/exam?round=northbank.2031-05-30.bed.0").text).fields
    assert (fields["on"], fields["at"]) == (["2031-05-30"], [""])


def test_an_address_carries_nothing_but_keys_days_and_settings(beds: httpx.Client) -> None:
    save(beds, at("ten", "book"), **BOOKING)
    for path in (ROUND, f"{ROUND}/typing"):
        for link in Page(beds.get(path).text).links:
            assert not re.search(r"Girl|N-7|Bed|Reed|Lane|800", link), link


# --- who -----------------------------------------------------------------------------------------------------------


def test_whoever_only_looks_sees_the_sheet_and_books_and_types_nothing(own_ward: httpx.Client, flow: Flow) -> None:
    fields = in_book(own_ward) | {"infant": [key_of("today")]}
    register(flow, "auditor", "auditor", "northbank")
    with signed_in(str(own_ward.base_url), "auditor") as client:
        page = client.get(ROUND)
        assert "Ada Lanternfish" in said(page) and "checkbox" not in page.text and "/typing" not in page.text
        assert "/exam" not in client.get(f"{ROUND}/typing").text
        assert send_form(client, ROUND, fields, by="x", do="show").status_code == 403
    assert booked(flow, "today") == []


def test_another_site_has_no_round_and_no_list_to_carry_away(own_ward: httpx.Client, flow: Flow) -> None:
    register(flow, "nurse", "unit", "eastmere")
    with signed_in(str(own_ward.base_url), "nurse") as client:
        for path in (ROUND, f"{ROUND}/typing", "/site/northbank/round", "/site/northbank/list.csv"):
            assert client.get(path).status_code == 404, path
        assert "northbank" not in client.get("/round").text
        for path in ("/list.csv", "/list.ics"):
            assert "orthbank" not in client.get(path).text, path


def test_a_sheet_that_was_shown_and_a_list_carried_away_are_written_down(own_ward: httpx.Client, flow: Flow) -> None:
    person = register(flow, "nurse", "unit", "northbank")
    with signed_in(str(own_ward.base_url), "nurse") as client:
        client.get(ROUND)
        client.get("/site/northbank/list.ics")
    with flow.database.transaction() as connection:
        kinds = connection.exec_driver_sql("SELECT kind, site FROM looks WHERE person = %s", (person.id,)).all()
    assert ("list", "northbank") in kinds and ("export", "northbank") in kinds
