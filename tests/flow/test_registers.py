"""Real newborns through the whole service: a register file ingested into a real database, every infant in one state.

The registers and their sources are named in tests/core/test_real_newborns.py.
"""

from __future__ import annotations

import gzip
import json
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from core.test_real_newborns import as_fhir, births_14, nc_births
from flow.conftest import Ward

from service.feeds.files import ingest


@pytest.mark.parametrize("register", [nc_births, births_14])
def test_every_newborn_of_a_register_ends_in_exactly_one_state(register, ward: Ward, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    table = register()
    ward.now = datetime(2031, 12, 31, 7, 0, tzinfo=UTC)
    file = tmp_path / "register.ndjson.gz"
    file.write_bytes(gzip.compress("\n".join(map(json.dumps, as_fhir(table))).encode()))
    *_, tally = ingest(ward.flow, ward.site, file)
    assert tally.undigested == 0

    states = ward.states()
    assert len(states) == len(table)
    by_weight, by_age = (
        table.grams <= 1500,
        table.weeks <= 30,
    )  # AAP 2018: 1500 g or less, or 30 completed weeks or less
    assert Counter(states.values())["eligible"] == int((by_weight | by_age).sum())
    assert Counter(states.values())["unknown"] == int((~by_weight & (table.weeks.isna() | (table.weeks > 44))).sum())
    assert Counter(states.values())["closed"] == 0

    before = ward.query("SELECT count(*) FROM decisions")[0][0]
    list(ingest(ward.flow, ward.site, file))  # the same file again says nothing new
    assert ward.query("SELECT count(*) FROM decisions")[0][0] == before
    assert ward.states() == states
