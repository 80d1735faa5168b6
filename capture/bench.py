"""Reads every instrument, decodes what it sends and hands the readings to the store.

One thread for each instrument opens it, reads, decodes, and opens it again when it has been
unplugged. One more thread, the store queue, hands readings on in the order in which they were
received, so that a slow store delays no instrument, and an instrument that floods delays no other.
"""

from __future__ import annotations

import re
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Final
from uuid import UUID

import uuid_utils

from capture.decoders import Decoder, decoder_for
from capture.errors import (
    SourceError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.finding import (
    Identity,
    find_again,
    has_identical_unit,
    identical_units,
    identity_of,
)
from capture.line_decoder import Decoded, HeldBack
from capture.records import CaliperCondition, CaliperState, Reading, Refusal
from capture.retry import Backoff
from capture.settling import StreamState
from capture.sources import Askable, HasNotice, Source, SourceEndedError, source_for
from capture.spec import MAIN_BENCH, Spec
from capture.values import Message, NotUnderstood, Value

# A thread that waited this much longer than it asked for was suspended (a sleeping computer, a
# stopped process): what it reads then was pressed some time ago.
_SUSPENDED_S: Final = 0.5
# No wait is longer: a suspension within a long wait would not be noticed.
_LONGEST_WAIT_S: Final = 1.0
_STREAM_QUIET_S: Final = 3.0
# A stream's state is reported at most this often, and only once it has lasted as long.
_STREAM_STATE_S: Final = 0.5
_STREAM_MESSAGES: Final[dict[StreamState, str]] = {
    "moving": "still moving: a reading comes when the jaws stand still",
    "still": "standing at zero, which gives no reading",
}
_ANSWER_S: Final = 1.0
_STOP_S: Final = 2.0
# Readings of one instrument that wait in memory while the store fails: some megabytes, hours of
# pressing.
_LONGEST_QUEUE: Final = 10_000
# Nobody presses a button so often. What a port had buffered comes faster, and ends soon.
_PRESSES_A_SECOND: Final = 50
# A commit takes milliseconds; one that takes so long is blocked.
_SLOW_S: Final = 1.0
_CHECK_INTERVAL_S: Final = 0.25
# What reads is woken to end; only what opens or closes a port may hang for good.
_HELD_UP_S: Final = 20.0
# A service manager waits a minute and a half for a program that it stops.
_LONGEST_STOP_S: Final = 60.0
# Rate limit of the refusals that are listed one by one; the others are only counted.
_REFUSAL_BURST: Final = 20
_REFUSALS_A_SECOND: Final = 2.0
# A port that stays open this long is stable (some come and go several times when plugged in).
_STABLE_S: Final = 2.0


def _now() -> datetime:
    return datetime.now(UTC)


def _new_id() -> UUID:
    return UUID(bytes=uuid_utils.uuid7().bytes)


if hasattr(time, "CLOCK_BOOTTIME"):

    def _elapsed() -> float:
        """Seconds that also run while the computer is suspended."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)

else:
    _elapsed = time.monotonic


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
        self._instruments: dict[tuple[str, str], _Instrument] = {}
        self._store_queue = _StoreQueue(keep, refuse)
        self._reporter = _Reporter(report, noticed)
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
            instrument = _Instrument(
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


@dataclass(frozen=True, slots=True)
class _Queued:
    """A queued reading or refusal; `number` counts in the order of receiving."""

    number: int
    item: Reading | Refusal
    instrument: _Instrument
    flood: bool


class _StoreQueue:
    """Hands readings and refusals to the store, one at a time, until each is safe.

    In the order of receiving, across all instruments: two calipers at a bench may measure one
    strip. Only what an instrument sends faster than anybody presses (a flood) waits until nothing
    else is queued. Each instrument has a queue with a limit of its own, so that a flood costs no
    other instrument time or a reading. The order within one instrument never changes.
    """

    def __init__(self, keep: Callable[[Reading], None], refuse: Callable[[Refusal], None]) -> None:
        self._thread = threading.Thread(target=self._run, name="store queue", daemon=True)
        self._watcher = threading.Thread(target=self._watch, name="store watch", daemon=True)
        self._trying: tuple[float, _Instrument] | None = None
        self._over = threading.Event()
        self._keep = keep
        self._refuse = refuse
        self._numbers = count()
        self._queues: dict[_Instrument, deque[_Queued]] = {}
        self._recent: dict[_Instrument, deque[float]] = {}
        self._reported_trouble: set[_Instrument] = set()
        self._changed = threading.Condition()
        self._stopping = False
        self._skip_wait = threading.Event()
        self._done = 0

    def start(self) -> None:
        self._thread.start()
        self._watcher.start()

    def put(self, item: Reading | Refusal, instrument: _Instrument) -> bool:
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

    def _floods(self, instrument: _Instrument) -> bool:
        """Whether `instrument` sent more within the last second than anybody presses."""
        now = time.monotonic()
        recent = self._recent.setdefault(instrument, deque(maxlen=_PRESSES_A_SECOND))
        flood = len(recent) == _PRESSES_A_SECOND and now - recent[0] < 1.0
        recent.append(now)
        return flood

    def forget(self, instrument: _Instrument) -> None:
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

    def _hand_on(self, item: Reading | Refusal, instrument: _Instrument) -> str | None:
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


class _Reporter:
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


@dataclass(slots=True)
class _Request:
    """A request that waits for its answer."""

    until: float
    retried: bool = False


class _Instrument:
    """One instrument: opened, read, and opened again, until stopped."""

    def __init__(
        self,
        name: str,
        spec: Spec,
        store_queue: _StoreQueue,
        reporter: _Reporter,
        clock: Callable[[], float],
        wall: Callable[[], datetime],
    ) -> None:
        self._thread = threading.Thread(target=self._run, name=f"caliper {name}", daemon=True)
        self._spec = spec
        self._caliper = name
        self._store_queue = store_queue
        self._reporter = reporter
        self._clock = clock
        self._wall = wall
        self._over = threading.Event()
        self._asked = threading.Event()
        self._source: Source | None = None
        self._identity: Identity | None = None
        self._socket: Identity | None = None
        self._state = CaliperState(spec.bench, name, "waiting", "not opened yet")
        self._reported: tuple[str, str] | None = None
        self._storage_fault: str | None = None
        self._lost = 0
        self._state_lock = threading.Lock()
        self._was_there = False
        self._previous: dict[str, float] = {}
        self._stream_state: StreamState | None = None
        self._stream_since = 0.0
        self._request: _Request | None = None
        self._next_request_at: float | None = None
        self._allowance = float(_REFUSAL_BURST)
        self._allowed_at = clock()
        self._unlisted = 0
        self._notice = ""

    # To be called from any thread.

    def start(self) -> None:
        self._thread.start()

    def join(self, seconds: float) -> None:
        self._thread.join(seconds)

    @property
    def reads(self) -> bool:
        """Whether it has its port open, and may just have heard something."""
        return self._source is not None

    def stop(self) -> None:
        self._over.set()
        self._wake()

    def ask(self) -> None:
        self._asked.set()
        self._wake()

    def set_storage_fault(self, fault: str | None) -> None:
        """Why the store does not accept this instrument's readings; None where it accepts them."""
        with self._state_lock:
            self._storage_fault = fault
            self._report()

    def state(self) -> CaliperState:
        with self._state_lock:
            return self._effective()

    def _effective(self) -> CaliperState:
        """The state, or the trouble with the store where there is some. Under the lock."""
        if self._lost:
            return replace(
                self._state,
                state="trouble",
                message=f"memory is full: {self._lost} readings were not kept; see to the"
                " storage, then measure again",
            )
        if self._storage_fault is not None:
            return replace(
                self._state,
                state="trouble",
                message=f"readings wait in memory, since the storage fails: {self._storage_fault};"
                " do not switch off",
            )
        return self._state

    def _wake(self) -> None:
        source = self._source
        if source is not None:
            source.wake()

    # The instrument's own thread.

    def _run(self) -> None:
        try:
            self._read_until_stopped()
        # An unexpected failure must be reported; the instrument must not just disappear.
        except Exception as fault:
            self._set_state(
                "trouble", f"{type(fault).__name__}: {fault}; remove it and add it again"
            )
        if self._over.is_set() and self._state.state != "stopped":
            self._set_state("stopped")

    def _read_until_stopped(self) -> None:
        # Two seconds after it is plugged in again it must be open.
        backoff = Backoff(first=0.2, most=1.5)
        while not self._over.is_set():
            opened_at = None
            source = None
            try:
                source = source_for(self._current_spec())
                source.open()
                opened_at = self._clock()
                self._source = source
                self._listen(source)
            except SourceError as fault:
                self._set_state(self._condition(fault), fault.sentence)
                if (
                    isinstance(fault, SourceUnpluggedError)
                    and self._socket is not None
                    and has_identical_unit(self._socket)
                ):
                    # Its name leads to the other unit now: from here on only the socket counts.
                    self._identity, self._socket = self._socket, None
                if isinstance(fault, SourceEndedError):
                    return
            finally:
                self._source = None
                if source is not None:
                    source.close()
            if opened_at is not None and self._clock() - opened_at >= _STABLE_S:
                backoff.reset()
            self._over.wait(backoff.next())

    def _current_spec(self) -> Spec:
        """The spec, with the name under which the device is plugged in now."""
        if self._identity is None:
            self._check_name()
            return self._spec
        device = find_again(self._identity)
        if device is None:
            # What has its old name now is another device.
            raise SourceUnpluggedError(
                self._spec.target, f"{self._spec.target} has gone; plug it in again"
            )
        return replace(self._spec, target=device)

    def _check_name(self) -> None:
        """Refuse a by-id name that several units share, instead of guessing."""
        if self._spec.kind != "serial":
            return
        units = identical_units(self._spec.target)
        if units:
            names = " or ".join(f"serial:{each}" for each in units)
            raise SourceUnsupportedError(
                self._spec.target,
                f"{len(units)} units alike share the name {self._spec.target}, so which one is"
                f" meant cannot be told; name it by its socket: {names}",
            )

    def _condition(self, fault: SourceError) -> CaliperCondition:
        if isinstance(fault, SourceEndedError):
            return "stopped"
        if isinstance(fault, SourceUnpluggedError):
            return "unplugged"
        if isinstance(fault, SourceMissingError):
            return "unplugged" if self._was_there else "waiting"
        return "trouble"

    def _listen(self, source: Source) -> None:
        decoder = decoder_for(self._spec)
        self._was_there = True
        self._request = None
        self._next_request_at = self._clock() if self._spec.interval else None
        self._notice = source.notice if isinstance(source, HasNotice) else ""
        if self._spec.kind in ("serial", "keys") and self._identity is None:
            self._identity = identity_of(self._spec.target)
            if self._identity is None and self._spec.kind == "serial":
                self._socket = identity_of(self._spec.target, socket=True)
        self._set_state("listening", self._notice)
        heard_at = self._clock()
        returned, late = _elapsed(), False
        try:
            while not self._over.is_set():
                # After a suspension there may be more from the same time: read without waiting.
                wait = 0.0 if late else self._wait(decoder)
                chunk = source.read(wait)
                now, then = self._clock(), returned
                returned = _elapsed()
                late = returned - then > wait + _SUSPENDED_S or (late and bool(chunk))
                if chunk:
                    heard_at = now
                    if self._state.state == "quiet":
                        self._set_state("listening")
                    with self._state_lock:
                        self._state = replace(self._state, last_heard=self._wall())
                    if late and self._spec.mode == "stream":
                        # Old positions of the jaws are of no use; but where they still stand
                        # they have given their reading.
                        decoder.hang_up()
                        continue
                    decoded = decoder.feed(chunk, now)
                else:
                    decoded = decoder.quiet(now)
                    self._list_unlisted_count(now)
                for each in decoded:
                    self._take(each, now, late)
                if chunk:
                    self._report_stream(decoder.state, now)
                if self._spec.mode == "stream" and now - heard_at > _STREAM_QUIET_S:
                    self._set_state("quiet", "it sends nothing; it may be asleep or switched off")
                if isinstance(source, Askable) and self._spec.request is not None:
                    self._ask(source, self._spec.request, now)
        finally:
            for each in decoder.hang_up():
                self._take(each, self._clock(), late)

    def _report_stream(self, stream: StreamState | None, now: float) -> None:
        """Report the state of a stream once it has lasted."""
        if stream != self._stream_state:
            self._stream_state, self._stream_since = stream, now
        # A reading reports "listening" at once; a state without a reading may wait.
        if stream is None or now - self._stream_since < _STREAM_STATE_S:
            return
        if self._state.state == "listening":
            self._set_state("listening", _STREAM_MESSAGES.get(stream, self._notice))

    def _wait(self, decoder: Decoder) -> float:
        now = self._clock()
        due = [now + _LONGEST_WAIT_S]
        if decoder.due is not None:
            due.append(decoder.due)
        if self._request is not None:
            due.append(self._request.until)
        elif self._next_request_at is not None:
            due.append(self._next_request_at)
        return max(0.0, min(due) - now)

    def _ask(self, source: Askable, request: bytes, now: float) -> None:
        pending = self._request
        if pending is not None and now >= pending.until:
            if pending.retried:
                self._request = pending = None
                self._set_state("quiet", "it does not answer; switch it on or check its cable")
            else:
                source.write(request)
                pending.until, pending.retried = now + _ANSWER_S, True
        if pending is None:
            due = self._next_request_at is not None and now >= self._next_request_at
            if due or self._asked.is_set():
                self._asked.clear()
                source.write(request)
                self._request = _Request(now + _ANSWER_S)
                if self._spec.interval:
                    self._next_request_at = now + self._spec.interval

    def _take(self, decoded: Decoded, now: float, late: bool) -> None:
        if isinstance(decoded, Value):
            if self._spec.mode == "ask":
                if self._request is None:
                    self._refuse(decoded.sent, "an answer that nobody waits for any longer", now)
                    return
                self._request = None
            self._keep(decoded, now, late)
        elif isinstance(decoded, NotUnderstood):
            self._refuse(decoded.text, decoded.reason, now)
        elif isinstance(decoded, Message):
            self._refuse(decoded.text, "a message of the instrument, no reading", now)
            self._set_state("listening", f"the instrument says {decoded.text}")
        elif isinstance(decoded, HeldBack):
            self._take(decoded.event, decoded.heard_at, late)
        else:
            self._set_state("trouble", decoded.sentence)

    def _keep(self, value: Value, now: float, late: bool) -> None:
        caliper = self._caliper
        if self._spec.pattern is not None and value.label is not None:
            # Several calipers share one port; the label that the pattern names distinguishes them.
            caliper = f"{caliper} {value.label}"
        since = None
        if caliper in self._previous:
            since = max(0, round((now - self._previous[caliper]) * 1000))
        self._previous[caliper] = now
        reading = Reading(
            id=_new_id(),
            bench=self._spec.bench,
            caliper=caliper,
            sent=value.sent,
            unit=value.unit,
            nm=value.nm,
            # It may have been held back for a moment.
            taken_at=self._wall() - timedelta(seconds=self._clock() - now),
            origin="button",
            since_previous_ms=since,
            late=late,
            pattern=None if self._spec.pattern is None else self._spec.pattern.source,
        )
        if not self._store_queue.put(reading, self):
            with self._state_lock:
                self._lost += 1
                self._report()
        self._set_state("listening", self._notice)

    def _refuse(self, raw: str, reason: str, now: float) -> None:
        if not self._may_list(now):
            self._unlisted += 1
            return
        if self._unlisted:
            reason += f" ({self._unlisted} more lines before it were not understood either)"
        self._unlisted = 0 if self._list(raw, reason) else self._unlisted + 1

    def _list_unlisted_count(self, now: float) -> None:
        """List the number of refusals that were only counted, once the flood is over."""
        if self._unlisted and self._may_list(now):
            said = self._list("", f"{self._unlisted} more lines were not understood")
            self._unlisted = 0 if said else self._unlisted

    def _may_list(self, now: float) -> bool:
        passed = (now - self._allowed_at) * _REFUSALS_A_SECOND
        self._allowed_at = now
        self._allowance = min(float(_REFUSAL_BURST), self._allowance + passed)
        if self._allowance < 1.0:
            return False
        self._allowance -= 1.0
        return True

    def _list(self, raw: str, reason: str) -> bool:
        refusal = Refusal(
            id=_new_id(),
            bench=self._spec.bench,
            caliper=self._caliper,
            raw=raw,
            reason=reason,
            heard_at=self._wall(),
        )
        return self._store_queue.put(refusal, self)

    def _set_state(self, state: CaliperCondition, message: str = "") -> None:
        with self._state_lock:
            self._state = replace(self._state, state=state, message=message)
            self._report()

    def _report(self) -> None:
        """Report the state where it has changed. Under the lock."""
        state = self._effective()
        if (state.state, state.message) != self._reported:
            self._reported = (state.state, state.message)
            self._reporter.put(state)
