"""Statements that go to the driver directly do what SQLAlchemy's own would."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, cast
from uuid import UUID

import pytest
from sqlalchemy import Table, bindparam, func, select, text, update
from sqlalchemy.exc import IntegrityError, OperationalError, ProgrammingError

from api.store import statements
from api.store.tables import Machine

_MACHINES = cast(Table, Machine.__table__)
_NAMES = ("id", "name", "kind", "created_at")
_NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
# One row at a time, and many at once.
_MANY = pytest.mark.parametrize("many", [1, 20])


def _rows(many: int, kind: str = "saw") -> list[tuple[Any, ...]]:
    return [
        (UUID(int=n), f'Säge {n} "50%s" \\', kind, _NOON + timedelta(microseconds=n))
        for n in range(1, many + 1)
    ]


def _kept(connection) -> list[tuple[Any, ...]]:
    names = [_MACHINES.c[name] for name in _NAMES]
    return [tuple(row) for row in connection.execute(select(*names).order_by(_MACHINES.c.id))]


@_MANY
def test_what_is_written_is_read_as_it_was(engine, many):
    with engine.begin() as connection:
        statements.write(connection, _MACHINES, _NAMES, [])
        assert _kept(connection) == []
        statements.write(connection, _MACHINES, _NAMES, _rows(many))
        assert _kept(connection) == _rows(many)


@_MANY
def test_columns_may_come_in_any_order(engine, many):
    turned = [row[::-1] for row in _rows(many)]
    with engine.begin() as connection:
        statements.write(connection, _MACHINES, _NAMES[::-1], turned)
        assert _kept(connection) == _rows(many)


@_MANY
def test_a_row_that_is_there_is_overwritten_only_where_that_is_asked(engine, many):
    with engine.begin() as connection:
        statements.write(connection, _MACHINES, _NAMES, _rows(many))
    changed = _rows(many, kind="planer")
    with (
        pytest.raises(IntegrityError),
        engine.begin() as connection,
        statements.translated(connection),
    ):
        statements.write(connection, _MACHINES, _NAMES, changed)
    with engine.begin() as connection:
        assert _kept(connection) == _rows(many)
        statements.write(connection, _MACHINES, _NAMES, changed, over=True)
        assert _kept(connection) == changed


@_MANY
def test_a_moment_without_a_zone_is_not_written(engine, many):
    naive = [(*row[:3], datetime(2026, 3, 2)) for row in _rows(many)]
    with engine.begin() as connection, pytest.raises(ValueError, match="no time zone"):
        statements.write(connection, _MACHINES, _NAMES, naive)


def test_rows_are_found_by_converted_values(engine):
    by_id = select(_MACHINES.c.name).where(_MACHINES.c.id == bindparam("id"))
    since = select(_MACHINES.c.name).where(_MACHINES.c.created_at >= bindparam("at"))
    with engine.begin() as connection:
        assert statements.first(connection, by_id, id=UUID(int=2)) is None
        assert statements.find(connection, since, at=_NOON) == []
        rows = _rows(3)
        statements.write(connection, _MACHINES, _NAMES, rows)
        assert statements.first(connection, by_id, id=UUID(int=2)) == (rows[1][1],)
        found = statements.find(connection, since.order_by(_MACHINES.c.id), at=rows[1][3])
        assert found == [(rows[1][1],), (rows[2][1],)]
        with pytest.raises(KeyError, match="id"):
            statements.first(connection, by_id)


def test_many_rows_come_unconverted(engine):
    asked = select(statements.as_sent(_MACHINES.c.id), _MACHINES.c.name)
    with engine.begin() as connection:
        assert list(statements.tuples(connection, asked)) == []
        statements.write(connection, _MACHINES, _NAMES, _rows(1))
        ((found, name),) = statements.tuples(connection, asked)
    assert name == _rows(1)[0][1]
    # What SQLAlchemy would have made a UUID of is what the driver gave.
    given = UUID(int=1).hex if engine.dialect.name == "sqlite" else UUID(int=1)
    assert found == given


def test_statements_sent_together_all_run(engine):
    change = update(_MACHINES).values(kind=bindparam("new")).where(_MACHINES.c.id == bindparam("i"))
    with engine.begin() as connection:
        with statements.together(connection):
            statements.write(connection, _MACHINES, _NAMES, _rows(2))
            statements.run(connection, change, new="planer", i=UUID(int=2))
        assert [row[2] for row in _kept(connection)] == ["saw", "planer"]


def test_an_error_of_the_driver_is_sqlalchemys_and_the_connection_stays(engine):
    with engine.connect() as connection:
        connection.begin()
        # PostgreSQL calls it a programming error, SQLite an operational one.
        with (
            pytest.raises((ProgrammingError, OperationalError), match="nowhere") as told,
            statements.translated(connection),
        ):
            statements.run(connection, text("SELECT * FROM nowhere"))
        assert not told.value.connection_invalidated
        connection.rollback()
        assert connection.scalar(select(func.count()).select_from(_MACHINES)) == 0


@pytest.mark.parametrize("store_url", ["postgresql"], indirect=True)
def test_a_connection_that_was_lost_is_not_used_again(engine):
    with engine.connect() as connection:
        connection.begin()
        with pytest.raises(OperationalError) as told, statements.translated(connection):
            statements.run(connection, text("SELECT pg_terminate_backend(pg_backend_pid())"))
        assert told.value.connection_invalidated
        assert connection.invalidated
        connection.rollback()
        assert connection.scalar(text("SELECT 1")) == 1
