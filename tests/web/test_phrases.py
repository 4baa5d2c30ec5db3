"""The core's sentences in another language: all of each, every number, day and name where it was, and nothing else."""

from __future__ import annotations

import ast
import re
import runpy
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select
from web.ward import NOW, fill

from service.core.case import parse_case
from service.core.course import CLOSINGS, Closing, Course, Deferral, HandOver
from service.core.decision import Decision, decide, from_json
from service.core.findings import SIDES
from service.demo.records import STYLES, Scribe, bundle
from service.demo.story import Story
from service.fhir.sites import load_sites
from service.flow import Flow
from service.policies import load_policies
from service.store.arrivals import Arrival
from service.store.database import Database
from service.store.tables import decisions
from service.web.phrases import tell, untold
from service.web.words import languages, sentences_of, speaking

COLLECTOR = runpy.run_path(str(Path(__file__).parents[2] / ".ci" / "sentences.py"))
MAPPINGS: Final = Path(__file__).parents[2] / "mappings"
OTHERS = pytest.mark.parametrize("code", [code for code in languages() if code != "en"])
TODAY: Final = date(2031, 1, 1)
POLICIES = load_policies()


def said_by(decision: Decision, course: Course) -> Iterator[str]:
    """Every sentence of the core that a decision and its course show."""
    for reason in (*decision.because, decision.next.reason, *(step.reason for step in decision.also)):
        yield reason.text
    yield from decision.flags
    yield from (str(exam.eye(side)) for exam in course.exams for side in SIDES)
    yield from (each.kind for each in course.treatments)
    agreed = (course.closing, *course.deferrals, *course.hand_overs)
    yield from (str(each) for each in agreed if each is not None)


def check(code: str, texts: Iterator[str]) -> int:
    """All of each text is told, and its numbers and days are those it had; how many there were."""
    checked = 0
    with speaking(code):
        for text in dict.fromkeys(texts):
            other = tell(text)
            assert untold(text) == (), text
            assert sorted(re.findall(r"\d+", other)) == sorted(re.findall(r"\d+", text)), text
            assert sorted(re.findall(r"\d{4}-\d\d-\d\d", other)) == sorted(re.findall(r"\d{4}-\d\d-\d\d", text)), text
            assert tell(other) == other, text
            checked += 1
    return checked


@OTHERS
@pytest.mark.parametrize("policy", POLICIES.values(), ids=list(POLICIES))
def test_every_worked_example_is_told_whole(code: str, policy: Any) -> None:
    def texts() -> Iterator[str]:
        for n, example in enumerate(policy.examples):
            case = parse_case(example, f"{policy.id}: example[{n}]")
            yield from said_by(decide(case.infant, policy, case.as_of or TODAY, case.course), case.course)
            yield from filter(None, (str(case.course.closing or ""), *map(str, case.course.deferrals)))

    assert check(code, texts()) > 0


@OTHERS
def test_the_ward_and_the_demonstration_are_told_whole(code: str, database: Database, flow: Flow) -> None:
    fill(flow)
    assert check(code, shown(flow)) > 10
    sites = load_sites(MAPPINGS)
    demonstration = Flow(database, sites, POLICIES, lambda: NOW)
    units = list(STYLES)
    story = Story([Scribe(sites[unit]) for unit in units], NOW)
    events = [*story.opening(), *(story.tell(NOW + timedelta(minutes=n)) for n in range(60))]
    demonstration.accept(
        [Arrival(units[each.unit], "rest-hook", orjson.dumps(bundle(each.resources)), "POST", "") for each in events]
    )
    assert check(code, shown(demonstration)) > 100


def shown(flow: Flow) -> Iterator[str]:
    with flow.database.transaction() as connection:
        bodies = [from_json(row.body) for row in connection.execute(select(decisions.c.body))]
    for decision in bodies:
        yield from said_by(decision, Course())
    for entry in flow.worklist():
        yield from said_by(entry.decision, flow.infant(entry.key).course)


# --- what people wrote -----------------------------------------------------------------------------------------------

NAMES = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Co")), min_size=1, max_size=30).map(
    lambda text: " ".join(text.split()) or "x"
)
DAYS = st.dates(date(2020, 1, 1), date(2040, 1, 1))


@given(st.builds(Closing, DAYS, NAMES, st.sampled_from(sorted(CLOSINGS)), st.just(""), NAMES))
def test_who_closed_a_course_and_what_they_noted_comes_through(closing: Closing) -> None:
    check_kept(str(closing), closing.on, closing.by, closing.note)


@given(st.builds(Deferral, DAYS, DAYS, NAMES, NAMES, NAMES))
def test_who_put_an_exam_off_and_why_comes_through(deferral: Deferral) -> None:
    check_kept(str(deferral), deferral.on, deferral.until, deferral.reason, deferral.ophthalmologist,
               deferral.neonatologist)  # fmt: skip


@given(st.builds(HandOver, DAYS, NAMES, NAMES, DAYS, NAMES, st.booleans()))
def test_who_takes_over_and_where_comes_through(over: HandOver) -> None:
    check_kept(str(over), over.appointment, over.to, over.place, over.by)


def check_kept(text: str, *parts: object) -> None:
    with speaking("es"):
        other = tell(text)
    for part in parts:
        assert str(part) in other, other


def test_what_could_be_read_in_two_ways_stays_as_it_was() -> None:
    with speaking("es"):
        plain = Deferral(TODAY, TODAY, "sepsis", "Dr Reed", "Dr Tarn")
        assert tell(str(plain)) == "aplazado el 2031-01-01 hasta el 2031-01-01 por Dr Reed y Dr Tarn: sepsis"
        either = Deferral(TODAY, TODAY, "sepsis", "Dr Reed and Dr Wren", "Dr Tarn")
        assert tell(str(either)) == str(either)
        assert untold(str(either)) == (str(either),)


@given(st.text(max_size=80))
def test_any_text_at_all_can_be_asked_for(text: str) -> None:
    with speaking("es"):
        assert re.findall(r"[0-9]", tell(text)) == re.findall(r"[0-9]", text)
    assert tell(text) == text  # English is what it was


@pytest.mark.parametrize(
    ("english", "spanish"),
    [
        ("26w4d is within 30w6d", "26w4d no supera 30w6d"),
        ("nobody knows", "nobody knows"),
        ("mother is within reach", "mother is within reach"),
        ("left", "izquierdo"),
        (
            "right eye on 2031-06-09: zone II stage 2 with pre-plus disease: 7 to 14 days after the exam",
            "ojo derecho el 2031-06-09: zona II estadio 2 con enfermedad preplus: de 7 a 14 días después del examen",
        ),
        (
            "the left eye was injected: again within 7 days",
            "el ojo izquierdo recibió una inyección: de nuevo dentro de 7 días",
        ),
        (
            "left eye after injection: look for what this unit looks for",  # a variation's own words
            "ojo izquierdo tras inyección: buscar what this unit looks for",
        ),
        ('"many" is text, not a number', '"many" es texto, no un número'),
        ("was seen poorly: again within 7 days", "se vio mal: de nuevo dentro de 7 días"),
    ],
)
def test_a_sentence_and_its_places(english: str, spanish: str) -> None:
    with speaking("es"):
        assert tell(english) == spanish
    assert tell(english) == english


# --- the catalogue ---------------------------------------------------------------------------------------------------

SAMPLES: Final = {
    **dict.fromkeys(("date",), "2031-06-09"), "age": "30w6d", "side": "right", "eye": "zone II stage 2",
    "closings": "the infant has died", "closing": "Dr Reed closed the course on 2031-06-09: the infant has died",
    "why": "no hand-over is on record", "shown": "26w4d", "printed": "30w6d", "names": "birth weight",
    "name": "birth weight", "kind": "laser", "what": "injection", "combiner": "later", "stage": "3", "plus": "plus",
    "values": "26w4d and 780 g", "rest": "28 days of age", "text": "28 days of age", "words": "10 and 19",
    "decision": "aap-2018 revision 1", "policy": "aap-2018", "id": "two-exams", "quoted": '"x"',
    "problem": "must be a text", "wrong_subject": "wrong subject", "unit": "9", "part": "9", "found": "left",
    "sides": "right", "eyes": "left",
}  # fmt: skip


@OTHERS
def test_every_pattern_tells_its_own_sentence(code: str) -> None:
    """Nothing else in the catalogue takes its place."""
    with speaking(code):
        for english, other in sentences_of(code):
            asked = fill_places(english, lambda name: SAMPLES.get(name, "10"))
            told = fill_places(other, lambda name: tell(SAMPLES.get(name, "10")))
            assert tell(asked) == told, english


def fill_places(pattern: str, value: Any) -> str:
    return re.sub(r"\{([a-z_]+)\d*\}", lambda place: value(place[1]), pattern)


SOURCE: Final = '''
"""Not this text."""
def judge(age, held, kind, gain):
    what = "a treatment" if kind else "an exam"
    yield f"{what} was sent that could not be read"
    yield f"{format_age(age)} is {'within' if held else 'above'} {limit.printed}"
    words = f"{gain} g gained"
    words = f"{words}; too little of it"
    words.append("regressing")
    hint = f" if born on {day.isoformat()}" if day else ""
    raise ConfigurationError("a.b", "not said to people at all")
    raise NotUnderstood(f"{text!r} is not an age" + hint)
'''


def test_sentences_are_collected_with_every_choice_written_out() -> None:
    module = COLLECTOR["_Module"](ast.parse(SOURCE), False, False)
    assert sorted(module.patterns()) == [
        "a treatment was sent that could not be read", "an exam was sent that could not be read", "regressing",
        "{age} is above {printed}", "{age} is within {printed}", "{gain} g gained", "{quoted} is not an age",
        "{quoted} is not an age if born on {date}", "{words}; too little of it",
    ]  # fmt: skip
    raised = COLLECTOR["_Module"](ast.parse(SOURCE), True, False)
    assert raised.patterns() == ["{quoted} is not an age if born on {date}", "{quoted} is not an age"]


def test_no_module_of_the_core_that_gives_a_reason_is_left_out() -> None:
    """Whatever makes a `Reason` says a sentence to somebody; a policy's own are looked up in its files."""
    core = Path(__file__).parents[2] / "service" / "core"
    giving = {path.name for path in core.glob("*.py") if re.search(r"(?<!class )\bReason\(", path.read_text())}
    assert giving and {f"core/{name}" for name in giving} <= {*COLLECTOR["SAY"], *COLLECTOR["RAISE"]}


def test_what_policy_files_show_is_collected_and_their_sources_are_not() -> None:
    found = {text for _, text in COLLECTOR["sentences"]()}
    for policy in POLICIES.values():
        assert policy.title in found and policy.citation not in found
        assert set(policy.risk_flags.values()) <= found
        assert {review.look_for for review in policy.care.reviews} <= found
