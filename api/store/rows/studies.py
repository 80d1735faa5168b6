"""The readings of studies of calipers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, Row, select

from api.store.rows.series import READ_NM, READ_UNIT
from api.store.tables import Caliper, Reading, Series, Trial, TrialReading


def study_readings(
    connection: Connection, calipers: Collection[str], methods: Collection[str]
) -> defaultdict[tuple[str, str], list[Row[Any]]]:
    """The readings that `calipers` took for series of `methods`, in the order they were taken, by
    caliper and method; only those of complete trials."""
    found: defaultdict[tuple[str, str], list[Row[Any]]] = defaultdict(list)
    # A query of its own, so that the readings of other series are not scanned.
    studies = list(connection.scalars(select(Series.id).where(Series.method.in_(methods))))
    if not calipers or not studies:
        return found
    query: Any = (
        select(
            Series.id.label("series"),
            Series.method,
            Series.started_at,
            Series.machine_id,
            Series.person,
            Series.repeats,
            Series.baseline_nm,
            Series.baseline_within,
            Series.unit.label("series_unit"),
            Series.tolerance_length,
            Trial.number,
            READ_NM,
            Reading.sent,
            READ_UNIT,
            Caliper.shown.label("caliper"),
        )
        .join(Trial, Trial.series_id == Series.id)
        .join(TrialReading, TrialReading.trial_id == Trial.id)
        .join(Reading, Reading.id == TrialReading.reading_id)
        .join(Caliper, Caliper.id == Reading.caliper_id)
        .where(
            Trial.series_id.in_(studies),
            Trial.state == "complete",
            Caliper.shown.in_(list(calipers)),
        )
        .order_by(Series.started_at, Series.id, Trial.number, TrialReading.slot)
    )
    for row in connection.execute(query):
        found[row.caliper, row.method].append(row)
    return found
