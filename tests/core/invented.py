"""Invented infants, and how hypothesis draws them. No name or number is anybody's."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from random import Random
from typing import Any

from hypothesis import strategies as st

from service.core.ages import Gestation, format_age
from service.core.course import CLOSINGS, Course
from service.core.findings import KINDS, PLUS, REGRESSIONS, STAGES, VIEWS, ZONES
from service.core.infant import (
    FACT_NAMES,
    PLAUSIBLE_GESTATION,
    Candidate,
    Days,
    Fact,
    Infant,
    Known,
    Version,
    known,
)
from service.core.policy import Policy, parse_policy
from service.policies import load_policies

BORN = date(2031, 5, 1)
WORDS = ("below", "at_most")
ORIGIN = {"cite": "invented", "provenance": "computed", "confidence": "high"}


def infant(born: date | None = BORN, gestation: str | None = None, grams: int | None = None, **more: Any) -> Infant:
    """An infant of whom these values are certain, and the rest is not known."""
    return Infant(
        patient="p",
        known_since=more.pop("known_since", born or BORN),
        born=known(born and Days(born, born)),
        gestation=known(gestation and Gestation.parse(gestation)),
        birth_weight=known(grams),
        **more,
    )


def candidates(*values: Any, certain: bool = True, unreadable: bool = False) -> Known[Any]:
    """Several values of one attribute on record."""
    return Known(tuple(Candidate(value, certain) for value in values), unreadable)


def fact(
    name: str, value: dict[str, Any], resource: str = "Observation/1", version: int | None = 1, *, updated: str = "",
    patient: str = "p", **more: Any,
) -> Fact:  # fmt: skip
    """One fact; `updated` and the label follow the version's number unless given."""
    updated = updated or f"2031-05-01T00:00:{version or 0:02d}.000000Z"
    label = more.pop("label", str(version) if version is not None else updated)
    return Fact(patient, name, value, resource, Version(version, updated, label), **more)


def born_fact(born: date = BORN, resource: str = "Patient/p", version: int = 1, **more: Any) -> Fact:
    return fact("born", {"low": born.isoformat(), "high": born.isoformat()}, resource, version, **more)


# --- drawing -------------------------------------------------------------------------------------------------------

days = st.dates(date(2029, 1, 1), date(2033, 12, 31))
gestation_days = st.integers(PLAUSIBLE_GESTATION.start, PLAUSIBLE_GESTATION.stop - 1)
grams = st.one_of(st.integers(200, 7000), st.sampled_from([1199, 1200, 1500, 1501, 1749, 1750, 2000, 2001]))
gestations = st.one_of(
    gestation_days.map(lambda day: Gestation(day, day)),
    st.integers(22, 44).map(lambda week: Gestation(week * 7, week * 7 + 6)),
    st.tuples(gestation_days, gestation_days).map(lambda two: Gestation(min(two), max(two))),
)
births = st.one_of(
    days.map(lambda day: Days(day, day)),
    st.tuples(days, st.integers(0, 31)).map(lambda d: Days(d[0], d[0] + timedelta(days=d[1]))),
)


def attributes(values: st.SearchStrategy[Any], most: int = 3) -> st.SearchStrategy[Known[Any]]:
    """All that may be known of one attribute: nothing, one or several values, in doubt or not, something unreadable."""
    said = st.lists(st.builds(Candidate, values, st.booleans()), max_size=most, unique_by=lambda each: each.value)
    return st.builds(Known, said.map(tuple), st.booleans())


@st.composite
def infants(draw: st.DrawFn) -> Infant:
    """Any infant who is to be looked at."""
    return Infant(
        patient="p",
        known_since=draw(days),
        born=draw(attributes(births, 2)),
        gestation=draw(attributes(gestations)),
        birth_weight=draw(attributes(grams)),
        risk_flags=draw(st.sampled_from([(), ("sepsis",), ("inotropes", "sepsis")])),
    )


def made_up_policy(number: int) -> Policy:
    """One of any number of policies that the vocabulary allows, within reason; the same number, the same policy."""
    random = Random(number)

    def limits() -> dict[str, Any]:
        age = {f"gestational_age_{random.choice(WORDS)}": f"{random.randint(26, 37)}w{random.randint(0, 6)}d"}
        weight = {f"birth_weight_{random.choice(WORDS)}": f"{random.randint(800, 2600)}g"}
        return random.choice([age, weight, age | weight])

    def window() -> dict[str, Any]:
        """Three edges in order: each later by a constant, under one combiner."""
        clocks = random.choices(["PMA", "PNA"], k=random.randint(2, 3))
        ages = [random.randint(0, 70) + (25 * 7 if clock == "PMA" else 0) for clock in clocks]
        combiner, to_due, to_close = (
            random.choice(["later_of", "earlier_of"]),
            random.randint(0, 9),
            random.randint(0, 20),
        )
        return {
            edge: {combiner: [f"{format_age(age + later)} {clock}" for age, clock in zip(ages, clocks, strict=True)]}
            for edge, later in (("opens", 0), ("due", to_due), ("closes", to_due + to_close))
        }

    criteria = [limits() | {"risk": random.random() < 0.4} for _ in range(random.randint(1, 3))]
    rules = [{"when": limits()} | window() for _ in range(random.randint(0, 2))] + [window()]
    return parse_policy(
        {
            "id": "made-up", "revision": 1, "title": "made up", "citation": "nowhere", "published": "2031",
            "criterion": [{"id": f"criterion-{n}"} | ORIGIN | table for n, table in enumerate(criteria)],
            "first_exam": [{"id": f"rule-{n}"} | ORIGIN | table for n, table in enumerate(rules)],
        },
        "made-up",
    )  # fmt: skip


policies = st.sampled_from([*load_policies().values(), *map(made_up_policy, range(30))])

_iso = days.map(date.isoformat)
_text = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
_maybe = st.one_of(st.none(), _text)
_eyes = st.fixed_dictionaries(
    {},
    optional={
        "view": st.sampled_from(VIEWS),
        "zone": st.sampled_from(["I", "II", "III"]),
        "posterior": st.booleans(),
        "vascularization": st.sampled_from(list(ZONES)),
        "stage": st.sampled_from(STAGES),
        "plus": st.sampled_from(PLUS),
        "aggressive": st.booleans(),
        "regression": st.sampled_from(REGRESSIONS),
        "reactivation": st.booleans(),
        "notch": st.booleans(),
        "nasal_at_ora": st.booleans(),
    },
)
"""Findings of an eye as they may be written, also those that cannot be."""
SHAPES: dict[str, st.SearchStrategy[dict[str, Any]]] = {
    "born": births.map(lambda d: {"low": d.low.isoformat(), "high": d.high.isoformat()}),
    "gestation": st.builds(
        lambda g, observed: {"low": g.low, "high": g.high, **({"observed": observed} if observed else {})},
        gestations,
        st.one_of(st.none(), _iso),
    ),
    "birth_weight": grams.map(lambda gram: {"grams": gram}),
    "sex": st.sampled_from(["male", "female", "other", "unknown"]).map(lambda code: {"code": code}),
    "multiple": st.one_of(st.none(), st.integers(1, 5)).map(lambda order: {"order": order}),
    "deceased": st.one_of(st.none(), _iso).map(lambda on: {"on": on}),
    "fetal": st.just({}),
    "identifier": st.builds(lambda system, value: {"system": system, "value": value}, _text, _text),
    "name": _text.map(lambda text: {"text": text}),
    "replaced_by": st.sampled_from(["p", "old", "new"]).map(lambda patient: {"patient": patient}),
    "mother": _text.map(lambda patient: {"patient": patient}),
    "risk": st.sampled_from(["sepsis", "inotropes"]).map(lambda flag: {"flag": flag}),
    "stay": st.fixed_dictionaries(
        {
            "encounter": st.sampled_from(["in-progress", "finished", "cancelled"]), "open": st.booleans(),
            "place": _maybe, "place_text": _maybe, "since": st.one_of(st.none(), _iso),
            "until": st.one_of(st.none(), _iso), "disposition": _maybe,
        }
    ),
    "place": st.fixed_dictionaries({"name": _maybe, "part_of": _maybe, "kind": _maybe}),
    "unreadable": st.builds(
        lambda of, reason: {"of": of, "reason": reason}, st.sampled_from([*sorted(FACT_NAMES), ""]), _text
    ),
    "retracted": st.just({}),
    "weight": st.builds(lambda on, gram: {"on": on, "grams": gram}, _iso, grams),
    "exam": st.builds(lambda on, right, left: {"on": on, "right": right, "left": left}, _iso, _eyes, _eyes),
    "finding": st.builds(
        lambda on, eyes, of: {"on": on, "eyes": eyes, "of": of}, _iso, st.sampled_from(["right", "left", "both"]), _eyes
    ),
    "treatment": st.builds(
        lambda on, eyes, kind: {"on": on, "eyes": eyes, "kind": kind},
        _iso, st.sampled_from(["right", "left", "both"]), st.sampled_from(KINDS),
    ),
    "closing": st.builds(
        lambda on, why, basis: {"on": on, "by": "Dr Invented", "why": why, "basis": basis},
        _iso, st.sampled_from(sorted(CLOSINGS)), st.sampled_from(["", Course().basis]),
    ),
    "reopening": st.builds(lambda on: {"on": on, "by": "Dr Invented", "why": "seen again"}, _iso),
    "deferral": st.builds(
        lambda on, until: {
            "on": on, "until": until, "reason": "unwell", "ophthalmologist": "Dr One", "neonatologist": "Dr Two",
        },
        _iso, _iso,
    ),
    "hand_over": st.builds(
        lambda on, then: {"on": on, "to": "Elsewhere", "place": "Eye clinic", "date": then, "by": "Nurse"}, _iso, _iso
    ),
    "booking": st.builds(
        lambda on, day, time: {"on": on, "date": day, "by": "Nurse"} | ({"time": time} if time else {}),
        _iso, _iso, st.sampled_from(["", "09:30"]),
    ),
    "long_term": st.builds(lambda on: {"on": on, "by": "Dr Invented", "where": "Eye clinic"}, _iso),
    "respiratory": st.builds(
        lambda on, until: {"what": "nasal CPAP", "on": on, "until": until}, st.none() | _iso, st.none() | _iso
    ),
    "leaving": st.builds(lambda on, day: {"on": on, "date": day, "by": "Nurse"}, _iso, st.none() | _iso),
}  # fmt: skip


def facts(names: Sequence[str] = tuple(sorted(FACT_NAMES)), most: int = 12) -> st.SearchStrategy[list[Fact]]:
    """Facts of a few resources in a few versions, in any order, each in the shape its name asks for."""
    said = st.one_of([st.tuples(st.just(name), SHAPES[name]) for name in names])
    where = st.tuples(
        st.sampled_from(["Patient/p", "Observation/1", "Observation/2"]),
        st.sampled_from([None, 1, 1, 2, 3]),
        st.integers(0, 5).map(lambda second: f"2031-05-01T00:00:0{second}.000000Z"),
        st.sampled_from(["p", "p", "p", "old"]),
        st.sampled_from([0, 1, 1, 1, 2, 3]),
        st.booleans(),
        st.sampled_from(["", "2031-05-01", "2031-05-02"]),
    )
    return st.lists(st.builds(_placed, said, where), max_size=most)


def _placed(said: tuple[str, dict[str, Any]], where: tuple[Any, ...]) -> Fact:
    resource, version, updated, patient, rank, certain, issued = where
    return fact(
        *said, resource, version, updated=updated, patient=patient, rank=rank, certain=certain, issued=issued
    )  # fmt: skip
