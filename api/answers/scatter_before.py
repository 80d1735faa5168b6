"""What a machine's own earlier series say of how its trials scatter."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from typing import Any, Final
from uuid import UUID

from sqlalchemy import ColumnElement, Connection, Row, func, or_, select

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


def _of_this_setup(series: Row[Any]) -> tuple[ColumnElement[bool], ...]:
    """The earlier series of the same machine since its last setup change before `series`."""
    since = (
        select(func.max(SetupChange.at))
        .where(
            SetupChange.machine_id == series.machine_id,
            SetupChange.at <= series.started_at,
            SetupChange.withdrawn_at.is_(None),
        )
        .scalar_subquery()
    )
    return (
        Series.machine_id == series.machine_id,
        Series.started_at < series.started_at,
        or_(since.is_(None), Series.started_at >= since),
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
    connection: Connection, series: Row[Any], calipers: Iterable[str]
) -> dict[Quantity, EarlierScatter]:
    """What this machine's own earlier series, since its last setup change, say of the scatter of a
    trial of `series`, which was read with these calipers."""
    rows = connection.execute(
        select(Series.__table__)
        .where(
            *_of_this_setup(series),
            Series.method == series.method,
            Series.strip_side == series.strip_side,
        )
        .order_by(Series.started_at.desc(), Series.id.desc())
        .limit(FAR_ENOUGH_BACK)
    ).all()
    rows = [row for row in rows if tell_scatter(row, series)]
    if not rows:
        return {}
    trials: Iterable[Row[Any]] = connection.execute(
        select(
            Trial.series_id, Trial.calipers, Trial.angle_deg, Trial.tilt_deg, Trial.length_mm
        ).where(Trial.series_id.in_([row.id for row in rows]), Trial.state == "complete")
    )
    read: dict[UUID, list[Row[Any]]] = defaultdict(list)
    for trial in trials:
        read[trial.series_id].append(trial)
    same, shown = frozenset(calipers), shown_names(connection)
    return pooled_scatter(
        (row, _scatter(read[row.id]))
        for row in rows
        if same == {shown.get(name, name) for trial in read[row.id] for name in trial.calipers}
    )


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
