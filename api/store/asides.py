"""The rows of `asides`: which readings that a series heard are in no trial, and why."""

from __future__ import annotations

from typing import Any, Final, NamedTuple, cast
from uuid import UUID

from sqlalchemy import Connection, Table, bindparam, delete, exists, select

from api.store import statements
from api.store.act_rows import TURNING
from api.store.log import read_series
from api.store.tables import Act, Aside, Reading, TrialReading
from capture import folded, pairing

_ASIDES: Final = cast(Table, Aside.__table__)
_COUNTS: Final = delete(_ASIDES).where(_ASIDES.c.reading_id == bindparam("reading"))


class AsideRow(NamedTuple):
    """As in `tables.Aside`."""

    reading_id: UUID
    series_id: UUID
    why: folded.Why


def write(connection: Connection, series_id: UUID, state: folded.State) -> None:
    """Write the rows of a series anew, from its last state."""
    connection.execute(delete(_ASIDES).where(_ASIDES.c.series_id == series_id))
    rows = [AsideRow(reading, series_id, each.why) for reading, each in state.aside.items()]
    statements.write(connection, _ASIDES, AsideRow._fields, rows, over=True)


def write_changed(
    connection: Connection, before: folded.State, after: folded.State
) -> tuple[UUID, ...]:
    """Write the rows of the series of `after` that are otherwise than in `before`; the readings
    that they are of."""
    if after.series is None:
        return ()
    earlier = before.aside if before.series == after.series else {}
    now = {key: each for key, each in after.aside.items() if earlier.get(key) is not each}
    no_more = earlier.keys() - after.aside.keys()
    rows = [AsideRow(reading, after.series, each.why) for reading, each in now.items()]
    statements.write(connection, _ASIDES, AsideRow._fields, rows, over=True)
    for reading in no_more:
        statements.run(connection, _COUNTS, reading=reading)
    return (*now, *no_more)


def fill(connection: Connection) -> None:
    """Write the rows of every series, from its log, in a store that has none yet."""
    for series_id in _that_heard_more(connection):
        write(connection, series_id, pairing.fold(read_series(connection, series_id)).latest)


def _that_heard_more(connection: Connection) -> set[UUID]:
    """The series that heard a reading which is in no trial; others need not be replayed."""
    ran: Any = (
        select(Act.series_id)
        .where(Act.bench_id == Reading.bench_id, Act.seq < Reading.seq, Act.kind.in_(TURNING))
        .order_by(Act.seq.desc())
        .limit(1)
        .correlate(Reading)
        .scalar_subquery()
    )
    placed = exists().where(TrialReading.reading_id == Reading.id)
    heard = connection.scalars(select(ran).select_from(Reading).where(~placed)).all()
    # One whose trial was moved was heard in another series.
    moved = connection.scalars(select(Act.series_id).where(Act.kind == "move in")).all()
    return {each for each in (*heard, *moved) if each is not None}
