"""Reads every instrument, decodes what it sends and hands the readings to the store.

One thread for each instrument opens it, reads, decodes, and opens it again when it has been
unplugged. One more thread, the store queue, hands readings on in the order in which they were
received, so that a slow store delays no instrument, and an instrument that floods delays no other.
"""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Final

from capture.instrument import Instrument
from capture.records import CaliperState, Reading, Refusal
from capture.reporter import Reporter
from capture.spec import MAIN_BENCH, Spec
from capture.store_queue import StoreQueue

_STOP_S: Final = 2.0
# What reads is woken to end; only what opens or closes a port may hang for good.
_HELD_UP_S: Final = 20.0


def _now() -> datetime:
    return datetime.now(UTC)


class Instruments:
    """Reads all instruments of this program at once.

    `keep(reading)` returns when the reading is safe. It may raise: the reading then stays
    in memory and is handed over again, before any later one, until it is safe; meanwhile the
    instrument's state says so. `refuse(refusal)` takes in the same way what was no reading. Both
    are called from one thread, never at the same time. `report(state)` is called for each change
    of state, from a separate thread, so that a failure of the store is reported while it lasts;
    where it raises, it is called again. `noticed` is called immediately when a state changes,
    from any thread, and must return immediately: `states` gives the present states. `clock`
    gives monotonic seconds, `wall` the time of day: order and gaps come from `clock` alone.
    """

    def __init__(
        self,
        keep: Callable[[Reading], None],
        refuse: Callable[[Refusal], None],
        report: Callable[[CaliperState], None],
        clock: Callable[[], float] = time.monotonic,
        wall: Callable[[], datetime] = _now,
        noticed: Callable[[], None] = lambda: None,
    ) -> None:
        self._clock = clock
        self._wall = wall
        self._lock = threading.Lock()
        self._instruments: dict[tuple[str, str], Instrument] = {}
        self._store_queue = StoreQueue(keep, refuse)
        self._reporter = Reporter(report, noticed)
        self._store_queue.start()
        self._reporter.start()

    def start(self, specs: Iterable[Spec]) -> None:
        """Listen to each of `specs`; wait for those that are not plugged in yet."""
        for spec in specs:
            self.add(spec)

    def add(self, spec: Spec) -> str:
        """Listen to `spec` and return its caliper's name, unique on its bench.

        Without a `name` option it is derived from the target; -2, -3, ... is appended where
        that name is taken.
        """
        with self._lock:
            wanted = spec.name or default_name(spec)
            name, count = wanted, 1
            while (spec.bench, name) in self._instruments:
                count += 1
                name = f"{wanted}-{count}"
            instrument = Instrument(
                name, spec, self._store_queue, self._reporter, self._clock, self._wall
            )
            self._instruments[spec.bench, name] = instrument
        instrument.start()
        return name

    def remove(self, name: str, bench: str = MAIN_BENCH) -> None:
        """Stop listening to one caliper and release its port. Raises KeyError if unknown."""
        with self._lock:
            instrument = self._instruments.pop((bench, name))
        instrument.stop()
        instrument.join(_STOP_S)
        self._store_queue.forget(instrument)

    def ask(self, name: str, bench: str = MAIN_BENCH) -> None:
        """Request a reading from a caliper in mode ask. Raises KeyError if unknown."""
        with self._lock:
            instrument = self._instruments[bench, name]
        instrument.ask()

    def states(self) -> tuple[CaliperState, ...]:
        """The present state of every instrument, in the order in which they were added."""
        with self._lock:
            return tuple(each.state() for each in self._instruments.values())

    def stop(self) -> tuple[Reading, ...]:
        """Release the ports within about two seconds, and hand on what was received.

        Continues as long as the store accepts readings, one minute at most. Returns the readings
        that the store did not accept, normally none.
        """
        deadline = time.monotonic() + _STOP_S
        with self._lock:
            instruments = tuple(self._instruments.values())
        for each in instruments:
            each.stop()
        for each in instruments:
            each.join(max(0.0, deadline - time.monotonic()))
            if each.reads:
                # A busy computer may hold it up with a reading in its hand.
                each.join(_HELD_UP_S)
        left = self._store_queue.stop(_STOP_S)
        self._reporter.stop(max(0.2, deadline - time.monotonic()))
        return left


def default_name(spec: Spec) -> str:
    """A caliper's name where none is given: the last part of its target, in plain characters."""
    if spec.vid is not None:
        return f"hid-{spec.vid:04x}-{spec.pid:04x}"
    base = spec.target.split("?")[0].rstrip("/").rsplit("/", 1)[-1]
    # The prefix and suffixes that udev adds to every name mean nothing to a person.
    base = re.sub(r"^usb-|-if[0-9]+(-port[0-9]+)?$|-event-kbd$", "", base)
    return re.sub(r"[^A-Za-z0-9.]+", "-", base).strip("-.") or spec.kind
