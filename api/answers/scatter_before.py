"""What a stop's own earlier series say of how its trials scatter."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import islice
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row, Select, func, literal, select
from sqlalchemy.orm import aliased

from analysis.methods import Quantity
from analysis.sequential import EarlierScatter, earlier_scatter
from analysis.spread import summary
from api.answers.moments import day
from api.store.rows.calipers import shown_names
from api.store.tables import Series, SetupChange, Trial

FAR_ENOUGH_BACK: Final = 10
"""Series to look back over; further back would not help."""

# The latest series tell the scatter as it is now; so many are enough.
_FOR_SCATTER: Final = 5
# The hand's part of the scatter is smaller on a longer cut: one longer than this tells too little.
_LONGER: Final = 1.1


_AT_FIRST: Final = literal(datetime.min.replace(tzinfo=UTC), Series.started_at.type)


def _before(series: Sequence[UUID]) -> Select[Any]:
    """The latest earlier series at the stop of each of `series` (`later`), by the same method and
    side of the strip, since the machine's last setup change; the latest first."""
    later = aliased(Series)
    since = (
        select(func.max(SetupChange.at))
        .where(
            SetupChange.machine_id == later.machine_id,
            SetupChange.at <= later.started_at,
            SetupChange.withdrawn_at.is_(None),
        )
        .correlate(later)
        .scalar_subquery()
    )
    latest_first = (Series.started_at.desc(), Series.id.desc())
    back = func.row_number().over(partition_by=later.id, order_by=latest_first)
    ranked = (
        select(later.id.label("later"), Series.id.label("earlier"), back.label("back"))
        .join(
            Series,
            (Series.machine_id == later.machine_id)
            & (Series.stop_id == later.stop_id)
            & (Series.method == later.method)
            & (Series.strip_side == later.strip_side)
            & (Series.started_at < later.started_at)
            & (Series.started_at >= func.coalesce(since, _AT_FIRST)),
        )
        .where(later.id.in_(series))
        .subquery()
    )
    return (
        select(Series.__table__, ranked.c.later)
        .join(ranked, ranked.c.earlier == Series.id)
        .where(ranked.c.back <= FAR_ENOUGH_BACK)
        .order_by(*latest_first)
    )


def tell_scatter(earlier: Row[Any], series: Row[Any]) -> bool:
    """Whether trials of `earlier`, a series of the same machine, method and side of the strip,
    scatter as those of `series` if the machine does: they were read as often, by the same person,
    and on no longer a cut."""
    same = all(
        getattr(earlier, name) == getattr(series, name)
        for name in ("method_data", "repeats", "person", "pieces")
    )
    return same and all(
        then is None or (now is not None and then <= _LONGER * now)
        for then, now in (
            (earlier.baseline_nm, series.baseline_nm),
            (earlier.thickness_nm, series.thickness_nm),
        )
    )


Scatter = Mapping[Quantity, tuple[int, float]]
"""Of one series, by quantity: its trials, and their standard deviation in radians or mm."""


def pooled_scatter(
    earlier: Iterable[tuple[Row[Any], Scatter]],
) -> dict[Quantity, EarlierScatter]:
    """By quantity, the scatter of the first few of these series, the latest first."""
    chosen = list(islice((each for each in earlier if each[1]), _FOR_SCATTER))
    if not chosen:
        return {}
    since = day(chosen[-1][0].started_at)
    found = {}
    for quantity in chosen[0][1]:
        told = (scatter[quantity] for _, scatter in chosen if quantity in scatter)
        if (pooled := earlier_scatter(told, since)) is not None:
            found[quantity] = pooled
    return found


def scatter_before(
    connection: Connection, asked: Sequence[tuple[Row[Any], Iterable[str]]]
) -> list[dict[Quantity, EarlierScatter]]:
    """What the earlier series at the stop of each series that is asked about, since the last setup
    change, say of the scatter of its trials; with the calipers that it was read with."""
    before: dict[UUID, list[Row[Any]]] = {series.id: [] for series, _ in asked}
    of = {series.id: series for series, _ in asked}
    if asked:
        for row in connection.execute(_before(list(of))):
            if tell_scatter(row, of[row.later]):
                before[row.later].append(row)
    ids = {row.id for rows in before.values() for row in rows}
    if not ids:
        return [{} for _ in asked]
    trials: Iterable[Row[Any]] = connection.execute(
        select(
            Trial.series_id, Trial.calipers, Trial.angle_deg, Trial.tilt_deg, Trial.length_mm
        ).where(Trial.series_id.in_(ids), Trial.state == "complete")
    )
    read: dict[UUID, list[Row[Any]]] = defaultdict(list)
    for trial in trials:
        read[trial.series_id].append(trial)
    shown = shown_names(connection)
    return [
        pooled_scatter(
            (row, _scatter(read[row.id]))
            for row in before[series.id]
            if frozenset(calipers)
            == {shown.get(name, name) for trial in read[row.id] for name in trial.calipers}
        )
        for series, calipers in asked
    ]


def _scatter(trials: Sequence[Row[Any]]) -> Scatter:
    found: dict[Quantity, tuple[int, float]] = {}
    values: dict[Quantity, list[float]] = {
        "angle": [math.radians(t.angle_deg) for t in trials if t.angle_deg is not None],
        "tilt": [math.radians(t.tilt_deg) for t in trials if t.tilt_deg is not None],
        "length": [t.length_mm for t in trials if t.length_mm is not None],
    }
    for quantity, of in values.items():
        told = summary(of)
        if told.sd is not None:
            found[quantity] = (told.n, told.sd)
    return found
