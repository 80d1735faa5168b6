"""What is said of what happened to machines, within a transaction."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, insert, select

from api.store.authors import NOBODY, Author
from api.store.rows.machines import measured_at_bench
from api.store.stamps import new_id, now
from api.store.tables import SetupChange
from api.store.transactions import Writing


def add_change(
    written: Writing,
    machine_id: UUID,
    kind: str,
    at: datetime,
    note: str | None,
    by: Author = NOBODY,
) -> UUID:
    """A new setup change's id; the bench that measured the machine last gets an event, since the
    answers about its series rest on this too."""
    change_id = new_id()
    bench_id = measured_at_bench(written.connection, machine_id)
    if bench_id is not None:
        data = {"machine": str(machine_id), "kind": kind, "at": at.isoformat()}
        written.add_event(bench_id, "setup change", change_id, data)
    written.connection.execute(
        insert(SetupChange).values(
            id=change_id,
            machine_id=machine_id,
            kind=kind,
            at=at,
            note=note,
            recorded_at=now(),
            **written.authored(by)._asdict(),
        )
    )
    return change_id


def changed_between(
    connection: Connection, machine_id: UUID, kind: str, first: datetime, last: datetime
) -> UUID | None:
    """The latest change of this kind recorded from `first` to `last`."""
    recorded = select(SetupChange.id).where(
        SetupChange.machine_id == machine_id,
        SetupChange.kind == kind,
        SetupChange.at.between(first, last),
        SetupChange.withdrawn_at.is_(None),
    )
    return connection.scalar(recorded.order_by(SetupChange.at.desc()).limit(1))
