"""Two invented sites and their infants, sent in as FHIR, so that the pages show what really went through the flow.

Time stands still at 20:00 UTC on 1 June 2031: Sunday afternoon in Denver, already Monday in Kolkata. Who is due today
was born at 26w4d: the later of 31w0d postmenstrual age and 28 days is day 217 - 186 = 31 (AAP 2018, Pediatrics
2018;142(6):e20183061; formula also in Arch Ophthalmol 2002;120:1470).
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from service.fhir.sites import Site, load_standard, parse_site
from service.flow import Flow, infant_key
from service.store.arrivals import Arrival

NOW: Final = datetime(2031, 6, 1, 20, tzinfo=UTC)
HOSTILE: Final = '<script>alert("x")</script> & <img src=x onerror=y>'
MAPPINGS: Final = Path(__file__).parents[2] / "mappings"


class Clock:
    """The clock of a ward, which a test may move."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


def two_sites() -> dict[str, Site]:
    """Northbank (Denver, AAP 2018) and Eastmere (Kolkata, NNF 2010)."""
    standard = load_standard(MAPPINGS / "_standard.toml")
    described: list[dict[str, Any]] = [
        {
            "id": "northbank", "name": "Northbank", "timezone": "America/Denver", "policy": "aap-2018",
            "identifiers": {"shown": "https://northbank.example/mrn"},
            "units": {"Location/nicu": "Nursery 2"},
            "publish": {
                "owner": "Northbank eye service", "owner_system": "https://northbank.example/org", "owner_value": "eye",
            },
        },
        {
            "id": "eastmere", "name": "Eastmere", "timezone": "Asia/Kolkata", "policy": "india-nnf-2010",
            "identifiers": {"shown": "https://eastmere.example/mrn"},
        },
    ]  # fmt: skip
    return {each["id"]: parse_site(each, f"{each['id']}.toml", standard) for each in described}


def newborn(patient: str, name: str, born: str, number: str, site: str = "northbank") -> dict[str, Any]:
    """A Patient resource."""
    return {
        "resourceType": "Patient", "id": patient, "meta": {"versionId": "1", "lastUpdated": "2031-05-30T08:00:00Z"},
        "identifier": [{"system": f"https://{site}.example/mrn", "value": number}],
        "name": [{"text": name}], "gender": "female", "birthDate": born,
    }  # fmt: skip


def weight(patient: str, value: float, version: int = 1) -> dict[str, Any]:
    """A birth weight in grams, LOINC 8339-4."""
    return _observation(patient, "bw", "8339-4", version) | {
        "valueQuantity": {"value": value, "unit": "g", "system": "http://unitsofmeasure.org", "code": "g"}
    }


def age(patient: str, days: int, version: int = 1) -> dict[str, Any]:
    """A gestational age at birth in days, LOINC 76516-4."""
    return _observation(patient, "ga", "76516-4", version) | {
        "valueQuantity": {"value": days, "unit": "d", "system": "http://unitsofmeasure.org", "code": "d"}
    }


def local_age(patient: str, text: str, version: int = 1) -> dict[str, Any]:
    """A gestational age at birth under a code of the site's own, which its mapping does not know."""
    coding = {"system": "urn:northbank", "code": "AGE", "display": "Gest. age at delivery"}
    return _observation(patient, "local", "", version) | {"code": {"coding": [coding]}, "valueString": text}


def gone_home(patient: str) -> dict[str, Any]:
    """The stay that has ended."""
    return {
        "resourceType": "Encounter", "id": f"{patient}-stay", "meta": {"versionId": "1"}, "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": f"Patient/{patient}"}, "period": {"start": "2031-04-01", "end": "2031-05-28"},
    }  # fmt: skip


def send(flow: Flow, site: str, *resources: dict[str, Any] | bytes) -> None:
    """Let the resources arrive at the site, each on its own."""
    bodies = [each if isinstance(each, bytes) else json.dumps(each).encode() for each in resources]
    flow.accept([Arrival(site, "rest-hook", body, "POST", "") for body in bodies])


def fill(flow: Flow) -> None:
    """Everybody. At Northbank: due today, overdue and gone home, not to be judged, not eligible, a weight that cannot
    be read. At Eastmere: a hostile name."""
    send(
        flow, "northbank",
        newborn("today", "Ada Lanternfish", "2031-05-01", "N-100"), age("today", 186), weight("today", 780),
        newborn("late", "Bo Teakettle", "2031-04-01", "N-200"), age("late", 178), weight("late", 700),
        gone_home("late"),
        newborn("vague", "Cy Driftwood", "2031-05-25", "N-300"),
        newborn("term", "Di Oatcake", "2031-05-20", "N-400"), age("term", 259), weight("term", 2900),
        newborn("light", "Ed Pepperpot", "2031-05-28", "N-500"), age("light", 220), weight("light", 1.36),
    )  # fmt: skip
    send(
        flow, "eastmere",
        newborn("odd", HOSTILE, "2031-05-20", "E-100", "eastmere"), age("odd", 200), weight("odd", 1250),
    )  # fmt: skip


def key_of(patient: str, site: str = "northbank") -> str:
    """The opaque key of one of them."""
    return str(infant_key(site, patient))


def _observation(patient: str, what: str, code: str, version: int) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": f"{patient}-{what}", "status": "final",
        "meta": {"versionId": str(version), "lastUpdated": f"2031-05-30T09:{version:02}:00Z"},
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "subject": {"reference": f"Patient/{patient}"}, "effectiveDateTime": "2031-05-30",
    }  # fmt: skip
