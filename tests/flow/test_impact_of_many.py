"""What another edition would change is said of everybody it concerns, without deciding about everybody.

Both ways must agree: deciding only about whom it may concern, and deciding twice about everybody known.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import fields, replace
from typing import Any, Final

import orjson
import pytest
from core.invented import fact
from flow.conftest import Ward, gestation, patient, weight

from service import recall
from service.core.decision import decide
from service.core.impact import Difference, compare
from service.core.infant import Fact
from service.core.policy import Policy
from service.fhir.forms import fill
from service.store import facts, infants
from service.store.arrivals import Arrival

OTHERS: Final = ("uk-2022", "uk-2008", "india-nnf-2021", "germany-2020", "south-africa-2013", "nigeria-group")


def decided_twice(ward: Ward, other: Policy) -> dict[str, tuple[Difference, ...]]:
    """About whom another edition decides otherwise than the one in use, found by deciding about everybody."""
    today, site = ward.flow.today(ward.site), ward.flow.site(ward.site)
    now = ward.flow.policy_on(ward.site, today)
    found = {}
    with ward.database.transaction() as connection:
        for person in recall.people(connection, site, infants.known(connection, ward.site, today)):
            before, after = (decide(person.infant, policy, today, person.course) for policy in (now, other))
            if differences := compare(before, after):
                found[person.patient] = differences
    return found


def invent(who: str, chance: random.Random) -> Iterator[Fact]:
    """What a badly kept record may say of a birth: corrected, withdrawn, uncertain, unreadable, under other names."""
    named = chance.choice([who] * 6 + [f"urn:tags|{who}", f"old-{who}"])

    def said() -> tuple[str, dict[str, Any]]:
        name = chance.choice(["gestation"] * 3 + ["birth_weight"] * 3 + ["born", "risk", "unreadable", "retracted"])
        if name == "gestation":
            low = chance.choice([chance.randint(170, 240), chance.randint(215, 290), chance.randint(215, 290)])
            seen = {"observed": f"2031-05-{chance.randint(18, 31)}"} if chance.random() < 0.5 else {}
            return name, {"low": low, "high": low + chance.choice([0, 0, 6]), **seen}
        if name == "birth_weight":
            return name, {"grams": chance.choice([chance.randint(600, 3500), chance.randint(1450, 3500)])}
        if name == "born":
            day = f"2031-05-{chance.randint(18, 22)}"
            return name, {"low": day, "high": day}
        if name == "risk":
            return name, {"flag": "sepsis"}
        return name, {
            "of": chance.choice(["gestation", "birth_weight"]),
            "reason": "why",
        } if name != "retracted" else {}

    for number in range(chance.randint(1, 4)):
        resource = f"Observation/{who}-{number}"
        for version in range(1, chance.choice([2, 2, 2, 3, 4])):
            for _ in range(chance.choice([1, 1, 2])):
                yield fact(
                    *said(), resource, version, patient=named if number else who, certain=chance.random() < 0.9,
                    rank=chance.choice([0, 1, 1, 1, 1, 1, 2]),
                )  # fmt: skip
    if named.startswith("old"):
        yield fact("replaced_by", {"patient": who}, f"Patient/{named}", patient=named)
    yield fact("identifier", {"system": "urn:tags", "value": who}, f"Patient/{who}", 2, patient=who)
    yield fact("gestation", {"low": 260, "high": 260}, f"Observation/{who}-sure", patient=who)
    yield fact("birth_weight", {"grams": 3000}, f"Observation/{who}-sure", patient=who)


@pytest.mark.parametrize("seed", range(3))
def test_badly_kept_records_lose_nobody(ward: Ward, seed: int) -> None:
    chance = random.Random(seed)
    many = [f"p{number}" for number in range(250)]
    ward.send(*(patient(name) for name in many), *(patient(f"old-{name}") for name in many[::8]))
    (arrival,) = ward.query("SELECT min(id) AS id FROM arrivals")
    with ward.database.transaction() as connection:
        said = [(arrival.id, each) for name in many for each in invent(name, chance)]
        facts.append(connection, ward.site, said, ward.now)
    ward.flow.reassess(ward.site, everyone=True)
    ward.flow.reassess(ward.site, everyone=True)  # names learned in the first round lead somewhere in the second
    assert list(ward.states().values()).count("not-eligible") > 30
    for other in OTHERS:
        found = ward.flow.impact(ward.site, ward.flow.policies[other])
        assert {each.patient: each.differences for each in found} == decided_twice(ward, ward.flow.policies[other])


def test_a_closed_course_is_weighed_where_the_editions_watch_treated_eyes_to_another_age(ward: Ward) -> None:
    """A family's no ends a course only from 65 weeks on where an eye was injected (a choice of this project); here the
    other edition watches twenty weeks longer."""
    ward.send(patient("p", birthDate="2030-08-01"), gestation("p", "25w3d"), weight("p", 780))
    for form, value in (
        ("eye-exam", {"on": "2031-05-20", "right": {"vascularization": "full"}, "left": {"vascularization": "full"}}),
        ("treatment", {"on": "2031-01-10", "eyes": "both", "kind": "injection", "agent": "ranibizumab"}),
        ("closing", {"on": "2031-05-31", "by": "Dr One", "why": "opt-out"}),
    ):
        if form == "closing":
            value |= {"basis": ward.flow.infant(ward.flow.find("p")[0][1]).course.basis}
        body = fill(form, value, id=form, version=1, patient="p", author="Dr One", authored=ward.now)
        ward.flow.accept([Arrival(ward.site, "hand", orjson.dumps(body))])
    assert ward.states() == {"p": "closed"}
    used = ward.flow.policies["aap-2018"]
    assert ward.flow.impact(ward.site, used) == []
    age = used.care.surveillance_age
    assert age is not None
    watches = tuple(replace(each, until=each.until + 140 * (each.until == age)) for each in used.care.watches)
    longer = replace(used, revision=2, care=replace(used.care, watches=watches))
    assert longer.care.surveillance_age == age + 140
    assert decided_twice(ward, longer) == {"p": ("newly-eligible",)}
    assert [each.patient for each in ward.flow.impact(ward.site, longer)] == ["p"]


class Counting(Policy):
    """An edition that counts how often it is asked about an infant."""

    def eligible(self, gestation: int | None, weight: int | None, at_risk: bool) -> bool | None:
        self.__dict__["asked"] = self.__dict__.get("asked", 0) + 1
        return super().eligible(gestation, weight, at_risk)


def test_whom_it_cannot_concern_keeps_nobody_waiting(ward: Ward) -> None:
    many = [f"p{number}" for number in range(300)]
    ward.send(
        *(each for name in many for each in (patient(name), weight(name, 3100), gestation(name, "39w0d"))),
        *(patient("open"), weight("open", 900), gestation("open", "27w0d")),
        *(patient("near"), weight("near", 1700), gestation("near", "33w0d")),
    )
    india = ward.flow.policies["india-nnf-2021"]
    counting = Counting(**{part.name: getattr(india, part.name) for part in fields(india)})
    found = ward.flow.impact(ward.site, counting)
    assert {each.patient: each.differences[0] for each in found if each.patient == "near"} == {"near": "newly-eligible"}
    assert {each.patient for each in found} == {"open", "near"}
    assert 0 < counting.__dict__["asked"] < 50


def test_who_stays_off_the_list_is_not_told(ward: Ward) -> None:
    """Another edition gives other reasons why a term infant is not examined: that changes nothing for anybody."""
    ward.send(patient("term"), weight("term", 3100), gestation("term", "39w0d"))
    assert ward.flow.impact(ward.site, ward.flow.policies["uk-2022"]) == []
