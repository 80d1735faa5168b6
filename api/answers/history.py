"""A machine's checks through the years: in phases between setup changes, with what drifts."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Row

from analysis.advice import AngleEstimate, FenceHalves, fence_halves
from analysis.methods import Quantity, Side
from analysis.phases import Checks, Phase, phase_by_phase
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.machine_state import KnownCheck, MachineState, all_known, known_of, machine_state
from api.answers.moments import day
from api.store.rows import machines as rows
from api.store.stamps import now


@dataclass(frozen=True, slots=True)
class DriftLine:
    """One quantity by one method through the years, in radians or mm.

    half: of the fence, where the method judges one. known: the check of each series, the oldest
    first; all positions in `phases` are positions in it. began: by the position of a phase's first
    check, the ids of the setup changes that it began with.
    """

    method: str
    quantity: Quantity
    half: Side | None
    known: tuple[KnownCheck, ...]
    began: Mapping[int, Sequence[UUID]]
    phases: tuple[Phase, ...]


@dataclass(frozen=True, slots=True)
class Halves:
    """The two halves of the fence, by a roll with the board on each side of the blade; reversal:
    one of the same phase, None without."""

    left: KnownCheck
    right: KnownCheck
    reversal: KnownCheck | None
    result: FenceHalves


@dataclass(frozen=True, slots=True)
class MachineHistory:
    """What was read of a machine, and what follows from it.

    machine and changes: rows of `tables.Machine` and `tables.SetupChange`. drift: by
    "method/quantity", and "/left" or "/right" where a half of the fence is judged.
    """

    machine: Row[Any]
    series: Sequence[CheckedSeries]
    changes: Sequence[Row[Any]]
    state: MachineState
    drift: Mapping[str, DriftLine]
    halves: Halves | None


def read(connection: Connection, machine: UUID | str) -> MachineHistory:
    """The whole history of a machine. Raises NotFound where there is no such machine."""
    found = rows.machine(connection, machine)
    series = checks.of_machine(connection, found.id)
    changes = rows.setup_changes(connection, found.id)
    return MachineHistory(
        found,
        series,
        changes,
        machine_state(series, changes, now()),
        _drift(series, changes),
        _halves(series, changes),
    )


def _drift(series: Sequence[CheckedSeries], changes: Sequence[Row[Any]]) -> dict[str, DriftLine]:
    lines: dict[str, list[KnownCheck]] = defaultdict(list)
    for of in series:
        for known in all_known(of):
            quantity = known.check.quantity
            if quantity == "length" and known.check.tolerance is None:
                continue  # lengths of different parts can't be compared
            key = f"{of.row.method}/{quantity}"
            lines[f"{key}/{known.half}" if known.half else key].append(known)
    return {key: _line(known, changes) for key, known in lines.items()}


def _line(known: Sequence[KnownCheck], changes: Sequence[Row[Any]]) -> DriftLine:
    first, at = known[0], [k.at for k in known]
    # A change and a check of the same moment: the change came first.
    began: dict[int, list[UUID]] = defaultdict(list)
    for change in changes:
        began[sum(moment < change.at for moment in at)].append(change.id)
    return DriftLine(
        method=first.series.row.method,
        quantity=first.check.quantity,
        half=first.half,
        known=tuple(known),
        began=dict(began),
        phases=phase_by_phase(
            _checks(known),
            setup_changes=sorted(began),
            labels=[day(moment) for moment in at],
            unit="mm" if first.check.quantity == "length" else "rad",
        ),
    )


def _checks(known: Sequence[KnownCheck]) -> Checks:
    found = [k.check for k in known]

    def array(values: Iterable[float]) -> NDArray[np.float64]:
        return np.fromiter(values, float, len(found))

    return Checks(
        values=array(k.off for k in known),
        trials=np.array([c.trials for c in found]),
        sd=array(np.nan if c.sd is None else c.sd for c in found),
        alone=array(c.anew_u for c in found),
        rounding=array(c.rounding_u for c in found),
        per_reading=array(c.per_reading for c in found),
        shared=array(math.sqrt(max(c.u**2 - c.anew_u**2, 0.0)) for c in found),
        group=[_measured_with(k.series) for k in known],
    )


def _measured_with(series: CheckedSeries) -> tuple[object, ...]:
    """What checks have in common whose errors of caliper and lengths are the same."""
    facts = series.facts
    lengths = facts.baseline_mm, facts.thickness_mm, facts.inset_mm, facts.jaw_width_mm
    return series.calipers, lengths


def _halves(series: Sequence[CheckedSeries], changes: Sequence[Row[Any]]) -> Halves | None:
    """The latest pair of rolls of one phase, one on each half, and a reversal of that phase."""
    since = [change.at for change in changes]
    found: dict[int, dict[str, KnownCheck]] = defaultdict(dict)
    for of in series:
        if not of.facts.method.tells_halves:
            continue
        known = known_of(of, "angle")
        if known is None:
            continue
        phase = sum(moment <= of.row.started_at for moment in since)
        found[phase][known.half or "both"] = known
    pairs = [p for p in sorted(found) if {"left", "right"} <= found[p].keys()]
    if not pairs:
        return None
    of_phase = found[pairs[-1]]
    left, right, both = of_phase["left"], of_phase["right"], of_phase.get("both")
    result = fence_halves(
        _estimate(left), _estimate(right), None if both is None else _estimate(both)
    )
    return Halves(left, right, both, result)


def _estimate(known: KnownCheck) -> AngleEstimate:
    check = known.check
    systematic = known.series.systematic("angle")
    return AngleEstimate(check.mean, check.anew_u, check.anew_df, systematic)
