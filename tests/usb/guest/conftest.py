"""The tests here are for the inside of the emulated machine alone: `sh tests/usb/run`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

import pytest

from tests.ptys import until
from tests.usb.guest.hand import INSIDE, Hand
from tests.usb.guest.person import ADAPTER, CALIPER, DESK, soon

# Outside there are no plugs to pull; tests/usb/test_real_usb.py says so in the report.
collect_ignore_glob = [] if INSIDE else ["test_*.py"]


@pytest.fixture(scope="session")
def line_to_host() -> Iterator[Hand]:
    its = Hand()
    yield its
    its.close()


@pytest.fixture
def hand(line_to_host: Hand) -> Hand:
    """The hand, with everything plugged in."""
    for what, name in (("caliper", CALIPER), ("desk", DESK), ("adapter", ADAPTER)):
        # Whatever the test before did with it.
        if not until(name.exists, 5.0):
            with suppress(RuntimeError):
                line_to_host.unplug(what)
            line_to_host.plug(what)
            assert soon(name.exists), f"{what} does not come back"
    return line_to_host
