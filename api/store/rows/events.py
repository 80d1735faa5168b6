"""Events: what happened at benches, numbered by the store."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row, bindparam, select
from sqlalchemy.orm import aliased

from api.store.rows.series import SHOWN_READINGS
from api.store.tables import Bench, Caliper, Event, Reading, Refusal, Series


def last_event_id(connection: Connection) -> int:
    """The number of the latest event of all benches, 0 before the first."""
    # Asked so often that the text is given as it is.
    return connection.exec_driver_sql("SELECT max(id) FROM events").scalar() or 0


def events_after(
    connection: Connection, bench_name: str, after: int, limit: int = 500
) -> Sequence[Row[Any]]:
    """The next events of a bench after number `after`, in order, at most `limit`; with its name."""
    asked = {"bench": bench_name, "after": after, "limit": limit}
    return connection.execute(_AFTER, asked).all()


def news(
    connection: Connection, benches: Sequence[str], after: int, until: int, limit: int
) -> Sequence[Row[Any]]:
    """The events of these benches after number `after` up to `until`, in order, at most `limit`;
    with the names of their benches."""
    asked = {"benches": benches, "after": after, "until": until, "limit": limit}
    return connection.execute(_NEWS, asked).all()


def latest_events(connection: Connection, bench_name: str, limit: int) -> list[Row[Any]]:
    """The latest events of a bench, in order, at most `limit`; with its name."""
    found = connection.execute(
        _EVENTS.where(Bench.name == bench_name).order_by(Event.id.desc()).limit(limit)
    )
    return list(reversed(found.all()))


def last_of_kind(connection: Connection, bench_id: int, kind: str) -> Row[Any] | None:
    """The latest event of a bench that is of this kind."""
    return connection.execute(
        select(Event.__table__)
        .where(Event.bench_id == bench_id, Event.kind == kind)
        .order_by(Event.id.desc())
        .limit(1)
    ).first()


def of_reading(connection: Connection, bench_id: int, reading_id: UUID) -> Row[Any]:
    """The event of a reading as it was kept, of which there is one."""
    return connection.execute(
        select(Event.__table__).where(
            Event.bench_id == bench_id, Event.kind == "reading", Event.subject == reading_id
        )
    ).one()


def readings(connection: Connection, ids: Collection[UUID]) -> dict[UUID, Row[Any]]:
    """Readings with their caliper's and bench's names, by id."""
    return {row.id: row for row in connection.execute(_SOME_READINGS, {"ids": ids})}


def refusal(connection: Connection, refusal_id: UUID) -> Row[Any]:
    """A refusal with its caliper's and bench's names."""
    return connection.execute(
        select(Refusal.__table__, Caliper.shown.label("caliper"), Bench.name.label("bench"))
        .join(Caliper, Caliper.id == Refusal.caliper_id)
        .join(Bench, Bench.id == Refusal.bench_id)
        .where(Refusal.id == refusal_id)
    ).one()


# Made once: each press runs them, and building one takes as long as running it.
_EVENTS: Final = select(Event.__table__, Bench.name.label("bench")).join(
    Bench, Bench.id == Event.bench_id
)
_AFTER: Final = (
    _EVENTS.where(Bench.name == bindparam("bench"), Event.id > bindparam("after"))
    .order_by(Event.id)
    .limit(bindparam("limit"))
)
_NEWS: Final = (
    _EVENTS.where(
        Event.id > bindparam("after"),
        Event.id <= bindparam("until"),
        Bench.name.in_(bindparam("benches", expanding=True)),
    )
    .order_by(Event.id)
    .limit(bindparam("limit"))
)
_SOME_READINGS: Final = SHOWN_READINGS.where(Reading.id.in_(bindparam("ids", expanding=True)))


_ABOUT_SERIES: Final = ("bench", "score", "series")
_WITH_SCORE: Final = ("reading", "fate", "trial", "refusal", "caliper")
"""What changes nothing that is known of a machine, or is followed by the score of its series."""
_MANY: Final = 2000
"""Events that are not worth looking through."""


def series_changed(
    connection: Connection, after: int, until: int
) -> frozenset[tuple[UUID, str]] | None:
    """Machine and method of the series that the events after number `after` up to `until` are
    about; None where one of them may concern any machine, or they are many."""
    if not 0 <= until - after <= _MANY:
        return None
    happened = Event.id.between(after + 1, until)
    kinds = set(connection.scalars(select(Event.kind).where(happened).distinct()))
    if not kinds <= {*_ABOUT_SERIES, *_WITH_SCORE}:
        return None
    earlier = aliased(Event)
    # A series ends where its bench feeds another one, or none.
    ended = (
        select(earlier.subject)
        .where(
            earlier.bench_id == Event.bench_id,
            earlier.kind == "bench",
            earlier.id < Event.id,
            earlier.subject.is_not(None),
        )
        .order_by(earlier.id.desc())
        .limit(1)
        .correlate(Event)
        .scalar_subquery()
    )
    subjects = select(Event.subject).where(happened, Event.kind.in_(_ABOUT_SERIES))
    subjects_ended = select(ended).where(happened, Event.kind == "bench")
    found = select(Series.machine_id, Series.method).where(
        Series.id.in_(subjects.union(subjects_ended))
    )
    return frozenset((row.machine_id, row.method) for row in connection.execute(found.distinct()))
