"""Readings of one resource in any order, repeated at will, end in the same truth about every infant they name."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from core.invented import BORN
from hypothesis import given, settings
from hypothesis import strategies as st

from service.core.infant import Fact, Reading, Rejection, Version, assemble, newest, standing
from service.core.ledger import additions, made_under

RESOURCE = "Observation/1"


def version(number: int | None, second: int = 0, label: str = "") -> Version:
    return Version(number, f"2031-05-01T00:00:{second:02d}.000000Z", label or f"{number}-{second}")


def weighs(at: Version, patient: str, grams: int) -> Reading:
    return Reading(RESOURCE, at, (Fact(patient, "birth_weight", {"grams": grams}, RESOURCE, at),))


def cannot_be_read(at: Version, about: str = "birth_weight", patient: str = "") -> Reading:
    facts = (Fact(patient, "unreadable", {"of": about, "reason": "?"}, RESOURCE, at),) if patient else ()
    return Reading(RESOURCE, at, facts, (Rejection(RESOURCE, "Observation", "?", patient, about),))


def says_nothing(at: Version) -> Reading:
    return Reading(RESOURCE, at)


def told(*readings: Reading) -> list[Fact]:
    facts: list[Fact] = []
    for reading in readings:
        facts.extend(additions(reading, facts))
    return facts


def weights(facts: list[Fact], patient: str = "p") -> tuple[tuple[int, ...], bool]:
    """The weights on record, and whether one was sent that could not be read."""
    known = assemble(patient, [fact for fact in facts if fact.patient == patient], BORN).birth_weight
    return known.values, known.unreadable


def test_a_reading_and_all_it_says_carry_the_mapping_they_were_made_under() -> None:
    said = weighs(version(2), "p", 900)
    read = made_under(7, said)
    assert (read.version.reading, [fact.version.reading for fact in read.facts]) == (7, [7])
    assert [fact.value for fact in read.facts] == [fact.value for fact in said.facts]
    assert read.rejections == said.rejections


def test_a_version_known_already_adds_nothing() -> None:
    first = weighs(version(1), "p", 900)
    assert len(told(first, first)) == 1
    assert told(says_nothing(version(1)), says_nothing(version(1)))[0].patient == ""
    unnumbered, later = weighs(version(None, 1), "p", 900), weighs(version(None, 2), "p", 950)
    assert told(unnumbered, later, unnumbered) == told(unnumbered, later)
    late = replace(first, version=replace(first.version, updated="2031-05-01T00:09:00.000000Z"))
    assert len(told(first, weighs(version(2), "p", 950), late)) == 2, "a number is known whenever it arrives"
    back = replace(unnumbered.version, updated="2031-05-01T00:00:03.000000Z")
    assert weights(told(unnumbered, later, weighs(back, "p", 900))) == ((900,), False), "as it was before"
    again = replace(later.version, updated="2031-05-01T00:00:04.000000Z")
    for before in ([later], [unnumbered, later], [weighs(version(None, 0), "p", 800), unnumbered, later]):
        assert told(*before, weighs(again, "p", 950)) == told(*before), "what the newest version says is not new"


def test_what_could_not_be_read_of_an_infant_stays_in_doubt_when_a_later_version_names_another() -> None:
    lost, other = cannot_be_read(version(1), patient="p"), weighs(version(2), "q", 900)
    for order in ((lost, other), (other, lost)):
        assert weights(told(*order), "p") == ((), True)


def test_a_version_about_another_infant_takes_back_what_was_said_of_the_first() -> None:
    mixed_up, right = weighs(version(1), "p", 900), weighs(version(2), "q", 900)
    for order in ((mixed_up, right), (right, mixed_up)):
        assert weights(told(*order), "p") == ((), False)
        assert weights(told(*order), "q") == ((900,), False)


def test_a_deletion_takes_back_everything_whichever_comes_first() -> None:
    said, gone = weighs(version(1), "p", 900), says_nothing(version(2))
    assert weights(told(said, gone)) == weights(told(gone, said)) == ((), False)


def test_a_version_nobody_can_read_takes_nothing_back() -> None:
    said, lost = weighs(version(1), "p", 900), cannot_be_read(version(2))
    assert weights(told(said, lost)) == weights(told(lost, said)) == ((900,), True)
    anything = cannot_be_read(version(2), about="")
    assert weights(told(said, anything)) == weights(told(anything, said)) == ((900,), True)
    moved = weighs(version(3), "q", 900)
    assert weights(told(said, lost, moved)) == weights(told(moved, lost, said)) == ((), False), "the next one does"
    another = cannot_be_read(version(2), about="gestation")
    assert weights(told(said, another)) == weights(told(another, said)) == ((), False)


def test_the_newest_version_is_the_one_with_the_highest_number_or_the_latest_time() -> None:
    assert standing([version(10, 1), version(9, 2)]) == [version(9, 2), version(10, 1)]
    assert standing([version(10, 1), version(None, 2)]) == [version(10, 1), version(None, 2)]


@st.composite
def histories(draw: st.DrawFn) -> list[Reading]:
    """Up to five versions of one resource: of one infant or another, unreadable, or saying nothing. Some come without a
    number and at any time (another feed brought them); where the server numbers them, its numbers follow its times."""
    numbered = draw(st.booleans())
    readings = []
    for n in range(draw(st.integers(1, 5))):
        number = n if numbered or draw(st.booleans()) else None
        at = version(number, 2 * n if number is not None else draw(st.integers(0, 9)), label=f"version {n}")
        kind = draw(st.sampled_from(["weighs", "weighs", "unreadable", "unreadable of p", "nothing", "both"]))
        patient = draw(st.sampled_from(["p", "q"]))
        if kind == "weighs":
            readings.append(weighs(at, patient, 900 + n))
        elif kind == "both":
            facts = tuple(Fact(who, "birth_weight", {"grams": 900 + n}, RESOURCE, at) for who in ("p", "q"))
            readings.append(Reading(RESOURCE, at, facts))
        elif kind == "nothing":
            readings.append(says_nothing(at))
        else:
            of = draw(st.sampled_from(["birth_weight", "gestation", ""]))
            readings.append(
                cannot_be_read(at, of or "birth_weight", "p") if kind.endswith("p") else cannot_be_read(at, of)
            )
    return readings


@given(histories(), st.randoms(use_true_random=False))
def test_order_and_repetition_of_readings_do_not_matter(history: list[Reading], random: Any) -> None:
    again = [*history, *random.choices(history, k=3)]
    random.shuffle(again)
    straight, shuffled = told(*history), told(*again)
    for patient in ("p", "q"):
        assert weights(straight, patient) == weights(shuffled, patient), patient
        of_patient = [[f for f in facts if f.patient == patient] for facts in (straight, shuffled)]
        current = [{(f.name, str(f.value), f.version) for f in newest(facts)[0]} for facts in of_patient]
        assert {f for f in current[0] if f[0] != "retracted"} == {f for f in current[1] if f[0] != "retracted"}


# --- the same version, read again under another mapping ------------------------------------------------------------


def under(mapping: int, reading: Reading) -> Reading:
    """The same reading, made under a mapping with this number."""
    at = replace(reading.version, reading=mapping)
    return replace(reading, version=at, facts=tuple(replace(fact, version=at) for fact in reading.facts))


def test_a_version_read_again_says_what_the_later_mapping_makes_of_it() -> None:
    once = under(1, cannot_be_read(version(1), patient="p"))
    again = under(2, weighs(version(1), "p", 900))
    assert weights(told(once, again)) == ((900,), False)
    assert told(again, once) == told(again), "what an earlier mapping made of it comes too late"
    facts = told(once, again)
    assert told(once, again, under(3, weighs(version(1), "p", 900))) == facts, "the same once more is nothing new"
    assert {fact.version.reading for fact in facts} == {1, 2}, "what was said stays on record"


def test_what_comes_back_from_the_database_in_another_order_says_the_same() -> None:
    def seen(mapping: int, *keys: str) -> Reading:
        value = {key: {"low": 1, "high": 2, "on": "2031-06-01"}[key] for key in keys}
        return under(mapping, Reading(RESOURCE, version(1), (Fact("p", "born", value, RESOURCE, version(1)),)))

    assert told(seen(1, "low", "high"), seen(2, "high", "low")) == told(seen(1, "low", "high"))


def test_a_version_read_again_takes_back_what_was_said_of_somebody_else() -> None:
    wrong, right = under(1, weighs(version(1), "p", 900)), under(2, weighs(version(1), "q", 900))
    assert weights(told(wrong, right), "p") == ((), False)
    assert weights(told(wrong, right), "q") == ((900,), False)
    ignored = under(2, says_nothing(version(1)))
    assert weights(told(wrong, ignored)) == ((), False)


def test_an_earlier_version_read_again_leaves_the_newest_to_decide() -> None:
    first, second = under(1, cannot_be_read(version(1), patient="p")), under(1, weighs(version(2), "p", 950))
    read_again = under(2, weighs(version(1), "p", 900))
    assert weights(told(first, second, read_again)) == ((950,), False)
    lost = under(1, cannot_be_read(version(2), patient="p"))
    assert weights(told(first, lost, read_again)) == ((900,), True), "and is what an unreadable one falls back on"


@settings(max_examples=400)
@given(histories(), st.data(), st.randoms(use_true_random=False))
def test_reading_again_in_any_order_ends_as_if_the_mapping_had_been_right_from_the_start(
    right: list[Reading], data: Any, random: Any
) -> None:
    """Each version is read under the right mapping; before that, under earlier ones that made something else of it;
    and at any time by a process that has fallen behind, whose readings have the number 0. No other number follows a
    higher one: they are given under the site's lock."""
    kinds = [weighs, lambda at, who, n: cannot_be_read(at, "gestation", who), lambda at, who, n: cannot_be_read(at, ""),
             lambda at, who, n: says_nothing(at), _ages]  # fmt: skip

    def shuffled(readings: list[Reading]) -> list[Reading]:
        return random.sample(readings, k=len(readings))

    wrong: dict[int, list[Reading]] = {0: [], 1: [], 2: []}
    for reading in right:
        for mapping in data.draw(st.sets(st.sampled_from([0, 1, 2]))):
            make, who = data.draw(st.sampled_from(kinds)), data.draw(st.sampled_from(["p", "q"]))
            wrong[mapping].append(under(mapping, make(reading.version, who, 700)))
    again = [under(3, reading) for reading in right]
    mixed = [*shuffled(wrong[1]), *shuffled(wrong[2]), *shuffled([*again, *random.choices(again, k=2)])]
    for late in wrong[0]:
        mixed.insert(random.randint(0, len(mixed)), late)
    for patient in ("p", "q"):
        of_patient = [[f for f in facts if f.patient == patient] for facts in (told(*again), told(*mixed))]
        straight, in_any_order = (
            [{(f.name, str(f.value), f.version.label) for f in found} for found in newest(facts)]
            for facts in of_patient
        )
        assert [_telling(found) for found in straight] == [_telling(found) for found in in_any_order], patient
        assert weights(of_patient[0], patient) == weights(of_patient[1], patient)


def _ages(at: Version, patient: str, days: int) -> Reading:
    return Reading(RESOURCE, at, (Fact(patient, "gestation", {"low": days, "high": days}, RESOURCE, at),))


def _telling(found: set[tuple[str, str, str]]) -> set[tuple[str, str, str]]:
    return {each for each in found if each[0] != "retracted"}
