"""The events of a transaction: written as its last step, so that their numbers appear in the order
of commits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple, cast
from uuid import UUID

from sqlalchemy import Connection, Table, text

from api.store import statements
from api.store.engine import CHANNEL
from api.store.stamps import now
from api.store.tables import Event
from capture import records

_EVENTS: Final = cast(Table, Event.__table__)
_EVENT_LOCK: Final = 8017
_LOCK_AND_NOTIFY: Final = text(
    f"SELECT pg_advisory_xact_lock({_EVENT_LOCK}), pg_notify('{CHANNEL}', :benches)"
)


class EventRow(NamedTuple):
    """A row of `tables.Event` without its number and moment, which it gets at the commit."""

    bench_id: int
    kind: str
    subject: UUID | None
    data: dict[str, Any]


class Happened(NamedTuple):
    """An event as it was committed, with the name of its bench, and the reading where it is of one:
    what a reader of the store would find under `id`."""

    id: int
    bench_id: int
    bench: str
    kind: str
    subject: UUID | None
    data: dict[str, Any]
    reading: records.Reading | None


Committed = Callable[[set[int], Sequence[Happened]], None]


def publish(connection: Connection, events: Sequence[EventRow]) -> None:
    """Number `events` and notify other processes; the last step before the commit."""
    at = now()
    rows = [(*each, at) for each in events]
    with statements.together(connection):
        if connection.dialect.name == "postgresql":
            # Numbers are assigned before the commit. Without this lock another process's lower
            # number could become visible after a reader has seen a higher one, and be missed.
            benches = ",".join(str(number) for number in sorted({e.bench_id for e in events}))
            statements.run(connection, _LOCK_AND_NOTIFY, benches=benches)
        statements.write(connection, _EVENTS, (*EventRow._fields, "at"), rows)
