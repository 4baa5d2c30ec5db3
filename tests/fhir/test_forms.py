"""The published forms and the CodeSystem: made from the words of the core, and valid for judges written by others."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import fhirkit
import fhirpathpy
import pytest
from pyfhircheck.config import ValidatorConfig
from pyfhircheck.core.engine import Validator
from pyfhircheck.models import Severity

from service.core.course import CLOSINGS
from service.core.findings import EYE_KEYS, KINDS, PLUS, REGRESSIONS, SIDES, STAGES, VIEWS, ZONES, parse_eye
from service.errors import NotUnderstood
from service.fhir import forms, terms
from service.fhir.forms import FORMS, fill

PUBLISHED = {resource["id"]: resource for resource in forms.questionnaires()}
CODES = forms.code_system()
JUDGE = Validator(ValidatorConfig())
_ITEM_TEXT = re.compile(r"Unknown element Questionnaire(Response)?\.item\[\d+\]\.text")
NOON = datetime(2031, 6, 9, 12, tzinfo=UTC)

INVARIANTS = {
    # As published in http://hl7.org/fhir/R4/questionnaire.html and http://hl7.org/fhir/R4/codesystem.html.
    "Questionnaire": {"que-2": "descendants().linkId.isDistinct()"},
    "CodeSystem": {"csd-1": "concept.code.combine($this.descendants().concept.code).isDistinct()"},
}
ITEM_INVARIANTS = {
    # From the same page, which asks them of every item; que-1 without the tracing of its published form.
    "que-1": "(type='group' and item.empty().not()) or (type='display' and item.empty()) or "
    "(type!='group' and type!='display')",
    "que-4": "answerOption.empty() or answerValueSet.empty()",
    "que-5": "(type ='choice' or type = 'open-choice' or type = 'decimal' or type = 'integer' or type = 'date' or "
    "type = 'dateTime' or type = 'time' or type = 'string' or type = 'quantity') or (answerValueSet.empty() and "
    "answerOption.empty())",
    "que-9": "type!='display' or readOnly.empty()",
}


def items(resource: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every item of a Questionnaire or a response, outer before inner."""
    for item in resource.get("item", []):
        yield item
        yield from items(item)


def errors(resource: dict[str, Any]) -> list[str]:
    """What two validators and the specification's own invariants find wrong. pyfhircheck holds answers against their
    form; it does not know Questionnaire.item.text, which http://hl7.org/fhir/R4/questionnaire.html has."""
    beside = [PUBLISHED[form.id] for form in FORMS.values() if resource.get("questionnaire") == form.canonical]
    named = [{"fullUrl": resource["questionnaire"], "resource": form} for form in beside]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [*named, {"resource": resource}]}
    report = JUDGE.validate_resource(copy.deepcopy(bundle))
    found = [
        f"{issue.code} {issue.message}"
        for issue in report.issues
        if issue.severity is Severity.ERROR and not _ITEM_TEXT.fullmatch(issue.message)
    ]
    found += [str(issue) for issue in fhirkit.validate(resource)]
    for name, expression in INVARIANTS.get(resource["resourceType"], {}).items():
        if fhirpathpy.evaluate(resource, expression) not in ([True], []):
            found.append(name)
    return found


@pytest.mark.parametrize("form", PUBLISHED)
def test_every_form_is_valid_r4(form: str) -> None:
    assert errors(PUBLISHED[form]) == []
    for item in items(PUBLISHED[form]):
        for name, expression in ITEM_INVARIANTS.items():
            assert fhirpathpy.evaluate(item, expression) == [True], (name, item["linkId"])


def test_the_code_system_is_valid_r4() -> None:
    assert errors(CODES) == []
    assert CODES["url"] == "https://ridgeline.invalid/fhir/CodeSystem/rop-finding"
    assert CODES["count"] == len(CODES["concept"]) == len({concept["code"] for concept in CODES["concept"]})


def test_the_judges_see_what_is_broken() -> None:
    """A judge that accepts everything would prove nothing above."""
    form = PUBLISHED["treatment"]
    doubled = {**form, "item": [*form["item"], form["item"][0]]}
    assert errors(doubled) == ["que-2"]
    assert errors({**form, "status": "published"})
    assert errors({**CODES, "content": "all"})
    assert errors({**CODES, "concept": [{"display": "without a code"}]})
    answered = filled("treatment", FULL["treatment"])
    assert errors({**answered, "item": answered["item"][1:]}), "a required answer is missing"
    assert errors({**answered, "item": [*answered["item"], {"linkId": "colour", "answer": [{"valueString": "red"}]}]})
    assert errors({**answered, "item": [{**answered["item"][0], "answer": [{"valueString": "today"}]}]})


# --- the core's own words ------------------------------------------------------------------------------------------


def offered(form: str, link: str) -> tuple[str, ...]:
    """The words that a question offers, as the core would read them."""
    item = next(item for item in items(PUBLISHED[form]) if item["linkId"] == link)
    codes = [option["valueCoding"]["code"] for option in item["answerOption"]]
    assert all(option["valueCoding"]["system"] == terms.SYSTEM for option in item["answerOption"])
    return tuple(terms.MEANINGS[code][1] for code in codes)


@pytest.mark.parametrize("side", SIDES)
def test_each_eye_is_asked_for_exactly_what_the_core_reads(side: str) -> None:
    (group,) = [item for item in PUBLISHED["eye-exam"]["item"] if item["linkId"] == side]
    assert [item["linkId"] for item in group["item"]] == [f"{side}.{key}" for key in EYE_KEYS]
    assert offered("eye-exam", f"{side}.view") == VIEWS
    assert offered("eye-exam", f"{side}.stage") == STAGES
    assert offered("eye-exam", f"{side}.plus") == PLUS
    assert offered("eye-exam", f"{side}.regression") == REGRESSIONS
    assert offered("eye-exam", f"{side}.vascularization") == tuple(ZONES)
    assert offered("eye-exam", f"{side}.zone") == ("I", "II", "III"), "posterior zone II is asked beside zone II"


@pytest.mark.parametrize("key", EYE_KEYS)
def test_what_a_form_takes_of_an_eye_the_core_takes_too(key: str) -> None:
    samples = {
        "choice": terms.WORDS.get(key, ()), "boolean": (True, False), "integer": (1, 12), "decimal": (0.0, 20.0),
        "string": ("temporal",),
    }[terms.EYE_TYPES[key]]  # fmt: skip
    beside = {"posterior": {"zone": "II"}, "near_zone_i": {"zone": "posterior II"}, "notch": {"zone": "I"}}
    for value in ("2, 3, 12",) if key == "clock_positions" else samples:
        share = terms.share(key, value)
        view = {} if key == "view" else {"view": "adequate"}
        stage = {"stage": "1"} if key.startswith("clock") else {}
        parse_eye({**view, **stage, **beside.get(key, {}), **share}, "eye")


def test_the_other_lists_are_the_core_s_too() -> None:
    assert offered("treatment", "eyes") == ("right", "left", "both")
    assert offered("treatment", "kind") == KINDS
    assert offered("closing", "why") == tuple(CLOSINGS)
    assert offered("treatment", "agent") == ("ranibizumab", "bevacizumab", "aflibercept", "conbercept")


def test_every_code_says_what_it_means_and_the_classification_is_named() -> None:
    assert all(concept["display"] and concept["definition"].endswith(".") for concept in CODES["concept"])
    cited = [concept["code"] for concept in CODES["concept"] if "Ophthalmology 2021;128:e51" in concept["definition"]]
    assert {"eye-zone", "eye-stage", "eye-plus", "eye-aggressive", "stage-4A", "zone-I", "regression-complete"} <= {
        *cited
    }


def test_only_what_is_needed_is_required() -> None:
    required = {
        form: [item["linkId"] for item in items(resource) if item.get("required")]
        for form, resource in PUBLISHED.items()
    }
    assert required == {
        "eye-exam": ["on"],
        "treatment": ["on", "eyes", "kind"],
        "closing": ["on", "by", "why", "reopening.on", "reopening.by", "reopening.why"],
        "deferral": ["on", "until", "reason", "ophthalmologist", "neonatologist"],
        "hand-over": ["on", "to", "place", "date", "by"],
        "booking": ["on", "date", "by"],
        "long-term": ["on", "by", "where"],
        "bedside": ["on", "by"],
        "newborn": [],
    }


# --- filled in -----------------------------------------------------------------------------------------------------


def filled(form: str, value: dict[str, Any], **more: Any) -> dict[str, Any]:
    given = {"id": "r-1", "version": 1, "patient": "p", "author": "Dr Reed", "authored": NOON, **more}
    return fill(form, value, **given)


FULL: dict[str, dict[str, Any]] = {
    "eye-exam": {
        "on": "2031-06-09", "at": "09:30", "examiner": "Dr Reed", "method": "indirect ophthalmoscopy",
        "adverse_events": "apnoea",
        "right": {
            "view": "adequate", "zone": "II", "posterior": True, "near_zone_i": True, "vascularization": "II",
            "stage": "3", "plus": "pre-plus", "aggressive": True, "regression": "none", "reactivation": True,
            "notch": True, "clock_hours": 4, "clock_positions": "1, 2, 3, 12", "nasal_at_ora": False,
            "avascular_site": "temporal", "avascular_extent": 2.5, "note": "hazy media",
        },
        "left": {"view": "none"},
    },
    "treatment": {"on": "2031-06-09", "eyes": "both", "kind": "injection", "agent": "ranibizumab"},
    "closing": {"on": "2031-06-09", "by": "Dr Reed", "why": "taken-over", "note": "n", "basis": "0123"},
    "deferral": {
        "on": "2031-06-09", "until": "2031-06-12", "reason": "unstable", "ophthalmologist": "Dr Reed",
        "neonatologist": "Dr Marsh",
    },
    "hand-over": {
        "on": "2031-06-09", "to": "Fenwick", "place": "eye clinic", "date": "2031-06-16", "by": "Dr Reed",
        "parents_told": False,
    },
    "booking": {
        "on": "2031-06-09", "date": "2031-06-16", "time": "09:30:00", "place": "eye clinic", "examiner": "Dr Reed",
        "by": "Sister Lane",
    },
    "long-term": {"on": "2031-06-09", "by": "Dr Reed", "where": "Fenwick"},
    "bedside": {"on": "2031-06-09", "support": "CPAP", "leaves": "2031-06-20", "stays": False, "by": "Sister Lane"},
    "newborn": {"gestational_age_at_birth": "25w3d", "birth_weight": 780, "risk_flags": ["sepsis", "transfusion"]},
}  # fmt: skip


@pytest.mark.parametrize("form", FULL)
def test_every_form_filled_in_is_valid_r4_and_answers_only_what_was_asked(form: str) -> None:
    resource = filled(form, FULL[form])
    assert errors(resource) == []
    assert json.loads(json.dumps(resource)) == resource
    assert resource["questionnaire"] == f"https://ridgeline.invalid/fhir/Questionnaire/{form}|1"
    asked = {item["linkId"]: item for item in items(PUBLISHED[form])}
    answered = {item["linkId"]: item for item in items(resource)}
    left_out = {link for link in asked if link.startswith(("reopening", "left."))} - {"left.view"}
    assert answered.keys() == asked.keys() - left_out
    for link, item in answered.items():
        for answer in item.get("answer", []):
            kinds = {"choice": "valueCoding", "open-choice": "valueCoding"}
            (key,) = answer
            assert key == kinds.get(asked[link]["type"], f"value{asked[link]['type'].capitalize()}")
            if key == "valueCoding":
                assert {"valueCoding": answer[key]} in asked[link]["answerOption"]


def test_a_course_is_opened_again_by_the_last_group_alone() -> None:
    resource = filled("closing", {"reopening": {"on": "2031-06-09", "by": "Dr Reed", "why": "new disease"}}, version=2)
    assert [item["linkId"] for item in items(resource)] == [
        "reopening", "reopening.on", "reopening.by", "reopening.why",
    ]  # fmt: skip
    assert resource["meta"]["versionId"] == "2"
    asked = {item["linkId"]: item for item in items(PUBLISHED["closing"])}
    for link in ("on", "by", "why", "note", "basis"):
        assert asked[link]["enableWhen"] == [
            {"question": "reopening.on", "operator": "exists", "answerBoolean": False}
        ], "a required question that is not asked need not be answered"


def test_what_is_empty_is_not_an_answer() -> None:
    resource = filled("eye-exam", {"on": "2031-06-09", "at": "", "examiner": " ", "right": {"note": ""}, "left": None})
    assert [item["linkId"] for item in items(resource)] == ["on"]
    assert "item" not in filled("eye-exam", {}, status="entered-in-error")


def test_zone_and_stage_in_every_way_they_are_written() -> None:
    resource = filled("eye-exam", {"on": "2031-06-09", "right": {"zone": "posterior II", "stage": 2, "clock_hours": 3}})
    told = {item["linkId"]: item.get("answer", [{}])[0] for item in items(resource)}
    assert told["right.zone"]["valueCoding"]["code"] == "zone-II"
    assert told["right.posterior"] == {"valueBoolean": True}
    assert told["right.stage"]["valueCoding"]["code"] == "stage-2"
    assert told["right.clock_hours"] == {"valueInteger": 3}
    lower = filled("eye-exam", {"on": "2031-06-09", "right": {"stage": "4a", "avascular_extent": Decimal("2.50")}})
    told = {item["linkId"]: item.get("answer", [{}])[0] for item in items(lower)}
    assert told["right.stage"]["valueCoding"]["code"] == "stage-4A"
    assert told["right.avascular_extent"] == {"valueDecimal": 2.5}


def test_an_infant_may_be_known_by_a_number_alone() -> None:
    assert filled("long-term", FULL["long-term"], patient="https://x.example/mrn|47 11")["subject"] == {
        "type": "Patient",
        "identifier": {"system": "https://x.example/mrn", "value": "47 11"},
    }
    assert filled("long-term", FULL["long-term"])["subject"] == {"reference": "Patient/p"}


BAD = [
    ("exam", {}, {}, "'exam' is not one of our forms"),
    ("eye-exam", {"on": "2031-06-09", "right": {"colour": "red"}}, {}, "right.colour is not asked by this form (view"),
    ("eye-exam", {"on": "2031-06-09", "right": {"stage": "9 secret"}}, {}, "right.stage is one of 0, 1, 2, 3, 4A"),
    ("eye-exam", {"on": "2031-06-09", "right": "secret"}, {}, "right is a group of answers"),
    ("eye-exam", {"on": "secret"}, {}, "on takes a date such as 2031-06-01"),
    ("eye-exam", {"on": "2031-02-30"}, {}, "on takes a date such as 2031-06-01"),
    ("eye-exam", {"on": "2031-06-09", "at": "25:00"}, {}, "at takes a time of day such as 09:30"),
    ("eye-exam", {"right": {"aggressive": "secret"}}, {}, "right.aggressive takes true or false"),
    ("eye-exam", {"right": {"clock_hours": 2.5}}, {}, "right.clock_hours takes a whole number"),
    ("eye-exam", {"right": {"clock_hours": True}}, {}, "right.clock_hours takes a whole number"),
    ("eye-exam", {"right": {"avascular_extent": float("nan")}}, {}, "right.avascular_extent takes a number"),
    ("eye-exam", {"examiner": 5}, {}, "examiner takes a text"),
    ("treatment", {"kind": "secret"}, {}, "kind is one of laser, injection, surgery"),
    ("long-term", {}, {"id": "no id"}, "an id is up to 64 letters"),
    ("long-term", {}, {"status": "secret"}, "not an R4 code at QuestionnaireResponse.status"),
]


@pytest.mark.parametrize(("form", "value", "more", "words"), BAD, ids=[row[3] for row in BAD])
def test_what_is_no_answer_is_refused_in_words_without_repeating_it(
    form: str, value: dict[str, Any], more: dict[str, Any], words: str
) -> None:
    with pytest.raises(NotUnderstood) as caught:
        filled(form, value, **more)
    assert str(caught.value).startswith(words)
    assert "secret" not in str(caught.value)


def test_every_form_has_a_fact_of_its_own() -> None:
    assert {form.id: form.fact for form in FORMS.values()} == {
        "eye-exam": "exam", "treatment": "treatment", "closing": "closing", "deferral": "deferral",
        "hand-over": "hand_over", "booking": "booking", "long-term": "long_term", "bedside": "", "newborn": "",
    }  # fmt: skip
