"""From a folded trial to the rows that readers and exports see.

What is written here is a cache of pure functions of the log and the series' settings; it
can be thrown away and made again.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from sqlalchemy import Row

from analysis.geometry import TrialValues, series_values
from analysis.units import NM_PER_MM, Unit, mm, mm_text
from api.store.facts import facts_of, resolution_mm
from capture import pairing, records


def project(
    series: Row[Any], state: pairing.State, numbers: Sequence[int]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The rows of `trials` and `trial_readings` for the trials numbered, as `state` has them.

    A trial whose readings were all taken back is written as gone rather than deleted, so
    that whoever pulled it once learns of it.
    """
    layout = state.layout
    empty = (None,) * (layout.places * layout.repeats)
    trials = [
        state.trials[n - 1] if n <= len(state.trials) else pairing.Trial(n, empty) for n in numbers
    ]
    values = _values(series, trials, layout)
    rows: list[dict[str, Any]] = []
    slots: list[dict[str, Any]] = []
    for trial in trials:
        trial_id = pairing.trial_id(series.id, trial.number)
        placed = [(slot, p) for slot, p in enumerate(trial.slots) if p is not None]
        rows.append(
            {
                "id": trial_id,
                "series_id": series.id,
                "number": trial.number,
                "state": "complete" if trial.complete else "open" if placed else "gone",
                "swapped": trial.swapped,
                "flags": " ".join(flag.replace(" ", "-") for flag in trial.flags),
                "taken_at": trial.latest.reading.taken_at if trial.latest else None,
                "readings_mm": " ".join(mm_text(p.reading.nm) for _, p in placed),
                "caliper": " ".join(dict.fromkeys(p.reading.caliper for _, p in placed)),
                **values.get(trial.number, _NO_VALUES),
            }
        )
        slots += [
            {
                "trial_id": trial_id,
                "slot": slot,
                "place": pairing.place_of(trial, slot, layout),
                "reading_id": p.reading.id,
            }
            for slot, p in placed
        ]
    return rows, slots


_NO_VALUES: Final[dict[str, Any]] = dict.fromkeys(
    ("deviation_mm", "angle_deg", "tilt_deg", "length_mm", "expanded_uncertainty_deg")
)


def _values(
    series: Row[Any], trials: Sequence[pairing.Trial], layout: records.Layout
) -> dict[int, dict[str, Any]]:
    """What each complete trial says, by number; one says nothing until each place is read.

    The caliper's count is taken from the trial's own texts, so that a trial's row is the same
    whichever others are written with it.
    """
    from analysis.score import trial_uncertainty  # scipy comes with it; not before a trial

    by_resolution: dict[float, list[pairing.Trial]] = defaultdict(list)
    for trial in trials:
        if trial.complete:
            by_resolution[resolution_mm(_sent(trial))].append(trial)
    found: dict[int, dict[str, Any]] = {}
    for resolution, alike in by_resolution.items():
        widths = np.full((len(alike), layout.places, layout.repeats), np.nan)
        for row, trial in enumerate(alike):
            for slot, placed in enumerate(trial.slots):
                if placed is not None:
                    place = pairing.place_of(trial, slot, layout)
                    widths[row, place, slot % layout.repeats] = mm(placed.reading.nm)
        facts = facts_of(series, widths, resolution)
        values = series_values(
            facts.method,
            widths,
            facts.baseline_mm,
            facts.thickness_mm,
            facts.inset_mm,
            facts.strip_side,
            facts.pieces,
        )
        expanded = np.degrees(trial_uncertainty(facts))
        for row, trial in enumerate(alike):
            found[trial.number] = _columns(values, row, float(expanded[row]))
    return found


def _sent(trial: pairing.Trial) -> list[tuple[str, Unit]]:
    return [(p.reading.sent, p.reading.unit) for p in trial.slots if p is not None]


def _columns(values: TrialValues, row: int, expanded: float) -> dict[str, Any]:
    angle, tilt = float(values.angle_rad[row]), float(values.tilt_rad[row])
    angular = math.isfinite(angle) or math.isfinite(tilt)
    return {
        "deviation_mm": _exact(values.deviation_mm[row]),
        "angle_deg": _finite(math.degrees(angle)),
        "tilt_deg": _finite(math.degrees(tilt)),
        "length_mm": _finite(values.length_mm[row]),
        "expanded_uncertainty_deg": _finite(expanded) if angular else None,
    }


def _exact(millimetres: float) -> str | None:
    """A difference of whole nanometres, written exactly; of means, to the nanometre."""
    return mm_text(round(millimetres * NM_PER_MM)) if math.isfinite(millimetres) else None


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
