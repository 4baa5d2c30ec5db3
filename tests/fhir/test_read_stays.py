"""Where the infant is: Encounter and Location.

Sources: R4 Encounter and Location (http://hl7.org/fhir/R4/encounter.html), its example Encounter/emerg; BFDR birth
encounter; eCQM encounters; HL7/v2-to-fhir sample of an ADT^A01; v3-ActCode; location-physical-type.
"""

from __future__ import annotations

from typing import Any

import pytest
from reading import only, read_one, said, site


def encounter(**more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Encounter", "id": "e", "status": "in-progress", "class": {"code": "IMP"},
        "subject": {"reference": "Patient/p"}, "period": {"start": "2031-05-01T23:30:00Z"}, **more,
    }  # fmt: skip


def at(place: str, start: str | None = None, end: str | None = None, **more: Any) -> dict[str, Any]:
    period = {key: value for key, value in (("start", start), ("end", end)) if value}
    return {"location": {"reference": f"Location/{place}"}, **({"period": period} if period else {}), **more}


def test_a_stay_is_dated_by_the_day_at_the_site() -> None:
    """23:30 UTC is 01:30 on the next day in Oslo, and 17:30 on the same day in Denver."""
    fact = only(read_one(encounter(location=[at("bed-3")]), site("Europe/Oslo")))
    assert dict(fact.value) == {
        "encounter": "in-progress", "open": True, "place": "Location/bed-3", "place_text": None,
        "since": "2031-05-02", "until": None, "disposition": None,
    }  # fmt: skip
    assert only(read_one(encounter(), site("America/Denver"))).value["since"] == "2031-05-01"


@pytest.mark.parametrize(
    ("status", "is_open"),
    [("planned", False), ("arrived", True), ("triaged", True), ("in-progress", True), ("onleave", True),
     ("finished", False), ("unknown", True), (None, True), ("completed", False), ("discharged", False)],
)  # fmt: skip
def test_which_statuses_are_open(status: str | None, is_open: bool) -> None:
    """R4 encounter-status; completed and discharged are R5."""
    assert only(read_one(encounter(status=status))).value["open"] is is_open


def test_an_unknown_status_is_closed_by_an_end() -> None:
    period = {"start": "2031-05-01", "end": "2031-05-09"}
    value = only(read_one(encounter(status="unknown", period=period))).value
    assert (value["open"], value["until"]) == (False, "2031-05-09")


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error"])
def test_a_cancelled_stay_is_retracted(status: str) -> None:
    assert only(read_one(encounter(status=status))).name == "retracted"


@pytest.mark.parametrize("kind", [{"code": "AMB"}, {"code": "VR"}, {"code": "HH"}, [{"coding": [{"code": "AMB"}]}]])
def test_a_visit_that_puts_nobody_in_a_bed_is_no_stay(kind: Any) -> None:
    reading = read_one(encounter(**{"class": kind}))
    assert (reading.facts, reading.rejections) == ((), ())


PLACES = [
    # locations, place, words, source
    ([at("old", "2031-05-01", "2031-05-02"), at("new", "2031-05-02")], "Location/new", None, "open before ended"),
    ([at("new", "2031-05-02"), at("old", "2031-05-01")], "Location/new", None, "the latest of two open ones"),
    ([at("bed", "2031-05-02", status="reserved"), at("theatre", "2031-05-02", status="active")], "Location/theatre",
     None, "active before reserved"),
    ([at("bed", "2031-05-01"), at("next", "2031-05-03", status="planned")], "Location/bed", None, "planned is not yet"),
    ([at("a", "2031-05-01", "2031-05-02"), at("b", "2031-05-03", "2031-05-04")], "Location/b", None,
     "eCQM: two ended stays with a gap: the last one"),
    ([at("bed-1", status="completed"), at("bed-2", status="active")], "Location/bed-2", None, "statuses, no periods"),
    ([{"location": {"display": "Ward 1, Room 42, Bed 1"}, "period": {"start": "2031-05-01"}}], None,
     "Ward 1, Room 42, Bed 1", "R4 example emerg: words only"),
    ([{"location": {"reference": "Location/s", "display": "South"}}], "Location/s", "South", "BFDR: no period"),
    ([{"physicalType": {"coding": [{"code": "ro"}]}, "location": {"display": "101"}},
      {"physicalType": {"coding": [{"code": "bd"}]}, "location": {"display": "01"}},
      {"physicalType": {"coding": [{"code": "wa"}]}, "location": {"display": "NICU"}}], None, "NICU 101 01",
     "HL7/v2-to-fhir: ward, room and bed side by side"),
    ([{"location": {"identifier": {"value": "NICU-3"}}}], None, "NICU-3", "a place by identifier"),
    ([{"status": "active"}], None, None, "a location without a location"),
    ([], None, None, "R4 example f203: no location"),
]  # fmt: skip


@pytest.mark.parametrize(("locations", "place", "words", "source"), PLACES, ids=[row[3] for row in PLACES])
def test_where_the_infant_is(locations: list[Any], place: str | None, words: str | None, source: str) -> None:
    value = only(read_one(encounter(location=locations))).value
    assert (value["place"], value["place_text"]) == (place, words)


def test_transfers_inside_one_encounter() -> None:
    """The shape of R4 example Encounter/emerg: five stays, all called active, the last one open."""
    moves = [
        at("waiting", "2031-05-01T07:15:00+10:00", "2031-05-01T08:45:00+10:00", status="active"),
        at("emergency", "2031-05-01T08:45:00+10:00", "2031-05-01T09:27:00+10:00", status="active"),
        at("bed", "2031-05-01T09:27:00+10:00", "2031-05-01T12:15:00+10:00", status="active"),
        at("bed", "2031-05-01T12:15:00+10:00", "2031-05-01T12:45:00+10:00", status="reserved"),
        at("bed-2", "2031-05-01T12:45:00+10:00", status="active"),
    ]
    assert only(read_one(encounter(location=moves))).value["place"] == "Location/bed-2"


def test_a_transfer_to_another_hospital_is_a_finished_stay_with_its_disposition() -> None:
    """BFDR Encounter sample: other-hcf."""
    coding = {"system": "http://terminology.hl7.org/CodeSystem/discharge-disposition", "code": "other-hcf"}
    value = only(
        read_one(
            encounter(
                status="finished",
                period={"start": "2031-05-01T13:00:00-07:00", "end": "2031-05-04T10:00:00-07:00"},
                hospitalization={"dischargeDisposition": {"coding": [coding], "text": "Transferred"}},
            ),
            site("America/Denver"),
        )
    ).value
    assert (value["open"], value["until"], value["disposition"]) == (False, "2031-05-04", "other-hcf")


@pytest.mark.parametrize(
    ("more", "path", "patient"),
    [
        ({"subject": None}, "Encounter.subject", ""),
        ({"subject": {"reference": "Group/twins"}}, "Encounter.subject.reference", ""),
        ({"location": "bed 3"}, "Encounter.location", "p"),
        ({"location": [{"location": "bed 3"}]}, "Encounter.location[0].location", "p"),
        ({"period": "May"}, "Encounter.period", "p"),
        ({"status": 7}, "Encounter.status", "p"),
    ],
)
def test_a_stay_that_cannot_be_read_is_rejected(more: dict[str, Any], path: str, patient: str) -> None:
    reading = read_one(encounter(**more))
    assert [(r.path, r.about, r.patient) for r in reading.rejections] == [(path, "stay", patient)]
    assert [value["of"] for value in said(reading, "unreadable")] == (["stay"] if patient else [])


@pytest.mark.parametrize(
    ("fields", "value"),
    [
        ({"name": "Bed 3", "physicalType": {"coding": [{"code": "bd"}]}, "partOf": {"reference": "Location/ward"}},
         {"name": "Bed 3", "part_of": "Location/ward", "kind": "bed"}),
        ({"alias": ["NICU"], "physicalType": {"coding": [{"code": "wa"}]}},
         {"name": "NICU", "part_of": None, "kind": "ward"}),
        ({"identifier": [{"value": "101"}]}, {"name": "101", "part_of": None, "kind": None}),
        ({"name": "Wing", "form": {"coding": [{"code": "wi"}]}}, {"name": "Wing", "part_of": None, "kind": "wing"}),
    ],
    ids=["bed", "alias", "HL7/v2-to-fhir: identifier only", "R5 form"],
)  # fmt: skip
def test_a_place_has_a_name_a_kind_and_surroundings(fields: dict[str, Any], value: dict[str, Any]) -> None:
    fact = only(read_one({"resourceType": "Location", "id": "l", **fields}))
    assert (fact.name, fact.patient, dict(fact.value)) == ("place", "", value)
