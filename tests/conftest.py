"""Chance is the same in every run, and a busy machine decides nothing."""

from __future__ import annotations

import gc

from hypothesis import settings

settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


def pytest_collection_finish() -> None:
    """All that importing and collecting made stays until the end: looking through it again and
    again took a tenth of the tests' CPU. Servers in processes of their own are as they are."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
