"""What was said, done and agreed, in words. Terms are those of ICROP3 (Ophthalmology 2021;128:e51)."""

from __future__ import annotations

import pytest

from service.core.findings import Eye, Zone
from service.core.infant import FACT_NAMES, Fact, Version
from service.web import past
from service.web.sheets import SHEET_OF, SHEETS


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("born", {"low": "2031-05-01", "high": "2031-05-31"}, "between 2031-05-01 and 2031-05-31"),
        ("gestation", {"low": 178, "high": 178}, "25w3d"),
        ("gestation", {"low": 196, "high": 202}, "28w"),
        ("birth_weight", {"grams": 780}, "780 g"),
        ("multiple", {"order": 2}, "number 2"),
        ("multiple", {"order": None}, "yes"),
        ("deceased", {"on": None}, "yes"),
        ("risk", {"flag": "prolonged-oxygen"}, "prolonged oxygen"),
        ("unreadable", {"of": "birth_weight", "reason": "no unit"}, "birth weight: no unit"),
        ("fetal", {}, "yes"),
        (
            "stay",
            {"open": False, "place": "Location/nicu", "place_text": None, "since": "2031-05-01", "until": "2031-05-20"},
            "Location/nicu, ended, since 2031-05-01, until 2031-05-20",
        ),
        ("weight", {"on": "2031-06-01", "grams": 1010}, "1010 g on 2031-06-01"),
        (
            "exam",
            {"on": "2031-06-01", "at": "09:30", "right": {"zone": "II", "stage": "2"}, "examiner": "Dr Reed"},
            "2031-06-01 at 09:30 (Dr Reed): right eye zone II stage 2; left eye not seen",
        ),
        (
            "exam",
            {"on": "2031-06-01", "right": {"view": "none", "stage": "2"}},
            "2031-06-01: kept, and not readable under the rules of today",
        ),
        (
            "finding",
            {"on": "2031-06-01", "eyes": "right", "of": {"zone": "II", "nasal_at_ora": False}},
            "2031-06-01: right eye, zone II and nasal at ora no",
        ),
        (
            "treatment",
            {"on": "2031-06-01", "eyes": "both", "kind": "injection", "agent": "ranibizumab"},
            "2031-06-01: injection of ranibizumab, both eyes",
        ),
        ("treatment", {"on": "2031-06-01", "eyes": "left", "kind": "laser"}, "2031-06-01: laser, left eye"),
        (
            "closing",
            {"on": "2031-06-01", "by": "Dr Reed", "why": "opt-out", "basis": "x", "note": "moved away"},
            "2031-06-01: the family declined further exams (Dr Reed); moved away",
        ),
        ("reopening", {"on": "2031-06-01", "by": "Dr Reed", "why": "came back"}, "2031-06-01: came back (Dr Reed)"),
        (
            "deferral",
            {
                "on": "2031-06-01",
                "until": "2031-06-05",
                "reason": "sepsis",
                "ophthalmologist": "Dr Reed",
                "neonatologist": "Dr Tarn",
            },
            "2031-06-01: put off until 2031-06-05 by Dr Reed and Dr Tarn: sepsis",
        ),
        (
            "hand_over",
            {"on": "2031-06-01", "to": "Hill clinic", "place": "Room 4", "date": "2031-06-05", "by": "Wren"},
            "2031-06-01: to Hill clinic, next exam on 2031-06-05 at Room 4 (Wren); not said that the parents were told",
        ),
        (
            "long_term",
            {"on": "2031-06-01", "by": "Dr Tarn", "where": "Hill clinic"},
            "2031-06-01: Hill clinic (Dr Tarn)",
        ),
    ],
)
def test_every_kind_of_fact_can_be_said(name: str, value: dict[str, object], said: str) -> None:
    assert past.say_fact(Fact("p", name, value, "Observation/1", Version(1, "", "1")))[1] == said


@pytest.mark.parametrize("name", sorted(FACT_NAMES))
def test_every_name_of_a_fact_has_a_label_of_its_own(name: str) -> None:
    assert name in past.LABELS and "_" not in past.LABELS[name]


def test_what_the_short_words_of_an_eye_leave_out_is_said_beside_them() -> None:
    eye = Eye(
        zone=Zone.II, stage="2", plus="none", vascularization=Zone.III, notch=True, clock_hours=4, nasal_at_ora=False,
        avascular_site="temporal", avascular_extent=2.5, note="small pupil", view="poor",
    )  # fmt: skip
    assert past.say_details(eye) == [
        "poor view", "4 clock hours", "with a notch", "vessels reach zone III",
        "nasal vessels do not reach the ora serrata", "avascular retina: temporal, 2.5 disc diameters", "small pupil",
    ]  # fmt: skip
    assert past.say_details(Eye(zone=Zone.II, stage="0")) == []


def test_whatever_can_be_typed_in_has_a_sheet_to_correct_it_on() -> None:
    assert set(SHEET_OF.values()) == set(SHEETS) - {"reopen"}
