"""Reading a bench's log back, as the entries that were written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Row, func, select

from api.store.tables import Act, Bench, Caliper, Reading
from capture import records


def read_log(connection: Connection, bench_id: int) -> Iterator[records.Entry]:
    """The bench's entries in order, from its latest start on; nothing before one matters.

    Yields nothing where the bench has never started a series.
    """
    since = connection.scalar(
        select(func.max(Act.seq)).where(Act.bench_id == bench_id, Act.kind == "start")
    )
    return iter(()) if since is None else _entries(connection, bench_id, since)


def _entries(connection: Connection, bench_id: int, since: int) -> Iterator[records.Entry]:
    acts = [
        (act.seq, _act(act))
        for act in connection.execute(
            select(Act.__table__).where(Act.bench_id == bench_id, Act.seq >= since)
        )
    ]
    presses = [
        (row.seq, records.Press(reading_of(row)))
        for row in connection.execute(
            select(Reading.__table__, Caliper.name.label("caliper"), Bench.name.label("bench"))
            .join(Caliper, Caliper.id == Reading.caliper_id)
            .join(Bench, Bench.id == Reading.bench_id)
            .where(Reading.bench_id == bench_id, Reading.seq >= since)
        )
    ]
    entries: list[tuple[int, records.Entry]] = [*acts, *presses]
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
        case kind:
            raise ValueError(f"the log holds an act {kind!r} that this program does not know")
