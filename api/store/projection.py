"""From a folded trial to the rows that readers and exports see.

These rows cache pure functions of the log and the series' settings; they can be deleted and
written again.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any, Final, NamedTuple
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Row

from analysis.geometry import at_stop
from analysis.units import NM_PER_MM, Unit, mm_text
from api.store.facts import facts_of, method_of, resolution_mm
from capture import folded, records


class TrialRow(NamedTuple):
    """As in `tables.Trial`."""

    id: UUID
    series_id: UUID
    number: int
    state: str
    swapped: bool
    flags: tuple[str, ...]
    taken_at: datetime | None
    readings_mm: str
    calipers: tuple[str, ...]
    visit: int
    deviation_mm: str | None
    angle_deg: float | None
    tilt_deg: float | None
    length_mm: float | None
    expanded_uncertainty_deg: float | None


class SlotRow(NamedTuple):
    """As in `tables.TrialReading`."""

    trial_id: UUID
    slot: int
    place: int
    reading_id: UUID
    unit: str | None
    nm: int | None


def project(
    series: Row[Any], state: folded.State, numbers: Sequence[int]
) -> tuple[list[TrialRow], list[SlotRow]]:
    """The rows of `trials` and `trial_readings` for the trials numbered, as `state` has them.

    A trial whose readings were all taken back is written as gone rather than deleted, so
    that a later pull reports it.
    """
    layout = state.layout
    empty = (None,) * (layout.places * layout.repeats)
    places = _places(layout)
    trials = [
        state.trials[n - 1] if n <= len(state.trials) else records.Trial(n, empty) for n in numbers
    ]
    values = _values(series, trials, layout)
    explained = _explained(series)
    rows: list[TrialRow] = []
    slots: list[SlotRow] = []
    for trial in trials:
        trial_id = folded.trial_id(series.id, trial.number)
        readings = [p.reading for p in trial.slots if p is not None]
        latest = trial.latest
        rows.append(
            TrialRow(
                trial_id,
                series.id,
                trial.number,
                _state(trial),
                trial.swapped,
                tuple(flag for flag in trial.flags if flag not in explained),
                latest.reading.taken_at if latest else None,
                " ".join([mm_text(r.nm) for r in readings]),
                tuple(dict.fromkeys([r.caliper for r in readings])),
                trial.visit,
                *values.get(trial.number, _NO_VALUES),
            )
        )
        slots += [
            SlotRow(
                trial_id,
                slot,
                places[trial.swapped][slot],
                p.reading.id,
                *_read_as(p.reading, series.readings_unit),
            )
            for slot, p in enumerate(trial.slots)
            if p is not None
        ]
    return rows, slots


def _explained(series: Row[Any]) -> tuple[records.Flag, ...]:
    """The flags that the stop of a series explains: where a strip widens on purpose, one end may
    well be 25.4 times as wide as the other. `analysis.doubts` tells another unit from that."""
    at = at_stop(method_of(series), float(series.nominal_deg), float(series.bevel_deg))
    relation = at.relation("angle")
    return ("unit slip?",) if relation is not None and relation.nominal_rad else ()


def _read_as(reading: records.Reading, unit: str | None) -> tuple[str, int] | tuple[None, None]:
    """Unit and length of a reading that the series reads otherwise than it was kept."""
    return (None, None) if unit is None else (reading.unit, reading.nm)


def _state(trial: records.Trial) -> str:
    if trial.empty:
        return "gone"
    if trial.left_out:
        return "left out"
    return "complete" if trial.complete else "open"


@cache
def _places(layout: records.Layout) -> dict[bool, list[int]]:
    """The place of each slot, of a trial as it was read and of one whose ends are swapped."""
    slots = range(layout.places * layout.repeats)
    return {
        swapped: [folded.place_of(records.Trial(0, (), swapped), slot, layout) for slot in slots]
        for swapped in (False, True)
    }


# In the order of the last columns of `TrialRow`.
_Values = tuple[str | None, float | None, float | None, float | None, float | None]
_NO_VALUES: Final[_Values] = (None, None, None, None, None)


def _values(
    series: Row[Any], trials: Sequence[records.Trial], layout: records.Layout
) -> dict[int, _Values]:
    """The computed values of each complete trial, by number.

    The caliper's count is taken from the trial's own texts, so that a trial's row does not depend
    on which others are written with it.
    """
    # It imports scipy, which is not needed before the first trial.
    from analysis.budget import trial_uncertainty

    by_resolution: dict[float, list[records.Trial]] = defaultdict(list)
    for trial in trials:
        if trial.complete:
            by_resolution[resolution_mm(_sent(trial))].append(trial)
    found: dict[int, _Values] = {}
    for resolution, alike in by_resolution.items():
        facts = facts_of(series, _widths_mm(alike, layout), resolution)
        values = facts.values()
        angle, tilt = _degrees(values.angle_rad), _degrees(values.tilt_rad)
        expanded = _degrees(trial_uncertainty(facts))
        for trial, d, a, t, length, u in zip(
            alike,
            values.deviation_mm.tolist(),
            angle,
            tilt,
            values.length_mm.tolist(),
            expanded,
            strict=True,
        ):
            angular = a is not None or t is not None
            found[trial.number] = (_exact(d), a, t, _finite(length), u if angular else None)
    return found


def _widths_mm(trials: Sequence[records.Trial], layout: records.Layout) -> NDArray[np.float64]:
    """(trials, places, repeats), of complete trials."""
    nm = [[p.reading.nm for p in trial.slots if p is not None] for trial in trials]
    widths = np.array(nm).reshape(len(trials), layout.places, layout.repeats) / NM_PER_MM
    swapped = [trial.swapped for trial in trials]
    if layout.swap is not None and any(swapped):
        widths[swapped] = widths[swapped][:, np.argsort(layout.swap)]
    return widths


def _sent(trial: records.Trial) -> list[tuple[str, Unit]]:
    return [(p.reading.sent, p.reading.unit) for p in trial.slots if p is not None]


def _exact(millimetres: float) -> str | None:
    """A difference of whole nanometres, written exactly; of means, to the nanometre."""
    return mm_text(round(millimetres * NM_PER_MM)) if math.isfinite(millimetres) else None


def _degrees(radians: NDArray[np.float64]) -> list[float | None]:
    return [_finite(math.degrees(value)) for value in radians.tolist()]


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
