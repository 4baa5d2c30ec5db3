"""The pages, over real infants in a real database."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from urllib.parse import quote

import httpx
from web.ward import HOSTILE, NOW, age, key_of, newborn, send, two_sites, weight

from service.flow import Flow
from service.web.pages import Pages


class Page(HTMLParser):
    """What a reader sees, part by part, and what a strict content security policy would refuse."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.ids: list[str] = []
        self.refused: list[str] = []
        self.headings: list[str] = []
        self.links: list[str] = []
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        if tag not in ("meta", "link", "input", "img", "br"):
            self._open.append(tag)
        if values.get("id"):
            self.ids.append(str(values["id"]))
        self.refused += [name for name in values if name == "style" or name.startswith("on")]
        if tag in ("style", "iframe", "object") or (tag == "script" and "src" not in values):
            self.refused.append(tag)
        self.links += [str(values[name]) for name in ("href", "src", "action") if name in values]

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag, f"unbalanced {tag}"

    def handle_data(self, data: str) -> None:
        words = " ".join(data.split())
        if words and self._open[-1:] not in (["script"], ["style"], ["title"]):
            self.words.append(words)
            if re.fullmatch("h[1-6]", self._open[-1] if self._open else ""):
                self.headings.append(words)

    @property
    def text(self) -> str:
        return " ".join(self.words)


def section(text: str, name: str) -> str:
    """The part of the list under one heading."""
    found = re.search(rf'<section class="bucket" aria-labelledby="{name}">.*?</section>', text, re.DOTALL)
    assert found, name
    return found[0]


def row(text: str, patient: str, site: str = "northbank") -> str:
    found = re.search(
        rf'<li class="entry [a-z -]+" id="infant-{key_of(patient, site)}">.*?\n</li>(?=\s*<)', text, re.DOTALL
    )
    assert found, patient
    return Page(found[0]).text


def test_each_infant_stands_in_the_section_of_its_day(ward: httpx.Client) -> None:
    text = ward.get("/").text
    assert "Ada Lanternfish" in section(text, "today")
    assert "Bo Teakettle" in section(text, "overdue")
    assert "Cy Driftwood" in section(text, "unjudged")
    assert "Di Oatcake" not in text
    assert "7 infants are known" not in text
    assert "6 infants are known. Not on this list: 1 not to be examined by the policy." in Page(text).text


def test_a_row_says_who_where_ages_what_when_why_and_how_sure(ward: httpx.Client) -> None:
    said = row(ward.get("/").text, "today")
    # 26w4d is 186 days; AAP 2018: the later of 31w0d and 28 days is day 31, and the window is 31w0d to 31w6d.
    for words in (
        "Due now, 6 days left", "Ada Lanternfish", "N-100", "Northbank", "First eye exam", "Sun 1 Jun to Sat 7 Jun",
        "Born at 26w4d", "Birth weight 780 g", "Age 31 days", "PMA 31w0d",
        "780 g is within 1500 g", "AAP 2018", "read in the source", "aap-2018 revision",
    ):  # fmt: skip
        assert words in said, words


def test_days_over_and_left_hospital_are_said_in_words(ward: httpx.Client) -> None:
    said = row(ward.get("/").text, "late")
    # Born 2031-04-01 at 25w3d: day 39 is 10 May, the window closes six days later, 16 days before 1 June.
    assert "16 days over" in said
    assert "Sat 10 May to Fri 16 May" in said
    assert "Left hospital" in said


def test_what_cannot_be_judged_says_what_to_record_and_by_when(ward: httpx.Client) -> None:
    said = row(ward.get("/").text, "vague")
    assert "Record gestational age at birth and birth weight" in said
    assert "Needed in" in said
    assert "not known" in said


def test_each_site_has_its_own_day_and_its_own_list(ward: httpx.Client) -> None:
    everywhere = Page(ward.get("/").text).text
    assert "Sunday 1 June 2031 in Northbank" in everywhere
    assert "Monday 2 June 2031 in Eastmere" in everywhere
    north = Page(ward.get("/site/northbank").text).text
    assert "Monday 2 June" not in north
    assert "Ada Lanternfish" in north
    assert "E-100" not in north


def test_the_list_of_another_day(ward: httpx.Client) -> None:
    text = ward.get("/?as_of=2031-06-09").text
    assert "2 days over" in row(text, "today")  # closes 7 June
    assert "Monday 9 June 2031" in Page(text).text
    assert "/static/live.js" not in text
    assert f"/infant/{key_of('today')}?as_of=2031-06-09" in text


def test_a_name_is_text_on_every_page(ward: httpx.Client) -> None:
    key = key_of("odd", "eastmere")
    for path in ("/", "/site/eastmere", f"/infant/{key}"):
        text = ward.get(path).text
        assert "<script>alert" not in text
        assert "<img" not in text
        assert "alert(&#34;x&#34;)" in text
        assert HOSTILE in Page(text).text, path


def test_no_page_needs_what_the_policy_forbids_and_every_id_is_one(ward: httpx.Client) -> None:
    for path in ("/", "/site/northbank", f"/infant/{key_of('today')}", "/unread", "/nowhere", "/?as_of=2031-01-01"):
        page = Page(ward.get(path).text)
        assert page.refused == [], path
        assert len(page.ids) == len(set(page.ids)), path
        assert all(link.startswith(("/", "#")) for link in page.links), path


def test_every_page_says_the_caution(ward: httpx.Client) -> None:
    for path in ("/", "/site/northbank", f"/infant/{key_of('today')}", "/unread", "/nowhere"):
        said = Page(ward.get(path).text).text
        assert "Decision support, not a medical device. The local guideline and licensed clinicians decide." in said


def test_every_link_on_a_page_leads_somewhere(ward: httpx.Client) -> None:
    for path in ("/", f"/infant/{key_of('light')}", "/unread"):
        page = Page(ward.get(path).text)
        for link in page.links:
            if link.startswith("#"):
                assert link[1:] in page.ids, link
            else:
                assert ward.get(link).status_code == (303 if link == "/language" else 200), link


def test_names_and_numbers_are_in_no_address(ward: httpx.Client) -> None:
    for path in ("/", "/unread", f"/infant/{key_of('today')}"):
        for link in Page(ward.get(path).text).links:
            assert not re.search("Ada|Lanternfish|N-100", link), link


def test_one_infant_shows_facts_sources_and_decisions(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", weight("today", 790, version=2))
    said = Page(own_ward.get(f"/infant/{key_of('today')}").text).text
    for words in (
        "Observation/today-bw", "790 g", "780 g replaced by a newer version", "26w4d", "Why this infant", "AAP 2018",
        "N-100", "First eye exam", "to be examined", "31-weeks-or-4-weeks",
    ):  # fmt: skip
        assert words in said, words
    assert "Not known here" not in said


def test_an_infant_with_nothing_due_says_why(ward: httpx.Client) -> None:
    said = Page(ward.get(f"/infant/{key_of('term')}").text).text
    assert "Nothing is due: not to be examined by the policy." in said
    assert "2900 g is above 1500 g" in said


def test_what_could_not_be_read_stands_beside_its_original(ward: httpx.Client) -> None:
    text = ward.get("/unread").text
    assert "<mark>1.36</mark>" in text
    assert f"/infant/{key_of('light')}" in text
    said = Page(text).text
    assert "Observation.valueQuantity" in said
    assert "Observation/light-bw" in said
    listed = Page(ward.get("/").text).text
    assert "1 thing could not be read." in listed


def test_a_corrected_version_takes_the_line_off(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", weight("light", 1360, version=2))
    assert "Everything that arrived could be read" in Page(own_ward.get("/unread").text).text
    assert "could not be read." not in Page(own_ward.get("/").text).text


def test_original_that_is_no_json_is_shown_escaped(own_ward: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", b'{"resourceType": "Patient", <script>alert(2)</script>')
    text = own_ward.get("/unread").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(2)" in text


def test_an_empty_installation_teaches(client: httpx.Client) -> None:
    said = Page(client.get("/").text).text
    assert "No infant has arrived yet" in said
    assert "An empty list is no proof that nobody is due." in said
    assert "ridgeline ingest FILE --site northbank" in said
    assert "/hooks/northbank/" in said


def test_a_list_on_which_nobody_waits_says_who_is_known(client: httpx.Client, flow: Flow) -> None:
    send(flow, "northbank", newborn("term", "Di Oatcake", "2031-05-20", "N-1"), age("term", 259), weight("term", 2900))
    said = Page(client.get("/").text).text
    assert "1 infant is known. Not on this list: 1 not to be examined by the policy." in said
    assert said.count("Nobody.") == 2


def test_what_is_not_known_is_a_page_with_a_sentence(ward: httpx.Client) -> None:
    unknown = f"/infant/{key_of('nobody')}"
    for path in ("/nowhere", "/site/zz", "/infant/zz", unknown, "/static/zz", "/static/..%2fpages.py"):
        answer = ward.get(path)
        assert answer.status_code == 404, path
        assert answer.headers["content-type"].startswith("text/html")
        assert len(Page(answer.text).headings[0]) > 10
    bad = ward.get("/?as_of=tomorrow")
    assert bad.status_code == 400
    assert "A day is written 2031-06-01." in bad.text
    assert "tomorrow" not in bad.text
    assert ward.post("/", headers={"Sec-Fetch-Site": "same-origin"}).status_code == 405


def test_the_asked_for_path_is_not_echoed_unescaped(ward: httpx.Client) -> None:
    text = ward.get("/site/" + quote('"><script>alert(1)</script>', safe="")).text
    assert "<script>alert" not in text


def test_head_answers_as_get_without_a_body(ward: httpx.Client) -> None:
    for path in ("/", "/site/northbank", "/unread", f"/infant/{key_of('today')}", "/static/live.js"):
        answer = ward.head(path)
        assert answer.status_code == 200, path


def test_many_sites_do_not_fill_the_head_of_every_page() -> None:
    def sites_named(count: int) -> list[str]:
        sites = {f"s{n}": replace(two_sites()["northbank"], id=f"s{n}", name=f"Site {n}") for n in range(count)}
        page = Page(Pages(sites).render("problem.html", here="s3", status=404, sentence="Nothing."))
        return [link for link in page.links if link.startswith("/site/")]

    assert sites_named(8) == [f"/site/s{n}" for n in range(8)]
    assert sites_named(9) == ["/site/s3"]  # the one looked at; the page of all sites leads to the others


def test_the_downtime_page_needs_nothing_but_itself(own_ward: httpx.Client, flow: Flow) -> None:
    text = Pages(two_sites()).worklist(
        flow.worklist(), flow.today, NOW, census=flow.census(), unread=len(flow.rejections()), self_contained=True
    )
    page = Page(text)
    assert "<style>" in text
    assert "<script" not in text
    assert [link for link in page.links if not link.startswith("#")] == []
    assert "</style" in text and "<link" not in text
    assert "Ada Lanternfish" in page.text and "Bo Teakettle" in page.text
    assert "20:00 on Sunday 1 June 2031 UTC" in page.text
    assert "anything that arrived later is not on it" in page.text
    one = Pages(two_sites()).worklist(
        flow.worklist("northbank", date(2031, 6, 3)), lambda _: date(2031, 6, 3), NOW,
        census=flow.census("northbank"), unread=0, site="northbank", as_of=date(2031, 6, 3), self_contained=True,
    )  # fmt: skip
    assert "14:00 on Sunday 1 June 2031" in Page(one).text  # 20:00 UTC in Denver, UTC-6 in summer
    assert "E-100" not in one
