"""Chance is the same in every run, a busy machine decides nothing, and no test another one."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


@pytest.fixture(autouse=True)
def _same_rights_of_new_files() -> Iterator[None]:
    """A command that a test runs in this process narrows them for good."""
    before = os.umask(0o022)
    os.umask(before)
    yield
    os.umask(before)
