"""A site file's worked examples, run: the proof that its mapping reads what the site sends."""

from __future__ import annotations

from typing import Final

from service.core.infant import Fact, Reading
from service.fhir.read import read_body
from service.fhir.sites import Example, Expected, Site

RECEIVED_AT: Final = "2031-06-01T00:00:00.000000Z"


def run_examples(site: Site) -> list[str]:
    """A sentence for each example of the site that does not give what it should; empty when all do."""
    return [f"{site.id}: {example.says}: {problem}" for example in site.examples for problem in _check(example, site)]


def _check(example: Example, site: Site) -> list[str]:
    readings = read_body(example.resource.encode("utf-8", "surrogatepass"), site, RECEIVED_AT)
    facts = [fact for reading in readings for fact in reading.facts if fact.name != "unreadable"]
    problems = [
        f"it should say {_words(expected)}, but does not"
        for expected in example.facts
        if not any(_matches(fact, expected) for fact in facts)
    ]
    problems += [
        f"it says {fact.name} {dict(fact.value)}, which the example does not expect"
        for fact in facts
        if not any(_matches(fact, expected) for expected in example.facts)
    ]
    return problems + _check_rejections(example, readings)


def _check_rejections(example: Example, readings: list[Reading]) -> list[str]:
    rejections = [rejection for reading in readings for rejection in reading.rejections]
    if example.rejected is None:
        return [f"it cannot be read: {rejection.path} {rejection.reason}" for rejection in rejections]
    if any(r.path == example.rejected and example.because in r.reason for r in rejections):
        return []
    got = "; ".join(f"{r.path} {r.reason}" for r in rejections) or "nothing is rejected"
    return [f'{example.rejected} should be rejected because "{example.because}", but: {got}']


def _matches(fact: Fact, expected: Expected) -> bool:
    return (
        fact.name == expected.name
        and dict(fact.value) == dict(expected.value)
        and expected.patient in (None, fact.patient)
        and expected.rank in (None, fact.rank)
        and expected.certain in (None, fact.certain)
    )


def _words(expected: Expected) -> str:
    about = f" of {expected.patient}" if expected.patient else ""
    return f"{expected.name} {dict(expected.value)}{about}"
