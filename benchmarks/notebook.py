"""An old notebook loaded into a new store, beside sqlite-utils that inserts the same rows."""

from __future__ import annotations

import csv
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import date, timedelta
from functools import partial
from pathlib import Path

from benchmarks.measuring import Measurement
from tests.whole.serving import COMMAND

PER_SERIES = 20


def write(file: Path, trials: int) -> None:
    chance = random.Random(8017)
    with file.open("w", newline="") as out:
        rows = csv.writer(out)
        rows.writerow(["date", "machine", "method", "cut length mm", "fence end mm", "open end mm"])
        for number in range(trials):
            day = date(2020, 1, 1) + timedelta(days=number // PER_SERIES)
            fence, deviation = chance.gauss(12.3, 0.02), chance.gauss(0.1, 0.02)
            ends = [f"{fence:.2f}", f"{fence + deviation:.2f}"]
            rows.writerow([day, f"Saw {number // PER_SERIES % 5}", "reversal", "200", *ends])


def loaded(command: Callable[[Path], list[str]], says: str) -> list[float]:
    """s of a command that fills a new store."""
    with tempfile.TemporaryDirectory() as folder:
        words = command(Path(folder))
        began = time.perf_counter()
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        took = time.perf_counter() - began
    assert says in done.stdout, done.stdout
    return [took]


def measurements(short: bool) -> Iterator[Measurement]:
    trials = 200 if short else 20_000
    with tempfile.TemporaryDirectory() as name:
        file = Path(name) / "notebook.csv"
        write(file, trials)

        def load(folder: Path) -> list[str]:
            return [*COMMAND, "load", str(file), "--data", str(folder)]

        def insert(folder: Path) -> list[str]:
            command = [sys.executable, "-m", "sqlite_utils", "insert", str(folder / "db.sqlite")]
            return [*command, "trials", str(file), "--csv"]

        yield Measurement(
            f"load of {trials:,} strips",
            "s",
            partial(loaded, load, f"{trials} strips"),
            {"sqlite-utils insert": partial(loaded, insert, "")},
        )
