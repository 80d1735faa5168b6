"""What a daily backup does to presses: a press kept while one is made, beside one without.

    python -m benchmarks.backup [--trials N] [--presses N]

The baseline in the same run is the same press while nothing else goes on; the rounds alternate.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.server import Server
from api.settings import Settings
from api.store import backups
from api.store.journal import new_id
from benchmarks.exports import fill
from capture.records import Reading

BETWEEN_S = 0.05
ROUNDS = 4


def presses(server: Server, count: int, number: int) -> list[float]:
    """Milliseconds that each of `count` presses takes until it is on the disk."""
    taken = []
    for each in range(count):
        moment = datetime(2026, 3, 3, tzinfo=UTC) + timedelta(seconds=number * count + each)
        reading = Reading(new_id(), "side", "g", "11.00", "mm", 11_000_000, moment)
        began = time.perf_counter()
        server.journal.keep([reading])
        taken.append(1000 * (time.perf_counter() - began))
        time.sleep(BETWEEN_S)
    return taken


class Backups:
    """Daily backups without an end, each of a new day, in the thread of a server's own."""

    def __init__(self, folder: Path) -> None:
        self._days = 0
        self._daily = backups.DailyBackups(folder / "bothends.sqlite", folder, 2, self._day)

    def _day(self) -> datetime:
        self._days += 1
        return datetime(2026, 3, 2, tzinfo=UTC) + timedelta(days=self._days)

    def __enter__(self) -> None:
        self._daily.start()

    def __exit__(self, *_error: object) -> None:
        self._daily.close()


def report(name: str, taken: list[float]) -> None:
    at = statistics.quantiles(taken, n=100)
    print(
        f"{name}: median {statistics.median(taken):.2f} ms, p99 {at[98]:.2f}, most {max(taken):.2f}"
    )


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--trials", type=int, default=200_000)
    asked.add_argument("--presses", type=int, default=200)
    args = asked.parse_args()
    backups._FIRST_LOOK_S = backups._LOOK_AGAIN_S = 0.01  # type: ignore[misc]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder, args.trials)
        size = (folder / "bothends.sqlite").stat().st_size
        with closing(Server(Settings(data=folder, backups=0))) as server:
            presses(server, 5, 1000)
            without: list[float] = []
            during: list[float] = []
            for number in range(ROUNDS):
                without += presses(server, args.presses, 2 * number)
                with Backups(folder):
                    during += presses(server, args.presses, 2 * number + 1)
    print(f"a store of {size / 1e6:.0f} MB")
    report("a press alone", without)
    report("a press while a backup is made", during)
    ratio = statistics.median(during) / statistics.median(without)
    print(f"ratio of the medians {ratio:.2f}")


if __name__ == "__main__":
    main()
