"""Connections to PostgreSQL under the service role, and the schema they expect.

One `DATABASE_URL` is enough: `migrate` works as the URL's own user and owns the tables; everything else connects
with the same URL and drops to the service role in the same breath, so that no statement of the running service
can change the schema, rewrite a fact or delete a row.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import psycopg
import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from psycopg.conninfo import make_conninfo
from sqlalchemy import Connection, Engine, create_engine, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, OperationalError

from service.errors import ConfigurationError
from service.store.tables import SERVICE_ROLE

JOBS_SCHEMA: Final = "procrastinate"
"""The schema that holds the job queue's own tables and functions."""

OLDEST_SERVER: Final = 16
"""The oldest major version of PostgreSQL the service works with."""

_WHERE: Final = "DATABASE_URL"
# jit: many small statements, none of which earns back a compilation
_OPTIONS: Final = f"-c role={SERVICE_ROLE} -c search_path=public,{JOBS_SCHEMA} -c timezone=UTC -c jit=off"


class Database:
    """Connections under the service role.

    `url` is the owner's URL as given; `engine` connects with psycopg, as `ridgeline_service`, in UTC. Connections
    are opened when first needed and checked before use, so a database that restarts is found again.
    """

    def __init__(self, url: str, pool_size: int = 8) -> None:
        self.url: str = url
        parsed = _parse(url)
        own = parsed.query.get("options", "")
        self._options = f"{own if isinstance(own, str) else ' '.join(own)} {_OPTIONS}".strip()
        self.engine: Engine = create_engine(
            parsed.update_query_dict({"options": self._options}),
            pool_size=pool_size,
            max_overflow=pool_size,
            pool_pre_ping=True,
            hide_parameters=True,  # an error's text ends up in logs
        )

    @property
    def conninfo(self) -> str:
        """The same for libpq, service role included, for whoever brings their own pool. Holds the password."""
        plain = _parse(self.url).set(drivername="postgresql").render_as_string(hide_password=False)
        return make_conninfo(plain, options=self._options)

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """begin … commit, or rollback when the block raises."""
        with self.engine.begin() as connection:
            yield connection

    def lock_sites(self, connection: Connection, sites: Iterable[str]) -> None:
        """Hold each of the sites until the transaction ends; one order for everybody, so nobody waits in a circle.
        Whoever holds a site asks what time it is only then: what is recorded there is recorded in order."""
        for key in sorted({_lock_key(f"site {site}") for site in sites}):
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": key})

    @contextmanager
    def alone(self, work: str) -> Iterator[bool]:
        """True for the one process that may do this work until the block ends; False for every other. No lock outlives
        its process."""
        with self.transaction() as connection:
            yield bool(
                connection.execute(text("SELECT pg_try_advisory_xact_lock(:key)"), {"key": _lock_key(work)}).scalar()
            )

    def close(self) -> None:
        """Close every connection; the database itself goes on."""
        self.engine.dispose()


def migrate(url: str) -> list[str]:
    """Make the service role and bring the schema to the newest revision, all or nothing, as the URL's own user.

    Returns the revisions applied, oldest first; none when the schema was new enough. Two processes may start at
    once: the second waits, then finds nothing to do. Raises ConfigurationError when the database cannot be reached,
    is too old, or does not let its user do this.
    """
    with _owner(url) as connection:
        connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _lock_key("migrate")})
        todo = _missing(connection)
        if todo:
            _prepare_role(connection)
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
        return todo


def pending(url: str) -> list[str]:
    """The revisions `migrate` would apply, oldest first. Raises ConfigurationError as `migrate` does."""
    with _owner(url) as connection:
        return _missing(connection)


def _parse(url: str) -> URL:
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError):
        # SQLAlchemy's own text would repeat the URL, password and all.
        raise ConfigurationError(_WHERE, "this is not a database URL; write postgresql://user@host/database") from None
    if parsed.get_backend_name() not in ("postgresql", "postgres"):
        raise ConfigurationError(_WHERE, "the service keeps its data in PostgreSQL only", ("postgresql://…",))
    return parsed.set(drivername="postgresql+psycopg")


@contextmanager
def _owner(url: str) -> Iterator[Connection]:
    engine = create_engine(_parse(url), poolclass=sqlalchemy.NullPool)
    try:
        connection = engine.connect()
    except OperationalError as error:
        raise ConfigurationError(_WHERE, f"the database cannot be reached: {_first_line(error.orig)}") from None
    try:
        with connection, connection.begin():
            yield connection
    except sqlalchemy.exc.DBAPIError as error:
        if isinstance(error.orig, psycopg.errors.InsufficientPrivilege):
            raise ConfigurationError(
                _WHERE,
                "its user may not set up the schema: it must own the database, and either be allowed to create roles "
                f"or be a member of a role named {SERVICE_ROLE} made beforehand ({_first_line(error.orig)})",
            ) from None
        raise
    finally:
        engine.dispose()


def _prepare_role(connection: Connection) -> None:
    """Roles belong to the whole server, so another database may be making the same one at this moment."""
    version = int(connection.execute(text("SHOW server_version_num")).scalar_one()) // 10000
    if version < OLDEST_SERVER:
        raise ConfigurationError(_WHERE, f"PostgreSQL {version} is too old; {OLDEST_SERVER} or newer is needed")
    connection.exec_driver_sql(f"""
        DO $$ BEGIN
            IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{SERVICE_ROLE}') THEN
                CREATE ROLE {SERVICE_ROLE} NOLOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS;
            END IF;
        EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL;
        END $$
    """)
    member, mighty = connection.execute(
        text(
            "SELECT pg_has_role(oid, 'SET'), rolsuper OR rolbypassrls OR rolcreaterole "
            "FROM pg_roles WHERE rolname = :role"
        ),
        {"role": SERVICE_ROLE},
    ).one()
    if mighty:
        raise ConfigurationError(_WHERE, f"the role {SERVICE_ROLE} exists and may do too much; make it an ordinary one")
    if not member:
        connection.exec_driver_sql(f"GRANT {SERVICE_ROLE} TO CURRENT_USER WITH INHERIT FALSE, SET TRUE")


def _missing(connection: Connection) -> list[str]:
    script = ScriptDirectory.from_config(_config())
    present = set(MigrationContext.configure(connection).get_current_heads())
    known = [revision.revision for revision in reversed(list(script.walk_revisions()))]
    if present - set(known):
        raise ConfigurationError(_WHERE, "the database was set up by a newer version of the service than this one")
    done = {older.revision for head in present for older in script.iterate_revisions(head, "base")}
    return [revision for revision in known if revision not in done]


def _config() -> Config:
    config = Config()
    # `%` is the parser's own sign: a folder name may hold one.
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    return config


def _lock_key(words: str) -> int:
    return int.from_bytes(hashlib.sha256(f"ridgeline {words}".encode()).digest()[:8], signed=True)


def _first_line(error: BaseException | None) -> str:
    return str(error).strip().partition("\n")[0]
