"""Reading a bench's log back, as the entries that were written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row, Select, select

from api.store.rows.series import READINGS
from api.store.tables import Act, Reading
from capture import records


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
        select(Act.series_id).where(Act.bench_id == bench_id, Act.kind == "start").order_by(Act.seq)
    )
    for series_id in begun.scalars().all():
        assert series_id is not None  # a start names its series
        yield series_id, read_series(connection, series_id)


def read_series(connection: Connection, series_id: UUID) -> Iterator[records.Entry]:
    """The bench's entries from the start of a series, and from each resume of it, up to the next
    start or resume of another.

    Yields nothing where the bench has not started that series.
    """
    begins = connection.execute(
        select(Act.bench_id, Act.seq)
        .where(Act.series_id == series_id, Act.kind.in_(_BEGINNING))
        .order_by(Act.seq)
    ).all()
    for begin in begins:
        after = _begun(begin.bench_id).where(Act.seq > begin.seq).order_by(Act.seq).limit(1)
        following = connection.execute(after).first()
        until = None if following is None else following.seq
        yield from _entries(connection, begin.bench_id, begin.seq, until)


# What makes a bench feed a series from there on.
_BEGINNING: Final = ("start", "resume")


def _begun(bench_id: int) -> Select[int, UUID | None]:
    return select(Act.seq, Act.series_id).where(Act.bench_id == bench_id, Act.kind.in_(_BEGINNING))


def _entries(
    connection: Connection, bench_id: int, since: int, before: int | None
) -> Iterator[records.Entry]:
    acts = select(Act.__table__).where(Act.bench_id == bench_id, Act.seq >= since)
    presses = READINGS.where(Reading.bench_id == bench_id, Reading.seq >= since)
    if before is not None:
        acts = acts.where(Act.seq < before)
        presses = presses.where(Reading.seq < before)
    entries: list[tuple[int, records.Entry]] = [
        *((row.seq, _act(row)) for row in connection.execute(acts)),
        *((row.seq, records.Press(reading_of(row))) for row in connection.execute(presses)),
    ]
    return (entry for _, entry in sorted(entries, key=lambda e: e[0]))


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


def _act(row: Row[Any]) -> records.Entry:
    match row.kind:
        case "start":
            layout = dict(row.layout)
            swap = layout.pop("swap")
            return records.Start(
                row.series_id,
                records.Layout(**layout, swap=None if swap is None else tuple(swap)),
            )
        case "take back":
            return records.TakeBack(row.reading_id)
        case "swap ends":
            return records.SwapEnds(row.trial)
        case "restore":
            return records.Restore(row.reading_id)
        case "finish":
            return records.Finish()
        case "resume":
            return records.Resume(row.series_id)
        case kind:
            raise ValueError(f"the log holds an act {kind!r} that this program does not know")
