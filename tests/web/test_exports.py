"""The list to take away, read back by other programs' readers: csv, openpyxl, icalendar (PyPI)."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from zipfile import ZipFile

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar
from openpyxl import load_workbook
from web.bedside import at, save
from web.conftest import make_app
from web.serving import calling
from web.ward import HOSTILE, MAPPINGS, key_of, newborn, send, two_sites

from service.errors import ConfigurationError
from service.fhir.sites import load_standard, parse_site
from service.flow import Flow
from service.web.exports import _escape, _fold


def as_csv(answer: httpx.Response) -> list[dict[str, str]]:
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    return list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))


def as_xlsx(answer: httpx.Response) -> list[dict[str, Any]]:
    headings, *rows = load_workbook(io.BytesIO(answer.content)).active.iter_rows(values_only=True)
    return [dict(zip(headings, cells, strict=True)) for cells in rows]


def as_ics(answer: httpx.Response) -> list[Any]:
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    calendar = Calendar.from_ical(answer.content)
    assert calendar["VERSION"] == "2.0" and calendar.errors == []
    return list(calendar.walk("VEVENT"))


def test_all_three_hold_the_list_in_its_order(ward: httpx.Client) -> None:
    listed = [each["key"] for each in ward.get("/api/worklist").json()["entries"]]
    table, book = as_csv(ward.get("/list.csv")), as_xlsx(ward.get("/list.xlsx"))
    assert [each["name"] for each in table] == [each["name"] for each in book]
    assert len(table) == len(listed)
    events = [event["UID"][:36] for event in as_ics(ward.get("/list.ics"))]
    assert events == listed
    assert {each["site"] for each in as_csv(ward.get("/site/northbank/list.csv"))} == {"northbank"}


def test_days_are_days_and_numbers_numbers(ward: httpx.Client) -> None:
    (ada,) = [each for each in as_xlsx(ward.get("/site/northbank/list.xlsx")) if each["identifier"] == "N-100"]
    assert (ada["opens"], ada["closes"]) == (datetime(2031, 6, 1), datetime(2031, 6, 7))  # noqa: DTZ001
    assert (ada["birth_weight_g"], ada["gestational_age_at_birth"], ada["postnatal_days"]) == (780, "26w4d", 31)
    (again,) = [each for each in as_csv(ward.get("/site/northbank/list.csv")) if each["identifier"] == "N-100"]
    assert (again["opens"], again["birth_weight_g"], again["standing"]) == ("2031-06-01", "780", "Due now, 6 days left")


def test_of_a_day_that_is_over_or_ahead(ward: httpx.Client) -> None:
    then = as_csv(ward.get("/site/northbank/list.csv?as_of=2031-06-07"))
    assert [each["standing"] for each in then if each["identifier"] == "N-100"] == ["Last day today"]
    assert as_csv(ward.get("/site/northbank/list.csv?as_of=2031-05-31")) == [], "nobody was known then"
    name = ward.get("/site/northbank/list.xlsx?as_of=2031-06-07").headers["content-disposition"]
    assert name == 'attachment; filename="ridgeline-northbank-2031-06-07.xlsx"'


@pytest.mark.parametrize("formula", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", '=HYPERLINK("https://e.example";"x")'])
def test_a_spreadsheet_runs_nothing(own_ward: httpx.Client, flow: Flow, formula: str) -> None:
    send(flow, "northbank", newborn("formula", formula, "2031-05-25", "N-900"))
    (row,) = [each for each in as_csv(own_ward.get("/list.csv")) if each["identifier"] == "N-900"]
    assert row["name"] == f"'{formula.strip()}"
    answer = own_ward.get("/list.xlsx")
    book = load_workbook(io.BytesIO(answer.content))
    (cell,) = [cell for (cell,) in book.active.iter_rows(min_col=5, max_col=5) if cell.value == formula.strip()]
    assert cell.data_type != "f"
    with ZipFile(io.BytesIO(answer.content)) as parts:
        assert all(b"<f>" not in parts.read(name) for name in parts.namelist() if name.endswith(".xml"))


# --- the calendar --------------------------------------------------------------------------------------------------


def test_a_window_is_whole_days_and_takes_no_time(ward: httpx.Client) -> None:
    (ada,) = [each for each in as_ics(ward.get("/list.ics")) if each["UID"].startswith(key_of("today"))]
    assert (ada["DTSTART"].dt, ada["DTEND"].dt) == (date(2031, 6, 1), date(2031, 6, 8))
    assert (ada["TRANSP"], ada["SUMMARY"]) == ("TRANSPARENT", "First eye exam · Northbank")


def test_a_booking_stands_at_its_hour_on_the_sites_clock(own_ward: httpx.Client) -> None:
    save(own_ward, at("today", "book"), date="2031-06-03", time="09:30", place="Room of Ada", by="Sister Lane")
    (event,) = [each for each in as_ics(own_ward.get("/list.ics")) if "booked" in each["UID"]]
    assert event["DTSTART"].dt.isoformat() == "2031-06-03T15:30:00+00:00"  # Denver is six hours behind in summer
    assert (event["SUMMARY"], event.get("DESCRIPTION")) == ("Booked: eye exam · Northbank", None)


def test_a_calendar_names_nobody_unless_the_site_says_so(own_ward: httpx.Client, flow: Flow) -> None:
    save(own_ward, at("today", "book"), date="2031-06-03", time="09:30", place="Eye room", by="Sister Lane")
    for path in ("/list.ics", "/site/northbank/list.ics", "/site/eastmere/list.ics"):
        text = own_ward.get(path).text
        for secret in ("Ada", "Lanternfish", "N-100", "Teakettle", "script", "Lane", "Eye room", "780", "26w4d"):
            assert secret not in text, (path, secret)
    sites = {id: replace(site, calendar_names=id == "northbank") for id, site in two_sites().items()}
    named = Flow(flow.database, sites, flow.policies, flow.clock)
    with calling(make_app(named)) as client:
        titles = [str(each["SUMMARY"]) for each in as_ics(client.get("/list.ics"))]
    assert "First eye exam · Ada Lanternfish N-100 · Northbank" in titles
    assert not any("script" in title for title in titles), "the other site has not allowed it"
    assert HOSTILE not in " ".join(titles)


def test_the_sites_file_says_so_in_one_way_only() -> None:
    base = {"id": "x", "name": "X", "timezone": "Europe/Oslo", "policy": "aap-2018"}

    standard = load_standard(MAPPINGS / "_standard.toml")
    assert parse_site(dict(base), "x.toml", standard).calendar_names is False
    assert parse_site({**base, "calendar": {"names": True}}, "x.toml", standard).calendar_names is True
    for wrong in ({"names": "yes"}, {"name": True}):
        with pytest.raises(ConfigurationError):
            parse_site({**base, "calendar": wrong}, "x.toml", standard)


@given(st.text(alphabet=st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs", "Co", "Zl", "Zp"])))
def test_any_text_comes_back_from_a_calendar(text: str) -> None:
    line = _fold(f"SUMMARY:{_escape(text)}")
    assert all(len(piece.encode()) <= 75 for piece in line.split("\r\n"))
    whole = (
        f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1\r\n{line}\r\nEND:VEVENT\r\nEND:VCALENDAR"
    )
    (event,) = Calendar.from_ical(whole).walk("VEVENT")
    assert str(event["SUMMARY"]) == "".join(" " if character.isspace() else character for character in text)


@pytest.mark.parametrize("path", ["/list.pdf", "/site/northbank/list.doc", "/site/nowhere/list.csv"])
def test_what_is_not_there_says_so(ward: httpx.Client, path: str) -> None:
    assert ward.get(path).status_code == 404
