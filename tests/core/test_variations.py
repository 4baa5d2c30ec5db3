"""Site variations of editions, the documents that are kept of both, and the digest by which a change is seen."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from core.invented import infant
from editions import assert_refused
from test_policies import numbers_moved, rule_moved, rules_changed

from service.core.case import Case, check_case, parse_case
from service.core.decision import decide
from service.core.policy import Policy, parse_policy
from service.errors import ConfigurationError
from service.policies import FOLDER, load_document, load_policies, parse_document, read_variation

HERE = Path(__file__).parent
VARIATIONS = HERE / "variations"
INVALID = sorted((HERE / "invalid_variations").glob("*.toml"))
ALL = load_policies(FOLDER, VARIATIONS)
VARIED = {id: policy for id, policy in ALL.items() if policy.extends}
EVERY = pytest.mark.parametrize("id", VARIED)
TODAY = date(2031, 7, 1)


def cases(policy: Policy) -> list[Case]:
    return [parse_case(example, f"{policy.id}: example[{n}]") for n, example in enumerate(policy.examples)]


# --- what a variation is ---------------------------------------------------------------------------------------------


def test_variations_stand_beside_the_editions_they_extend() -> None:
    assert set(VARIED) == {"harebell-aap", "harebell-canada", "harebell-india"}
    assert load_policies().keys() == ALL.keys() - VARIED.keys()
    for policy in VARIED.values():
        base = ALL[policy.extends]
        assert (policy.citation, policy.published) == (base.citation, base.published)
        assert policy.reason
        assert policy.approved_by
        assert policy.effective == date(2031, 7, 1)
        assert (base.extends, base.reason, base.approved_by, base.effective) == ("", "", "", None)
    assert load_policies(FOLDER, HERE / "nowhere").keys() == load_policies().keys()


@EVERY
def test_every_example_of_a_variation_holds_and_not_under_the_edition(id: str) -> None:
    policy = VARIED[id]
    assert cases(policy)
    assert [problem for case in cases(policy) for problem in check_case(case, policy, TODAY)] == []
    assert any(check_case(case, ALL[policy.extends], TODAY) for case in cases(policy))


def changed_numbers(policy: Policy) -> Iterator[tuple[str, Policy]]:
    """The variation with each number in the rules of its own moved by one."""
    base = ALL[policy.extends]
    for part in ("criteria", "first_exams"):
        rules, known = getattr(policy, part), getattr(base, part)
        for n, rule in enumerate(rules):
            for name, moved in numbers_moved(rule) if rule not in known else ():
                yield f"{rule.id} {name}", replace(policy, **{part: (*rules[:n], moved, *rules[n + 1 :])})
    for field in fields(policy.care):
        rules, known = getattr(policy.care, field.name), getattr(base.care, field.name)
        if isinstance(rules, tuple):
            for n, rule in enumerate(rules):
                for name, moved in rule_moved(rule) if rule not in known else ():
                    care = replace(policy.care, **{field.name: (*rules[:n], moved, *rules[n + 1 :])})
                    yield f"{rule.id} {name}", replace(policy, care=care)


@EVERY
def test_every_number_of_a_variation_is_pinned_by_its_examples(id: str) -> None:
    policy = VARIED[id]
    changes = list(changed_numbers(policy))
    assert len(changes) > 1
    loose = [name for name, other in changes if not any(check_case(case, other, TODAY) for case in cases(policy))]
    # That an exam of a day earlier does not count as the first look, and a zone of a row left as it is, are the
    # edition's to show.
    assert [name for name in loose if not name.startswith(("laser-first opens", "zone-iii-no-rop"))] == []


def test_a_rule_takes_the_place_of_the_one_of_its_id_and_all_else_stays() -> None:
    base, policy = ALL["canada-2016"], ALL["harebell-canada"]
    assert [rule.id for rule in policy.criteria] == [rule.id for rule in base.criteria]
    changed = [(ours, theirs) for ours, theirs in zip(policy.criteria, base.criteria, strict=True) if ours != theirs]
    assert [(ours.id, ours.limits[0].most, theirs.limits[0].most) for ours, theirs in changed] == [
        ("birth-weight", 1500, 1250)
    ]
    assert (policy.first_exams, policy.care, policy.risk_flags) == (base.first_exams, base.care, base.risk_flags)


def test_new_rules_come_last_and_a_first_exam_before_the_one_for_everyone_else() -> None:
    base, policy = ALL["aap-2018"], ALL["harebell-aap"]
    assert [rule.id for rule in policy.criteria] == ["birth-weight", "gestational-age", "unstable"]
    assert [rule.id for rule in policy.first_exams] == ["before-24-weeks", "31-weeks-or-4-weeks"]
    assert [row.id for row in policy.care.rows] == [*(row.id for row in base.care.rows), "any-plus"]
    assert [stop.id for stop in policy.care.stops] == ["full-vascularization", "50-weeks", "regressed"]
    assert [review.id for review in policy.care.reviews] == [review.id for review in base.care.reviews]
    assert [watch.id for watch in policy.care.watches] == [
        "injection-weekly", "injection-to-55-weeks", "injection-to-65-weeks", "injection-to-70-weeks",
    ]  # fmt: skip
    assert policy.care.clock.hours == (24, 48)
    words = {"unstable": "an unstable course (invented)", "inotropes": "inotropes for a day or more (invented)"}
    assert policy.risk_flags == {**base.risk_flags, **words}
    assert (policy.care.candidate, policy.care.caution) == (base.care.candidate, base.care.caution)


def test_a_borrowed_rule_is_replaced_by_the_units_own_which_is_not_borrowed() -> None:
    policy = ALL["harebell-india"]
    assert policy.care.borrowed == "aap-2018"
    unsure = {row.id for row in policy.care.rows if not row.origin.unconfirmed}
    assert unsure == {"zone-ii-stage-1"}


def test_a_stop_rule_may_be_set_to_the_45_weeks_of_the_print() -> None:
    """AAP 2002, 2006 and 2018 print 45 weeks, 2013 prints 50 (memory): the stricter counts until a unit says so."""
    ages = {id: {stop.from_age for stop in policy.care.stops} - {None} for id, policy in ALL.items()}
    assert ages["aap-2006"] == ages["aap-2013"] == ages["aap-2018"] == {50 * 7}
    assert ages["harebell-aap"] == {45 * 7}


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", INVALID, ids=[path.stem for path in INVALID])
def test_an_invalid_variation_is_refused_with_its_place_and_what_is_allowed(path: Path) -> None:
    assert_refused(read_variation, path)


def test_there_are_invalid_variations_to_refuse() -> None:
    assert len(INVALID) >= 30


def test_a_broken_variation_stops_loading(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("extends = 1", "utf-8")
    with pytest.raises(ConfigurationError, match="extends"):
        load_policies(FOLDER, tmp_path)


# --- documents -------------------------------------------------------------------------------------------------------


def without_examples(policy: Policy) -> Policy:
    return replace(policy, examples=())


@pytest.mark.parametrize("id", ALL)
def test_a_document_holds_all_that_decides(id: str) -> None:
    document = load_document(id, FOLDER, VARIATIONS)
    text = json.dumps(document)
    assert not any("example" in part for part in document.values())
    again = parse_document(json.loads(text))
    assert again == without_examples(ALL[id])
    assert again.content == ALL[id].content
    assert ("lender" in document, "variation" in document) == (bool(again.care.borrowed), bool(again.extends))


def test_yesterdays_edition_still_decides_when_its_files_have_changed(tmp_path: Path) -> None:
    folder, varied = tmp_path / "policies", tmp_path / "variations"
    folder.mkdir()
    varied.mkdir()
    for source, target in ((FOLDER, folder), (VARIATIONS, varied)):
        for path in source.glob("*.toml"):
            (target / path.name).write_text(path.read_text("utf-8"), "utf-8")
    kept = json.dumps(load_document("harebell-canada", folder, varied))
    path = varied / "harebell-canada.toml"
    path.write_text(path.read_text("utf-8").replace('"1500g"', '"1300g"', 1), "utf-8")
    base = folder / "canada-2016.toml"
    base.write_text(base.read_text("utf-8").replace('"28d PNA"', '"27d PNA"'), "utf-8")
    now, before = load_policies(folder, varied)["harebell-canada"], parse_document(json.loads(kept))
    assert now.content != before.content == ALL["harebell-canada"].content
    baby = infant(TODAY, "31w0d", 1400)
    assert [decide(baby, policy, TODAY).eligible for policy in (before, now)] == ["yes", "no"]


@pytest.mark.parametrize(
    ("document", "words"),
    [
        ({}, ("document", "must hold the raw tables of an edition")),
        ({"edition": 1}, ("document", "must hold the raw tables")),
        ({"edition": {}, "laws": {}}, ("document", "unknown key 'laws'", "lender")),
        ({"edition": {"id": "x"}}, ("document", "needs at least one [[criterion]]")),
        ({"edition": {}, "lender": {}}, ("document: care_of.id",)),
        ({"edition": {}, "common": {"colour": "red"}}, ("aftercare.toml", "unknown key 'colour'")),
    ],
)
def test_a_document_is_read_strictly(document: dict[str, Any], words: tuple[str, ...]) -> None:
    with pytest.raises(ConfigurationError) as refused:
        parse_document(document)
    for word in words:
        assert word in str(refused.value)


def test_there_is_no_document_of_what_is_not_there() -> None:
    with pytest.raises(ConfigurationError, match="cannot be read"):
        load_document("aap-1066")


# --- the digest ------------------------------------------------------------------------------------------------------

ORIGIN = {"cite": "invented", "provenance": "computed", "confidence": "high"}
SMALL: dict[str, Any] = {
    "id": "small", "revision": 1, "title": "small", "citation": "nowhere", "published": "2031",
    "criterion": [{"id": "light", "birth_weight_below": "1500g", **ORIGIN}],
    "first_exam": [{"id": "at-four-weeks", "opens": "28d PNA", "due": "28d PNA", "closes": "34d PNA", **ORIGIN}],
    "repeat": [
        {"id": "weekly", "zones": ["I", "II"], "plus": ["none", "pre-plus"], "due": "7d", "closes": "7d", **ORIGIN},
    ],
}  # fmt: skip


def test_what_does_not_decide_leaves_the_digest_as_it_is() -> None:
    policy = parse_policy(SMALL, "small")
    for change in (
        {"id": "other"}, {"revision": 2}, {"title": "other"}, {"citation": "other"}, {"published": "2032"},
        {"example": [{"id": "one"}]},
        {"repeat": [{**SMALL["repeat"][0], "zones": ["II", "I"], "plus": ["pre-plus", "none"], "due": "1w"}]},
    ):  # fmt: skip
        assert parse_policy({**SMALL, **change}, "small").content == policy.content, change


def test_the_digest_is_the_same_in_every_release() -> None:
    """It is kept beside decisions: whoever changes how it is made makes every edition look changed."""
    assert parse_policy(SMALL, "small").content == "61229aadac61e134"


def care_changed(policy: Policy) -> Iterator[Policy]:
    """The policy with each number and word of each rule after the first exam changed, and each source."""
    for field in fields(policy.care):
        part = getattr(policy.care, field.name)
        rules = part if isinstance(part, tuple) else (part,)
        for n, rule in enumerate(rules):
            if is_dataclass(rule):
                elsewhere = replace(rule.origin, cite="elsewhere")
                for moved in (replace(rule, origin=elsewhere), *(moved for _, moved in rule_moved(rule))):
                    value = (*rules[:n], moved, *rules[n + 1 :]) if isinstance(part, tuple) else moved
                    yield replace(policy, care=replace(policy.care, **{field.name: value}))


@pytest.mark.parametrize("id", ["aap-2018", "china-2014", "germany-2020", "harebell-aap"])
def test_whatever_decides_is_in_the_digest(id: str) -> None:
    policy = ALL[id]
    changed = [other for _, other in (*numbers_moved(policy), *rules_changed(policy))] + list(care_changed(policy))
    contents = {other.content for other in changed}
    assert policy.content not in contents
    assert len(contents) == len({repr(other) for other in changed}) > 100


def test_no_two_editions_have_the_same_digest() -> None:
    assert len({policy.content for policy in ALL.values()}) == len(ALL)
