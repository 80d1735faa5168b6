"""The store: what keeping costs, and what questions cost once it has grown.

    python -m benchmarks.store [--readings 1000000] [--only sqlite|postgresql]

It runs on an SQLite file and on a PostgreSQL of its own, both in temporary
folders. Every figure stands beside a bare baseline of the same run, measured in turns with
it, so that a busy machine slows both. The data are made from a seed.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count, islice
from pathlib import Path
from typing import Any
from uuid import UUID

import numpy as np
from fastapi.testclient import TestClient
from sqlalchemy import Engine, insert, text

from analysis.methods import method
from api.app import build
from api.exports import trials
from api.exports.wanted import Wanted
from api.settings import Settings
from api.shop import Shop
from api.store import history, migrations, queries
from api.store.engine import open_engine, sqlite_url
from api.store.journal import Journal, NewSeries
from api.store.tables import Reading as ReadingRow
from capture.records import Reading
from tests.api.postgres import postgres

_NOON = datetime(2020, 3, 2, 12, tzinfo=UTC)
_LARGE = 5000  # trials of the machine whose history is asked for


def readings(bench: str, seed: int) -> Iterator[Reading]:
    """Presses of a six-inch caliper at a bench, four seconds apart, without end."""
    chance = np.random.default_rng(seed)
    for number in count():
        nm = 12_000_000 + (number % 2) * 1_000_000 + 10_000 * int(chance.integers(0, 40))
        yield Reading(
            id=UUID(bytes=chance.bytes(16)),
            bench=bench,
            caliper="six-inch",
            sent=f"{nm / 1e6:.2f}",
            unit="mm",
            nm=nm,
            taken_at=_NOON + timedelta(seconds=4 * number),
        )


def new_series(machine: UUID, bench: str) -> NewSeries:
    return NewSeries(
        machine_id=machine,
        bench=bench,
        method=method("reversal"),
        unit="mm",
        baseline="200",
        baseline_nm=200_000_000,
        thickness=None,
        thickness_nm=None,
        inset="0",
        inset_nm=0,
        strip_side="left",
        repeats=1,
        tolerance_deg="0.1",
    )


def grow(engine: Engine, total: int, series: int, machines: int) -> UUID:
    """Fill a store through its journal; the machine that has `_LARGE` trials."""
    journal = Journal(engine)
    ids = [journal.add_machine(f"Saw {n + 1}", "other") for n in range(machines)]
    each = max(2, total // series)
    began = time.perf_counter()
    for number in range(series):
        bench = f"bench {number % 20 + 1}"
        journal.start(new_series(ids[number % machines], bench), at=_NOON + timedelta(hours=number))
        journal.keep(list(islice(readings(bench, number + 10), each)))
        journal.add_setup_change(ids[number % machines], "cleaned", _NOON, None)
    large = journal.add_machine("Large saw", "other")
    for number in range(10):
        journal.start(new_series(large, "large"), at=_NOON + timedelta(days=number))
        journal.keep(list(islice(readings("large", 10**6 + number), _LARGE // 5)))
    took = time.perf_counter() - began
    print(f"  {series} series, {series * each} readings grown in {took:.0f} s")
    return large


def in_turns(
    rounds: int, ours: Callable[[], object], bare: Callable[[], object]
) -> tuple[float, float]:
    """The median seconds of each."""
    took: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for each, times in zip((ours, bare), took, strict=True):
            began = time.perf_counter()
            each()
            times.append(time.perf_counter() - began)
    return statistics.median(took[0]), statistics.median(took[1])


def told(name: str, ours: float, bare: float, against: str) -> None:
    print(
        f"  {name:38s} {ours * 1e3:9.2f} ms   {against:34s} {bare * 1e3:9.2f} ms"
        f"   {bare / ours:5.0%} of its rate"
    )


class Bare:
    """Rows of readings written by a driver or by SQLAlchemy Core, and nothing beside them."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        migrations.upgrade(engine)
        Journal(engine).keep(list(islice(readings("main", 1), 1)))
        self.seq = 1
        self.source = readings("main", 2)

    def rows(self, many: int) -> list[dict[str, Any]]:
        found = []
        for r in islice(self.source, many):
            self.seq += 1
            found.append(
                {
                    "id": r.id, "bench_id": 1, "seq": self.seq, "caliper_id": 1, "sent": r.sent,
                    "unit": r.unit, "nm": r.nm, "taken_at": r.taken_at, "kept_at": r.taken_at,
                    "origin": r.origin, "since_previous_ms": None, "late": False,
                }
            )  # fmt: skip
        return found

    def bulk(self, rows: list[dict[str, Any]]) -> None:
        with self.engine.begin() as connection:
            connection.execute(insert(ReadingRow), rows)

    def commits(self, many: int) -> Callable[[], None]:
        """A driver that inserts one row and commits, each of `many` times that it is called."""
        sqlite = self.engine.dialect.name == "sqlite"
        driver: Any
        if sqlite:
            driver = sqlite3.connect(str(self.engine.url.database), isolation_level=None)
            driver.execute("PRAGMA synchronous=FULL")
            driver.execute("PRAGMA foreign_keys=ON")
        else:
            import psycopg

            url = self.engine.url.set(drivername="postgresql")
            driver = psycopg.connect(url.render_as_string(hide_password=False), autocommit=True)
        rows = self.rows(many)
        if sqlite:
            taken = {"taken_at": str(_NOON), "kept_at": str(_NOON)}
            rows = [row | {"id": row["id"].hex} | taken for row in rows]
        names = list(rows[0])
        values = iter([list(row.values()) for row in rows])
        marks = ", ".join(["?" if sqlite else "%s"] * len(names))
        statement = f"INSERT INTO readings ({', '.join(names)}) VALUES ({marks})"

        def commit() -> None:
            driver.execute("BEGIN")
            driver.execute(statement, next(values))
            driver.execute("COMMIT")

        return commit


def keeping(engine: Engine, bare_engine: Engine, data: Path) -> None:
    bare = Bare(bare_engine)
    url = engine.url.render_as_string(hide_password=False)
    shop = Shop(Settings(data=data, db=url))
    machine = shop.journal.add_machine("Window saw", "other")
    source = readings("main", 3)

    def fresh(many: int) -> list[Reading]:
        return list(islice(source, many))

    for name, many, rounds in (("journal, 500 at once", 500, 20), ("journal, one by one", 1, 500)):
        shop.journal.start(new_series(machine, "main"))
        batches = iter([fresh(many) for _ in range(rounds)])
        rows = iter([bare.rows(many) for _ in range(rounds)])
        commit = bare.commits(rounds)
        ours, theirs = in_turns(
            rounds,
            lambda batches=batches: shop.journal.keep(next(batches)),  # type: ignore[misc]
            (lambda rows=rows: bare.bulk(next(rows))) if many > 1 else commit,  # type: ignore[misc]
        )
        against = "Core, the same readings in bulk" if many > 1 else "driver, one reading a commit"
        told(name, ours, theirs, against)
    with TestClient(build(shop)) as client:
        shop.journal.start(new_series(machine, "main"))
        bodies = iter(
            [
                json.dumps(
                    [
                        {
                            "id": str(r.id), "bench": "main", "caliper": r.caliper, "sent": r.sent,
                            "unit": r.unit, "taken_at": r.taken_at.isoformat(),
                        }
                        for r in fresh(500)
                    ]
                )
                for _ in range(20)
            ]
        )  # fmt: skip
        sends = {"content-type": "application/json"}
        rows = iter([bare.rows(500) for _ in range(20)])
        ours, theirs = in_turns(
            20,
            lambda: client.post(
                "/api/readings", content=next(bodies), headers=sends
            ).raise_for_status(),
            lambda: bare.bulk(next(rows)),
        )
        told("POST /api/readings, 500 at once", ours, theirs, "Core, the same readings in bulk")
    shop.close()


def asking(engine: Engine, large: UUID) -> None:
    with engine.begin() as store:
        store.execute(text("ANALYZE"))
    with engine.connect() as store, engine.connect() as pulling:
        last = queries.last_event_id(store)
        series = store.execute(
            text("SELECT id FROM series ORDER BY started_at LIMIT 1")
        ).scalar_one()
        series_id = series if isinstance(series, UUID) else UUID(series)
        one = text("SELECT * FROM readings WHERE bench_id = 1 AND seq = 2")
        every = text(
            "SELECT t.* FROM trials t JOIN series s ON s.id = t.series_id JOIN machines m"
            " ON m.id = s.machine_id WHERE m.name = 'Large saw'"
        )

        def bare(statement: Any) -> Callable[[], object]:
            return lambda: store.execute(statement).all()

        for name, ours, against, base in (
            (
                "a machine's history, 5000 trials",
                lambda: history.of_machine(store, large),
                "its trials' rows alone",
                bare(every),
            ),
            (
                "a bench as it stands",
                lambda: queries.bench(store, "bench 1", []),
                "one row",
                bare(one),
            ),
            ("a series", lambda: queries.series(store, series_id), "one row", bare(one)),
            (
                "what happened after",
                lambda: queries.events_after(store, "bench 1", last - 50),
                "one row",
                bare(one),
            ),
            (
                "a pull of what is new",
                lambda: list(trials.blocks(pulling, Wanted(after=last - 50))),
                "one row",
                bare(one),
            ),
        ):
            told(name, *in_turns(9, ours, base), against)


def run(name: str, urls: list[str], data: Path, total: int) -> None:
    print(name)
    engines = [open_engine(url) for url in urls]
    keeping(engines[0], engines[1], data)
    migrations.upgrade(engines[2])
    large = grow(engines[2], total, max(20, total // 100), max(5, total // 5000))
    asking(engines[2], large)
    for engine in engines:
        engine.dispose()


def main() -> None:
    asked = argparse.ArgumentParser(description="What the store costs.")
    asked.add_argument("--readings", type=int, default=1_000_000)
    asked.add_argument("--only", choices=("sqlite", "postgresql"))
    args = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        if args.only != "postgresql":
            places = [data / n for n in ("ours", "bare", "grown")]
            for place in places:
                place.mkdir()
            run("SQLite", [sqlite_url(p) for p in places], data, args.readings)
        if args.only != "sqlite":
            with postgres() as server:
                urls = [server.url(server.new_database()) for _ in range(3)]
                run("PostgreSQL", urls, data, args.readings)


if __name__ == "__main__":
    main()
