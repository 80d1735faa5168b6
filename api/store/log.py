"""Reading a bench's log back, as the entries that were written."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Row, Select, exists, func, select

from api.store.act_rows import BEGINNING, MADE, entry_of, readings_moved
from api.store.authors import name_of
from api.store.rows.series import READINGS
from api.store.tables import Act, Change, Reading, Series, TrialReading
from capture import records
from capture.values import read_as


def read_log(connection: Connection, bench_id: int) -> Iterator[records.Entry]:
    """The entries, in order, of the series that the bench fed last; its state needs no others.

    Yields nothing where the bench has never started a series.
    """
    last = connection.execute(_begun(bench_id).order_by(Act.seq.desc()).limit(1)).first()
    return iter(()) if last is None else read_series(connection, last.series_id)


def read_log_by_series(
    connection: Connection, bench_id: int
) -> Iterator[tuple[UUID, Iterator[records.Entry]]]:
    """The entries of each series of the bench under its id, in the order of their starts."""
    begun = connection.execute(
        select(Act.series_id).where(Act.bench_id == bench_id, Act.kind.in_(MADE)).order_by(Act.seq)
    )
    for series_id in begun.scalars().all():
        assert series_id is not None  # a start names its series
        yield series_id, read_series(connection, series_id)


def read_series(connection: Connection, series_id: UUID) -> Iterator[records.Entry]:
    """The bench's entries from the start of a series, and from each resume of it, up to the next
    start or resume of another, and the corrections of the series, in the bench's order.

    The readings are as the series reads them. Yields nothing where the bench has not started that
    series.
    """
    acts: dict[int, Row[Any]] = {}
    presses: dict[int, Row[Any]] = {}
    for row in connection.execute(select(Act.__table__).where(Act.series_id == series_id)):
        acts[row.seq] = row
        if row.kind in BEGINNING:
            segment = _segment(connection, row)
            for found in connection.execute(select(Act.__table__).where(*_within(Act, segment))):
                acts[found.seq] = found
            for found in connection.execute(READINGS.where(*_within(Reading, segment))):
                presses[found.seq] = found
    unit: Any = connection.scalar(select(Series.readings_unit).where(Series.id == series_id))
    moved = moved_readings(connection, acts.values())
    for seq in sorted(acts.keys() | presses.keys()):
        if seq in presses:
            yield records.Press(read_as(reading_of(presses[seq]), unit))
        elif acts[seq].series_id in (None, series_id):
            entry = entry_of(acts[seq], {key: read_as(r, unit) for key, r in moved.items()})
            yield entry


def acts_of(connection: Connection, series_id: UUID) -> list[Row[Any]]:
    """What was done in a series other than measuring, and corrected of its trials, in the bench's
    order: rows of `acts`, with `who` did it and by which pass (`through`)."""
    found: dict[int, Row[Any]] = {}
    for row in connection.execute(_SIGNED.where(Act.series_id == series_id)):
        found[row.seq] = row
        if row.kind in BEGINNING:
            within = _within(Act, _segment(connection, row))
            for each in connection.execute(_SIGNED.where(*within, Act.series_id.is_(None))):
                found[each.seq] = each
    return [found[seq] for seq in sorted(found)]


_SIGNED: Select[Any] = select(
    Act.__table__,
    name_of(func.coalesce(Act.person_id, Change.person_id), "who"),
    name_of(func.coalesce(Act.pass_id, Change.pass_id), "through"),
).outerjoin(Change, Change.id == Act.change_id)


def all_in_trials(connection: Connection, series_id: UUID) -> bool:
    """Whether every press among the entries of a series is in a trial, of that series or of one
    that it was moved to, and none was moved in."""
    moved_in = Act.series_id == series_id, Act.kind == "move in"
    if connection.execute(select(Act.seq).where(*moved_in).limit(1)).first() is not None:
        return False
    begun: Any = select(Act.bench_id, Act.seq).where(
        Act.series_id == series_id, Act.kind.in_(BEGINNING)
    )
    for begin in connection.execute(begun).all():
        within = _within(Reading, _segment(connection, begin))
        placed = exists().where(TrialReading.reading_id == Reading.id)
        if connection.execute(select(Reading.id).where(*within, ~placed).limit(1)).first():
            return False
    return True


def moved_readings(connection: Connection, acts: Iterable[Row[Any]]) -> dict[UUID, records.Reading]:
    """The readings of trials that were moved in by one of `acts`, as they were kept."""
    named = [
        reading for act in acts if act.kind == "move in" for reading in readings_moved(act.data)
    ]
    if not named:
        return {}
    found = connection.execute(READINGS.where(Reading.id.in_(named)))
    return {row.id: reading_of(row) for row in found}


Segment = tuple[int, int, int | None]
"""A bench, and the numbers of its entries: from, and before (None: to the end)."""


def _segment(connection: Connection, begin: Row[Any]) -> Segment:
    after = _begun(begin.bench_id).where(Act.seq > begin.seq).order_by(Act.seq).limit(1)
    following = connection.execute(after).first()
    return begin.bench_id, begin.seq, None if following is None else following.seq


def _within(table: type[Act] | type[Reading], segment: Segment) -> Sequence[ColumnElement[bool]]:
    bench_id, since, before = segment
    within = [table.bench_id == bench_id, table.seq >= since]
    return within if before is None else [*within, table.seq < before]


def _begun(bench_id: int) -> Select[int, UUID | None]:
    return select(Act.seq, Act.series_id).where(Act.bench_id == bench_id, Act.kind.in_(BEGINNING))


def reading_of(row: Row[Any]) -> records.Reading:
    """The record of a row of `readings` joined with its bench's and caliper's names."""
    return records.Reading(
        id=row.id,
        bench=row.bench,
        caliper=row.caliper,
        sent=row.sent,
        unit=row.unit,
        nm=row.nm,
        taken_at=row.taken_at,
        origin=row.origin,
        since_previous_ms=row.since_previous_ms,
        late=row.late,
    )
