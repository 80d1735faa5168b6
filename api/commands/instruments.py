"""`bothends instruments`: what is plugged in, and what is missing before it can be heard."""

from __future__ import annotations

import argparse
import shlex
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from api.commands import Subparsers

_LONGEST_S = 120.0


def add(subparsers: Subparsers) -> None:
    parser = subparsers.add_parser(
        "instruments",
        help="show what is plugged in and what is missing",
        description="Show what is plugged in that may be a caliper, by the name to give to"
        " --caliper, and what is missing before it can be heard. Nothing is opened.",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.add_argument(
        "--identify",
        metavar="SHOWN",
        help="find a serial caliper by its button: give what its display shows, such as"
        " '12.34 mm', and press send; this opens every serial port, once you have seen which",
    )
    parser.add_argument(
        "--listen-to",
        metavar="DEVICE",
        action="append",
        default=[],
        help="a device that types, for --identify to hear too; it is taken from the system"
        " meanwhile, so never the keyboard you work with; repeat for more",
    )
    parser.add_argument("--yes", action="store_true", help="open the ports without asking first")
    parser.add_argument(
        "--leave-alone",
        metavar="PORT",
        action="append",
        default=[],
        help="a port that --identify must not open; repeat for more",
    )


def run(args: argparse.Namespace) -> int:
    import dataclasses
    import json

    from api.settings import program
    from capture.finding import instruments

    if args.identify is not None:
        return _identify(args)
    found = instruments(program())
    for each in found:
        if args.json:
            print(json.dumps(dataclasses.asdict(each), ensure_ascii=False))
            continue
        print(each.spec or each.device)
        print(f"    {each.likely}")
        if each.missing:
            print(f"    not ready: {each.missing}")
            for line in each.remedy.splitlines():
                print(f"        {line}")
    if not found and not args.json:
        print(
            "Nothing that may be a caliper is plugged in. Plug one in and run this again; a"
            " caliper behind a network converter is named by its address, such as"
            " serial:socket://192.0.2.7:5001."
        )
    return 0


def _identify(args: argparse.Namespace) -> int:
    import dataclasses
    import json
    import sys
    import time

    from api.commands import fail
    from api.settings import program
    from capture.finding import serial_instruments, typing_instruments
    from capture.identify import OPENING_CAUTION, TYPING_CAUTION, PortSearch, parse_shown

    shown: str = args.identify
    try:
        parse_shown(shown)
    except ValueError as fault:
        fail(f"--identify: {fault}")
    try:
        typing = typing_instruments(program()) if args.listen_to else ()
        candidates = [*serial_instruments(), *typing]
        search = PortSearch(candidates, args.leave_alone, listen_to=args.listen_to)
    except ValueError as fault:
        fail(str(fault))
    if not search.heard():
        fail("no serial port is here to listen to; plug the caliper in and run this again")
    print(OPENING_CAUTION, file=sys.stderr)
    if args.listen_to:
        print(TYPING_CAUTION, file=sys.stderr)
    for each in search.heard():
        print(f"    {each.device}", file=sys.stderr)
    if not args.yes:
        _wait_for_enter()
    search.start()
    try:
        search.shown(shown)
        shown_ports: tuple[object, ...] = ()
        gives_up = time.monotonic() + _LONGEST_S
        identified = None
        while identified is None and time.monotonic() < gives_up:
            identified = search.wait(0.2)
            heard = search.heard()
            for each in heard:
                if each not in shown_ports:
                    print(f"{each.device}  {each.words}", file=sys.stderr, flush=True)
            shown_ports = heard
    finally:
        search.stop()
    if identified is None:
        fail(
            f"no port sent {shown} within {_LONGEST_S:.0f} seconds; check the cable, and that the"
            " number given is the one on the display"
        )
    if args.json:
        facts = dataclasses.asdict(identified) | {"spec": str(identified.spec)}
        print(json.dumps(facts, default=str, ensure_ascii=False))
    else:
        print(identified.sentence)
        print(f"--caliper {shlex.quote(str(identified.spec))}")
    return 0


def _wait_for_enter() -> None:
    import sys

    from api.commands import fail

    if not sys.stdin.isatty():
        fail("nothing was opened, since nobody is here to say so; add --yes to open these ports")
    print("Enter opens them, Ctrl-C does not.", file=sys.stderr, flush=True)
    if not sys.stdin.readline():
        fail("nothing was opened")
