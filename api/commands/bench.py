"""`bothends bench`: instruments here, the server elsewhere."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from api.commands import fail

if TYPE_CHECKING:
    from api.commands import Subparsers
    from api.forwarding import Progress
    from capture.records import CaliperState, Reading, Refusal


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "bench",
        help="instruments here, the server elsewhere",
        description="Takes readings here, keeps them on this machine's disk, and hands them over"
        " in order to a server elsewhere, for days without it if need be. Each press is answered"
        " by a line: kept, or not understood.",
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


def run(args: argparse.Namespace) -> int:
    from api.forwarding import Forwarder, Queue, QueueError
    from api.shop import user_data
    from capture.bench import Instruments
    from capture.errors import SpecError
    from capture.spec import parse_spec

    url = urlsplit(args.to)
    if url.scheme not in ("http", "https") or not url.netloc:
        fail(f"--to {args.to} is no server; give its address, such as http://shop.local:8017")
    specs = []
    for text in args.caliper:
        try:
            spec = parse_spec(text)
        except SpecError as error:
            fail(f"--caliper {text}: {error}")
        if args.bench is not None and spec.bench == "main":
            spec = replace(spec, bench=args.bench)
        specs.append(spec)
    try:
        queue = Queue((args.data or user_data()) / "bench.sqlite")
    except QueueError as error:
        fail(str(error))

    shown = _Shown()
    forwarder = Forwarder(queue, args.to, shown.progress)

    def keep(reading: Reading) -> None:
        forwarder.keep(reading)
        shown.line(f"kept {reading.sent.strip()} ({reading.unit}) from {reading.caliper}")

    def refuse(refusal: Refusal) -> None:
        forwarder.refuse(refusal)
        shown.line(f"not understood {refusal.raw!r}: {refusal.reason}", wrong=True)

    def report(state: CaliperState) -> None:
        forwarder.report(state)
        shown.line(
            f"{state.caliper}: {state.state}" + (f", {state.message}" if state.message else "")
        )

    over = threading.Event()
    for sig in (signal.SIGINT, signal.SIGTERM):
        signal.signal(sig, lambda *_: over.set())
    instruments = Instruments(keep, refuse, report)
    forwarder.start()
    instruments.start(specs)
    over.wait()
    instruments.stop()
    forwarder.stop()
    shown.line(str(queue.progress()))
    queue.close()
    return 0


class _Shown:
    """Lines for the person at this bench; on a terminal each press rings as well."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._trouble = ""

    def line(self, text: str, wrong: bool = False) -> None:
        with self._lock:
            # One bell for kept, two for not understood: heard without looking.
            bell = "\a" * (2 if wrong else 1) if sys.stdout.isatty() else ""
            print(text + bell, flush=True)

    def progress(self, progress: Progress, trouble: str) -> None:
        if trouble and trouble != self._trouble:
            self.line(trouble, wrong=True)
        if self._trouble and not trouble:
            self.line("the server answers again")
        self._trouble = trouble
        self.line(str(progress))
