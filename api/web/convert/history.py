"""From a machine's history to its shapes; angles by `convert`, like all others."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import Row

from analysis.phases import Change, Phase
from api.answers.checks import CheckedSeries
from api.answers.history import DriftLine, Halves, MachineHistory
from api.answers.machine_state import KnownCheck, MachineState, all_known, worst
from api.web.convert import interval_out, outward
from api.web.shapes import MachineOut, SetupChangeOut
from api.web.shapes.history import (
    CheckOut,
    CreepOut,
    DriftOut,
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
    changes = [(n, change) for n, phase in enumerate(line.phases) for change in phase.changes]
    return DriftOut(
        method=line.method,
        quantity=line.quantity,
        half=line.half,
        unit="mm" if line.quantity == "length" else "deg",
        series=_ids(line),
        at=[k.at for k in line.known],
        values=[outward(k.off, line.quantity) for k in line.known],
        expanded_uncertainty=[outward(k.check.expanded, line.quantity) for k in line.known],
        expected=[
            None if limits is None else _limits(limits, line)
            for phase in line.phases
            for limits in phase.expected
        ],
        phases=[_phase_out(line, phase) for phase in line.phases],
        suspected_shifts=[_shift_out(line, n, c) for n, c in changes if c.kind == "shift"],
        creeps=[_creep_out(line, n, c) for n, c in changes if c.kind == "creep"],
        sentence=line.phases[-1].sentence,
    )


def _limits(limits: tuple[float, float], line: DriftLine) -> tuple[float, float]:
    low, high = (outward(limit, line.quantity) for limit in limits)
    return low, high


def _ids(line: DriftLine) -> list[UUID]:
    return [k.series.id for k in line.known]


def _phase_out(line: DriftLine, phase: Phase) -> PhaseOut:
    ids = _ids(line)

    def number(value: float | None) -> float | None:
        return None if value is None else outward(value, line.quantity)

    return PhaseOut(
        start=phase.start,
        stop=phase.stop,
        since=phase.since,
        setup_changes=list(line.began.get(phase.start, ())),
        checks=phase.checks,
        centre=number(phase.centre),
        sigma=number(phase.sigma),
        between=number(phase.between),
        lower=number(phase.lower),
        upper=number(phase.upper),
        out=[ids[i] for i in phase.out],
        sentence=phase.sentence,
    )


def _shift_out(line: DriftLine, phase: int, change: Change) -> ShiftOut:
    index, first, last = (line.known[i] for i in (change.index, change.first, change.last))
    return ShiftOut(
        phase=phase,
        series=index.series.id,
        at=index.at,
        first=first.series.id,
        first_at=first.at,
        last=last.series.id,
        last_at=last.at,
        told_at=line.known[change.told_at].series.id,
        before=outward(change.before, line.quantity),
        after=outward(change.after, line.quantity),
        p=change.p,
        sentence=change.sentence,
    )


def _creep_out(line: DriftLine, phase: int, change: Change) -> CreepOut:
    first, last = line.known[change.first], line.known[change.last]
    return CreepOut(
        phase=phase,
        first=first.series.id,
        first_at=first.at,
        last=last.series.id,
        last_at=last.at,
        told_at=line.known[change.told_at].series.id,
        before=outward(change.before, line.quantity),
        after=outward(change.after, line.quantity),
        sentence=change.sentence,
    )


def halves_out(found: Halves) -> FenceHalvesOut:
    """The two halves of the fence."""

    def deg(value: float) -> float:
        return outward(value, "angle")

    left, right, told = found.left, found.right, found.result
    interval, expanded = told.out_of_line.interval, told.mean_expanded_rad
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
