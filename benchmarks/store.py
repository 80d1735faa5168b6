"""The store: what keeping costs, and what questions cost once it has grown.

    python -m benchmarks.store [--readings 1000000] [--only sqlite|postgresql]

It runs on an SQLite file and on a PostgreSQL of its own, both in temporary
folders. Every figure is beside a bare baseline of the same run, measured in turns with
it, so that a busy machine slows both. The data are made from a seed.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import count, islice
from pathlib import Path
from typing import Any, Final, cast
from uuid import UUID

import numpy as np
from fastapi.testclient import TestClient
from sqlalchemy import Connection, Engine, Select, Table, insert, select, text
from sqlalchemy.dialects import postgresql, sqlite

from analysis.methods import method
from api.answers import checks
from api.answers.bench import bench as bench_answer
from api.answers.series import series as whole_series
from api.exports import trials
from api.exports.wanted import Wanted
from api.server import Server
from api.settings import Settings
from api.store import migrations, statements
from api.store.engine import open_engine, sqlite_url
from api.store.journal import Journal, NewSeries
from api.store.moving import move
from api.store.rows import events
from api.store.tables import Event, Trial, TrialReading
from api.store.tables import Reading as ReadingRow
from api.web.app import build
from capture.records import Reading
from tests.api.postgres import postgres

_NOON = datetime(2020, 3, 2, 12, tzinfo=UTC)
_LARGE = 5000  # trials of the machine whose history is asked for


def readings(bench: str, seed: int) -> Iterator[Reading]:
    """An endless series of presses of a six-inch caliper at a bench, four seconds apart."""
    chance = np.random.default_rng(seed)
    for number in count():
        nm = 12_000_000 + (number % 2) * 1_000_000 + 10_000 * int(chance.integers(0, 40))
        at = _NOON + timedelta(seconds=4 * number)
        yield Reading(
            id=_id(at, chance.bytes(10)),
            bench=bench,
            caliper="six-inch",
            sent=f"{nm / 1e6:.2f}",
            unit="mm",
            nm=nm,
            taken_at=at,
        )


def _id(at: datetime, chance: bytes) -> UUID:
    """A UUIDv7 (RFC 9562), as the program gives one to each reading that it hears."""
    milliseconds = round(at.timestamp() * 1000).to_bytes(6, "big")
    number = int.from_bytes(milliseconds + chance, "big")
    return UUID(int=number & ~(0xF << 76) & ~(3 << 62) | 7 << 76 | 2 << 62)


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


def report(name: str, ours: float, bare: float, against: str) -> None:
    print(
        f"  {name:38s} {ours * 1e3:9.2f} ms   {against:34s} {bare * 1e3:9.2f} ms"
        f"   {bare / ours:5.0%} of its rate"
    )


def timed(act: Callable[[], object]) -> float:
    """The seconds that it takes."""
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


Rows = dict[Table, list[dict[str, Any]]]
# In an order in which each row comes after those it refers to.
_WRITTEN: Final = [cast(Table, t.__table__) for t in (ReadingRow, Trial, TrialReading, Event)]


def left_by(engine: Engine, kept: list[Reading], after: int) -> tuple[Rows, int]:
    """The rows that keeping these readings left in the store, and the last event's number.

    after: the last event's number before.
    """
    readings, trials, slots, events = _WRITTEN
    ids = [reading.id for reading in kept]
    with engine.connect() as store:

        def found(asked: Select[Any]) -> list[dict[str, Any]]:
            return [dict(row) for row in store.execute(asked).mappings()]

        of_slots = found(select(slots).where(slots.c.reading_id.in_(ids)))
        touched = {row["trial_id"] for row in of_slots}
        rows = {
            readings: found(select(readings).where(readings.c.id.in_(ids))),
            trials: found(select(trials).where(trials.c.id.in_(touched))),
            slots: of_slots,
            events: found(select(events).where(events.c.id > after).order_by(events.c.id)),
        }
    return rows, max((row["id"] for row in rows[events]), default=after)


class Bare:
    """A copy of a store, into which its new rows are written with nothing else done.

    tables: those whose rows are written.
    """

    def __init__(self, ours: Engine, engine: Engine, *tables: Table) -> None:
        move(ours, engine)
        self.engine = engine
        self.tables = tables
        self._sqlite = engine.dialect.name == "sqlite"
        self._driver = self._connect()

    def close(self) -> None:
        self._driver.close()

    def by_core(self, rows: Rows) -> float:
        """The seconds of a transaction with one bulk insert a table."""

        def bulk() -> None:
            with self.engine.begin() as connection:
                for table in self.tables:
                    connection.execute(insert(table), rows[table])

        return timed(bulk)

    def by_driver(self, rows: Rows) -> float:
        """The seconds of a transaction by the driver alone, its values converted before."""
        statements = [
            (self._statement(table, list(row)), [self._plain(value) for value in row.values()])
            for table in self.tables
            for row in rows[table]
        ]

        def commit() -> None:
            self._driver.execute("BEGIN")
            for statement, values in statements:
                self._driver.execute(statement, values)
            self._driver.execute("COMMIT")

        return timed(commit)

    def _connect(self) -> Any:
        if self._sqlite:
            driver = sqlite3.connect(str(self.engine.url.database), isolation_level=None)
            driver.execute("PRAGMA synchronous=FULL")
            driver.execute("PRAGMA foreign_keys=ON")
            return driver
        import psycopg

        url = self.engine.url.set(drivername="postgresql")
        return psycopg.connect(url.render_as_string(hide_password=False), autocommit=True)

    def _statement(self, table: Table, names: list[str]) -> str:
        marks = ", ".join(["?" if self._sqlite else "%s"] * len(names))
        statement = f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({marks})"
        if table.name == "trials":  # its second reading completes it
            changed = ", ".join(f"{name} = excluded.{name}" for name in names)
            statement += f" ON CONFLICT (id) DO UPDATE SET {changed}"
        return statement

    def _plain(self, value: Any) -> Any:
        if isinstance(value, dict):
            return json.dumps(value)
        if self._sqlite and isinstance(value, UUID):
            return value.hex
        if self._sqlite and isinstance(value, datetime):
            return value.replace(tzinfo=None).isoformat(" ", "microseconds")
        return value


@contextmanager
def through_core() -> Iterator[None]:
    """Meanwhile SQLAlchemy's Core runs what the journal otherwise passes to the driver."""

    @cache
    def writing(table: Table, names: tuple[str, ...], engine: str, over: bool) -> Any:
        added = (sqlite if engine == "sqlite" else postgresql).insert(table)
        if not over:
            return added
        changed = {n: added.excluded[n] for n in names if not table.c[n].primary_key}
        return added.on_conflict_do_update(index_elements=["id"], set_=changed)

    def write(
        connection: Connection,
        table: Table,
        names: tuple[str, ...],
        rows: Sequence[tuple[Any, ...]],
        *,
        over: bool = False,
    ) -> None:
        if rows:
            found = [dict(zip(names, row, strict=True)) for row in rows]
            connection.execute(writing(table, names, connection.dialect.name, over), found)

    instead = {
        "first": lambda connection, asked, **values: connection.execute(asked, values).first(),
        "find": lambda connection, asked, **values: connection.execute(asked, values).all(),
        "run": lambda connection, asked, **values: connection.execute(asked, values),
        "write": write,
        "together": lambda _connection: nullcontext(),
    }
    own = {name: getattr(statements, name) for name in instead}
    for name, act in instead.items():
        setattr(statements, name, act)
    try:
        yield
    finally:
        for name, act in own.items():
            setattr(statements, name, act)


def keeping(engines: list[Engine], data: Path) -> None:
    """Readings kept, beside their bare rows, and beside all rows that keeping them leaves."""
    ours, alone_engine, whole_engine = engines
    server = Server(Settings(data=data, db=ours.url.render_as_string(hide_password=False)))
    machine = server.journal.add_machine("Window saw", "other")
    benches = ("batches", "presses", "posts")
    sources = {bench: readings(bench, seed) for seed, bench in enumerate(benches)}
    for bench, source in sources.items():
        server.journal.start(new_series(machine, bench))
        server.journal.keep(list(islice(source, 2)))
    alone = Bare(ours, alone_engine, _WRITTEN[0])
    whole = Bare(ours, whole_engine, *_WRITTEN)

    def contest(
        name: str,
        bench: str,
        many: int,
        rounds: int,
        keep: Callable[[list[Reading]], Callable[[], object]],
    ) -> None:
        last = left_by(ours, [], 0)[1]
        by = "driver" if many == 1 else "Core"
        for bare, what in ((alone, "the readings alone"), (whole, "all that is written")):
            took: list[tuple[float, float]] = []
            for _ in range(rounds):
                kept = list(islice(sources[bench], many))
                seconds = timed(keep(kept))
                rows, last = left_by(ours, kept, last)
                took.append((seconds, bare.by_driver(rows) if many == 1 else bare.by_core(rows)))
            mine, theirs = (statistics.median(column) for column in zip(*took, strict=True))
            report(name, mine, theirs, f"{by}, {what}")

    contest("journal, 500 at once", "batches", 500, 20, lambda k: lambda: server.journal.keep(k))
    contest("journal, one by one", "presses", 1, 500, lambda k: lambda: server.journal.keep(k))

    def keep(bench: str, many: int) -> Callable[[], object]:
        return lambda: server.journal.keep(list(islice(sources[bench], many)))

    def keep_through_core(bench: str, many: int) -> Callable[[], object]:
        own = keep(bench, many)

        def kept() -> None:
            with through_core():
                own()

        return kept

    for name, bench, many, rounds in (
        ("journal, 500 at once", "batches", 500, 20),
        ("journal, one by one", "presses", 1, 500),
    ):
        took = in_turns(rounds, keep(bench, many), keep_through_core(bench, many))
        report(name, *took, "the same, its statements by Core")
    with TestClient(build(server), base_url="http://127.0.0.1:8017") as client:

        def post(kept: list[Reading]) -> Callable[[], object]:
            body = json.dumps(
                [
                    {
                        "id": str(r.id), "bench": r.bench, "caliper": r.caliper, "sent": r.sent,
                        "unit": r.unit, "taken_at": r.taken_at.isoformat(),
                    }
                    for r in kept
                ]
            )  # fmt: skip
            sends = {"content-type": "application/json"}
            return lambda: client.post(
                "/api/readings", content=body, headers=sends
            ).raise_for_status()

        contest("POST /api/readings, 500 at once", "posts", 500, 20, post)
    for each in (alone, whole):
        each.close()
    server.close()


def asking(engine: Engine, large: UUID) -> None:
    with engine.begin() as store:
        store.execute(text("ANALYZE"))
    with engine.connect() as store, engine.connect() as pulling:
        last = events.last_event_id(store)
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
                lambda: checks.of_machine(store, large),
                "its trials' rows alone",
                bare(every),
            ),
            (
                "the state of a bench",
                lambda: bench_answer(store, "bench 1"),
                "one row",
                bare(one),
            ),
            ("a series", lambda: whole_series(store, series_id), "one row", bare(one)),
            (
                "what happened after",
                lambda: events.events_after(store, "bench 1", last - 50),
                "one row",
                bare(one),
            ),
            (
                "a pull of what is new",
                lambda: list(trials.blocks(pulling, Wanted(after=last - 50))),
                "one row",
                bare(one),
            ),
            (
                "a pull where nothing is new",
                lambda: list(trials.blocks(pulling, Wanted(after=last))),
                "one row",
                bare(one),
            ),
        ):
            report(name, *in_turns(9, ours, base), against)


def run(name: str, urls: list[str], data: Path, total: int) -> None:
    print(name)
    engines = [open_engine(url) for url in urls]
    migrations.upgrade(engines[0])
    keeping(engines[:3], data)
    migrations.upgrade(engines[3])
    large = grow(engines[3], total, max(20, total // 100), max(5, total // 5000))
    asking(engines[3], large)
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
            places = [data / n for n in ("ours", "alone", "whole", "grown")]
            for place in places:
                place.mkdir()
            run("SQLite", [sqlite_url(p) for p in places], data, args.readings)
        if args.only != "sqlite":
            with postgres() as server:
                urls = [server.url(server.new_database()) for _ in range(4)]
                run("PostgreSQL", urls, data, args.readings)


if __name__ == "__main__":
    main()
