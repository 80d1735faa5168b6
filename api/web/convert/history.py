"""From a machine's history to its shapes; angles by `convert`, like all others."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Row

from analysis.phases import Change, Phase
from analysis.sentences import direction
from api.answers import urgency
from api.answers.checks import CheckedSeries
from api.answers.good_until import Basis, GoodUntil
from api.answers.history import DriftLine, Halves, MachineHistory
from api.answers.machine_state import (
    KnownCheck,
    MachineState,
    StopState,
    aged,
    all_known,
    worst,
)
from api.answers.urgency import StopUrgency, Urgency
from api.web.convert import interval_out, outward, stop_head
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
    StopResultOut,
    StopStandingOut,
)
from api.web.shapes.machines import MachineOut, SetupChangeOut
from api.web.shapes.next_act import SinceChangeOut


def history_out(
    found: MachineHistory, untils: Mapping[UUID, GoodUntil], since: list[SinceChangeOut]
) -> HistoryOut:
    """A machine's whole history; untils: of each of its stops; since: what its changes did."""
    return HistoryOut(
        machine=MachineOut.model_validate(found.machine),
        standing=_state_out(found.state, untils),
        series=[_series_out(s) for s in found.series],
        setup_changes=[change_out(c) for c in found.changes],
        drift={key: drift_out(line) for key, line in found.drift.items()},
        fence_halves=None if found.halves is None else halves_out(found.halves),
        since_change=since,
    )


def _state_out(found: MachineState, untils: Mapping[UUID, GoodUntil]) -> StandingOut:
    stops = [stop_state_out(each, untils[each.stop.id]) for each in found.stops]
    return StandingOut(**_state_fields(found), stops=stops, urgency=urgency_of(stops))


def stop_urgencies(stops: Iterable[StopStandingOut]) -> list[StopUrgency]:
    """The stops of a machine, as its place among others rests on them."""
    return [
        StopUrgency(
            s.stop.name,
            s.series is not None,
            s.urgency,
            s.good_until,
            s.result.off_in_tolerances if s.result else 0.0,
        )
        for s in stops
    ]


def most_urgent(stops: Sequence[StopStandingOut]) -> StopStandingOut:
    """Of the stops of a machine, at least one, that which asks first for something to be done."""
    first = urgency.foremost(stop_urgencies(stops))
    return next(stop for stop in stops if stop.stop.name == first.stop)


def urgency_of(stops: Iterable[StopStandingOut]) -> Urgency:
    """That of a machine, from its stops."""
    return urgency.of_machine(stop_urgencies(stops))


def stop_state_out(found: StopState, until: GoodUntil) -> StopStandingOut:
    """How a machine is at one stop, and until when it may be trusted."""
    row = found.stop
    return StopStandingOut(
        **_state_fields(found.state),
        result=_result_out(found.state.known[0]) if found.state.known else None,
        caveat=found.state.caveat,
        check_days=row.check_days,
        good_until=until.at,
        chance=until.chance,
        until=until.sentence,
        urgency=urgency.of_stop(found.state, until),
        stop=stop_head(row.id, row.name, row.nominal_deg, row.bevel_deg),
    )


@dataclass(frozen=True, slots=True)
class KeptStanding:
    """How a machine is at one stop, on any day. standing: in the words of one day; found: what was
    found, without its age, empty where nothing was."""

    standing: StopStandingOut
    found: str
    basis: Basis

    @staticmethod
    def of(stop: StopState, basis: Basis) -> KeptStanding:
        """Of a stop, with what the date of its next check follows from."""
        state = stop.state
        found = state.known[0].sentence if state.known else ""
        return KeptStanding(stop_state_out(stop, basis.on(state.now)), found, basis)

    def on(self, moment: datetime) -> StopStandingOut:
        """The same in the words of that moment."""
        out, until = self.standing, self.basis.on(moment)
        said: dict[str, object] = {
            "good_until": until.at,
            "chance": until.chance,
            "until": until.sentence,
            "urgency": urgency.of_verdict(out.verdict, until.at, moment),
        }
        if out.checked_at is not None:
            said["sentence"] = aged(self.found, out.checked_at, out.caveat, moment)
        return out.model_copy(update=said)


def _result_out(known: KnownCheck) -> StopResultOut:
    check = known.check
    length = check.quantity == "length"
    return StopResultOut(
        unit="mm" if length else "deg",
        mean=outward(check.mean, check.quantity),
        expanded_uncertainty=outward(check.expanded, check.quantity),
        tends="" if length else direction(check.mean, check.expanded, known.relation.leans),
        off_in_tolerances=known.off_in_tolerances,
        work=known.series.row.work,
    )


def _state_fields(found: MachineState) -> dict[str, Any]:
    first = found.known[0] if found.known else None
    return {
        "sentence": found.sentence,
        "verdict": found.verdict,
        "series": first.series.id if first else None,
        "quantity": first.check.quantity if first else None,
        "checked_at": first.at if first else None,
        "setup_change": None if found.changed is None else found.changed.id,
    }


def change_out(row: Row[Any]) -> SetupChangeOut:
    """A setup change, from its row."""
    return SetupChangeOut(
        id=row.id, machine=row.machine_id, kind=row.kind, at=row.at, note=row.note
    )


def _series_out(series: CheckedSeries) -> HistorySeries:
    known, row = all_known(series), series.row
    return HistorySeries(
        id=series.id,
        stop=stop_head(row.stop_id, row.stop, row.nominal_deg, row.bevel_deg),
        method=row.method,
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
        stop=line.stop,
        nominal_deg=line.nominal_deg,
        part_mm=line.part_mm,
        unit="mm" if line.quantity == "length" else "deg",
        series=_ids(line),
        at=[k.at for k in line.known],
        values=[outward(off, line.quantity) for off in line.off],
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
