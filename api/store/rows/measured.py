"""Series that have complete trials, for a person to choose from."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, exists, func, select

from api.store.rows.series import SERIES
from api.store.tables import Bench, Machine, Series, Trial

_OF_SERIES = (Trial.series_id == Series.id) & (Trial.state == "complete")
_MEASURED = exists().where(_OF_SERIES).correlate(Series)
_LATEST_FIRST = (Series.started_at.desc(), Series.id.desc())


def latest_measured(
    connection: Connection, methods: Collection[str], limit: int
) -> Sequence[Row[Any]]:
    """Columns of `tables.Series`, those of its stop, `machine_name`, and `trials`, how many are
    complete; of series by one of `methods`. The latest first."""
    # Counted for each series that is listed, not over every trial there is.
    trials = select(func.count()).where(_OF_SERIES).correlate(Series).scalar_subquery()
    return connection.execute(
        SERIES.add_columns(Machine.name.label("machine_name"), trials.label("trials"))
        .join(Machine, Machine.id == Series.machine_id)
        .where(Series.method.in_(methods), _MEASURED)
        .order_by(*_LATEST_FIRST)
        .limit(limit)
    ).all()


def latest_of_machine(
    connection: Connection, machine: UUID, methods: Collection[str]
) -> UUID | None:
    """The machine's latest measured series by one of `methods`."""
    return connection.scalar(
        select(Series.id)
        .where(Series.machine_id == machine, Series.method.in_(methods), _MEASURED)
        .order_by(*_LATEST_FIRST)
        .limit(1)
    )


def latest_of_each_machine(
    connection: Connection, methods: Collection[str]
) -> list[tuple[Row[Any], str]]:
    """Of each machine the latest series by one of `methods` with two complete trials or more, as
    id and started_at, and the machine's name; the latest first."""
    two = select(Trial.id).where(_OF_SERIES).limit(2).correlate(Series).subquery()
    # Machine by machine, from the latest series back, without counting every trial.
    latest = (
        select(Series.id)
        .where(
            Series.machine_id == Machine.id,
            Series.method.in_(methods),
            select(func.count()).select_from(two).scalar_subquery() == 2,
        )
        .order_by(*_LATEST_FIRST)
        .limit(1)
        .correlate(Machine)
        .scalar_subquery()
    )
    names = {
        series: name for name, series in connection.execute(select(Machine.name, latest)) if series
    }
    # A query of its own: joined, it would be evaluated for every series.
    found: Any = (
        select(Series.id, Series.started_at).where(Series.id.in_(names)).order_by(*_LATEST_FIRST)
    )
    return [(row, names[row.id]) for row in connection.execute(found)]


def running(connection: Connection) -> set[UUID]:
    """The series that a bench feeds now."""
    fed = select(Bench.series_id).where(Bench.series_id.is_not(None))
    return {series for series in connection.scalars(fed) if series is not None}
