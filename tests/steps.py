"""Invented sites, decisions and steps for tests, and how hypothesis draws them. No name or number is anybody's."""

from __future__ import annotations

import string
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from service.core.decision import Ages, Decision, NextStep, Reason, Window
from service.fhir.sites import Code, Measures, Publish, Site
from service.fhir.write import Step

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


def _reasons() -> st.SearchStrategy[Reason]:
    provenance = st.sampled_from(["read", "memory", "practice", "computed"])
    return st.builds(Reason, st.from_regex(r"[a-z]{1,12}", fullmatch=True), _texts(), _texts(), provenance)


@st.composite
def steps(draw: st.DrawFn) -> Step:
    """Every step that can reach the writers: any words, any dates, any order of moments."""
    name = draw(st.sampled_from(["first-exam", "data-needed"]))
    status = draw(st.sampled_from(["requested", "completed", "cancelled"]))
    window = draw(_windows()) if status == "requested" else draw(st.none() | _windows())
    reason = draw(_reasons())
    kind = name if window else "none"
    missing = draw(st.sets(st.sampled_from(["date_of_birth", "gestational_age_at_birth", "birth_weight"])))
    decision = replace(
        a_decision(as_of=draw(st.dates(date(2000, 1, 1), date(2060, 1, 1)))),
        policy=draw(st.from_regex(r"[a-z]{2,10}(-[a-z0-9]{2,6}){1,2}", fullmatch=True)),
        revision=draw(st.integers(1, 99)),
        because=tuple(draw(st.lists(_reasons(), max_size=3))),
        missing=tuple(sorted(missing)) if name == "data-needed" else (),
        next=NextStep(kind, window, reason),  # type: ignore[arg-type]
        flags=tuple(draw(st.lists(_texts(), max_size=2))),
    )
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
