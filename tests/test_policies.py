"""The editions: their examples hold, every number in them is pinned, everybody they select gets a window, and they say
what the guidelines say.

Three guidelines are restated here a second time, from their text and in another way (days are walked one by one, no
formula), so that a slip of rendering in a file shows; `core/test_editions_oracle.py` does the same for the others.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from datetime import date
from enum import IntEnum
from itertools import product
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from core.invented import infant
from editions import assert_refused

from service.core.ages import Gestation, format_age
from service.core.case import Case, check_case, parse_case
from service.core.decision import decide
from service.core.infant import PLAUSIBLE_GESTATION, Infant, known
from service.core.origin import CONFIDENCE, PROVENANCE
from service.core.policy import Criterion, Edge, FirstExam, Limit, Moment, Policy
from service.errors import ConfigurationError
from service.policies import FOLDER, load_policies, read_policy

POLICIES = load_policies()
EDITIONS = pytest.mark.parametrize("policy", POLICIES.values(), ids=list(POLICIES))
INVALID = sorted((Path(__file__).parent / "core" / "invalid_policies").glob("*.toml"))
TODAY = date(2031, 1, 1)


def cases(policy: Policy) -> list[Case]:
    return [parse_case(example, f"{policy.id}: example[{n}]") for n, example in enumerate(policy.examples)]


def document(policy: Policy) -> dict[str, Any]:
    """The file as data, without the rules of the reader."""
    return tomllib.loads((FOLDER / f"{policy.id}.toml").read_text("utf-8"))


# --- examples and pins -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("policy", "case"),
    [
        pytest.param(policy, case, id=f"{policy.id}: {case.id}")
        for policy in POLICIES.values()
        for case in cases(policy)
    ],
)
def test_every_example_holds(policy: Policy, case: Case) -> None:
    assert case.expect, "an example that expects nothing shows nothing"
    assert check_case(case, policy, TODAY) == []


@EDITIONS
def test_examples_are_told_apart_sourced_and_use_the_editions_own_flags(policy: Policy) -> None:
    examples = document(policy)["example"]
    ids = [example["id"] for example in examples]
    assert len(set(ids)) == len(ids)
    assert all(example["source"].strip() for example in examples)
    flags = {flag for example in examples for flag in example["given"].get("risk_flags", [])}
    assert flags <= policy.risk_flags.keys()
    assert bool(policy.risk_flags) == policy.by_risk


Change = tuple[str, Any]
"""What was changed, and the value with that change."""

OTHER = {"later": "earlier", "earlier": "later"}


def numbers_moved(value: Any) -> Iterator[Change]:
    """The value with each number in it (a limit, an age) a day or a gram less, and more."""
    if isinstance(value, Limit | Moment):
        name = "most" if isinstance(value, Limit) else "days"
        for by in (-1, 1):
            yield f"{getattr(value, name)}{by:+}", replace(value, **{name: getattr(value, name) + by})
    else:
        yield from inside(value, numbers_moved)


def rules_changed(value: Any) -> Iterator[Change]:
    """The value with each combiner in it turned round, each moment, limit, case, criterion and rule left out in turn,
    and each call for a risk flag or for doubt dropped: whatever leaves a policy that could have been written."""
    if isinstance(value, Edge) and len(value.moments) > 1:
        yield value.combiner, replace(value, combiner=OTHER[value.combiner])
        yield from left_out(value, "moments")
    elif isinstance(value, Criterion):
        if value.needs_risk and value.limits:
            yield "risk", replace(value, needs_risk=False)
        if value.needs_doubt:
            yield "doubt", replace(value, needs_doubt=False)
        if value.needs_risk or value.needs_doubt or len(value.limits) > 1:
            yield from left_out(value, "limits")
    elif isinstance(value, FirstExam) and len(value.cases) > 1:
        yield from left_out(value, "cases")
    elif isinstance(value, Policy):
        if len(value.criteria) > 1:
            yield from left_out(value, "criteria")
        for name, rest in left_out(value, "first_exams"):
            if rest.first_exams and not rest.first_exams[-1].cases:
                yield name, rest
    yield from inside(value, rules_changed)


def left_out(value: Any, name: str) -> Iterator[Change]:
    parts = getattr(value, name)
    for n in range(len(parts)):
        yield f"no {name}[{n}]", replace(value, **{name: (*parts[:n], *parts[n + 1 :])})


def inside(value: Any, changes: Callable[[Any], Iterator[Change]]) -> Iterator[Change]:
    """The value with one part of it changed, one at a time."""
    if isinstance(value, tuple):
        for n, part in enumerate(value):
            for name, changed in changes(part):
                yield f"[{n}].{name}", (*value[:n], changed, *value[n + 1 :])
    elif is_dataclass(value):
        for field in fields(value):
            for name, changed in changes(getattr(value, field.name)):
                yield f"{field.name}{name}", replace(value, **{field.name: changed})


def survivors(policy: Policy, changes: Iterator[Change]) -> list[str]:
    """Changes that no example of the edition notices."""
    return [name for name, changed in changes if not any(check_case(case, changed, TODAY) for case in cases(policy))]


@EDITIONS
def test_every_number_is_pinned_by_an_example(policy: Policy) -> None:
    written = str([document(policy)[key] for key in ("criterion", "first_exam")])
    numbers = re.findall(r"'(?:\d+w\d+d|\d+w|\d+d|\d+g)(?: PMA| PNA)?'", written)
    assert len(list(numbers_moved(policy))) == 2 * len(numbers) > 0
    assert survivors(policy, numbers_moved(policy)) == []


@EDITIONS
def test_every_rule_is_pinned_by_an_example(policy: Policy) -> None:
    changed = [name for name, _ in rules_changed(policy)]
    edges = [edge for rule in policy.first_exams for edge in (rule.opens, rule.due, rule.closes)]
    combined = sum(len(edge.moments) > 1 for edge in edges)
    assert sum(name.endswith(("later", "earlier")) for name in changed) == combined
    criteria = len(policy.criteria)
    assert sum(name.startswith("no criteria") for name in changed) == (criteria if criteria > 1 else 0)
    assert sum(name.endswith("doubt") for name in changed) == str(document(policy)["criterion"]).count("'uncertain'")
    assert survivors(policy, rules_changed(policy)) == []


def care_moved(policy: Policy) -> Iterator[Change]:
    """The policy with each number of what it says after the first exam moved by one, and each rule, zone, stage and
    degree of plus left out: of what the file itself says, and in one edition also of what is common to all."""
    ours = {table["id"] for key in ("repeat", "review", "watch", "stop") for table in document(policy).get(key, [])}
    everything = policy.id == "aap-2018"
    for part in fields(policy.care):
        rules = getattr(policy.care, part.name)
        if isinstance(rules, tuple):
            for n, rule in enumerate(rules):
                if rule.id in ours or everything:
                    yield from _in_care(policy, part.name, f"no {rule.id}", (*rules[:n], *rules[n + 1 :]))
                    for name, moved in rule_moved(rule):
                        yield from _in_care(
                            policy, part.name, f"{rule.id} {name}", (*rules[:n], moved, *rules[n + 1 :])
                        )
        elif is_dataclass(rules) and (everything or (part.name == "clock" and "treatment" in document(policy))):
            for name, moved in rule_moved(rules):
                yield from _in_care(policy, part.name, f"{part.name} {name}", moved)


def _in_care(policy: Policy, part: str, name: str, value: Any) -> Iterator[Change]:
    yield name, replace(policy, care=replace(policy.care, **{part: value}))


def rule_moved(rule: Any) -> Iterator[Change]:
    """A rule with one number in it less by one or more by one, or one word of a list left out."""
    for part in fields(rule):
        value = getattr(rule, part.name)
        if isinstance(value, frozenset) and len(value) > 1:
            for word in value:
                yield f"{part.name} without {word}", replace(rule, **{part.name: value - {word}})
        elif isinstance(value, int | float) and not isinstance(value, bool | IntEnum) and value:
            for by in (-1, 1):
                yield f"{part.name}{by:+}", replace(rule, **{part.name: value + by})
        elif isinstance(value, tuple):
            for n, by in product(range(len(value)), (-1, 1)):
                yield (
                    f"{part.name}[{n}]{by:+}",
                    replace(rule, **{part.name: (*value[:n], value[n] + by, *value[n + 1 :])}),
                )


@EDITIONS
def test_every_number_after_the_first_exam_is_pinned_by_an_example(policy: Policy) -> None:
    examples = [case for case in cases(policy) if case.course.begun]
    pinned = [any(check_case(case, changed, TODAY) for case in examples) for _, changed in care_moved(policy)]
    unpinned = [name for (name, _), told in zip(care_moved(policy), pinned, strict=True) if not told]
    assert unpinned == []
    assert bool(pinned) == any(key in document(policy) for key in ("repeat", "treatment", "review", "watch", "stop"))


# --- cover -----------------------------------------------------------------------------------------------------------


def weights_of_interest(policy: Policy) -> list[int]:
    return sorted({300, 500, 800, 1000, 1250, 1600, 1900, 2500, 3500, *policy.weight_knots})


@EDITIONS
def test_every_eligible_infant_gets_a_window_in_order_and_reasons_with_the_rules_own_numbers(policy: Policy) -> None:
    eligible = 0
    for gestation in PLAUSIBLE_GESTATION:
        for grams in weights_of_interest(policy):
            for flags in ((), tuple(policy.risk_flags)[:1]):
                decision = decide(infant(TODAY, format_age(gestation), grams, risk_flags=flags), policy, TODAY)
                if decision.eligible == "no":
                    assert decision.next.window is None
                    _check_numbers(policy, decision.because, every=True)
                    continue
                eligible += 1
                window = decision.next.window
                assert window is not None
                assert decision.next.kind == "first-exam"
                assert TODAY <= window.opens <= window.due <= window.closes
                _check_numbers(policy, decision.because, every=False)
                rule = next(rule for rule in policy.first_exams if rule.id == decision.next.reason.rule)
                _check_moments(rule.due, decision.next.reason.text)
                assert decision.next.reason.cite == rule.origin.cite
                assert window.due.isoformat() in decision.next.reason.text or window.due == TODAY
    assert eligible > 1000


def _check_numbers(policy: Policy, because: Any, every: bool) -> None:
    told = {reason.rule: reason for reason in because}
    assert not every or told.keys() == {criterion.id for criterion in policy.criteria}
    for criterion in policy.criteria:
        if criterion.id in told:
            assert told[criterion.id].cite == criterion.origin.cite
            assert told[criterion.id].provenance == criterion.origin.surety
            for limit in criterion.limits:
                assert limit.printed in told[criterion.id].text
            assert ("risk flag" in told[criterion.id].text) == criterion.needs_risk
            assert ("certain" in told[criterion.id].text) == criterion.needs_doubt


def _check_moments(edge: Edge, text: str) -> None:
    for moment in edge.moments:
        age = f"{format_age(moment.days)} postmenstrual" if moment.clock == "PMA" else f"{moment.days} days of age"
        assert age in text
    assert (f"the {edge.combiner} of" in text) == (len(edge.moments) > 1)


@EDITIONS
def test_reason_texts_print_limits_as_the_file_does(policy: Policy) -> None:
    printed = [value for criterion in document(policy)["criterion"] for key, value in criterion.items() if "_" in key]
    shown = [limit.printed.replace(" g", "g") for criterion in policy.criteria for limit in criterion.limits]
    assert shown == printed


@EDITIONS
def test_a_window_never_depends_on_what_is_not_a_reason(policy: Policy) -> None:
    """Whole weeks, an unknown weight and a conflict all end in a window of this same edition, in order."""
    for week in range(22, 45):
        for person in (
            infant(TODAY, f"{week}w"),
            infant(TODAY, f"{week}w", 1400),
            Infant("p", TODAY, known(None), known(Gestation(week * 7, week * 7)), known(1400)),
        ):
            window = decide(person, policy, TODAY).next.window
            assert window is None or window.opens <= window.due <= window.closes


# --- the files -------------------------------------------------------------------------------------------------------


def test_the_editions_are_there() -> None:
    assert set(POLICIES) == {
        "aap-2006", "aap-2013", "aap-2018", "uk-2008", "uk-2022", "india-nnf-2010", "india-nnf-2021", "india-rbsk-2017",
        "canada-2016", "germany-2020", "sweden-2020", "netherlands-2013", "new-zealand-newborn", "china-2014",
        "south-africa-2013", "argentina-national", "brazil-national", "nigeria-group",
    }  # fmt: skip


@EDITIONS
def test_a_file_is_named_as_its_edition(policy: Policy) -> None:
    assert (FOLDER / f"{policy.id}.toml").is_file()
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*-\d{4}|[a-z]+(-[a-z]+)*-(newborn|national|group)", policy.id)
    assert policy.published[:4] == policy.id[-4:] or not policy.id[-4:].isdigit()


@EDITIONS
def test_every_rule_says_where_its_numbers_come_from(policy: Policy) -> None:
    own = [rule.origin for rule in (*policy.criteria, *policy.first_exams)]
    for origin in (*own, *policy.care.origins):
        assert origin.cite
        assert origin.provenance in PROVENANCE
        assert origin.confidence in CONFIDENCE
        assert origin.unconfirmed == (origin.confidence == "low" or "borrowed" in origin.cite)
    assert policy.citation
    assert policy.title


def test_what_was_not_read_in_a_source_says_memory() -> None:
    """The timing windows of the UK guideline and the printed rows of the AAP table were not at hand."""
    provenance = {
        rule.id: (rule.origin.provenance, rule.origin.note)
        for rule in (*POLICIES["uk-2022"].first_exams, *POLICIES["aap-2018"].first_exams)
    }
    assert provenance["before-31-weeks"][0] == provenance["from-31-weeks"][0] == "memory"
    assert "from memory" in provenance["31-weeks-or-4-weeks"][1]


def test_there_are_invalid_files_to_refuse() -> None:
    assert len(INVALID) >= 20


@pytest.mark.parametrize("path", INVALID, ids=[path.stem for path in INVALID])
def test_an_invalid_file_is_refused_with_its_place_and_what_is_allowed(path: Path) -> None:
    assert_refused(read_policy, path)


def test_an_edition_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="cannot be read"):
        read_policy(tmp_path / "missing-2031.toml")
    (tmp_path / "latin-2031.toml").write_bytes('title = "Säuglinge"'.encode("latin-1"))
    with pytest.raises(ConfigurationError, match="cannot be read"):
        read_policy(tmp_path / "latin-2031.toml")


@pytest.mark.parametrize(
    ("owner", "words"),
    [("borrower-2031", "is not another edition"), ("atlantis-1066", "is not another edition"),
     ("india-nnf-2010", "has no [[repeat]] table of its own"),
     ("new-zealand-newborn", "borrows itself, and lends nothing")],
)  # fmt: skip
def test_an_edition_borrows_only_from_one_that_has_a_table(tmp_path: Path, owner: str, words: str) -> None:
    text = (FOLDER / "india-nnf-2010.toml").read_text("utf-8").replace('"india-nnf-2010"', '"borrower-2031"')
    path = tmp_path / "borrower-2031.toml"
    path.write_text(text, "utf-8")
    assert read_policy(path).care.borrowed == "aap-2018"
    path.write_text(text.replace('care_of = "aap-2018"', f'care_of = "{owner}"'), "utf-8")
    with pytest.raises(ConfigurationError) as refused:
        read_policy(path)
    assert "care_of" in refused.value.where
    assert words in str(refused.value)


# --- the guidelines, a second time -----------------------------------------------------------------------------------


class Told(NamedTuple):
    """Who is examined, and on which days of age: first, last."""

    examined: bool
    first: int | None = None
    last: int | None = None


def aap_2018(gestation: int, grams: int, judged_high_risk: bool) -> Told:
    """Pediatrics 2018;142(6):e20183061: birth weight of 1500 g or less, or gestational age of 30 weeks or less (read as
    completed weeks); larger infants when the attending neonatologist judges the course high-risk. Examined at 31 weeks'
    postmenstrual or 4 weeks' postnatal age, whichever is later; the week that begins then."""
    if not (grams <= 1500 or gestation // 7 <= 30 or judged_high_risk):
        return Told(False)
    first = next(age for age in range(200) if (gestation + age) // 7 >= 31 and age // 7 >= 4)
    return Told(True, first, first + 6)


def uk_2022(gestation: int, grams: int, judged_high_risk: bool) -> Told:
    """RCPCH, March 2022: below 31w0d, or below 1501 g. Below 31w0d: in the week 31w0d to 31w6d or on days 28 to 34,
    whichever is later. Otherwise: in the week 36w0d to 36w6d or on days 28 to 34, whichever is sooner; no exam before
    birth."""
    if not (gestation < 31 * 7 or grams < 1501):
        return Told(False)
    by_age = range(28, 35)
    week = 31 if gestation < 31 * 7 else 36
    by_term = [age for age in range(-100, 200) if (gestation + age) // 7 == week]
    pick = max if gestation < 31 * 7 else min
    return Told(True, max(pick(by_age[0], by_term[0]), 0), max(pick(by_age[-1], by_term[-1]), 0))


def india_nnf_2010(gestation: int, grams: int, judged_high_risk: bool) -> Told:
    """National Neonatology Forum of India, 2010: below 34 weeks or below 1750 g; with risk factors also 34 to 36
    completed weeks or 1750 to 2000 g. By 4 weeks of age, day 30 at the latest; below 28 weeks or below 1200 g at 2 to 3
    weeks of age."""
    always = gestation // 7 < 34 or grams < 1750
    at_risk = judged_high_risk and (34 <= gestation // 7 <= 36 or 1750 <= grams <= 2000)
    if not always and not at_risk:
        return Told(False)
    return Told(True, 14, 21) if gestation // 7 < 28 or grams < 1200 else Told(True, 28, 30)


@pytest.mark.parametrize(
    ("edition", "guideline"), [("aap-2018", aap_2018), ("uk-2022", uk_2022), ("india-nnf-2010", india_nnf_2010)]
)
def test_an_edition_says_what_its_guideline_says(edition: str, guideline: Any) -> None:
    policy, born = POLICIES[edition], date(2031, 5, 1)
    for gestation in range(22 * 7, 45 * 7):
        for grams in (400, 900, 1199, 1200, 1201, 1499, 1500, 1501, 1502, 1749, 1750, 1751, 1999, 2000, 2001, 2500):
            for judged_high_risk in (False, True):
                told = guideline(gestation, grams, judged_high_risk)
                flags = ("clinician-concern",) if judged_high_risk else ()
                found = decide(infant(born, format_age(gestation), grams, risk_flags=flags), policy, born)
                who = (format_age(gestation), grams, judged_high_risk)
                assert found.eligible == ("yes" if told.examined else "no"), who
                window = found.next.window
                if window is not None:
                    assert ((window.due - born).days, (window.closes - born).days) == (told.first, told.last), who
                    assert window.opens == window.due, who
