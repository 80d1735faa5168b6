"""The store: what keeping costs, and what questions cost once it has grown.

On an SQLite file and on a PostgreSQL of its own, both in temporary folders. Keeping is measured
beside the rows alone, put into a copy of the store with nothing else done, and beside the same with
SQLAlchemy's Core for what the journal hands to the driver. The data are made from a seed.
"""

from __future__ import annotations

import json
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, nullcontext
from datetime import UTC, datetime, timedelta
from functools import cache, partial
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
from api.store.journal import Journal
from api.store.moving import move
from api.store.new_series import NewSeries
from api.store.rows import events
from api.store.tables import Event, Trial, TrialReading
from api.store.tables import Reading as ReadingRow
from api.web.app import build
from benchmarks.measuring import Measurement, Work, timed
from capture.records import Reading
from tests.api.postgres import postgres

_NOON = datetime(2020, 3, 2, 12, tzinfo=UTC)


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


def grow(engine: Engine, total: int, large_trials: int) -> UUID:
    """Fill a store through its journal; the machine that has `large_trials` of them."""
    journal = Journal(engine)
    series, machines = max(20, total // 100), max(5, total // 5000)
    ids = [journal.add_machine(f"Saw {n + 1}", "other") for n in range(machines)]
    for number in range(series):
        bench = f"bench {number % 20 + 1}"
        journal.start(new_series(ids[number % machines], bench), at=_NOON + timedelta(hours=number))
        journal.keep(list(islice(readings(bench, number + 10), total // series)))
        journal.add_setup_change(ids[number % machines], "cleaned", _NOON, None)
    large = journal.add_machine("Large saw", "other")
    for number in range(10):
        journal.start(new_series(large, "large"), at=_NOON + timedelta(days=number))
        journal.keep(list(islice(readings("large", 10**6 + number), large_trials // 5)))
    return large


def seconds(act: Callable[[], object]) -> float:
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

        return seconds(bulk)

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

        return seconds(commit)

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
        if isinstance(value, dict | list | tuple):
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


class Keeping:
    """One way of keeping batches of readings of a bench, and the bare writes of what it left."""

    def __init__(
        self,
        ours: Engine,
        source: Iterator[Reading],
        many: int,
        count: int,
        keep: Callable[[list[Reading]], object],
    ) -> None:
        self._ours, self._source, self._keep = ours, source, keep
        self._many, self._count = many, count
        self._left: list[Rows] = []

    def kept(self, *, noted: bool = True) -> list[float]:
        """ms of each batch; `noted`: the bare writes that follow write what these left."""
        last = left_by(self._ours, [], 0)[1]
        self._left = []
        took = []
        for _ in range(self._count):
            batch = list(islice(self._source, self._many))
            took.append(1e3 * seconds(partial(self._keep, batch)))
            if noted:
                rows, last = left_by(self._ours, batch, last)
                self._left.append(rows)
        return took

    def by_core(self) -> list[float]:
        with through_core():
            return self.kept(noted=False)

    def written(self, bare: Bare) -> list[float]:
        """ms of each batch's rows, by the driver where it is one reading, else by Core."""
        write = bare.by_driver if self._many == 1 else bare.by_core
        return [1e3 * write(rows) for rows in self._left]


def keeping(name: str, engines: list[Engine], data: Path, short: bool) -> Iterator[Measurement]:
    ours, alone_engine, whole_engine = engines
    settings = Settings(data=data, db=ours.url.render_as_string(hide_password=False))
    with ExitStack() as stack:
        server = stack.enter_context(closing(Server(settings)))
        machine = server.journal.add_machine("Window saw", "other")
        benches = ("batches", "presses", "posts")
        sources = {bench: readings(bench, seed) for seed, bench in enumerate(benches)}
        for bench, source in sources.items():
            server.journal.start(new_series(machine, bench))
            # Each bench and its caliper are there before the copies are made.
            server.journal.keep(list(islice(source, 2)))
        alone = stack.enter_context(closing(Bare(ours, alone_engine, _WRITTEN[0])))
        whole = stack.enter_context(closing(Bare(ours, whole_engine, *_WRITTEN)))
        client = stack.enter_context(
            TestClient(build(server), "http://127.0.0.1:8017", client=("127.0.0.1", 5))
        )

        def post(batch: list[Reading]) -> None:
            client.post("/api/readings", json=[_body(r) for r in batch]).raise_for_status()

        few, single = (1, 10) if short else (10, 100)
        for what, bench, many, count, keep in (
            ("500 readings kept", "batches", 500, few, server.journal.keep),
            ("1 reading kept", "presses", 1, single, server.journal.keep),
            ("500 readings posted", "posts", 500, few, post),
        ):
            way = Keeping(ours, sources[bench], many, count, keep)
            beside: dict[str, Work] = {
                "their rows alone": partial(way.written, alone),
                "all rows that are written": partial(way.written, whole),
            }
            if keep is not post:
                beside["the same, by Core"] = way.by_core
            yield Measurement(f"{name}: {what}", "ms", way.kept, beside)


def _body(reading: Reading) -> dict[str, str]:
    return {
        "id": str(reading.id),
        "bench": reading.bench,
        "caliper": reading.caliper,
        "sent": reading.sent,
        "unit": reading.unit,
        "taken_at": reading.taken_at.isoformat(),
    }


def asking(name: str, engine: Engine, large: UUID, trials_of_it: int) -> Iterator[Measurement]:
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
        asked: dict[str, Callable[[], object]] = {
            "the state of a bench": lambda: bench_answer(store, "bench 1"),
            "a series": lambda: whole_series(store, series_id),
            "what happened after": lambda: events.events_after(store, "bench 1", last - 50),
            "a pull of what is new": lambda: list(trials.blocks(pulling, Wanted(after=last - 50))),
            "a pull where nothing is new": lambda: list(trials.blocks(pulling, Wanted(after=last))),
        }
        yield Measurement(
            f"{name}: a machine's history, {trials_of_it:,} trials",
            "ms",
            timed(lambda: checks.of_machine(store, large), "ms"),
            {"its trials' rows alone": timed(lambda: store.execute(every).all(), "ms")},
        )
        for what, ours in asked.items():
            yield Measurement(
                f"{name}: {what}",
                "ms",
                timed(ours, "ms", 5),
                {"one row": timed(lambda: store.execute(one).all(), "ms", 5)},
            )


def on(name: str, urls: list[str], data: Path, short: bool) -> Iterator[Measurement]:
    engines = [open_engine(url) for url in urls]
    migrations.upgrade(engines[0])
    yield from keeping(name, engines[:3], data, short)
    migrations.upgrade(engines[3])
    total, large_trials = (1_000, 250) if short else (200_000, 5_000)
    large = grow(engines[3], total, large_trials)
    yield from asking(name, engines[3], large, large_trials)
    for engine in engines:
        engine.dispose()


def measurements(short: bool) -> Iterator[Measurement]:
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        places = [data / n for n in ("ours", "alone", "whole", "grown")]
        for place in places:
            place.mkdir()
        yield from on("SQLite", [sqlite_url(place) for place in places], data, short)
        with postgres() as server:
            urls = [server.url(server.new_database()) for _ in range(4)]
            yield from on("PostgreSQL", urls, data, short)
