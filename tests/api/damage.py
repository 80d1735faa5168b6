"""A small store, and damage to it: always the same in every run."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

from api.store import migrations
from api.store.engine import open_engine, sqlite_file_url
from capture.records import Reading
from tests.api.stores import fill

PAGE = 4096  # bytes
_NOON = datetime(2026, 3, 3, 12, tzinfo=UTC)


def small_store(path: Path) -> Path:
    """A store at `path` whose readings fill several pages, below one that leads to them."""
    engine = open_engine(sqlite_file_url(path))
    migrations.upgrade(engine)
    journal = fill(engine)
    for start in range(0, 60, 20):
        journal.keep([_press(n) for n in range(start, start + 20)])
    engine.dispose()
    with closing(sqlite3.connect(path)) as store:
        store.execute("PRAGMA journal_mode=DELETE")
    return path


def _press(number: int) -> Reading:
    sent = f"{12 + number % 7 / 100:.2f}"
    return Reading(
        id=UUID(int=5000 + number),
        bench="main",
        caliper="six-inch",
        sent=sent,
        unit="mm",
        nm=round(float(sent) * 1e6),
        taken_at=_NOON + timedelta(seconds=4 * number),
    )


def number_of_pages(path: Path) -> int:
    return path.stat().st_size // PAGE


def overwrite(path: Path, pages: set[int], seed: int) -> None:
    """Put noise in the place of `pages`, counted from 1, of the file itself."""
    chance = random.Random(seed)
    with path.open("rb+") as file:
        for page in sorted(pages):
            file.seek((page - 1) * PAGE)
            file.write(chance.randbytes(PAGE))
