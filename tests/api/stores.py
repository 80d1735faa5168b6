"""A filled store, and ways to look at one."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any
from uuid import UUID

from sqlalchemy import Engine, MetaData, insert, text, update
from sqlalchemy.types import JSON, Boolean, DateTime, TypeEngine, Uuid

from api.store import migrations
from api.store.journal import Journal
from api.store.moving import digest
from api.store.tables import Base, Caliper, RulesSaid

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
    return journal


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
