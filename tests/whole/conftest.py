"""A real Chromium for the tests that look at pages, a server and a port for those that pair."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.store.engine import sqlite_url
from capture.pretend import PtyPort
from tests.api.postgres import PostgresServer, postgres
from tests.ptys import PATIENCE_S, plugged
from tests.whole.at_the_bench import bench, complaints  # noqa: F401 (fixtures)
from tests.whole.browser import CHROMIUM, FLAGS
from tests.whole.forked import serving
from tests.whole.serving import Serving

expect.set_options(timeout=PATIENCE_S * 1000)


# Started last, it would keep one processor busy for a minute while the other is idle.
_LONGEST = "test_a_server_killed_a_hundred_times_gets_every_reading_once_and_in_order"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.name != _LONGEST)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's Chromium where there is one, else the one Playwright brings."""
    found = {"executable_path": str(CHROMIUM)} if Path(CHROMIUM).exists() else {}
    return {**browser_type_launch_args, **found, "args": list(FLAGS)}


@pytest.fixture(scope="session")
def base_url() -> None:
    """None: each test names its own server. (The plugin's own fixture of this name is one
    that the present pytest warns of.)"""


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    """One server for the tests of a module."""
    with serving(tmp_path_factory.mktemp("shared") / "data") as running:
        yield running


@pytest.fixture
def server(shared: Serving) -> Iterator[Serving]:
    """The shared server, with nothing under way and nothing listened to before or after."""
    yield shared
    shared.client.delete("/api/identify")
    for each in shared.get("/api/calipers"):
        if each["spec"]:
            shared.client.delete(f"/api/calipers/{each['name']}")


@pytest.fixture
def port() -> Iterator[PtyPort]:
    with plugged() as made:
        yield made


@pytest.fixture(scope="module")
def database() -> Iterator[PostgresServer]:
    """A PostgreSQL for the tests of a module."""
    with postgres() as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of a store that nobody has opened yet, on either engine."""
    if request.param == "sqlite":
        return sqlite_url(tmp_path)
    server: PostgresServer = request.getfixturevalue("database")
    return server.url(server.new_database())
