"""Finds a caliper's port and its settings by its send button.

All candidate ports are opened and read at the same time. The person types what the display
shows and presses; a port that receives noise changes its speed and waits for the next press,
until one receives the number that was typed.
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
from capture.decoders import decoder_for
from capture.errors import SourceError
from capture.finding import Found, why_not_taken
from capture.keys import LAYOUTS
from capture.line_decoder import LineDecoder, Trouble
from capture.lines import GAP_S, STALE_S, parity_of
from capture.sources import HasNotice, Source, source_for
from capture.sources.serial_port import Parity, SerialPort
from capture.spec import Spec, parse_spec
from capture.values import NotUnderstood, Value

OPENING_CAUTION: Final = (
    "Every port below is opened for a moment. That can restart a small board behind it, and"
    " stops a transfer that another program is making; name the ports to leave alone."
)
TYPING_CAUTION: Final = (
    "A caliper that types is taken from the system while this program hears it: meanwhile it types"
    " into no window. So name none that you work with."
)
# The speeds at which calipers and their adapters are delivered: the usual one, then from
# fast to slow, since a receiver that is too fast reads at least noise, and one that is too
# slow may read nothing (common practice, no source).
SPEEDS: Final = (9600, 115200, 57600, 38400, 19200, 4800, 2400, 1200)
# How long a port that receives nothing stays at one speed: time for two presses.
_PATIENCE_S: Final = 6.0
# A display may round to fewer digits than are sent: half of 0.001 in.
_MATCH_NM: Final = 12_700


@dataclass(frozen=True, slots=True)
class PortHeard:
    """What one port received last, in words for the person."""

    device: str
    words: str


@dataclass(frozen=True, slots=True)
class Identified:
    """The caliper that was pressed: `spec` reads it, `sentence` says what was found."""

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


def is_named(found: Found, names: Iterable[str]) -> bool:
    """Whether one of `names` means `found`: its device, a link that leads to it, or either
    without its folder."""
    own = _names(found)
    return any(_equal_names(each) & own for each in names)


def unknown_names(names: Iterable[str], among: Iterable[Found]) -> list[str]:
    """Those of `names` that mean none of `among`, most likely because of a typing error."""
    known = set[str]().union(*map(_names, among))
    return [each for each in names if not _equal_names(each) & known]


def unknown_port_sentence(name: str, among: Iterable[Found]) -> str:
    """The error sentence for a name that is no port here."""
    there = ", ".join(each.device for each in among) or "none"
    return f"{name} is no port here, so nothing was opened; name one of: {there}"


def _names(found: Found) -> set[str]:
    return _equal_names(found.device) | _equal_names(found.spec.partition(":")[2] or found.device)


def _equal_names(name: str) -> set[str]:
    """All names that mean the same as `name`."""
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
    """Searches `candidates` for the caliper that sends what its display shows.

    Left out are candidates that cannot be read yet, including a console of the system,
    and `leave_alone`: devices or names that must not be opened (see `is_named`; a name that
    is no candidate's raises ValueError). A device that types is read only where `listen_to`
    names it, by the same rules, since opening takes it from the system (TYPING_CAUTION); raises
    ValueError where that must not be done (see `finding.why_not_taken`). Used as

        search = PortSearch(serial_instruments(), leave_alone=["/dev/ttyUSB3"])
        search.start()
        search.shown("12.34 mm")      # and the person presses, again while heard() says so
        identified = search.wait(30)
        search.stop()

    Nothing that is received is kept as a reading.
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
        for name in unknown_names(alone, candidates):
            raise ValueError(unknown_port_sentence(name, candidates))
        for name in unknown_names(wanted, candidates):
            raise ValueError(unknown_port_sentence(name, candidates))
        heard = [each for each in candidates if not (each.missing or is_named(each, alone))]
        typing = [each for each in heard if each.kind in _TYPING and is_named(each, wanted)]
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
        """Open every candidate and start to read."""
        for listener in self._listeners:
            listener.thread.start()

    def shown(self, text: str) -> None:
        """What the display shows. Raises ValueError when that has no number or no unit."""
        shown = parse_shown(text)
        with self._changed:
            self._shown = shown
            # A press before the typing counts too.
            for listener in self._listeners:
                for value, spec in listener.understood:
                    self._compare(value, spec)

    def heard(self) -> tuple[PortHeard, ...]:
        """What each port received last, in words."""
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

    def set_words(self, listener: _Listener, words: str) -> None:
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
            matches = abs(value.nm - to_nanometres(number, unit)) <= _MATCH_NM
        else:
            matches = value.number == number
            spec = replace(spec, unit=unit)
        if not matches:
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
    """Reads one port, at one speed after another."""

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
                self._search.set_words(self, f"listening at {self._speeds[0]} baud; press")
                self._listen(source)
            except SourceError as fault:
                self._search.set_words(self, fault.sentence)
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
                since = float("inf")  # Text came: this is its speed.
            elif burst or time.monotonic() - since >= self._patience:
                turn += 1
                following = self._speeds[turn % len(self._speeds)]
                # The port stays open, so that no board behind it restarts.
                source.change_speed(following)
                since = time.monotonic()
                heard = "noise" if burst else "nothing"
                self._search.set_words(
                    self, f"heard {heard} at {baud} baud, now listening at {following}; press"
                )

    def _burst(self, source: SerialPort) -> bytes:
        """What comes until a pause, at most for a second."""
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

        Judged by the decoder of the bench, which reads the port later.
        """
        parity: Parity = "none"
        found = parity_of(burst)
        if found is not None:
            parity = "even" if found == "7 data bits, even parity" else "odd"
        now = time.monotonic()
        decoder = LineDecoder("mm", mask=found is not None)
        decoded = [*decoder.feed(burst, now), *decoder.quiet(now + STALE_S)]
        values = [each for each in decoded if isinstance(each, Value)]
        refused = [each for each in decoded if isinstance(each, NotUnderstood)]
        # A number by chance within noise comes with more that is not understood.
        if len(refused) >= len(values) or any(isinstance(each, Trouble) for each in decoded):
            return False
        spec = replace(parse_spec(self.found.spec), baud=baud)
        if parity != "none":
            spec = replace(spec, bytesize=7, parity=parity)
        for value in values:
            self._search.take(self, value, spec)
        return True


class _TypingListener(_Listener):
    """Reads one device that types, taken from the system, in every keyboard layout."""

    def _run(self) -> None:
        spec = parse_spec(self.found.spec)
        while not self._search.over.is_set():
            self._source = source = source_for(spec)
            try:
                source.open()
                notice = source.notice if isinstance(source, HasNotice) else ""
                self._search.set_words(self, "; ".join(filter(None, ("listening; press", notice))))
                self._read_keys(source, spec)
            except SourceError as fault:
                self._search.set_words(self, fault.sentence)
                self._search.over.wait(0.5)
            finally:
                source.close()

    def _read_keys(self, source: Source, spec: Spec) -> None:
        layouts = sorted(LAYOUTS, key=lambda layout: layout != spec.layout)
        specs = [replace(spec, unit="mm", layout=layout) for layout in layouts]
        decoders = [(each, decoder_for(each)) for each in specs]
        while not self._search.over.is_set():
            chunk = source.read(0.2)
            now = time.monotonic()
            seen: set[int] = set()
            for each, decoder in decoders:
                for heard in decoder.feed(chunk, now) if chunk else decoder.quiet(now):
                    # Most layouts give the same value: take it once.
                    if isinstance(heard, Value) and heard.nm not in seen:
                        seen.add(heard.nm)
                        self._search.take(self, heard, replace(each, unit=None))
