"""The original beside the reason: found in what arrived, marked where the trouble is, escaped, nothing changed."""

from __future__ import annotations

import json
from html import unescape

from hypothesis import given
from hypothesis import strategies as st

from service.web.original import mark_original, pick_resource

OBSERVATION = (
    '{"resourceType": "Observation", "id": "bw", "valueQuantity": {"value": 28.40, "unit": "g"}, '
    '"component": [{"code": 1}, {"code": 2}]}'
)
letters = st.text(st.characters(exclude_characters="\ue000\ue001", exclude_categories=["Cs"]))


def test_the_place_is_marked_and_the_number_stays_as_written() -> None:
    marked = mark_original(OBSERVATION, "Observation.valueQuantity.value")
    assert "<mark>28.40</mark>" in marked
    assert marked.count("<mark>") == 1


def test_an_index_leads_into_a_list_and_a_missing_element_marks_what_should_hold_it() -> None:
    assert "&#34;code&#34;: <mark>2</mark>" in mark_original(OBSERVATION, "Observation.component[1].code")
    held = mark_original(OBSERVATION, "Observation.valueQuantity.system")
    assert held.index("<mark>") < held.index("28.40") < held.index("</mark>")
    assert "<mark>" not in mark_original(OBSERVATION, "Observation.effectiveDateTime")


def test_what_is_no_json_is_shown_as_it_came_and_escaped() -> None:
    assert mark_original("<script>1</script>", "x.y") == "&lt;script&gt;1&lt;/script&gt;"
    assert "<script>" not in mark_original('{"a": "<script>"}', "Patient.a")


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | letters,
        lambda inner: st.lists(inner) | st.dictionaries(letters, inner),
    ),
    st.text(alphabet="Pabc.[]019", max_size=20),
)
def test_marking_changes_nothing_but_the_layout(value: object, path: str) -> None:
    wrapped = {"a": value}
    shown = str(mark_original(json.dumps(wrapped), f"P.{path}")).replace("<mark>", "").replace("</mark>", "")
    assert json.loads(unescape(shown)) == wrapped


def test_half_a_character_and_endless_nesting_do_not_stop_the_page() -> None:
    assert "?" in pick_resource(b'{"resourceType": "Patient", "id": "1", "x": "\\ud800"}', "Patient/1")
    deep = "[" * 100_000
    assert mark_original(deep, "Patient.x") == deep


def test_the_one_resource_is_picked_from_a_bundle_from_lines_or_bare() -> None:
    one = json.loads(OBSERVATION)
    other = {"resourceType": "Patient", "id": "bw"}
    bundle = {"resourceType": "Bundle", "entry": [{"resource": other}, {}, "odd", {"resource": one}]}
    lines = f"{json.dumps(other)}\n{OBSERVATION}\n"
    for body in (OBSERVATION, json.dumps(bundle), "\ufeff" + lines):
        assert json.loads(pick_resource(body.encode(), "Observation/bw")) == one
    assert pick_resource(b"not json", "Observation/bw") == "not json"
    assert pick_resource(b"\xff{", "") == "\ufffd{"
