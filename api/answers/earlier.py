"""What was found at a stop before a series, since the machine's last setup change."""

from __future__ import annotations

import math
from functools import cache
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, func, select

from analysis.doubts import Elsewhere
from analysis.methods import METHODS, Method, Quantity, Relation
from analysis.uncertainty import coverage_factor
from api.answers.checks import of_series
from api.store.facts import method_of
from api.store.tables import Series, SetupChange, Trial

# A series with fewer trials than this is not a finding to compare with.
_ENOUGH = 3
# Series to look back over; further back would not help.
_FAR_ENOUGH_BACK = 10


def _alike(method: Method, relation: Relation) -> bool:
    """Whether the method reveals the same lean as `relation`."""
    other = method.relation(relation.quantity)
    return other is not None and other.toward == relation.toward


def found_before(connection: Connection, series: Row[Any]) -> Elsewhere | None:
    """The mean, in radians, of the latest earlier series that shows the same of the stop, and
    its standard uncertainty, more where it is known by few trials; this is read from the same
    connection when it is asked for.

    Methods show the same when their first quantity is the same lean. Only series of at least
    three trials since the last setup change before `series` count, among the ten latest. None
    where there is none, or the quantity is a length.
    """
    relation = method_of(series).relations[0]
    if relation.quantity == "length":
        return None
    value = Trial.angle_deg if relation.quantity == "angle" else Trial.tilt_deg
    since = (
        select(func.max(SetupChange.at))
        .where(
            SetupChange.machine_id == series.machine_id,
            SetupChange.at <= series.started_at,
            SetupChange.withdrawn_at.is_(None),
        )
        .scalar_subquery()
    )
    # The user's own methods are checked below: SQL can't compare their relations.
    alike = [m.key for m in METHODS.values() if _alike(m, relation)]
    rows = connection.execute(
        select(Series.id, Series.method, Series.method_data)
        .where(
            Series.machine_id == series.machine_id,
            Series.stop_id == series.stop_id,
            Series.started_at < series.started_at,
            since.is_(None) | (Series.started_at >= since),
            Series.method.in_(alike) | Series.method_data.is_not(None),
        )
        .order_by(Series.started_at.desc())
        .limit(10 * _FAR_ENOUGH_BACK)
    ).all()
    latest = [row.id for row in rows if _alike(method_of(row), relation)][:_FAR_ENOUGH_BACK]
    before: Any = (
        select(Series.id, func.avg(value).label("mean"))
        .select_from(Trial)
        .join(Series, Series.id == Trial.series_id)
        .where(
            Trial.series_id.in_(latest),
            Trial.state == "complete",
            value.is_not(None),
        )
        .group_by(Series.id, Series.started_at)
        .having(func.count() >= _ENOUGH)
        .order_by(Series.started_at.desc())
        .limit(1)
    )
    found = connection.execute(before).first()
    if found is None:
        return None
    u = cache(lambda: _uncertainty(connection, found.id, relation.quantity))
    return Elsewhere(math.radians(found.mean), u)


def _uncertainty(connection: Connection, series: UUID, quantity: Quantity) -> float:
    """The standard uncertainty of what a series says; infinite where it says nothing."""
    checked = of_series(connection, series)
    check = None if checked is None else checked.checks.get(quantity)
    return math.inf if check is None else check.expanded / coverage_factor(math.inf)
