"""The tests here are for the inside of the emulated machine alone: `sh tests/usb/run`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.usb.guest.hand import INSIDE, Hand

# Outside there are no plugs to pull; tests/usb/test_real_usb.py says so in the report.
collect_ignore_glob = [] if INSIDE else ["test_*.py"]


@pytest.fixture(scope="session")
def hand() -> Iterator[Hand]:
    its = Hand()
    yield its
    its.close()
