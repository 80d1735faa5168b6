"""Statements that run for every press, passed to the database's driver directly.

SQLAlchemy compiles them, and provides the converter of each column's values. What it would repeat
for each execution, and for each value of each row, is done once here. Many rows go through the
driver's `executemany` on SQLite, and as one JSON text on PostgreSQL. With SQLAlchemy's Core a
press takes at least a quarter longer, on either engine (`python -m benchmarks store` runs both).

The driver raises its own errors; `translated` converts them to those that SQLAlchemy would raise.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, cast

from sqlalchemy import (
    ColumnElement,
    Connection,
    Dialect,
    Executable,
    Insert,
    String,
    Table,
    bindparam,
    column,
    func,
    select,
    type_coerce,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql.compiler import SQLCompiler

_Converter = Callable[[Any], Any]
# Below this many rows it is faster to pass them one by one.
_FEW = 8  # rows


def first(connection: Connection, statement: Executable, **values: Any) -> tuple[Any, ...] | None:
    """The first row that `statement` finds, its values as the driver gives them."""
    row: tuple[Any, ...] | None = _run(connection, statement, values).fetchone()
    return row


def find(connection: Connection, statement: Executable, **values: Any) -> list[tuple[Any, ...]]:
    """The rows that `statement` finds, their values as the driver gives them."""
    rows: list[tuple[Any, ...]] = _run(connection, statement, values).fetchall()
    return rows


def tuples(connection: Connection, statement: Executable) -> Sequence[Any]:
    """The rows that `statement` finds, for thousands of rows: no value is converted.

    SQLAlchemy caches the compiled statement, as it does with `execute`.
    """
    with connection.execute(statement) as found:
        assert found.cursor is not None
        return found.cursor.fetchall()


def as_sent(column: Any) -> ColumnElement[Any]:
    """`column` as the driver gives it: converting a million ids and moments is slow."""
    return type_coerce(column, String)


def run(connection: Connection, statement: Executable, **values: Any) -> None:
    """Run `statement`, which returns no rows."""
    _run(connection, statement, values)


def write(
    connection: Connection,
    table: Table,
    names: tuple[str, ...],
    rows: Sequence[tuple[Any, ...]],
    *,
    over: bool = False,
) -> None:
    """Add `rows` to `table`, in their order.

    names: the columns that each row gives, in its order; the others stay empty or count up.
    over: a row whose key is there already is overwritten; else that is an IntegrityError.
    """
    engine = connection.dialect.name
    cursor = connection.connection.cursor()
    if len(rows) < _FEW:
        compiled, order = _writing(table, names, engine, over)
        for row in rows:
            values = [row[at] if convert is None else convert(row[at]) for at, convert in order]
            cursor.execute(compiled.text, values)
    elif engine == "postgresql":
        compiled = _writing_json(table, names, over)
        records = [dict(zip(names, row, strict=True)) for row in rows]
        cursor.execute(compiled.text, [json.dumps(records, default=_as_text)])
    else:
        compiled, order = _writing(table, names, engine, over)
        columns = list(zip(*rows, strict=True))
        converted = [
            columns[at] if convert is None else _converted(columns[at], convert)
            for at, convert in order
        ]
        cursor.executemany(compiled.text, list(zip(*converted, strict=True)))


def insert_new(connection: Connection, table: Table) -> Any:
    """An INSERT that skips rows which are there already."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    return dialect.insert(table).on_conflict_do_nothing()


@contextmanager
def together(connection: Connection) -> Iterator[None]:
    """Send the statements within without waiting for each answer, where the driver can do that."""
    if connection.dialect.name == "postgresql" and _pipelines():
        driver: Any = connection.connection.dbapi_connection
        with driver.pipeline():
            yield
    else:
        yield


@cache
def _pipelines() -> bool:
    """PostgreSQL's client library has pipelines from version 14 on."""
    import psycopg

    return psycopg.Pipeline.is_supported()


@contextmanager
def translated(connection: Connection) -> Iterator[None]:
    """Raise the driver's errors as SQLAlchemy's; a lost connection is invalidated."""
    try:
        yield
    except connection.dialect.loaded_dbapi.Error as error:
        lost = connection.dialect.is_disconnect(error, connection.connection, None)
        if lost:
            connection.invalidate(error)
        raise DBAPIError.instance(
            None,
            None,
            error,
            connection.dialect.loaded_dbapi.Error,
            connection_invalidated=lost,
            dialect=connection.dialect,
        ) from error


@dataclass(frozen=True, slots=True)
class _Compiled:
    """A statement as a driver takes it: its parameters' names in order, how each is converted."""

    text: str
    names: tuple[str, ...]
    converters: tuple[_Converter | None, ...]

    def converted(self, values: dict[str, Any]) -> list[Any]:
        return [
            values[name] if convert is None else convert(values[name])
            for name, convert in zip(self.names, self.converters, strict=True)
        ]


def _as_text(value: Any) -> str:
    """An id or a moment as PostgreSQL reads it out of JSON."""
    if isinstance(value, datetime) and value.tzinfo is None:
        raise ValueError(f"{value!r} has no time zone")
    return str(value)


def _converted(column: Iterable[Any], convert: _Converter) -> list[Any]:
    found: list[Any] = []
    last = given = object()
    for value in column:
        if value is not last:  # consecutive rows often share one value: a moment, a series
            last, given = value, convert(value)
        found.append(given)
    return found


def _run(connection: Connection, statement: Executable, values: dict[str, Any]) -> Any:
    compiled = _compiled(statement, connection.dialect.name)
    cursor = connection.connection.cursor()
    cursor.execute(compiled.text, compiled.converted(values))
    return cursor


@cache
def _compiled(statement: Executable, engine: str) -> _Compiled:
    dialect: Dialect = (
        sqlite.dialect() if engine == "sqlite" else PGDialect_psycopg(paramstyle="format")  # type: ignore[no-untyped-call]
    )
    compiled = cast(SQLCompiler, statement.compile(dialect=dialect))  # type: ignore[attr-defined]
    names = tuple(compiled.positiontup or ())
    types = (compiled.binds[name].type.dialect_impl(dialect) for name in names)
    return _Compiled(str(compiled), names, tuple(t.bind_processor(dialect) for t in types))


@cache
def _writing(
    table: Table, names: tuple[str, ...], engine: str, over: bool
) -> tuple[_Compiled, list[tuple[int, _Converter | None]]]:
    """An INSERT of one row, and the position in `names` of each of its parameters."""
    compiled = _compiled(_insert(table, names, engine, over, as_json=False), engine)
    order = [names.index(name) for name in compiled.names]
    return compiled, list(zip(order, compiled.converters, strict=True))


@cache
def _writing_json(table: Table, names: tuple[str, ...], over: bool) -> _Compiled:
    """An INSERT of the rows in a JSON text, by PostgreSQL."""
    return _compiled(_insert(table, names, "postgresql", over, as_json=True), "postgresql")


def _insert(
    table: Table, names: tuple[str, ...], engine: str, over: bool, *, as_json: bool
) -> Insert:
    insert: Any = (sqlite if engine == "sqlite" else postgresql).insert(table)
    if as_json:
        rows = bindparam("rows", type_=postgresql.JSON())
        columns = (column(name, table.c[name].type) for name in names)
        read = func.json_to_recordset(rows).table_valued(*columns).render_derived(with_types=True)
        insert = insert.from_select(list(names), select(read))
    else:
        insert = insert.values({n: bindparam(n, type_=table.c[n].type) for n in names})
    if over:
        changed = {n: insert.excluded[n] for n in names if not table.c[n].primary_key}
        insert = insert.on_conflict_do_update(index_elements=list(table.primary_key), set_=changed)
    return cast(Insert, insert)
