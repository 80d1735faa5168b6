"""Plays rounds of faults, and prints what they come to.

    python -m tests.faults --rounds N [--seed S] [--engine sqlite|postgresql]

As root, on Linux, with strace and libfaketime. Each round has a seed of its own, S, S + 1, ...:
a round that fails is printed as it fails, and played again by `--rounds 1 --seed ITS --engine ITS`.
"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from contextlib import ExitStack
from pathlib import Path

from tests.faults.driver import Round, play
from tests.faults.script import Engine, script
from tests.faults.shop import database_server
from tests.faults.tally import Tally

_FIGURES = ("pressed", "unheard", "acknowledged", "stored", "refused", "said")
_FAULTY = ("lost", "silent", "doubled", "out_of_order")


class _Figures:
    """What the rounds so far came to."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._rounds: Counter[str] = Counter()
        self._faults: Counter[str] = Counter()
        self._endings: Counter[str] = Counter()
        self._totals: defaultdict[str, Tally] = defaultdict(Tally)
        self.failed: list[str] = []

    def add(self, played: Round) -> None:
        name = f"{played.engine} {played.seed}"
        print(f"{name}: {'failed' if played.tally.breaches else 'well'}", file=sys.stderr)
        self._rounds[played.engine] += 1
        self._totals[played.engine] += played.tally
        self._faults.update(
            line.split(maxsplit=1)[1]
            for line in played.script
            if line.startswith(("begin ", "damage "))
        )
        if played.ended:
            (line,) = {line for line in played.script if line.startswith("damage ")}
            self._endings[f"{line}: {played.ended}"] += 1
        if played.tally.breaches:
            self.failed.append(name)
            print(played, flush=True)

    def print(self) -> None:
        names = [*_FIGURES, *_FAULTY]
        print(f"| store | rounds | {' | '.join(name.replace('_', ' ') for name in names)} |")
        print(f"| --- | {' | '.join('---:' for _ in [0, *names])} |")
        for engine, total in self._totals.items():
            figures = (f"{getattr(total, name):,}" for name in names)
            print(f"| {engine} | {self._rounds[engine]:,} | {' | '.join(figures)} |")
        print("; ".join(f"{fault} {count}" for fault, count in sorted(self._faults.items())))
        for ending, count in sorted(self._endings.items()):
            print(f"{ending}: {count}")
        took = time.monotonic() - self._began
        print(f"{took:.0f} s; failed: {', '.join(self.failed) or 'none'}", flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description="Try what a shop does to a computer.")
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--engine", choices=("sqlite", "postgresql"), help="default: both in turn")
    options = parser.parse_args()
    # Whoever ends it gets the figures so far, and no server and no disk stay behind.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    engines: list[Engine] = [options.engine] if options.engine else ["sqlite", "postgresql"]
    figures = _Figures()
    try:
        with ExitStack() as stack:
            uses = "postgresql" in engines
            database = stack.enter_context(database_server()) if uses else None
            for number in range(options.rounds):
                seed, turn = divmod(number, len(engines))
                seed += options.seed
                lines = script(engines[turn], seed)
                its_own = database if engines[turn] == "postgresql" else None
                with tempfile.TemporaryDirectory(prefix="faults-") as folder:
                    figures.add(play(lines, seed, Path(folder), its_own, long=True))
    finally:
        figures.print()
    return 1 if figures.failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
