"""Works: what is made, and what it needs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, select

from api.errors import none_called
from api.store.rows.machines import alike
from api.store.tables import Work


def works(connection: Connection, *, retired: bool = False) -> Sequence[Row[Any]]:
    """Rows of `tables.Work` by name; the retired ones too where `retired`."""
    query = select(Work.__table__).order_by(Work.name)
    if not retired:
        query = query.where(Work.retired_at.is_(None))
    return connection.execute(query).all()


def work(connection: Connection, named: UUID | str) -> Row[Any]:
    """The work with this id, or else with this name. Raises NotFound where there is none."""
    found = named if isinstance(named, UUID) else work_called(connection, named)
    row = None
    if found is not None:
        row = connection.execute(select(Work.__table__).where(Work.id == found)).first()
    if row is None:
        raise none_called("work", named, [each.name for each in works(connection, retired=True)])
    return row


def work_names(connection: Connection) -> dict[str, str]:
    """What every work is called, by its id as the trail has it."""
    return {str(row.id): row.name for row in connection.execute(select(Work.id, Work.name))}


def work_called(connection: Connection, name: str) -> UUID | None:
    """The id of the work with this name, whatever the case of its letters and its spaces."""
    spelled = alike(name)
    rows = connection.execute(select(Work.id, Work.name).order_by(Work.id))
    return next((row.id for row in rows if alike(row.name) == spelled), None)
