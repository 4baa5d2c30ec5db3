"""The picture of a row: where its marks stand, and that it carries words and no style or script."""

from __future__ import annotations

import re
from datetime import date, timedelta
from xml.etree import ElementTree

from hypothesis import given
from hypothesis import strategies as st

from service.core.decision import Ages, Window
from service.web.strip import FIRST_WEEK, LAST_WEEK, draw_strip

TODAY = date(2031, 6, 1)


def percent(element: ElementTree.Element, name: str) -> float:
    return float(element.attrib[name].removesuffix("%"))


def parts(svg: str) -> dict[str, list[ElementTree.Element]]:
    found: dict[str, list[ElementTree.Element]] = {}
    for each in ElementTree.fromstring(svg).iter():
        found.setdefault(each.get("class", each.tag), []).append(each)
    return found


def test_birth_today_and_window_stand_where_the_axis_says() -> None:
    # 26w4d at birth, 31 days old: 31w0d. Axis 22w to 44w = 154 days; birth at (186-154)/154, window from (217-154)/154.
    strip = draw_strip(Ages("26w4d", 31, "31w0d"), Window(TODAY, TODAY, TODAY + timedelta(days=6)), TODAY)
    assert strip is not None
    found = parts(strip)
    span = (LAST_WEEK - FIRST_WEEK) * 7
    circle = next(each for each in found["birth"] if each.tag == "circle")
    assert percent(circle, "cx") == round(100 * 32 / span, 2)
    assert percent(found["window"][0], "x") == round(100 * 63 / span, 2)
    assert percent(found["window"][0], "width") == round(100 * 7 / span, 2)
    assert ElementTree.fromstring(strip).attrib["aria-label"] == (
        "Born at 26w4d, 31w0d today; window from 31w0d to 31w6d"
    )
    assert [each.text for each in found["week"]] == ["24w", "28w", "32w", "36w", "40w"]


def test_without_a_postmenstrual_age_there_is_no_picture() -> None:
    window = Window(TODAY, TODAY, TODAY)
    assert draw_strip(Ages(None, 31, None), window, TODAY) is None
    assert draw_strip(Ages("26w4d", None, None), window, TODAY) is None
    assert draw_strip(Ages("26w4d", -1, None), window, TODAY) is None


@given(
    st.integers(100, 330), st.integers(0, 6), st.integers(0, 900),
    st.tuples(*[st.integers(-900, 900)] * 3).map(sorted),
)  # fmt: skip
def test_every_mark_stays_on_the_axis(low: int, doubt: int, old: int, window: list[int]) -> None:
    gestation = f"{low // 7}w{low % 7}d..{(low + doubt) // 7}w{(low + doubt) % 7}d"
    strip = draw_strip(Ages(gestation, old, ""), Window(*(TODAY + timedelta(days=each) for each in window)), TODAY)
    assert strip is not None
    for value in re.findall(r'"(-?[\d.]+)%"', strip):
        assert 0 <= float(value) <= 100
    assert "style=" not in strip
    assert "<script" not in strip
