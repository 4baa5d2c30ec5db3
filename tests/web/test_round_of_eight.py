"""A round: an ophthalmologist sees eight infants with a phone in one hand, and types as they are seen.

Intervals and the treatment clock: AAP 2018 (Pediatrics 2018;142(6):e20183061, from memory); type 1 disease: ETROP,
Arch Ophthalmol 2003;121:1684. It is Sunday, 1 June 2031, 14:00 on the ward.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Page, expect
from web.browsing import fits
from web.test_browser import Bay, bay, row, tap
from web.test_entry_live import now, save, tap_hour, tap_zone
from web.ward import key_of

from service.core.findings import Side

__all__ = ["bay"]  # the fixture


@dataclass(frozen=True)
class Seen:
    """One infant of the round: what is tapped of each eye, and what has to be said before it is saved."""

    name: str
    says: str
    right: dict[str, str]
    left: dict[str, str] = field(default_factory=dict)
    hours: tuple[int, ...] = ()
    clock: bool = False


NONE = {"zone": "II", "stage": "0", "plus": "none"}
ROUND = (
    Seen("ash", "Next eye exam, both eyes on Sun 15 Jun", NONE),  # zone II without ROP: 14 days
    Seen("birch", "Next eye exam, both eyes on Sun 8 Jun", {**NONE, "zone": "I"}),  # zone I without ROP: 7 days
    Seen("cedar", "Next eye exam, both eyes on Sun 15 Jun", {**NONE, "stage": "1"}, hours=(8, 9)),  # 14 days
    Seen("elder", "Next eye exam, both eyes Sun 8 Jun to Sun 15 Jun", {**NONE, "stage": "2"}, hours=(9,)),
    # Zone II stage 3 with plus disease is type 1: within 72 hours of the exam.
    Seen("fir", "Treatment, both eyes by Wed 4 Jun 14:00", {"zone": "II", "stage": "3", "plus": "plus"},
         hours=(8, 9, 10), clock=True),
    Seen("hazel", "Next eye exam", {**NONE, "zone": "posterior II"}, {**NONE, "stage": "1"}),  # two eyes apart
    Seen("larch", "left eye on Sun 8 Jun", NONE, {"view": "none"}),  # not seen: again within 7 days
    Seen("maple", "Next eye exam, both eyes Sun 15 Jun to Sun 22 Jun", {"zone": "III", "stage": "1", "plus": "none"}),
)  # fmt: skip


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_an_ophthalmologist_works_a_round_of_eight(bay: Bay, script: bool) -> None:
    names = {each.name: each.name if script else f"{each.name}-2" for each in ROUND}
    for name in names.values():
        bay.admit(name)
    with bay.open(has_touch=True, is_mobile=True, java_script_enabled=script) as page:
        for each in ROUND:
            row(page, names[each.name]).get_by_role("link", name="Enter an exam").tap()
            expect(page.get_by_label("Who examined?")).to_be_attached()
            find(page, each, drawn=script)
            page.get_by_label("Who examined?").fill("Dr Reed")
            if not script:
                page.get_by_role("button", name="Show what follows").tap()
            follows = now(page) if script else page.get_by_role("region", name="What follows, if this is saved")
            expect(follows).to_contain_text(each.says)  # before anything is saved
            clock = "clock" in (follows.get_attribute("class") or "") or follows.locator(".clock").count() > 0
            assert clock == each.clock
            assert fits(page)
            (save(page) if script else page.get_by_role("button", name="Save", exact=True)).tap()
            expect(page.get_by_role("status")).to_contain_text("The exam is saved.")
            page.get_by_role("link", name="Back to the list of Northbank").tap()
            page.wait_for_url("**/site/northbank*")
        page.goto("/site/northbank")
        ranked = page.locator(".entry").evaluate_all("rows => rows.map(each => each.id)")
        fir, ash = (ranked.index(f"infant-{key_of(names[name])}") for name in ("fir", "ash"))
        assert fir < ash  # whose clock runs stands before whose exam was quiet
        expect(row(page, names["fir"])).to_contain_text("By Wed 4 Jun 14:00")
    courses = {name: bay.flow.infant(key_of(patient)).course for name, patient in names.items()}
    assert [len(course.exams) for course in courses.values()] == [1] * 8
    clocks = [name for name in names if bay.flow.infant(key_of(names[name])).decision.next.kind == "treatment"]
    assert clocks == ["fir"]
    assert courses["fir"].exams[0].right.clock_positions == (8, 9, 10)
    assert courses["fir"].exams[0].left.clock_hours == 3 and courses["fir"].exams[0].left.clock_positions == ()
    assert (str(courses["larch"].exams[0].left), courses["larch"].exams[0].complete) == ("not seen", False)


def find(page: Page, seen: Seen, drawn: bool) -> None:
    """Tap what is seen of both eyes: zone and clock hours on the drawing, or, without a script, in the form."""
    eyes: list[tuple[Side, dict[str, str]]] = [("right", seen.right)]
    eyes += [("left", seen.left)] if seen.left else []
    for side, found in eyes:
        for name, value in found.items():
            if drawn and name == "zone":
                tap_zone(page, side, value)
            else:
                tap(page, f"{side}.{name}", value)
    if seen.hours and not drawn:
        page.get_by_role("group", name="Right eye").get_by_text("More of the right eye").tap()
    for hour in seen.hours:
        if drawn:
            tap_hour(page, "right", hour)
        else:
            tap(page, "right.clock_positions", str(hour))
    if not seen.left:
        page.get_by_label("As the right eye").check()
