"""The picture of a course: where its marks stand, that it says in words what it shows, and has no style and no script.

Places are worked out by hand from the ages; terms are those of the International Classification of ROP, 3rd edition
(Ophthalmology 2021;128:e51).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from core.invented import BORN, candidates, facts, infant
from hypothesis import given, settings
from hypothesis import strategies as st
from playwright.sync_api import Page
from web.browsing import a_browser

import service.web
from service.core.chart import read_course
from service.core.course import Closing, Course, Deferral, HandOver
from service.core.decision import decide
from service.core.findings import UNSEEN, Exam, Eye, Treatment, parse_eye
from service.core.infant import Days, Infant, Weighing, assemble, known
from service.policies import load_policies
from service.web.course_picture import draw_course, say_course
from service.web.eye_mark import draw_eye, explain, letters

AAP = load_policies()["aap-2018"]
STYLE = (Path(service.web.__file__).parent / "static" / "ridgeline.css").read_text(encoding="utf-8")


def on(age: int) -> date:
    """The day at a postnatal age in days."""
    return BORN + timedelta(days=age)


def eye(**findings: Any) -> Eye:
    return parse_eye(findings, "eye")


ACTIVE = eye(zone="II", posterior=True, stage=2, plus="pre-plus")
COURSE = Course.of(
    [
        Exam(on(31), eye(zone="II", stage=0, plus="none"), UNSEEN, examiner="Dr Reed"),
        Exam(on(38), ACTIVE, eye(zone="I", stage=3, plus="plus")),
        Exam(on(45), eye(zone="II", stage=2, plus="none", regression="incomplete"), eye(zone="II", aggressive=True)),
    ],
    [Treatment(on(39), ("left",), "injection", "ranibizumab")],
    deferrals=[Deferral(on(28), on(31), "unwell", "Dr Reed", "Dr Moss")],
    hand_overs=[HandOver(on(46), "Quillhaven", "Eye clinic", on(52), "Nurse Hale")],
)
INFANT = infant(
    BORN, "26w4d", 780, sex="female", in_hospital=False, left_on=on(46),
    weights=(Weighing(on(1), 740), Weighing(on(2), 745), Weighing(on(3), 751), Weighing(on(40), 1480)),
)  # fmt: skip
TODAY = on(47)


def draw(who: Infant = INFANT, course: Course = COURSE, today: date = TODAY) -> str:
    return str(draw_course(who, course, decide(who, AAP, today, course), today))


def say(who: Infant = INFANT, course: Course = COURSE, today: date = TODAY) -> list[tuple[date, str]]:
    return say_course(who, course, decide(who, AAP, today, course), today)


def plot(picture: str) -> ElementTree.Element:
    (found,) = [each for each in ElementTree.fromstring(picture).iter("svg") if each.get("role") == "img"]
    return found


def of_class(picture: str, name: str) -> list[ElementTree.Element]:
    return [each for each in plot(picture).iter() if each.get("class") == name]


def percent(element: ElementTree.Element, name: str) -> float:
    return float(element.attrib[name].removesuffix("%"))


# --- places --------------------------------------------------------------------------------------------------------


def test_birth_window_and_today_stand_where_the_axis_says() -> None:
    """26w4d is 186 days. Due at 31w0d, age 31 days (clinical reference vector 26w4d: day 31), to day 37.

    The axis begins 5 days before birth, 181, and ends 9 after the last day drawn, 37: 186 + 37 + 9 = 232; 51 days.
    """
    who = infant(BORN, "26w4d", 780)
    picture = draw(who, Course(), on(10))

    def place(age: float) -> float:
        return round(100 * (age - 181) / 51, 2)

    births = of_class(picture, "birth")
    assert [percent(each, "cx") for each in births] == [place(186.5)] * 2, "in the heading, and the birth weight"
    (window,) = of_class(picture, "window")
    assert (percent(window, "x"), percent(window, "width")) == (place(217), round(100 * 7 / 51, 2))
    assert percent(of_class(picture, "due")[0], "x1") == place(217.5)
    assert percent(of_class(picture, "today")[0], "x1") == place(196.5)
    words = [each.text for each in plot(picture).iter("text")]
    assert words[:3] == ["28w", "30w", "32w"]
    assert {"born 26w4d", "today 28w0d", "780 g", "First eye exam", "Sun 1 Jun to Sat 7 Jun"} <= set(words)


def test_an_age_in_whole_weeks_is_as_wide_as_its_doubt() -> None:
    """28 completed weeks: the birth mark is six days wide, drawn from the younger reading."""
    picture = draw(infant(BORN, "28w", 1000), Course(), on(10))
    (doubt,) = of_class(picture, "doubt")
    (window,) = of_class(picture, "window")
    days = percent(window, "width") / 7
    assert percent(doubt, "width") == pytest.approx(6 * days, abs=0.02)


def test_weights_stand_among_the_centiles_on_a_scale_that_doubles() -> None:
    """Birth at 26w4d, girls: Fenton and Kim 2013 give 792 g at 26w0d and 899 g at 27w0d, so 780 g lies below the
    median and above the 3rd centile (493 g to 521 g)."""
    picture = draw()
    low, middle, high = ([float(p.split(",")[1]) for p in each.attrib["points"].split()]
                         for each in of_class(picture, "centile"))  # fmt: skip
    (line,) = of_class(picture, "weights")
    ours = [float(p.split(",")[1]) for p in line.attrib["points"].split()]
    assert high[0] < middle[0] < ours[0] < low[0]
    assert len(ours) == 5 and ours[1] > ours[0] > ours[4]
    doubled = {
        each.text: float(each.attrib["y"])
        for svg in ElementTree.fromstring(picture).iter("svg")
        if svg.get("class") == "labels"
        for each in svg.iter("text")
    }
    assert doubled["500 g"] - doubled["1000 g"] == pytest.approx(doubled["1000 g"] - doubled["2000 g"], abs=0.2)


def test_the_right_eye_stands_above_the_left() -> None:
    labels = next(each for each in ElementTree.fromstring(draw()).iter("svg") if each.get("class") == "labels")
    tops = {each[0].text: float(each.attrib["y"]) for each in labels if len(each)}
    assert tops["Weight"] < tops["Right eye"] < tops["Left eye"] < tops["Next"] < tops["Agreed"] < tops["months"]


def test_every_exam_and_treatment_is_drawn_in_its_eyes_lane() -> None:
    words = [each.text for each in plot(draw()).iter("text")]
    right, left = words.index("2r") - 5, words.index("not")
    assert words[right : right + 6] == ["II", "0", "pII", "2(+)", "II", "2r"]
    assert words[left : left + 6] == ["not", "seen", "I", "3+", "II", "A"]
    assert words[left - 1] == "injection" and words.count("injection") == 1
    assert len(of_class(draw(), "treated")) == 1
    assert {"put off until Sun 1 Jun", "left hospital", "exam at Quillhaven"} <= set(words)


# --- one eye -------------------------------------------------------------------------------------------------------

EYES = [
    (eye(zone="II", stage=0, plus="none"), ("II", "0"), "quiet", 0),
    (eye(zone="I", stage=1, plus="none"), ("I", "1"), "active", 1),
    (eye(zone="II", posterior=True, stage=2, plus="pre-plus"), ("pII", "2(+)"), "active", 2),
    (eye(zone="II", stage=3, plus="plus"), ("II", "3+"), "active", 3),
    (eye(zone="II", stage="4B", plus="plus"), ("II", "4B+"), "active", 0),
    (eye(zone="I", aggressive=True, plus="plus"), ("I", "A+"), "active", 0),
    (eye(zone="II", stage=2, regression="incomplete", plus="none"), ("II", "2r"), "quiet", 2),
    (eye(zone="II", regression="complete"), ("II", "r"), "quiet", 0),
    (eye(zone="II", stage=2, regression="incomplete", reactivation=True), ("II", "2"), "active", 2),
    (eye(vascularization="full"), ("full", "0"), "quiet", 0),
    (eye(zone="II"), ("II", "?"), "quiet", 0),
    (eye(stage=1), ("?", "1"), "active", 1),
    (eye(view="poor", stage=3, zone="II"), ("II", "3"), "active", 3),
    (eye(view="poor"), ("poor", "view"), "unseen", 0),
    (UNSEEN, ("not", "seen"), "unseen", 0),
]


@pytest.mark.parametrize(("seen", "written", "shape", "bars"), EYES, ids=[" ".join(row[1]) for row in EYES])
def test_an_eye_is_said_in_letters_and_in_a_shape(seen: Eye, written: tuple[str, str], shape: str, bars: int) -> None:
    assert letters(seen) == written
    drawn = draw_eye(seen)
    assert f'class="{shape}"' in drawn and drawn.count("<line") == bars
    assert ('class="plus"' in drawn, 'class="pre-plus"' in drawn) == (seen.plus == "plus", seen.plus == "pre-plus")


def test_what_was_not_seen_never_looks_like_no_finding() -> None:
    for unseen in (UNSEEN, eye(view="poor")):
        assert "circle" not in draw_eye(unseen) and "0" not in "".join(letters(unseen))
        assert "not seen, or a poor view" in explain([unseen])


def test_the_legend_explains_what_appears_and_nothing_else() -> None:
    assert explain([]) == ""
    quiet = explain([eye(zone="III", stage=0, plus="none", nasal_at_ora=True)])
    assert "no active disease" in quiet and "0: no ROP" in quiet
    for absent in ("plus", "aggressive", "stage 4", "regressing", "not seen", "a bar for each stage", "p: posterior"):
        assert absent not in quiet
    both = explain([ACTIVE, UNSEEN])
    for present in ("(+) pre-plus", "a bar for each stage", "p: posterior", "not seen"):
        assert present in both


# --- in words ------------------------------------------------------------------------------------------------------


def test_the_course_is_said_day_by_day() -> None:
    told = say()
    assert told == sorted(told, key=lambda each: each[0])
    assert told[0] == (BORN, "Born at 26w4d, 780 g")
    assert (on(1), "Weighed daily to Sun 4 May: 740, 745 and 751 g") in told
    assert (on(40), "Weighed 1480 g") in told
    assert (on(31), "Exam at 31w0d (Dr Reed): right eye zone II without ROP; left eye not seen") in told
    right, left = (
        "right eye posterior zone II stage 2 with pre-plus disease",
        "left eye zone I stage 3 with plus disease",
    )
    assert (on(38), f"Exam at 32w0d: {right}; {left}") in told
    assert (on(39), "Injection of ranibizumab, left eye") in told
    assert (on(28), "Put off on Thu 29 May until Sun 1 Jun by Dr Reed and Dr Moss: unwell") in told
    assert (on(46), "Left hospital") in told and (TODAY, "Today, 33w2d postmenstrual age") in told
    assert any(text.startswith("Handed over to Quillhaven, next exam on Sun 22 Jun at Eye clinic") for _, text in told)


def test_every_step_that_is_asked_for_is_said_with_its_days() -> None:
    decision = decide(INFANT, AAP, TODAY, COURSE)
    told = say()
    for step in (decision.next, *decision.also):
        assert step.window is not None
        assert any(day == step.window.opens and ":" in text for day, text in told)


def test_what_differs_is_dated_ahead_or_is_not_known_is_said() -> None:
    unsure = Infant(
        "p", BORN, candidates(Days(BORN, BORN)), candidates(*(each.values[0] for each in (
            infant(gestation="26w4d").gestation, infant(gestation="27w1d").gestation))), known(None)
    )  # fmt: skip
    ahead = Course.of([Exam(on(60))], closing=Closing(on(50), "Dr Reed", "opt-out", ""))
    told = say(unsure, ahead, on(47))
    assert told[0][1] == "Born at 26w4d, birth weight not known (gestational age: records differ)"
    assert (on(60), "Exam at 35w1d: right eye not seen; left eye not seen (dated ahead)") in told
    assert any("declined further exams (dated ahead)" in text for _, text in told)


def test_the_picture_says_in_words_what_it_shows() -> None:
    image = plot(draw())
    title, said = image[0], image[1]
    assert (title.tag, said.tag) == ("title", "desc")
    assert image.attrib["aria-labelledby"] == title.attrib["id"]
    assert image.attrib["aria-describedby"] == said.attrib["id"]
    assert title.text == "Course from birth at 26w4d to 33w2d today"
    for _, text in say():
        assert text in (said.text or "")


@pytest.mark.parametrize(
    ("who", "words"),
    [
        (infant(BORN, None, 780), "without a gestational age at birth"),
        (replace(INFANT, born=known(None)), "without a day of birth"),
        (replace(INFANT, born=known(Days(BORN, on(30)))), "without a day of birth"),
        (Infant("p", BORN, known(None), known(None), known(780)), "a day of birth and a gestational age at birth"),
        (infant(on(60), "26w4d", 780), "lies ahead"),
    ],
)  # fmt: skip
def test_without_an_age_words_say_why_there_is_no_picture(who: Infant, words: str) -> None:
    picture = draw(who)
    assert "<svg" not in picture and picture.startswith('<p class="meaning">No picture: ') and words in picture
    assert (on(39), "Injection of ranibizumab, left eye") in say(who), "the words are there all the same"


# --- what always holds ---------------------------------------------------------------------------------------------

_everything = facts(
    ("born", "gestation", "birth_weight", "weight", "exam", "finding", "treatment", "deferral", "hand_over", "closing",
     "stay", "sex", "long_term"),
    most=20,
)  # fmt: skip


@settings(max_examples=60)
@given(_everything, st.dates(date(2028, 1, 1), date(2036, 1, 1)), st.sampled_from(["aap-2018", "uk-2022"]))
def test_whatever_is_on_record_is_drawn_inside_the_picture(said: list[Any], today: date, edition: str) -> None:
    who, course = assemble("p", said, today), read_course(said)
    decision = decide(who, load_policies()[edition], today, course)
    picture = str(draw_course(who, course, decision, today))
    for value in re.findall(r'"(-?[\d.]+)%"', picture):
        assert 0 <= float(value) <= 100
    assert not re.search(r"style|script|\bon\w+=|nan|inf", re.sub(r">[^<]*<", "><", picture))
    ElementTree.fromstring(picture)
    told = say_course(who, course, decision, today)
    assert [day for day, _ in told] == sorted(day for day, _ in told)
    assert sum(text.startswith("Exam") for _, text in told) >= len(course.exams)


def test_what_people_wrote_is_escaped() -> None:
    named = Course.of(
        [Exam(on(31), examiner="<b>Dr & Co</b>")],
        deferrals=[Deferral(on(28), on(31), "<script>", "<i>", "&")],
        hand_overs=[HandOver(on(46), "<img src=x>", "&", on(52), "'")],
    )
    picture = draw(course=named)
    for raw in ("<b>", "<script", "<i>", "<img"):
        assert raw not in picture
    assert "&lt;img src=x&gt;" in picture


# --- in a browser --------------------------------------------------------------------------------------------------

BUSY = Course.of(
    [
        *COURSE.exams,
        *(Exam(on(46 + n), ACTIVE, ACTIVE) for n in range(3)),
        *(Exam(on(54 + 7 * n), ACTIVE, eye(zone="II", posterior=True, stage="4A", plus="pre-plus")) for n in range(9)),
    ],
    [*COURSE.treatments, Treatment(on(40), ("left",), "laser"), Treatment(on(41), ("left",), "surgery")],
    deferrals=[Deferral(on(28 + n), on(31 + n), "unwell", "Dr Reed", "Dr Moss") for n in range(3)],
)


@pytest.fixture(scope="module")
def browser_page() -> Iterator[Page]:
    with a_browser() as browser:
        yield browser.new_page()


@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize("course", [COURSE, BUSY], ids=["few", "many"])
def test_a_real_browser_shows_every_letter_apart(browser_page: Page, width: int, course: Course) -> None:
    """On a phone and on a large screen: the page does not scroll sideways, the picture does within a place that takes
    the focus; today is in sight; no two texts of the eyes' lanes lie over each other; letters have their size."""
    browser_page.set_viewport_size({"width": width, "height": 900})
    browser_page.set_content(f"<style>{STYLE}</style><main>{draw(course=course, today=on(112))}</main>")
    assert browser_page.evaluate("document.documentElement.scrollWidth") <= width
    reel = browser_page.locator(".reel")
    reel.focus()
    assert browser_page.evaluate("document.activeElement.className").startswith("reel")
    seen = browser_page.evaluate(
        """() => {
            const reel = document.querySelector('.reel').getBoundingClientRect();
            const now = document.querySelector('.plot line.today').getBoundingClientRect();
            const texts = [...document.querySelectorAll('.plot text')].map(each => {
                const box = each.getBoundingClientRect();
                return {words: each.textContent, size: parseFloat(getComputedStyle(each).fontSize),
                        left: box.left, right: box.right, top: box.top + 3, bottom: box.bottom - 3};
            });
            return {reel: [reel.left, reel.right], now: now.left, texts};
        }"""
    )
    assert seen["reel"][0] <= seen["now"] <= seen["reel"][1]
    texts = seen["texts"]
    assert all(each["size"] >= 13 for each in texts)
    for n, one in enumerate(texts):
        for other in texts[n + 1 :]:
            apart = one["right"] <= other["left"] or other["right"] <= one["left"]
            assert apart or one["bottom"] <= other["top"] or other["bottom"] <= one["top"], (one, other)
