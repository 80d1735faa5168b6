"""A machine's checks through the years: in phases between setup changes, with what drifts."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Row

from analysis.advice import AngleEstimate, FenceHalves, fence_halves
from analysis.methods import Quantity, Side
from analysis.phases import Checks, Phase, phase_by_phase
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.machine_state import (
    KnownCheck,
    MachineState,
    all_known,
    known_of,
    machine_state,
    same_stop,
)
from api.answers.moments import day
from api.store.rows import machines as rows
from api.store.rows.stops import stops as stops_of
from api.store.squares import SQUARE
from api.store.stamps import now

_SAME_PART_MM: Final = 1.0
"""Parts whose lengths differ by more are different parts; common practice, no source."""


@dataclass(frozen=True)
class DriftLine:
    """One quantity by one method at one stop through the years, in radians or mm.

    half: of the fence, where the method judges one. stop: its name. known: the check of each
    series, the oldest first; all positions in `phases` are positions in it. began: by the position
    of a phase's first check, the ids of the setup changes that it began with. part_mm: of parts
    whose wanted length was not said, that of the first series, which the others are compared with.
    """

    method: str
    quantity: Quantity
    half: Side | None
    stop: str
    nominal_deg: float
    known: tuple[KnownCheck, ...]
    began: Mapping[int, Sequence[UUID]]
    part_mm: float | None = None

    @cached_property
    def phases(self) -> tuple[Phase, ...]:
        """Between setup changes. They cost most of a history, and a list of machines needs those
        alone of which it says a date."""
        return phase_by_phase(
            _checks(self.known, self.off),
            setup_changes=sorted(self.began),
            labels=[day(known.at) for known in self.known],
            unit="mm" if self.quantity == "length" else "rad",
        )

    @property
    def off(self) -> list[float]:
        """How far each check is from nominal, or from the first, in radians or mm."""
        return [k.off - (self.part_mm or 0.0) for k in self.known]


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

    machine, stops and changes: rows of `tables.Machine`, `tables.Stop` and `tables.SetupChange`.
    drift: by "method/quantity", and "/left" or "/right" where a half of the fence is judged; at a
    stop other than `square` " at " and its name follow.
    """

    machine: Row[Any]
    stops: Sequence[Row[Any]]
    series: Sequence[CheckedSeries]
    changes: Sequence[Row[Any]]
    state: MachineState
    drift: Mapping[str, DriftLine]
    halves: Halves | None


def read(connection: Connection, machine: UUID | str) -> MachineHistory:
    """The whole history of a machine. Raises NotFound where there is no such machine."""
    found = rows.machine(connection, machine)
    stops = stops_of(connection, found.id)
    series = checks.of_machine(connection, found.id)
    changes = rows.setup_changes(connection, found.id)
    return MachineHistory(
        found,
        stops,
        series,
        changes,
        machine_state(series, changes, now(), stops),
        _drift(series, changes),
        _halves(series, changes),
    )


def merged_state(one: MachineHistory, other: MachineHistory) -> MachineState:
    """How a machine would be that both are."""
    changes = sorted([*one.changes, *other.changes], key=lambda change: (change.at, change.id))
    stops = {same_stop(stop.name, stop): stop for stop in [*other.stops, *one.stops]}
    return machine_state([*one.series, *other.series], changes, now(), list(stops.values()))


def _drift(series: Sequence[CheckedSeries], changes: Sequence[Row[Any]]) -> dict[str, DriftLine]:
    lines: dict[str, list[KnownCheck]] = defaultdict(list)
    parts: dict[str, float] = {}
    for of in series:
        for known in all_known(of):
            half = f"/{known.half}" if known.half else ""
            stop = "" if known.stop == SQUARE else f" at {known.stop}"
            key = f"{of.row.method}/{known.check.quantity}{half}{stop}"
            if _of_a_part(known):
                key = _same_part(key, known, lines)
                parts.setdefault(key, known.check.mean)
            lines[key].append(known)
    return {key: _line(known, changes, parts.get(key)) for key, known in lines.items()}


def _of_a_part(known: KnownCheck) -> bool:
    """Whether it is the length of a part, of which it was not said how long it should be. A
    difference, such as a run-out, counts from zero."""
    check, relation = known.check, known.relation
    return check.quantity == "length" and check.tolerance is None and sum(relation.weights) != 0


def _same_part(key: str, known: KnownCheck, lines: Mapping[str, Sequence[KnownCheck]]) -> str:
    """The key of the line of parts as long as this one; lengths of different parts can't be
    compared."""
    start = f"{key}, parts of "
    for each, of in lines.items():
        if each.startswith(start) and abs(of[-1].check.mean - known.check.mean) <= _SAME_PART_MM:
            return each
    return f"{start}{known.check.mean:.1f} mm"


def _line(
    known: Sequence[KnownCheck], changes: Sequence[Row[Any]], part_mm: float | None
) -> DriftLine:
    first, at = known[0], [k.at for k in known]
    # A change and a check of the same moment: the change came first.
    began: dict[int, list[UUID]] = defaultdict(list)
    for change in changes:
        began[sum(moment < change.at for moment in at)].append(change.id)
    return DriftLine(
        method=first.series.row.method,
        quantity=first.check.quantity,
        half=first.half,
        stop=first.stop,
        nominal_deg=float(first.series.row.nominal_deg),
        known=tuple(known),
        began=dict(began),
        part_mm=part_mm,
    )


def _checks(known: Sequence[KnownCheck], off: Sequence[float]) -> Checks:
    found = [k.check for k in known]

    def array(values: Iterable[float]) -> NDArray[np.float64]:
        return np.fromiter(values, float, len(found))

    return Checks(
        values=array(off),
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
    """The latest pair of rolls of one phase and stop, one on each half, and a reversal of them."""
    since = [change.at for change in changes]
    found: dict[tuple[int, str], dict[str, KnownCheck]] = defaultdict(dict)
    for of in series:
        if not of.facts.method.tells_halves:
            continue
        known = known_of(of, "angle")
        if known is None:
            continue
        phase = sum(moment <= of.row.started_at for moment in since)
        found[phase, known.stop][known.half or "both"] = known
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
