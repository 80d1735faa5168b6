"""What the studies of one caliper say, one after the other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis.caliper_study import (
    BlockCheck,
    CaliperStudy,
    Component,
    crossed,
    known_block,
    same_spot,
    several_spots,
)
from analysis.comparison import Difference
from analysis.interval import Interval
from analysis.units import NM_PER_UNIT, Unit, mm, parse_length
from api.answers.studies import KNOWN_BLOCK, SAME_SPOT, study_readings
from api.store.facts import resolution_mm
from api.web.shapes import IntervalOut, Out

# Series closer together than this are one study: the same spots by several people, or
# blocks of several sizes.
_TOGETHER: Final = timedelta(hours=12)


class ComponentOut(Out):
    """A source of scatter: its standard deviation in mm and its interval. `hidden`: the rest
    hides it, so it is given as zero."""

    sd: float
    interval: IntervalOut
    hidden: bool


class SpotStudyOut(Out):
    """A same-spot study: one series, or several people's of the same spots.

    repeatability: equipment variation (ISO 5725-2; ASTM E2782), the rest as there: null where
    the study was not laid out to tell it. tolerance_fraction: 6 gauge / tolerance, of
    `tolerance_mm` from end to end. distinct_categories: sizes of these spots told apart.
    """

    series: list[UUID]
    started_at: datetime
    people: list[str]
    spots: int
    readings: int
    repeatability: ComponentOut | None
    repeatability_degrees_of_freedom: int | None
    reproducibility: ComponentOut | None
    gauge: ComponentOut | None
    parts: ComponentOut | None
    distinct_categories: int | None
    tolerance_mm: float | None
    tolerance_fraction: float | None
    tolerance_fraction_interval: IntervalOut | None
    sentence: str
    laid_out: str


class EstimateOut(Out):
    """An estimate with its expanded uncertainty at 95 %, null where too few readings tell it."""

    estimate: float
    standard_uncertainty: float | None
    expanded_uncertainty: float | None


class BlockOut(Out):
    """One block: its stated size, and how far the caliper read off it, in mm."""

    series: list[UUID]
    size_mm: float
    readings: int
    error: EstimateOut


class BlockCheckOut(Out):
    """Known blocks read together: reading = offset + (1 + scale) * size.

    offset in mm; scale is a ratio, null with blocks of one size. The blocks' stated sizes
    are taken as exact.
    """

    series: list[UUID]
    started_at: datetime
    blocks: list[BlockOut]
    readings: int
    offset: EstimateOut | None
    scale: EstimateOut | None
    residual_sd_mm: float | None
    sentence: str


class CaliperStudiesOut(Out):
    """The studies of a caliper, the oldest first. `blocks_now`: of each size the latest."""

    name: str
    same_spot: list[SpotStudyOut]
    known_block: list[BlockCheckOut]
    blocks_now: BlockCheckOut | None


@dataclass(frozen=True, slots=True)
class _Series:
    """One caliper's readings of one study series."""

    rows: tuple[Row[Any], ...]

    @property
    def head(self) -> Row[Any]:
        return self.rows[0]

    @property
    def spots(self) -> tuple[tuple[int, ...], ...]:
        """Readings in nm, spot by spot: with repeats each trial is another spot."""
        if self.head.repeats == 1:
            return (tuple(row.nm for row in self.rows),)
        spots: dict[int, list[int]] = {}
        for row in self.rows:
            spots.setdefault(row.number, []).append(row.nm)
        # Where another caliper took a turn, the spot is not wholly this one's.
        return tuple(tuple(s) for s in spots.values() if len(s) == self.head.repeats)


def caliper_studies(
    connection: Connection, caliper: str, tolerance_mm: float | None = None
) -> CaliperStudiesOut:
    """Every study of `caliper`; none of a caliper that nobody studied.

    tolerance_mm: the whole width of what is to be judged with it; without one, that of each
    series' own tolerance.
    """
    readings = study_readings(connection, [caliper])
    spots = _series(readings[caliper, SAME_SPOT])
    blocks = _series(readings[caliper, KNOWN_BLOCK])
    latest = {each.head.baseline_nm: each for each in blocks if each.head.baseline_nm}
    return CaliperStudiesOut(
        name=caliper,
        same_spot=[_spot_study(study, tolerance_mm) for study in _by_people(spots)],
        known_block=[_block_check(check) for check in _by_size(blocks)],
        blocks_now=_block_check(list(latest.values())) if latest else None,
    )


def latest_studies(
    connection: Connection, calipers: Sequence[str]
) -> dict[str, tuple[SpotStudyOut | None, BlockCheckOut | None]]:
    """The latest same-spot study of each caliper, and its known blocks, of each size the
    latest."""
    readings = study_readings(connection, calipers)
    found = {}
    for name in calipers:
        spots = _by_people(_series(readings[name, SAME_SPOT]))
        blocks = {
            each.head.baseline_nm: each
            for each in _series(readings[name, KNOWN_BLOCK])
            if each.head.baseline_nm
        }
        found[name] = (
            _spot_study(spots[-1], None) if spots else None,
            _block_check(list(blocks.values())) if blocks else None,
        )
    return found


def _series(rows: Iterable[Row[Any]]) -> list[_Series]:
    by_series: dict[UUID, list[Row[Any]]] = {}
    for row in rows:
        by_series.setdefault(row.series, []).append(row)
    return [_Series(tuple(found)) for found in by_series.values()]


def _by_people(series: Iterable[_Series]) -> list[list[_Series]]:
    """Series that follow each other within hours, each by another named person, on the same
    machine's strips and laid out alike, are one study of the same spots."""
    studies: list[list[_Series]] = []
    for each in series:
        head = each.head
        before = studies[-1] if studies else []
        together = (
            bool(before)
            and head.person is not None
            and all(b.head.person not in (None, head.person) for b in before)
            and (before[0].head.machine_id, before[0].head.repeats)
            == (head.machine_id, head.repeats)
            and head.started_at - before[-1].head.started_at <= _TOGETHER
        )
        if together:
            before.append(each)
        else:
            studies.append([each])
    return studies


def _by_size(series: Iterable[_Series]) -> list[list[_Series]]:
    """Series that follow each other within hours, each of another size, are one check."""
    checks: list[list[_Series]] = []
    for each in series:
        head = each.head
        if head.baseline_nm is None:
            continue
        before = checks[-1] if checks else []
        if (
            before
            and all(b.head.baseline_nm != head.baseline_nm for b in before)
            and head.started_at - before[-1].head.started_at <= _TOGETHER
        ):
            before.append(each)
        else:
            checks.append([each])
    return checks


def _spot_study(study: Sequence[_Series], tolerance_mm: float | None) -> SpotStudyOut:
    head = study[0].head
    unit: Unit = head.series_unit
    if tolerance_mm is None and head.tolerance_length is not None:
        tolerance_mm = 2 * mm(parse_length(head.tolerance_length, unit))
    found = _studied(tuple(each.spots for each in study), tolerance_mm, unit)
    result = found.study
    return SpotStudyOut(
        series=[each.head.series for each in study],
        started_at=head.started_at,
        people=[each.head.person for each in study if each.head.person],
        spots=found.spots,
        readings=result.readings,
        repeatability=_component(result.repeatability, unit),
        repeatability_degrees_of_freedom=result.table[-1].df if result.table else None,
        reproducibility=_component(result.reproducibility, unit),
        gauge=_component(result.gauge, unit),
        parts=_component(result.parts, unit),
        distinct_categories=result.distinct_categories,
        tolerance_mm=tolerance_mm,
        tolerance_fraction=result.tolerance_fraction,
        tolerance_fraction_interval=_interval(result.tolerance_fraction_interval),
        sentence=result.sentence,
        laid_out=found.laid_out,
    )


@dataclass(frozen=True, slots=True)
class _Studied:
    study: CaliperStudy
    spots: int
    laid_out: str


@lru_cache(maxsize=512)
def _studied(
    people: tuple[tuple[tuple[int, ...], ...], ...], tolerance_mm: float | None, unit: Unit
) -> _Studied:
    """people: for each person the readings in nm, spot by spot."""
    per = NM_PER_UNIT[unit]
    tolerance = None if tolerance_mm is None else tolerance_mm * NM_PER_UNIT["mm"] / per
    spots = min(len(person) for person in people)
    lengths = [[[nm / per for nm in spot] for spot in person[:spots]] for person in people]
    if len(lengths) > 1 and spots > 1:
        by_part = list(zip(*lengths, strict=True))  # parts by people by repeats
        study = crossed(by_part, tolerance=tolerance, unit=unit)
        left = max(len(person) for person in people) - spots
        laid_out = f"{len(lengths)} people read the same {spots} spots, in the same order"
        if left:
            laid_out += "; spots that not all of them read are left out"
        return _Studied(study, spots, laid_out)
    if spots > 1:
        return _Studied(
            several_spots(lengths[0], tolerance=tolerance, unit=unit),
            spots,
            f"one person read {spots} spots, each several times",
        )
    study = same_spot(
        [spot for person in lengths for spot in person], tolerance=tolerance, unit=unit
    )
    laid_out = "one spot, one person"
    if len(lengths) > 1:
        laid_out = f"one spot, the same for {len(lengths)} people"
    return _Studied(study, 1, laid_out)


def _block_check(check: Sequence[_Series]) -> BlockCheckOut:
    last = max(check, key=lambda each: each.head.started_at)
    unit: Unit = last.head.series_unit
    per = NM_PER_UNIT[unit] / NM_PER_UNIT["mm"]
    result = _checked(tuple(map(_read, check)), unit)
    return BlockCheckOut(
        series=[each.head.series for each in check],
        started_at=last.head.started_at,
        blocks=[
            BlockOut(
                series=[each.head.series],
                size_mm=mm(each.head.baseline_nm),
                readings=len(each.rows),
                error=_estimate(_checked((_read(each),), unit).offset, per),
            )
            for each in sorted(check, key=lambda each: each.head.baseline_nm)
        ],
        readings=result.readings,
        offset=_estimate(result.offset, per),
        scale=None if result.scale is None else _estimate(result.scale, 1.0),
        residual_sd_mm=None if result.residual_sd is None else result.residual_sd * per,
        sentence=result.sentence,
    )


_Read = tuple[int, tuple[tuple[int, str, Unit], ...]]


def _read(series: _Series) -> _Read:
    """The block's size, and each reading in nm, as sent, with its unit."""
    return series.head.baseline_nm, tuple((r.nm, r.sent, r.unit) for r in series.rows)


@lru_cache(maxsize=512)
def _checked(blocks: tuple[_Read, ...], unit: Unit) -> BlockCheck:
    per = NM_PER_UNIT[unit]
    readings = [(size, *one) for size, of_size in blocks for one in of_size]
    sent = [(text, of) for _, _, text, of in readings]
    return known_block(
        [size / per for size, *_ in readings],
        [nm / per for _, nm, *_ in readings],
        resolution=resolution_mm(sent) * NM_PER_UNIT["mm"] / per,
        unit=unit,
    )


def _estimate(found: Difference | None, per: float) -> EstimateOut:
    assert found is not None  # a block that was read has an error
    u, interval = found.standard_error, found.interval
    return EstimateOut(
        estimate=found.estimate * per,
        standard_uncertainty=None if u is None else u * per,
        expanded_uncertainty=None if interval is None else interval.half_width * per,
    )


def _component(found: Component | None, unit: Unit) -> ComponentOut | None:
    if found is None:
        return None
    per = NM_PER_UNIT[unit] / NM_PER_UNIT["mm"]
    low, high = found.interval.low * per, found.interval.high * per
    interval = IntervalOut(low=low, high=high, level=found.interval.level)
    return ComponentOut(sd=found.sd * per, interval=interval, hidden=found.hidden)


def _interval(found: Interval | None) -> IntervalOut | None:
    if found is None:
        return None
    return IntervalOut(low=found.low, high=found.high, level=found.level)
