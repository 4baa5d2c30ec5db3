"""What was read of a decision is not read again, and is what was written."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from sqlalchemy import event
from steps import a_decision

from service.store import infants
from service.store.database import Database
from service.store.decided import Census, Decided

NOW = datetime(2031, 6, 1, 3, 0, tzinfo=UTC)


def test_only_what_was_not_read_yet_is_fetched_and_never_without_end(database: Database) -> None:
    made = [a_decision(patient=f"p-{number}") for number in range(5)]
    decided, asked = Decided(most=4), []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if "FROM decisions" in statement:
            asked.append({value for value in parameters.values() if isinstance(value, int)})

    with database.transaction() as connection:
        ids = infants.decide(connection, "north", made, NOW)
        others = infants.decide(connection, "south", made, NOW)
        event.listen(database.engine, "before_cursor_execute", note)
        assert decided.of(connection, "north", ids[:3]) == dict(zip(ids[:3], made[:3], strict=True))
        assert decided.of(connection, "north", ids[:3])[ids[0]] == made[0]
        assert decided.of(connection, "north", ids[:4])[ids[3]] == made[3]
        assert decided.of(connection, "north", others) == {}  # a number of another site is nobody's here
        assert decided.of(connection, "north", ids) == dict(zip(ids, made, strict=True))
        event.remove(database.engine, "before_cursor_execute", note)
    assert asked == [set(ids[:3]), {ids[3]}, set(others), {ids[4]}]
    assert len(decided._read) <= 4


def test_a_site_is_counted_again_when_something_was_decided_there(database: Database) -> None:
    census, states = Census(), {"eligible": 0, "unknown": 0, "not-eligible": 0, "closed": 0}

    def arrive(patient: str, site: str) -> None:
        with database.transaction() as connection:
            decision = a_decision(patient=patient)
            (number,) = infants.decide(connection, site, [decision], NOW)
            row = {"known_since": NOW.date(), "first_seen": NOW, "changed_at": NOW, "unit": "", "left_hospital": False}
            who = {"site": site, "patient": patient, "key": uuid4(), "name": "", "identifier": "", "bed": ""}
            infants.put(connection, [{**row, **who, "decision": number, **infants.judgement(decision)}])

    def count(*sites: str) -> dict[str, int]:
        with database.transaction() as connection:
            return census.of(connection, sites)

    assert count("north", "south") == states
    arrive("a", "north")
    assert count("north", "south") == {**states, "eligible": 1}
    arrive("b", "north")
    arrive("c", "south")
    assert count("north", "south") == {**states, "eligible": 3}
    assert count("south") == {**states, "eligible": 1}
    assert count() == states
