"""A filled store, and ways to look at one."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Engine, MetaData, insert, select, text, update
from sqlalchemy.types import JSON, Boolean, DateTime, TypeEngine, Uuid

from api.store import migrations
from api.store.corrections import Corrections
from api.store.journal import Journal
from api.store.machine_records import MachineRecords
from api.store.moving import digest
from api.store.rows import changes
from api.store.rows.machines import machine
from api.store.tables import (
    Base,
    Caliper,
    Machine,
    RulesSaid,
    Series,
    SetupChange,
    Stop,
    Trial,
    TrialReading,
    Work,
)
from api.store.trail import By
from capture.records import SwapEnds, TakeBack

STORES = sorted((Path(__file__).parents[2] / "fixtures" / "stores").glob("*.sqlite"))
"""A stored store of each step, whose name is the step's."""


def maker() -> ModuleType:
    """The script that made fixtures/stores, whose invented shop serves here too."""
    from importlib.util import module_from_spec, spec_from_file_location

    path = Path(__file__).parents[2] / "fixtures" / "stores" / "make.py"
    spec = spec_from_file_location("make_stores", path)
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def fill(engine: Engine) -> Journal:
    """Put a bit of everything into an empty store."""
    journal = Journal(engine)
    maker().fill(journal)
    with engine.begin() as connection:
        connection.execute(update(Caliper).values(jaw_width_nm=6_000_000))
        connection.execute(
            insert(RulesSaid).values(
                id=UUID(int=9000),
                rules=1,
                program="0.0.0",
                said_at=datetime(2026, 3, 2, 12, tzinfo=UTC),
                changed={"series": []},
            )
        )
        at_stop = _put_in_use(connection)
    with journal.transactions.writing() as written:
        for series_id in at_stop:
            written.project_all(series_id)
    return journal


def _put_in_use(connection: Connection) -> Sequence[UUID]:
    """A stop beside `square`, and a work, each with series, whose ids are returned."""
    at = datetime(2026, 3, 2, 12, tzinfo=UTC)
    machine = connection.scalars(select(Machine.id).order_by(Machine.name)).first()
    stop, work = UUID(int=9001), UUID(int=9002)
    angles = {"nominal_deg": "-5", "bevel_deg": "0"}
    connection.execute(
        insert(Stop).values(
            id=stop, machine_id=machine, name="5 left", created_at=at, check_days=30, **angles
        )
    )
    cut = {"machine": str(machine), "stop": str(stop)}
    connection.execute(
        insert(Work).values(
            id=work,
            name="window frames",
            unit="mm",
            gap="0.2",
            joint="60",
            parts={"kind": "joints", "joints": [{"length": "60", "count": 8, "cuts": [cut]}]},
            created_at=at,
        )
    )
    at_machine = update(Series).where(Series.machine_id == machine)
    connection.execute(at_machine.values(stop_id=stop, work_id=work))
    return connection.scalars(select(Series.id).where(Series.stop_id == stop)).all()


def correct(engine: Engine) -> None:
    """Correct a bit of everything in a filled store, and undo some of it."""
    transactions = Journal(engine).transactions
    corrections, machines = Corrections(transactions), MachineRecords(transactions)
    by = By("Ben", "read from the label")

    def unchecked(_columns: Any) -> None:
        """Accepts any settings."""

    with engine.connect() as store:
        first, other, _ = store.scalars(select(Series.id).order_by(Series.id)).all()
        saw, sled = (machine(store, name).id for name in ("Window saw", "Blue sled"))
        happened = store.scalars(select(SetupChange.id)).one()
        taken = store.scalars(
            select(TrialReading.reading_id).join(Trial).where(Trial.series_id == first)
        ).all()
    lengths = {"baseline": "8.5", "inset": "0.1", "person": "Ada"}
    corrections.series(first, lengths, by, unchecked)
    corrections.series(first, {"jaw_width": "5"}, by, unchecked)
    corrections.trial(first, SwapEnds(1), by)
    corrections.reading(TakeBack(taken[-1]), by)
    corrections.move(first, 1, by, to=other)
    machines.machine(saw, {"name": "Door saw", "retired": True}, by)
    machines.setup_change(happened, {"at": "2026-03-02T10:00:00+00:00", "withdrawn": True}, by)
    machines.caliper("main caliper", {"name": "long one", "jaw_width": "6.5"}, by)
    machines.merge(saw, sled, by)
    with engine.connect() as store:
        (width,) = (c for c in changes.of_series(store, first) if c.field == "jaw_width")
    corrections.undo(width.id, by, unchecked)


def copy_stored(stored: Path, target: Engine) -> None:
    """Make a stored store once more in an empty PostgreSQL database, at its own step."""
    migrations.upgrade(target, to=stored.stem)
    there = MetaData()
    there.reflect(target)
    there.remove(there.tables["alembic_version"])
    with closing(sqlite3.connect(stored)) as source, target.begin() as connection:
        source.row_factory = sqlite3.Row
        for table in there.sorted_tables:
            rows = [
                {c.name: _value(c.type, row[c.name]) for c in table.columns}
                for row in source.execute(f"SELECT * FROM {table.name}")
            ]
            if rows:
                connection.execute(table.insert(), rows)
        for name in ("benches", "calipers", "events"):
            counter = f"pg_get_serial_sequence('{name}', 'id')"
            connection.execute(text(f"SELECT setval({counter}, (SELECT max(id) FROM {name}))"))


def _value(kind: TypeEngine[Any], value: Any) -> Any:
    """What a column of PostgreSQL takes for a value of SQLite's."""
    if value is None:
        return None
    match kind:
        case Uuid():
            return UUID(value)
        case DateTime():
            return datetime.fromisoformat(value).replace(tzinfo=UTC)
        case Boolean():
            return bool(value)
        case JSON():
            return json.loads(value)
        case _:
            return value


def digests(engine: Engine) -> dict[str, Any]:
    """Every table's digest."""
    with engine.connect() as connection:
        return {t.name: digest(connection, t) for t in Base.metadata.sorted_tables}


def change(engine: Engine, *statements: str) -> None:
    """As somebody with a database tool might."""
    with engine.begin() as connection:
        for statement in statements:
            connection.execute(text(statement))


def without_triggers(engine: Engine, table: str, *statements: str) -> None:
    """Past the triggers that hold the log, as damage would."""
    if engine.dialect.name == "postgresql":
        change(engine, "SET session_replication_role = replica", *statements)
        return
    change(
        engine,
        f"DROP TRIGGER {table}_no_update",
        f"DROP TRIGGER {table}_no_delete",
        *statements,
    )
