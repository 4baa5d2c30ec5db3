"""The invented infants whose eyes have been looked at before the demonstration starts, and what was found and done.

Names and numbers are made up as in the census; so are the doctors, who are named after plants. Most courses are
ordinary; the rest show what happens in any unit in a year, each once: `tells` says in a word what its infant is here
for, and the tests look each of them up. Days are counted back from the start.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final

from service.core.ages import parse_age
from service.demo.census import ROWS, Newborn, Sex

EYE_DOCTORS: Final = ("Dr Teasel", "Dr Yarrow", "Dr Sorrel")
"""Who examines eyes in each unit."""
WARD_DOCTORS: Final = ("Dr Larkspur", "Dr Comfrey", "Dr Tansy")
"""Who looks after the infants in each unit."""
CLINICS: Final = ("Fernhill children's eye clinic", "Marlpit eye outpatients", "Neemgrove district hospital")
"""Who takes infants on after each unit. None of them exists."""

Value = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Look:
    """An exam `ago` days before the start. `eyes` in the words of `chart.eye`, both alike or `right | left`; `first` is
    what was typed in before it was put right a day later; `withdrawn`: entered in error, and taken back a day later."""

    ago: int
    eyes: str
    at: str = "10:20"
    first: str = ""
    withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class Done:
    """A treatment `ago` days before the start."""

    ago: int
    eyes: str
    kind: str
    agent: str = ""


@dataclass(frozen=True, slots=True)
class Paper:
    """Something agreed `ago` days before the start: the id of its form and the answers; whole numbers under `until`
    and `date` are days after the start."""

    ago: int
    form: str
    value: Value

    def answers(self, today: date) -> dict[str, Any]:
        """The answers with days of the calendar, `today` being the day of the start."""
        return {
            "on": (today - timedelta(days=self.ago)).isoformat(),
            **{
                key: (today + timedelta(days=value)).isoformat() if key in ("until", "date") else value
                for key, value in self.value.items()
            },
        }


@dataclass(frozen=True, slots=True)
class Course:
    """One infant: `days` old at the start, on the ward unless `left` or `died` so many days ago. `grams` is the birth
    weight; `weighed`: there is a weight for every day on the ward; `slow`: and it rises slowly."""

    tells: str
    given: str
    family: str
    sex: Sex
    gestation: str
    grams: int
    days: int
    looks: tuple[Look, ...] = ()
    done: tuple[Done, ...] = ()
    papers: tuple[Paper, ...] = ()
    left: int | None = None
    died: int | None = None
    weighed: bool = False
    slow: bool = False

    def newborn(self, unit: int, number: int, today: date) -> Newborn:
        """The infant as the census knows one."""
        born = today - timedelta(days=self.days)
        return Newborn(unit, number, self.given, self.family, self.sex, born, parse_age(self.gestation), self.grams)

    def grams_on(self, day: int) -> int:
        """Body weight at an age in days: a tenth is lost, the birth weight is there again at ten days, and then so many
        grams are gained every day."""
        daily = 9 if self.slow else 16 + self.grams / 100
        share = 1 - 0.02 * min(day, 5) + 0.02 * min(max(day - 5, 0), 5)
        return round(self.grams * share + daily * max(day - 10, 0)) + (day * 37) % 11 - 5


def _put_off(ago: int, until: int, reason: str, unit: int) -> Paper:
    names = {"ophthalmologist": EYE_DOCTORS[unit], "neonatologist": WARD_DOCTORS[unit]}
    return Paper(ago, "deferral", {"until": until, "reason": reason, **names})


def _handed_over(ago: int, ahead: int, unit: int) -> Paper:
    """A place at the unit's clinic, `ahead` days after the start."""
    place = {"to": CLINICS[unit], "place": f"{CLINICS[unit]}, ground floor", "date": ahead}
    return Paper(ago, "hand-over", {**place, "by": WARD_DOCTORS[unit], "parents_told": True})


def _closed(ago: int, why: str, unit: int, note: str = "") -> Paper:
    by = WARD_DOCTORS[unit] if why in ("palliative", "opt-out") else EYE_DOCTORS[unit]
    return Paper(ago, "closing", {"by": by, "why": why, "note": note})


def _looks(*rows: tuple[int, str]) -> tuple[Look, ...]:
    return tuple(Look(ago, eyes) for ago, eyes in rows)


_FIRST: Final = (
    Course(
        "due-today", "Oksana", "Buttercup", "female", "25w2d", 740, 77, weighed=True,
        looks=_looks((37, "II 0"), (23, "II 1 | II 0"), (14, "II 2 | II 1"), (7, "II 2 | II 2")),
    ),
    Course(
        "due-this-week", "Nilufar", "Rosehip", "female", "27w3d", 980, 60,
        looks=_looks((32, "II 0"), (24, "II 1"), (10, "II 1")),
    ),
    Course(
        "put-off-twice", "Bram", "Whirligig", "male", "24w6d", 640, 84, weighed=True, slow=True,
        looks=_looks((41, "II 0"), (27, "II 1"), (17, "II 2")),
        papers=(
            _put_off(8, -4, "on oscillation, saturations fall at every touch", 0),
            _put_off(4, 1, "sepsis, on adrenaline", 0),
        ),
    ),
    Course(
        "treatment-clock", "Sunniva", "Thimble", "female", "24w1d", 590, 91, weighed=True,
        looks=(
            *_looks((43, "pII 1"), (36, "pII 1"), (29, "II 2"), (22, "II 2"), (15, "II 2 pre-plus | II 2")),
            Look(8, "II 3 pre-plus | II 2"), Look(1, "II 3 plus | II 3 pre-plus", at="16:40"),
        ),
    ),
    Course(
        "laser-1-week", "Otis", "Candytuft", "male", "25w0d", 700, 92,
        looks=_looks(
            (49, "II 0"), (35, "II 1"), (21, "II 2"), (14, "II 3"), (7, "II 3 plus"), (3, "II 3 pre-plus regressing")
        ),
        done=(Done(6, "both", "laser"),),
    ),
    Course(
        "injected-at-home", "Paloma", "Honeycomb", "female", "24w3d", 620, 245, left=120,
        looks=_looks(
            (198, "pII 0"), (190, "pII 1"), (183, "pII 2"), (176, "I 2 pre-plus"), (169, "I 3 plus"),
            (164, "I 3 pre-plus regressing"), (157, "I 2 regressing"), (150, "pII 1 regressing"),
            (143, "pII 1 regressing"), (136, "II 1 regressed"), (129, "II 1 regressed"), (115, "II 1 regressed"),
            (101, "II 1 regressed"), (87, "II 1 regressed"), (73, "II 1 regressed"), (59, "II 1 regressed"),
            (45, "III ora 1 regressed"), (28, "III ora 1 regressed"), (12, "III ora 1 regressed"),
        ),
        done=(Done(168, "both", "injection", "bevacizumab"),),
        papers=(
            _handed_over(121, 2, 0),
            Paper(12, "long-term", {"by": EYE_DOCTORS[0], "where": CLINICS[0]}),
        ),
    ),
    Course(
        "may-stop", "Jalen", "Gingerbread", "male", "28w0d", 1090, 70, left=12,
        looks=_looks((42, "II 0"), (28, "III ora 0"), (14, "III ora 0"), (9, "full 0")),
        papers=(_handed_over(13, 5, 0),),
    ),
    Course(
        "closed-by-name", "Elif", "Sundial", "female", "29w2d", 1300, 75, left=10,
        looks=_looks((46, "II 0"), (32, "III ora 0"), (12, "full 0")),
        papers=(_closed(11, "screening-complete", 0),),
    ),
    Course(
        "left-without-hand-over", "Ravi", "Bluebottle", "male", "26w5d", 910, 66, left=3,
        looks=_looks((36, "II 0"), (22, "II 1"), (8, "II 1")),
    ),
)  # fmt: skip

_SECOND: Final = (
    Course(
        "ordinary", "Efua", "Snowdrop", "female", "26w3d", 880, 70, weighed=True,
        looks=_looks((38, "II 0"), (28, "II 1"), (14, "II 1")),
    ),
    Course(
        "aggressive", "Magnus", "Barnacle", "male", "23w4d", 530, 82,
        looks=(Look(29, "I 0"), Look(22, "I 0"), Look(15, "I 1"), Look(8, "I 2 pre-plus"),
               Look(1, "I 2 plus A-ROP", at="15:20")),
    ),
    Course(
        "one-eye-not-seen", "Seren", "Teacup", "female", "27w0d", 960, 33,
        looks=_looks((3, "II 1 | unseen")),
    ),
    Course(
        "laser-2-weeks", "Dmitri", "Hollyhock", "male", "24w6d", 690, 98, weighed=True,
        looks=_looks(
            (54, "II 0"), (40, "II 1"), (26, "II 2"), (19, "II 2 pre-plus"), (12, "II 3 plus"),
            (6, "II 3 regressing"),
        ),
        done=(Done(11, "both", "laser"),),
    ),
    Course(
        "more-treatment", "Aoife", "Tumbleweed", "female", "25w4d", 760, 101,
        looks=_looks(
            (61, "II 0"), (47, "II 1"), (33, "II 2"), (23, "II 3 pre-plus"), (16, "II 3 plus"),
            (10, "II 3 pre-plus regressing"), (2, "II 3 pre-plus"),
        ),
        done=(Done(15, "both", "laser"),),
    ),
    Course(
        "reopened", "Gwen", "Larder", "female", "29w5d", 1350, 66, left=6,
        looks=(Look(37, "II 0"), Look(22, "III ora 0"), Look(8, "III ora 0 | II 1", first="III ora 0")),
        papers=(_closed(8, "screening-complete", 1),),
    ),
    Course(
        "decision-at-65-weeks", "Hamid", "Marrowfat", "male", "24w4d", 650, 290, left=170,
        looks=_looks(
            (240, "pII 0"), (226, "pII 2"), (219, "I 2"), (212, "I 3 plus"), (208, "I 3 pre-plus regressing"),
            (204, "I 2 regressing"), (197, "pII 1 regressing"), (190, "pII 1 regressing"), (183, "II 1 regressed"),
            (169, "II 1 regressed"), (155, "II 1 regressed"), (141, "II 1 regressed"), (127, "II 1 regressed"),
            (113, "II 1 regressed"), (99, "II 1 regressed"), (80, "II 1 regressed"), (60, "III ora 1 regressed"),
            (40, "III ora 1 regressed"), (21, "III ora 1 regressed"), (3, "III ora 1 regressed"),
        ),
        done=(Done(211, "both", "injection", "ranibizumab"),),
        papers=(
            _handed_over(171, 11, 1),
            Paper(40, "long-term", {"by": EYE_DOCTORS[1], "where": CLINICS[1]}),
        ),
    ),
    Course(
        "palliative", "Ines", "Bobbin", "female", "22w6d", 500, 66,
        looks=_looks((8, "I 1")),
        papers=(_closed(5, "palliative", 1, "agreed with the family"),),
    ),
    Course(
        "opted-out", "Tove", "Mapleleaf", "female", "30w1d", 1450, 52, left=10,
        looks=_looks((20, "II 0")),
        papers=(_closed(9, "opt-out", 1, "the family moves abroad and was told what may follow"),),
    ),
    Course(
        "ordinary", "Priya", "Lampshade", "female", "28w6d", 1180, 45, weighed=True,
        looks=_looks((13, "II 0")),
    ),
)  # fmt: skip

_THIRD: Final = (
    Course(
        "ordinary", "Ishani", "Turmeric", "female", "29w2d", 1150, 44, weighed=True,
        looks=_looks((24, "II 0"), (10, "II 1")),
    ),
    Course(
        "overdue-at-home", "Devan", "Mangotree", "male", "30w2d", 1310, 46, left=15,
        looks=_looks((16, "II 1")),
        papers=(_handed_over(16, -2, 2),),
    ),
    Course(
        "laser-4-weeks", "Anwar", "Copperpot", "male", "26w1d", 810, 110,
        looks=_looks(
            (84, "II 0"), (70, "II 1"), (56, "II 2"), (42, "II 2 pre-plus"), (34, "II 3 pre-plus"), (27, "II 3 plus"),
            (22, "II 3 pre-plus regressing"), (19, "II 3 regressing"), (12, "II 2 regressing"), (5, "II 1 regressing"),
        ),
        done=(Done(26, "right", "laser"), Done(26, "left", "injection", "ranibizumab")),
    ),
    Course(
        "avascular", "Sarita", "Pomegranate", "female", "25w3d", 700, 190, left=80,
        looks=_looks(
            (150, "pII 0"), (140, "pII 1"), (130, "pII 2"), (122, "I 2 pre-plus"), (115, "I 3 plus"),
            (111, "I 3 pre-plus regressing"), (106, "pII 2 regressing"), (99, "pII 2 regressing"),
            (92, "II 1 regressing"), (85, "II 1 regressed"), (72, "II 1 regressed"), (58, "II 1 regressed bare"),
            (44, "II 1 regressed bare"), (30, "II 1 regressed bare"), (10, "II 0 bare"),
        ),
        done=(Done(114, "both", "injection", "bevacizumab"),),
        papers=(_handed_over(81, 4, 2),),
    ),
    Course(
        "ordinary", "Latha", "Spinningtop", "female", "27w1d", 930, 50, weighed=True,
        looks=_looks((31, "pII 0"), (21, "pII 0"), (14, "pII 1"), (7, "pII 1")),
    ),
    Course(
        "death", "Mohan", "Tinderbox", "male", "25w0d", 610, 48, died=6,
        looks=_looks((27, "I 0"), (20, "I 1"), (13, "I 1 pre-plus")),
    ),
    Course(
        "type-2", "Neeraj", "Peacockfeather", "male", "26w4d", 790, 72, weighed=True,
        looks=_looks((48, "II 0"), (34, "II 1"), (20, "II 2"), (12, "II 2 pre-plus"), (5, "II 3 pre-plus")),
    ),
    Course(
        "entered-in-error", "Radha", "Anklet", "female", "30w5d", 1290, 29,
        looks=(Look(2, "III ora 0", withdrawn=True),),
    ),
)  # fmt: skip

COURSES: Final = (_FIRST, _SECOND, _THIRD)
"""Everybody with a course, unit by unit."""


def courses(today: tuple[date, date, date]) -> list[tuple[Course, Newborn]]:
    """The courses and their infants, numbered after those of the census, `today` being the local day of each unit."""
    return [
        (course, course.newborn(unit, len(ROWS[unit]) + number, today[unit]))
        for unit, rows in enumerate(COURSES)
        for number, course in enumerate(rows, start=1)
    ]
