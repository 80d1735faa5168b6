"""Where instruments, decoding and keeping meet.

One thread for each instrument opens it, reads, decodes, and opens it again when it has
gone. One more thread, the keeper, hands readings on in the order in which they were heard,
so that a slow store holds up no instrument and a mad instrument no other.
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

from capture.errors import (
    SourceError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.finding import Identity, alike, find_again, has_twin, identity_of
from capture.hearing import Decoded, Hearing, HeldBack, hearing_for
from capture.records import CaliperCondition, CaliperState, Reading, Refusal
from capture.retry import Backoff
from capture.settling import State as StreamState
from capture.sources import Askable, Overheard, Source, SourceEndedError, source_for
from capture.spec import Spec
from capture.values import Message, NotUnderstood, Value

# A reader that slept this much longer than it meant to has been held up (a suspended
# computer, a stopped process): what it finds then was pressed some time ago.
_HELD_UP_S: Final = 0.5
# No wait is longer, or a suspension within it would not be noticed.
_LONGEST_WAIT_S: Final = 1.0
_STREAM_QUIET_S: Final = 3.0
# A stream's stand is told at most this often, and moving only once it has lasted as long.
_STAND_S: Final = 0.5
_STANDS: Final[dict[StreamState, str]] = {
    "moving": "still moving: a reading comes when the jaws stand still",
    "still": "standing at zero, which gives no reading",
}
_ANSWER_S: Final = 1.0
_STOP_S: Final = 2.0
# Readings of an instrument that wait in memory while the store fails: some megabytes, hours of
# pressing.
_MOST_KEPT: Final = 10_000
# Nobody presses a button so often; what a port stored up comes faster, and is soon over.
_PRESSES_A_SECOND: Final = 50
# A commit takes milliseconds; one that takes so long is held up by something.
_SLOW_S: Final = 1.0
_LOOK_S: Final = 0.25
# A service manager waits a minute and a half for a program that it stops.
_LONGEST_STOP_S: Final = 60.0
# Refusals listed one by one: a burst, then so many a second; the rest are counted.
_REFUSAL_BURST: Final = 20
_REFUSALS_A_SECOND: Final = 2.0
# A port that stays open this long has come back for good (some flicker when plugged in).
_STEADY_S: Final = 2.0


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
    """Every instrument of this program, heard at once.

    `keep(reading)` returns when the reading is safe. It may raise: the reading then stays
    in memory and is offered again, before any later one, until it is safe, while the
    instrument's state says so. `refuse(refusal)` likewise takes what was no reading. Both
    are called from one thread, never at the same time. `report(state)` is told each change
    of state, from a thread of its own, so that trouble with the store can be told while it
    lasts; it may raise and is then told again. `noticed` is called at once where a state
    changes, from any thread, and must return at once: `states` says what is so now. `clock`
    gives monotonic seconds, `wall` the time of day: order and gaps come from the first alone.
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
        self._keeper = _Keeper(keep, refuse)
        self._reporter = _Reporter(report, noticed)
        self._keeper.start()
        self._reporter.start()

    def start(self, specs: Iterable[Spec]) -> None:
        """Listen to each of `specs`; those that are not there yet are waited for."""
        for spec in specs:
            self.add(spec)

    def add(self, spec: Spec) -> str:
        """Listen to `spec` and give its caliper's name, unique on its bench.

        Without a `name` option that is the target's own name; a name that is taken gets
        -2, -3, ... behind it.
        """
        with self._lock:
            wanted = spec.name or default_name(spec)
            name, count = wanted, 1
            while (spec.bench, name) in self._instruments:
                count += 1
                name = f"{wanted}-{count}"
            instrument = _Instrument(
                name, spec, self._keeper, self._reporter, self._clock, self._wall
            )
            self._instruments[spec.bench, name] = instrument
        instrument.start()
        return name

    def remove(self, name: str, bench: str = "main") -> None:
        """Stop listening to one caliper and release its port. Raises KeyError if unknown."""
        with self._lock:
            instrument = self._instruments.pop((bench, name))
        instrument.stop()
        instrument.join(_STOP_S)
        self._keeper.forget(instrument)

    def ask(self, name: str, bench: str = "main") -> None:
        """Request a reading from a caliper in mode ask. Raises KeyError if unknown."""
        with self._lock:
            instrument = self._instruments[bench, name]
        instrument.ask()

    def states(self) -> tuple[CaliperState, ...]:
        """How every instrument fares now, in the order in which they were added."""
        with self._lock:
            return tuple(each.state() for each in self._instruments.values())

    def stop(self) -> tuple[Reading, ...]:
        """Release the ports within about two seconds, and hand on what was heard.

        That goes on for as long as it is taken, a minute at most. Gives the readings that the
        store would not take until the end, none as a rule.
        """
        deadline = time.monotonic() + _STOP_S
        with self._lock:
            instruments = tuple(self._instruments.values())
        for each in instruments:
            each.stop()
        for each in instruments:
            each.join(max(0.0, deadline - time.monotonic()))
        left = self._keeper.stop(_STOP_S)
        self._reporter.stop(max(0.2, deadline - time.monotonic()))
        return left


def default_name(spec: Spec) -> str:
    """A caliper's name when none was given: the end of its target, in plain characters."""
    if spec.vid is not None:
        return f"hid-{spec.vid:04x}-{spec.pid:04x}"
    base = spec.target.split("?")[0].rstrip("/").rsplit("/", 1)[-1]
    # What udev puts around every name says nothing to a person.
    base = re.sub(r"^usb-|-if[0-9]+(-port[0-9]+)?$|-event-kbd$", "", base)
    return re.sub(r"[^A-Za-z0-9.]+", "-", base).strip("-.") or spec.kind


@dataclass(frozen=True, slots=True)
class _Waiting:
    """Something to hand on: its number in the order in which all was heard."""

    number: int
    item: Reading | Refusal
    instrument: _Instrument
    flood: bool


class _Keeper:
    """Hands readings and refusals on, one at a time, until each is safe.

    In the order in which they were heard, whichever instrument they are of: two calipers at a
    bench make one strip. Only what an instrument sends faster than anybody presses waits until
    nothing else does, and each instrument has room of its own, so that a flood costs no other
    instrument time or a reading. Of one instrument nothing overtakes anything.
    """

    def __init__(self, keep: Callable[[Reading], None], refuse: Callable[[Refusal], None]) -> None:
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)
        self._watcher = threading.Thread(target=self._watch, name="keeper's watch", daemon=True)
        self._trying: tuple[float, _Instrument] | None = None
        self._over = threading.Event()
        self._keep = keep
        self._refuse = refuse
        self._heard = count()
        # Those with something to hand on, in the order in which they came to have it.
        self._queues: dict[_Instrument, deque[_Waiting]] = {}
        self._recent: dict[_Instrument, deque[float]] = {}
        self._troubled: set[_Instrument] = set()
        self._changed = threading.Condition()
        self._stopping = False
        self._hurry = threading.Event()
        self._done = 0

    def start(self) -> None:
        self._thread.start()
        self._watcher.start()

    def put(self, item: Reading | Refusal, instrument: _Instrument) -> bool:
        """Queue `item`; False when the instrument's room is full and it is lost."""
        with self._changed:
            flood = self._floods(instrument)
            queue = self._queues.get(instrument)
            if queue is None:
                queue = self._queues[instrument] = deque()
            elif len(queue) >= _MOST_KEPT:
                return False
            # What comes after a flood stays behind it.
            flood = flood or bool(queue and queue[-1].flood)
            queue.append(_Waiting(next(self._heard), item, instrument, flood))
            self._changed.notify()
            return True

    def _floods(self, instrument: _Instrument) -> bool:
        """Whether it has sent more within the last second than anybody presses."""
        now = time.monotonic()
        recent = self._recent.setdefault(instrument, deque(maxlen=_PRESSES_A_SECOND))
        flood = len(recent) == _PRESSES_A_SECOND and now - recent[0] < 1.0
        recent.append(now)
        return flood

    def forget(self, instrument: _Instrument) -> None:
        """It is no longer listened to; what it said is handed on all the same."""
        with self._changed:
            self._recent.pop(instrument, None)

    def stop(self, seconds: float) -> tuple[Reading, ...]:
        """Hand on what waits for as long as that goes on, or for `seconds` without a success."""
        with self._changed:
            self._stopping = True
            self._changed.notify()
        self._hurry.set()
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

    def _next(self) -> _Waiting:
        """What is handed on next. Under the lock, while something waits."""
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
                self._troubled.add(instrument)
                instrument.storage(trouble)
                self._hurry.wait(0.05 if last_try else backoff.next())
                continue
            backoff.reset()
            with self._changed:
                self._done += 1
                queue = self._queues[instrument]
                queue.popleft()
                if not queue:
                    del self._queues[instrument]
            # The store takes things again, so it does for all.
            while self._troubled:
                self._troubled.pop().storage(None)

    def _hand_on(self, item: Reading | Refusal, instrument: _Instrument) -> str | None:
        """What is wrong with the store; None once it has the item."""
        with self._changed:
            self._trying = (time.monotonic(), instrument)
        try:
            if isinstance(item, Reading):
                self._keep(item)
            else:
                self._refuse(item)
        # Whatever the store raises, the reading must not be lost, nor this thread.
        except Exception as fault:
            return str(fault) or type(fault).__name__
        finally:
            with self._changed:
                self._trying = None
        return None

    def _watch(self) -> None:
        """Say so where the store does not answer at all; the keeper itself waits for it."""
        while not self._over.wait(_LOOK_S):
            with self._changed:
                if self._trying is None or time.monotonic() - self._trying[0] <= _SLOW_S:
                    continue
                _, instrument = self._trying
                self._troubled.add(instrument)
                instrument.storage("it does not answer")


class _Reporter:
    """Tells each change of state, in order, on a thread of its own."""

    def __init__(self, report: Callable[[CaliperState], None], noticed: Callable[[], None]) -> None:
        self._thread = threading.Thread(target=self._run, name="reporter", daemon=True)
        self._noticed = noticed
        self._report = report
        # While nobody can be told, the latest states are the ones worth telling.
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
            # Whoever is told may fail as it likes; the bench listens on.
            except Exception:
                if self._over.is_set():
                    return
                with self._changed:
                    # The newest are kept where there are too many.
                    if len(self._waiting) < (self._waiting.maxlen or 0):
                        self._waiting.appendleft(state)
                self._over.wait(backoff.next())
            else:
                backoff.reset()


@dataclass(slots=True)
class _Question:
    """A request that waits for its answer."""

    until: float
    retried: bool = False


class _Instrument:
    """One instrument: opened, heard, and opened again, until stopped."""

    def __init__(
        self,
        name: str,
        spec: Spec,
        keeper: _Keeper,
        reporter: _Reporter,
        clock: Callable[[], float],
        wall: Callable[[], datetime],
    ) -> None:
        self._thread = threading.Thread(target=self._run, name=f"caliper {name}", daemon=True)
        self._spec = spec
        self._caliper = name
        self._keeper = keeper
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
        self._storage: str | None = None
        self._lost = 0
        self._state_lock = threading.Lock()
        self._was_there = False
        self._previous: dict[str, float] = {}
        self._stand_seen: StreamState | None = None
        self._stand_since = 0.0
        self._question: _Question | None = None
        self._next_question: float | None = None
        self._allowance = float(_REFUSAL_BURST)
        self._allowed_at = clock()
        self._unlisted = 0
        self._notice = ""

    # What others may ask of it, from any thread.

    def start(self) -> None:
        self._thread.start()

    def join(self, seconds: float) -> None:
        self._thread.join(seconds)

    def stop(self) -> None:
        self._over.set()
        self._wake()

    def ask(self) -> None:
        self._asked.set()
        self._wake()

    def storage(self, fault: str | None) -> None:
        """The store will not take this instrument's readings, or (None) has taken them all."""
        with self._state_lock:
            self._storage = fault
            self._tell()

    def state(self) -> CaliperState:
        with self._state_lock:
            return self._effective()

    def _effective(self) -> CaliperState:
        """The state with what the store adds to it. Under the lock."""
        if self._lost:
            return replace(
                self._state,
                state="trouble",
                message=f"memory is full: {self._lost} readings were not kept; see to the"
                " storage, then measure again",
            )
        if self._storage is not None:
            return replace(
                self._state,
                state="trouble",
                message=f"readings wait in memory, since the storage fails: {self._storage};"
                " do not switch off",
            )
        return self._state

    def _wake(self) -> None:
        source = self._source
        if source is not None:
            source.wake()

    # The thread.

    def _run(self) -> None:
        try:
            self._hear()
        # An instrument that fails in a way nobody thought of must say so, not vanish.
        except Exception as fault:
            self._say("trouble", f"{type(fault).__name__}: {fault}; remove it and add it again")
        if self._over.is_set() and self._state.state != "stopped":
            self._say("stopped")

    def _hear(self) -> None:
        # Plugged in again, it must be found within two seconds, the opening included.
        backoff = Backoff(first=0.2, most=1.5)
        while not self._over.is_set():
            opened_at = None
            source = None
            try:
                source = source_for(self._today())
                source.open()
                opened_at = self._clock()
                self._source = source
                self._listen(source)
            except SourceError as fault:
                self._say(self._condition(fault), fault.sentence)
                if (
                    isinstance(fault, SourceUnpluggedError)
                    and self._socket is not None
                    and has_twin(self._socket)
                ):
                    # Its name leads to the other one now: from here on only its socket counts.
                    self._identity, self._socket = self._socket, None
                if isinstance(fault, SourceEndedError):
                    return
            finally:
                self._source = None
                if source is not None:
                    source.close()
            if opened_at is not None and self._clock() - opened_at >= _STEADY_S:
                backoff.reset()
            self._over.wait(backoff.next())

    def _today(self) -> Spec:
        """The spec, by the name under which its device is plugged in now."""
        if self._identity is None:
            self._choose()
            return self._spec
        device = find_again(self._identity)
        if device is None:
            # Whatever has its old name meanwhile is something else.
            raise SourceUnpluggedError(
                self._spec.target, f"{self._spec.target} has gone; plug it in again"
            )
        return replace(self._spec, target=device)

    def _choose(self) -> None:
        """Refuse a by-id name behind which there are several units: never a guess."""
        if self._spec.kind != "serial":
            return
        units = alike(self._spec.target)
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
        hearing = hearing_for(self._spec)
        self._was_there = True
        self._question = None
        self._next_question = self._clock() if self._spec.interval else None
        self._notice = source.notice if isinstance(source, Overheard) else ""
        if self._spec.kind in ("serial", "keys") and self._identity is None:
            self._identity = identity_of(self._spec.target)
            if self._identity is None and self._spec.kind == "serial":
                self._socket = identity_of(self._spec.target, socket=True)
        self._say("listening", self._notice)
        heard_at = self._clock()
        returned, late = _elapsed(), False
        try:
            while not self._over.is_set():
                # While late there may be more from the same time: look without waiting.
                wait = 0.0 if late else self._wait(hearing)
                chunk = source.read(wait)
                now, then = self._clock(), returned
                returned = _elapsed()
                late = returned - then > wait + _HELD_UP_S or (late and bool(chunk))
                if chunk:
                    heard_at = now
                    if self._state.state == "quiet":
                        self._say("listening")
                    with self._state_lock:
                        self._state = replace(self._state, last_heard=self._wall())
                    if late and self._spec.mode == "stream":
                        # Where the jaws stood some time ago is of no use to anyone.
                        hearing = hearing_for(self._spec)
                        continue
                    decoded = hearing.feed(chunk, now)
                else:
                    decoded = hearing.quiet(now)
                    self._settle_refusals(now)
                for each in decoded:
                    self._take(each, now, late)
                if chunk:
                    self._stand(hearing.state, now)
                if self._spec.mode == "stream" and now - heard_at > _STREAM_QUIET_S:
                    self._say("quiet", "it sends nothing; it may be asleep or switched off")
                if isinstance(source, Askable) and self._spec.request is not None:
                    self._ask(source, self._spec.request, now)
        finally:
            for each in hearing.hang_up():
                self._take(each, self._clock(), late)

    def _stand(self, stand: StreamState | None, now: float) -> None:
        """Say how a stream stands, where that has lasted and is news."""
        if stand != self._stand_seen:
            self._stand_seen, self._stand_since = stand, now
        # A reading has said "listening" at once; what does not become one takes its time.
        if stand is None or now - self._stand_since < _STAND_S:
            return
        if self._state.state == "listening":
            self._say("listening", _STANDS.get(stand, self._notice))

    def _wait(self, hearing: Hearing) -> float:
        now = self._clock()
        due = [now + _LONGEST_WAIT_S]
        if hearing.due is not None:
            due.append(hearing.due)
        if self._question is not None:
            due.append(self._question.until)
        elif self._next_question is not None:
            due.append(self._next_question)
        return max(0.0, min(due) - now)

    def _ask(self, source: Askable, request: bytes, now: float) -> None:
        question = self._question
        if question is not None and now >= question.until:
            if question.retried:
                self._question = question = None
                self._say("quiet", "it does not answer; switch it on or check its cable")
            else:
                source.write(request)
                question.until, question.retried = now + _ANSWER_S, True
        if question is None:
            due = self._next_question is not None and now >= self._next_question
            if due or self._asked.is_set():
                self._asked.clear()
                source.write(request)
                self._question = _Question(now + _ANSWER_S)
                if self._spec.interval:
                    self._next_question = now + self._spec.interval

    def _take(self, decoded: Decoded, now: float, late: bool) -> None:
        if isinstance(decoded, Value):
            if self._spec.mode == "ask":
                if self._question is None:
                    self._refuse(decoded.sent, "an answer that nobody waits for any longer", now)
                    return
                self._question = None
            self._keep(decoded, now, late)
        elif isinstance(decoded, NotUnderstood):
            self._refuse(decoded.text, decoded.reason, now)
        elif isinstance(decoded, Message):
            self._refuse(decoded.text, "a message of the instrument, no reading", now)
            self._say("listening", f"the instrument says {decoded.text}")
        elif isinstance(decoded, HeldBack):
            self._take(decoded.event, decoded.heard_at, late)
        else:
            self._say("trouble", decoded.sentence)

    def _keep(self, value: Value, now: float, late: bool) -> None:
        caliper = self._caliper
        if self._spec.pattern is not None and value.label is not None:
            # Several calipers behind one port, told apart by the label that the pattern names.
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
        if not self._keeper.put(reading, self):
            with self._state_lock:
                self._lost += 1
                self._tell()
        self._say("listening", self._notice)

    def _refuse(self, raw: str, reason: str, now: float) -> None:
        if not self._may_list(now):
            self._unlisted += 1
            return
        if self._unlisted:
            reason += f" ({self._unlisted} more lines before it were not understood either)"
        self._unlisted = 0 if self._list(raw, reason) else self._unlisted + 1

    def _settle_refusals(self, now: float) -> None:
        """Say how many went by unlisted, once the flood has passed."""
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
        return self._keeper.put(refusal, self)

    def _say(self, state: CaliperCondition, message: str = "") -> None:
        with self._state_lock:
            self._state = replace(self._state, state=state, message=message)
            self._tell()

    def _tell(self) -> None:
        """Have the state told, if it is news. Under the lock."""
        state = self._effective()
        if (state.state, state.message) != self._reported:
            self._reported = (state.state, state.message)
            self._reporter.put(state)
