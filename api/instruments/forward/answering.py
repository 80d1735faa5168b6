"""What the person at a bench elsewhere is told of each press: what the server asks about it, where
it says that soon; else that it is kept."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final, NamedTuple
from uuid import UUID

from capture.records import Reading

SOON_S: Final = 2.0
"""Nobody waits longer for a sound than this."""


class _Waiting(NamedTuple):
    reading: Reading
    until: float


class Answering:
    """Calls tell(reading, question) once for each press that was kept; the question is empty where
    nothing is asked, or not in time.

    `tell` is called from several threads, one at a time. End with `close`.
    """

    def __init__(self, tell: Callable[[Reading, str], None], soon_s: float = SOON_S) -> None:
        self._tell = tell
        self._soon_s = soon_s
        self._being_kept: dict[UUID, str | None] = {}  # with what the server asked meanwhile
        self._waiting: dict[UUID, _Waiting] = {}  # in order
        self._changed = threading.Condition()
        self._away = False
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="answering", daemon=True)
        self._thread.start()

    def press(self, reading: Reading, keep: Callable[[Reading], bool]) -> None:
        """Keep a reading by `keep`, which says whether it is new, and have it told.

        Raises what `keep` raises; nothing is told then.
        """
        with self._changed:
            self._being_kept[reading.id] = None
        new = False
        try:
            new = keep(reading)
        finally:
            with self._changed:
                question = self._being_kept.pop(reading.id)
                if new and (question is not None or self._away or self._closed):
                    self._tell(reading, question or "")
                elif new:
                    until = time.monotonic() + self._soon_s
                    self._waiting[reading.id] = _Waiting(reading, until)
                    self._changed.notify()

    def became(self, reading: UUID, question: str) -> None:
        """The server has it, and asks this; empty: nothing."""
        with self._changed:
            if reading in self._being_kept:
                self._being_kept[reading] = question
            elif (waiting := self._waiting.pop(reading, None)) is not None:
                self._tell(waiting.reading, question)

    def reached(self, whether: bool) -> None:
        """Whether the server could be reached the last time; where not, nothing is waited for."""
        with self._changed:
            self._away = not whether
            self._changed.notify()

    def close(self) -> None:
        """Tell at once what still waits, and end."""
        with self._changed:
            self._closed = True
            self._changed.notify()
        self._thread.join()

    def _run(self) -> None:
        with self._changed:
            while self._waiting or not self._closed:
                first = next(iter(self._waiting.values()), None)
                left = None if first is None else first.until - time.monotonic()
                now = self._away or self._closed
                if first is not None and left is not None and (left <= 0 or now):
                    del self._waiting[first.reading.id]
                    self._tell(first.reading, "")
                else:
                    self._changed.wait(left)
