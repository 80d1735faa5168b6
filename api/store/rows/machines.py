"""Machines and what happened to them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, func, select

from api.errors import NotFound
from api.store.tables import Machine, SetupChange


def parse_id(text: str) -> UUID | str:
    """A machine is named by its id or by its name; the id where `text` is one, else the name."""
    try:
        return UUID(text)
    except ValueError:
        return text


def machines(
    connection: Connection, *, after: UUID | None = None, limit: int | None = None
) -> Sequence[Row[Any]]:
    """Rows of `tables.Machine` by name: all, or so many of those that follow `after`.

    Raises NotFound where no machine has the id `after`.
    """
    query = select(Machine.__table__).order_by(Machine.name).limit(limit)
    if after is not None:
        query = query.where(Machine.name > machine(connection, after).name)
    return connection.execute(query).all()


def machine(connection: Connection, machine: UUID | str) -> Row[Any]:
    """The row of the machine with this id, or else with this name.

    Raises NotFound where there is none.
    """
    query = select(Machine.__table__)
    if isinstance(machine, UUID):
        query = query.where(Machine.id == machine)
    else:
        query = query.where(Machine.name == machine)
    row = connection.execute(query).first()
    if row is None:
        raise NotFound(f"there is no machine {machine}; GET /api/machines lists them")
    return row


def setup_changes(connection: Connection, machine_id: UUID) -> Sequence[Row[Any]]:
    """What happened to a machine, the oldest first."""
    return connection.execute(
        select(SetupChange.__table__)
        .where(SetupChange.machine_id == machine_id)
        .order_by(SetupChange.at, SetupChange.id)
    ).all()


def latest_changes(connection: Connection) -> dict[UUID, list[Row[Any]]]:
    """Of each machine its latest setup change, as a list of one."""
    newest = (
        select(SetupChange.machine_id, func.max(SetupChange.at).label("at"))
        .group_by(SetupChange.machine_id)
        .subquery()
    )
    rows = connection.execute(
        select(SetupChange.__table__)
        .join(
            newest,
            (newest.c.machine_id == SetupChange.machine_id) & (newest.c.at == SetupChange.at),
        )
        .order_by(SetupChange.id)
    )
    return {row.machine_id: [row] for row in rows}
