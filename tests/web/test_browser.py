"""Typing in with a real browser: on a phone without a script, and with the keyboard alone."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect
from web.bedside import at
from web.browsing import a_browser, a_page, fits, violations
from web.serving import serve
from web.ward import NOW, age, fill, gone_home, key_of, newborn, send, two_sites, weight

from service.fhir.forms import fill as form_of
from service.flow import Flow
from service.policies import load_policies
from service.store.arrivals import Arrival
from service.store.database import Database
from service.web.application import build


class Bay:
    """A ward whose clock the test moves, and a browser that looks at it."""

    def __init__(self, flow: Flow, browser: Browser, address: str) -> None:
        self.flow, self.browser, self.address = flow, browser, address
        self.now = NOW

    def admit(self, patient: str) -> str:
        """A newborn whose first exam is due on 1 June 2031: 26w4d, 780 g."""
        self.now = NOW
        send(
            self.flow, "northbank", newborn(patient, f"Baby {patient.capitalize()}", "2031-05-01", f"B-{patient}"),
            age(patient, 186), weight(patient, 780),
        )  # fmt: skip
        return patient

    def open(self, **context: Any) -> Any:
        return a_page(self.browser, self.address, **context)


@pytest.fixture(scope="module")
def bay(new_database: Callable[[], Database]) -> Iterator[Bay]:
    database = new_database()
    made: list[Bay] = []

    def now() -> datetime:
        return made[0].now if made else NOW

    flow = Flow(database, two_sites(), load_policies(), now)
    app = build(flow, every=0.05)
    with a_browser() as browser, serve(app) as address:
        made.append(Bay(flow, browser, address))
        fill(flow)
        yield made[0]


def tap(page: Page, name: str, value: str) -> None:
    """Tap one answer, as large as it is drawn."""
    label = page.locator(f'label:has(input[name="{name}"][value="{value}"])')
    box = label.bounding_box()
    assert box is not None and box["height"] >= 44 and box["width"] >= 44  # WCAG 2.5.5 (AAA): 44 by 44
    label.click()


def typed(page: Page, **findings: str) -> None:
    for name, value in findings.items():
        tap(page, name.replace("_", ".", 1), value)


def enter(page: Page, patient: str, **findings: str) -> None:
    """An exam of both eyes alike, saved."""
    page.goto(at(patient, "exam"))
    typed(page, **findings)
    page.get_by_label("As the right eye").check()
    page.get_by_label("Who examined?").fill("Dr Reed")
    page.get_by_role("button", name="Show what follows").click()
    keep(page)


def keep(page: Page) -> None:
    """Save what was shown, and see that it is saved."""
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text(" saved.")


def row(page: Page, patient: str) -> Any:
    page.goto("/site/northbank")
    for later in page.locator("details#later-rows > summary").all():
        later.click()
    return page.locator(f"#infant-{key_of(patient)}")


NORMAL = {"right_zone": "II", "right_stage": "0", "right_plus": "none"}


def test_a_normal_exam_on_a_phone_without_a_script_is_few_taps(bay: Bay) -> None:
    """From the list and back in at most 12 taps."""
    patient, taps = bay.admit("wren"), 0
    with bay.open(java_script_enabled=False) as page:
        row(page, patient).get_by_role("link", name="Enter an exam").click()
        typed(page, **NORMAL)
        page.get_by_label("As the right eye").check()
        page.get_by_label("Who examined?").fill("Dr Reed")
        page.get_by_role("button", name="Show what follows").click()
        taps += 1 + 3 + 1 + 1 + 1
        follows = page.get_by_role("region", name="What follows, if this is saved")
        expect(follows).to_contain_text("Next eye exam, both eyes")
        expect(follows).to_contain_text("on Sun 15 Jun")
        assert bay.flow.infant(key_of(patient)).course.exams == ()  # nothing is saved yet
        keep(page)
        page.get_by_role("link", name="Back to the list of Northbank").click()
        page.wait_for_url("**/site/northbank*")
        taps += 2
        assert taps <= 12
        assert fits(page)
        expect(row(page, patient)).to_contain_text("Sun 1 Jun: both eyes zone II without ROP")


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_an_exam_that_cannot_be_held_is_put_off_from_the_list_in_few_taps(bay: Bay, script: bool) -> None:
    """An infant who is away for surgery: three taps besides the fields, on a phone."""
    patient = bay.admit("heron" if script else "egret")
    with bay.open(has_touch=True, is_mobile=True, java_script_enabled=script) as page:
        away = row(page, patient)
        assert fits(page)
        box = away.get_by_role("link", name="Put the exam off").bounding_box()
        assert box is not None and box["height"] >= 44 and box["width"] >= 44
        away.get_by_role("link", name="Put the exam off").tap()
        page.get_by_label("Put off until").fill("2031-06-03")
        page.get_by_label("Why can the infant not be examined?").fill("away for surgery")
        page.get_by_label("Ophthalmologist who decided").fill("Dr Reed")
        page.get_by_label("Neonatologist who decided").fill("Dr Marsh")
        if not script:
            page.get_by_role("button", name="Show what follows").tap()
        expect(page.get_by_role("region", name="What follows")).to_contain_text("First eye exam")
        assert bay.flow.infant(key_of(patient)).course.deferrals == ()
        page.get_by_role("button", name="Save", exact=True).tap()
        expect(page.get_by_role("status")).to_contain_text("The exam stays due as it was.")
        page.get_by_role("link", name="Back to the list of Northbank").tap()
        here = row(page, patient)
        expect(here).to_contain_text("Put off once, last until Tue 3 Jun: away for surgery")
        expect(here).to_contain_text("Due now, 6 days left")  # cleared by nothing but an exam
        expect(here.get_by_role("link", name="Enter an exam")).to_be_visible()
        assert fits(page)


def test_the_keyboard_alone_is_enough(bay: Bay) -> None:
    patient = bay.admit("finch")
    with bay.open(viewport={"width": 1280, "height": 900}) as page:
        page.goto(at(patient, "exam"))

        def reach(name: str, value: str | None = None) -> None:
            for _ in range(60):
                page.keyboard.press("Tab")
                here = page.evaluate("[document.activeElement.name, document.activeElement.textContent.trim()]")
                if name in here:
                    break
            else:
                raise AssertionError(f"{name} is not reached with the Tab key")
            for _ in range(12):
                if value is None or page.evaluate("document.activeElement.value") == value:
                    return
                page.keyboard.press("ArrowRight")
            raise AssertionError(f"{value} is not reached with the arrow keys")

        reach("right.zone", "II")
        reach("right.stage", "2")
        reach("right.plus", "none")
        reach("left.same")
        page.keyboard.press("Space")
        reach("examiner")
        page.keyboard.type("Dr Reed")
        reach("Show what follows")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="What follows, if this is saved")).to_be_focused()
        reach("Save")
        page.keyboard.press("Enter")
        expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
        expect(page.get_by_label("What comes next")).to_contain_text("Sun 8 Jun to Sun 15 Jun")


def test_what_cannot_be_is_said_and_what_was_typed_stays(bay: Bay) -> None:
    patient = bay.admit("robin")
    with bay.open(java_script_enabled=False) as page:
        page.goto(at(patient, "exam"))
        typed(page, **NORMAL)
        page.get_by_role("group", name="Right eye").get_by_label("Aggressive ROP").check()
        page.get_by_label("Who examined?").fill("Dr Reed")
        page.get_by_role("button", name="Show what follows").click()
        summary = page.get_by_role("region", name="Not saved yet")
        expect(summary).to_contain_text("Right eye: Aggressive ROP is disease")
        expect(summary).to_contain_text("Left eye: Nothing is said of this eye.")
        expect(page.get_by_role("button", name="Save", exact=True)).to_have_count(0)
        expect(page.get_by_label("Who examined?")).to_have_value("Dr Reed")
        expect(page.locator('input[name="right.zone"][value="II"]')).to_be_checked()


def test_a_treatment_clock_shows_and_treatment_ends_it(bay: Bay) -> None:
    patient = bay.admit("heron")
    with bay.open(java_script_enabled=False) as page:
        enter(page, patient, right_zone="II", right_stage="3", right_plus="plus")
        line = row(page, patient)
        expect(line).to_contain_text("Treatment, both eyes")
        expect(line).to_contain_text("By Wed 4 Jun 14:00")
        line.get_by_role("link", name="Enter the treatment").click()
        typed(page, eyes="both", kind="laser")
        page.get_by_label("Who writes this down?").fill("Dr Reed")
        page.get_by_role("button", name="Show what follows").click()
        expect(page.get_by_role("region", name="What follows")).to_contain_text("look for")
        keep(page)
        expect(row(page, patient)).to_contain_text("Exam after laser, both eyes")


def test_an_exam_is_corrected_and_taken_back(bay: Bay) -> None:
    patient = bay.admit("linnet")
    with bay.open(java_script_enabled=False) as page:
        enter(page, patient, **NORMAL)
        page.get_by_role("link", name="Correct", exact=True).click()
        expect(page.locator('input[name="right.zone"][value="II"]')).to_be_checked()
        typed(page, right_stage="1")
        page.get_by_role("button", name="Show what follows").click()
        keep(page)
        expect(page.get_by_role("table").first).to_contain_text("zone II stage 1")
        page.get_by_role("link", name="Entered in error").click()
        expect(page.get_by_role("region", name="What follows")).to_contain_text("First eye exam")
        page.get_by_label("Who takes it back?").fill("Dr Reed")
        page.get_by_role("button", name="Mark as entered in error").click()
        expect(page.get_by_label("What comes next")).to_contain_text("First eye exam")
        expect(page.get_by_role("link", name="Enter it again").first).to_be_visible()


def test_a_closed_course_is_opened_by_a_later_exam(bay: Bay) -> None:
    patient = bay.admit("dipper")
    with bay.open(java_script_enabled=False) as page:
        enter(page, patient, **NORMAL)
        page.get_by_role("link", name="Close the course").click()
        typed(page, why="opt-out")
        page.get_by_label("Who closes the course?").fill("Dr Reed")
        page.get_by_role("button", name="Show what follows").click()
        expect(page.get_by_role("region", name="What follows")).to_contain_text("Nothing is due then: closed.")
        keep(page)
        expect(row(page, patient)).to_have_count(0)
        bay.now = NOW + timedelta(days=7)
        enter(page, patient, right_zone="II", right_stage="1", right_plus="none")
        expect(page.get_by_label("What comes next")).to_contain_text("it is open again")
        expect(row(page, patient)).to_contain_text("Next eye exam, both eyes")


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_a_leaving_infant_is_handed_over_and_both_letters_fit_one_sheet(bay: Bay, script: bool) -> None:
    patient = bay.admit(f"plover-{script}".lower())
    send(bay.flow, "northbank", gone_home(patient))
    with bay.open(java_script_enabled=script) as page:
        for on in range(1, 9):  # a long course
            bay.now = NOW + timedelta(days=on)
            enter(page, patient, right_zone="II", right_stage="2", right_plus="none")
        bay.now = NOW + timedelta(days=9)
        row(page, patient).get_by_role("link", name="Hand over").click()
        for label, value in (
            ("Unit or clinic that takes over", "Hill clinic"), ("Place of the next exam", "Room 4, Hill clinic"),
            ("Day of the next exam", "2031-06-14"), ("Who hands over?", "Nurse Wren"),
        ):  # fmt: skip
            page.get_by_label(label).fill(value)
        page.get_by_label("The parents were told").check()
        page.get_by_role("button", name="Show what follows").click()
        keep(page)
        expect(page.get_by_label("What comes next")).not_to_contain_text("Hand over to whoever")
        for name in ("For the family", "For the clinic"):
            page.goto(at(patient))
            page.get_by_role("link", name=name).click()
            expect(page.locator("article")).to_contain_text("Room 4, Hill clinic")
            page.wait_for_load_state()
            pages = re.findall(rb"/Type\s*/Page[^s]", page.pdf(format="A4"))
            assert len(pages) == 1, name


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_letters_of_an_infant_treated_twice_fit_one_sheet(bay: Bay, language: str) -> None:
    """The longest letters: the eyes differ, both kinds of treatment, deferred, and the words of either language."""
    patient = bay.admit(f"heron-{language}")
    flow, day = bay.flow, NOW.date()

    def record(form: str, id: str, value: dict[str, Any]) -> None:
        body = form_of(
            form, value, id=f"{patient}-{id}", version=1, patient=patient, author="Dr Reed", authored=bay.now
        )
        (receipt,) = flow.accept([Arrival("northbank", "hand", json.dumps(body).encode())])
        assert receipt.facts

    for number in range(8):
        bay.now = NOW + timedelta(days=7 * number)
        right = {"zone": "II", "posterior": True, "stage": "3", "plus": "pre-plus", "clock_hours": 7,
                 "note": "view through a hazy cornea, pupil 5 mm", "notch": True}  # fmt: skip
        left = {"zone": "III", "stage": "2", "plus": "none", "clock_hours": 4, "regression": "incomplete"}
        exam = {"on": str(day + timedelta(days=7 * number)), "at": "09:30", "examiner": "Dr Reed of the eye clinic"}
        record("eye-exam", f"exam-{number}", {**exam, "right": right, "left": left})
    last = str(day + timedelta(days=49))
    record("treatment", "laser", {"on": last, "eyes": "left", "kind": "laser"})
    record("treatment", "injection", {"on": last, "eyes": "right", "kind": "injection", "agent": "ranibizumab"})
    both = {"ophthalmologist": "Dr Reed", "neonatologist": "Dr Wren"}
    record("deferral", "deferral", {"on": last, "until": last, "reason": "too unwell to be examined", **both})
    with bay.open(locale=language) as page:
        for kind in ("family", "clinic"):
            page.goto(at(patient, f"letter/{kind}"))
            for paper in ("A4", "Letter"):
                pages = re.findall(rb"/Type\s*/Page[^s]", page.pdf(format=paper))
                assert len(pages) == 1, (kind, paper)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_breaks_a_rule_of_accessibility(bay: Bay, scheme: str) -> None:
    """WCAG 2.2 A and AA, as far as axe-core can tell."""
    patient = bay.admit(f"tern-{scheme}")
    with bay.open(color_scheme=scheme) as page:
        enter(page, patient, **NORMAL, right_view="poor")
        correct = page.get_by_role("link", name="Correct", exact=True).get_attribute("href")
        error = page.get_by_role("link", name="Entered in error").get_attribute("href")
        sheets = ("exam", "treatment", "defer", "hand-over", "close", "long-term", "newborn")
        letters = ("letter/family", "letter/clinic")
        paths = ["/", *(at(patient, each) for each in ("", *sheets, *letters)), correct, error]
        for path in paths:
            page.goto(path or "/")
            assert violations(page) == {}, path
            assert fits(page), path
        page.goto(at(patient, "exam"))
        page.get_by_role("button", name="Show what follows").click()
        expect(page.get_by_role("region", name="Not saved yet")).to_be_visible()
        assert violations(page) == {}, "with problems"
        typed(page, **NORMAL)
        page.get_by_label("As the right eye").check()
        page.get_by_label("Who examined?").fill("Dr Reed")
        page.get_by_role("button", name="Show what follows").click()
        expect(page.get_by_role("region", name="What follows, if this is saved")).to_be_visible()
        assert violations(page) == {}, "with what follows"
