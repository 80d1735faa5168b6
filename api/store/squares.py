"""The stop that every machine has: a series that names no other belongs to it."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final, cast
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Table, exists, select, update
from sqlalchemy.dialects import postgresql, sqlite

from api.store.stamps import new_id
from api.store.tables import Machine, Series, Stop

SQUARE: Final = "square"

_STOPS: Final = cast(Table, Stop.__table__)


def add_square(connection: Connection, machine_id: UUID, at: datetime) -> None:
    """Give a machine its stop `square`, where it has none."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    row = {"id": new_id(), "machine_id": machine_id, "name": SQUARE, "created_at": at}
    made = dialect.insert(_STOPS).values(**row, nominal_deg="0", bevel_deg="0")
    connection.execute(made.on_conflict_do_nothing())


def square_of(connection: Connection, machine_id: UUID) -> UUID:
    """The id of a machine's stop `square`."""
    found: UUID = connection.execute(
        select(Stop.id).where(Stop.machine_id == machine_id, Stop.name == SQUARE)
    ).scalar_one()
    return found


def machines_without(connection: Connection) -> list[Any]:
    """The machines (id, name, created_at) that have no stop `square`."""
    has = exists().where(Stop.machine_id == Machine.id, Stop.name == SQUARE)
    query = select(Machine.id, Machine.name, Machine.created_at).where(~has)
    return list(connection.execute(query.order_by(Machine.id)))


def astray() -> ColumnElement[bool]:
    """Whether a series belongs to no stop of its machine."""
    return ~exists().where(Stop.id == Series.stop_id, Stop.machine_id == Series.machine_id)


def fill_in(connection: Connection) -> None:
    """Give every machine its `square`, and every series that belongs to no stop of its machine to
    that."""
    for machine in machines_without(connection):
        add_square(connection, machine.id, machine.created_at)
    square = select(Stop.id).where(Stop.machine_id == Series.machine_id, Stop.name == SQUARE)
    connection.execute(update(Series).where(astray()).values(stop_id=square.scalar_subquery()))
