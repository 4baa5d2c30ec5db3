"""Bodies: bundles of every type, NDJSON, references, versions, deletions.

Sources: R4 Bundle (http://hl7.org/fhir/R4/bundle.html) and its examples; R4 references; HL7 subscriptions backport.
"""

from __future__ import annotations

import gzip
import json
from typing import Any

import pytest
from reading import LOINC, RECEIVED, bundle, observation, only, patient, read_all, read_one, said, site

WEIGHT = {"valueQuantity": {"value": 780, "code": "g"}}


def entry(resource: Any, **more: Any) -> dict[str, Any]:
    return {"resource": resource, **more}


@pytest.mark.parametrize(
    "type",
    ["searchset", "transaction", "batch", "collection", "history", "document", "message", "transaction-response",
     "subscription-notification", "zzz", None],
)  # fmt: skip
def test_every_type_of_bundle_is_read_the_same(type: str | None) -> None:
    """R4 Bundle.type; HAPI has sent a notification as `transaction`, R5 calls it subscription-notification."""
    readings = read_all({**bundle(entry(patient()), entry(observation(**WEIGHT))), "type": type})
    assert [reading.resource for reading in readings] == ["Patient/p", "Observation/o"]
    assert said(readings[1], "birth_weight") == [{"grams": 780}]


@pytest.mark.parametrize("bad", [None, 7, "text", [], {}, {"resourceType": 5}, {"resourceType": "Patient", "id": {}}])
def test_one_bad_entry_never_spoils_its_bundle(bad: Any) -> None:
    readings = read_all(bundle(entry(bad), entry(observation(**WEIGHT)), {"resource": bad, "fullUrl": 5}))
    assert [said(reading, "birth_weight") for reading in readings if reading.facts] == [[{"grams": 780}]]
    assert all(reading.rejections for reading in readings if not reading.facts)


def test_an_entry_that_is_no_object_is_rejected_with_its_place() -> None:
    readings = read_all({"resourceType": "Bundle", "entry": ["x", entry("y"), entry(observation(**WEIGHT))]})
    paths = [rejection.path for reading in readings for rejection in reading.rejections]
    assert paths == ["Bundle.entry[0]", "Bundle.entry[1].resource"]
    assert len(readings) == 3


def test_ndjson_reads_every_line_alone() -> None:
    """http://ndjson.org; Bulk Data output. A Unicode line separator inside a text ends no line."""
    lines = [
        json.dumps(patient(name=[{"text": "A\u2028B"}]), ensure_ascii=False), "", "{broken",
        json.dumps(observation(**WEIGHT)), json.dumps(bundle(entry(patient(id="q")))), "5",
    ]  # fmt: skip
    readings = read_all("\r\n".join(lines))
    assert [r.resource for r in readings] == ["Patient/p", "", "Observation/o", "Patient/q", ""]
    assert [r.rejections[0].path for r in readings if not r.resource] == ["line 3", ""]


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-8"])
def test_a_byte_order_mark_is_no_obstacle(encoding: str) -> None:
    """fhir-candle's stored fixtures begin with one."""
    assert read_one(json.dumps(patient()).encode(encoding)).resource == "Patient/p"


def test_a_name_in_another_encoding_costs_the_name_only() -> None:
    body = json.dumps(patient(name=[{"family": "Müller"}]), ensure_ascii=False).encode("latin-1")
    reading = read_one(body)
    assert said(reading, "born") and said(reading, "name") == [{"text": "M\ufffdller"}]


@pytest.mark.parametrize("body", [b"", b"  \n", b"\xef\xbb\xbf"])
def test_an_empty_body_says_nothing(body: bytes) -> None:
    assert read_all(body) == []


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"<Patient/>", "is not JSON"),
        (b'{"resourceType": "Patient", "id"', "is not JSON"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"a":' * 100_000, "nested too deeply"),
        (b"[1, 2]", "should be a resource"),
        (b"null", "should be a resource"),
        (b"{}", "no FHIR resource"),
        (b'{"resourceType": "Pa tient"}', "no FHIR resource"),
        (b'{"resourceType": "Patient", "resourceType": "Observation"}', "no FHIR resource"),
        (b'{"resourceType": "Bundle", "entry": {}}', "should be a list"),
        (gzip.compress(b"{}", mtime=0), "is not JSON"),
        (b"\x00\x01\x02\x03", "is not JSON"),
    ],
)
def test_what_is_no_resource_gives_one_rejection(body: bytes, words: str) -> None:
    reading = read_one(body)
    assert words in reading.rejections[0].reason
    assert reading.resource == "" and reading.version.updated == RECEIVED


SUBJECTS = [
    # subject, patient, source
    ({"reference": "Patient/p"}, "p", "R4 relative"),
    ({"reference": "https://x.example/fhir/Patient/p"}, "p", "R4 absolute"),
    ({"reference": "https://x.example/fhir/Patient/p/_history/3"}, "p", "R4 versioned"),
    ({"reference": "Patient/p/_history/3"}, "p", "R4 versioned, relative"),
    ({"reference": "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"}, "p", "R4 Bundle: by fullUrl"),
    ({"reference": "https://x.example/other/alias"}, "p", "R4 Bundle: by fullUrl"),
    ({"identifier": {"system": "https://x.example/mrn", "value": "77"}}, "https://x.example/mrn|77", "R4 logical"),
    ({"type": "Patient", "identifier": {"value": "77"}}, "|77", "R4 logical, no system"),
    ({"reference": "Patient?identifier=https://x.example/mrn|77"}, "https://x.example/mrn|77", "R4 conditional"),
    ({"reference": "Patient?identifier=https%3A%2F%2Fx.example%2Fmrn%7C77"}, "https://x.example/mrn|77", "encoded"),
]


@pytest.mark.parametrize(("subject", "expected", "source"), SUBJECTS, ids=[row[2] for row in SUBJECTS])
def test_whom_a_value_is_about(subject: dict[str, Any], expected: str, source: str) -> None:
    body = bundle(
        entry(patient(), fullUrl="urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"),
        entry(patient(), fullUrl="https://x.example/other/alias"),
        entry(observation(**{**WEIGHT, "subject": subject})),
    )
    assert only(read_all(body)[2]).patient == expected


WRONG = [
    (None, "Observation.subject", "wrong subject"),
    ({"reference": "Group/twins"}, "Observation.subject.reference", "wrong subject"),
    ({"reference": "Device/scale"}, "Observation.subject.reference", "wrong subject"),
    ({"reference": "https://x.example/fhir/Location/bed"}, "Observation.subject.reference", "wrong subject"),
    ({"type": "Group", "identifier": {"value": "1"}}, "Observation.subject.type", "wrong subject"),
    ({"reference": "#newborn"}, "Observation.subject.reference", "inside this resource"),  # R4 example: Apgar
    ({"reference": "urn:uuid:00000000-0000-0000-0000-000000000000"}, "Observation.subject.reference", "not among"),
    ({"reference": "Patient/"}, "Observation.subject.reference", "does not name a Patient"),
    ({"reference": "Patient/a b"}, "Observation.subject.reference", "does not name a Patient"),
    ({"reference": "Patient/" + "x" * 500}, "Observation.subject.reference", "does not name a Patient"),
    ({"reference": "Patient/\ud800"}, "Observation.subject.reference", "does not name a Patient"),
    ({"reference": 5}, "Observation.subject.reference", "should be text"),
    ({"display": "Baby Quill"}, "Observation.subject", "names nobody"),
    ("Patient/p", "Observation.subject", "should be an object"),
]


@pytest.mark.parametrize(("subject", "path", "words"), WRONG)
def test_a_value_about_nobody_is_rejected(subject: Any, path: str, words: str) -> None:
    reading = read_one(observation(**{**WEIGHT, "subject": subject}))
    (rejection,) = reading.rejections
    assert (rejection.path, rejection.patient, rejection.about) == (path, "", "birth_weight")
    assert words in rejection.reason
    assert reading.facts == ()


def test_a_value_about_the_mother_that_names_the_infant_is_the_infants() -> None:
    """R4 Observation.focus: what the observation is about when that is not the subject."""
    mother = {"subject": {"reference": "Patient/mother"}}
    focused = observation("11884-4", **mother, focus=[{"reference": "Patient/infant"}], valueString="28+3")
    assert only(read_one(focused)).patient == "infant"
    device = observation("11884-4", **mother, focus=[{"reference": "Device/scan"}], valueString="28+3")
    assert only(read_one(device)).patient == "mother"
    twins = [{"reference": "Patient/a"}, {"reference": "Patient/b"}]
    reading = read_one(observation("11884-4", **mother, focus=twins, valueString="28+3"))
    assert [r.path for r in reading.rejections] == ["Observation.focus"]


IDS = [
    # entry besides the resource, resource named, source
    ({"fullUrl": "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"}, "Patient/61ebe359-bfdc-4613-8bf2-c5e300945f0a",
     "R4 transaction example: POST"),
    ({"request": {"method": "PUT", "url": "Patient/123"}}, "Patient/123", "R4 transaction example: PUT"),
    ({"response": {"status": "201", "location": "Patient/12423/_history/1"}, "fullUrl": "urn:uuid:1"}, "Patient/12423",
     "R4 response example: where the server put it"),
    ({"fullUrl": "https://x.example/fhir/Patient/9"}, "Patient/9", "R4 searchset example"),
]  # fmt: skip


@pytest.mark.parametrize(("more", "name", "source"), IDS, ids=[row[2] for row in IDS])
def test_a_resource_without_id_takes_the_one_of_its_entry(more: dict[str, Any], name: str, source: str) -> None:
    nameless = {key: value for key, value in patient().items() if key != "id"}
    reading = read_one(bundle(entry(nameless, **more)))
    assert reading.resource == name
    assert {fact.patient for fact in reading.facts} == {name.partition("/")[2]}


def test_a_nameless_patient_and_its_weight_in_a_transaction_meet() -> None:
    """R4 transaction: references by urn:uuid to entries that have no id yet."""
    url = "urn:uuid:61ebe359-bfdc-4613-8bf2-c5e300945f0a"
    nameless = {key: value for key, value in patient().items() if key != "id"}
    weight = observation(**{**WEIGHT, "subject": {"reference": url}})
    readings = read_all(bundle(entry(nameless, fullUrl=url), entry(weight), type="transaction"))
    assert {fact.patient for reading in readings for fact in reading.facts} == {url.removeprefix("urn:uuid:")}


def test_an_observation_without_id_counts_under_a_name_made_of_its_content() -> None:
    nameless = {key: value for key, value in observation(**WEIGHT).items() if key != "id"}
    one, again = read_one(nameless), read_one(nameless)
    other = read_one({**nameless, "valueQuantity": {"value": 790, "code": "g"}})
    assert said(one, "birth_weight") == [{"grams": 780}]
    assert one == again and one.resource != other.resource


def test_a_deletion_is_a_reading_that_says_nothing() -> None:
    """R4 history bundle: an entry with request.method DELETE and no resource."""
    gone = {"request": {"method": "DELETE", "url": "Observation/o"},
            "response": {"status": "204", "etag": 'W/"3"', "lastModified": "2031-05-03T08:00:00Z"}}  # fmt: skip
    reading = read_one(bundle(gone, type="history"))
    assert (reading.resource, reading.facts, reading.rejections) == ("Observation/o", (), ())
    assert (reading.version.number, reading.version.updated) == (3, "2031-05-03T08:00:00.000000Z")
    by_url = read_one(bundle({"request": {"method": "DELETE"}, "fullUrl": "https://x.example/fhir/Patient/p"}))
    assert by_url.resource == "Patient/p"


@pytest.mark.parametrize("url", ["Patient?identifier=1", "Patient", "", 5, None])
def test_a_deletion_of_nobody_knows_what_is_rejected(url: Any) -> None:
    """R4 transaction example: conditional delete."""
    reading = read_one(bundle({"request": {"method": "DELETE", "url": url}}))
    assert "does not say which" in reading.rejections[0].reason


def test_the_versions_of_a_history_are_one_reading_each() -> None:
    versions = [entry(observation(meta={"versionId": str(n)}, **WEIGHT)) for n in (3, 2, 1)]
    assert [reading.version.number for reading in read_all(bundle(*versions, type="history"))] == [3, 2, 1]


VERSIONS = [
    # meta, number, updated, source
    ({"versionId": "12", "lastUpdated": "2031-05-01T03:12:00.123Z"}, 12, "2031-05-01T03:12:00.123000Z", "R4 meta"),
    ({"lastUpdated": "2020-05-29T11:44:13.1882432-05:00"}, None, "2020-05-29T16:44:13.188243Z", "backport: 7 digits"),
    ({"versionId": "MTY4", "lastUpdated": "2031-05-01T03:12Z"}, None, "2031-05-01T03:12:00.000000Z", "minutes only"),
    ({}, None, RECEIVED, "none"),
    ({"versionId": "9" * 30, "lastUpdated": "soon"}, None, RECEIVED, "nonsense"),
    ({"versionId": 3, "lastUpdated": 5}, None, RECEIVED, "wrong types"),
    ("1", None, RECEIVED, "wrong type"),
]


@pytest.mark.parametrize(("meta", "number", "updated", "source"), VERSIONS, ids=[row[3] for row in VERSIONS])
def test_versions(meta: Any, number: int | None, updated: str, source: str) -> None:
    version = read_one(patient(meta=meta)).version
    assert (version.number, version.updated) == (number, updated)


def test_a_label_names_a_version() -> None:
    """The same version gives the same label; another content another, even where a server counts no versions."""
    one = read_one(patient(meta={"versionId": "1"}, text={"div": "a"})).version
    assert one.label.startswith("1-")
    assert one == read_one(patient(meta={"versionId": "1"}, text={"div": "b"})).version
    assert one.label != read_one(patient(meta={"versionId": "1"}, gender="male")).version.label
    plain = read_one(patient()).version
    assert plain == read_one(patient()).version and len(plain.label) == 64


@pytest.mark.parametrize(("severity", "rejected"), [("information", 0), ("warning", 0), ("error", 1), ("fatal", 1)])
def test_a_servers_complaint_inside_a_result_is_kept_when_it_is_an_error(severity: str, rejected: int) -> None:
    """R4 example bundle-search-warning; Oracle reports dropped resources this way."""
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": severity, "details": {"text": "2 dropped"}}]}
    body = bundle(entry(outcome, search={"mode": "outcome"}), entry(patient()), type="searchset")
    readings = read_all(body)
    assert len(readings[0].rejections) == rejected
    assert said(readings[1], "born")


def test_a_bundle_inside_a_bundle_is_read() -> None:
    """R4 response example: a batch answers a search with a searchset."""
    readings = read_all(bundle(entry(bundle(entry(observation(**WEIGHT)), type="searchset")), type="batch-response"))
    assert [said(reading, "birth_weight") for reading in readings] == [[{"grams": 780}]]


def test_types_that_are_not_read_are_named_and_silent() -> None:
    """A notification: the status says nothing of an infant (HL7 subscriptions backport)."""
    status = {"resourceType": "Parameters", "id": "s", "parameter": [{"name": "type", "valueCode": "handshake"}]}
    id_only = {"fullUrl": "https://x.example/fhir/Encounter/1", "request": {"method": "POST", "url": "Encounter"}}
    readings = read_all(bundle(entry(status), id_only, type="history"))
    assert [(r.resource, r.facts, r.rejections) for r in readings] == [("Parameters/s", (), ())]


def test_a_key_given_twice_is_refused_where_it_matters_only() -> None:
    """JSON leaves open which counts (RFC 8259, section 4)."""
    twice = '{"resourceType":"Patient","id":"p","birthDate":"2031-05-01","birthDate":"2031-05-02","photo":1,"photo":2}'
    reading = read_one(twice)
    assert [(r.path, r.about) for r in reading.rejections] == [("Patient.birthDate", "born")]
    same = '{"resourceType":"Patient","id":"p","birthDate":"2031-05-01","birthDate":"2031-05-01"}'
    assert said(read_one(same), "born") == [{"low": "2031-05-01", "high": "2031-05-01"}]


def test_every_code_system_spelling_meets_the_same_code() -> None:
    coded = observation(system=f"{LOINC}|2.72", **WEIGHT)
    assert only(read_one(coded, site())).name == "birth_weight"
