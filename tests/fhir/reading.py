"""Builders the reading tests share: a site with the standard mapping, resources, and short ways to read them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from service.core.infant import Fact, Reading
from service.fhir.read import read_body
from service.fhir.sites import Site, load_standard, parse_site

ROOT = Path(__file__).parents[2]
STANDARD = load_standard(ROOT / "mappings" / "_standard.toml")
RECEIVED = "2031-06-01T00:00:00.000000Z"

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
LOCAL = "https://somewhere.example/codes"


def site(timezone: str = "Europe/Oslo", **more: Any) -> Site:
    """A site far from UTC, with the standard mapping and whatever a test adds."""
    data = {"id": "here", "name": "Here", "timezone": timezone, "policy": "aap-2018", **more}
    return parse_site(data, "here.toml", STANDARD)


def observation(code: str = "8339-4", system: str = LOINC, **more: Any) -> dict[str, Any]:
    """A final Observation of one coding about Patient/p."""
    return {
        "resourceType": "Observation",
        "id": "o",
        "status": "final",
        "code": {"coding": [{"system": system, "code": code}]},
        "subject": {"reference": "Patient/p"},
        **more,
    }


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "id": "p", "birthDate": "2031-05-01", **more}


def bundle(*entries: dict[str, Any], type: str = "collection") -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": type, "entry": list(entries)}


def read_all(body: object, here: Site | None = None) -> list[Reading]:
    """Readings of a JSON value, text or bytes."""
    if not isinstance(body, bytes):
        text = body if isinstance(body, str) else json.dumps(body)
        body = text.encode("utf-8", "surrogatepass")
    return read_body(body, here or site(), RECEIVED)


def read_one(body: object, here: Site | None = None) -> Reading:
    (reading,) = read_all(body, here)
    return reading


def said(reading: Reading, name: str) -> list[dict[str, Any]]:
    """The values of a reading's facts of one name, in their order."""
    return [dict(fact.value) for fact in reading.facts if fact.name == name]


def only(reading: Reading) -> Fact:
    """The one fact of a reading that rejects nothing."""
    assert reading.rejections == ()
    (fact,) = reading.facts
    return fact
