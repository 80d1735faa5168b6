"""All figures, or those of the modules named, each in turns with its baselines.

Prints one Markdown table. Less is better everywhere; a ratio is this program's figure divided by
its baseline's in the same round, and of the rounds' ratios the median and the middle half are
given.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from benchmarks import table
from benchmarks.measuring import Row, run

MODULES = (
    "analysis",
    "decoding",
    "capture",
    "program",
    "bench",
    "pages",
    "live",
    "crowd",
    "access",
    "store",
    "backup",
    "history",
    "notebook",
    "exports",
    "many_benches",
)
_DEVELOPERS = Path(__file__).parents[1] / "DEVELOPERS.md"


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"only these of: {', '.join(MODULES)}"
    )
    parser.add_argument("--times", type=int, help="rounds (5; with --short 2)")
    parser.add_argument("--short", action="store_true", help="small sizes, about a minute in all")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all figures here")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the table here")
    parser.add_argument(
        "--compare", type=Path, metavar="FILE", help="say what moved since this file of --json"
    )
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    args = parser.parse_args()
    for name in args.names:
        if name not in MODULES:
            parser.error(f"{name} is none of {', '.join(MODULES)}")
    if args.times is not None and args.times < 1:
        parser.error("--times: give 1 or more")
    return args


def _rows(args: argparse.Namespace) -> Iterator[Row]:
    times = args.times or (2 if args.short else 5)
    for name in args.names or MODULES:
        began = time.monotonic()
        module = importlib.import_module(f"benchmarks.{name}")
        # Closed also after an error, so that no server stays.
        with closing(module.measurements(args.short)) as measurements:
            for measurement in measurements:
                yield from run(measurement, times)
        print(f"{name}: {time.monotonic() - began:.0f} s", file=sys.stderr)


def main() -> None:
    args = _asked()
    # What is started often is compiled once, as on anybody's computer.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    earlier = json.loads(args.compare.read_text()) if args.compare else None
    # Where the figures are written to says nothing about them.
    command = " ".join(
        ["python -m benchmarks", *args.names]
        + (["--short"] if args.short else [])
        + ([f"--times {args.times}"] if args.times else [])
    )
    where = table.machine()
    found = table.as_json(where, command, list(_rows(args)))
    text = table.markdown(found)
    if args.json:
        args.json.write_text(json.dumps(found, indent=1) + "\n")
    if args.write:
        table.put_into(_DEVELOPERS, text)
    if earlier is not None:
        text += "\n" + table.compared(found, earlier)
    if args.markdown:
        args.markdown.write_text(text)
    print(text)


if __name__ == "__main__":
    main()
