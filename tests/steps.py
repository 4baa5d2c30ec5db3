"""Invented sites, decisions and steps for tests, and how hypothesis draws them. No name or number is anybody's."""

from __future__ import annotations

import string
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from service.core.course import CLOSINGS, Closing, HandOver
from service.core.decision import Ages, Decision, NextStep, Reason, Window
from service.fhir.sites import Code, Measures, Publish, Site
from service.fhir.step import KINDS, Step, asked_for, step_name

WEIGHT = Reason("weight", "Invented guideline, table 1", "1120 g is at most 1500 g", "read")
TIMING = Reason("first", "Invented guideline, table 2", "due 31 days after birth", "read")
GONE = Reason("none", "Invented guideline, table 1", "1820 g is more than 1500 g", "read")
WINDOW = Window(date(2031, 6, 1), date(2031, 6, 1), date(2031, 6, 7))


def a_site(base_url: str | None = "http://127.0.0.1:1/fhir", **changes: Any) -> Site:
    """A site with one code for birth weight."""
    site = Site(
        id="larkfield",
        name="Larkfield",
        timezone=ZoneInfo("Europe/Oslo"),
        policy="aap-2018",
        codes={("http://loinc.org", "8339-4"): Code("birth_weight", 1, "g")},
        findings={},
        measures=Measures({}, {}, {}),
        systems={},
        base_url=base_url,
        publish=Publish(owner="Larkfield eye service"),
    )
    return replace(site, **changes)


def a_decision(
    window: Window | None = WINDOW, as_of: date = date(2031, 5, 20), patient: str = "p-1", **changes: Any
) -> Decision:
    """Eligible with a first exam in `window`; not eligible when it is None."""
    decision = Decision(
        patient=patient,
        policy="aap-2018",
        revision=1,
        as_of=as_of,
        state="eligible" if window else "not-eligible",
        eligible="yes" if window else "no",
        because=(WEIGHT,) if window else (GONE,),
        missing=(),
        ages=Ages("26w4d", 19, "29w2d"),
        next=NextStep("first-exam", window, TIMING) if window else NextStep("none", None, GONE),
        flags=("No risk flag is recorded; a clinician may add one.",),
    )
    return replace(decision, **changes)


def a_step(site: Site | None = None, patient: str = "p-1", **changes: Any) -> Step:
    """A first exam asked for, authored and last changed at fixed moments."""
    decision = changes.pop("decision", None) or a_decision(patient=patient)
    step = Step(
        site=site or a_site(),
        key="0b9c1f1e-7d0a-4a57-8a11-4f0c6e2d9a01",
        patient=patient,
        name="first-exam",
        status="requested",
        decision=decision,
        evidence=("Observation/bw-1", "Observation/ga-1"),
        authored_on=datetime(2031, 5, 20, 6, 30, tzinfo=UTC),
        changed_at=datetime(2031, 5, 20, 6, 30, tzinfo=UTC),
        unit="Neonatal unit",
    )
    return replace(step, **changes)


def data_needed(**changes: Any) -> Step:
    """Something must be recorded before the infant can be judged."""
    reason = Reason("missing", "Invented guideline, table 1", "no gestational age is recorded", "memory")
    decision = a_decision(
        state="unknown",
        eligible="unknown",
        because=(reason,),
        missing=("gestational_age_at_birth",),
        next=NextStep("data-needed", WINDOW, reason),
    )
    return a_step(name="data-needed", decision=changes.pop("decision", decision), **changes)


LASER_REVIEW = Reason("laser-1", "Invented guideline, table 4", "look for regression of the ridge", "memory")
TYPE_1 = Reason("type-1", "Invented guideline, table 3", "right eye on 2031-06-09: type 1 disease", "read")
CLOCK = "2031-06-11T09:30+02:00"


def asking(*steps: NextStep, **changes: Any) -> Decision:
    """A decision that asks for these steps, the first of them next."""
    first, *others = steps
    return a_decision(next=first, also=tuple(others), **changes)


def of_kind(kind: str, reason: Reason = TIMING, window: Window = WINDOW, **changes: Any) -> NextStep:
    """One thing asked for."""
    return replace(NextStep("none", window, reason), kind=kind, **changes)


def a_step_of(decision: Decision, kind: str = "", **changes: Any) -> Step:
    """The step under which a decision asks for what comes next, or for `kind`."""
    return a_step(decision=decision, name=step_name(kind or decision.next.kind, decision), **changes)


def reviewed(**changes: Any) -> Step:
    """An exam after laser of the right eye, the third exam, and the left eye a day later."""
    later = Window(*(day + timedelta(days=1) for day in (WINDOW.opens, WINDOW.due, WINDOW.closes)))
    right = of_kind("review-after-laser", LASER_REVIEW, eye="right")
    left = of_kind("review-after-laser", LASER_REVIEW, later, eye="left")
    return a_step_of(asking(right, left, exams=2, treatments=1), **changes)


def treated(**changes: Any) -> Step:
    """The first treatment, of the right eye, by the clock."""
    window = Window(date(2031, 6, 9), date(2031, 6, 11), date(2031, 6, 11))
    by_the_clock = of_kind("treatment", TYPE_1, window, eye="right", by=CLOCK)
    return a_step_of(asking(by_the_clock, exams=1, as_of=date(2031, 6, 9)), **changes)


def decided(**changes: Any) -> Step:
    """A decision somebody has to make, without a clock."""
    reason = Reason("vessels-zone-iii", "Invented guideline, table 5", "acute screening may stop", "read")
    again = of_kind("repeat-exam", eye="left")
    return a_step_of(asking(of_kind("decision", reason), again, exams=4, treatments=1), **changes)


def handed_over(**changes: Any) -> Step:
    """Somebody has to take over; the exam stands beside it."""
    reason = Reason("hand-over", "common practice, no source", "left hospital with the course open", "practice")
    return a_step_of(asking(of_kind("repeat-exam"), of_kind("hand-over", reason), exams=1), "hand-over", **changes)


def _texts() -> st.SearchStrategy[str]:
    """Any text at all, also the kind a FHIR string may not be: empty, blank, with control characters."""
    return st.text(max_size=40)


def _ids() -> st.SearchStrategy[str]:
    return st.text(string.ascii_letters + string.digits + "-.", min_size=1, max_size=64)


def _windows() -> st.SearchStrategy[Window]:
    days = st.integers(0, 60)
    return st.builds(
        lambda start, a, b: Window(start, start + timedelta(a), start + timedelta(a + b)),
        st.dates(date(2000, 1, 1), date(2060, 1, 1)),
        days,
        days,
    )


def _reasons(texts: st.SearchStrategy[str]) -> st.SearchStrategy[Reason]:
    provenance = st.sampled_from(["read", "memory", "practice", "computed"])
    return st.builds(Reason, st.from_regex(r"[a-z]{1,12}", fullmatch=True), texts, texts, provenance)


def wanted(texts: st.SearchStrategy[str]) -> st.SearchStrategy[NextStep]:
    """Something asked for, with or without an eye; a clock runs out on the day on which its window closes."""
    return st.builds(
        lambda kind, window, reason, eye, clock: of_kind(
            kind, reason, window, eye=eye, by=clock and f"{window.closes}T{clock}"
        ),
        st.sampled_from(list(KINDS)), _windows(), _reasons(texts), st.sampled_from([None, "right", "left"]),
        st.sampled_from([None, "09:30+02:00", "09:30"]),
    )  # fmt: skip


@st.composite
def decisions(draw: st.DrawFn, texts: st.SearchStrategy[str] | None = None) -> Decision:
    """Any decision that can reach the publications: what it asks for, what has been done, how it ended, in any words
    of `texts`."""
    texts = _texts() if texts is None else texts
    asked = draw(st.lists(wanted(texts), max_size=5))
    missing = draw(st.sets(st.sampled_from(["date_of_birth", "gestational_age_at_birth", "birth_weight"])))
    words = st.sampled_from(["Dr Reed", "the eye clinic"])
    day = st.just(date(2031, 6, 9))
    decision = replace(
        a_decision(as_of=draw(st.dates(date(2000, 1, 1), date(2060, 1, 1)))),
        policy=draw(st.from_regex(r"[a-z]{2,10}(-[a-z0-9]{2,6}){1,2}", fullmatch=True)),
        revision=draw(st.integers(1, 99)),
        because=tuple(draw(st.lists(_reasons(texts), max_size=3))),
        missing=tuple(sorted(missing)),
        flags=tuple(draw(st.lists(texts, max_size=2))),
        exams=draw(st.integers(0, 4)),
        treatments=draw(st.integers(0, 3)),
        hand_over=draw(st.none() | st.builds(HandOver, day, words, texts, day, words, st.booleans())),
        closing=draw(st.none() | st.builds(Closing, day, words, st.sampled_from(sorted(CLOSINGS)), st.just(""), texts)),
        followed_up=draw(st.none() | day),
    )
    if not asked:
        ended = draw(st.sampled_from(["closed", "not-eligible"]))
        return replace(decision, state=ended, next=NextStep("none", None, draw(_reasons(texts))))
    state = "unknown" if any(each.kind == "data-needed" for each in asked) else "eligible"
    return replace(decision, state=state, next=asked[0], also=tuple(asked[1:]))


@st.composite
def steps(draw: st.DrawFn) -> Step:
    """Every step that can reach the writers: any words, any dates, any order of moments."""
    decision = draw(decisions())
    held = dict.fromkeys(asked_for(decision))
    status = draw(st.sampled_from(["requested", "completed", "cancelled"] if held else ["completed", "cancelled"]))
    others = [name for kind in KINDS if (name := step_name(kind, decision)) not in held]
    name = draw(st.sampled_from(list(held) if status == "requested" else others))
    moments = st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001
    owner = draw(st.none() | st.tuples(st.just("http://site.example/ids"), _ids()))
    publish = Publish(draw(st.sampled_from(["proposal", "plan", "order"])), (), draw(_texts()), owner)
    base = draw(st.sampled_from([None, "http://127.0.0.1:8090/fhir"]))
    kinds = st.sampled_from(["Observation", "Patient", "Encounter", "Condition"])
    evidence = draw(st.lists(st.builds("{}/{}".format, kinds, _ids() | st.just("odd_id")), max_size=3))
    return a_step(
        a_site(base, name=draw(st.from_regex(r"[A-Z][a-z]{2,9}", fullmatch=True)), publish=publish),
        patient=draw(_ids()),
        name=name,
        status=status,
        decision=decision,
        key=str(draw(st.uuids())),
        evidence=tuple(evidence),
        authored_on=draw(moments),
        changed_at=draw(moments),
        unit=draw(_texts()),
    )
