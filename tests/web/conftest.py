"""The web application over the real flow and the real database."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import httpx
import pytest
from fastapi import FastAPI
from web.serving import calling, serve
from web.ward import NOW, fill, two_sites

from service.flow import Flow
from service.policies import load_policies
from service.store.database import Database
from service.web.application import build


def make_flow(database: Database) -> Flow:
    return Flow(database, two_sites(), load_policies(), lambda: NOW)


def make_app(flow: Flow) -> FastAPI:
    return build(flow, every=0.05)


@pytest.fixture
def flow(database: Database) -> Flow:
    """The flow of two sites where nothing has arrived."""
    return make_flow(database)


@pytest.fixture
def app(flow: Flow) -> FastAPI:
    return make_app(flow)


@pytest.fixture
def served(app: FastAPI) -> Iterator[str]:
    """The application on a real socket of loopback; the address."""
    with serve(app) as address:
        yield address


@pytest.fixture
def client(served: str) -> Iterator[httpx.Client]:
    """A caller of the application on its socket. Nothing has arrived yet."""
    with httpx.Client(base_url=served, timeout=30) as client:
        yield client


@pytest.fixture
def own_ward(flow: Flow, client: httpx.Client) -> httpx.Client:
    """Everybody has arrived; what the test sends to `flow` comes on top."""
    fill(flow)
    return client


@pytest.fixture(scope="module")
def ward(new_database: Callable[[], Database]) -> Iterator[httpx.Client]:
    """Everybody has arrived. Shared by the tests that only look."""
    database = new_database()
    flow = make_flow(database)
    fill(flow)
    with calling(make_app(flow)) as client:
        yield client
