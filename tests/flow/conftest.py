"""A flow over a real database, with a clock the test sets and a site made for the test."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
import pytest

from service.fhir.sites import Site, load_standard, parse_site
from service.flow import Flow, Receipt
from service.policies import load_policies
from service.store.arrivals import Arrival
from service.store.database import Database

MAPPINGS = Path(__file__).parents[2] / "mappings"


class Ward:
    """One site as its staff use it, and the list as they see it."""

    def __init__(self, database: Database, sites: dict[str, Site], site: str = "northgate") -> None:
        self.now = datetime(2031, 6, 1, 7, 0, tzinfo=UTC)
        self.flow = Flow(database, sites, load_policies(), lambda: self.now)
        self.database, self.site = database, site

    def send(self, *resources: dict[str, Any] | bytes) -> list[Receipt]:
        """Each on its own, all in one batch, as a burst of hooks would come."""
        bodies = [r if isinstance(r, bytes) else orjson.dumps(r) for r in resources]
        return self.flow.accept([Arrival(self.site, "rest-hook", body) for body in bodies])

    def rows(self) -> dict[str, Any]:
        """The list by patient id."""
        return {entry.patient: entry for entry in self.flow.worklist()}

    def states(self) -> dict[str, str]:
        """State of every infant known, by patient id."""
        return {row.patient: row.state for row in self.query("SELECT patient, state FROM infants")}

    def query(self, sql: str) -> list[Any]:
        with self.database.transaction() as connection:
            return list(connection.exec_driver_sql(sql))


def patient(id: str, version: int = 1, **more: Any) -> dict[str, Any]:
    body = {"resourceType": "Patient", "id": id, "birthDate": "2031-05-20", "meta": _meta(version)}
    return {**body, **more}


def weight(patient: str, grams: float, version: int = 1, unit: str = "g", **more: Any) -> dict[str, Any]:
    quantity = {"value": grams, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}
    return _observation(patient, "8339-4", version, {"valueQuantity": quantity, **more})


def gestation(patient: str, text: str, version: int = 1, **more: Any) -> dict[str, Any]:
    return _observation(patient, "76516-4", version, {"valueString": text, **more})


def stay(patient: str, place: str | None, version: int = 1, **more: Any) -> dict[str, Any]:
    locations = [{"location": {"reference": place}, "status": "active"}] if place else []
    return {
        "resourceType": "Encounter", "id": f"{patient}-stay", "status": "in-progress", "meta": _meta(version),
        "class": {"code": "IMP"}, "subject": {"reference": f"Patient/{patient}"},
        "period": {"start": "2031-05-20T03:00:00Z"}, "location": locations, **more,
    }  # fmt: skip


def _observation(patient: str, code: str, version: int, more: dict[str, Any]) -> dict[str, Any]:
    return {
        "resourceType": "Observation", "id": f"{patient}-{code}", "status": "final", "meta": _meta(version),
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "subject": {"reference": f"Patient/{patient}"}, **more,
    }  # fmt: skip


def _meta(version: int) -> dict[str, str]:
    return {"versionId": str(version), "lastUpdated": f"2031-05-20T04:{version:02d}:00Z"}


@pytest.fixture
def sites() -> dict[str, Site]:
    standard = load_standard(MAPPINGS / "_standard.toml")
    north = {
        "id": "northgate", "name": "Northgate", "timezone": "Europe/Oslo", "policy": "aap-2018",
        "units": {"Location/ward-1": "Ward One", "Location/ward-2": "Ward Two"},
        "publish": {"channels": ["fhir_task"]},
    }  # fmt: skip
    south = {"id": "southgate", "name": "Southgate", "timezone": "Pacific/Kiritimati", "policy": "uk-2022"}
    return {data["id"]: parse_site(dict(data), f"{data['id']}.toml", standard) for data in (north, south)}


@pytest.fixture
def ward(database: Database, sites: dict[str, Site]) -> Ward:
    return Ward(database, sites)


Send = Callable[..., list[Receipt]]
