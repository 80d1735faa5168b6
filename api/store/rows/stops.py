"""The stops of machines."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row, exists, func, select

from api.errors import NotFound
from api.store.rows.machines import alike
from api.store.tables import Machine, Series, Stop

ANGLES: Final = ("nominal_deg", "bevel_deg")


def stops(connection: Connection, machine_id: UUID, *, retired: bool = False) -> Sequence[Row[Any]]:
    """Rows of `tables.Stop` of a machine, the oldest first; retired ones too where `retired`."""
    query = select(Stop.__table__).where(Stop.machine_id == machine_id)
    if not retired:
        query = query.where(Stop.retired_at.is_(None))
    return connection.execute(query.order_by(Stop.created_at, Stop.id)).all()


def every_stop(connection: Connection) -> Sequence[Row[Any]]:
    """The stops of all machines, the oldest first; no retired ones."""
    query = select(Stop.__table__).where(Stop.retired_at.is_(None))
    return connection.execute(query.order_by(Stop.created_at, Stop.id)).all()


def with_several(connection: Connection) -> frozenset[UUID]:
    """The machines that have more stops than one, the retired ones counted: their series say at
    which they were cut."""
    query = select(Stop.machine_id).group_by(Stop.machine_id).having(func.count() > 1)
    return frozenset(connection.scalars(query))


def stop_names(connection: Connection) -> dict[str, str]:
    """What every stop is called, by its id as the trail has it."""
    return {str(row.id): row.name for row in connection.execute(select(Stop.id, Stop.name))}


def stop(connection: Connection, stop_id: UUID) -> Row[Any]:
    """A stop, even a retired one. Raises NotFound where none has that id."""
    row = connection.execute(select(Stop.__table__).where(Stop.id == stop_id)).first()
    if row is None:
        raise NotFound("no stop has that id; GET /api/machines/{id}/stops lists them")
    return row


def stop_called(connection: Connection, machine_id: UUID, name: str) -> Row[Any] | None:
    """The stop of a machine with this name, whatever the case of its letters and its spaces."""
    spelled = alike(name)
    every = stops(connection, machine_id, retired=True)
    return next((row for row in every if alike(row.name) == spelled), None)


def stop_of(connection: Connection, machine_id: UUID, named: UUID | str) -> Row[Any]:
    """The stop of a machine with this id or name. Raises NotFound, naming those there are."""
    every = stops(connection, machine_id, retired=True)
    wanted = named if isinstance(named, UUID) else alike(named)
    for row in every:
        if wanted in (row.id, alike(row.name)):
            return row
    names = ", ".join(row.name for row in every if row.retired_at is None)
    raise NotFound(f"the machine has no stop {named}; it has {names}; add it first")


def same_setting(stop: Row[Any], other: Row[Any]) -> bool:
    """Whether two stops, of any machines, have the same angles."""
    return all(getattr(stop, angle) == getattr(other, angle) for angle in ANGLES)


def there(connection: Connection, row: Row[Any], machine_id: UUID) -> tuple[Row[Any] | None, str]:
    """The stop of a machine that is the same setting as the stop `row` of any machine, the one with
    the same name and angles, and its name; None, and the name that it is to get, where there is
    none. Where the name is that of another setting, it is told apart by the machine's name."""
    if row.machine_id == machine_id:
        return row, row.name
    of = connection.scalar(select(Machine.name).where(Machine.id == row.machine_id))
    name, count = row.name, 1
    while (found := stop_called(connection, machine_id, name)) is not None:
        if same_setting(found, row):
            return found, found.name
        name = f"{row.name} of {of}" if count == 1 else f"{row.name} of {of} {count}"
        count += 1
    return None, name


def has_series(connection: Connection, stop_id: UUID) -> bool:
    """Whether a series belongs to a stop."""
    return bool(connection.scalar(select(exists().where(Series.stop_id == stop_id))))
