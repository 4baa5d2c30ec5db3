"""What another edition would change for one infant, and what must be said loudest."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.core.decision import Ages, Decision
from service.core.impact import DIFFERENCES, compare
from service.core.window import NextStep, Reason, Window

DAY = date(2031, 6, 10)
WHY = Reason("rule", "source", "text", "read")


def decided(kind: str = "first-exam", due: int | None = 0, last: int = 7, **more: Any) -> Decision:
    """A decision with a window of so many days from DAY on; None: nothing is due."""
    window = None if due is None else Window(DAY + timedelta(due), DAY + timedelta(due), DAY + timedelta(due + last))
    step = NextStep(kind if window else "none", window, WHY)  # type: ignore[arg-type]
    state = "eligible" if window else "not-eligible"
    made = Decision(
        "a", "aap-2018", 1, DAY, state, "yes" if window else "no", (WHY,), (), Ages(None, None, None), step, ()
    )
    return replace(made, **more)


@pytest.mark.parametrize(
    ("before", "after", "differences"),
    [
        (decided(), decided(), ()),
        (decided(), decided(policy="uk-2022", revision=3, as_of=DAY + timedelta(1)), ()),
        (decided(), decided(due=None), ("no-longer-eligible",)),
        (decided(due=None), decided(), ("newly-eligible",)),
        (decided(), decided(due=3), ("later",)),
        (decided(), decided(due=-3), ("earlier",)),
        (decided(), decided(due=-1, last=20), ("later", "earlier")),
        (decided(), decided(last=8), ("later",)),
        (decided(), decided(kind="data-needed"), ("other-step",)),
        (decided(), decided(kind="data-needed", due=-2), ("earlier", "other-step")),
        (decided(), decided(because=()), ("other-reasons",)),
        (decided(due=None), decided(due=None, because=()), ()),  # off the list either way
        (decided(), decided(also=(NextStep("decision", Window(DAY, DAY, DAY), WHY),)), ("other-reasons",)),
        # on the list only because an exam is on record: the criteria do not name the infant any more
        (decided(), decided(eligible="no"), ("no-longer-eligible",)),
        (decided(eligible="no"), decided(), ("newly-eligible",)),
        (decided(eligible="unknown"), decided(), ("other-reasons",)),
    ],
)  # fmt: skip
def test_what_differs_is_named_gravest_first(before: Decision, after: Decision, differences: tuple[str, ...]) -> None:
    assert compare(before, after) == differences


@st.composite
def decisions(draw: st.DrawFn) -> Decision:
    kind = draw(st.sampled_from(["first-exam", "repeat-exam", "data-needed"]))
    due = draw(st.none() | st.integers(-5, 5))
    return decided(kind, due, draw(st.integers(0, 9)), flags=draw(st.sampled_from([(), ("a flag",)])))


@given(decisions(), decisions())
def test_there_and_back_is_the_opposite(one: Decision, other: Decision) -> None:
    opposite = {
        "no-longer-eligible": "newly-eligible", "newly-eligible": "no-longer-eligible", "later": "earlier",
        "earlier": "later",
    }  # fmt: skip
    there, back = compare(one, other), compare(other, one)
    assert {opposite.get(each, each) for each in there} == set(back)
    assert list(there) == sorted(there, key=DIFFERENCES.index)
    listed = one.next.window is not None or other.next.window is not None
    assert bool(there) == (listed and replace(one, as_of=DAY) != replace(other, as_of=DAY))
