"""Many series at once: their rows, and the stored values of their complete trials."""

from __future__ import annotations

import json
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Row, select

from api.store import statements
from api.store.rows.calipers import shown_names
from api.store.rows.series import READ_UNIT, SERIES
from api.store.tables import Machine, Reading, Series, Trial, TrialReading, Work, texts_read

Chosen = ColumnElement[bool]
"""Which series are asked for."""


def of_machine(machine_id: UUID) -> Chosen:
    """All series of a machine."""
    return Series.machine_id == machine_id


def with_ids(ids: Collection[UUID]) -> Chosen:
    """The series with these ids."""
    return Series.id.in_(ids)


def latest(connection: Connection, *, but: Collection[str]) -> list[UUID]:
    """Of each stop, method and side of the strip the latest series with a complete trial; none
    by the methods `but`."""
    kinds = (
        select(Series.machine_id, Series.stop_id, Series.method, Series.strip_side)
        .where(Series.method.not_in(but))
        .distinct()
        .subquery()
    )
    complete = select(Trial.id).where(Trial.series_id == Series.id, Trial.state == "complete")
    newest = (
        select(Series.id)
        .where(
            Series.machine_id == kinds.c.machine_id,
            Series.stop_id == kinds.c.stop_id,
            Series.method == kinds.c.method,
            Series.strip_side == kinds.c.strip_side,
            complete.exists(),
        )
        .order_by(Series.started_at.desc(), Series.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    found = connection.scalars(select(newest).select_from(kinds))
    return [series for series in found if series is not None]


def series(connection: Connection, chosen: Chosen) -> Sequence[Row[Any]]:
    """Rows of `tables.Series`, the oldest first, with the machine's name and kind, the work's name,
    and `key`: the id as `complete_trials` gives it."""
    return connection.execute(
        SERIES.add_columns(
            statements.as_sent(Series.id).label("key"),
            Machine.name.label("machine_name"),
            Machine.kind.label("machine_kind"),
            Work.name.label("work"),
        )
        .join(Machine, Machine.id == Series.machine_id)
        .outerjoin(Work, Work.id == Series.work_id)
        .where(chosen)
        .order_by(Series.started_at, Series.id)
    ).all()


def complete_trials(connection: Connection, chosen: Chosen) -> Sequence[tuple[Any, ...]]:
    """Of each complete trial, in the order of `series` and by number: its series' key, angle_deg,
    tilt_deg, length_mm, readings_mm, visit, and calipers as `tables.texts_read` takes them."""
    found = statements.tuples(
        connection,
        select(
            statements.as_sent(Trial.series_id),
            Trial.angle_deg,
            Trial.tilt_deg,
            Trial.length_mm,
            Trial.readings_mm,
            Trial.visit,
            statements.as_sent(Trial.calipers),
        )
        .join(Series, Series.id == Trial.series_id)
        .where(chosen, Trial.state == "complete")
        .order_by(Series.started_at, Series.id, Trial.number),
    )
    shown = shown_names(connection)
    if not shown:
        return found
    return [
        (
            *trial[:-1],
            json.dumps(list(dict.fromkeys(shown.get(c, c) for c in texts_read(trial[-1])))),
        )
        for trial in found
    ]


def sent(connection: Connection, series: Collection[UUID]) -> Sequence[Row[Any]]:
    """series_id, sent and unit of the readings of complete trials."""
    query: Any = (
        select(Trial.series_id, Reading.sent, READ_UNIT)
        .join(TrialReading, TrialReading.trial_id == Trial.id)
        .join(Reading, Reading.id == TrialReading.reading_id)
        .where(Trial.series_id.in_(series), Trial.state == "complete")
    )
    return connection.execute(query).all()


def begun(connection: Connection, methods: Collection[str]) -> list[datetime]:
    """When the series by `methods` began, the oldest first."""
    return sorted(connection.scalars(select(Series.started_at).where(Series.method.in_(methods))))
