"""Reports each change of an instrument's state, in order, from a separate thread."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from capture.records import CaliperState
from capture.retry import Backoff


class Reporter:
    """Reports each change of state, in order, from a separate thread."""

    def __init__(self, report: Callable[[CaliperState], None], noticed: Callable[[], None]) -> None:
        self._thread = threading.Thread(target=self._run, name="reporter", daemon=True)
        self._noticed = noticed
        self._report = report
        # While reporting fails, only the latest states are worth keeping.
        self._waiting: deque[CaliperState] = deque(maxlen=1000)
        self._changed = threading.Condition()
        self._over = threading.Event()

    def start(self) -> None:
        self._thread.start()

    def put(self, state: CaliperState) -> None:
        with self._changed:
            self._waiting.append(state)
            self._changed.notify()
        self._noticed()

    def stop(self, seconds: float) -> None:
        self._over.set()
        with self._changed:
            self._changed.notify()
        self._thread.join(seconds)

    def _run(self) -> None:
        backoff = Backoff()
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._waiting) or self._over.is_set())
                if not self._waiting:
                    return
                state = self._waiting.popleft()
            try:
                self._report(state)
            # A failing report must not stop the instruments.
            except Exception:
                if self._over.is_set():
                    return
                with self._changed:
                    # Where there are too many, the newest are kept.
                    if len(self._waiting) < (self._waiting.maxlen or 0):
                        self._waiting.appendleft(state)
                self._over.wait(backoff.next())
            else:
                backoff.reset()
