"""Which port a caliper is on, and how it speaks, found by pressing its send button.

Every candidate port is opened and listened to at once. The person types what the display
shows and presses; a port that hears noise changes its speed and waits for the next press,
until one hears the number that was typed.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final

from analysis.units import Unit, mm_text, parse_number, to_nanometres
from capture.decoding import LineDecoder, Trouble
from capture.errors import SourceError
from capture.finding import Found, why_not_taken
from capture.hearing import hearing_for
from capture.keys import LAYOUTS
from capture.lines import GAP_S, STALE_S, parity_of
from capture.sources import Overheard, Source, source_for
from capture.sources.serial_port import Parity, SerialPort
from capture.spec import Spec, parse_spec
from capture.values import NotUnderstood, Value

BEFORE: Final = (
    "Every port below is opened for a moment. That can restart a small board behind it, and"
    " stops a transfer that another program has under way; name the ports to leave alone."
)
BEFORE_TYPING: Final = (
    "A caliper that types is taken from the system while it is listened to: meanwhile it types"
    " into no window. So name none that you work with."
)
# The speeds at which calipers and their adapters are delivered: the usual one, then from
# fast to slow, since whoever listens too fast hears noise at least, and whoever listens
# too slowly may hear nothing (common practice, no source).
SPEEDS: Final = (9600, 115200, 57600, 38400, 19200, 4800, 2400, 1200)
# How long a port that hears nothing stays at one speed: time for two presses.
_PATIENCE_S: Final = 6.0
# A display may show one count less than is sent, rounded: half of 0.001 in.
_ALIKE_NM: Final = 12_700


@dataclass(frozen=True, slots=True)
class PortHeard:
    """What one port heard last, for the person to see."""

    device: str
    words: str


@dataclass(frozen=True, slots=True)
class Identified:
    """The caliper that pressed: `spec` listens to it, `sentence` says what was found."""

    spec: Spec
    sent: str
    sentence: str


def parse_shown(text: str) -> tuple[Decimal, Unit]:
    """The number and unit that a person reads off the display, such as "12.34 mm".

    Raises ValueError saying what is needed.
    """
    number, _, word = text.strip().rpartition(" ")
    if word == "mm":
        return parse_number(number), "mm"
    if word in ("in", "inch"):
        return parse_number(number), "in"
    raise ValueError(f"{text!r} needs the number and the unit on the display, such as 12.34 mm")


_TYPING: Final = ("keys", "hid")


def named(found: Found, names: Iterable[str]) -> bool:
    """Whether one of `names` is `found`: its device, any link that leads to it, or either
    without its folder."""
    own = _names(found)
    return any(_named(each) & own for each in names)


def nowhere(names: Iterable[str], among: Iterable[Found]) -> list[str]:
    """Those of `names` that are none of `among`: a slip of the pen, most likely."""
    known = set[str]().union(*map(_names, among))
    return [each for each in names if not _named(each) & known]


def unknown_port(name: str, among: Iterable[Found]) -> str:
    """What to say of a name to leave alone that is no port: nothing is opened on a guess."""
    there = ", ".join(each.device for each in among) or "none"
    return f"{name} is no port here, so nothing was opened; name one of: {there}"


def _names(found: Found) -> set[str]:
    return _named(found.device) | _named(found.spec.partition(":")[2] or found.device)


def _named(name: str) -> set[str]:
    """All that says the same as `name`."""
    name = name.strip()
    for kind in ("serial:", "keys:", "hid:"):
        name = name.removeprefix(kind)
    if not name or "://" in name:
        return {name} - {""}
    if os.sep in name or os.path.lexists(name):
        real = os.path.realpath(name)
        return {name, real, os.path.basename(name), os.path.basename(real)}
    by_id = SerialPort(name).device
    return {name, by_id, os.path.realpath(by_id)} if by_id != name else {name}


class PortSearch:
    """Listens on `candidates` for the caliper that shows what it sends.

    Left out are candidates that cannot be heard yet, a console of the system among them,
    and `leave_alone`: devices or names that must not be opened (see `named`; a name that
    is no candidate's raises ValueError). What types is heard only where `listen_to` names it,
    by the same rules, since opening takes it from the system (BEFORE_TYPING); ValueError where
    that must not be (see `finding.why_not_taken`). Used as

        search = PortSearch(serial_instruments(), leave_alone=["/dev/ttyUSB3"])
        search.start()
        search.shown("12.34 mm")      # and the person presses, again while heard() says so
        identified = search.wait(30)
        search.stop()

    Nothing that is heard is kept as a reading.
    """

    def __init__(
        self,
        candidates: Iterable[Found],
        leave_alone: Iterable[str] = (),
        speeds: tuple[int, ...] = SPEEDS,
        patience: float = _PATIENCE_S,
        listen_to: Iterable[str] = (),
    ) -> None:
        candidates, alone, wanted = list(candidates), list(leave_alone), list(listen_to)
        for name in nowhere(alone, candidates):
            raise ValueError(unknown_port(name, candidates))
        for name in nowhere(wanted, candidates):
            raise ValueError(unknown_port(name, candidates))
        heard = [each for each in candidates if not (each.missing or named(each, alone))]
        typing = [each for each in heard if each.kind in _TYPING and named(each, wanted)]
        why_not = why_not_taken(typing)
        if why_not:
            raise ValueError(why_not)
        self._listeners = [
            *(_Listener(self, each, speeds, patience) for each in heard if each.kind == "serial"),
            *(_TypingListener(self, each, speeds, patience) for each in typing),
        ]
        self._changed = threading.Condition()
        self._shown: tuple[Decimal, Unit] | None = None
        self._identified: Identified | None = None
        self.over = threading.Event()

    def start(self) -> None:
        """Open every candidate and listen."""
        for listener in self._listeners:
            listener.thread.start()

    def shown(self, text: str) -> None:
        """What the display shows. Raises ValueError when that has no number or no unit."""
        shown = parse_shown(text)
        with self._changed:
            self._shown = shown
            # Whoever pressed before typing need not press again.
            for listener in self._listeners:
                for value, spec in listener.understood:
                    self._compare(value, spec)

    def heard(self) -> tuple[PortHeard, ...]:
        """What each port heard last, in words."""
        with self._changed:
            return tuple(
                PortHeard(listener.found.device, listener.words) for listener in self._listeners
            )

    def wait(self, seconds: float) -> Identified | None:
        """The caliper, as soon as one is found; None when `seconds` have passed."""
        with self._changed:
            self._changed.wait_for(lambda: self._identified is not None, seconds)
            return self._identified

    def stop(self) -> None:
        """Release every port."""
        self.over.set()
        for listener in self._listeners:
            listener.wake()
        for listener in self._listeners:
            if listener.thread.is_alive():
                listener.thread.join(2.0)

    def say(self, listener: _Listener, words: str) -> None:
        with self._changed:
            listener.words = words
            self._changed.notify_all()

    def take(self, listener: _Listener, value: Value, spec: Spec) -> None:
        with self._changed:
            listener.understood.append((value, spec))
            del listener.understood[:-20]
            listener.words = f"heard {value.sent!r}"
            self._compare(value, spec)
            self._changed.notify_all()

    def _compare(self, value: Value, spec: Spec) -> None:
        if self._shown is None or self._identified is not None:
            return
        number, unit = self._shown
        if value.unit_in_line:
            alike = abs(value.nm - to_nanometres(number, unit)) <= _ALIKE_NM
        else:
            alike = value.number == number
            spec = replace(spec, unit=unit)
        if not alike:
            return
        mark = "comma" if "," in value.sent else "point"
        said = "names its unit" if value.unit_in_line else f"sends no unit, taken as {unit}"
        how = f"{spec.baud} baud, {spec.bytesize} data bits, parity {spec.parity}"
        if spec.kind in _TYPING:
            how = f"typed, in the layout {spec.layout}"
        place = spec.target or f"{spec.vid:04x}:{spec.pid:04x}"
        nm = value.nm if value.unit_in_line else to_nanometres(number, unit)
        self._identified = Identified(
            spec,
            value.sent,
            f"{place} sent {value.sent!r}, {mm_text(nm)} mm: {how}, decimal {mark}; it {said}",
        )
        self._changed.notify_all()


class _Listener:
    """One port, listening at one speed after another."""

    def __init__(
        self, search: PortSearch, found: Found, speeds: tuple[int, ...], patience: float
    ) -> None:
        self.found = found
        self.words = "not opened yet"
        self.understood: list[tuple[Value, Spec]] = []
        self.thread = threading.Thread(
            target=self._run, name=f"identify {found.device}", daemon=True
        )
        self._search = search
        self._speeds = speeds
        self._patience = patience
        self._source: Source | None = None

    def wake(self) -> None:
        source = self._source
        if source is not None:
            source.wake()

    def _run(self) -> None:
        while not self._search.over.is_set():
            self._source = source = SerialPort(self.found.device, baud=self._speeds[0])
            try:
                source.open()
                self._search.say(self, f"listening at {self._speeds[0]} baud; press")
                self._listen(source)
            except SourceError as fault:
                self._search.say(self, fault.sentence)
                self._search.over.wait(0.5)
            finally:
                source.close()

    def _listen(self, source: SerialPort) -> None:
        turn = 0
        since = time.monotonic()
        while not self._search.over.is_set():
            baud = self._speeds[turn % len(self._speeds)]
            burst = self._burst(source)
            if burst and self._understand(burst, baud):
                since = float("inf")  # It speaks: this is its speed.
            elif burst or time.monotonic() - since >= self._patience:
                turn += 1
                following = self._speeds[turn % len(self._speeds)]
                # The port stays open, so that no board behind it restarts.
                source.change_speed(following)
                since = time.monotonic()
                heard = "noise" if burst else "nothing"
                self._search.say(
                    self, f"heard {heard} at {baud} baud, now listening at {following}; press"
                )

    def _burst(self, source: SerialPort) -> bytes:
        """What comes until a pause; of what never pauses, the beginning."""
        burst = source.read(min(0.5, self._patience))
        ends = time.monotonic() + 1.0
        while burst and time.monotonic() < ends and not self._search.over.is_set():
            more = source.read(GAP_S)
            if not more:
                break
            burst += more
        return burst

    def _understand(self, burst: bytes, baud: int) -> bool:
        """Whether the burst is text at this speed, with a number in it.

        The bench's own decoder says so: what it would read later is found now.
        """
        parity: Parity = "none"
        told = parity_of(burst)
        if told is not None:
            parity = "even" if told == "7 data bits, even parity" else "odd"
        now = time.monotonic()
        decoder = LineDecoder("mm", mask=told is not None)
        decoded = [*decoder.feed(burst, now), *decoder.quiet(now + STALE_S)]
        values = [each for each in decoded if isinstance(each, Value)]
        refused = [each for each in decoded if isinstance(each, NotUnderstood)]
        # A number that noise happens to hold comes with more that is none.
        if len(refused) >= len(values) or any(isinstance(each, Trouble) for each in decoded):
            return False
        spec = replace(parse_spec(self.found.spec), baud=baud)
        if parity != "none":
            spec = replace(spec, bytesize=7, parity=parity)
        for value in values:
            self._search.take(self, value, spec)
        return True


class _TypingListener(_Listener):
    """One device that types, taken from the system, in whatever layout it is set to."""

    def _run(self) -> None:
        spec = parse_spec(self.found.spec)
        while not self._search.over.is_set():
            self._source = source = source_for(spec)
            try:
                source.open()
                notice = source.notice if isinstance(source, Overheard) else ""
                self._search.say(self, "; ".join(filter(None, ("listening; press", notice))))
                self._hear(source, spec)
            except SourceError as fault:
                self._search.say(self, fault.sentence)
                self._search.over.wait(0.5)
            finally:
                source.close()

    def _hear(self, source: Source, spec: Spec) -> None:
        layouts = sorted(LAYOUTS, key=lambda layout: layout != spec.layout)
        specs = [replace(spec, unit="mm", layout=layout) for layout in layouts]
        hearings = [(each, hearing_for(each)) for each in specs]
        while not self._search.over.is_set():
            chunk = source.read(0.2)
            now = time.monotonic()
            seen: set[int] = set()
            for each, hearing in hearings:
                for heard in hearing.feed(chunk, now) if chunk else hearing.quiet(now):
                    # Most layouts say the same: the first of them that says it is enough.
                    if isinstance(heard, Value) and heard.nm not in seen:
                        seen.add(heard.nm)
                        self._search.take(self, heard, replace(each, unit=None))
