"""What a daily backup does to presses: a press kept while one is made, beside one without."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

from api.server import Server
from api.settings import Settings
from api.store import backups
from api.store.stamps import new_id
from benchmarks.exports import fill
from benchmarks.measuring import Measurement
from capture.records import Reading

BETWEEN_S = 0.05


def presses(server: Server, many: int, number: int) -> list[float]:
    """Milliseconds that each of `many` presses takes until it is on the disk."""
    taken = []
    for each in range(many):
        moment = datetime(2026, 3, 3, tzinfo=UTC) + timedelta(seconds=number * many + each)
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


def measurements(short: bool) -> Iterator[Measurement]:
    backups._FIRST_LOOK_S = backups._LOOK_AGAIN_S = 0.01  # type: ignore[misc]
    numbers = count()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder, 2_000 if short else 200_000)
        with closing(Server(Settings(data=folder, backups=0))) as server:

            def alone() -> list[float]:
                return presses(server, 10 if short else 200, next(numbers))

            def meanwhile() -> list[float]:
                with Backups(folder):
                    return alone()

            yield Measurement(
                "a press while a backup is made",
                "ms",
                meanwhile,
                {"the same press alone": alone},
                tails=not short,
            )
