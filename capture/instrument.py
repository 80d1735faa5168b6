"""One instrument: opened, read, decoded, and opened again, until stopped."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
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
from capture.reporter import Reporter
from capture.retry import Backoff
from capture.settling import StreamState
from capture.sources import Askable, HasNotice, Source, SourceEndedError, source_for
from capture.spec import Spec
from capture.store_queue import StoreQueue
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
# Rate limit of the refusals that are listed one by one; the others are only counted.
_REFUSAL_BURST: Final = 20
_REFUSALS_A_SECOND: Final = 2.0
# A port that stays open this long is stable (some come and go several times when plugged in).
_STABLE_S: Final = 2.0


def _new_id() -> UUID:
    return UUID(bytes=uuid_utils.uuid7().bytes)


if hasattr(time, "CLOCK_BOOTTIME"):

    def _elapsed() -> float:
        """Seconds that also run while the computer is suspended."""
        return time.clock_gettime(time.CLOCK_BOOTTIME)

else:
    _elapsed = time.monotonic


@dataclass(slots=True)
class _Request:
    """A request that waits for its answer."""

    until: float
    retried: bool = False


class Instrument:
    """One instrument: opened, read, and opened again, until stopped."""

    def __init__(
        self,
        name: str,
        spec: Spec,
        store_queue: StoreQueue,
        reporter: Reporter,
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
