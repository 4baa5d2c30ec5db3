"""An old register, assessed today: its children are judged as the newborns they were, the parents in it are not."""

from __future__ import annotations

import json
from pathlib import Path

from journeys.command import call, environment


def test_an_old_register_is_judged_and_a_parent_in_it_is_not(tmp_path: Path) -> None:
    people = [("child", "2019-03-01", 900), ("parent", "1988-03-01", 2900)]
    lines = []
    for id, born, grams in people:
        lines.append({"resourceType": "Patient", "id": id, "birthDate": born})
        lines.append(
            {
                "resourceType": "Observation",
                "status": "final",
                "code": {"coding": [{"system": "http://loinc.org", "code": "8339-4"}]},
                "subject": {"reference": f"Patient/{id}"},
                "valueQuantity": {"value": grams, "unit": "g", "system": "http://unitsofmeasure.org", "code": "g"},
            }
        )
    register = tmp_path / "register.ndjson"
    register.write_text("\n".join(map(json.dumps, lines)))
    told = call("assess", register, "--as-of", "2026-01-01", env=environment(tmp_path / "data"))
    answers = {answer["patient"]: answer for answer in map(json.loads, told.stdout.splitlines())}
    assert answers["child"]["eligible"] == "yes"
    assert answers["child"]["next"]["due"] == "2019-03-29"
    assert answers["parent"]["eligible"] == "no"
