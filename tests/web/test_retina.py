"""The drawing of a retina: which way it lies, where its zones end, and that it shows what was typed and nothing else.

Zones: International Classification of ROP, 3rd edition, Ophthalmology 2021;128:e51.
"""

from __future__ import annotations

import math
from xml.etree import ElementTree

import pytest

from service.core.findings import SIDES, Side
from service.web.retina import (
    DISC_DIAMETER,
    DISC_TO_FOVEA,
    MIDDLE,
    ORA,
    RING,
    SHOWN,
    band_width,
    disc,
    draw_retina,
)

HOSTILE = '"><script>alert(1)</script>'


def drawn(side: Side, **typed: str | list[str]) -> ElementTree.Element:
    fields = {f"{side}.{name}": [value] if isinstance(value, str) else value for name, value in typed.items()}
    return ElementTree.fromstring(str(draw_retina(side, fields)))


def zone(svg: ElementTree.Element, name: str) -> tuple[float, float, float]:
    (circle,) = [each for each in svg.iter("circle") if each.get("data-pick") == name]
    return tuple(float(circle.attrib[key]) for key in ("cx", "cy", "r"))  # type: ignore[return-value]


def where(svg: ElementTree.Element, hour: int) -> tuple[float, float]:
    (text,) = [each for each in svg.iter("text") if each.text == str(hour)]
    return float(text.attrib["x"]), float(text.attrib["y"])


def test_the_nose_is_where_the_examiner_sees_it() -> None:
    """Facing the infant: of the right eye the nasal side is to the right of the drawing, of the left eye to the left.
    So 3 o'clock is nasal in the right eye and temporal in the left (ICROP, Arch Ophthalmol 1984;102:1130; from memory).
    """
    for side, nasal_hour, temporal_hour in (("right", 3, 9), ("left", 9, 3)):
        svg = drawn(side)
        disc_x = zone(svg, "I")[0]
        towards_nose = math.copysign(1, where(svg, nasal_hour)[0] - MIDDLE)
        assert math.copysign(1, disc_x - MIDDLE) == towards_nose  # the disc lies nasal of the fovea
        written = {each.text: each for each in svg.iter("text") if each.get("class") == "way"}
        (nasal,) = [words for words in written if words and "nasal" in words]
        (temporal,) = [words for words in written if words and "temporal" in words]
        ends = {words: each.get("text-anchor") == "end" for words, each in written.items()}
        assert ends[nasal] == (towards_nose > 0) and ends[temporal] == (towards_nose < 0)
        assert math.copysign(1, where(svg, temporal_hour)[0] - MIDDLE) == -towards_nose
        assert where(svg, 12)[1] < MIDDLE < where(svg, 6)[1]


def test_the_two_eyes_are_mirror_images() -> None:
    assert disc("right")[0] - MIDDLE == MIDDLE - disc("left")[0] > 0


@pytest.mark.parametrize("side", SIDES)
def test_zones_are_circles_about_the_disc(side: Side) -> None:
    svg = drawn(side)
    x, y = disc(side)
    assert zone(svg, "I") == (x, y, 2 * DISC_TO_FOVEA)
    assert zone(svg, "posterior II") == (x, y, 2 * DISC_TO_FOVEA + 2 * DISC_DIAMETER)
    assert zone(svg, "III") == (MIDDLE, MIDDLE, ORA)
    x2, _, radius = zone(svg, "II")
    nose = math.copysign(1, x2 - MIDDLE)
    assert x2 + nose * radius == MIDDLE + nose * ORA  # touches the ora serrata on the nasal side,
    assert abs(x2 - nose * radius - (MIDDLE - nose * ORA)) == 2 * DISC_TO_FOVEA  # and leaves a crescent temporally
    (fovea,) = [each for each in svg.iter("circle") if each.get("class") == "fovea"]
    assert abs(float(fovea.attrib["cx"]) - x) == DISC_TO_FOVEA
    assert math.copysign(1, float(fovea.attrib["cx"]) - x) == -nose  # temporal of the disc


def test_it_carries_each_field_as_typed_and_nothing_that_was_not() -> None:
    svg = drawn("left", zone="posterior II", stage="3", plus="plus", aggressive="yes", view="poor")
    assert {name: svg.get(f"data-{name}") for name in SHOWN} == {
        "view": "poor", "zone": "posterior II", "vascularization": "", "stage": "3", "plus": "plus",
        "aggressive": "yes", "regression": "", "reactivation": "",
    }  # fmt: skip
    assert {drawn("right").get(f"data-{name}") for name in SHOWN} == {""}


def test_hours_are_marked_where_they_were_tapped() -> None:
    svg = drawn("right", zone="II", stage="2", clock_positions=["2", "3", "12"])
    marked = [each.get("data-hour") for each in svg.iter("g") if each.get("class") == "hour on"]
    assert marked == ["2", "3", "12"] and svg.get("data-hours") == "3"
    for group in (each for each in svg.iter("g") if (each.get("class") or "").startswith("disease")):
        assert [each.get("data-hour") for each in group if each.get("class") == "on"] == ["2", "3", "12"]
    (second,) = [each for each in svg.iter("g") if each.get("class") == "disease in-II"]
    (three,) = [each for each in second if each.get("data-hour") == "3"]
    xs = [float(pair.split()[0]) for pair in three.attrib["d"][1:].split(" L")]
    assert min(xs) > disc("right")[0]  # at 3 o'clock of the right eye: on the nasal side of the disc
    assert drawn("right").get("data-hours") == ""


@pytest.mark.parametrize("side", SIDES)
def test_disease_lies_within_its_zone(side: Side) -> None:
    inner = {"I": 0.0, "posterior-II": zone(drawn(side), "I")[2], "II": zone(drawn(side), "posterior II")[2]}
    outer = {"I": zone(drawn(side), "I")[2], "posterior-II": inner["II"], "II": zone(drawn(side), "II")[2]}
    for name in inner:
        (group,) = [each for each in drawn(side).iter("g") if each.get("class") == f"disease in-{name}"]
        for path in group:
            for pair in path.attrib["d"].strip("MZ ").split(" L"):
                x, y = (float(each) for each in pair.split())
                from_disc = math.hypot(x - disc(side)[0], y - disc(side)[1])
                assert inner[name] - 0.1 <= from_disc <= outer[name] + 0.1, (name, path.attrib["data-hour"])
    (third,) = [each for each in drawn(side).iter("g") if each.get("class") == "disease in-III"]
    for pair in third[0].attrib["d"].strip("MZ ").split(" L"):
        x, y = (float(each) for each in pair.split())
        assert math.hypot(x - disc(side)[0], y - disc(side)[1]) >= zone(drawn(side), "II")[2] - 0.1
        assert math.hypot(x - MIDDLE, y - MIDDLE) <= ORA + 0.1


@pytest.mark.parametrize(
    ("extent", "width"),
    [("2", 2 * DISC_DIAMETER), ("2,5", 2.5 * DISC_DIAMETER), ("", 0), ("-1", 0), ("much", 0), ("nan", 0), ("99", ORA)],
)
def test_avascular_retina_is_a_band_as_wide_as_it_was_measured(extent: str, width: float) -> None:
    (band,) = [each for each in drawn("right", avascular_extent=extent).iter("circle") if each.get("class") == "band"]
    assert band_width(extent) == float(band.attrib["stroke-width"]) == width
    assert float(band.attrib["r"]) + width / 2 == pytest.approx(ORA)


def test_the_clock_is_big_enough_for_a_thumb() -> None:
    """44 CSS pixels and more along the ring, 42 units across it: the drawing is at least 350 pixels wide on a phone."""
    assert RING[1] - RING[0] >= 42 and 2 * math.pi * RING[0] / 12 > 44
    # A target of WCAG 2.5.8 is 24 px wide; on a phone a unit is about a pixel.
    assert 2 * DISC_DIAMETER >= 24 and ORA - DISC_TO_FOVEA - (2 * DISC_TO_FOVEA + 2 * DISC_DIAMETER) >= 24
    assert 2 * DISC_TO_FOVEA >= 44  # the crescent of zone III, and the radius of zone I


def test_what_was_typed_is_text() -> None:
    text = str(draw_retina("right", {"right.zone": [HOSTILE], "right.clock_positions": [HOSTILE]}))
    assert "<script>" not in text
    assert ElementTree.fromstring(text).get("data-zone") == HOSTILE
