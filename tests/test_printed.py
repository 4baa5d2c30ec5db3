"""The list as text: every kind of step, with its eye, its clock and what stands beside it."""

from __future__ import annotations

from datetime import date

import pytest
from steps import CLOCK, TYPE_1, asking, of_kind

from service.core.decision import Decision, Window
from service.core.worklist import Entry
from service.fhir.step import KINDS
from service.printed import draw_worklist
from service.web.exports import HEADINGS, list_cells

TODAY = {"larkfield": date(2031, 6, 9)}
NAMES = {"larkfield": "Larkfield"}


def entry(decision: Decision) -> Entry:
    window = decision.next.window
    assert window is not None
    return Entry(
        "larkfield", "k", "p-1", "Girl Alder", "L-1", "Ward", "Bed 2", False, decision, decision.next.kind, window
    )


@pytest.mark.parametrize("width", [60, 250])
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_said_with_its_days_and_reason(kind: str, width: int) -> None:
    said = draw_worklist([entry(asking(of_kind(kind, TYPE_1), exams=1))], TODAY, NAMES, width)
    flat = " ".join(said.split())
    assert "type 1 disease" in flat and "7 Jun" in flat
    assert f"{kind}:" not in flat, "words, not a code"


@pytest.mark.parametrize("width", [60, 250])
def test_a_clock_is_said_to_the_minute_and_what_stands_beside_it(width: int) -> None:
    day = date(2031, 6, 11)
    treat = of_kind("treatment", TYPE_1, Window(day, day, day), eye="right", by=CLOCK)
    again = of_kind("repeat-exam", eye="left")
    (cells,) = list_cells([entry(asking(treat, again, of_kind("hand-over"), exams=3, treatments=1))], TODAY, NAMES)
    row = dict(zip(HEADINGS, cells, strict=True))
    assert (row["clock_runs_out"], row["eye"], row["exams"], row["treatments"]) == (CLOCK, "right", 3, 1)
    assert row["also"] == "repeat-exam; hand-over"
    flat = " ".join(draw_worklist([entry(asking(treat, again, exams=3))], TODAY, NAMES, width).split())
    assert "11 Jun 09:30" in flat
    assert "(left eye) by 7 Jun" in flat
