"""Typing in with the script of the page: by thumb on the drawing, by keys alone, and through a lost connection.

Nothing typed is lost, and what is saved is saved once, whatever breaks in between.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Route, expect
from ports import free_port
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send
from web.bedside import at
from web.browsing import a_page, fits, violations
from web.conftest import make_app
from web.serving import serve
from web.staff import PASSWORD, register
from web.test_browser import Bay, bay, row, tap
from web.ward import fill, key_of

from service.core.findings import Side
from service.flow import Flow
from service.store import people
from service.web.retina import DISC_DIAMETER, MIDDLE, OFF_MIDDLE, ORA, POSTERIOR_II, SIZE, ZONE_I, ZONE_II, disc, nasal

__all__ = ["bay"]  # the fixture

LOST = r"Failed to load resource: (net::ERR_|the server responded with a status of (401|503) )"
"""What the browser's console says where a test takes the connection, the service or the sign-in away."""

COUNT = """
  addEventListener('pointerdown', e => { if (e.isTrusted) count('taps'); }, true);
  addEventListener('keydown', e => {
    if (!e.isTrusted) return;
    if (sessionStorage.burst !== e.target.name) count('bursts');
    sessionStorage.burst = e.target.name;
  }, true);
  function count(what) { sessionStorage[what] = Number(sessionStorage[what] || 0) + 1; }
"""
"""Counts what the hand does: every tap, and every field that is typed into."""


def retina(page: Page, side: str) -> Locator:
    return page.locator(f"svg.retina.{side}.tap")


def middle_of(page: Page, side: Side, zone: str) -> tuple[float, float]:
    """The middle of a zone on the temporal side, in pixels from the corner of the drawing."""
    inner = {"I": 0, "posterior II": ZONE_I, "II": POSTERIOR_II, "III": ZONE_II}[zone]
    outer = {"I": 0, "posterior II": POSTERIOR_II, "II": ZONE_II, "III": ORA + OFF_MIDDLE}[zone]
    box = retina(page, side).bounding_box()
    assert box is not None
    scale = box["width"] / SIZE
    return (disc(side)[0] - nasal(side) * (inner + outer) / 2) * scale, MIDDLE * scale


def tap_zone(page: Page, side: Side, zone: str) -> None:
    """Tap a zone of the drawing, and see that it is the one that was meant."""
    x, y = middle_of(page, side, zone)
    retina(page, side).click(position={"x": x, "y": y})
    expect(page.locator(f'input[name="{side}.zone"][value="{zone}"]')).to_be_checked()


def tap_hour(page: Page, side: str, hour: int) -> None:
    retina(page, side).locator(f'g[data-hour="{hour}"]').click()


def now(page: Page) -> Locator:
    """The line above the buttons that says what follows, or that nothing is saved."""
    return page.locator("#now")


def save(page: Page) -> Locator:
    """The button that the script of the page adds: where it is, the script has hold of the sheet."""
    return page.locator("#save")


def type_normal(page: Page, patient: str, examiner: str = "Dr Reed") -> None:
    page.goto(at(patient, "exam"))
    tap_zone(page, "right", "II")
    tap(page, "right.stage", "0")
    tap(page, "right.plus", "none")
    page.get_by_label("As the right eye").check()
    page.get_by_label("Who examined?").fill(examiner)


def exams(bay: Bay, patient: str) -> Any:
    return bay.flow.infant(key_of(patient)).course.exams


def drafts(page: Page) -> int:
    assert page.evaluate("localStorage.length") == 0
    return int(page.evaluate("Object.keys(sessionStorage).filter(each => each.startsWith('draft:')).length"))


# --- by thumb ------------------------------------------------------------------------------------------------------


def test_a_normal_exam_of_two_eyes_from_the_list_and_back_by_thumb(bay: Bay) -> None:
    """At most 12 taps; it was 9 by the form alone, and the drawing may not make it more."""
    patient = bay.admit("godwit")
    with bay.open(has_touch=True, is_mobile=True) as page:
        page.context.add_init_script(COUNT)
        link = row(page, patient).get_by_role("link", name="Enter an exam")
        page.evaluate("sessionStorage.clear()")
        link.tap()
        page.wait_for_url("**/exam")
        box = retina(page, "right").bounding_box()
        assert box is not None and box["width"] >= 350  # so that an hour of the clock is a thumb wide
        x, y = middle_of(page, "right", "II")
        retina(page, "right").tap(position={"x": x, "y": y})
        for name, value in (("right.stage", "0"), ("right.plus", "none"), ("left.same", "yes")):
            page.locator(f'label:has(input[name="{name}"][value="{value}"])').tap()
        page.get_by_label("Who examined?").tap()
        expect(page.get_by_label("Who examined?")).to_be_focused()
        page.keyboard.type("Dr Reed")
        expect(now(page)).to_contain_text("Next eye exam, both eyes on Sun 15 Jun")
        assert exams(bay, patient) == ()
        for button in (save(page), page.locator("#show")):
            size = button.bounding_box()
            assert size is not None and size["height"] >= 44 and size["width"] >= 44
            assert size["y"] + size["height"] <= 844 and size["y"] > 844 / 2  # in reach of the thumb
        save(page).tap()
        page.get_by_role("link", name="Back to the list of Northbank").tap()
        page.wait_for_url("**/site/northbank*")
        taps, bursts = (int(page.evaluate(f"sessionStorage.{what}")) for what in ("taps", "bursts"))
        assert (taps, bursts) == (8, 1)
        expect(row(page, patient)).to_contain_text("Sun 1 Jun: both eyes zone II without ROP")


def test_the_drawing_fills_the_form_and_the_form_redraws_the_drawing(bay: Bay) -> None:
    patient = bay.admit("dunlin")
    with bay.open() as page:
        page.goto(at(patient, "exam"))
        for zone in ("III", "II", "posterior II", "I"):
            tap_zone(page, "right", zone)
            expect(retina(page, "right")).to_have_attribute("data-zone", zone)
        tap_zone(page, "left", "III")  # mirrored: temporal is to the right
        x, y = middle_of(page, "left", "III")
        retina(page, "left").click(position={"x": x, "y": y})
        expect(page.locator('input[name="left.zone"][value=""]')).to_be_checked()  # tapped again: not said
        for hour in (12, 3, 4):
            tap_hour(page, "left", hour)
        tap_hour(page, "left", 4)
        page.locator('label:has(input[name="left.zone"][value="posterior II"])').click()
        tap(page, "left.stage", "3")
        tap(page, "left.plus", "plus")
        page.get_by_role("group", name="Left eye").get_by_text("More of the left eye").click()
        expect(page.locator('input[name="left.clock_positions"]:checked')).to_have_count(2)
        page.get_by_role("group", name="Left eye").get_by_label("Extent of avascular retina").fill("2.5")
        tap(page, "right.stage", "1")
        tap(page, "right.plus", "none")
        page.get_by_label("Who examined?").fill("Dr Reed")
        expect(now(page)).to_contain_text("Treatment")
        look = """svg => [...svg.attributes].filter(a => a.name.startsWith('data-')).map(a => a.name + a.value).join()
            + svg.innerHTML.replaceAll(/url\\(#[a-z-]+\\)|id="[a-z-]+"/g, '')"""
        drawn = [retina(page, side).evaluate(look) for side in ("right", "left")]
        # The service draws the same from the same fields, as the picture beside what follows.
        shown = page.locator("#live-answer .drawn svg")
        assert [shown.nth(place).evaluate(look) for place in (0, 1)] == drawn
        assert "data-hours2" in drawn[1] and f'stroke-width="{2.5 * DISC_DIAMETER:g}"' in drawn[1]
        save(page).click()
        expect(page.get_by_role("table").first).to_contain_text("2 clock hours (3, 12)")
    (exam,) = exams(bay, patient)
    assert (exam.left.clock_positions, exam.left.clock_hours, str(exam.left)) == (
        (3, 12), 2, "posterior zone II stage 3 with plus disease",
    )  # fmt: skip
    assert str(exam.right) == "zone I stage 1"


def test_as_last_time_fills_in_and_confirms_nothing(bay: Bay) -> None:
    patient = bay.admit("knot")
    with bay.open() as page:
        type_normal(page, patient)
        tap(page, "right.stage", "2")
        tap_hour(page, "right", 9)
        save(page).click()
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
        page.goto(at(patient, "exam"))
        for side in ("right", "left"):
            expect(page.locator(f'input[name="{side}.stage"][value=""]')).to_be_checked()
        page.get_by_role("group", name="Right eye").get_by_role("button", name="As last time").click()
        expect(retina(page, "right").locator("g.hour.on")).to_have_count(1)
        expect(page.locator('input[name="right.stage"][value="2"]')).to_be_checked()
        expect(page.locator('input[name="left.stage"][value=""]')).to_be_checked()
        expect(save(page)).to_be_disabled()
        expect(now(page)).to_contain_text("Left eye, Who examined?")
    assert len(exams(bay, patient)) == 1


def test_undo_is_on_the_page_that_says_it_is_saved(bay: Bay) -> None:
    patient = bay.admit("ruff")
    with bay.open() as page:
        type_normal(page, patient)
        save(page).click()
        page.get_by_role("status").get_by_role("link", name="Undo").click()
        expect(page.get_by_role("region", name="What follows")).to_contain_text("First eye exam")
        page.get_by_label("Who takes it back?").fill("Dr Reed")
        page.get_by_role("button", name="Mark as entered in error").click()
        expect(page.get_by_role("status")).to_contain_text("does not count any more")
        assert exams(bay, patient) == ()
        page.get_by_role("status").get_by_role("link", name="Enter it again").click()
        expect(save(page)).to_be_attached()
        page.get_by_label("Who examined?").fill("Dr Tarn")
        save(page).click()
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
    assert [exam.examiner for exam in exams(bay, patient)] == ["Dr Tarn"]


# --- by keys -------------------------------------------------------------------------------------------------------


def test_every_field_is_reached_by_keys_seen_and_left_again(bay: Bay) -> None:
    patient = bay.admit("teal")
    with bay.open(viewport={"width": 1280, "height": 800}) as page:
        page.goto(at(patient, "exam"))
        for fold in page.locator("details > summary").all():
            fold.focus()
            page.keyboard.press("Enter")
        page.locator(".skip").focus()
        names: list[str] = []
        for _ in range(120):
            page.keyboard.press("Tab")
            here = page.evaluate("""() => {
              const at = document.activeElement;
              if (at === document.body) return null;
              const mark = at.matches('.segment input') ? at.nextElementSibling : at;
              const box = mark.getBoundingClientRect(), bar = document.querySelector('.bar');
              const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
              const name = at.matches('button') ? at.textContent.trim() : at.name || at.textContent.trim();
              return { name, ring: getComputedStyle(mark).outlineStyle,
                       covered: !bar.contains(at) && bar.contains(top), drawn: at.closest('svg') !== null };
            }""")
            if here is None:
                break
            assert here["ring"] != "none", here
            assert not here["covered"] and not here["drawn"], here
            names.append(here["name"])
        else:
            raise AssertionError("the Tab key does not lead out of the page")
        right = [name for name in names if name.startswith("right.")]
        assert right[:4] == ["right.view", "right.zone", "right.stage", "right.plus"]
        assert names.index("on") < names.index("right.view") < names.index("left.same") < names.index("examiner")
        assert names.index("examiner") < names.index("Show what follows")
        assert right.count("right.clock_positions") == 12
        page.keyboard.press("Shift+Tab")
        assert page.evaluate("document.activeElement !== document.body")


# --- lost connections ----------------------------------------------------------------------------------------------


def test_a_lost_connection_loses_nothing_and_saves_by_itself_when_it_is_back(bay: Bay) -> None:
    patient = bay.admit("smew")
    with a_page(bay.browser, bay.address, LOST) as page:
        type_normal(page, patient)
        expect(save(page)).to_be_enabled()
        page.context.set_offline(True)
        save(page).click()
        expect(now(page)).to_contain_text("Not saved yet: no connection. It is kept on this device")
        assert violations(page) == {}
        assert drafts(page) == 1 and exams(bay, patient) == ()
        page.context.set_offline(False)
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
        assert len(exams(bay, patient)) == 1 and drafts(page) == 0


def test_what_is_typed_without_a_connection_is_not_saved_before_it_was_shown(bay: Bay) -> None:
    patient = bay.admit("scaup")
    with a_page(bay.browser, bay.address, LOST) as page:
        page.goto(at(patient, "exam"))
        page.context.set_offline(True)
        page.get_by_label("Who examined?").fill("Dr Reed")
        tap(page, "right.stage", "0")
        expect(now(page)).to_contain_text("Not saved yet: no connection.")
        expect(save(page)).to_be_disabled()
        tap_zone(page, "right", "II")
        tap(page, "right.plus", "none")
        page.get_by_label("As the right eye").check()
        page.context.set_offline(False)
        expect(now(page)).to_contain_text("Next eye exam, both eyes")
        expect(save(page)).to_be_enabled()
        assert exams(bay, patient) == ()  # nobody had seen what follows, so nobody had pressed Save


def test_a_reload_brings_the_draft_back(bay: Bay) -> None:
    patient = bay.admit("avocet")
    with bay.open() as page:
        type_normal(page, patient)
        tap_hour(page, "right", 9)
        tap(page, "right.stage", "1")
        expect(save(page)).to_be_enabled()
        id = page.locator('input[name="id"]').input_value()
        page.reload()
        expect(page.locator("#draft")).to_be_visible()
        expect(page.locator("#draft")).to_contain_text("was not saved")
        assert violations(page) == {}
        assert page.locator('input[name="id"]').input_value() == id  # the same record: it can be saved only once
        expect(page.locator('input[name="right.stage"][value="1"]')).to_be_checked()
        expect(retina(page, "right").locator('g.hour.on[data-hour="9"]')).to_have_count(1)
        expect(page.get_by_label("Who examined?")).to_have_value("Dr Reed")
        expect(now(page)).to_contain_text("Next eye exam")
        page.get_by_role("button", name="Throw it away").click()
        expect(page.get_by_label("Who examined?")).to_have_value("")
        assert drafts(page) == 0 and exams(bay, patient) == ()


def test_a_draft_is_kept_for_a_day_for_one_person_and_until_it_is_cancelled(bay: Bay) -> None:
    patient = bay.admit("whimbrel")
    with bay.open() as page:
        page.clock.install()
        for throw_away in ("a day later", "somebody else", "cancelled"):
            type_normal(page, patient)
            assert drafts(page) == 1
            match throw_away:
                case "a day later":
                    page.clock.set_system_time(page.evaluate("Date.now()") / 1000 + 25 * 60 * 60)
                    page.reload()
                case "somebody else":
                    page.evaluate("""() => { for (const [name, text] of Object.entries(sessionStorage))
                        sessionStorage[name] = text.replace(/"mark":"[^"]*"/, '"mark":"other"'); }""")
                    page.reload()
                case _:
                    page.get_by_role("link", name="Cancel").click()
                    expect(page).to_have_url(re.compile(at(patient) + "$"))
                    page.goto(at(patient, "exam"))
            expect(page.get_by_label("Who examined?")).to_have_value("")
            assert drafts(page) == 0, throw_away


def test_an_answer_that_is_lost_after_saving_saves_once(bay: Bay) -> None:
    """The service has saved; the connection breaks before it can say so."""
    patient = bay.admit("shoveler")

    def swallow(route: Route) -> None:
        if "do=save" in (route.request.post_data or ""):
            route.fetch(max_redirects=0)
            route.abort("connectionreset")
        else:
            route.fallback()

    with a_page(bay.browser, bay.address, LOST) as page:
        type_normal(page, patient)
        expect(save(page)).to_be_enabled()
        page.route("**/exam", swallow)
        save(page).click()
        expect(now(page)).to_contain_text("Not saved yet")
        assert len(exams(bay, patient)) == 1
        page.unroute("**/exam")
        page.reload()
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
        assert drafts(page) == 0
    seen = bay.flow.infant(key_of(patient))
    assert {fact.version.number for fact in seen.facts if fact.name == "exam"} == {1}


class Gate:
    """A proxy in front of the service that can say, as proxies do, that there is no service."""

    def __init__(self, app: ASGIApp) -> None:
        self.app, self.shut = app, False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self.shut and scope["type"] == "http":
            await PlainTextResponse("no service", 503)(scope, receive, send)
        else:
            await self.app(scope, receive, send)


def test_a_service_that_cannot_answer_gets_it_later(bay: Bay, flow: Flow) -> None:
    fill(flow)
    app = make_app(flow)
    gate = Gate(app.middleware_stack or app.build_middleware_stack())
    app.middleware_stack = gate
    with serve(app) as address, a_page(bay.browser, address, LOST) as page:
        page.clock.install()
        type_normal(page, "today")
        expect(save(page)).to_be_enabled()
        stop_the_clock(page)
        gate.shut = True
        save(page).click()
        expect(now(page)).to_contain_text("Not saved yet: the service cannot answer just now.")
        gate.shut = False
        page.get_by_role("button", name="Try again").click()
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
    assert len(flow.infant(key_of("today")).course.exams) == 1


def test_a_service_that_stops_and_starts_again_gets_it_once(bay: Bay, flow: Flow) -> None:
    fill(flow)
    port = free_port()
    with a_page(bay.browser, f"http://127.0.0.1:{port}", LOST) as page:
        page.clock.install()
        with serve(make_app(flow), port):
            type_normal(page, "today")
            expect(save(page)).to_be_enabled()
        stop_the_clock(page)
        save(page).click()
        expect(now(page)).to_contain_text("Not saved yet: no connection.")
        assert flow.infant(key_of("today")).course.exams == () and drafts(page) == 1
        with serve(make_app(flow), port):
            page.get_by_role("button", name="Try again").click()
            expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
    assert len(flow.infant(key_of("today")).course.exams) == 1


def test_where_connections_are_lost_what_the_policy_refuses_is_told_all_the_same(bay: Bay) -> None:
    """Of every test above: this one breaks the policy, and must be told of."""
    inline = "() => { const s = document.createElement('script'); s.textContent = '0'; document.body.append(s); }"
    with pytest.raises(AssertionError, match="refused: script-src"), a_page(bay.browser, bay.address, LOST) as page:
        page.goto("/")
        page.context.set_offline(True)
        page.evaluate("fetch('/').catch(() => 0)")
        page.evaluate(inline)


def stop_the_clock(page: Page) -> None:
    """The page tries by itself after five seconds, then later and later: not while the clock in it, which the test has
    installed, stands. So the button is there until it is pressed."""
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 60)


# --- signed in -----------------------------------------------------------------------------------------------------


def sign_in(page: Page) -> None:
    page.goto("/sign-in")
    page.locator('input[name="name"]').fill("reed")
    page.locator('input[name="password"]').fill(PASSWORD)
    page.locator("form.sign-in button, form:has(input[name=password]) button").first.click()
    page.wait_for_url(re.compile(r"/$"))


def test_whose_sign_in_has_ended_loses_nothing_and_signing_out_leaves_nothing(bay: Bay, flow: Flow) -> None:
    fill(flow)
    person = register(flow, "reed", "ophthalmologist", name="Dr Reed")
    with serve(make_app(flow)) as address, a_page(bay.browser, address, LOST) as page:
        sign_in(page)
        page.goto(at("today", "exam"))
        expect(page.get_by_label("Who examined?")).to_have_value("Dr Reed")  # whoever is signed in
        tap_zone(page, "right", "II")
        tap(page, "right.stage", "0")
        tap(page, "right.plus", "none")
        page.get_by_label("As the right eye").check()
        expect(save(page)).to_be_enabled()
        with flow.database.transaction() as connection:
            people.end_all(connection, person.id, flow.clock())
        save(page).click()
        expect(now(page)).to_contain_text("Not saved yet: you have to sign in again.")
        assert flow.infant(key_of("today")).course.exams == () and drafts(page) == 1
        other = page.context.new_page()
        sign_in(other)
        page.get_by_role("button", name="Try again").click()
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
        assert len(flow.infant(key_of("today")).course.exams) == 1

        page.goto(at("today", "exam"))
        tap(page, "right.stage", "2")
        assert drafts(page) == 1
        page.goto("/")
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_url("**/sign-in")
        assert drafts(page) == 0


# --- every size ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_is_lost_at_twice_the_size_and_no_rule_is_broken(bay: Bay, scheme: str) -> None:
    """1280 by 900 at 200 %: WCAG 2.2, 1.4.4 and 1.4.10."""
    patient = bay.admit(f"snipe-{scheme}")
    with bay.open(color_scheme=scheme, viewport={"width": 640, "height": 450}, device_scale_factor=2) as page:
        type_normal(page, patient)
        tap(page, "right.stage", "3")
        tap(page, "right.plus", "plus")
        expect(now(page)).to_contain_text("Treatment, both eyes by Wed 4 Jun 14:00")
        assert fits(page)
        assert violations(page) == {}
        page.set_viewport_size({"width": 320, "height": 640})
        assert fits(page)
        save(page).click()
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
        assert violations(page) == {}
