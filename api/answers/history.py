"""A machine's checks through the years: in phases between setup changes, with what drifts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final, Literal
from uuid import UUID

import numpy as np
from sqlalchemy import Connection, Row

from analysis import drift
from analysis.advice import Estimate, FenceHalves, fence_halves
from analysis.methods import Quantity
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.moments import day
from api.answers.standing import (
    Known,
    Standing,
    StandingOut,
    known_of,
    outward,
    standing,
    standing_out,
)
from api.store.journal import now
from api.store.rows import machines as rows
from api.web.shapes import IntervalOut, MachineOut, Out, SetupChangeOut

VerdictOut = Literal["good enough", "needs adjusting", "cannot tell yet"]
# A shift that shuffled checks show less often than this is worth a suspicion.
SUSPECTED: Final = 0.05


class CheckOut(Out):
    """The mean of a series with its expanded uncertainty at 95 % (JCGM 100); sd of one trial."""

    unit: Literal["deg", "mm"]
    trials: int
    mean: float
    sd: float | None
    expanded_uncertainty: float
    coverage_factor: float
    verdict: VerdictOut | None
    half: Literal["left", "right"] | None


class HistorySeries(Out):
    """A series in a history. `quantities` is empty for a study of a caliper, and before the
    first complete trial; `verdict` is the worst of them."""

    id: UUID
    method: str
    started_at: datetime
    finished_at: datetime | None
    trials: int
    quantities: dict[str, CheckOut]
    verdict: VerdictOut | None
    calipers: list[str]


class PhaseOut(Out):
    """Checks `start` to `stop` (exclusive) of the drift's lists. Limits: centre +- 3 sigma from
    the mean moving range (ISO 7870-2, individuals); null with too few checks or no scatter."""

    start: int
    stop: int
    setup_changes: list[UUID]
    checks: int
    centre: float | None
    sigma: float | None
    lower: float | None
    upper: float | None
    mean_range: float | None
    range_upper: float | None
    out: list[UUID]
    range_out: list[UUID]
    sentence: str


class ShiftOut(Out):
    """A lasting shift: the series at which it most likely began, and from which to which it may
    have (95 %). p: how often shuffled checks look as divided."""

    phase: int
    series: UUID
    at: datetime
    first: UUID
    first_at: datetime
    last: UUID
    last_at: datetime
    before: float
    after: float
    p: float
    sentence: str


class EwmaOut(Out):
    """Exponentially weighted moving average of the last phase, whose first check is `start`
    (NIST e-Handbook 6.3.2.4)."""

    start: int
    weight: float
    width: float
    values: list[float]
    lower: list[float]
    upper: list[float]
    out: list[UUID]


class DriftOut(Out):
    """One quantity by one method through the years, one value for each series.

    half: of the fence, where the method judges one. A length is told as its error from the
    nominal length, so only series with one take part.
    """

    method: str
    quantity: Literal["angle", "tilt", "length"]
    half: Literal["left", "right"] | None
    unit: Literal["deg", "mm"]
    series: list[UUID]
    at: list[datetime]
    values: list[float]
    expanded_uncertainty: list[float]
    phases: list[PhaseOut]
    suspected_shifts: list[ShiftOut]
    ewma: EwmaOut | None
    sentence: str


class FenceHalvesOut(Out):
    """A roll with the board on each side of the blade: the two halves of the fence.

    out_of_line_deg: the left half's error less the right half's. mean_deg: what a reversal
    shows of the two. agrees: whether the reversal does; null without one.
    """

    left: UUID
    right: UUID
    reversal: UUID | None
    left_deg: float
    left_expanded_deg: float
    right_deg: float
    right_expanded_deg: float
    out_of_line_deg: float
    interval: IntervalOut | None
    in_line: bool
    mean_deg: float
    mean_expanded_deg: float | None
    agrees: bool | None
    sentence: str


class HistoryOut(Out):
    """`drift` by "method/quantity", and "/left" or "/right" where a half of the fence is judged."""

    machine: MachineOut
    standing: StandingOut
    series: list[HistorySeries]
    setup_changes: list[SetupChangeOut]
    drift: dict[str, DriftOut]
    fence_halves: FenceHalvesOut | None


@dataclass(frozen=True, slots=True)
class MachineHistory:
    """What was read of a machine, and what follows from it, for the page and the API alike."""

    machine: Row[Any]
    series: list[CheckedSeries]
    changes: Sequence[Row[Any]]
    standing: Standing
    drift: dict[str, DriftOut]
    halves: FenceHalvesOut | None


def read(connection: Connection, machine: UUID | str) -> MachineHistory:
    """A machine's whole history. Raises NotFound where there is no such machine."""
    found = rows.machine(connection, machine)
    series = checks.of_machine(connection, found.id)
    changes = rows.setup_changes(connection, found.id)
    return MachineHistory(
        found,
        series,
        changes,
        standing(series, changes, now()),
        _drift(series, changes),
        _halves(series, changes),
    )


def history_out(found: MachineHistory) -> HistoryOut:
    """The history as it goes out."""
    return HistoryOut(
        machine=MachineOut.model_validate(found.machine),
        standing=standing_out(found.standing),
        series=[_series_out(s) for s in found.series],
        setup_changes=[SetupChangeOut.model_validate(c) for c in _changes_out(found.changes)],
        drift=found.drift,
        fence_halves=found.halves,
    )


def _changes_out(changes: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    return [
        {"id": c.id, "machine": c.machine_id, "kind": c.kind, "at": c.at, "note": c.note}
        for c in changes
    ]


def _series_out(series: CheckedSeries) -> HistorySeries:
    known = _known(series)
    verdicts = {k.check.verdict for k in known}
    worst: VerdictOut | None = None
    for verdict in ("needs adjusting", "cannot tell yet", "good enough"):
        if verdict in verdicts:
            worst = verdict
            break
    return HistorySeries(
        id=series.id,
        method=series.row.method,
        started_at=series.row.started_at,
        finished_at=series.row.finished_at,
        trials=series.trials,
        quantities={k.check.quantity: _check_out(k) for k in known},
        verdict=worst,
        calipers=list(series.calipers),
    )


def _known(series: CheckedSeries) -> list[Known]:
    return [k for quantity in series.checks if (k := known_of(series, quantity)) is not None]


def _check_out(known: Known) -> CheckOut:
    check = known.check
    return CheckOut(
        unit="mm" if check.quantity == "length" else "deg",
        trials=check.trials,
        mean=outward(check.mean, check.quantity),
        sd=None if check.sd is None else outward(check.sd, check.quantity),
        expanded_uncertainty=outward(check.expanded, check.quantity),
        coverage_factor=check.coverage_factor,
        verdict=check.verdict,
        half=known.half,
    )


def _drift(series: Sequence[CheckedSeries], changes: Sequence[Row[Any]]) -> dict[str, DriftOut]:
    lines: dict[str, list[Known]] = defaultdict(list)
    for of in series:
        for known in _known(of):
            quantity = known.check.quantity
            if quantity == "length" and known.check.tolerance is None:
                continue  # lengths of different parts are no history of each other
            key = f"{of.row.method}/{quantity}"
            lines[f"{key}/{known.half}" if known.half else key].append(known)
    return {key: _line(known, changes) for key, known in lines.items()}


def _line(known: Sequence[Known], changes: Sequence[Row[Any]]) -> DriftOut:
    quantity: Quantity = known[0].check.quantity
    at = [k.at for k in known]
    # A change and a check of the same moment: the change came first.
    begun: dict[int, list[UUID]] = defaultdict(list)
    for change in changes:
        begun[sum(moment < change.at for moment in at)].append(change.id)
    found = _told(
        tuple(k.off for k in known),
        tuple(sorted(begun)),
        tuple(day(moment) for moment in at),
        quantity,
        float(np.median([k.check.step for k in known])),
    )
    ids = [k.series.id for k in known]

    def out(value: float | None) -> float | None:
        return None if value is None else outward(value, quantity)

    phases = [
        PhaseOut(
            start=p.start,
            stop=p.stop,
            setup_changes=begun.get(p.start, []),
            checks=p.checks,
            centre=out(p.centre),
            sigma=out(p.sigma),
            lower=out(p.lower),
            upper=out(p.upper),
            mean_range=out(p.mean_range),
            range_upper=out(p.range_upper),
            out=[ids[i] for i in p.out],
            range_out=[ids[i] for i in p.range_out],
            sentence=sentence,
        )
        for p, sentence in zip(found.history.phases, found.sentences, strict=True)
    ]
    shifts = [
        ShiftOut(
            phase=number,
            series=ids[c.index],
            at=at[c.index],
            first=ids[c.first],
            first_at=at[c.first],
            last=ids[c.last],
            last_at=at[c.last],
            before=outward(c.before, quantity),
            after=outward(c.after, quantity),
            p=c.p,
            sentence=c.sentence,
        )
        for number, c in found.shifts
    ]
    smooth, last = found.history.ewma, found.history.phases[-1]
    return DriftOut(
        method=known[0].series.row.method,
        quantity=quantity,
        half=known[0].half,
        unit="mm" if quantity == "length" else "deg",
        series=ids,
        at=at,
        values=[outward(k.off, quantity) for k in known],
        expanded_uncertainty=[outward(k.check.expanded, quantity) for k in known],
        phases=phases,
        suspected_shifts=shifts,
        ewma=None
        if smooth is None
        else EwmaOut(
            start=last.start,
            weight=drift.EWMA_WEIGHT,
            width=drift.EWMA_WIDTH,
            values=[outward(v, quantity) for v in smooth.values.tolist()],
            lower=[outward(v, quantity) for v in smooth.lower.tolist()],
            upper=[outward(v, quantity) for v in smooth.upper.tolist()],
            out=[ids[last.start + i] for i in smooth.out],
        ),
        sentence=found.history.sentence,
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """A history, a sentence for each of its phases, and shifts with the number of their phase."""

    history: drift.History
    sentences: tuple[str, ...]
    shifts: tuple[tuple[int, drift.ChangePoint], ...]


@lru_cache(maxsize=64)
def _told(
    values: tuple[float, ...],
    splits: tuple[int, ...],
    labels: tuple[str, ...],
    quantity: Quantity,
    step: float,
) -> _Told:
    """Kept for a while: the shuffles of a long history cost more than all the rest, and the
    same values are asked for each time the page is opened."""
    unit: Literal["rad", "mm"] = "mm" if quantity == "length" else "rad"

    def tell(a: int, b: int, split: Sequence[int]) -> drift.History:
        return drift.history(
            values[a:b], setup_changes=split, labels=labels[a:b], unit=unit, resolution=step
        )

    whole = tell(0, len(values), splits)
    shifts: list[tuple[int, drift.ChangePoint]] = []
    told: list[str] = []
    for number, phase in enumerate(whole.phases):
        last = number == len(whole.phases) - 1
        # Each earlier phase speaks as if it were the last one.
        alone = whole if last else tell(phase.start, phase.stop, ())
        told.append(alone.sentence)
        change = alone.change
        if change is not None and change.p < SUSPECTED:
            shifts.append((number, change if last else _moved(change, phase.start)))
    return _Told(whole, tuple(told), tuple(shifts))


def _moved(change: drift.ChangePoint, by: int) -> drift.ChangePoint:
    return drift.ChangePoint(
        change.index + by,
        change.first + by,
        change.last + by,
        change.before,
        change.after,
        change.p,
        change.sentence,
    )


def _halves(series: Sequence[CheckedSeries], changes: Sequence[Row[Any]]) -> FenceHalvesOut | None:
    """The latest pair of rolls of one phase, one on each half, and a reversal of that phase."""
    since = [change.at for change in changes]
    found: dict[int, dict[str, Known]] = defaultdict(dict)
    for of in series:
        if of.row.method not in ("roll", "reversal") or "angle" not in of.checks:
            continue
        known = known_of(of, "angle")
        assert known is not None
        phase = sum(moment <= of.row.started_at for moment in since)
        found[phase][known.half or "both"] = known
    pairs = [p for p in sorted(found) if {"left", "right"} <= found[p].keys()]
    if not pairs:
        return None
    of_phase = found[pairs[-1]]
    left, right, both = of_phase["left"], of_phase["right"], of_phase.get("both")
    told: FenceHalves = fence_halves(
        _estimate(left), _estimate(right), None if both is None else _estimate(both)
    )
    apart = told.out_of_line
    interval = apart.interval
    return FenceHalvesOut(
        left=left.series.id,
        right=right.series.id,
        reversal=None if both is None else both.series.id,
        left_deg=outward(left.check.mean, "angle"),
        left_expanded_deg=outward(left.check.expanded, "angle"),
        right_deg=outward(right.check.mean, "angle"),
        right_expanded_deg=outward(right.check.expanded, "angle"),
        out_of_line_deg=outward(apart.estimate, "angle"),
        interval=None
        if interval is None
        else IntervalOut(
            low=outward(interval.low, "angle"),
            high=outward(interval.high, "angle"),
            level=interval.level,
        ),
        in_line=told.in_line,
        mean_deg=outward(told.mean_rad, "angle"),
        # The mean of two has half the uncertainty of their difference.
        mean_expanded_deg=None if interval is None else outward(interval.half_width / 2, "angle"),
        agrees=told.agrees,
        sentence=told.sentence,
    )


def _estimate(known: Known) -> Estimate:
    return Estimate(known.check.mean, known.check.u, known.check.df)
