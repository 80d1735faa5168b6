"""What studies show of a series' calipers: how well they repeat, and their scale.

A same-spot series shows the repeatability of caliper and hand; known blocks of two sizes or
more show the caliper's zero and scale. A score takes them instead of what is usual.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis.caliper_study import HandStudy, hand_from, known_block, same_spot
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

    repeatability_mm: standard deviation of one reading by caliper and hand, with as many degrees
    of freedom, repeatability_df, as count now (`caliper_study.hand_from`). scale_u (relative) and
    zero_u_mm: standard uncertainties of the uncorrected scale, and of the uncorrected error at
    zero_at_mm, the blocks' mean size, where the two are uncorrelated; of several calipers the
    worst.
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


def study_of(
    connection: Connection, calipers: Collection[str], at: datetime, person: str | None = None
) -> Study:
    """What is known of `calipers`, in the hands of `person`, for something measured at `at`."""
    readings = study_readings(connection, calipers, STUDY_METHODS)
    return study_from(readings, calipers, at, person)


Readings = Mapping[tuple[str, str], Sequence[Row[Any]]]
"""The readings of studies, by caliper and method."""


def study_from(
    readings: Readings, calipers: Collection[str], at: datetime, person: str | None = None
) -> Study:
    """What the readings of studies say of `calipers` at `at`.

    Repeatability: all same-spot series of every caliper up to `at`, or where none before says
    anything, the first one after it, weighed by their readings, their age in months and whose hand
    it was (`caliper_study.hand_from`). Each is pooled within spots (ISO 5725-2, 7.4), but no less
    than the rounding of one reading, count / sqrt(12): readings all alike hide a hand steadier
    than that.
    Scale and zero: of each caliper its known blocks, size by size the latest series up to `at`, or
    else the first one after it; least squares through the blocks; what was found but is not
    corrected enters with its own uncertainty, sqrt(estimate^2 + u^2) (JCGM 100, F.2.4.5: an effect
    that is not corrected widens the uncertainty).
    Nothing known of one of the calipers, or no calipers: None there.
    """
    hands = [_hand(_in_order(readings[name, SAME_SPOT], at), at, person) for name in calipers]
    blocks = [_blocks(_in_order(readings[name, KNOWN_BLOCK], at)) for name in calipers]
    scale = Study()
    if blocks and all(blocks):
        known = [b for b in blocks if b]
        size = sum(b.zero_at_mm for b in known) / len(known)
        scale = Study(
            scale_u=max(b.scale_u or 0.0 for b in known),
            zero_u_mm=max(_error_u(b, size) for b in known),
            zero_at_mm=size,
            known_block=_once(source for b in known for source in b.known_block),
        )
    if not hands or not all(hands):
        return scale
    # Two calipers of one series are two hands: where they do not agree, less is known of either.
    hand = hand_from([each for each, _ in (h for h in hands if h)])
    return replace(
        scale,
        repeatability_mm=hand.sd,
        repeatability_df=hand.df,
        same_spot=_once(source for found in hands if found for source in found[1]),
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


def _hand(
    series: Sequence[_Rows], at: datetime, person: str | None
) -> tuple[HandStudy, list[StudySource]] | None:
    """What the same-spot series of one caliper say together, and which do."""
    found, sources = list[HandStudy](), list[StudySource]()
    for rows in series:
        if found and rows[0].started_at > at:
            break
        spots: dict[int, list[int]] = defaultdict(list)
        for row in rows:
            # Read once for each trial, all trials are of the one spot; else each has its own.
            spots[row.number if row.repeats > 1 else 0].append(row.nm)
        repeats = _repeats(tuple(map(tuple, spots.values())))
        if repeats is None:
            continue
        sd, df = repeats
        head = rows[0]
        count = resolution_mm([(row.sent, row.unit) for row in rows])
        another = None not in (person, head.person) and person != head.person
        found.append(HandStudy(max(sd, rounding(count)), df, _years(head.started_at, at), another))
        sources.append(StudySource(head.series, head.started_at))
    return (hand_from(found), sources) if found else None


def _years(then: datetime, at: datetime) -> float:
    """In whole months, so that what is known does not change from day to day."""
    return abs(12 * (at.year - then.year) + at.month - then.month) / 12


@lru_cache(maxsize=512)
def _repeats(spots: tuple[tuple[int, ...], ...]) -> tuple[float, float] | None:
    """Repeatability in mm and its degrees of freedom, from readings in nm, spot by spot."""
    found = same_spot([[mm(nm) for nm in spot] for spot in spots])
    if found.repeatability is None:
        return None
    return found.repeatability.sd, float(found.table[-1].df)


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
