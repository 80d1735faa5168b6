"""`bothends bench`: instruments here, the server on another computer."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from api.commands import SPEC_OPTIONS, SpecHelp, fail, plain
from api.commands.files import allow_files
from api.commands.fingerprint_said import add_fingerprint_option, fingerprint_for
from api.commands.stores import data_folder
from api.commands.token_said import add_token_option, token_for

if TYPE_CHECKING:
    from api.commands import Subparsers
    from api.instruments.forward.queue import HandoverProgress, Item, Queue
    from capture.records import CaliperState, Reading, Refusal
    from capture.spec import Spec


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "bench",
        formatter_class=SpecHelp,
        epilog=SPEC_OPTIONS,
        help="instruments here, the server elsewhere",
        description="Takes readings here, keeps them on this machine's disk, and hands them over"
        " in order to a server elsewhere, for days without it if need be. Each press is answered"
        " by a line: kept, or not understood; and where the server asks about it within two"
        " seconds, what. Ends with Ctrl-C, or when all calipers have ended.",
    )
    command.add_argument(
        "--to", required=True, metavar="URL", help="the server, such as http://shop.local:8017"
    )
    command.add_argument(
        "--caliper",
        action="append",
        default=[],
        required=True,
        metavar="SPEC",
        help="an instrument to listen to, such as serial:/dev/ttyUSB0,unit=mm; repeat for more",
    )
    command.add_argument("--bench", metavar="NAME", help="the bench, where SPEC names none")
    command.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the queue (default: by platform)"
    )
    add_token_option(command)
    add_fingerprint_option(command)
    command.add_argument(
        "--change-server",
        action="store_true",
        help="hand what still waits for another server to this one",
    )


def run(args: argparse.Namespace) -> int:
    import sqlite3

    from api.instruments.forward.answering import Answering
    from api.instruments.forward.forwarder import Forwarder
    from capture.bench import Instruments

    url = _server(args)
    token, fingerprint = token_for(args, url), fingerprint_for(args, url)
    specs = _specs(args)
    allow_files(len(specs))
    queue = _open_queue(args, url)
    shown = _Shown()
    answering = Answering(shown.kept)

    def keep(reading: Reading) -> None:
        answering.press(reading, forwarder.keep)

    def refuse(refusal: Refusal) -> None:
        if forwarder.refuse(refusal):
            shown.line(f"not understood {refusal.raw!r}: {refusal.reason}", bells=2)

    def report(state: CaliperState) -> None:
        forwarder.report()
        shown.line(
            f"{state.caliper}: {state.state}" + (f", {state.message}" if state.message else "")
        )

    over = threading.Event()
    for sig in (signal.SIGINT, signal.SIGTERM):
        signal.signal(sig, lambda *_: over.set())
    instruments = Instruments(keep, refuse, report)
    forwarder = Forwarder(
        queue,
        url,
        states=instruments.states,
        changed=shown.progress,
        refused=shown.refused,
        became=answering.became,
        reached=answering.reached,
        token=token,
        fingerprint=fingerprint,
    )
    forwarder.start()
    instruments.start(specs)
    # A wait without a timeout would block Ctrl-C on Windows.
    while not over.wait(0.2):
        if all(state.state == "stopped" for state in instruments.states()):
            break
    lost = _keep_the_rest(keep, instruments.stop())
    # No more presses come: hand everything over, however long it takes, until a signal.
    while not over.is_set() and not forwarder.finish(0.2):
        pass
    ended = not over.is_set()
    forwarder.stop()
    answering.close()
    waiting = 0
    with suppress(sqlite3.Error):
        progress = queue.progress()
        waiting = progress.total - progress.sent
        shown.line(str(progress))
    queue.close()
    shown.close()
    for reading in lost:
        _complain(f"not kept: {reading.sent.strip()} ({reading.unit}) from {reading.caliper}")
    if lost:
        _complain("the queue would not take these; see to its disk, then measure them again")
    if ended and waiting:
        _complain(f"{waiting} wait here for the server; the same command hands them over later")
    return 1 if lost or (ended and waiting) else 0


def _server(args: argparse.Namespace) -> str:
    from api.addresses import server_url

    try:
        return server_url(args.to)
    except ValueError as error:
        fail(f"--to {error}")


def _open_queue(args: argparse.Namespace, url: str) -> Queue:
    """The queue in the folder that --data names, for the server at `url`."""
    from api.instruments.forward.queue import Queue, QueueError

    try:
        queue = Queue(data_folder(args) / "bench.sqlite")
        queue.claim(url, change=args.change_server)
    except QueueError as error:
        fail(str(error))
    return queue


def _specs(args: argparse.Namespace) -> list[Spec]:
    """The instruments that the options name, on the bench that they name."""
    from capture.errors import SpecError
    from capture.spec import MAIN_BENCH, parse_spec

    bench = None
    if args.bench is not None:
        try:
            # As the bench of a SPEC, so that both hold to one rule.
            bench = parse_spec(f"stdin:,bench={args.bench.replace(',', ',,')}").bench
        except SpecError:
            fail(
                f"--bench {args.bench!r} can't be a bench's name; give 1 to 64 letters, digits,"
                " dots, dashes or underscores, the first a letter or digit"
            )
    specs = []
    for text in args.caliper:
        try:
            spec = parse_spec(text)
        except SpecError as error:
            fail(f"--caliper {text}: {error}")
        specs.append(replace(spec, bench=bench) if bench and spec.bench == MAIN_BENCH else spec)
    return specs


def _keep_the_rest(keep: Callable[[Reading], None], left: Sequence[Reading]) -> Sequence[Reading]:
    """Keep the readings that the instruments still held when they stopped; returns those that
    could not be kept.

    The instruments' own thread may do the same: each is stored once, and both keep the order.
    """
    for number, reading in enumerate(left):
        try:
            keep(reading)
        except Exception:
            return left[number:]
    return ()


def _complain(sentence: str) -> None:
    with suppress(OSError, ValueError, AttributeError):
        print(f"bothends: {sentence}", file=sys.stderr, flush=True)


class _Shown:
    """Prints lines for the person at this bench; on a terminal each press also rings the bell.

    Readings do not depend on them: nothing here raises, even when the terminal is gone.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._trouble = ""

    def kept(self, reading: Reading, question: str) -> None:
        said = f"kept {reading.sent.strip()} ({reading.unit}) from {reading.caliper}"
        if question:
            self.line(f"{said}, does not count yet: {question}", bells=3)
        else:
            self.line(said)

    def line(self, text: str, bells: int = 1) -> None:
        with self._lock, suppress(OSError, ValueError, AttributeError):
            out = sys.stdout
            # One for kept, two for not understood, three for a question: heard without looking.
            bell = "\a" * bells if out.isatty() else ""
            code = out.encoding or "ascii"
            print(plain(text).encode(code, "backslashreplace").decode(code) + bell, flush=True)

    def close(self) -> None:
        """Discard unwritten lines when nobody reads them: Python would report them at its exit."""
        try:
            sys.stdout.flush()
        except (OSError, ValueError, AttributeError):
            with suppress(OSError, ValueError, AttributeError):
                nowhere = os.open(os.devnull, os.O_WRONLY)
                os.dup2(nowhere, sys.stdout.fileno())
                os.close(nowhere)

    def progress(self, progress: HandoverProgress, trouble: str) -> None:
        if trouble and trouble != self._trouble:
            self.line(trouble, bells=2)
        if self._trouble and not trouble:
            self.line("handing over goes on")
        self._trouble = trouble
        self.line(str(progress))

    def refused(self, item: Item, why: str) -> None:
        self.line(f"the server refuses {item}: {why}; it stays in this bench's queue", bells=2)
