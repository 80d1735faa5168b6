"""A real Chromium for the tests that look at pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.whole.browser import CHROMIUM, FLAGS


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """The system's Chromium where there is one, else the one Playwright brings."""
    found = {"executable_path": str(CHROMIUM)} if Path(CHROMIUM).exists() else {}
    return {**browser_type_launch_args, **found, "args": list(FLAGS)}


@pytest.fixture(scope="session")
def base_url() -> None:
    """None: each test names its own server. (The plugin's own fixture of this name is one
    that the present pytest warns of.)"""
