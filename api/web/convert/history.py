"""From a machine's history to its shapes; angles by `convert`, like all others."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import Row

from analysis import drift
from analysis.drift import ChangePoint, Ewma, Phase
from api.answers.checks import CheckedSeries
from api.answers.history import DriftLine, Halves, MachineHistory
from api.answers.machine_state import KnownCheck, MachineState, all_known, worst
from api.web.convert import interval_out, outward
from api.web.shapes import MachineOut, SetupChangeOut
from api.web.shapes.history import (
    CheckOut,
    DriftOut,
    EwmaOut,
    FenceHalvesOut,
    HistoryOut,
    HistorySeries,
    PhaseOut,
    ShiftOut,
    StandingOut,
)


def history_out(found: MachineHistory) -> HistoryOut:
    """A machine's whole history."""
    return HistoryOut(
        machine=MachineOut.model_validate(found.machine),
        standing=_state_out(found.state),
        series=[_series_out(s) for s in found.series],
        setup_changes=[_change_out(c) for c in found.changes],
        drift={key: drift_out(line) for key, line in found.drift.items()},
        fence_halves=None if found.halves is None else halves_out(found.halves),
    )


def _state_out(found: MachineState) -> StandingOut:
    first = found.known[0] if found.known else None
    return StandingOut(
        sentence=found.sentence,
        verdict=found.verdict,
        series=first.series.id if first else None,
        quantity=first.check.quantity if first else None,
        checked_at=first.at if first else None,
        setup_change=None if found.changed is None else found.changed.id,
    )


def _change_out(row: Row[Any]) -> SetupChangeOut:
    return SetupChangeOut(
        id=row.id, machine=row.machine_id, kind=row.kind, at=row.at, note=row.note
    )


def _series_out(series: CheckedSeries) -> HistorySeries:
    known = all_known(series)
    return HistorySeries(
        id=series.id,
        method=series.row.method,
        started_at=series.row.started_at,
        finished_at=series.row.finished_at,
        trials=series.trials,
        quantities={k.check.quantity: _check_out(k) for k in known},
        verdict=worst(known),
        calipers=list(series.calipers),
    )


def _check_out(known: KnownCheck) -> CheckOut:
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


def drift_out(line: DriftLine) -> DriftOut:
    """One quantity by one method through the years."""
    found = line.result
    return DriftOut(
        method=line.method,
        quantity=line.quantity,
        half=line.half,
        unit="mm" if line.quantity == "length" else "deg",
        series=_ids(line),
        at=[k.at for k in line.known],
        values=[outward(k.off, line.quantity) for k in line.known],
        expanded_uncertainty=[outward(k.check.expanded, line.quantity) for k in line.known],
        phases=[
            _phase_out(line, phase, sentence)
            for phase, sentence in zip(found.history.phases, found.sentences, strict=True)
        ],
        suspected_shifts=[_shift_out(line, number, change) for number, change in found.shifts],
        ewma=None if found.history.ewma is None else _ewma_out(line, found.history.ewma),
        sentence=found.history.sentence,
    )


def _ids(line: DriftLine) -> list[UUID]:
    return [k.series.id for k in line.known]


def _phase_out(line: DriftLine, phase: Phase, sentence: str) -> PhaseOut:
    ids = _ids(line)

    def number(value: float | None) -> float | None:
        return None if value is None else outward(value, line.quantity)

    return PhaseOut(
        start=phase.start,
        stop=phase.stop,
        setup_changes=list(line.began.get(phase.start, ())),
        checks=phase.checks,
        centre=number(phase.centre),
        sigma=number(phase.sigma),
        lower=number(phase.lower),
        upper=number(phase.upper),
        mean_range=number(phase.mean_range),
        range_upper=number(phase.range_upper),
        out=[ids[i] for i in phase.out],
        range_out=[ids[i] for i in phase.range_out],
        sentence=sentence,
    )


def _shift_out(line: DriftLine, phase: int, change: ChangePoint) -> ShiftOut:
    index, first, last = (line.known[i] for i in (change.index, change.first, change.last))
    return ShiftOut(
        phase=phase,
        series=index.series.id,
        at=index.at,
        first=first.series.id,
        first_at=first.at,
        last=last.series.id,
        last_at=last.at,
        before=outward(change.before, line.quantity),
        after=outward(change.after, line.quantity),
        p=change.p,
        sentence=change.sentence,
    )


def _ewma_out(line: DriftLine, found: Ewma) -> EwmaOut:
    start = line.result.history.phases[-1].start
    ids = _ids(line)
    return EwmaOut(
        start=start,
        weight=drift.EWMA_WEIGHT,
        width=drift.EWMA_WIDTH,
        values=[outward(v, line.quantity) for v in found.values.tolist()],
        lower=[outward(v, line.quantity) for v in found.lower.tolist()],
        upper=[outward(v, line.quantity) for v in found.upper.tolist()],
        out=[ids[start + i] for i in found.out],
    )


def halves_out(found: Halves) -> FenceHalvesOut:
    """The two halves of the fence."""

    def deg(value: float) -> float:
        return outward(value, "angle")

    left, right, told = found.left, found.right, found.result
    interval, expanded = told.out_of_line.interval, found.mean_expanded
    return FenceHalvesOut(
        left=left.series.id,
        right=right.series.id,
        reversal=None if found.reversal is None else found.reversal.series.id,
        left_deg=deg(left.check.mean),
        left_expanded_deg=deg(left.check.expanded),
        right_deg=deg(right.check.mean),
        right_expanded_deg=deg(right.check.expanded),
        out_of_line_deg=deg(told.out_of_line.estimate),
        interval=None if interval is None else interval_out(interval, deg),
        in_line=told.in_line,
        mean_deg=deg(told.mean_rad),
        mean_expanded_deg=None if expanded is None else deg(expanded),
        agrees=told.agrees,
        sentence=told.sentence,
    )
