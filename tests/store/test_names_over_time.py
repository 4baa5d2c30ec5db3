"""Since when two records have been taken for one infant, also in a database that is older than the question."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import NullPool, create_engine, text
from sqlalchemy.engine import make_url

import service.store
from service.core.infant import Fact, Version
from service.store.database import Database, migrate, pending
from service.store.names import Membership, Names, memberships

SITE = "northgate"
START = datetime(2031, 6, 1, 7, tzinfo=UTC)


def merged(record: str, into: str, version: int) -> Fact:
    return Fact(record, "replaced_by", {"patient": into}, f"Patient/{record}", Version(version, "", str(version)))


def apart(record: str, version: int) -> Fact:
    return Fact(record, "retracted", {}, f"Patient/{record}", Version(version, "", str(version)))


def learn(database: Database, hours: float, said: dict[str, list[Fact]]) -> None:
    with database.transaction() as connection:
        Names(connection, SITE, said).learn(said, START + timedelta(hours=hours))


def test_names_as_they_were_at_any_instant(database: Database) -> None:
    story = [merged("temp", "real", 1)]
    learn(database, 0, {"temp": story})
    story.append(apart("temp", 2))
    learn(database, 2, {"temp": story})
    story.append(merged("temp", "other", 3))
    learn(database, 4, {"temp": story})
    learn(database, 6, {"real": [merged("real", "other", 1)]})

    def root(name: str, hours: float) -> str:
        with database.transaction() as connection:
            return Names(connection, SITE, [name], START + timedelta(hours=hours)).root(name)

    assert [root("temp", hours) for hours in (-1, 0, 1, 2, 3, 4, 7)] == [
        "temp", "real", "real", "temp", "temp", "other", "other",
    ]  # fmt: skip
    assert [root("real", hours) for hours in (0, 5, 6)] == ["real", "real", "other"]
    with database.transaction() as connection:
        assert Names(connection, SITE, ["temp"]).leads(["real"]) == {"real": "other", "temp": "other", "other": "other"}
        then = Names(connection, SITE, ["temp"], START).leads(["temp"])
        assert then == {"temp": "real", "real": "real"}
        hours = {name: START + timedelta(hours=name) for name in (0, 2, 4, 6)}
        assert memberships(connection, SITE, "real") == [Membership("real"), Membership("temp", hours[0], hours[2])]
        assert memberships(connection, SITE, "other") == [
            Membership("other"), Membership("real", hours[6]), Membership("temp", hours[4]),
        ]  # fmt: skip
        assert memberships(connection, SITE, "temp") == [Membership("temp")]
        assert memberships(connection, "elsewhere", "other") == [Membership("other")]


def test_names_learned_before_anybody_asked_since_when_are_kept(template_url: str, empty_url: str) -> None:
    """`template_url` only makes sure that the service role exists."""
    engine = create_engine(make_url(empty_url).set(drivername="postgresql+psycopg"), poolclass=NullPool)
    config = Config()
    config.set_main_option("script_location", str(Path(service.store.__file__).with_name("migrations")))
    config.set_main_option("path_separator", "newline")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
        connection.execute(text("INSERT INTO aliases VALUES ('northgate', 'temp', 'real')"))
    assert pending(empty_url)[0] == "0002"
    migrate(empty_url)
    database = Database(empty_url)
    with database.transaction() as connection:
        assert Names(connection, SITE, ["temp"], START).root("temp") == "real"
        assert [each.name for each in memberships(connection, SITE, "real")] == ["real", "temp"]
    database.close()
