"""Whole bodies in the styles others really send: each gives exactly the facts and rejections written beside it.

A fixture names the published example whose style it follows; the resource itself is this project's own invention.
`body` is JSON, or text where the digits matter.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from reading import read_all, site

FOLDER = Path(__file__).parent / "fixtures" / "read"
STYLES = sorted(FOLDER.glob("*.json"))
assert STYLES, "the fixtures are missing"


@pytest.mark.parametrize("path", STYLES, ids=lambda path: path.stem)
def test_a_style_gives_its_facts_and_rejections(path: Path) -> None:
    style: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    readings = read_all(style["body"], site("America/Denver"))
    assert [reading.resource for reading in readings] == style["resources"]
    facts = [
        {"patient": f.patient, "name": f.name, "value": dict(f.value), "rank": f.rank, "certain": f.certain}
        for reading in readings
        for f in reading.facts
        if f.name != "unreadable"
    ]
    assert facts == style["facts"]
    rejections = [rejection for reading in readings for rejection in reading.rejections]
    assert [(r.path, r.patient, r.about) for r in rejections] == [
        (r["path"], r["patient"], r["about"]) for r in style["rejections"]
    ]
    for rejection, expected in zip(rejections, style["rejections"], strict=True):
        assert expected["words"] in rejection.reason


@pytest.mark.parametrize("path", STYLES, ids=lambda path: path.stem)
def test_a_style_reads_the_same_with_a_byte_order_mark_and_as_one_line_of_ndjson(path: Path) -> None:
    body = json.loads(path.read_text(encoding="utf-8"))["body"]
    text = body if isinstance(body, str) else json.dumps(body)
    here = site("America/Denver")
    assert read_all(text.encode("utf-8-sig"), here) == read_all(text, here)
    other = '{"resourceType": "Location", "id": "elsewhere"}'
    both = read_all(f"{text}\n{other}", here)
    assert [r.facts for r in both[:-1]] == [r.facts for r in read_all(text, here)]
