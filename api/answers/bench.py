"""How a bench is now: the series it feeds, where its next reading goes, what it heard last."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Row

from api.store.facts import method_of
from api.store.log import reading_of
from api.store.next_place import NextPlace
from api.store.rows import benches, events
from api.store.rows import series as rows
from capture import folded, records


@dataclass(frozen=True, slots=True)
class Heard:
    """A reading, itself or as a row with its caliper's and bench's names, and its outcome when it
    was kept: outcome, trial, place."""

    row: Row[Any] | records.Reading
    fate: dict[str, Any]


@dataclass(frozen=True, slots=True)
class BenchAnswer:
    """A bench as it is after event number `last_event`; one that nobody has named yet is empty.

    series: the row of the running one, with the names of its bench and machine; ended: that of
    the one that ended last (with a trial, where any has), while none runs. awaiting: the
    reading that waits for an answer.
    """

    name: str
    series: Row[Any] | None
    ended: Row[Any] | None
    next: NextPlace | None
    last_reading: Heard | None
    awaiting: Heard | None
    clock_behind_ms: int | None
    last_event: int

    @classmethod
    def unknown(cls, name: str) -> BenchAnswer:
        """A bench of which nothing is known: nobody has named it, or the store cannot be read."""
        return cls(name, None, None, None, None, None, None, 0)


def bench(connection: Connection, name: str) -> BenchAnswer:
    """The bench called `name`."""
    # Read first, so that what is committed during the next queries does not count as seen.
    last_event = events.last_event_id(connection)
    row = benches.bench(connection, name)
    if row is None:
        return replace(BenchAnswer.unknown(name), last_event=last_event)
    series = None if row.series_id is None else rows.series(connection, row.series_id)
    ended = None
    if series is None and (latest := benches.last_fed(connection, row.id)) is not None:
        ended = rows.series(connection, latest)
    last = events.last_of_kind(connection, row.id, "reading")
    waits = None
    if row.awaiting is not None:
        waits = events.of_reading(connection, row.id, row.awaiting)
    return BenchAnswer(
        name=name,
        series=series,
        ended=ended,
        next=None if series is None else _next(connection, series),
        last_reading=None if last is None else heard(connection, [last])[last.id],
        awaiting=None if waits is None else heard(connection, [waits])[waits.id],
        clock_behind_ms=row.clock_behind_ms,
        last_event=last_event,
    )


def heard(connection: Connection, found: Sequence[Row[Any]]) -> dict[int, Heard]:
    """The readings of events of kind `reading`, by the events' numbers."""
    if not found:
        return {}
    readings = events.readings(connection, [event.subject for event in found])
    return {event.id: Heard(readings[event.subject], event.data) for event in found}


def _next(connection: Connection, series: Row[Any]) -> NextPlace | None:
    """Where the next reading goes. The last trial alone decides it, so the log is not read."""
    method = method_of(series)
    layout = records.Layout(len(method.places), series.repeats, method.swap)
    last = rows.last_trial(connection, series.id)
    trials: tuple[records.Trial, ...] = ()
    if last is not None:
        slots: list[records.Placed | None] = [None] * (layout.places * layout.repeats)
        for row in rows.placed_readings(connection, last.id):
            slots[row.slot] = records.Placed(reading_of(row), row.slot)
        trials = (records.Trial(last.number, tuple(slots), last.swapped),)
    following = folded.next_place(folded.State(series.id, layout, trials))
    if following is None:
        return None
    return NextPlace(following, method.places[following.place], series.repeats)
