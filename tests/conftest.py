"""What many tests share: a real PostgreSQL server, and a fresh, migrated database for each test that asks."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import psycopg
import pytest
from hypothesis import Phase, settings
from sqlalchemy.engine import make_url

from service.store.database import Database, migrate
from service.store.postgres import EmbeddedPostgres

# Neither the sites' zone nor UTC, so that a day taken from the machine's clock shows. Programs started here inherit it.
os.environ["TZ"] = "Pacific/Auckland"
time.tzset()

# For mutation testing (tests/benchmarks/mutation.py): few examples, the same in every run, and no search for a smaller
# one when a test fails. HYPOTHESIS=brief chooses it.
settings.register_profile(
    "brief",
    max_examples=15,
    stateful_step_count=20,
    derandomize=True,
    database=None,
    deadline=None,
    phases=(Phase.explicit, Phase.generate),
    report_multiple_bugs=False,
)
# No test is a measurement: how long one example takes says only how busy the machine is.
settings.register_profile("untimed", settings(), deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS") or "untimed")


@pytest.fixture
def data_folder() -> Iterator[Path]:
    """An empty folder for a server of one's own, near the root: a socket's path must be short."""
    folder = Path(tempfile.mkdtemp(prefix="ridgeline-test-"))
    yield folder
    shutil.rmtree(folder)


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """The owner's URL on the one server of this run; tests make databases of their own beside this one."""
    folder = Path(tempfile.mkdtemp(prefix="ridgeline-tests-"))
    try:
        with EmbeddedPostgres(durable=False) as postgres:
            yield postgres.start(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)  # the server may still be taking its last files away


@pytest.fixture(scope="session")
def template_url(postgres_url: str) -> str:
    """A database migrated once; others are copied from it, which takes a twentieth of the time."""
    return _create(postgres_url, "ridgeline_template", migrated=True)


@pytest.fixture
def empty_url(postgres_url: str) -> Iterator[str]:
    """The owner's URL of a fresh database with nothing in it."""
    url = _create(postgres_url, f"empty_{uuid.uuid4().hex}")
    yield url
    _drop(postgres_url, url)


@pytest.fixture
def database_url(postgres_url: str, template_url: str) -> Iterator[str]:
    """The owner's URL of a fresh, migrated database."""
    url = _create(postgres_url, f"test_{uuid.uuid4().hex}", template=template_url)
    yield url
    _drop(postgres_url, url)


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """A fresh, migrated database under the service role."""
    database = Database(database_url)
    yield database
    database.close()


@pytest.fixture(scope="module")
def new_database(postgres_url: str, template_url: str) -> Iterator[Callable[[], Database]]:
    """Makes fresh, migrated databases under the service role, for fixtures that several tests of a module share."""
    with ExitStack() as stack:

        def make() -> Database:
            url = _create(postgres_url, f"shared_{uuid.uuid4().hex}", template=template_url)
            stack.callback(_drop, postgres_url, url)
            database = Database(url)
            stack.callback(database.close)
            return database

        yield make


def _create(server: str, name: str, template: str | None = None, migrated: bool = False) -> str:
    copied = make_url(template).database if template else "template0"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{copied}"')
    url = make_url(server).set(database=name).render_as_string(hide_password=False)
    if migrated:
        migrate(url)
    return url


def _drop(server: str, url: str) -> None:
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{make_url(url).database}" WITH (FORCE)')
