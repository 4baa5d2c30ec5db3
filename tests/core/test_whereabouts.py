"""Where an infant lies: the nearest place the site names, else the ward, else the outermost place of all."""

from __future__ import annotations

import pytest
from core.invented import fact, infant

from service.core.whereabouts import Places, locate, places

PLACES: Places = {
    "Location/bed": {"name": "Bed 4", "part_of": "Location/room", "kind": "bd"},
    "Location/room": {"name": "Room 2", "part_of": "Location/ward", "kind": "ro"},
    "Location/ward": {"name": "Neonatal unit", "part_of": "Location/house", "kind": "wa"},
    "Location/house": {"name": "Hospital", "part_of": None, "kind": "bu"},
    "Location/bay": {"name": "Bay 1", "part_of": "Location/floor", "kind": None},
    "Location/floor": {"name": "Second floor", "part_of": "Location/nameless", "kind": "lvl"},
    "Location/nameless": {"name": None, "part_of": None, "kind": None},
    "Location/here": {"name": "Here", "part_of": "Location/there", "kind": None},
    "Location/there": {"name": "There", "part_of": "Location/here", "kind": None},
}


def where(place: str | None, text: str = "", **units: str) -> tuple[str, str]:
    """Unit and bed, at a site that calls these places and names so."""

    def unit_for(*words: str | None) -> str | None:
        return next((units[word] for word in words if word in units), None)

    return locate(infant(place=place, place_text=text), PLACES, unit_for)


@pytest.mark.parametrize(
    ("place", "text", "unit", "bed"),
    [
        ("Location/bed", "", "Neonatal unit", "Bed 4"),
        ("Location/ward", "", "Neonatal unit", ""),
        ("Location/bay", "", "Second floor", "Bay 1"),  # no ward: the outermost place that has a name
        ("Location/here", "", "There", "Here"),  # each part of the other
        ("Location/nameless", "cot by the door", "cot by the door", ""),
        ("Location/unheard-of", "cot by the door", "cot by the door", ""),
        (None, "cot by the door", "cot by the door", ""),
        (None, "", "", ""),
    ],
)
def test_without_a_word_of_the_site_the_ward_or_the_outermost_place_is_the_unit(
    place: str | None, text: str, unit: str, bed: str
) -> None:
    assert where(place, text) == (unit, bed)


def test_places_without_a_name_say_nothing() -> None:
    assert locate(infant(place="Location/x"), {"Location/x": {}}, lambda *words: None) == ("", "")


def test_the_ward_of_fhir_r4_has_a_code_of_its_own_too() -> None:
    """HL7 location-physical-type `wa`; some servers write `ward`."""
    for kind in ("wa", "ward"):
        known = {**PLACES, "Location/ward": {**PLACES["Location/ward"], "kind": kind}}
        assert locate(infant(place="Location/bed"), known, lambda *words: None) == ("Neonatal unit", "Bed 4")


def test_what_the_site_calls_the_nearest_place_is_the_unit() -> None:
    assert where("Location/bed", **{"Location/room": "Intensive", "Location/ward": "Whole ward"}) == (
        "Intensive", "Bed 4",
    )  # fmt: skip
    assert where("Location/bed", **{"Room 2": "By name"}) == ("By name", "Bed 4")
    assert where(None, "cot 7", **{"cot 7": "Intermediate"}) == ("Intermediate", "cot 7")
    assert where("Location/bed", "cot 7", **{"cot 7": "Intermediate"}) == ("Intermediate", "Bed 4")


def test_a_chain_of_places_is_followed_ten_deep() -> None:
    known = {f"Location/{n}": {"name": f"{n}", "part_of": f"Location/{n + 1}", "kind": None} for n in range(20)}
    assert locate(infant(place="Location/0"), known, lambda *words: None) == ("9", "0")


def test_the_newest_word_on_a_place_counts() -> None:
    old = fact("place", {"name": "Old", "part_of": None, "kind": "wa"}, "Location/a", 1)
    new = fact("place", {"name": "New", "part_of": None, "kind": "wa"}, "Location/a", 2)
    other = fact("birth_weight", {"grams": 900}, "Observation/1")
    assert places([new, old, other]) == {"Location/a": new.value}
