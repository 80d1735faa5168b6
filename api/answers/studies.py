"""What studies show of a series' calipers: how well they repeat, and their scale.

A same-spot series shows the repeatability of caliper and hand; known blocks of two sizes or
more show the caliper's zero and scale. A score takes them instead of what is usual.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis.caliper_study import known_block, same_spot
from analysis.facts import SeriesFacts
from analysis.uncertainty import rounding
from analysis.units import mm
from api.store.facts import resolution_mm, standard_u
from api.store.rows.studies import study_readings

SAME_SPOT: Final = "same-spot"
KNOWN_BLOCK: Final = "known-block"
STUDY_METHODS: Final = (SAME_SPOT, KNOWN_BLOCK)


@dataclass(frozen=True, slots=True)
class StudySource:
    """A series that a study rests on."""

    series: UUID
    started_at: datetime


@dataclass(frozen=True, slots=True)
class Study:
    """What is known of the calipers that measured; None where one of them was not studied.

    repeatability_mm: standard deviation of one reading by caliper and hand, with
    repeatability_df degrees of freedom. scale_u (relative) and zero_u_mm: standard
    uncertainties of the uncorrected scale, and of the uncorrected error at zero_at_mm, the
    blocks' mean size, where the two are uncorrelated. Of several calipers the worst counts.
    """

    repeatability_mm: float | None = None
    repeatability_df: float | None = None
    scale_u: float | None = None
    zero_u_mm: float | None = None
    zero_at_mm: float = 0.0
    same_spot: tuple[StudySource, ...] = ()
    known_block: tuple[StudySource, ...] = ()

    def apply_to(self, facts: SeriesFacts) -> SeriesFacts:
        """`facts` with the study's results in place of the usual values."""
        return replace(
            facts,
            repeatability_mm=self.repeatability_mm,
            repeatability_df=self.repeatability_df,
            scale_u=self.scale_u,
            zero_u_mm=self.zero_u_mm,
            zero_at_mm=self.zero_at_mm,
        )


def study_of(connection: Connection, calipers: Collection[str], at: datetime) -> Study:
    """What is known of `calipers` for something measured at `at`.

    Of each caliper counts the latest same-spot series up to `at`, or else the first one after
    it, that says anything; and so, size by size, its known blocks. Nothing known, or no
    calipers: an empty study.

    Repeatability: pooled within spots (ISO 5725-2, 7.4), but no less than the rounding of one
    reading, count / sqrt(12): readings all alike hide a hand steadier than that. Scale and
    zero: least squares through the blocks; what was found but is not corrected enters with
    its own uncertainty, sqrt(estimate^2 + u^2) (JCGM 100, F.2.4.5: an effect that is not
    corrected widens the uncertainty). A block's stated size enters with the bound that
    its series gives, and is else taken as exact: a workshop block is good to a tenth of what the
    finest caliper counts.
    """
    readings = study_readings(connection, calipers, STUDY_METHODS)
    spots = [_spot(_in_order(readings[name, SAME_SPOT], at)) for name in calipers]
    blocks = [_blocks(_in_order(readings[name, KNOWN_BLOCK], at)) for name in calipers]
    hand = scale = Study()
    if spots and all(spots):
        hand = max((s for s in spots if s), key=lambda s: s.repeatability_mm or 0.0)
    if blocks and all(blocks):
        known = [b for b in blocks if b]
        size = sum(b.zero_at_mm for b in known) / len(known)
        scale = Study(
            scale_u=max(b.scale_u or 0.0 for b in known),
            zero_u_mm=max(_error_u(b, size) for b in known),
            zero_at_mm=size,
            known_block=_once(source for b in known for source in b.known_block),
        )
    return replace(
        scale,
        repeatability_mm=hand.repeatability_mm,
        repeatability_df=hand.repeatability_df,
        same_spot=hand.same_spot,
    )


def _error_u(study: Study, size_mm: float) -> float:
    """Standard uncertainty of a caliper's error at another size than its blocks' mean."""
    return math.hypot(study.zero_u_mm or 0.0, (study.scale_u or 0.0) * (size_mm - study.zero_at_mm))


_Rows = Sequence[Row[Any]]


def _in_order(rows: _Rows, at: datetime) -> list[_Rows]:
    """The readings of each series, the preferred series first."""
    by_series: dict[UUID, list[Row[Any]]] = {}
    for row in rows:
        by_series.setdefault(row.series, []).append(row)
    series = list(by_series.values())
    before = [s for s in series if s[0].started_at <= at]
    after = [s for s in series if s[0].started_at > at]
    return [*reversed(before), *after]


def _spot(series: Iterable[_Rows]) -> Study | None:
    for rows in series:
        spots: dict[int, list[float]] = defaultdict(list)
        for row in rows:
            # Read once for each trial, all trials are of the one spot; else each has its own.
            spots[row.number if row.repeats > 1 else 0].append(mm(row.nm))
        found = same_spot(list(spots.values()))
        if found.repeatability is not None:
            count = resolution_mm([(row.sent, row.unit) for row in rows])
            return Study(
                repeatability_mm=max(found.repeatability.sd, rounding(count)),
                repeatability_df=float(found.table[-1].df),
                same_spot=(StudySource(rows[0].series, rows[0].started_at),),
            )
    return None


def _blocks(series: Iterable[_Rows]) -> Study | None:
    of_size: dict[int, _Rows] = {}
    for rows in series:
        if rows[0].baseline_nm is not None:
            of_size.setdefault(rows[0].baseline_nm, rows)
    if len(of_size) < 2:
        return None
    rows = [row for found in of_size.values() for row in found]
    check = known_block(
        [mm(row.baseline_nm) for row in rows],
        [mm(row.nm) for row in rows],
        block_u=[standard_u(row.baseline_within, row.series_unit) or 0.0 for row in rows],
        resolution=resolution_mm([(row.sent, row.unit) for row in rows]),
    )
    if check.at_mean is None or check.mean_size is None or check.scale is None:
        return None
    return Study(
        scale_u=math.hypot(check.scale.estimate, check.scale.standard_error or 0.0),
        zero_u_mm=math.hypot(check.at_mean.estimate, check.at_mean.standard_error or 0.0),
        zero_at_mm=check.mean_size,
        known_block=_once(StudySource(row.series, row.started_at) for row in rows),
    )


def _once(sources: Iterable[StudySource]) -> tuple[StudySource, ...]:
    """Each series once, in order of time."""
    return tuple(sorted(dict.fromkeys(sources), key=lambda s: (s.started_at, s.series)))
