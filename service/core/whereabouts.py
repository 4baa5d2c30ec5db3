"""Where an infant lies: from a place and the places around it to a unit and a bed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from service.core.infant import Fact, Infant, newest

Places = Mapping[str, Mapping[str, Any]]
"""What is known of each place: reference -> {"name", "part_of", "kind"}."""

_WARD = ("ward", "wa")
_DEEPEST = 10


def places(facts: Iterable[Fact]) -> Places:
    """The newest word on every place."""
    return {fact.resource: fact.value for fact in newest(facts)[0] if fact.name == "place"}


def locate(infant: Infant, known: Places, unit_for: Callable[..., str | None]) -> tuple[str, str]:
    """(unit, bed) to show, "" where not known.

    The unit is what the site's file calls the nearest place it maps (`unit_for(*references and names)`), else the ward
    around the infant, else the outermost place known.
    """
    chain = _around(infant.place, known)
    named = [(known.get(place, {}).get("name") or "", known.get(place, {}).get("kind") or "") for place in chain]
    words = [word for place, (name, _) in zip(chain, named, strict=True) for word in (place, name) if word]
    ward = next((name for name, kind in named if kind in _WARD), "")
    outermost = next((name for name, _ in reversed(named) if name), "")
    unit = unit_for(*words, infant.place_text or None) or ward or outermost or infant.place_text
    bed = named[0][0] if named and named[0][0] else infant.place_text
    return unit, "" if bed == unit else bed


def _around(place: str | None, known: Places) -> list[str]:
    chain: list[str] = []
    while place and place not in chain and len(chain) < _DEEPEST:
        chain.append(place)
        place = known.get(place, {}).get("part_of")
    return chain
