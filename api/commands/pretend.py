"""`bothends pretend`: a caliper, a board and a saw that do not exist, to try things on."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.methods import Method
    from api.commands import Subparsers
    from capture.pretend import Board, Caliper, Port, PretendCaliper, Saw


def add(subparsers: Subparsers) -> None:
    parser = subparsers.add_parser(
        "pretend",
        help="be a caliper, to try things without one",
        description="Be a caliper on a port of this computer. It measures strips from a saw"
        " that is as wrong as you say, and sends one line for each press: Enter presses, or"
        " --every presses by itself.",
    )
    parser.add_argument("--method", default="reversal", help="what is cut (default: reversal)")
    parser.add_argument("--every", type=float, metavar="SECONDS", help="press by itself")
    parser.add_argument(
        "--stream",
        type=float,
        metavar="HZ",
        help="send what the display shows so many times a second; a press then lays the jaws on"
        " the next place",
    )
    parser.add_argument("--count", type=int, metavar="N", help="end after N presses")
    parser.add_argument("--seed", type=int, default=0, help="another seed, another saw's luck")
    parser.add_argument(
        "--tcp",
        type=int,
        metavar="PORT",
        help="be reached over the network of this computer (0: any free port)"
        " rather than as a serial port",
    )
    parser.add_argument("--link", metavar="PATH", help="a lasting name for the serial port")
    saw = parser.add_argument_group("saw")
    saw.add_argument("--angle", type=_angle, default=0.08, metavar="DEGREES")
    saw.add_argument("--tilt", type=_angle, default=0.0, metavar="DEGREES")
    saw.add_argument(
        "--scatter", type=_spread, default=0.01, metavar="DEGREES", help="from trial to trial"
    )
    saw.add_argument(
        "--stop-error",
        type=_spread,
        default=0.0,
        metavar="DEGREES",
        help="of its stop, each time it was swung away",
    )
    saw.add_argument(
        "--setup", type=int, default=0, metavar="N", help="how often it was swung away and back"
    )
    board = parser.add_argument_group("board (lengths in mm, or with their unit: '8.026 in')")
    board.add_argument("--width", default="203.8604", metavar="LENGTH", help="length of the cut")
    board.add_argument("--thickness", default="19.05", metavar="LENGTH")
    board.add_argument("--strip", default="12.7", metavar="LENGTH", help="strip, block or part")
    board.add_argument("--inset", default="0", metavar="LENGTH", help="jaws from the strip's end")
    board.add_argument("--strip-side", choices=("left", "right"), default="left")
    caliper = parser.add_argument_group("caliper")
    caliper.add_argument(
        "--resolution", default="0.01 mm", help="its count (default: '0.01 mm'; '0.0005 in')"
    )
    caliper.add_argument("--repeatability", default="0.01", metavar="LENGTH")
    caliper.add_argument(
        "--baud",
        type=int,
        metavar="SPEED",
        help="its speed (serial port): a listener set to another hears what a real one would",
    )
    caliper.add_argument("--terminator", choices=("crlf", "cr", "lf", "none"), default="crlf")
    caliper.add_argument("--label", default="", help="what it sends before the number")
    caliper.add_argument("--unit-word", action="store_true", help="send the unit too")
    caliper.add_argument("--comma", action="store_true", help="send a decimal comma")
    for fault, words in _FAULTS.items():
        caliper.add_argument(
            f"--{fault}", type=_chance, default=0.0, metavar="CHANCE", help=f"{words} (0 to 1)"
        )


_FAULTS = {
    "noise": "a stray byte in the line",
    "bounce": "the line sent twice",
    "half-line": "the line broken off",
    "unit-slip": "the other unit on the display",
    "unplug": "the plug pulled after the press, for a second",
}
_TERMINATORS = {"crlf": "\r\n", "cr": "\r", "lf": "\n", "none": ""}


def _chance(text: str) -> float:
    return _within(text, 0, 1, "a chance")


def _angle(text: str) -> float:
    return _within(text, -45, 45, "an angle in degrees")


def _spread(text: str) -> float:
    return _within(text, 0, 45, "a standard deviation in degrees")


def _within(text: str, least: float, most: float, what: str) -> float:
    """The number, as argparse's `type`; not one that is none (nan), nor infinite."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not least <= number <= most:
        raise argparse.ArgumentTypeError(
            f"{text} is not {what}; give a number from {least:g} to {most:g}"
        )
    return number


def run(args: argparse.Namespace) -> int:
    import contextlib
    import signal
    import time

    from analysis.methods import METHODS
    from api.commands import fail
    from capture.pretend import PretendCaliper, PtyPort, Saw, TcpPort, strip_widths

    _check(args)
    lengths = _lengths(args)
    if args.method not in METHODS:
        fail(f"--method {args.method} is not known; give one of {', '.join(METHODS)}")
    saw = Saw(args.angle, args.scatter, args.tilt, args.stop_error)
    board = _board(args, lengths)
    try:
        caliper = _caliper(args, lengths)
        measured = METHODS[args.method]
        strip_widths(measured, saw, board)  # raises for what can't be cut, before a port is opened
    except ValueError as fault:
        fail(str(fault))
    try:
        port = TcpPort(args.tcp) if args.tcp is not None else PtyPort(args.link, baud=args.baud)
    except OSError as fault:
        name = f"--tcp {args.tcp}" if args.tcp is not None else f"--link {args.link}"
        where = name if args.link or args.tcp is not None else "a serial port of its own"
        fail(f"there is no port to be heard on: {where} cannot be had ({fault.strerror or fault})")
    hand = PretendCaliper(caliper, args.seed)
    stream = None if args.stream is None else _Stream(port, hand, args.stream)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with contextlib.closing(port), contextlib.suppress(KeyboardInterrupt, BrokenPipeError):
        print(port.target, flush=True)
        baud = "" if args.baud is None else f",baud={args.baud}"
        mode = "" if stream is None else ",mode=stream"
        print(f"--caliper serial:{port.target},unit={caliper.unit}{baud}{mode}", flush=True)
        if args.every is None:
            does = "presses the send button" if stream is None else "lays it on the next place"
            print(f"Enter {does}; Ctrl-D or Ctrl-C ends.", flush=True)
        _press(args, port, hand, stream, measured, saw, board)
        if args.every is not None or args.count is not None:
            # The last line must be read before the port is closed.
            time.sleep(0.5 if stream is None else 1.5)
    return 0


def _check(args: argparse.Namespace) -> None:
    """End the command where a number is out of its range."""
    from api.commands import fail

    if args.every is not None and not 0 < args.every < 86_400:
        fail("--every must be a number of seconds above zero")
    if args.tcp is not None and not 0 <= args.tcp <= 65535:
        fail(f"--tcp {args.tcp} is not a port; give one from 1 to 65535, or 0 for a free one")
    if args.setup < 0:
        fail(f"--setup {args.setup} is not how often the saw was swung away; give 0 or more")
    if args.count is not None and args.count < 1:
        fail("--count must be at least 1")
    if args.stream is not None and not 0.1 <= args.stream <= 1000:
        fail("--stream must be 0.1 to 1000 times a second")
    if args.baud is not None:
        if args.tcp is not None:
            fail("--baud is a serial port's; a network has no speed to get wrong, so drop --tcp")
        if not 50 <= args.baud <= 4_000_000:
            fail(f"--baud {args.baud} is not a speed; give one from 50 to 4000000")


def _lengths(args: argparse.Namespace) -> dict[str, float]:
    """The lengths of the options in mm, by option."""
    from api.commands import fail
    from capture.pretend import parse_mm

    lengths = {}
    for name in ("width", "thickness", "strip", "inset", "repeatability"):
        try:
            lengths[name] = parse_mm(getattr(args, name))
        except ValueError as fault:
            fail(f"--{name}: {fault}")
        if lengths[name] < 0 or (lengths[name] == 0 and name not in ("inset", "repeatability")):
            least = "at least zero" if name in ("inset", "repeatability") else "more than zero"
            fail(f"--{name} {getattr(args, name)} must be {least}")
    if 2 * lengths["inset"] >= lengths["width"]:
        fail(
            f"--inset {args.inset} at each end leaves nothing of a cut that is --width"
            f" {args.width} long; give a smaller inset"
        )
    return lengths


def _board(args: argparse.Namespace, lengths: Mapping[str, float]) -> Board:
    from capture.pretend import Board

    return Board(
        width_mm=lengths["width"],
        thickness_mm=lengths["thickness"],
        strip_mm=lengths["strip"],
        inset_mm=lengths["inset"],
        strip_side=args.strip_side,
    )


def _caliper(args: argparse.Namespace, lengths: Mapping[str, float]) -> Caliper:
    """Raises ValueError for a resolution that can't be read."""
    from capture.pretend import Caliper, Quirks

    return Caliper(
        args.resolution,
        lengths["repeatability"],
        quirks=Quirks(
            terminator=_TERMINATORS[args.terminator],
            label=args.label,
            unit_word=args.unit_word,
            comma=args.comma,
            noise=args.noise,
            bounce=args.bounce,
            half_line=args.half_line,
            unit_slip=args.unit_slip,
            unplug=args.unplug,
        ),
    )


def _press(
    args: argparse.Namespace,
    port: Port,
    hand: PretendCaliper,
    stream: _Stream | None,
    measured: Method,
    saw: Saw,
    board: Board,
) -> None:
    """Press at each Enter, or every so often, until the input or the presses end."""
    import random
    import sys
    import time

    from capture.pretend import strip_widths

    chance = random.Random(f"plug {args.seed}")
    places = len(measured.places)
    pressed = 0
    while args.count is None or pressed < args.count:
        if args.every is not None:
            time.sleep(args.every)
        elif not sys.stdin.readline():
            break
        trial, place = divmod(pressed, places)
        widths = strip_widths(
            measured, saw, board, trial=trial + 1, seed=args.seed, setup=args.setup
        )
        line = hand.line(widths[place])
        if stream is None:
            port.send(line)
        else:
            stream.lay_on(widths[place], line)
        pressed += 1
        print(f"trial {trial + 1} place {place + 1} of {places}: {line!r}", flush=True)
        if chance.random() < args.unplug:
            _pull_plug(port)


class _Stream:
    """What the display shows, sent repeatedly by a thread of its own.

    It shows zero until the jaws are laid on something.
    """

    def __init__(self, port: Port, hand: PretendCaliper, hertz: float) -> None:
        import threading

        self._port, self._hand, self._every = port, hand, 1.0 / hertz
        self._at_mm = 0.0
        self._lines = [(hand.text(0.0) + hand.caliper.quirks.terminator).encode()]
        self._pause = threading.Event()
        threading.Thread(target=self._send, name="pretend stream", daemon=True).start()

    def lay_on(self, width_mm: float, line: bytes) -> None:
        """Move the jaws there; from then on it sends `line`."""
        self._lines = [*self._hand.moving(self._at_mm, width_mm), line]
        self._at_mm = width_mm

    def _send(self) -> None:
        while not self._pause.wait(self._every):
            lines = self._lines
            self._port.send(lines.pop(0) if len(lines) > 1 else lines[0])


def _pull_plug(port: object) -> None:
    import time

    from capture.pretend import PtyPort, TcpPort

    if isinstance(port, TcpPort):
        port.hang_up()
    elif isinstance(port, PtyPort):
        time.sleep(0.1)
        port.unplug()
        time.sleep(1.0)
        port.plug()
        print(f"plugged in again as {port.target}", flush=True)
        # A listener needs up to two seconds to find it.
        time.sleep(2.0)
