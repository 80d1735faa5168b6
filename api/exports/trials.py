"""Trials as rows, with a cursor that gives what has changed since.

The cursor is the number of the last event seen: a trial has changed when an event told of
it. Rows and cursor come from one moment of the store, so nothing falls between two pulls.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row, Select, exists, select

from analysis.units import mm_text
from api.store.queries import last_event_id
from api.store.tables import Event, Machine, Series, Trial

HEADER: Final = (
    "trial_id",
    "series_id",
    "machine",
    "method",
    "number",
    "taken_at",
    "baseline_mm",
    "readings_mm",
    "deviation_mm",
    "angle_deg",
    "tilt_deg",
    "expanded_uncertainty_deg",
    "state",
    "flags",
    "caliper",
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which trials: of a machine (id or name), a method, taken since, changed after."""

    machine: UUID | str | None = None
    method: str | None = None
    since: datetime | None = None
    after: int | None = None


def cursor(connection: Connection) -> int:
    """What to give as `after` the next time; ask for it before the rows, on one snapshot."""
    return last_event_id(connection)


def rows(connection: Connection, wanted: Wanted) -> Iterator[tuple[Any, ...]]:
    """The trials wanted, oldest series first, as values under HEADER.

    A trial whose readings were all taken back is told of only to those who may have it
    from an earlier pull.
    """
    result = connection.execution_options(yield_per=1000).execute(_query(wanted))
    return (_values(row) for row in result)


def _query(wanted: Wanted) -> Select[Any]:
    query = (
        select(
            Trial.__table__,
            Machine.name.label("machine"),
            Series.method,
            Series.baseline_nm,
        )
        .join(Series, Series.id == Trial.series_id)
        .join(Machine, Machine.id == Series.machine_id)
        .order_by(Series.started_at, Series.id, Trial.number)
    )
    if isinstance(wanted.machine, UUID):
        query = query.where(Machine.id == wanted.machine)
    elif wanted.machine is not None:
        query = query.where(Machine.name == wanted.machine)
    if wanted.method is not None:
        query = query.where(Series.method == wanted.method)
    if wanted.since is not None:
        query = query.where(Trial.taken_at >= wanted.since)
    if wanted.after is None:
        return query.where(Trial.state != "gone")
    return query.where(
        exists().where(Event.kind == "trial", Event.subject == Trial.id, Event.id > wanted.after)
    )


def _values(row: Row[Any]) -> tuple[Any, ...]:
    return (
        row.id,
        row.series_id,
        row.machine,
        row.method,
        row.number,
        moment_text(row.taken_at),
        None if row.baseline_nm is None else mm_text(row.baseline_nm),
        row.readings_mm,
        row.deviation_mm,
        row.angle_deg,
        row.tilt_deg,
        row.expanded_uncertainty_deg,
        row.state,
        row.flags,
        row.caliper,
    )


def moment_text(moment: datetime | None) -> str | None:
    """RFC 3339 in UTC, to the microsecond, of one length so that texts sort as moments do."""
    return None if moment is None else moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
