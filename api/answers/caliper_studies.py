"""The studies of one caliper, in order."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Row

from analysis.caliper_study import BlockCheck, Component, known_block
from analysis.difference import Difference
from analysis.interval import Interval
from analysis.spots import AnalysedStudy, spots_by_people
from analysis.units import NM_PER_UNIT, Unit, mm, parse_length
from api.answers.studies import KNOWN_BLOCK, SAME_SPOT, STUDY_METHODS
from api.store.facts import resolution_mm, standard_u
from api.store.rows.studies import study_readings

# Series closer together than this are one study: the same spots by several people, or
# blocks of several sizes.
_TOGETHER: Final = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class SpotStudy:
    """A same-spot study, in mm: one series, or several people's of the same spots.

    Each source of scatter, its degrees of freedom and what follows from it are None where the
    study's layout can't show them. tolerance_fraction: 6 gauge / tolerance, of
    `tolerance_mm` from end to end.
    """

    series: tuple[UUID, ...]
    started_at: datetime
    people: tuple[str, ...]
    spots: int
    readings: int
    repeatability: Component | None
    repeatability_degrees_of_freedom: int | None
    reproducibility: Component | None
    gauge: Component | None
    parts: Component | None
    distinct_categories: int | None
    tolerance_mm: float | None
    tolerance_fraction: float | None
    tolerance_fraction_interval: Interval | None
    sentence: str
    laid_out: str


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimate with its uncertainties, the expanded one at 95 %; None where too few readings
    tell them."""

    estimate: float
    standard_uncertainty: float | None
    expanded_uncertainty: float | None


@dataclass(frozen=True, slots=True)
class BlockError:
    """One block: its stated size, how far that may be off, None where it is not said, and how far
    the caliper read off it, in mm."""

    series: tuple[UUID, ...]
    size_mm: float
    size_within_mm: float | None
    readings: int
    error: Estimate


@dataclass(frozen=True, slots=True)
class BlockStudy:
    """Known blocks read together, by size: reading = offset + (1 + scale) * size.

    offset in mm; scale is a ratio, None with blocks of one size.
    """

    series: tuple[UUID, ...]
    started_at: datetime
    blocks: tuple[BlockError, ...]
    readings: int
    offset: Estimate
    scale: Estimate | None
    residual_sd_mm: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class CaliperStudies:
    """The studies of a caliper, the oldest first. blocks_now: the latest of each size."""

    name: str
    same_spot: tuple[SpotStudy, ...]
    known_block: tuple[BlockStudy, ...]
    blocks_now: BlockStudy | None


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
        # A spot counts only where this caliper took all of its readings.
        return tuple(tuple(s) for s in spots.values() if len(s) == self.head.repeats)


def caliper_studies(
    connection: Connection, caliper: str, tolerance_mm: float | None = None
) -> CaliperStudies:
    """Every study of `caliper`; empty for a caliper without one.

    tolerance_mm: the whole width of what is to be judged with it; without one, that of each
    series' own tolerance.
    """
    readings = study_readings(connection, [caliper], STUDY_METHODS)
    spots = _series(readings[caliper, SAME_SPOT])
    blocks = _series(readings[caliper, KNOWN_BLOCK])
    latest = {each.head.baseline_nm: each for each in blocks if each.head.baseline_nm}
    return CaliperStudies(
        name=caliper,
        same_spot=tuple(_spot_study(study, tolerance_mm) for study in _by_people(spots)),
        known_block=tuple(_block_study(study) for study in _by_size(blocks)),
        blocks_now=_block_study(list(latest.values())) if latest else None,
    )


def latest_studies(
    connection: Connection, calipers: Sequence[str]
) -> dict[str, tuple[SpotStudy | None, BlockStudy | None]]:
    """The latest same-spot study of each caliper, and its known blocks, of each size the
    latest."""
    readings = study_readings(connection, calipers, STUDY_METHODS)
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
            _block_study(list(blocks.values())) if blocks else None,
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


def _spot_study(study: Sequence[_Series], tolerance_mm: float | None) -> SpotStudy:
    head = study[0].head
    unit: Unit = head.series_unit
    if tolerance_mm is None and head.tolerance_length is not None:
        tolerance_mm = 2 * mm(parse_length(head.tolerance_length, unit))
    found = _studied(tuple(each.spots for each in study), tolerance_mm, unit)
    result = found.study
    return SpotStudy(
        series=tuple(each.head.series for each in study),
        started_at=head.started_at,
        people=tuple(each.head.person for each in study if each.head.person),
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
        tolerance_fraction_interval=result.tolerance_fraction_interval,
        sentence=result.sentence,
        laid_out=found.laid_out,
    )


@lru_cache(maxsize=512)
def _studied(
    people: tuple[tuple[tuple[int, ...], ...], ...], tolerance_mm: float | None, unit: Unit
) -> AnalysedStudy:
    """people: for each person the readings in nm, spot by spot."""
    per = NM_PER_UNIT[unit]
    tolerance = None if tolerance_mm is None else tolerance_mm * NM_PER_UNIT["mm"] / per
    lengths = [[[nm / per for nm in spot] for spot in person] for person in people]
    return spots_by_people(lengths, tolerance=tolerance, unit=unit)


def _block_study(study: Sequence[_Series]) -> BlockStudy:
    last = max(study, key=lambda each: each.head.started_at)
    unit: Unit = last.head.series_unit
    per = NM_PER_UNIT[unit] / NM_PER_UNIT["mm"]
    result = _checked(tuple(map(_read, study)), unit)
    return BlockStudy(
        series=tuple(each.head.series for each in study),
        started_at=last.head.started_at,
        blocks=tuple(
            BlockError(
                series=(each.head.series,),
                size_mm=mm(each.head.baseline_nm),
                size_within_mm=_within_mm(each),
                readings=len(each.rows),
                error=_estimate(_checked((_read(each),), unit).offset, per),
            )
            for each in sorted(study, key=lambda each: each.head.baseline_nm)
        ),
        readings=result.readings,
        offset=_estimate(result.offset, per),
        scale=None if result.scale is None else _estimate(result.scale, 1.0),
        residual_sd_mm=None if result.residual_sd is None else result.residual_sd * per,
        sentence=result.sentence,
    )


def _within_mm(series: _Series) -> float | None:
    within = series.head.baseline_within
    return None if within is None else mm(parse_length(within, series.head.series_unit))


_Read = tuple[int, float, tuple[tuple[int, str, Unit], ...]]


def _read(series: _Series) -> _Read:
    """The block's size and its standard uncertainty in mm, and each reading in nm, as sent, with
    its unit."""
    head = series.head
    size_u = standard_u(head.baseline_within, head.series_unit) or 0.0
    return head.baseline_nm, size_u, tuple((r.nm, r.sent, r.unit) for r in series.rows)


@lru_cache(maxsize=512)
def _checked(blocks: tuple[_Read, ...], unit: Unit) -> BlockCheck:
    per = NM_PER_UNIT[unit]
    readings = [(size, size_u, *one) for size, size_u, of_size in blocks for one in of_size]
    sent = [(text, of) for *_, text, of in readings]
    return known_block(
        [size / per for size, *_ in readings],
        [nm / per for _, _, nm, *_ in readings],
        block_u=[size_u * NM_PER_UNIT["mm"] / per for _, size_u, *_ in readings],
        resolution=resolution_mm(sent) * NM_PER_UNIT["mm"] / per,
        unit=unit,
    )


def _estimate(found: Difference | None, per: float) -> Estimate:
    assert found is not None  # a block that was read has an error
    u, interval = found.standard_error, found.interval
    return Estimate(
        estimate=found.estimate * per,
        standard_uncertainty=None if u is None else u * per,
        expanded_uncertainty=None if interval is None else interval.half_width * per,
    )


def _component(found: Component | None, unit: Unit) -> Component | None:
    """In mm."""
    if found is None:
        return None
    per = NM_PER_UNIT[unit] / NM_PER_UNIT["mm"]
    of = found.interval
    return Component(found.sd * per, Interval(of.low * per, of.high * per, of.level), found.hidden)
