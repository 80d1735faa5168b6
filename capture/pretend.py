"""A simulated saw, board and caliper, and a port on which to receive the caliper's lines.

The saw cuts by the exact relations that the analysis inverts, so without scatter the
analysis gives the angle that was set. All random numbers are seeded with a seed and the names of
what is measured: the same press gives the same line, whatever was pressed before.
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import random
import selectors
import socket
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final, Protocol

import numpy as np

from analysis import geometry
from analysis.methods import Method, Quantity, Side
from analysis.units import NM_PER_MM, Unit, parse_length, parse_number, to_nanometres
from capture.spec import MAIN_BENCH, Spec, parse_spec

_OPENING_S: Final = 0.1


@dataclass(frozen=True, slots=True)
class Saw:
    """The errors of the saw.

    With a positive angle the open end of the cut leans to the right, with a positive tilt the cut
    leans to the right going up. `scatter_deg` is the standard deviation of a trial's angle and
    tilt from trial to trial; `stop_error_deg` that of the angle each time the saw is
    swung away and brought back to its stop (setups 1, 2, ...; setup 0 is `angle_deg`
    itself). The lengths are those of parts cut against a stop block: their standard
    deviation and how much longer each is than the last.
    """

    angle_deg: float = 0.08
    scatter_deg: float = 0.01
    tilt_deg: float = 0.0
    stop_error_deg: float = 0.0
    length_scatter_mm: float = 0.0
    length_drift_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Board:
    """What is cut. `width_mm` is the length of the cut, the method's baseline.

    `strip_mm`: the strip, part or block at the first place read; `inset_mm`: from the strip's
    end to where the jaws touch; `strip_side`: where the strip fell at the last cut; `pieces`:
    of a mitred frame.
    """

    width_mm: float = 203.8604
    thickness_mm: float = 19.05
    strip_mm: float = 12.7
    inset_mm: float = 0.0
    strip_side: Side = "left"
    pieces: int = 4


def strip_widths(
    method: Method,
    saw: Saw,
    board: Board,
    *,
    trial: int = 1,
    seed: int | str = 0,
    setup: int = 0,
) -> tuple[float, ...]:
    """The true lengths in mm at the method's places, in reading order, of one trial's strip.

    The same seed, setup and trial give the same strip. Without scatter, the widths have, for each
    relation of the method, exactly the contrast of the saw's angle or tilt.
    """
    swing = random.Random(f"setup {seed} {setup}").gauss(0.0, saw.stop_error_deg) if setup else 0.0
    chance = random.Random(f"trial {seed} {setup} {trial}")
    error: dict[Quantity, float] = {
        "angle": math.radians(saw.angle_deg + swing + chance.gauss(0.0, saw.scatter_deg)),
        "tilt": math.radians(saw.tilt_deg + chance.gauss(0.0, saw.scatter_deg)),
    }
    first = board.strip_mm
    if method.judges == "machine" and method.reveals == ("length",):
        first += saw.length_drift_mm * (trial - 1) + chance.gauss(0.0, saw.length_scatter_mm)
    sign = geometry.strip_sign(method, board.strip_side)
    pieces = geometry.pieces_of(method, board.pieces if method.pieces else None)
    widths = np.full(len(method.places), first)
    for relation in method.relations:
        base = geometry.base_mm(relation, board.width_mm, board.thickness_mm, board.inset_mm)
        if base is None:
            continue  # a length is read as it is
        contrast = sign * base * geometry.ratio(relation, error[relation.quantity], pieces)
        weights = np.array(relation.weights)
        share = weights * contrast / (weights @ weights)
        # A difference does not fix the width of the strip; a gap is the contrast itself.
        widths = share if weights.sum() else widths + share - share[0]
    return tuple(widths.tolist())


@dataclass(frozen=True, slots=True)
class Quirks:
    """How an instrument deviates from plain lines. Probabilities are per press, 0 to 1.

    `unit_slip`: the press shows the other unit; `half_line`: the line breaks off; `unplug`:
    carried out by the owner of the port.
    """

    terminator: str = "\r\n"
    label: str = ""
    unit_word: bool = False
    comma: bool = False
    plus: bool = False
    noise: float = 0.0
    bounce: float = 0.0
    half_line: float = 0.0
    unit_slip: float = 0.0
    unplug: float = 0.0


@dataclass(frozen=True, slots=True)
class Caliper:
    """What the caliper can show: `resolution` is its count with its unit, "0.0005 in".

    `repeatability_mm`: standard deviation of caliper and hand on one spot.
    Raises ValueError for a resolution that is no length.
    """

    resolution: str = "0.01 mm"
    repeatability_mm: float = 0.01
    offset_mm: float = 0.0
    scale_error: float = 0.0
    quirks: Quirks = field(default_factory=Quirks)

    def __post_init__(self) -> None:
        number, unit = _resolution(self.resolution)
        if to_nanometres(number, unit) <= 0:
            raise ValueError(f"resolution {self.resolution!r} must be greater than zero")

    @property
    def unit(self) -> Unit:
        return _resolution(self.resolution)[1]


# The resolution in the other unit, on a caliper with two units.
_OTHER: Final[Mapping[Unit, str]] = {"mm": "0.0005 in", "in": "0.01 mm"}


def _resolution(text: str) -> tuple[Decimal, Unit]:
    number, _, unit = text.strip().partition(" ")
    if unit == "mm":
        return parse_number(number), "mm"
    if unit == "in":
        return parse_number(number), "in"
    raise ValueError(f"resolution {text!r} needs a number and a unit, such as '0.01 mm'")


class PretendCaliper:
    """A simulated caliper in a hand: turns a width into the bytes of one press."""

    def __init__(self, caliper: Caliper | None = None, seed: int | str = 0) -> None:
        self.caliper = caliper or Caliper()
        self._seed = seed
        self._presses = 0

    def line(self, width_mm: float, press: str | None = None) -> bytes:
        """What one press of the send button sends for a strip this wide.

        `press` names the press: the same name gives the same bytes. Without one, presses
        are counted.
        """
        self._presses += 1
        chance = random.Random(f"press {self._seed} {press or self._presses}")
        caliper, quirks = self.caliper, self.caliper.quirks
        shown = width_mm * (1.0 + caliper.scale_error) + caliper.offset_mm
        shown += chance.gauss(0.0, caliper.repeatability_mm)
        # All numbers are drawn whatever the quirks, so that one quirk does not change another.
        slip, half, noise, bounce = (chance.random() for _ in range(4))
        resolution = caliper.resolution
        if slip < quirks.unit_slip:
            resolution = _OTHER[caliper.unit]
        data = (self.text(shown, resolution) + quirks.terminator).encode("utf-8")
        if half < quirks.half_line:
            data = data[: len(data) // 2]
        if noise < quirks.noise:
            at = chance.randrange(len(data) + 1)
            data = data[:at] + bytes([chance.randrange(0x80, 0x100)]) + data[at:]
        if bounce < quirks.bounce:
            data += data
        return data

    def moving(self, from_mm: float, to_mm: float) -> list[bytes]:
        """The lines of a streaming display on the way from one width to another, all different.

        The jaws open 5 mm beyond the wider one before they close.
        """
        open_mm = max(from_mm, to_mm) + 5.0
        way = [from_mm + (open_mm - from_mm) * step / 3 for step in (1, 2, 3)]
        way += [open_mm + (to_mm - open_mm) * step / 3 for step in (1, 2)]
        end = self.caliper.quirks.terminator
        return [(self.text(shown) + end).encode("utf-8") for shown in way]

    def text(self, shown_mm: float, resolution: str | None = None) -> str:
        """The line's text, without its terminator, for a display that shows `shown_mm`."""
        quirks = self.caliper.quirks
        count, unit = _resolution(resolution or self.caliper.resolution)
        count_mm = Decimal(to_nanometres(count, unit)) / NM_PER_MM
        counts = (Decimal(shown_mm) / count_mm).to_integral_value(ROUND_HALF_EVEN)
        number = f"{counts * count:{'+' if quirks.plus else ''}f}"
        if quirks.comma:
            number = number.replace(".", ",")
        return quirks.label + number + (f" {unit}" if quirks.unit_word else "")


def received_at(data: bytes, sent_baud: int, heard_baud: int) -> bytes:
    """What a receiver at `heard_baud` reads when `data` is sent without pause at `sent_baud`.

    One start bit, eight data bits least significant first, one stop bit; the receiver
    takes a low level of at least half of its own bit time for a start bit, and samples the
    middle of each bit.
    """
    wire = [1]
    for byte in data:
        wire += [0, *((byte >> bit) & 1 for bit in range(8)), 1]
    ratio = sent_baud / heard_baud

    def level(at: float) -> int:
        return wire[int(at)] if at < len(wire) else 1

    heard = bytearray()
    at = 0.0
    while at < len(wire):
        if level(at):
            at = int(at) + 1.0
        elif level(at + 0.5 * ratio):
            at += 0.5 * ratio
        else:
            heard.append(sum(level(at + (bit + 1.5) * ratio) << bit for bit in range(8)))
            # Like real receivers, ready for the next start bit from the middle of the stop bit.
            at += 9.5 * ratio
    return bytes(heard)


class Port(Protocol):
    """A simulated port, with a listener at its other end."""

    @property
    def target(self) -> str:
        """What to write after `serial:` to listen to this port."""

    def send(self, data: bytes) -> None:
        """Send `data` to the listeners; without a listener it is lost, as on a wire."""

    def close(self) -> None:
        """Unplug permanently. A second close does nothing."""


class PtyPort:
    """A pseudo-terminal: to the listener it is a serial port like any other (POSIX).

    `link`: a stable name for the port, such as a system gives to what is plugged in. `baud`:
    the speed of the instrument; a listener at another speed reads what it would on a real port.
    `unplug` and `plug` have the same effect as with a real plug. Raises OSError where
    the system has no pseudo-terminals, and where `link` is a file or leads to none.
    """

    def __init__(
        self,
        link: str | None = None,
        answer: Callable[[bytes], bytes] | None = None,
        baud: int | None = None,
    ) -> None:
        if sys.platform == "win32":
            raise OSError("this system has no pseudo-terminals; use a TCP port")
        self._link = link
        self._answer = answer
        self._baud = baud
        self._ends: tuple[int, int] | None = None
        self._name = ""
        self._lock = threading.Lock()
        self.plug()

    @property
    def target(self) -> str:
        return self._link or self._name

    @property
    def plugged(self) -> bool:
        return self._ends is not None

    def plug(self) -> None:
        """Plug in: the port comes back, usually with another name. No effect if plugged in."""
        if self._ends is not None:
            return
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)
        # Like a wire, do not wait for a listener that has stopped reading.
        os.set_blocking(master, False)
        self._ends = master, slave
        self._name = os.ttyname(slave)
        if self._link is not None:
            try:
                self._name_it(self._link)
            except OSError:
                self._ends = None
                for end in (master, slave):
                    os.close(end)
                raise
        if self._answer is not None:
            threading.Thread(target=self._serve, args=(master,), daemon=True).start()

    def _name_it(self, link: str) -> None:
        """Lead `link` to the port. Raises OSError where something is there that is not the link of
        such a port: nobody's file is ever replaced."""
        if os.path.lexists(link):
            ports = f"{os.path.dirname(self._name)}/"
            if not (os.path.islink(link) and os.readlink(link).startswith(ports)):
                raise FileExistsError(errno.EEXIST, "it is there and leads to no such port")
            os.unlink(link)
        os.symlink(self._name, link)

    def unplug(self) -> None:
        """Unplug: the listener's port hangs up and the name disappears."""
        with self._lock:
            ends, self._ends = self._ends, None
            if ends is None:
                return
            if self._link is not None:
                with contextlib.suppress(OSError):
                    if os.readlink(self._link) == self._name:
                        os.unlink(self._link)
            for end in ends:
                os.close(end)

    def send(self, data: bytes) -> None:
        with self._lock:
            if self._ends is not None:
                master, _ = self._ends
                if self._baud is not None:
                    data = received_at(data, self._baud, _speed_of(master))
                with contextlib.suppress(BlockingIOError):
                    os.write(master, data)

    def _serve(self, master: int) -> None:
        waiter = selectors.DefaultSelector()
        waiter.register(master, selectors.EVENT_READ)
        assert self._answer is not None
        while self._ends is not None and self._ends[0] == master:
            if waiter.select(0.1):
                with self._lock:
                    if self._ends is None or self._ends[0] != master:
                        break
                    try:
                        asked = os.read(master, 4096)
                    except OSError:
                        break
                self.send(self._answer(asked))
        waiter.close()

    close = unplug


def _speed_of(terminal: int) -> int:
    """The speed to which the listener has set a pseudo-terminal."""
    import termios

    code = termios.tcgetattr(terminal)[5]
    names = (name for name in dir(termios) if name[0] == "B" and name[1:].isdigit())
    return next((int(name[1:]) for name in names if getattr(termios, name) == code), 9600)


class TcpPort:
    """A caliper behind a network converter: every connection receives each press.

    `port` 0 chooses a free one. `answer` is called with what a listener sent and returns the
    answer. Raises OSError when the port is taken.
    """

    def __init__(
        self,
        port: int = 0,
        host: str = "127.0.0.1",
        answer: Callable[[bytes], bytes] | None = None,
    ) -> None:
        self._server = socket.create_server((host, port))
        self._server.setblocking(False)
        self.host, self.port = self._server.getsockname()[:2]
        self._answer = answer
        self._listeners: dict[socket.socket, float] = {}
        self._changed = threading.Condition()
        self._stop_sender, self._stop_receiver = socket.socketpair()
        self._thread = threading.Thread(target=self._serve, name="pretend port", daemon=True)
        self._thread.start()

    @property
    def target(self) -> str:
        return f"socket://{self.host}:{self.port}"

    def wait_for_listener(self, timeout: float = 10.0) -> bool:
        """Whether somebody listens, within `timeout` seconds."""
        deadline = time.monotonic() + timeout
        with self._changed:
            if not self._changed.wait_for(lambda: bool(self._listeners), timeout):
                return False
            connected = min(self._listeners.values())
        # A port that is being opened discards what arrives meanwhile.
        time.sleep(max(0.0, min(connected + _OPENING_S, deadline) - time.monotonic()))
        return True

    def send(self, data: bytes) -> None:
        with self._changed:
            listeners = tuple(self._listeners)
        for listener in listeners:
            # A listener that hung up or does not read loses what is sent.
            with contextlib.suppress(OSError):
                listener.send(data)

    def hang_up(self) -> None:
        """Drop every connection; the port itself stays open for new ones."""
        with self._changed:
            for listener in self._listeners:
                with contextlib.suppress(OSError):
                    listener.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        if self._thread.is_alive():
            self._stop_sender.send(b"!")
            self._thread.join()
            self._stop_sender.close()

    def _serve(self) -> None:
        waiter = selectors.DefaultSelector()
        waiter.register(self._server, selectors.EVENT_READ)
        waiter.register(self._stop_receiver, selectors.EVENT_READ)
        while True:
            for key, _ in waiter.select():
                ready = key.fileobj
                if ready is self._stop_receiver:
                    waiter.close()
                    with self._changed:
                        for each in (self._server, self._stop_receiver, *self._listeners):
                            each.close()
                        self._listeners.clear()
                    return
                if ready is self._server:
                    with contextlib.suppress(OSError):
                        listener, _ = self._server.accept()
                        listener.setblocking(False)
                        listener.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                        waiter.register(listener, selectors.EVENT_READ)
                        with self._changed:
                            self._listeners[listener] = time.monotonic()
                            self._changed.notify_all()
                elif isinstance(ready, socket.socket):
                    self._hear(ready, waiter)

    def _hear(self, listener: socket.socket, waiter: selectors.BaseSelector) -> None:
        try:
            asked = listener.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            asked = b""
        if asked and self._answer is not None:
            with contextlib.suppress(OSError):
                listener.send(self._answer(asked))
        elif not asked:
            waiter.unregister(listener)
            with self._changed:
                self._listeners.pop(listener, None)
                self._changed.notify_all()
            listener.close()


class PretendBench:
    """A simulated bench for demos and tests: a caliper on a loopback port that presses on request.

    `spec` listens to it; `press` measures one place of one trial's strip and sends the
    line; `send` sends any text. Lines depend only on the seed, the series, the trial, the place
    and the repeat.
    """

    def __init__(
        self,
        saw: Saw | None = None,
        board: Board | None = None,
        caliper: Caliper | None = None,
        *,
        seed: int = 0,
        name: str = "pretend",
        bench: str = MAIN_BENCH,
        port: int = 0,
    ) -> None:
        self.saw = saw or Saw()
        self.board = board or Board()
        self.caliper = caliper or Caliper()
        self._seed = seed
        self._port = TcpPort(port)
        unit = self.caliper.unit
        self.spec: Spec = parse_spec(
            f"serial:{self._port.target},name={name},bench={bench},unit={unit}"
        )

    def press(
        self,
        method: Method,
        place: int,
        trial: int,
        *,
        series: str = "",
        repeat: int = 0,
        setup: int = 0,
        board: Board | None = None,
    ) -> bytes:
        """Measure place `place` (from 0) of trial `trial` (from 1), send the line and return it.

        Waits until somebody listens, at most ten seconds. Raises ValueError for a place that
        the method does not have.
        """
        seed = f"{self._seed} {series}"
        widths = strip_widths(
            method, self.saw, board or self.board, trial=trial, seed=seed, setup=setup
        )
        if not 0 <= place < len(widths):
            raise ValueError(
                f"place {place} is not one of the {len(widths)} places of {method.key}"
            )
        hand = PretendCaliper(self.caliper, seed)
        line = hand.line(widths[place], f"{method.key} {setup} {trial} {place} {repeat}")
        self._port.wait_for_listener()
        self._port.send(line)
        return line

    def send(self, text: str) -> None:
        """Send `text` and the caliper's terminator."""
        self._port.wait_for_listener()
        self._port.send((text + self.caliper.quirks.terminator).encode("utf-8"))

    def close(self) -> None:
        self._port.close()


def parse_mm(text: str, unit: Unit = "mm") -> float:
    """A length such as "203.86", "203.86 mm" or "8.026 in", in mm. Raises ValueError."""
    number, _, word = text.strip().partition(" ")
    if word not in ("", "mm", "in"):
        raise ValueError(f"{text!r} needs a number and, if any, the unit mm or in")
    given: Unit = "in" if word == "in" else "mm" if word == "mm" else unit
    return parse_length(number, given) / NM_PER_MM
