"""Every statement, or those of the modules named, against simulated saws: one Markdown table."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from benchmarks.truth import rows


def main() -> None:
    known = rows.names()
    parser = argparse.ArgumentParser(prog="python -m benchmarks.truth", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"only: {', '.join(known)}")
    parser.add_argument("--short", action="store_true", help="fewer series, wider intervals")
    parser.add_argument("--seed", type=int, default=1, help="of all chance (1)")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the table here too")
    args = parser.parse_args()
    for name in args.names:
        if name not in known:
            parser.error(f"{name} is none of {', '.join(known)}")
    found: list[rows.Row] = []
    for name in args.names or known:
        began = time.monotonic()
        found += rows.of(name, args.seed, args.short)
        print(f"{name}: {time.monotonic() - began:.0f} s", file=sys.stderr)
    text = rows.table(found)
    if args.markdown:
        args.markdown.write_text(text)
    print(text)


if __name__ == "__main__":
    main()
