"""Moving a store: every row of it from one database to another, of either kind.

The source is read in one snapshot. Rows are copied table by table, in batches, each committed; an
interrupted move continues after the last row that arrived. During a move the target's schema step
says so, and no server opens it. At the end every table is compared by its count and the digest of
its rows.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Generator
from contextlib import closing
from datetime import UTC, datetime
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Engine,
    Select,
    Table,
    delete,
    func,
    insert,
    select,
    text,
    tuple_,
)
from sqlalchemy.dialects import postgresql, sqlite

from api.store import migrations, schema_step
from api.store.backup import counts
from api.store.engine import StoreError, begin_writing, sqlite_file
from api.store.place import look
from api.store.tables import APPEND_ONLY, Base

_ROWS: Final = 2000
MoveProgress = Callable[[str, int, int], None]
"""Called with a table's name, how many rows have arrived, and of how many."""


def move(
    source: Engine,
    target: Engine,
    progress: MoveProgress = lambda _table, _done, _whole: None,
    arrived: Callable[[], None] = lambda: None,
) -> dict[str, int]:
    """Copy the store at `source` whole to `target`; the rows of each table.

    `arrived` is called when every row is there and no server may open the target yet: what it
    does is done again where the move is interrupted.
    Whatever is written to the source meanwhile is not moved: stop its servers first.
    Raises StoreError where the source holds no store at the present step, the target holds
    anything but an unfinished move of the same source, or the two differ in the end.
    """
    if source.url == target.url:
        raise StoreError("the store is there already; give another --to")
    if (path := sqlite_file(target.url)) is not None:
        look(path)  # another program's database is refused before anything is written to it
    with source.connect() as there:
        if there.dialect.name == "postgresql":
            there.execution_options(isolation_level="REPEATABLE READ")
        schema_step.check(there)
        whole = counts(there)
        mark = schema_step.moving_mark(source)
        _prepare(target, mark)
        tables = Base.metadata.sorted_tables
        for table in tables:
            _copy(there, target, table, whole[table.name], progress)
        for table in tables:
            if not _same(there, target, table):
                # The source was written to after an earlier attempt: copy this table again.
                _copy_again(there, target, table)
                if not _same(there, target, table):
                    raise StoreError(
                        f"the {table.name} that arrived are not those that were sent;"
                        " empty the target and move again"
                    )
        arrived()
        _finish(target)
    return whole


def digest(connection: Connection, table: Table) -> str:
    """SHA-256 of all rows of a table in the order of their keys, the same on either engine."""
    running = hashlib.sha256()
    every = select(table).order_by(*table.primary_key).execution_options(yield_per=_ROWS)
    for row in connection.execute(every):
        running.update(json.dumps(list(row), default=_plain, sort_keys=True).encode() + b"\n")
    return running.hexdigest()


def _plain(value: Any) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    return str(value)


def _prepare(target: Engine, mark: str) -> None:
    """Create the target's tables and mark it as being filled, where it is empty."""
    with target.connect() as connection:
        at = schema_step.revision(connection)
    if at == mark:
        return
    if at is None:
        migrations.upgrade(target)
    with target.connect() as connection:
        begin_writing(connection)
        with connection.begin():
            at = schema_step.revision(connection)
            if at != schema_step.HEAD or any(counts(connection).values()):
                raise StoreError("the target holds a store already; give an empty database")
            connection.execute(
                text("UPDATE alembic_version SET version_num = :mark"), {"mark": mark}
            )


def _finish(target: Engine) -> None:
    with target.connect() as connection:
        begin_writing(connection)
        with connection.begin():
            if connection.dialect.name == "postgresql":
                # Rows were copied with their numbers, so the sequences must continue after them.
                for name in ("benches", "calipers", "events"):
                    connection.execute(
                        text(
                            f"SELECT setval(pg_get_serial_sequence('{name}', 'id'),"
                            f" (SELECT max(id) FROM {name}))"
                        )
                    )
            connection.execute(
                text("UPDATE alembic_version SET version_num = :head"), {"head": schema_step.HEAD}
            )


def _copy(
    there: Connection, target: Engine, table: Table, whole: int, progress: MoveProgress
) -> None:
    """Copy the rows after the last one that arrived."""
    with target.connect() as connection:
        done = connection.execute(select(func.count()).select_from(table)).scalar_one()
        key = list(table.primary_key)
        last = connection.execute(
            select(*key).order_by(*(column.desc() for column in key)).limit(1)
        ).first()
    progress(table.name, done, whole)
    rest = select(table)
    if last is not None:
        rest = rest.where(tuple_(*key) > tuple_(*last))
    with closing(_batches(there, table, rest)) as batches:
        for batch in batches:
            with target.begin() as connection:
                connection.execute(insert(table), batch)
            done += len(batch)
            progress(table.name, done, whole)


def _copy_again(there: Connection, target: Engine, table: Table) -> None:
    for batch in _batches(there, table, select(table)):
        with target.begin() as connection:
            connection.execute(_over(connection, table), batch)
    if table.name in APPEND_ONLY:
        return
    # Rows that were there at an earlier attempt and are gone since.
    sent = {tuple(row) for row in there.execute(select(*table.primary_key))}
    with target.begin() as connection:
        key = list(table.primary_key)
        for row in connection.execute(select(*key)).all():
            if tuple(row) not in sent:
                connection.execute(
                    delete(table).where(*(c == v for c, v in zip(key, row, strict=True)))
                )


def _over(connection: Connection, table: Table) -> Any:
    statement = (sqlite if connection.dialect.name == "sqlite" else postgresql).insert(table)
    if table.name in APPEND_ONLY:
        return statement.on_conflict_do_nothing()
    key = [column.name for column in table.primary_key]
    changed = {c.name: statement.excluded[c.name] for c in table.columns if c.name not in key}
    return statement.on_conflict_do_update(index_elements=key, set_=changed)


def _batches(
    there: Connection, table: Table, query: Select[Any]
) -> Generator[list[dict[str, Any]], None, None]:
    query = query.order_by(*table.primary_key).execution_options(yield_per=_ROWS)
    with there.execute(query) as rows:
        for batch in rows.mappings().partitions(_ROWS):
            yield [dict(row) for row in batch]


def _same(there: Connection, target: Engine, table: Table) -> bool:
    with target.connect() as connection:
        return digest(there, table) == digest(connection, table)
