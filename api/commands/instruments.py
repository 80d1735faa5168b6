"""`bothends instruments`: what is plugged in, and what is missing before it can be heard."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from api.commands import Subparsers


def add(subparsers: Subparsers) -> None:
    parser = subparsers.add_parser(
        "instruments",
        help="show what is plugged in and what is missing",
        description="Show what is plugged in that may be a caliper, by the name to give to"
        " --caliper, and what is missing before it can be heard. Nothing is opened.",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def run(args: argparse.Namespace) -> int:
    import dataclasses
    import json

    from capture.finding import instruments

    found = instruments()
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
