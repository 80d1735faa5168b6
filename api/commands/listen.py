"""`bothends listen`: hear instruments and print what they send, keeping nothing."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from api.commands import SPEC_OPTIONS, SpecHelp

if TYPE_CHECKING:
    from api.commands import Subparsers
    from capture.records import CaliperState, Reading, Refusal


def add(subparsers: Subparsers) -> None:
    parser = subparsers.add_parser(
        "listen",
        formatter_class=SpecHelp,
        epilog=SPEC_OPTIONS,
        help="print what instruments send",
        description="Print every reading, refusal and change of state as it comes, and keep"
        " nothing: to try a caliper, its options or a pattern. Ctrl-C ends it.",
    )
    parser.add_argument(
        "spec",
        metavar="SPEC",
        nargs="*",
        default=["stdin:"],
        help="an instrument, as for --caliper (default: standard input)",
    )
    parser.add_argument("--count", type=int, metavar="N", help="end after N readings")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    import contextlib
    import signal
    import threading

    from api.commands import fail
    from capture.bench import Instruments
    from capture.errors import SpecError
    from capture.spec import parse_spec

    if args.count is not None and args.count < 1:
        fail("--count must be at least 1")
    try:
        specs = [parse_spec(text) for text in args.spec]
    except SpecError as fault:
        fail(fault.sentence)
    print_one = threading.Lock()
    over = threading.Event()
    heard = 0
    ended: set[tuple[str, str]] = set()

    def say(text: str) -> None:
        try:
            print(text, flush=True)
        except BrokenPipeError:
            over.set()

    def keep(reading: Reading) -> None:
        nonlocal heard
        with print_one:
            if args.count is not None and heard >= args.count:
                return
            say(_json("reading", reading) if args.json else _reading(reading))
            heard += 1
            if heard == args.count:
                over.set()

    def refuse(refusal: Refusal) -> None:
        with print_one:
            say(_json("refusal", refusal) if args.json else _refusal(refusal))

    def report(state: CaliperState) -> None:
        with print_one:
            say(_json("state", state) if args.json else _state(state))
            if state.state == "stopped":
                ended.add((state.bench, state.caliper))
                if len(ended) == len(specs):
                    over.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: over.set())
    instruments = Instruments(keep, refuse, report)
    instruments.start(specs)
    # A wait without a timeout would block Ctrl-C on Windows.
    while not over.wait(0.5):
        pass
    with contextlib.suppress(KeyboardInterrupt):
        instruments.stop()
    return 0


def _json(event: str, record: Reading | Refusal | CaliperState) -> str:
    import dataclasses
    import json

    facts = {"event": event} | dataclasses.asdict(record)
    return json.dumps(facts, default=_text, ensure_ascii=False)


def _text(value: Any) -> str:
    """An id, or a moment after RFC 3339."""
    from datetime import datetime

    return value.isoformat() if isinstance(value, datetime) else str(value)


def _reading(reading: Reading) -> str:
    from analysis.units import mm_text

    late = "  late: pressed some time ago" if reading.late else ""
    where = f"{reading.caliper}  {reading.sent!r}"
    return f"{where}  {mm_text(reading.nm)} mm, sent in {reading.unit}{late}"


def _refusal(refusal: Refusal) -> str:
    return f"{refusal.caliper}  {refusal.raw!r}  no reading: {refusal.reason}"


def _state(state: CaliperState) -> str:
    return f"{state.caliper}  {state.state}" + (f": {state.message}" if state.message else "")
