"""Waits for a descriptor, and can be woken from another thread."""

from __future__ import annotations

import contextlib
import os
import select
import threading


class Alarm:
    """Wait until the descriptor `fd` has something, a time has passed or somebody rings.

    Unlike select(), poll() has no limit on the number of a descriptor. POSIX only.
    """

    def __init__(self, fd: int) -> None:
        self._ear, self._bell = os.pipe()
        self._fd = fd
        self._waiter = select.poll()
        self._waiter.register(fd, select.POLLIN)
        self._waiter.register(self._ear, select.POLLIN)
        self._lock = threading.Lock()
        self._closed = False
        os.set_blocking(self._ear, False)
        os.set_blocking(self._bell, False)

    def ring(self) -> None:
        """End the present wait, or the next one, at once."""
        # The lock keeps a late ring out of whatever file takes the number after a close.
        with self._lock:
            if not self._closed:
                with contextlib.suppress(BlockingIOError):  # Full: it rings already.
                    os.write(self._bell, b"!")

    def wait(self, seconds: float | None) -> int:
        """The poll() events of the descriptor, 0 when there are none; None waits for ever."""
        events = 0
        # poll() counts in milliseconds, and rounds up what is less.
        for fd, seen in self._waiter.poll(None if seconds is None else max(0.0, seconds) * 1000):
            if fd == self._fd:
                events = seen
            else:
                with contextlib.suppress(BlockingIOError):
                    os.read(self._ear, 64)
        return events

    def close(self) -> None:
        with self._lock:
            self._closed = True
            os.close(self._ear)
            os.close(self._bell)
