"""A shop on a real store of its own, and a client that talks to its application.

What asks for `store_url`, `server` or `client` runs twice: on an SQLite file and on PostgreSQL.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy import Engine

from api.access.book import Book
from api.server import Server
from api.settings import Settings
from api.store import migrations
from api.store.engine import open_engine, sqlite_url
from tests.api.documented import documented
from tests.api.postgres import PostgresServer, postgres
from tests.api.safe import assert_safe


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[PostgresServer]:
    # What a power cut does to PostgreSQL itself is not under test. And no plan may hang on
    # whether it happened to look through the tables before.
    with postgres("fsync=off", "full_page_writes=off", "autovacuum=off") as server:
        yield server


@pytest.fixture(scope="session")
def upgraded_database(postgres_server: PostgresServer) -> str:
    """A database at the newest step, to copy: faster than making the tables each time."""
    name = postgres_server.new_database()
    engine = open_engine(postgres_server.url(name))
    migrations.upgrade(engine)
    engine.dispose()
    return name


@pytest.fixture(scope="session")
def upgraded_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same as an SQLite file."""
    folder = tmp_path_factory.mktemp("upgraded")
    engine = open_engine(sqlite_url(folder))
    migrations.upgrade(engine)
    engine.dispose()
    (file,) = folder.iterdir()
    return file


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of an empty store at the newest step."""
    if request.param == "sqlite":
        folder = tmp_path / "data"
        folder.mkdir()
        shutil.copy(request.getfixturevalue("upgraded_file"), folder)
        yield sqlite_url(folder)
        return
    server: PostgresServer = request.getfixturevalue("postgres_server")
    name = server.new_database(request.getfixturevalue("upgraded_database"))
    yield server.url(name)
    server.drop_database(name)


ON_SQLITE = pytest.mark.parametrize("store_url", ["sqlite"], indirect=True)
"""On one engine alone: for what is decided before the store is asked, and for further cases of a
question whose queries other tests try on both."""

ON_BOTH = pytest.mark.parametrize("store_url", ["sqlite", "postgresql"], indirect=True)
"""On both engines, in a folder whose tests run on SQLite alone where nothing is said."""


@pytest.hookimpl(tryfirst=True)
def on_sqlite_unless_said(metafunc: pytest.Metafunc) -> None:
    """A folder's `pytest_generate_tests`, where few tests send a query that no other one sends."""
    marks = metafunc.definition.iter_markers("parametrize")
    said = any("store_url" in mark.args[0] for mark in marks)
    if "store_url" in metafunc.fixturenames and not said:
        metafunc.definition.add_marker(ON_SQLITE)


@pytest.fixture
def engine(store_url: str) -> Iterator[Engine]:
    """An engine on an empty store."""
    made = open_engine(store_url)
    migrations.upgrade(made)
    yield made
    made.dispose()


@pytest.fixture
def server(tmp_path: Path, store_url: str) -> Iterator[Server]:
    made = Server(Settings(data=tmp_path / "data", db=store_url))
    yield made
    made.close()


LAN_HOST = "10.0.0.5"
"""A name by which other computers know the application."""


def local_client(application: FastAPI) -> TestClient:
    """Somebody on the server's own computer, to whom nothing is answered that is not documented,
    or that a browser could be misled by."""
    made = TestClient(application, base_url="http://127.0.0.1:8017", client=("127.0.0.1", 50_000))
    made.event_hooks = {"response": [documented(application), assert_safe]}
    return made


FAR = ("10.0.0.7", 50_000)
"""Another computer."""


def far_client(application: FastAPI, token: str | None = None) -> TestClient:
    """Somebody on another computer, with a token or with nothing."""
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    made = TestClient(application, base_url=f"http://{LAN_HOST}:8017", client=FAR, headers=headers)
    made.event_hooks = {"response": [documented(application)]}
    return made


@pytest.fixture(scope="session")
def application(upgraded_file: Path) -> FastAPI:
    """The application, which is the same on any shop: made once, not for each test."""
    from api.web.app import build  # all of the pages: not for tests that look at the store alone

    server = Server(Settings(data=upgraded_file.parent, allow_hosts=(LAN_HOST,)))
    server.close()
    return build(server)


@pytest.fixture
def client(application: FastAPI, server: Server) -> Iterator[TestClient]:
    from api.access.tries import Tries
    from api.web.limited import Limits, Rate
    from api.web.new_names import NewNames

    application.state.server = server
    application.state.new_names = NewNames()
    application.state.tries = Tries()
    # Tests ask faster than anybody.
    application.state.limits = Limits(asked=Rate(1000, 100_000), presses=Rate(1000, 100_000))
    served = list(application.router.routes)
    with local_client(application) as talking:
        yield talking
    # What a test adds is for itself alone: others ask all that is served.
    application.router.routes[:] = served


@pytest.fixture
def book(client: TestClient, server: Server, tmp_path: Path) -> Iterator[Book]:
    """The server's book of access, as one has it that serves on a network. `client` is somebody on
    its own computer."""
    del client
    server.access = Book(tmp_path / "access")
    yield server.access
    server.access.close()
