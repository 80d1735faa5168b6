"""Machines and what happened to them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, func, select

from api.errors import NotFound, none_called
from api.store.tables import Machine, Series, SetupChange


def parse_id(text: str) -> UUID | str:
    """A machine is named by its id or by its name; the id where `text` is one, else the name."""
    try:
        return UUID(text)
    except ValueError:
        return text


def machines(
    connection: Connection,
    *,
    after: UUID | None = None,
    limit: int | None = None,
    retired: bool = False,
) -> Sequence[Row[Any]]:
    """Rows of `tables.Machine` by name: all, or so many of those that follow `after`; the retired
    ones too where `retired`.

    Raises NotFound where no machine has the id `after`.
    """
    query = (
        select(Machine.__table__)
        .where(Machine.merged_into.is_(None))
        .order_by(Machine.name)
        .limit(limit)
    )
    if not retired:
        query = query.where(Machine.retired_at.is_(None))
    if after is not None:
        query = query.where(Machine.name > machine(connection, after).name)
    return connection.execute(query).all()


def machine(connection: Connection, machine: UUID | str) -> Row[Any]:
    """The row of the machine with this id, or else with this name; of one that was merged, that of
    the machine it was merged into.

    Raises NotFound where there is none.
    """
    found = machine if isinstance(machine, UUID) else called(connection, machine)
    row = None
    while found is not None:
        row = connection.execute(select(Machine.__table__).where(Machine.id == found)).first()
        found = None if row is None else row.merged_into
    if row is None:
        known = [each.name for each in machines(connection, retired=True)]
        raise none_called("machine", machine, known)
    return row


def names(connection: Connection) -> dict[str, str]:
    """What every machine is called, by its id as the trail has it; also those that were merged."""
    return {str(row.id): row.name for row in connection.execute(select(Machine.id, Machine.name))}


def merged_into(connection: Connection, machine_id: UUID) -> list[UUID]:
    """The machines that were merged into this one, or into one of those."""
    found: list[UUID] = []
    last = [machine_id]
    while last:
        last = list(connection.scalars(select(Machine.id).where(Machine.merged_into.in_(last))))
        found += last
    return found


def called(connection: Connection, name: str) -> UUID | None:
    """The id of the machine with this name, whatever the case of its letters and its spaces; None
    where there is none."""
    exactly = connection.scalar(select(Machine.id).where(Machine.name == name))
    if exactly is not None:
        return exactly
    wanted = alike(name)
    # In Python: of the databases, one folds the case of ASCII letters alone.
    rows = connection.execute(select(Machine.id, Machine.name).order_by(Machine.id))
    return next((row.id for row in rows if alike(row.name) == wanted), None)


def alike(name: str) -> str:
    """What the names of one machine have in common, whatever their case and spaces."""
    return " ".join(name.split()).casefold()


def setup_changes(connection: Connection, machine_id: UUID) -> Sequence[Row[Any]]:
    """What happened to a machine, the oldest first."""
    return connection.execute(
        select(SetupChange.__table__)
        .where(SetupChange.machine_id == machine_id, SetupChange.withdrawn_at.is_(None))
        .order_by(SetupChange.at, SetupChange.id)
    ).all()


def setup_change(connection: Connection, change_id: UUID) -> Row[Any]:
    """A setup change, even one that was withdrawn. Raises NotFound where none has that id."""
    row = connection.execute(
        select(SetupChange.__table__).where(SetupChange.id == change_id)
    ).first()
    if row is None:
        raise NotFound("no setup change has that id")
    return row


def withdrawn_changes(connection: Connection, machine_id: UUID) -> Sequence[Row[Any]]:
    """The setup changes of a machine that are known not to have happened, the oldest first."""
    return connection.execute(
        select(SetupChange.__table__)
        .where(SetupChange.machine_id == machine_id, SetupChange.withdrawn_at.is_not(None))
        .order_by(SetupChange.at, SetupChange.id)
    ).all()


def latest_changes(connection: Connection) -> dict[UUID, list[Row[Any]]]:
    """Of each machine its latest setup change, as a list of one."""
    newest = (
        select(SetupChange.machine_id, func.max(SetupChange.at).label("at"))
        .where(SetupChange.withdrawn_at.is_(None))
        .group_by(SetupChange.machine_id)
        .subquery()
    )
    rows = connection.execute(
        select(SetupChange.__table__)
        .join(
            newest,
            (newest.c.machine_id == SetupChange.machine_id) & (newest.c.at == SetupChange.at),
        )
        .where(SetupChange.withdrawn_at.is_(None))
        .order_by(SetupChange.id)
    )
    return {row.machine_id: [row] for row in rows}


def measured_at_bench(connection: Connection, machine_id: UUID) -> int | None:
    """The id of the bench that measured a machine last; None where none did."""
    return connection.scalar(
        select(Series.bench_id)
        .where(Series.machine_id == machine_id)
        .order_by(Series.started_at.desc())
        .limit(1)
    )


def measured_machines(connection: Connection) -> frozenset[UUID]:
    """The machines that a bench measured."""
    # Of each machine one series is looked up, not every series there is.
    one = select(Series.id).where(Series.machine_id == Machine.id).limit(1)
    found = select(Machine.id).where(one.scalar_subquery().is_not(None))
    return frozenset(connection.scalars(found))
