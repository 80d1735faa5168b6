"""A real Chromium for the tests that look at pages, a server and a port for those that pair."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, expect

from capture.pretend import PtyPort
from tests.api.conftest import (  # noqa: F401 (fixtures)
    postgres_server,
    store_url,
    upgraded_database,
    upgraded_file,
)
from tests.ptys import PATIENCE_S, plugged
from tests.whole.at_the_bench import bench, complaints  # noqa: F401 (fixtures)
from tests.whole.browser import CHROMIUM, FLAGS, Policed
from tests.whole.forked import serving
from tests.whole.serving import Serving

expect.set_options(timeout=PATIENCE_S * 1000)


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's Chromium where there is one, else the one Playwright brings."""
    found = {"executable_path": str(CHROMIUM)} if Path(CHROMIUM).exists() else {}
    return {**browser_type_launch_args, **found, "args": list(FLAGS)}


@pytest.fixture(autouse=True)
def policed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Policed]:
    """No page does what its security policy forbids, in whatever test one is looked at."""
    made = Policed()
    new_context = Browser.new_context
    monkeypatch.setattr(
        Browser, "new_context", lambda *args, **kwargs: made.watch(new_context(*args, **kwargs))
    )
    yield made
    assert made.refused == []


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
