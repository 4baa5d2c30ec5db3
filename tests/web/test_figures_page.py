"""The figures as people see them: charts with their numbers as text, in words that say what is counted, and as CSV."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from xml.etree import ElementTree

import httpx
import pytest
from playwright.sync_api import expect
from web.browsing import a_browser, a_page
from web.conftest import make_app
from web.serving import calling, serve
from web.staff import register, signed_in
from web.test_policies_pages import plain
from web.ward import NOW, age, fill, newborn, send, two_sites, weight

from service.core.figures import FIGURES, Point, read_runs
from service.fhir.forms import fill as write
from service.flow import Flow
from service.policies import load_policies
from service.store.arrivals import Arrival
from service.store.database import Database
from service.web.figures import DEFINITIONS, OUTCOMES, add, lay_out, say_part
from service.web.run_chart import draw_run_chart

MAY, JUNE = date(2031, 5, 1), date(2031, 6, 1)


def tallies(**counts: int) -> dict[tuple[str, date], Counter[str]]:
    return {("first-exam", MAY): Counter(counts)}


# --- words and numbers -----------------------------------------------------------------------------------------------


def test_every_figure_and_outcome_has_its_words() -> None:
    assert list(DEFINITIONS) == list(FIGURES)
    assert {outcome for outcomes in FIGURES.values() for outcome in outcomes} == set(OUTCOMES)
    for figure, words in DEFINITIONS.items():
        assert all(set(share.outcomes) < set(FIGURES[figure]) for share in words.shares)


def test_a_part_is_never_a_bare_percentage() -> None:
    assert say_part(4, 5) == "4 of 5"
    assert say_part(9, 10) == "9 of 10 (90 %)"
    assert say_part(0, 9) == "0 of 9"
    assert say_part(0, 0) == "none to count"


def test_sites_are_added_and_the_month_that_goes_on_is_not_charted() -> None:
    one, two = (
        {("first-exam", MAY): Counter({"on-time": 8, "late": 2}), ("first-exam", JUNE): Counter(missing=3)},
        {("first-exam", MAY): Counter({"on-time": 4, "missing": 1})},
    )
    assert add([one, two])["first-exam", MAY] == Counter({"on-time": 12, "late": 2, "missing": 1})
    section = lay_out("first-exam", {"North": one, "East": two}, [MAY, JUNE])
    assert section.outcomes == ("On time", "Early", "Late", "Missing")
    may, june = section.months
    assert (may.name, may.counts, may.of, may.shares) == ("May 2031", (12, 0, 2, 1), 15, ("12 of 15 (80 %)",))
    assert (june.name, june.counts, june.of, june.shares) == ("Jun 2031 so far", (0, 0, 0, 3), 3, ("0 of 3",))
    assert section.total.counts == (12, 0, 2, 4)
    assert [(line.name, line.shares) for line in section.sites] == [
        ("North", ("8 of 13 (62 %)",)), ("East", ("4 of 5",)),
    ]  # fmt: skip
    picture = str(section.charts[0].picture)
    assert "12/15" in picture
    assert "0/3" not in picture
    assert lay_out("first-exam", {"North": one}, [MAY, JUNE]).sites == ()
    assert lay_out("treatment", {"North": one}, [MAY, JUNE]).charts[0].picture is None


def test_the_chart_says_in_words_whether_it_is_more_than_chance() -> None:
    months = [date(2029 + n // 12, n % 12 + 1, 1) for n in range(17)]
    shifted = {
        ("record", month): Counter(complete=4 if n < 8 else 9, incomplete=6 if n < 8 else 1)
        for n, month in enumerate(months)
    }
    (chart,) = lay_out("record", {"North": shifted}, months).charts
    assert "The median of 16 months is 65 %, with 10 counted in a month." in chart.reading
    assert any(words.startswith("More than chance: 8 months in a row") for words in chart.reading)
    steady = {("record", month): Counter(complete=8 + n % 2, incomplete=2 - n % 2) for n, month in enumerate(months)}
    (chart,) = lay_out("record", {"North": steady}, months).charts
    assert any(words.startswith("No more than chance") for words in chart.reading)
    (chart,) = lay_out("record", {"North": steady}, months[:6]).charts
    assert "Too few months lie off the median to say whether anything has changed." in chart.reading


def test_a_chart_is_drawn_where_its_numbers_are() -> None:
    points = [Point(MAY, 9, 12), Point(JUNE, 0, 0), Point(date(2031, 7, 1), 1, 4), Point(date(2031, 8, 1), 3, 4)]
    runs = read_runs([0.75, 0.25, 0.75])
    names = [("May", "2031"), ("Jun", "2031"), ("Jul", "2031"), ('<b>"', "2031")]
    svg = str(draw_run_chart(points, runs, 'said <here> "so"', names, "median 75 %"))
    tree = ElementTree.fromstring(svg)
    circles = [(each.get("class"), each.get("cx"), each.get("cy")) for each in tree.iter("circle")]
    assert circles == [("many", "12.5%", "57.5"), ("few", "62.5%", "132.5"), ("few", "87.5%", "57.5")]
    lines = [(each.get("x1"), each.get("x2")) for each in tree.iter("line") if each.get("class") == "run"]
    assert lines == [("62.5%", "87.5%")]  # the month in which nothing was to be counted breaks the line
    told = [each.text for each in tree.iter("text")]
    assert {"9/12", "1/4", "3/4", "–", "median 75 %", "100 %"} <= set(told)
    assert "style=" not in svg
    assert tree.find(".//svg[@class='plot']").get("aria-label") == 'said <here> "so"'  # type: ignore[union-attr]


# --- the page --------------------------------------------------------------------------------------------------------


class House:
    """Two sites whose clock the test moves."""

    def __init__(self, database: Database) -> None:
        self.now = NOW
        self.flow = Flow(database, two_sites(), load_policies(), lambda: self.now)
        fill(self.flow)

    def examine(self, patient: str, on: date) -> None:
        eye = {"zone": "II", "stage": "1", "plus": "none"}
        body = write("eye-exam", {"on": on.isoformat(), "right": eye, "left": eye}, id=f"{patient}-{on}", version=1,
                     patient=patient, author="Dr Invented", authored=self.now)  # fmt: skip
        (receipt,) = self.flow.accept([Arrival("northbank", "hand", json.dumps(body).encode())])
        assert receipt.digested
        assert receipt.rejections == 0

    def cohort(self) -> None:
        """Twelve infants born at 26w4d on 1 May (the first exam from 1 to 7 June, AAP 2018): nine seen on the 2nd, one
        on the 8th, two not at all. With "today" of the ward, who is like them and seen on the 3rd, thirteen."""
        for n in range(12):
            id = f"c{n}"
            send(self.flow, "northbank", newborn(id, f"Baby {n}", "2031-05-01", f"C-{n}"), age(id, 186),
                 weight(id, 780))  # fmt: skip
        for day, who in ((2, range(9)), (3, ["today"]), (8, [9])):
            self.now = datetime.fromisoformat(f"2031-06-{day:02}T20:00:00+00:00")
            for n in who:
                self.examine(n if isinstance(n, str) else f"c{n}", date(2031, 6, day))
        self.now = NOW + timedelta(days=40)  # 11 July


@pytest.fixture
def house(database: Database) -> House:
    return House(database)


@pytest.fixture
def client(house: House) -> Iterator[httpx.Client]:
    with calling(make_app(house.flow)) as client:
        yield client


def cells(page: str, heading: str) -> dict[str, list[str]]:
    """First cell of a row -> the others, of the first table under a heading."""
    table = page[page.index(f"{heading}-title") :]
    table = table[table.index("<tbody>") : table.index("</table>")]
    rows = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S) for row in table.split("</tr>")]
    return {row[0]: row[1:] for row in rows if row}


def test_the_numbers_are_in_a_table_beneath_each_chart(house: House, client: httpx.Client) -> None:
    house.cohort()
    page = client.get("/figures", params={"site": "northbank"}).text
    june = cells(page, "first-exam")["Jun 2031"]
    assert june == ["10 of 13 (77 %)", "10", "0", "1", "2", "13"]
    may = cells(page, "first-exam")["May 2031"]  # "late", of 25w3d and born on 1 April: from 10 to 16 May
    assert may == ["0 of 1", "0", "0", "0", "1", "1"]
    repeat = cells(page, "repeat-exam")["Jun 2031"]  # asked for on the 14th day, and nobody came again
    assert repeat == ["0 of 11 (0 %)", "0", "0", "0", "11", "11"]
    assert cells(page, "record")["Jun 2031"] == ["11 of 11 (100 %)", "11", "0", "0", "11"]
    assert cells(page, "first-exam")["Jul 2031 so far"][0] == "none to count"
    assert page.count("<figure") == 7
    for words in DEFINITIONS.values():
        assert words.counted in plain(page).replace("&#39;", "'")
        assert words.left_out in plain(page)
    assert "10/13" in page


def test_all_sites_are_added_and_told_apart(house: House, client: httpx.Client) -> None:
    house.cohort()
    page = client.get("/figures").text
    both = cells(page, "first-exam")["All months"]
    table = page[page.index("first-exam-title") :]
    table = table[table.index("by site, over all these months") :]
    by_site = {
        row[0]: row[-1]
        for row in re.findall(
            r'<tr><th scope="row">(\w+)</th>.*?<td class="number">(\d+)</td></tr>', table[: table.index("</table>")]
        )
    }
    assert int(both[-1]) == sum(map(int, by_site.values()))
    assert set(by_site) == {"Northbank", "Eastmere"}


def test_the_numbers_can_be_taken_away(house: House, client: httpx.Client) -> None:
    house.cohort()
    answer = client.get("/figures.csv", params={"figure": "first-exam", "site": "northbank", "months": 3})
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.headers["content-disposition"] == 'attachment; filename="figures-first-exam-northbank.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert {row["month"] for row in rows} == {"2031-05", "2031-06", "2031-07"}
    june = {row["outcome"]: (row["number"], row["of"]) for row in rows if row["month"] == "2031-06"}
    assert june == {"on-time": ("10", "13"), "early": ("0", "13"), "late": ("1", "13"), "missing": ("2", "13")}
    assert {row["counted_before"] for row in rows} == {"2031-07-11"}
    everything = list(csv.DictReader(io.StringIO(client.get("/figures.csv").text)))
    assert {row["figure"] for row in everything} == set(FIGURES)
    assert {row["site"] for row in everything} == {"northbank", "eastmere"}
    assert len(everything) == 2 * 12 * sum(map(len, FIGURES.values()))
    assert client.get("/figures.csv", params={"figure": "patients"}).status_code == 404
    assert client.get("/figures", params={"site": "nowhere"}).status_code == 404
    assert client.get("/figures", params={"months": 0}).status_code == 400
    assert "Teakettle" not in answer.text + client.get("/figures").text  # numbers, and nobody's name


def test_before_anything_is_over_the_page_teaches(database: Database) -> None:
    flow = Flow(database, two_sites(), load_policies(), lambda: NOW)
    with calling(make_app(flow)) as client:
        page = plain(client.get("/figures").text)
    assert "Nothing has been counted yet" in page
    assert "so there is no chart" in page


def test_a_site_that_may_not_be_seen_is_not_counted(house: House) -> None:
    house.cohort()
    register(house.flow, "sorrel", "unit", "eastmere")
    with serve(make_app(house.flow)) as address, signed_in(address, "sorrel") as client:
        assert client.get("/figures", params={"site": "northbank"}).status_code == 404
        assert client.get("/figures.csv", params={"site": "northbank"}).status_code == 404
        assert "northbank" not in client.get("/figures.csv").text
        assert "10/13" not in client.get("/figures").text


def test_on_a_phone_without_a_script(house: House) -> None:
    house.cohort()
    with (
        a_browser() as browser, serve(make_app(house.flow)) as address,
        a_page(browser, address, java_script_enabled=False) as page,
    ):  # fmt: skip
        page.goto("/figures")
        page.locator("select[name=site]").select_option("northbank")
        page.locator("select[name=months]").select_option("24")
        page.get_by_role("button", name="Show").press("Enter")
        expect(page.get_by_role("heading", level=1)).to_contain_text("Northbank")
        expect(page.get_by_role("table", name="First exams on time, by month")).to_contain_text("10 of 13 (77 %)")
        expect(page.get_by_role("img", name=re.compile("First exams on time, by month"))).to_be_visible()
