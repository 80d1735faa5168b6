"""Many rows written into a table at once, without SQLAlchemy's work for every single value.

SQLAlchemy makes the statements and says how each column's values are handed to the driver.
But here a column is converted as a whole, and what repeats in it once. SQLite then takes the
rows by the driver's `executemany`. PostgreSQL takes each column as one array, so that rows
do not travel one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cache
from typing import Any

from sqlalchemy import Column, Connection, Dialect, Executable, Table, bindparam, func, select
from sqlalchemy.dialects import postgresql, sqlite

Rows = Sequence[tuple[Any, ...]]


def write(
    connection: Connection, table: Table, names: tuple[str, ...], rows: Rows, *, over: bool = False
) -> None:
    """Add `rows` to `table`, in their order.

    names: the columns that each row gives, in its order; the others stay empty or count up.
    over: a row whose id is there already is written over; else it is an IntegrityError.
    """
    if not rows:
        return
    if connection.dialect.name == "sqlite":
        statement, converters = _for_sqlite(table, names, over)
        columns = [
            column if convert is None else _converted(column, convert)
            for column, convert in zip(zip(*rows, strict=True), converters, strict=True)
        ]
        connection.exec_driver_sql(statement, list(zip(*columns, strict=True)))
    else:
        arrays = map(list, zip(*rows, strict=True))
        connection.execute(
            _for_postgresql(table, names, over), dict(zip(names, arrays, strict=True))
        )


def _converted(column: Iterable[Any], convert: Callable[[Any], Any]) -> list[Any]:
    converted: list[Any] = []
    last = given = object()
    for value in column:
        if value is not last:  # the very same value comes again and again: a moment, a series
            last, given = value, convert(value)
        converted.append(given)
    return converted


@cache
def _for_sqlite(
    table: Table, names: tuple[str, ...], over: bool
) -> tuple[str, list[Callable[[Any], Any] | None]]:
    dialect = sqlite.dialect()
    insert = sqlite.insert(table)
    if over:
        changed = {n: insert.excluded[n] for n in names if not table.c[n].primary_key}
        insert = insert.on_conflict_do_update(index_elements=["id"], set_=changed)
    text = str(insert.compile(dialect=dialect, column_keys=list(names)))
    return text, [_converter(table.c[name], dialect) for name in names]


def _converter(column: Column[Any], dialect: Dialect) -> Callable[[Any], Any] | None:
    return column.type.dialect_impl(dialect).bind_processor(dialect)


@cache
def _for_postgresql(table: Table, names: tuple[str, ...], over: bool) -> Executable:
    arrays = (
        func.unnest(bindparam(name, type_=postgresql.ARRAY(table.c[name].type))) for name in names
    )
    insert = postgresql.insert(table).from_select(list(names), select(*arrays))
    if not over:
        return insert
    changed = {n: insert.excluded[n] for n in names if not table.c[n].primary_key}
    return insert.on_conflict_do_update(index_elements=["id"], set_=changed)
