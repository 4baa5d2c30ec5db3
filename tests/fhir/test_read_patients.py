"""What a Patient says: dates of birth, fetuses, merges, numbers, names.

Sources: R4 Patient (http://hl7.org/fhir/R4/patient.html), the patient-birthTime and data-absent-reason extensions, HL7
BFDR and Vital Records common library (github.com/HL7/fhir-bfdr), and the R4 example newborns.
"""

from __future__ import annotations

from typing import Any

import pytest
from reading import patient, read_one, said, site

BIRTH_TIME = "http://hl7.org/fhir/StructureDefinition/patient-birthTime"
ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
FETAL = "http://hl7.org/fhir/us/vr-common-library/StructureDefinition/Extension-patient-fetal-death-vr"
MRN = "https://here.example/mrn"


def timed(text: str) -> dict[str, Any]:
    return {"extension": [{"url": BIRTH_TIME, "valueDateTime": text}]}


def days(low: str, high: str | None = None) -> dict[str, str]:
    return {"low": low, "high": high or low}


BIRTHS = [
    # fields, born facts, source
    ({"birthDate": "2031-05-01"}, [days("2031-05-01")], "R4 date"),
    ({"birthDate": "2031-05"}, [days("2031-05-01", "2031-05-31")], "R4: year and month"),
    ({"birthDate": "2031-12"}, [days("2031-12-01", "2031-12-31")], "R4: December"),
    ({"birthDate": "2028-02"}, [days("2028-02-01", "2028-02-29")], "R4: a leap February"),
    ({"birthDate": "1986"}, [days("1986-01-01", "1986-12-31")], "BFDR: '1986'"),
    ({"birthDate": "2017-09-05", "_birthDate": timed("2017-05-09T17:11:00+01:00")},
     [days("2017-09-05"), days("2017-05-09")], "R4 example newborn: birthTime disagrees, both stay"),
    ({"birthDate": "2017-05-15", "_birthDate": timed("2017-05-15T17:11:00+01:00")}, [days("2017-05-15")],
     "R4 example twin 1"),
    ({"birthDate": "2031-05-01", "_birthDate": timed("2031-05-01T23:30:00-07:00")}, [days("2031-05-01")],
     "BFDR: the day in its own offset, which is the next day in Oslo and in UTC"),
    ({"birthDate": "2031-05-02", "_birthDate": timed("2031-05-01T23:30:00Z")}, [days("2031-05-02")],
     "a server that rewrote the time in UTC: it was 01:30 at the site (common practice)"),
    ({"birthDate": "2031-05", "_birthDate": timed("2031-05-15T01:00:00+02:00")},
     [days("2031-05-01", "2031-05-31")], "a month, and a time within it"),
    ({"birthDate": None, "_birthDate": timed("2031-05-01T03:12:00+02:00")}, [days("2031-05-01")], "birthTime alone"),
    ({"birthDate": None, "_birthDate": timed("2031-05-01T23:30:00Z")}, [days("2031-05-01", "2031-05-02")],
     "birthTime alone in UTC: either of two days"),
    ({"birthDate": "1970-06-01T09:12"}, [days("1970-06-01")], "HL7/v2-to-fhir sample: a birthDate with a time"),
    ({"birthDate": "1970-06-01", "extension": [{"url": BIRTH_TIME,
      "valueDateTime": "1970-06-01T09:12:00.000+Coordinated Universal Time"}]}, [days("1970-06-01")],
     "HL7/v2-to-fhir sample: birthTime on the Patient, zone in words"),
    ({"birthDate": "2031-05-01", "_birthDate": timed("some time")}, [days("2031-05-01")], "an odd birthTime"),
    ({"birthDate": " 2031-05-01 "}, [days("2031-05-01")], "blanks around it"),
]  # fmt: skip


@pytest.mark.parametrize(("fields", "born", "source"), BIRTHS, ids=[row[2] for row in BIRTHS])
def test_date_of_birth(fields: dict[str, Any], born: list[dict[str, str]], source: str) -> None:
    reading = read_one(patient(**fields), site("Europe/Oslo"))
    assert said(reading, "born") == born
    assert reading.rejections == ()


@pytest.mark.parametrize("text", ["01.05.2031", "2031-02-30", "2031-13-01", "31-05-01", "20310501", "0001-01-01"])
def test_a_date_nobody_can_read_is_rejected_and_marks_the_infant(text: str) -> None:
    """R4 date: YYYY, YYYY-MM or YYYY-MM-DD; day or month first is not guessed."""
    reading = read_one(patient(birthDate=text, gender="female"))
    assert [(r.path, r.about, r.patient) for r in reading.rejections] == [("Patient.birthDate", "born", "p")]
    assert said(reading, "unreadable")[0]["of"] == "born"
    assert said(reading, "sex") == [{"code": "female"}]


def test_a_birth_date_absent_on_purpose_is_missing() -> None:
    reading = read_one(patient(birthDate=None, _birthDate={"extension": [{"url": ABSENT, "valueCode": "unknown"}]}))
    assert (reading.facts, reading.rejections) == ((), ())


def test_no_birth_date_may_be_a_fetus_and_is_shown_without_marking_anybody() -> None:
    """R4 example Patient/infant-fetal has no birthDate at all."""
    reading = read_one(patient(birthDate=None, gender="male"))
    (rejection,) = reading.rejections
    assert (rejection.path, rejection.about, rejection.patient) == ("Patient.birthDate", "born", "p")
    assert "fetus" in rejection.reason
    assert [fact.name for fact in reading.facts] == ["sex"]


@pytest.mark.parametrize(
    "mark",
    [
        {"meta": {"profile": ["http://hl7.org/fhir/us/bfdr/StructureDefinition/Patient-decedent-fetus"]}},
        {"meta": {"profile": ["http://hl7.org/fhir/us/bfdr/StructureDefinition/Patient-decedent-fetus|2.0.0"]}},
        {"deceasedBoolean": True, "_deceasedBoolean": {"extension": [{"url": FETAL, "valueBoolean": True}]}},
        {"extension": [{"url": FETAL, "valueBoolean": True}]},
    ],
    ids=["profile", "profile with version", "on deceased", "on the patient"],
)
def test_a_record_of_a_fetus_says_so(mark: dict[str, Any]) -> None:
    """BFDR decedent fetus: never enrolled."""
    reading = read_one(patient(**mark))
    assert said(reading, "fetal") == [{}]
    assert read_one(patient(birthDate=None, **mark)).rejections == ()


def test_an_infant_whose_fetal_mark_is_false_is_no_fetus() -> None:
    assert said(read_one(patient(extension=[{"url": FETAL, "valueBoolean": False}])), "fetal") == []


@pytest.mark.parametrize(
    ("fields", "name", "values"),
    [
        ({"gender": "female"}, "sex", [{"code": "female"}]),
        ({"gender": "Male"}, "sex", [{"code": "male"}]),
        ({"multipleBirthInteger": 2}, "multiple", [{"order": 2}]),  # R4: birth order
        ({"multipleBirthBoolean": True}, "multiple", [{"order": None}]),
        ({"multipleBirthBoolean": False}, "multiple", []),
        ({"deceasedBoolean": True}, "deceased", [{"on": None}]),
        ({"deceasedBoolean": False}, "deceased", []),  # R4 example twins; absence says nothing either
        ({"deceasedDateTime": "2031-05-09"}, "deceased", [{"on": "2031-05-09"}]),
        ({"deceasedDateTime": "2031-05-09T23:30:00Z"}, "deceased", [{"on": "2031-05-10"}]),  # 01:30 in Oslo
        ({"deceasedDateTime": "2031-05"}, "deceased", [{"on": None}]),
        ({"name": [{"family": "Quill", "given": ["Baby", "A"]}]}, "name", [{"text": "Baby A Quill"}]),
        ({"name": [{"use": "usual", "text": "Pip"}, {"use": "official", "text": "Q"}]}, "name", [{"text": "Q"}]),
        ({"name": [{"use": "maiden", "text": "Old"}, {"use": "old", "text": "Older"}]}, "name", []),
        ({"name": [{"text": "A\x00B\ud800C\n D"}]}, "name", [{"text": "A\ufffdB\ufffdC D"}]),
    ],
)
def test_what_else_a_patient_says(fields: dict[str, Any], name: str, values: list[dict[str, Any]]) -> None:
    assert said(read_one(patient(**fields), site("Europe/Oslo")), name) == values


@pytest.mark.parametrize(
    ("fields", "path", "about"),
    [
        ({"gender": "F"}, "Patient.gender", "sex"),
        ({"gender": 1}, "Patient.gender", "sex"),
        ({"multipleBirthInteger": 0}, "Patient.multipleBirthInteger", "multiple"),
        ({"multipleBirthInteger": 1.5}, "Patient.multipleBirthInteger", "multiple"),
        ({"multipleBirthBoolean": "yes"}, "Patient.multipleBirthBoolean", "multiple"),
        ({"deceasedBoolean": "false"}, "Patient.deceasedBoolean", "deceased"),
        ({"deceasedDateTime": "last week"}, "Patient.deceasedDateTime", "deceased"),
        ({"identifier": {"value": "1"}}, "Patient.identifier", "identifier"),
        ({"name": "Quill"}, "Patient.name", "name"),
        ({"name": [{"text": 7}]}, "Patient.name[0].text", "name"),
        ({"link": [{"type": "replaced-by"}]}, "Patient.link[0].other", "replaced_by"),
    ],
)
def test_one_odd_part_never_costs_the_birth_date(fields: dict[str, Any], path: str, about: str) -> None:
    reading = read_one(patient(**fields))
    assert [(r.path, r.about, r.patient) for r in reading.rejections] == [(path, about, "p")]
    assert said(reading, "born") == [days("2031-05-01")]
    assert [value["of"] for value in said(reading, "unreadable")] == [about]


NUMBERS = [
    {"system": "https://nation.example/id", "value": "N1"},
    {"type": {"coding": [{"code": "MR"}]}, "system": MRN, "value": "M1"},
    {"use": "usual", "system": "https://unit.example/band", "value": "B1"},
    {"use": "old", "system": MRN, "value": "M0"},
]


@pytest.mark.parametrize(
    ("shown", "numbers", "first"),
    [(MRN, NUMBERS, "M1"), (None, NUMBERS, "B1"), (None, NUMBERS[:2], "M1"), (None, NUMBERS[:1], "N1"),
     ("https://none.example", NUMBERS, "B1")],
    ids=["the site's system", "usual", "medical record number", "any", "the site's system is not there"],
)  # fmt: skip
def test_one_number_is_shown_and_the_rest_kept(shown: str | None, numbers: list[Any], first: str) -> None:
    """R4 Identifier.use and type; which one people read aloud is the site's choice."""
    here = site(identifiers={"shown": shown}) if shown else site()
    facts = [fact for fact in read_one(patient(identifier=numbers), here).facts if fact.name == "identifier"]
    assert [fact.value["value"] for fact in facts if fact.rank == 1] == [first]
    assert {fact.value["value"] for fact in facts} == {n["value"] for n in numbers if n.get("use") != "old"}


def link(type: str, reference: Any) -> dict[str, Any]:
    return {"link": [{"type": type, "other": reference}]}


MERGES = [
    (link("replaced-by", {"reference": "Patient/winner"}), ("p", "winner")),
    (link("replaces", {"reference": "Patient/loser"}), ("loser", "p")),
    (link("replaced-by", {"reference": "https://x.example/fhir/Patient/winner/_history/3"}), ("p", "winner")),
    (link("replaces", {"identifier": {"system": MRN, "value": "M9"}}), (f"{MRN}|M9", "p")),
    (link("seealso", {"reference": "Patient/other"}), None),  # R4 example pat1, pat2: not a merge
    (link("refer", {"reference": "Patient/other"}), None),
    ({"active": False}, None),
]


@pytest.mark.parametrize(("fields", "merged"), MERGES)
def test_merges_name_the_loser_and_the_winner(fields: dict[str, Any], merged: tuple[str, str] | None) -> None:
    """R4 link-type: replaced-by "must no longer be used"; links need not be mutual."""
    reading = read_one(patient(**fields))
    found = [(fact.patient, fact.value["patient"]) for fact in reading.facts if fact.name == "replaced_by"]
    assert found == ([merged] if merged else [])
    assert reading.rejections == ()


def test_a_replaced_record_needs_no_birth_date() -> None:
    links = [
        *link("replaced-by", {"reference": "Patient/winner"})["link"],
        *link("replaces", {"reference": "Patient/loser"})["link"],
    ]
    reading = read_one(patient(birthDate=None, link=links))
    assert reading.rejections == ()
    assert len(said(reading, "replaced_by")) == 2


@pytest.mark.parametrize("other", [{"reference": "RelatedPerson/mother"}, {"reference": "Patient/p"}, {"display": "?"}])
def test_a_merge_into_nobody_is_rejected(other: dict[str, Any]) -> None:
    reading = read_one(patient(**link("replaced-by", other)))
    assert [r.about for r in reading.rejections] == ["replaced_by"]
    assert said(reading, "replaced_by") == []


def test_a_patient_without_id_is_nobody() -> None:
    reading = read_one({"resourceType": "Patient", "birthDate": "2031-05-01"})
    assert reading.facts == ()
    assert [r.path for r in reading.rejections] == ["Patient.id"]


def test_a_modifier_is_shown_but_never_hides_an_infant() -> None:
    reading = read_one(patient(modifierExtension=[{"url": "https://x.example/m"}]))
    assert [r.path for r in reading.rejections] == ["Patient.modifierExtension[0]"]
    assert said(reading, "born") == [days("2031-05-01")]
