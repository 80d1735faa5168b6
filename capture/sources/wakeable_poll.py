"""Wait for a file descriptor, with a way to end the wait from another thread."""

from __future__ import annotations

import contextlib
import os
import select
import threading


class WakeablePoll:
    """Wait until the descriptor `fd` has data, a time has passed or `wake` is called.

    Unlike select(), poll() has no limit on the number of a descriptor. POSIX only.
    """

    def __init__(self, fd: int) -> None:
        self._wake_reader, self._wake_writer = os.pipe()
        self._fd = fd
        self._waiter = select.poll()
        self._waiter.register(fd, select.POLLIN)
        self._waiter.register(self._wake_reader, select.POLLIN)
        self._lock = threading.Lock()
        self._closed = False
        os.set_blocking(self._wake_reader, False)
        os.set_blocking(self._wake_writer, False)

    def wake(self) -> None:
        """End the present wait, or the next one, at once. Safe from any thread."""
        # After a close another file may get the same number: the lock keeps us from writing to it.
        with self._lock:
            if not self._closed:
                with contextlib.suppress(BlockingIOError):  # Full: a wake-up is pending.
                    os.write(self._wake_writer, b"!")

    def wait(self, seconds: float | None) -> int:
        """The poll() events of the descriptor, 0 if there are none; None waits without limit."""
        events = 0
        # poll() counts in milliseconds and rounds fractions up.
        for fd, seen in self._waiter.poll(None if seconds is None else max(0.0, seconds) * 1000):
            if fd == self._fd:
                events = seen
            else:
                with contextlib.suppress(BlockingIOError):
                    os.read(self._wake_reader, 64)
        return events

    def close(self) -> None:
        with self._lock:
            self._closed = True
            os.close(self._wake_reader)
            os.close(self._wake_writer)
