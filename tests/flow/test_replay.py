"""Arrivals that are stored already are read again under a corrected mapping, and nothing is lost or said twice."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest
from flow.conftest import Ward, gestation, patient, weight
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from waiting import eventually

from service.errors import ConfigurationError, Forbidden, NotFound, NotUnderstood
from service.fhir.sites import Site
from service.flow import Flow
from service.jobs import Jobs
from service.mending import Mending
from service.store.database import Database
from service.store.meanings import Meaning

AGE = Meaning("code", "urn:local", "GA-BIRTH", {"concept": "gestation"})
UNIT = Meaning("word", "", "gmz", {"means": "g"})
number = itertools.count()


def local_age(who: str, text: str, version: int = 1, code: str = "GA-BIRTH", **more: Any) -> dict[str, Any]:
    """A gestational age under a code of the site's own."""
    coding = {"coding": [{"system": "urn:local", "code": code, "display": "Age at birth"}]}
    return {**gestation(who, text, version, **more), "code": coding}


def replay(ward: Ward, limit: int = 200) -> int:
    """Everything that was last read under an earlier mapping; how many arrivals."""
    total = 0
    while receipts := Mending(ward.flow).replay(ward.site, limit):
        assert all(receipt.digested for receipt in receipts)
        total += len(receipts)
    return total


def ids(ward: Ward) -> list[int]:
    return [row.id for row in ward.query("SELECT id FROM arrivals ORDER BY id")]


def tasks(ward: Ward) -> dict[tuple[str, str], tuple[str, int]]:
    rows = ward.query("SELECT patient, step, status, version FROM publications WHERE current AND type = 'Task'")
    return {(row.patient, row.step): (row.status, row.version) for row in rows}


def test_a_code_that_gets_a_meaning_is_read_where_it_is_stored(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), local_age("a", "26w4d"))
    assert ward.rows()["a"].decision.missing == ("gestational_age_at_birth",)
    would = Mending(ward.flow).weigh("northgate", AGE, ids(ward))
    assert [change.after.missing for change in would.changes] == [()]
    assert would.speaking == 1
    assert ward.rows()["a"].decision.missing == ("gestational_age_at_birth",), "weighing keeps nothing"
    assert Mending(ward.flow).meanings("northgate") == []
    Mending(ward.flow).give("northgate", AGE, " IT  Person ", ids(ward))
    assert ward.rows()["a"].kind == "first-exam"
    assert [(given.by, given.withdrawn_at) for given in Mending(ward.flow).meanings("northgate")] == [
        ("IT Person", None)
    ]
    assert tasks(ward)["a", "first-exam"][0] == "requested"


def test_a_unit_word_answers_its_rejections_and_only_those(ward: Ward) -> None:
    ward.send(patient("a"), gestation("a", "33w0d"), weight("a", 940, unit="gmz"), patient("b"), weight("b", 0.9))
    assert len(ward.flow.rejections("northgate")) == 2
    would = Mending(ward.flow).weigh("northgate", UNIT, ids(ward))
    assert (would.answered, would.left, would.refused) == (1, 1, 0)
    Mending(ward.flow).give("northgate", UNIT, "IT", ids(ward))
    (left,) = ward.flow.rejections("northgate")
    assert "0.9" in left["reason"]
    assert ward.states() == {"a": "eligible", "b": "unknown"}


def test_reading_again_says_nothing_twice_and_adds_nothing_where_nothing_changed(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), gestation("a", "26w4d"), weight("b", 940, unit="gmz"))
    before = [ward.query(f"SELECT count(*) FROM {table}")[0][0] for table in ("facts", "decisions", "outbox")]
    Mending(ward.flow).give("northgate", AGE, "IT", [])
    assert replay(ward) == 4
    assert replay(ward) == 0, "once is enough"
    after = [ward.query(f"SELECT count(*) FROM {table}")[0][0] for table in ("facts", "decisions", "outbox")]
    assert after == before
    assert tasks(ward)["a", "first-exam"] == ("requested", 1)


def test_a_meaning_withdrawn_takes_back_what_was_read_by_it_and_can_be_given_again(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900, unit="gmz"), local_age("a", "26w4d"))
    Mending(ward.flow).give("northgate", UNIT, "IT", ids(ward))
    Mending(ward.flow).give("northgate", AGE, "IT", ids(ward))
    assert ward.rows()["a"].kind == "first-exam"
    for meaning in Mending(ward.flow).meanings("northgate"):
        Mending(ward.flow).withdraw("northgate", meaning.id, "Somebody else")
    assert Mending(ward.flow).asked() == ["northgate"]
    replay(ward)
    assert Mending(ward.flow).asked() == []
    assert set(ward.rows()["a"].decision.missing) == {"gestational_age_at_birth", "birth_weight"}
    assert len(ward.flow.rejections("northgate")) == 1, "what cannot be read any more is shown again"
    Mending(ward.flow).give("northgate", UNIT, "IT", ids(ward))
    Mending(ward.flow).give("northgate", AGE, "IT", ids(ward))
    assert ward.rows()["a"].kind == "first-exam"
    assert ward.flow.rejections("northgate") == []
    with pytest.raises(NotFound):
        Mending(ward.flow).withdraw("northgate", 1, "IT")


def test_a_wrong_meaning_put_right_moves_the_value_where_it_belongs(ward: Ward) -> None:
    ward.send(patient("a"), gestation("a", "26w4d"), {**local_age("a", "900 g", code="W"), "id": "a-w"})
    Mending(ward.flow).give(
        "northgate", Meaning("code", "urn:local", "W", {"concept": "birth_weight"}), "IT", ids(ward)
    )
    key = ward.rows()["a"].key
    assert ward.flow.infant(key).infant.birth_weight.value == 900
    Mending(ward.flow).give("northgate", Meaning("code", "urn:local", "W", {"concept": "ignore"}), "IT", ids(ward))
    assert ward.flow.infant(key).infant.birth_weight.value is None
    then = [given.withdrawn_at is None for given in Mending(ward.flow).meanings("northgate")]
    assert then == [False, True], "one meaning of a code counts at a time, and the other stays on record"


def test_a_newer_version_stays_the_newest_when_an_older_one_is_read_again(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), local_age("a", "26w4d"), local_age("a", "33w0d", 2))
    Mending(ward.flow).give("northgate", AGE, "IT", ids(ward)[-1:])
    assert ward.rows()["a"].decision.ages.gestation == "33w0d"
    replay(ward, limit=1)
    assert ward.rows()["a"].decision.ages.gestation == "33w0d"


def test_what_was_known_before_a_replay_can_still_be_shown(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), local_age("a", "26w4d"))
    before = ward.now
    ward.now = ward.now.replace(hour=9)
    Mending(ward.flow).give("northgate", AGE, "IT", ids(ward))
    key = ward.rows()["a"].key
    assert ward.flow.infant(key, known_at=before).decision.missing == ("gestational_age_at_birth",)
    assert ward.flow.infant(key).decision.missing == ()


def test_only_somebody_gives_a_meaning_and_only_one_that_means_something(ward: Ward) -> None:
    with pytest.raises(NotUnderstood):
        Mending(ward.flow).give("northgate", AGE, " ", [])
    with pytest.raises(ConfigurationError):
        Mending(ward.flow).give("northgate", Meaning("word", "", "gmz", {"means": "furlong"}), "IT", [])
    assert Mending(ward.flow).meanings("northgate") == []


def test_a_meaning_counts_for_every_process_and_at_its_own_site_alone(
    ward: Ward, database: Database, sites: dict[str, Site]
) -> None:
    other = Flow(database, sites, ward.flow.policies, ward.flow.clock)
    elsewhere = Ward(database, sites, "southgate")
    ward.send(patient("a"), weight("a", 900))
    Mending(ward.flow).give("northgate", AGE, "IT", [])
    for flow, who in ((other, "a"), (elsewhere.flow, "b")):
        elsewhere.flow = flow
        elsewhere.site = "northgate" if flow is other else "southgate"
        elsewhere.send(patient(who), weight(who, 900), local_age(who, "26w4d"))
    assert ward.rows()["a"].kind == "first-exam"
    assert ward.rows()["b"].decision.missing == ("gestational_age_at_birth",)


def test_of_two_processes_with_two_files_the_one_started_last_decides(
    ward: Ward, database: Database, sites: dict[str, Site]
) -> None:
    """The first was not restarted when its file was mended: what it reads gives way, and nothing said there can put
    its file over the mended one again."""
    other = {**sites, "northgate": sites["northgate"].having({"word": [UNIT.table]}, "northgate.toml")}
    ward.send(patient("a"), weight("a", 940, unit="gmz"), gestation("a", "26w4d"))
    later = Ward(database, other)
    later.send(patient("c"))
    assert Mending(later.flow).to_read_again("northgate") == 3
    assert replay(later) == 3
    assert ward.flow.rejections("northgate") == []
    ward.send(weight("a", 940, unit="gmz"), patient("b"), weight("b", 950, unit="gmz"))  # by the earlier file
    assert later.rows()["a"].decision.missing == (), "the same version again takes nothing back"
    with pytest.raises(Forbidden, match="another process"):
        Mending(ward.flow).give("northgate", AGE, "IT", [])
    with pytest.raises(Forbidden, match="another process"):
        Mending(ward.flow).ask_replay("northgate", "IT")
    with pytest.raises(Forbidden, match="another process"):
        Mending(ward.flow).weigh("northgate", AGE, ids(ward))
    assert replay(ward) == 0
    assert Mending(later.flow).to_read_again("northgate") == 3, "said where the later file decides"
    Mending(later.flow).give("northgate", AGE, "IT", [])
    ward.send(weight("a", 940, unit="gmz"))  # it has seen the meaning by now, and still gives way
    assert replay(later) == 8
    assert Mending(later.flow).to_read_again("northgate") == replay(ward) == 0
    assert ward.flow.rejections("northgate") == []
    with pytest.raises(Forbidden, match="another process"):
        Mending(ward.flow).withdraw("northgate", Mending(later.flow).meanings("northgate")[0].id, "IT")


def test_what_two_files_agree_on_is_not_taken_back_by_a_process_with_a_third(
    ward: Ward, database: Database, sites: dict[str, Site]
) -> None:
    """That the third says the same as the first leaves no trace, and the second has a higher number than the first."""
    ward.send(patient("a"), weight("a", 940), local_age("a", "26w4d"))
    second = Ward(database, {**sites, "northgate": sites["northgate"].having({"code": [AGE.table]}, "northgate.toml")})
    second.send(patient("b"))
    third = Ward(database, sites)
    third.send(patient("c"))
    replay(third)
    assert third.rows()["a"].decision.missing == ("gestational_age_at_birth",)
    second.send(local_age("a", "26w4d"), local_age("b", "26w4d"))
    assert third.rows()["a"].decision.missing == ("gestational_age_at_birth",)
    assert "gestational_age_at_birth" not in third.rows()["b"].decision.missing, "nobody else has read that yet"
    replay(third)
    assert "gestational_age_at_birth" in third.rows()["b"].decision.missing


def test_a_file_changed_on_disk_offers_to_read_again(ward: Ward, database: Database, sites: dict[str, Site]) -> None:
    ward.send(patient("a"), weight("a", 900), local_age("a", "26w4d"))
    assert Mending(ward.flow).to_read_again("northgate") == 0
    mapped = sites["northgate"].having({"code": [AGE.table]}, "northgate.toml")
    after = Flow(database, {**sites, "northgate": mapped}, ward.flow.policies, ward.flow.clock)
    assert Mending(after).to_read_again("northgate") == 3
    assert Mending(after).asked() == [], "offered, not done"
    assert Mending(after).ask_replay("northgate", "IT") == 3
    assert Mending(after).asked() == ["northgate"]
    assert len(Mending(after).replay("northgate", limit=2)) == 2
    assert (len(Mending(after).replay("northgate")), Mending(after).replay("northgate")) == (1, [])
    assert ward.rows()["a"].kind == "first-exam"
    same = Flow(database, {**sites, "northgate": replace(mapped)}, ward.flow.policies, ward.flow.clock)
    assert Mending(same).to_read_again("northgate") == 0


def test_a_job_reads_the_rest_again_and_goes_on_where_one_was_stopped(ward: Ward) -> None:
    ward.send(patient("a"), weight("a", 900), *(local_age("a", "26w4d", n) for n in range(1, 8)))
    Mending(ward.flow).give("northgate", AGE, "IT", [])
    assert len(Mending(ward.flow).replay("northgate", limit=4)) == 4
    assert Mending(ward.flow).to_read_again("northgate") == 5
    jobs = Jobs(ward.flow, {}, lambda *_: [], lambda _: None, frozenset(), frozenset())
    jobs.start()
    try:
        eventually(lambda: not Mending(ward.flow).asked())
    finally:
        jobs.stop()
    assert Mending(ward.flow).to_read_again("northgate") == 0
    assert ward.rows()["a"].decision.missing == ()


@st.composite
def coded_days(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Versions of the resources of an infant, some in words that the site's mapping does not know at first."""
    resources = [patient("A")]
    for version in range(1, draw(st.integers(1, 3)) + 1):
        unit = draw(st.sampled_from(["g", "gmz", "gmz", "stone"]))
        status = draw(st.sampled_from(["final", "final", "entered-in-error"]))
        resources.append(weight("A", draw(st.sampled_from([900, 1490, 1900])), version, unit, status=status))
    for version in range(1, draw(st.integers(1, 3)) + 1):
        text, code = draw(st.sampled_from(["25w3d", "33w0d", "28.4"])), draw(st.sampled_from(["GA-BIRTH", "OTHER"]))
        resources.append(local_age("A", text, version, code))
    return resources


def told(ward: Ward, prefix: str) -> list[Any]:
    infants = ward.query(f"SELECT state, eligible, kind, opens, due, closes FROM infants WHERE patient = '{prefix}A'")
    refused = ward.query(
        f"SELECT replace(resource, '{prefix}', ''), path, reason FROM rejections"
        f" WHERE superseded_at IS NULL AND resource LIKE '%%/{prefix}%%' ORDER BY 1, 2, 3"
    )
    steps = ward.query(
        "SELECT step, type, status, period_start, period_end FROM publications WHERE current"
        f" AND status = 'requested' AND patient = '{prefix}A' ORDER BY 1, 2"
    )
    return [[tuple(row) for row in rows] for rows in (infants, refused, steps)]


def named(value: Any, prefix: str) -> Any:
    if isinstance(value, dict):
        return {key: named(item, prefix) for key, item in value.items()}
    if isinstance(value, list):
        return [named(item, prefix) for item in value]
    if value == "A" or (isinstance(value, str) and value.startswith("A-")):
        return prefix + value
    return f"Patient/{prefix}A" if value == "Patient/A" else value


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(coded_days(), st.randoms(use_true_random=False), st.integers(0, 9), st.integers(1, 4), st.integers(1, 5))
def test_reading_again_gives_the_same_as_a_mapping_that_was_right_from_the_start(  # type: ignore[no-untyped-def]
    ward: Ward, resources, random, split, limit, pick
) -> None:
    late, straight = f"l{next(number)}x", f"s{next(number)}x"
    for meaning in Mending(ward.flow).meanings("northgate"):
        if meaning.withdrawn_at is None:
            Mending(ward.flow).withdraw("northgate", meaning.id, "IT")
    order = [*resources, *random.choices(resources, k=2)]
    random.shuffle(order)
    ward.send(*(named(each, late) for each in order[:split]))
    first, second = random.sample([AGE, UNIT], k=2)
    Mending(ward.flow).give("northgate", first, "IT", ids(ward)[-pick:])
    ward.send(*(named(each, late) for each in order[split:]))
    Mending(ward.flow).give("northgate", second, "IT", [])
    replay(ward, limit)
    ward.send(*(named(each, straight) for each in resources))
    assert told(ward, late) == told(ward, straight)
