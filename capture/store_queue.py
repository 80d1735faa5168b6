"""Hands readings and refusals to the store, one at a time, until each is safe."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from typing import Final, Protocol

from capture.records import Reading, Refusal
from capture.retry import Backoff

# Readings of one instrument that wait in memory while the store fails: some megabytes, hours of
# pressing.
_LONGEST_QUEUE: Final = 10_000
# Nobody presses a button so often. What a port had buffered comes faster, and ends soon.
_PRESSES_A_SECOND: Final = 50
# A commit takes milliseconds; one that takes so long is blocked.
_SLOW_S: Final = 1.0
_CHECK_INTERVAL_S: Final = 0.25
# A service manager waits a minute and a half for a program that it stops.
_LONGEST_STOP_S: Final = 60.0


class Sender(Protocol):
    """What readings come from, to whose state a fault of the store belongs."""

    def set_storage_fault(self, fault: str | None) -> None:
        """Why the store does not accept its readings; None where it accepts them."""


@dataclass(frozen=True, slots=True)
class _Queued:
    """A queued reading or refusal; `number` counts in the order of receiving."""

    number: int
    item: Reading | Refusal
    instrument: Sender
    flood: bool


class StoreQueue:
    """Hands readings and refusals to the store, one at a time, until each is safe.

    In the order of receiving, across all instruments: two calipers at a bench may measure one
    strip. Only what an instrument sends faster than anybody presses (a flood) waits until nothing
    else is queued. Each instrument has a queue with a limit of its own, so that a flood costs no
    other instrument time or a reading. The order within one instrument never changes.
    """

    def __init__(self, keep: Callable[[Reading], None], refuse: Callable[[Refusal], None]) -> None:
        self._thread = threading.Thread(target=self._run, name="store queue", daemon=True)
        self._watcher = threading.Thread(target=self._watch, name="store watch", daemon=True)
        self._trying: tuple[float, Sender] | None = None
        self._over = threading.Event()
        self._keep = keep
        self._refuse = refuse
        self._numbers = count()
        self._queues: dict[Sender, deque[_Queued]] = {}
        self._recent: dict[Sender, deque[float]] = {}
        self._reported_trouble: set[Sender] = set()
        self._changed = threading.Condition()
        self._stopping = False
        self._skip_wait = threading.Event()
        self._done = 0

    def start(self) -> None:
        self._thread.start()
        self._watcher.start()

    def put(self, item: Reading | Refusal, instrument: Sender) -> bool:
        """Queue `item`; False where the instrument's queue is full and the item is lost."""
        with self._changed:
            flood = self._floods(instrument)
            queue = self._queues.get(instrument)
            if queue is None:
                queue = self._queues[instrument] = deque()
            elif len(queue) >= _LONGEST_QUEUE:
                return False
            # What follows a flood stays behind it.
            flood = flood or bool(queue and queue[-1].flood)
            queue.append(_Queued(next(self._numbers), item, instrument, flood))
            self._changed.notify()
            return True

    def _floods(self, instrument: Sender) -> bool:
        """Whether `instrument` sent more within the last second than anybody presses."""
        now = time.monotonic()
        recent = self._recent.setdefault(instrument, deque(maxlen=_PRESSES_A_SECOND))
        flood = len(recent) == _PRESSES_A_SECOND and now - recent[0] < 1.0
        recent.append(now)
        return flood

    def forget(self, instrument: Sender) -> None:
        """Drop the flood count of a removed instrument; what it sent is still handed on."""
        with self._changed:
            self._recent.pop(instrument, None)

    def stop(self, seconds: float) -> tuple[Reading, ...]:
        """Hand on what is queued until it is empty, or until `seconds` pass without a success."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        self._skip_wait.set()
        over = time.monotonic() + _LONGEST_STOP_S
        done = -1
        while self._thread.is_alive() and done != self._done and time.monotonic() < over:
            done = self._done
            self._thread.join(seconds)
        self._over.set()
        with self._changed:
            left = sorted(
                (each for queue in self._queues.values() for each in queue),
                key=lambda each: each.number,
            )
        return tuple(each.item for each in left if isinstance(each.item, Reading))

    def _next(self) -> _Queued:
        """The item to hand on next. Call under the lock, with something queued."""
        return min(
            (queue[0] for queue in self._queues.values()),
            key=lambda each: (each.flood, each.number),
        )

    def _run(self) -> None:
        backoff = Backoff()
        last_try = False
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._queues) or self._stopping)
                if not self._queues:
                    return
                waiting = self._next()
            item, instrument = waiting.item, waiting.instrument
            trouble = self._hand_on(item, instrument)
            if trouble is not None:
                if last_try:
                    return
                last_try = self._stopping
                self._reported_trouble.add(instrument)
                instrument.set_storage_fault(trouble)
                self._skip_wait.wait(0.05 if last_try else backoff.next())
                continue
            backoff.reset()
            with self._changed:
                self._done += 1
                queue = self._queues[instrument]
                queue.popleft()
                if not queue:
                    del self._queues[instrument]
            # The store works again, for all instruments.
            while self._reported_trouble:
                self._reported_trouble.pop().set_storage_fault(None)

    def _hand_on(self, item: Reading | Refusal, instrument: Sender) -> str | None:
        """Hand `item` to the store; returns what went wrong, None where it is safe."""
        with self._changed:
            self._trying = (time.monotonic(), instrument)
        try:
            if isinstance(item, Reading):
                self._keep(item)
            else:
                self._refuse(item)
        # Whatever the store raises must lose neither the reading nor this thread.
        except Exception as fault:
            return str(fault) or type(fault).__name__
        finally:
            with self._changed:
                self._trying = None
        return None

    def _watch(self) -> None:
        """Report a store that does not answer at all, while the queue's own thread waits for it."""
        while not self._over.wait(_CHECK_INTERVAL_S):
            with self._changed:
                if self._trying is None or time.monotonic() - self._trying[0] <= _SLOW_S:
                    continue
                _, instrument = self._trying
                self._reported_trouble.add(instrument)
                instrument.set_storage_fault("it does not answer")
