"""Runs every fuzzer for its share of the time, and prints one table.

    python -m tests.fuzz --seconds 600 [--seed S] [NAME ...]

Those that need a store are run on SQLite and on PostgreSQL. NAME: only the fuzzers whose names
begin so. Exit status 1 where a promise was broken.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from api.store.engine import sqlite_url
from tests.api.postgres import postgres
from tests.fuzz.every import FUZZERS
from tests.fuzz.fuzzing import SEED, Figures, Fuzzer, Place, run


@contextmanager
def _places() -> Iterator[Iterator[tuple[str, Place]]]:
    """Empty stores, by turns on SQLite and on PostgreSQL, each in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder, postgres("fsync=off") as server:

        def made() -> Iterator[tuple[str, Place]]:
            while True:
                here = Path(tempfile.mkdtemp(dir=folder))
                yield "SQLite", Place(here, sqlite_url(here))
                here = Path(tempfile.mkdtemp(dir=folder))
                yield "PostgreSQL", Place(here, server.url(server.new_database()))

        yield made()


def _runs(
    fuzzers: list[Fuzzer], places: Iterator[tuple[str, Place]]
) -> Iterator[tuple[str, Fuzzer, Place]]:
    for fuzzer in fuzzers:
        both = [next(places), next(places)]
        for engine, place in both if fuzzer.stored else both[:1]:
            yield f"{fuzzer.name}, {engine}" if fuzzer.stored else fuzzer.name, fuzzer, place


def main() -> int:
    parser = argparse.ArgumentParser(description="Run the fuzzers.")
    parser.add_argument("--seconds", type=float, default=60.0, help="of all together")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("names", nargs="*", metavar="NAME")
    options = parser.parse_args()
    chosen = [f for f in FUZZERS if not options.names or f.name.startswith(tuple(options.names))]
    share = options.seconds / max(1, sum(2 if f.stored else 1 for f in chosen))
    broken: list[str] = []
    print("| fuzzer | inputs | refused | taken | faults |\n| --- | --- | --- | --- | --- |")
    with _places() as places:
        for name, fuzzer, place in _runs(chosen, places):
            figures = Figures()
            try:
                with fuzzer.open(place) as one:
                    figures = run(one, options.seed, seconds=share)
            except AssertionError as error:  # what is checked at its end
                figures.faults.append(f"after all: {error}")
            print(
                f"| {name} | {figures.inputs} | {figures.refused} | {figures.taken}"
                f" | {len(figures.faults)} |",
                flush=True,
            )
            broken += [f"{name}, {fault}" for fault in figures.faults]
    print(*broken, sep="\n")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
