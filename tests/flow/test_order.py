"""Order and repetition of arrivals do not matter: the same versions in any order, any of them more than once, end in
the same list, the same publications in force and the same rejections."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime
from typing import Any

from flow.conftest import Ward, gestation, patient, stay, weight
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.fhir.forms import fill

number = itertools.count()


@st.composite
def days_on_a_ward(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Versions of the resources of two infants, written with the ids `A` and `B`."""
    resources: list[dict[str, Any]] = []
    for who in "AB":
        for version in range(1, draw(st.integers(1, 3)) + 1):
            dead = {"deceasedDateTime": "2031-05-25"} if draw(st.integers(0, 9)) == 0 else {}
            resources.append(patient(who, version, **dead))
        for version in range(1, draw(st.integers(0, 3)) + 1):
            grams = draw(st.sampled_from([700, 1490, 1499, 1501, 1900, 0.9, 15000]))
            status = draw(st.sampled_from(["final", "final", "corrected", "preliminary", "entered-in-error"]))
            named = draw(st.sampled_from([who, who, who, "AB".replace(who, "")]))
            resources.append(
                {**weight(who, grams, version, status=status), "subject": {"reference": f"Patient/{named}"}}
            )
        versions = range(1, draw(st.integers(0, 2)) + 1)
        resources.extend(
            gestation(who, draw(st.sampled_from(["25w3d", "30w6d", "31w0d", "28.4", "33"])), version)
            for version in versions
        )
        versions = range(1, draw(st.integers(0, 2)) + 1)
        resources.extend(
            stay(who, draw(st.sampled_from(["Location/ward-1", "Location/ward-2", None])), version)
            for version in versions
        )
        for record in range(draw(st.integers(0, 3))):
            versions = range(1, draw(st.integers(1, 3)) + 1)
            resources.extend(draw(typed_in(who, f"{who}-form-{record}", version)) for version in versions)
    return resources


eyes = st.fixed_dictionaries(
    {"zone": st.sampled_from(["I", "II", "III"]), "stage": st.sampled_from(["0", "1", "2", "3"]),
     "plus": st.sampled_from(["none", "pre-plus", "plus"])},
    optional={"view": st.just("poor"), "regression": st.just("complete")},
)  # fmt: skip
"""Some of these cannot be, and are refused."""


@st.composite
def typed_in(draw: st.DrawFn, who: str, id: str, version: int) -> dict[str, Any]:
    """A version of something typed in: an exam, a treatment, a deferral, a closing; now and then entered in error. The
    next version of the same record may be another form: somebody took the wrong sheet."""
    on = f"2031-05-{draw(st.integers(21, 31))}"
    form, value = draw(
        st.one_of(
            st.tuples(st.just("eye-exam"), st.builds(lambda r, left: {"on": on, "right": r, "left": left}, eyes, eyes)),
            st.tuples(st.just("treatment"), st.sampled_from(
                [{"on": on, "eyes": "both", "kind": "laser"}, {"on": on, "eyes": "left", "kind": "injection"}])),
            st.tuples(st.just("deferral"), st.just(
                {"on": on, "until": "2031-06-03", "reason": "unwell", "ophthalmologist": "Dr One",
                 "neonatologist": "Dr Two"})),
            st.tuples(st.just("closing"), st.sampled_from(
                [{"on": on, "by": "Dr One", "why": why, "basis": ""} for why in ("opt-out", "death", "palliative")])),
        )
    )  # fmt: skip
    status = draw(st.sampled_from(["completed", "completed", "completed", "entered-in-error"]))
    moment = datetime(2031, 6, 1, 6, version, tzinfo=UTC)
    return fill(form, {} if status == "entered-in-error" else value, id=id, version=version, patient=who,
                author="Dr Invented", authored=moment, status=status)  # fmt: skip


def renamed(value: Any, prefix: str) -> Any:
    """The same resources of two other infants."""
    if isinstance(value, dict):
        return {key: renamed(item, prefix) for key, item in value.items()}
    if isinstance(value, list):
        return [renamed(item, prefix) for item in value]
    if isinstance(value, str) and (value in "AB" or value[:2] in ("A-", "B-") or value in ("Patient/A", "Patient/B")):
        return (
            value.replace("Patient/A", f"Patient/{prefix}A").replace("Patient/B", f"Patient/{prefix}B")
            if "/" in value
            else prefix + value
        )
    return value


def told(ward: Ward, prefix: str) -> dict[str, Any]:
    """All that anybody could see of the two infants, without what names the run or the moment."""
    infants = ward.query(
        "SELECT patient, state, eligible, kind, opens, due, closes, unit, left_hospital FROM infants"
        f" WHERE patient LIKE '{prefix}%%' ORDER BY patient"
    )
    steps = ward.query(
        "SELECT patient, step, type, status, period_start, period_end FROM publications"
        f" WHERE current AND status NOT IN ('cancelled', 'revoked', 'completed') AND patient LIKE '{prefix}%%'"
        " ORDER BY 1, 2, 3"
    )
    refused = ward.query(
        "SELECT resource, path, reason FROM rejections WHERE superseded_at IS NULL"
        f" AND resource LIKE '%%/{prefix}%%' ORDER BY 1, 2, 3"
    )
    plain = {
        name: [tuple(row) for row in rows]
        for name, rows in (("infants", infants), ("steps", steps), ("refused", refused))
    }
    return renamed_back(plain, prefix)


def renamed_back(value: Any, prefix: str) -> Any:
    if isinstance(value, dict):
        return {key: renamed_back(item, prefix) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [renamed_back(item, prefix) for item in value]
    return value.replace(prefix, "") if isinstance(value, str) else value


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(days_on_a_ward(), st.randoms(use_true_random=False), st.lists(st.integers(0, 50), max_size=6))
def test_order_and_repetition_of_arrivals_do_not_matter(ward: Ward, resources, random, again) -> None:  # type: ignore[no-untyped-def]
    straight, shuffled = f"s{next(number)}x", f"t{next(number)}x"
    ward.send(*(renamed(resource, straight) for resource in resources))
    order = [*resources, *(resources[index % len(resources)] for index in again)]
    random.shuffle(order)
    while order:  # in bursts of different length
        size = random.randint(1, 4)
        ward.send(*(renamed(resource, shuffled) for resource in order[:size]))
        order = order[size:]
    assert told(ward, shuffled) == told(ward, straight)
