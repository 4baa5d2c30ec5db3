"""Finding people by what their names begin with, and whether PostgreSQL does it by the index."""

from __future__ import annotations

import unicodedata
import uuid
from datetime import UTC, date, datetime
from typing import Any

import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import event
from sqlalchemy.engine import make_url

from service.store import infants
from service.store.database import Database
from service.store.lookup import fold, search, words_of

NOW = datetime(2031, 6, 1, 3, 0, tzinfo=UTC)
TODAY = date(2031, 6, 1)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("Zoë O'Neill-Žák", ["zoe", "o", "neill", "zak"]),
        ("Łucja Strauß", ["lucja", "strauss"]),
        ("Åse Øvergård", ["ase", "overgard"]),
        ("N-100/7", ["n", "100", "7"]),
        ("  ", []),
        ("İdil", ["idil"]),
        ("'); DROP TABLE infants; --", ["drop", "table", "infants"]),
    ],
)
def test_words_without_case_and_accents(said: str, words: list[str]) -> None:
    assert fold(said) == words


@given(st.text(max_size=60))
def test_folding_again_and_in_any_case_changes_nothing(said: str) -> None:
    folded = fold(said)
    assert fold(" ".join(folded)) == folded
    assert fold(unicodedata.normalize("NFD", said)) == fold(unicodedata.normalize("NFC", said))
    assert all(word and "'" not in word and "\\" not in word and "\0" not in word for word in folded)


def infant(patient: str, name: str, number: str, bed: str = "", site: str = "north", **changes: Any) -> dict[str, Any]:
    row = {
        "site": site, "patient": patient, "key": uuid.uuid4(), "known_since": TODAY, "first_seen": NOW,
        "changed_at": NOW, "decision": None, "state": "eligible", "eligible": "yes", "kind": "first-exam",
        "opens": TODAY, "due": TODAY, "closes": TODAY, "name": name, "identifier": number, "unit": "", "bed": bed,
        "left_hospital": False,
    }  # fmt: skip
    return row | changes


CLOSED = {"state": "closed", "eligible": "no", "kind": "none", "opens": None, "due": None, "closes": None}


@pytest.fixture
def known(database: Database) -> Database:
    with database.transaction() as connection:
        infants.put(
            connection,
            [
                infant("a", "Zoë Teakettle", "N-100", "Bed 4"),
                infant("b", "Zoran Teale", "N-1001", "14", **CLOSED),
                infant("c", "Bo Teakettle", "N-200"),
                infant("d", "Zoe Teakettle", "N-100", "4", site="south"),
            ],
        )
    return database


@pytest.mark.parametrize(
    ("said", "who"),
    [
        ("zoe tea", ["a"]),
        ("TEA", ["c", "a", "b"]),  # on the list first, by name
        ("n-100", ["a", "b"]),
        ("N100", ["a", "b"]),
        ("n1001", ["b"]),
        ("bed 4", ["a"]),
        ("4", ["a"]),  # one digit is a whole word: bed 14 is another bed
        ("kettle", []),  # words are known by their beginnings
        ("zoe zoran", []),
        ("!!", []),
        ("' | 'bo", ["c"]),
        ("\0", []),
    ],
)
def test_every_word_has_to_begin_so(known: Database, said: str, who: list[str]) -> None:
    with known.transaction() as connection:
        assert [row.patient for row in search(connection, ["north"], said, 10)] == who


def test_no_more_than_asked_for_and_only_at_these_sites(known: Database) -> None:
    with known.transaction() as connection:
        assert [row.site for row in search(connection, ["south"], "zoe", 10)] == ["south"]
        assert search(connection, [], "zoe", 10) == []
        assert len(search(connection, ["north", "south"], "z", 10)) == 0  # one letter is a whole word
        assert len(search(connection, ["north", "south"], "zo", 2)) == 2


def test_who_is_renamed_or_moved_is_found_by_the_new_words_alone(known: Database) -> None:
    with known.transaction() as connection:
        infants.put(connection, [infant("c", "Ida Marsh", "N-200", "7")])
        assert search(connection, ["north"], "bo", 10) == []
        assert [row.patient for row in search(connection, ["north"], "marsh 7", 10)] == ["c"]
        assert words_of("Ida Marsh", "N-200", "7") == ["200", "7", "bed", "ida", "marsh", "n", "n200"]


def test_searching_and_listing_go_by_their_indexes(known: Database, database_url: str) -> None:
    """In a table so large that reading all of it would be the wrong plan."""
    with psycopg.connect(make_url(database_url).render_as_string(hide_password=False), autocommit=True) as owner:
        owner.execute(
            "INSERT INTO infants (site, patient, key, known_since, first_seen, changed_at, state, eligible, kind, name,"
            " words) SELECT 'north', 'x' || n, gen_random_uuid(), DATE '2031-01-01', now(), now(), 'closed', 'no',"
            " 'none', 'Known ' || n, ARRAY['known', n::text] FROM generate_series(1, 20000) n"
        )
        owner.execute("ANALYZE infants")
    asked: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        asked.append((statement, parameters))

    event.listen(known.engine, "before_cursor_execute", note)
    with known.transaction() as connection:
        assert len(search(connection, ["north"], "known 777", 5)) == 5
        assert infants.pending(connection, "north")
        event.remove(known.engine, "before_cursor_execute", note)
        plans = [
            "\n".join(row[0] for row in connection.exec_driver_sql(f"EXPLAIN {statement}", parameters))
            for statement, parameters in asked
            if "FROM infants" in statement
        ]
    assert len(plans) == 3
    assert "infants_words_idx" in plans[1]
    assert "infants_due_idx" in plans[2]
