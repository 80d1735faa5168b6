"""A raw pseudo-terminal with a lasting name, as a system gives to what is plugged in."""

from __future__ import annotations

import fcntl
import struct
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from capture.pretend import PtyPort


@contextmanager
def plugged(link: Path | None = None) -> Iterator[PtyPort]:
    """A port for a test: `send` bytes, `unplug`, `plug` again (under another number)."""
    port = PtyPort(str(link) if link is not None else None)
    try:
        yield port
    finally:
        port.close()


def unread(port: PtyPort) -> int:
    """How many bytes nobody has read yet of those that were sent to a port that is plugged in."""
    assert port._ends is not None
    (count,) = struct.unpack("i", fcntl.ioctl(port._ends[1], termios.FIONREAD, b"\0" * 4))
    return int(count)


# A busy machine may take long; only a test that fails waits for so long.
PATIENCE_S: Final = 30.0


def until(condition: Callable[[], object], seconds: float = PATIENCE_S) -> bool:
    """Whether `condition` comes true within `seconds`."""
    deadline = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.005)
    return True
