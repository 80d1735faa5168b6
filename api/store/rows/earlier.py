"""What was read before a series began: what its stop usually shows, and its calipers send."""

from __future__ import annotations

import math
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, func, select

from analysis.guard import NO_LINES, Lines
from analysis.methods import Quantity
from analysis.units import Unit
from api.store.tables import Bench, Caliper, Reading, Series, Trial, TrialReading

# Further back would not help: a stop is as its latest series say, and what a caliper leaves out
# shows within a few dozen lines.
_SERIES: Final = 5
_READINGS: Final = 400

_LATEST: Final = (
    select(Series.id)
    .where(Series.stop_id == bindparam("stop"), Series.id != bindparam("series"))
    .order_by(Series.started_at.desc(), Series.id.desc())
    .limit(_SERIES)
)
_MEANS: Final = (
    select(func.avg(Trial.angle_deg), func.avg(Trial.tilt_deg))
    .where(Trial.series_id.in_(_LATEST), Trial.state == "complete")
    .group_by(Trial.series_id)
)
_LATEST_READINGS: Final = (
    select(Reading.id, Reading.caliper_id, Reading.unit, Reading.sent, Reading.origin)
    .where(Reading.bench_id == bindparam("bench"))
    .order_by(Reading.seq.desc())
    .limit(_READINGS)
    .subquery()
)
_LINES: Final = (
    select(
        Caliper.name,
        func.coalesce(TrialReading.unit, _LATEST_READINGS.c.unit),
        _LATEST_READINGS.c.sent,
    )
    .join(TrialReading, TrialReading.reading_id == _LATEST_READINGS.c.id)
    .join(Trial, Trial.id == TrialReading.trial_id)
    .join(Caliper, Caliper.id == _LATEST_READINGS.c.caliper_id)
    .where(
        Trial.series_id != bindparam("series"), _LATEST_READINGS.c.origin.in_(("button", "keys"))
    )
)


def usual(connection: Connection, series: Row[Any]) -> dict[Quantity, float]:
    """By quantity, how far from its stop the latest other series there were, in radians: the root
    of the mean square of their means. Empty where it has none."""
    means = connection.execute(_MEANS, {"stop": series.stop_id, "series": series.id}).all()
    found: dict[Quantity, float] = {}
    quantities: tuple[Quantity, Quantity] = ("angle", "tilt")
    for at, quantity in enumerate(quantities):
        of = [math.radians(row[at]) for row in means if row[at] is not None]
        if of:
            found[quantity] = math.sqrt(sum(each * each for each in of) / len(of))
    return found


def lines(connection: Connection, series: Row[Any]) -> dict[tuple[str, Unit], Lines]:
    """What each caliper of a series' bench sent in each unit, as its series reads it, of the latest
    readings there that count in other series."""
    found: dict[tuple[str, Unit], Lines] = {}
    said = {"bench": series.bench_id, "series": series.id}
    for caliper, unit, sent in connection.execute(_LINES, said):
        found[caliper, unit] = found.get((caliper, unit), NO_LINES).heard(sent)
    return found


def elsewhere(connection: Connection, bench_id: int) -> bool:
    """Whether the bench is on another computer, which hands its readings over: it compares its
    clock."""
    return (
        connection.scalar(
            select(Bench.id).where(Bench.id == bench_id, Bench.clock_behind_ms.is_not(None))
        )
        is not None
    )
