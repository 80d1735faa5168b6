"""Series, their trials, and the readings of trials."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from typing import Any, Final
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Row, Select, bindparam, func, select, tuple_

from api.errors import InvalidField, NotFound
from api.store.tables import (
    Act,
    Bench,
    Caliper,
    Machine,
    Reading,
    Series,
    Stop,
    Trial,
    TrialReading,
    Work,
)

AT_STOP: Final = (Stop.name.label("stop"), Stop.nominal_deg, Stop.bevel_deg)
"""The stop of a series: its name and angles."""

SERIES: Select[Any] = select(Series.__table__, *AT_STOP).join(Stop, Stop.id == Series.stop_id)
"""Series with their stop, which the values of their trials rest on."""

_WITH_NAMES: Select[Any] = (
    SERIES.add_columns(
        Bench.name.label("bench"),
        Machine.name.label("machine_name"),
        Machine.kind.label("machine_kind"),
        Machine.created_at.label("machine_created_at"),
        Machine.note.label("machine_note"),
        Machine.retired_at.label("machine_retired_at"),
        Work.name.label("work"),
    )
    .join(Bench, Bench.id == Series.bench_id)
    .join(Machine, Machine.id == Series.machine_id)
    .outerjoin(Work, Work.id == Series.work_id)
)

_LATEST: Final = (Series.started_at.desc(), Series.id.desc())

# Among so many the series of a bench are looked for.
_RECENT: Final = 100

READ_UNIT: Final = func.coalesce(TrialReading.unit, Reading.unit).label("unit")
READ_NM: Final = func.coalesce(TrialReading.nm, Reading.nm).label("nm")
"""Unit and length of a reading as its series reads it."""

# Statements that each press runs are made once: building one takes as long as running it.
_SERIES: Final = _WITH_NAMES.where(Series.id == bindparam("series"))

READINGS: Select[Any] = (
    select(Reading.__table__, Caliper.name.label("caliper"), Bench.name.label("bench"))
    .join(Caliper, Caliper.id == Reading.caliper_id)
    .join(Bench, Bench.id == Reading.bench_id)
)
"""Readings with the names that their caliper is heard under and their bench has."""

SHOWN_READINGS: Select[Any] = (
    select(Reading.__table__, Caliper.shown.label("caliper"), Bench.name.label("bench"))
    .join(Caliper, Caliper.id == Reading.caliper_id)
    .join(Bench, Bench.id == Reading.bench_id)
)
"""The same with the name that the caliper is called."""


def series(connection: Connection, series_id: UUID) -> Row[Any]:
    """A series with the names of its bench, its machine and the work it was measured for.

    Raises NotFound where no series has that id.
    """
    row = connection.execute(_SERIES, {"series": series_id}).first()
    if row is None:
        raise NotFound("there is no series with that id")
    return row


def many_series(connection: Connection, ids: Collection[UUID]) -> dict[UUID, Row[Any]]:
    """The same of many series, by id."""
    return {row.id: row for row in connection.execute(_WITH_NAMES.where(Series.id.in_(ids)))}


def method_definitions(connection: Connection) -> list[dict[str, Any]]:
    """The definitions of methods of the user's own that series were measured by."""
    query = select(Series.method_data).where(Series.method_data.is_not(None))
    return [found for found in connection.scalars(query) if found is not None]


def one_measured_by(connection: Connection, method: str) -> Row[Any] | None:
    """Method and method_data of a series by the method with that key; None where there is none."""
    query: Any = select(Series.method, Series.method_data).where(Series.method == method).limit(1)
    return connection.execute(query).first()


def near(
    connection: Connection, of: Row[Any], methods: Collection[str], limit: int
) -> Sequence[Row[Any]]:
    """The latest series of the same machine, and of the same bench among the latest of all, by one
    of `methods`, that read each place as often as `of`: others that its trials may belong to."""
    of_machine = select(Series.id).where(
        Series.machine_id == of.machine_id, Series.method.in_(methods)
    )
    recent = select(Series.id, Series.bench_id).order_by(*_LATEST).limit(_RECENT).subquery()
    of_bench = select(recent.c.id).where(recent.c.bench_id == of.bench_id)
    ids = {
        *connection.scalars(of_machine.order_by(*_LATEST).limit(limit)),
        *connection.scalars(of_bench),
    }
    found = connection.execute(
        _WITH_NAMES.where(
            Series.id.in_(ids - _emptied(connection, ids)),
            Series.id != of.id,
            Series.method.in_(methods),
            Series.repeats == of.repeats,
        )
        .order_by(*_LATEST)
        .limit(limit)
    )
    return found.all()


def _emptied(connection: Connection, ids: Collection[UUID]) -> set[UUID]:
    """Those of these series that were made for trials which have been moved away again."""
    query = select(Act.series_id).where(Act.series_id.in_(ids), Act.kind == "set up")
    made = set(connection.scalars(query))
    if not made:
        return set()
    filled = select(Trial.series_id).where(Trial.series_id.in_(made), Trial.state != "gone")
    return {each for each in made if each is not None} - set(connection.scalars(filled))


def latest_series(
    connection: Connection,
    *,
    machine: UUID | None = None,
    method: str | None = None,
    before: UUID | None = None,
    limit: int | None = None,
) -> list[UUID]:
    """The ids of series, the latest begun first; without those that were made for trials which were
    moved away again.

    Raises InvalidField where no series has the id `before`.
    """
    query = select(Series.id).order_by(*_LATEST).limit(limit)
    if machine is not None:
        query = query.where(Series.machine_id == machine)
    if method is not None:
        query = query.where(Series.method == method)
    if before is not None:
        try:
            last = series(connection, before)
        except NotFound as error:
            raise InvalidField("before", f"{error}; take it from an earlier page") from None
        # As one value, so that an index leads to where the page begins.
        query = query.where(tuple_(Series.started_at, Series.id) < (last.started_at, last.id))
    found = list(connection.scalars(query))
    gone = _emptied(connection, found)
    shown = [each for each in found if each not in gone]
    if not gone or limit is None or len(found) < limit:
        return shown
    more = latest_series(
        connection, machine=machine, method=method, before=found[-1], limit=len(gone)
    )
    return shown + more


def latest_rows(
    connection: Connection, *, machine: UUID | None = None, limit: int
) -> Sequence[Row[Any]]:
    """Series with their stop, of all machines or of one, the latest begun first."""
    query = SERIES if machine is None else SERIES.where(Series.machine_id == machine)
    return connection.execute(query.order_by(*_LATEST).limit(limit)).all()


def like_it(connection: Connection, of: Row[Any], limit: int) -> list[UUID]:
    """The ids of the latest series at the same stop by the same method, the strip falling to the
    same side: `of` and others, the latest first."""
    query = select(Series.id).where(*_like(of)).order_by(*_LATEST).limit(limit)
    return list(connection.scalars(query))


def _like(of: Row[Any]) -> tuple[ColumnElement[bool], ...]:
    return (
        Series.machine_id == of.machine_id,
        Series.stop_id == of.stop_id,
        Series.method == of.method,
        Series.strip_side == of.strip_side,
    )


def complete_before(connection: Connection, of: Row[Any], limit: int) -> Sequence[Row[Any]]:
    """id, started_at and the number of complete `trials` of the latest series like `of` (as by
    `like_it`) that were begun before it and have any, the latest first."""
    complete = (
        select(func.count())
        .select_from(Trial)
        .where(Trial.series_id == Series.id, Trial.state == "complete")
        .scalar_subquery()
    )
    query = (
        select(Series.id, Series.started_at, complete.label("trials"))
        .where(*_like(of), Series.started_at < of.started_at)
        .order_by(*_LATEST)
        .limit(limit)
    )
    return [row for row in connection.execute(query) if row.trials]


def some_trials(connection: Connection, ids: Collection[UUID]) -> Sequence[Row[Any]]:
    """Trials by their ids, with `method` and `method_data` of their series. The state of one is
    "gone" since its last reading was taken back."""
    return connection.execute(_SOME_TRIALS, {"ids": ids}).all()


def trials(connection: Connection, series_id: UUID) -> Sequence[Row[Any]]:
    """The trials of a series in order, without those that are gone."""
    return connection.execute(_TRIALS, {"series": series_id}).all()


def last_trial(connection: Connection, series_id: UUID) -> Row[Any] | None:
    """The last trial of a series (id, number, swapped), None where it has none."""
    query: Any = (
        select(Trial.id, Trial.number, Trial.swapped)
        .where(Trial.series_id == series_id, Trial.state != "gone")
        .order_by(Trial.number.desc())
        .limit(1)
    )
    return connection.execute(query).first()


def placed_readings(connection: Connection, trial_id: UUID) -> Sequence[Row[Any]]:
    """The readings of a trial with the names of their caliper and bench, and their slots."""
    return connection.execute(
        SHOWN_READINGS.add_columns(TrialReading.slot)
        .join(TrialReading, TrialReading.reading_id == Reading.id)
        .where(TrialReading.trial_id == trial_id)
    ).all()


def complete_trials(
    connection: Connection, series: Collection[UUID]
) -> tuple[dict[UUID, list[Row[Any]]], dict[UUID, list[Row[Any]]]]:
    """The complete trials of many series by series (id, series_id, state, visit), in order, and
    their readings by trial."""
    complete = Trial.series_id.in_(series) & (Trial.state == "complete")
    found: dict[UUID, list[Row[Any]]] = defaultdict(list)
    query: Any = (
        select(Trial.id, Trial.series_id, Trial.state, Trial.visit)
        .where(complete)
        .order_by(Trial.series_id, Trial.number)
    )
    for row in connection.execute(query):
        found[row.series_id].append(row)
    return found, _by_trial(connection.execute(_PLACED.where(complete)))


def readings_of_trials(connection: Connection, ids: Collection[UUID]) -> dict[UUID, list[Row[Any]]]:
    """The readings of each of these trials, in slot order."""
    return _by_trial(connection.execute(_OF_TRIALS, {"ids": ids}))


def readings_of_series(connection: Connection, series_id: UUID) -> dict[UUID, list[Row[Any]]]:
    """The readings of each trial of a series, in slot order."""
    return _by_trial(connection.execute(_OF_SERIES, {"series": series_id}))


def _by_trial(rows: Iterable[Row[Any]]) -> dict[UUID, list[Row[Any]]]:
    found: dict[UUID, list[Row[Any]]] = defaultdict(list)
    for row in rows:
        found[row.trial_id].append(row)
    return found


_SOME: Final = Trial.id.in_(bindparam("ids", expanding=True))
_SOME_TRIALS: Final = (
    select(Trial.__table__, Series.method, Series.method_data)
    .join(Series, Series.id == Trial.series_id)
    .where(_SOME)
)
_TRIALS: Final = (
    select(Trial.__table__)
    .where(Trial.series_id == bindparam("series"), Trial.state != "gone")
    .order_by(Trial.number)
)
_PLACED: Any = (
    select(
        TrialReading.trial_id,
        TrialReading.slot,
        TrialReading.place,
        Reading.id,
        Reading.sent,
        READ_UNIT,
        READ_NM,
        Reading.origin,
        Reading.taken_at,
        Caliper.shown.label("caliper"),
    )
    .join(Trial, Trial.id == TrialReading.trial_id)
    .join(Reading, Reading.id == TrialReading.reading_id)
    .join(Caliper, Caliper.id == Reading.caliper_id)
    .order_by(TrialReading.trial_id, TrialReading.slot)
)
_OF_TRIALS: Final = _PLACED.where(_SOME)
_OF_SERIES: Final = _PLACED.where(Trial.series_id == bindparam("series"))
