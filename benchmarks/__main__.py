"""All figures, or those of the modules named, each beside its baselines in the same run."""

from __future__ import annotations

import argparse
import importlib
import statistics

from benchmarks.measuring import Row, run

MODULES = ("program",)


def shown(row: Row) -> str:
    ours = statistics.median(row.ours)
    if not row.beside:
        return f"| {row.name} | {ours:.3g} {row.unit} | | | |"
    base, ratio = statistics.median(row.baseline), statistics.median(row.ratios)
    spread = f"{min(row.ratios):.2f} to {max(row.ratios):.2f}"
    figures = f"{ours:.3g} {row.unit} | {base:.3g} | {ratio:.2f} | {spread}"
    return f"| {row.name} | {row.beside} | {figures} |"


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--short", action="store_true")
    args = parser.parse_args()
    for name in args.names or MODULES:
        module = importlib.import_module(f"benchmarks.{name}")
        for measurement in module.measurements(args.short):
            for row in run(measurement, args.times):
                print(shown(row), flush=True)


if __name__ == "__main__":
    main()
