"""People, sessions, tries and looks on a real server: what is kept, what may be changed, and what happens at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError, ProgrammingError

from service.errors import NotFound, NotUnderstood
from service.store import looks, people
from service.store.database import Database
from service.store.passwords import SHORTEST, check_new, hash_password, is_password, mark
from service.store.people import MOST_BY_NAME, Person

NOW = datetime(2031, 6, 1, 20, tzinfo=UTC)


def add(database: Database, sign_in: str = "fennel", role: str = "unit", kept: str = "kept") -> Person:
    with database.transaction() as connection:
        wanted = Person("Nurse Fennel", role, frozenset({"northbank"}), sign_in=sign_in)
        return people.add(connection, wanted, kept, NOW)


def begin(database: Database, person: Person) -> str:
    with database.transaction() as connection:
        return people.begin(connection, person, NOW)


def whose(database: Database, token: str, machine: bool = False) -> Person | None:
    with database.transaction() as connection:
        return people.whose(connection, token, NOW, machine)


def change(database: Database, person: Person, **what: Any) -> Person:
    assert person.id is not None
    with database.transaction() as connection:
        return people.change(connection, person.id, NOW, **what)


@pytest.mark.parametrize("password", ["", "a" * (SHORTEST - 1), "abababababababab", "my-fennel-garden", "x" * 300])
def test_what_is_no_password(password: str) -> None:
    with pytest.raises(NotUnderstood) as refused:
        check_new(password, "fennel")
    assert not password or password not in str(refused.value)


def test_a_password_is_kept_as_argon2id_and_compared() -> None:
    kept = hash_password("seven grey herons at dawn")
    assert kept.startswith("$argon2id$v=19$m=65536,t=3,")  # RFC 9106, section 4, second recommended option
    assert is_password(kept, "seven grey herons at dawn")
    assert not is_password(kept, "seven grey herons at dusk")
    assert not is_password("", "") and not is_password("not a hash", "x")


def test_a_mark_is_the_same_for_the_same_name_and_tells_nothing() -> None:
    assert mark("name", "Fennel") == mark("name", "fennel") != mark("from", "fennel")
    assert len(mark("name", "x" * 500)) == len("name:") + 8


def test_a_sign_in_name_belongs_to_one(database: Database) -> None:
    add(database)
    with pytest.raises(NotUnderstood, match="taken"):
        add(database, "FENNEL")


@pytest.mark.parametrize(
    "what",
    [{"name": " "}, {"name": "two\nlines"}, {"role": "king"}, {"role": "machine"}, {"sites": ()}, {"name": "n" * 81}],
)
def test_a_change_that_cannot_be(database: Database, what: dict[str, Any]) -> None:
    person = add(database)
    with pytest.raises(NotUnderstood):
        change(database, person, **what)
    with database.transaction() as connection:
        assert people.everybody(connection) == [person]


@pytest.mark.parametrize(
    ("what", "stays"),
    [
        ({"name": "Sister Fennel"}, True), ({"language": "es"}, True), ({"role": "coordinator"}, False),
        ({"sites": ("eastmere",)}, False), ({"all_sites": True}, False), ({"kept_password": "other"}, False),
        ({"active": False}, False),
    ],
)  # fmt: skip
def test_whoever_may_see_otherwise_signs_in_again(database: Database, what: dict[str, Any], stays: bool) -> None:
    person = add(database)
    token = begin(database, person)
    assert whose(database, token) == person
    changed = change(database, person, **what)
    assert (whose(database, token) == changed) is stays


def test_somebody_retired_cannot_sign_in_and_counts_as_registered(database: Database) -> None:
    person = add(database)
    change(database, person, active=False)
    with database.transaction() as connection:
        assert people.password_of(connection, "fennel") == (None, "")
        assert people.is_anybody_registered(connection)  # retiring the last one opens nothing
        assert people.id_of(connection, "Fennel") == person.id
        with pytest.raises(NotFound):
            people.id_of(connection, "nobody")


def test_a_machine_has_no_password_and_no_end(database: Database) -> None:
    machine = add(database, "interface", "machine", "")
    token = begin(database, machine)
    with database.transaction() as connection:
        assert people.password_of(connection, "interface") == (None, "")
        assert people.whose(connection, token, NOW + timedelta(days=900), machine=True) == machine
        assert people.whose(connection, token, NOW, machine=False) is None


def test_many_tries_at_once_gain_nothing(database: Database) -> None:
    name = mark("name", "fennel")

    def attempt(number: int) -> bool:
        with database.transaction() as connection:
            return people.try_again_after(connection, name, mark("from", str(number)), NOW) is None

    with ThreadPoolExecutor(8) as many:
        allowed = sum(many.map(attempt, range(MOST_BY_NAME * 3)))
    assert allowed == MOST_BY_NAME


def test_only_what_has_to_change_can_be_changed(database: Database) -> None:
    add(database)
    begin(database, add(database, "sorrel"))
    for statement in (
        "UPDATE people SET id = gen_random_uuid()", "DELETE FROM people", "UPDATE sessions SET person = person",
        "UPDATE sessions SET ends_at = NULL", "DELETE FROM sessions", "UPDATE attempts SET good = true",
        "DELETE FROM attempts", "UPDATE looks SET kind = 'list'", "DELETE FROM looks",
    ):  # fmt: skip
        with pytest.raises(ProgrammingError, match="permission denied"), database.transaction() as connection:
            connection.execute(text(statement))


def test_a_look_is_of_a_known_kind(database: Database) -> None:
    with pytest.raises(IntegrityError, match="looks_kind_check"), database.transaction() as connection:
        looks.write(connection, "guess", NOW, None)
    with database.transaction() as connection:
        looks.write(connection, "list", NOW, None, "/", [("north", None), ("south", None)])
        found = looks.between(connection, NOW, NOW + timedelta(seconds=1), sites=["north"])[0]
        assert [each.site for each in found] == ["north"]
        assert looks.between(connection, NOW + timedelta(seconds=1), NOW + timedelta(days=1)) == ([], 0)
