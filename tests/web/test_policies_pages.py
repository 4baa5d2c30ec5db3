"""The pages of policies: every edition as its tables, what differs, what another would change, who puts it in use."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import httpx
import pytest
from playwright.sync_api import expect
from web.bedside import Form, send_form
from web.browsing import a_browser, a_page
from web.conftest import make_app
from web.serving import calling, serve
from web.staff import register, signed_in
from web.ward import NOW, age, fill, newborn, send, two_sites, weight

from service.core.care import Candidate
from service.core.intervals import every_finding, interval, need
from service.core.policy import Policy
from service.flow import Flow
from service.policies import FOLDER, load_policies
from service.store.database import Database
from service.web.edition_words import SURETY, compare_editions, say_edition
from service.web.examples_words import say_examples
from service.web.guidelines import digest

POLICIES = load_policies()
DAY = date(2031, 6, 1)


def plain(text: str) -> str:
    """What a page says, without its marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).replace("&#39;", "'")


def differences(first: str | Policy, second: str | Policy, part: str) -> dict[str, tuple[str, str, str]]:
    one, two = (POLICIES[each] if isinstance(each, str) else each for each in (first, second))
    return {
        each.about: (each.first, each.second, each.verdict)
        for id, _, found in compare_editions(one, two) if id == part
        for each in found
    }  # fmt: skip


# --- words -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("id", sorted(POLICIES))
def test_every_rule_of_an_edition_is_on_its_page_with_where_it_comes_from(id: str) -> None:
    policy = POLICIES[id]
    rules = [rule for part in say_edition(policy) for rule in part.rules]
    clock = policy.care.clock.origin
    assert len(rules) == len(policy.origins) + 1  # the clock is two rows: type 1, and aggressive disease
    told = sorted((rule.cite, rule.surety, rule.note) for rule in rules)
    origins = [*policy.origins, clock]
    assert told == sorted((each.cite, SURETY[each.surety], each.note) for each in origins)
    for rule in rules:
        assert rule.doubtful == (rule.surety not in (SURETY["read"], SURETY["computed"]))
        assert all(rule.cells), rule


def test_a_table_in_words() -> None:
    parts = {part.id: {rule.id: rule.cells for rule in part.rules} for part in say_edition(POLICIES["aap-2018"])}
    assert parts["criteria"]["birth-weight"] == ("birth weight of 1500 g or less",)
    assert parts["criteria"]["gestational-age"] == ("born at 30w6d or earlier",)
    later = "the later of 31w0d PMA and 28 days of age"
    assert parts["first-exam"]["31-weeks-or-4-weeks"] == (
        "everyone examined", later, later, "the later of 31w6d PMA and 34 days of age",
    )  # fmt: skip
    assert parts["repeat"]["zone-ii-stage-2"] == (
        "posterior zone II or zone II, stage 2, without plus disease", "in 7 to 14 days",
    )  # fmt: skip
    assert parts["repeat"]["aggressive"] == ("aggressive ROP", "in 7 days")
    assert parts["treatment"]["treatment"] == ("type 1", "72 hours", "72 hours")
    assert parts["reviews"]["laser-2-weeks"][:4] == ("laser", "day 10", "day 10", "day 14")
    assert parts["watch"]["injection-to-65-weeks"][:2] == ("65w0d PMA", "in 14 to 21 days")
    (stop,) = parts["stop"]["zone-iii-without-posterior-rop"]
    assert stop.split("; ") == [
        "the vessels end in zone III, the nasal ones at the ora serrata", "there never was ROP in zone I or II",
        "before 35w0d PMA only if two exams show it",
    ]  # fmt: skip
    uk = {part.id: {rule.id: rule.cells for rule in part.rules} for part in say_edition(POLICIES["uk-2022"])}
    assert uk["criteria"]["gestational-age"] == ("born before 31w0d",)
    assert uk["treatment"]["aggressive"] == ("aggressive ROP", "48 hours", "48 hours")


def test_two_editions_are_compared_by_what_they_say() -> None:
    """Below 1501 g is 1500 g or less, before 31w0d is 30w6d or earlier: AAP 2018 and UK 2022 differ by the flag."""
    assert differences("aap-2018", "uk-2022", "criteria") == {"a risk flag is recorded": ("yes", "–", "left out")}
    assert differences("uk-2022", "aap-2018", "criteria") == {"a risk flag is recorded": ("–", "yes", "added")}
    repeat = differences("aap-2018", "uk-2022", "repeat")
    first, second, verdict = repeat["posterior zone II without ROP"]
    assert (first.split(" (")[0], second.split(" (")[0], verdict) == ("in 7 to 14 days", "in 7 days", "sooner")
    assert repeat["zone II stage 2"][2] == "later"
    assert "zone II without ROP" not in repeat
    weeks = differences("aap-2018", "uk-2022", "first-exam")
    assert not any("born at 24w0d" in about for about in weeks)
    assert differences("aap-2018", "aap-2018", "first-exam") == {}


@pytest.mark.parametrize("first", sorted(POLICIES))
def test_nothing_is_different_in_the_same_edition_and_everything_is_both_ways(first: str) -> None:
    assert all(found == [] for _, _, found in compare_editions(POLICIES[first], POLICIES[first]))
    for second in sorted(POLICIES):
        there, back = differences(first, second, "repeat"), differences(second, first, "repeat")
        assert set(there) == set(back)
        turned = {"sooner": "later", "later": "sooner"}
        assert all(turned[there[about][2]] == back[about][2] for about in there)
        one, two = POLICIES[first].care.rows, POLICIES[second].care.rows
        waits = {
            str(eye): interval(eye, one).closes != interval(eye, two).closes
            for eye in every_finding() if need(eye) is None and not eye.near_zone_i
        }  # fmt: skip
        assert {about for about, differs in waits.items() if differs} <= set(there)


def test_every_example_is_worked_out_again_and_a_wrong_one_is_seen() -> None:
    policy = POLICIES["aap-2018"]
    found = {each.id: each for each in say_examples(policy, DAY)}
    assert len(found) == len(policy.examples)
    assert not any(each.wrong for each in found.values())
    told = found["stop: zone III at 34w6d is confirmed first"]
    assert told.infant == "born Wed 1 Jan, at 25w3d, weighing 780 g"
    assert told.done[0] == "Sat 22 Feb exam: right zone II without ROP, left zone II without ROP"
    assert told.shows == ("Next eye exam", "by the rule zone-iii-no-rop")
    broken = replace(policy, examples=({**policy.examples[0], "expect": {"kind": "treatment"}},))
    assert say_examples(broken, DAY)[0].wrong


# --- pages -----------------------------------------------------------------------------------------------------------


def test_the_editions_say_who_uses_them_since_when_and_how_sure_they_are(ward: httpx.Client) -> None:
    page = plain(ward.get("/policies").text)
    assert "aap-2018 revision 1" in page
    assert "Northbank since Sun 1 Jun 2031 activated by the first start of the service" in page
    assert "Eastmere since Mon 2 Jun 2031" in page  # it is Monday there
    for id in POLICIES:
        assert id in page
    counts = [each.surety for each in POLICIES["aap-2018"].origins]
    assert f"{counts.count('memory')} from memory" in page


@pytest.mark.parametrize("id", sorted(POLICIES))
def test_each_edition_has_a_page(ward: httpx.Client, id: str) -> None:
    page = ward.get(f"/policies/{id}")
    assert page.status_code == 200
    text = plain(page.text)
    assert POLICIES[id].title in text
    assert "all come out as they must" in text
    if any(each.surety == "memory" for each in POLICIES[id].origins):
        assert "from memory, not checked against the source" in text


def test_what_is_not_known_is_said(ward: httpx.Client) -> None:
    for path in ("/policies/nowhere", "/policies/aap-2018/against/nowhere", "/policies/aap-2018/impact/nowhere"):
        answer = ward.get(path)
        assert answer.status_code == 404, path
        assert "nowhere" not in answer.text or "known:" in answer.text
    chosen = ward.get("/policies/aap-2018/against", params={"other": "uk-2022"})
    assert (chosen.status_code, chosen.headers["location"]) == (303, "/policies/aap-2018/against/uk-2022")
    page = plain(ward.get("/policies/aap-2018/against/uk-2022").text)
    assert "Posterior zone II without ROP" in page


def test_an_impact_is_shown_and_changes_nothing(ward: httpx.Client) -> None:
    page = plain(ward.get("/policies/uk-2022/impact/northbank").text)
    assert "aap-2018 revision 1 decides now" in page
    assert "cannot be activated from here" in page
    assert "Bo Teakettle" in page
    answer = send_form(ward, "/policies/uk-2022/impact/northbank", {}, by="Dr Kestrel", seen="yes", shown="x")
    assert answer.status_code == 409
    assert "nothing was activated" in answer.text
    assert "It decides here already" in plain(ward.get("/policies/aap-2018/impact/northbank").text)


class Office:
    """A site whose file names another edition since, and somebody at the page."""

    def __init__(self, database: Database) -> None:
        self.before = Flow(database, two_sites(), POLICIES, lambda: NOW)
        fill(self.before)
        sites = two_sites()
        sites["northbank"] = replace(sites["northbank"], policy="nigeria-group")
        self.flow = Flow(database, sites, POLICIES, lambda: NOW)


@pytest.fixture
def office(database: Database) -> Office:
    return Office(database)


@pytest.fixture
def desk(office: Office) -> Iterator[httpx.Client]:
    with calling(make_app(office.flow)) as client:
        yield client


WAITS = "/policies/nigeria-group/impact/northbank"


def test_a_waiting_edition_is_announced_and_activated_by_a_named_person_who_saw_its_impact(
    office: Office, desk: httpx.Client
) -> None:
    announced = plain(desk.get("/policies").text)
    assert "Northbank : the files say nigeria-group revision 1, which is not in use" in announced
    page = desk.get(WAITS).text
    fields = Form(page).fields
    assert office.flow.policy_on("northbank", DAY).id == "aap-2018"

    for typed, status, words in (
        ({"seen": "yes"}, 422, "say who"),
        ({"by": "  ", "seen": "yes"}, 422, "say who"),
        ({"by": "Dr Kestrel"}, 422, "Look at what would change"),
    ):
        answer = send_form(desk, WAITS, fields, **typed)
        assert (answer.status_code, words in plain(answer.text)) == (status, True)
    assert office.flow.policy_on("northbank", DAY).id == "aap-2018"

    send(office.flow, "northbank", newborn("new", "Fi Lampshade", "2031-05-28", "N-600"), age("new", 186),
         weight("new", 700))  # fmt: skip
    changed = send_form(desk, WAITS, fields, by="Dr Kestrel", seen="yes")
    assert changed.status_code == 409
    assert "is not what you were shown" in plain(changed.text)
    assert office.flow.policy_on("northbank", DAY).id == "aap-2018"

    fields = Form(changed.text).fields
    done = send_form(desk, WAITS, fields, by=" Dr Kestrel ", seen="yes")
    assert done.status_code == 303, done.text
    assert office.flow.policy_on("northbank", DAY).id == "nigeria-group"
    assert office.flow.activations("northbank")[-1].by == "Dr Kestrel"
    after = plain(desk.get(done.headers["location"]).text)
    assert "It decides at Northbank now." in after
    assert "activated by Dr Kestrel" in after
    assert "the files say" not in plain(desk.get("/policies").text)
    assert send_form(desk, WAITS, fields, by="Dr Kestrel", seen="yes").status_code == 409  # pressed twice


def test_what_was_shown_is_told_apart_by_everybody_it_is_about(office: Office) -> None:
    policy = POLICIES["nigeria-group"]
    found = office.flow.impact("northbank", policy)
    assert len(found) > 1
    assert digest(found, policy) == digest(list(found), policy)
    assert digest(found[1:], policy) != digest(found, policy)
    assert digest(found, POLICIES["uk-2022"]) != digest(found, policy)


def test_an_edition_whose_file_changed_under_its_revision_is_refused_in_words(
    database: Database,
) -> None:
    """One revision is one content: the page says so, and nothing is activated."""
    flow = Flow(database, two_sites(), POLICIES, lambda: NOW)
    fill(flow)
    candidate = POLICIES["aap-2018"].care.candidate
    assert isinstance(candidate, Candidate)
    care = replace(POLICIES["aap-2018"].care, candidate=replace(candidate, extent=9.0))
    changed = {**POLICIES, "aap-2018": replace(POLICIES["aap-2018"], care=care)}
    again = Flow(database, two_sites(), changed, lambda: NOW)
    path = "/policies/aap-2018/impact/northbank"
    with calling(make_app(again)) as client:
        fields = Form(client.get(path).text).fields
        answer = send_form(client, path, fields, by="Dr Kestrel", seen="yes")
        assert answer.status_code == 409
        assert "raise the revision" in answer.text
        assert "the file says otherwise now" in plain(client.get("/policies").text)
    assert len(again.activations("northbank")) == 1


def test_a_site_that_may_not_be_seen_is_not_there(office: Office) -> None:
    register(office.flow, "sorrel", "unit", "eastmere")
    with serve(make_app(office.flow)) as address, signed_in(address, "sorrel") as client:
        page = client.get("/policies").text
        assert "Eastmere" in page
        assert "Northbank" not in page
        assert "the files say" not in page
        assert client.get(WAITS).status_code == 404
        assert send_form(client, WAITS, {}, by="Dr Kestrel", seen="yes").status_code == 404
    assert office.flow.policy_on("northbank", DAY).id == "aap-2018"


def test_it_is_activated_in_the_name_of_who_is_signed_in_and_answers_for_guidelines(office: Office) -> None:
    register(office.flow, "teasel", "auditor", name="Ms Teasel")
    register(office.flow, "sorrel", "unit", "northbank")
    register(office.flow, "reed", "ophthalmologist", "northbank", name="Dr Reed")
    with serve(make_app(office.flow)) as address:
        for who in ("teasel", "sorrel"):  # one who only looks, and a nurse
            with signed_in(address, who) as client:
                page = client.get(WAITS)
                assert "can put it in use" in plain(page.text)
                assert '<form method="post" action="/policies' not in page.text
                assert send_form(client, WAITS, {}, by="Dr Kestrel", seen="yes").status_code == 403
        assert office.flow.policy_on("northbank", DAY).id == "aap-2018"
        with signed_in(address, "reed") as client:
            fields = Form(client.get(WAITS).text).fields
            assert send_form(client, WAITS, fields, by="Somebody Else", seen="yes").status_code == 303
    assert office.flow.activations("northbank")[-1].by == "Dr Reed"
    with office.flow.database.transaction() as connection:
        rows = connection.exec_driver_sql("SELECT kind, site FROM looks WHERE page LIKE '%%impact%%'").all()
    assert ("list", "northbank") in {(row.kind, row.site) for row in rows}


def test_with_the_keyboard_alone_and_without_a_script(office: Office) -> None:
    with (
        a_browser() as browser, serve(make_app(office.flow)) as address,
        a_page(browser, address, java_script_enabled=False) as page,
    ):  # fmt: skip
        page.goto("/policies")
        page.get_by_role("link", name="See what would change, and activate it").click()
        expect(page.get_by_role("heading", name="Put it in use")).to_be_visible()
        page.get_by_label("Who activates it?").fill("Dr Kestrel")
        page.get_by_label("I have looked at what would change").check()
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        expect(page.get_by_role("status")).to_contain_text("It decides at Northbank now.")
        page.get_by_label("Compare with").select_option("aap-2018")
        page.get_by_role("button", name="Show the differences").press("Enter")
        expect(page.get_by_role("heading", level=1)).to_contain_text("nigeria-group → aap-2018")


def test_the_folder_and_the_pages_have_the_same_editions(ward: httpx.Client) -> None:
    files = {path.stem for path in FOLDER.glob("*.toml")}
    assert len(files) == 18
    shown = set(re.findall(r'href="/policies/([\w-]+)"', ward.get("/policies").text))
    assert shown == files
