"""Reads bytes from standard input."""

from __future__ import annotations

import os
import sys

from capture.sources.ending import SourceEndedError
from capture.sources.wakeable_poll import WakeablePoll

_CHUNK = 4096


class StandardInput:
    """The program's own standard input, until it ends.

    On Windows a waiting read cannot be woken: it ends with the next line or the program.
    """

    target = "standard input"

    def __init__(self) -> None:
        self._fd = -1
        self._poll: WakeablePoll | None = None

    def open(self) -> None:
        """Raises SourceEndedError when the program has no standard input."""
        try:
            self._fd = sys.stdin.fileno()
        except (OSError, ValueError, AttributeError) as fault:
            raise SourceEndedError(
                self.target, "this program has no standard input to read"
            ) from fault
        if sys.platform != "win32":
            self._poll = WakeablePoll(self._fd)

    def read(self, wait: float | None) -> bytes:
        """What has arrived, after at most `wait` seconds.

        Raises SourceEndedError when nothing more will come.
        """
        if self._poll is not None and not self._poll.wait(wait):
            return b""
        try:
            data = os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return b""
        except OSError as fault:
            raise SourceEndedError(self.target, "standard input has broken off") from fault
        if not data:
            raise SourceEndedError(self.target, "standard input has ended")
        return data

    def wake(self) -> None:
        """End a waiting read at once. Safe from any thread."""
        if self._poll is not None:
            self._poll.wake()

    def close(self) -> None:
        """End the waiting; standard input itself stays open."""
        poll, self._poll = self._poll, None
        if poll is not None:
            poll.close()
