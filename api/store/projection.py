"""From a folded trial to the rows that readers and exports see.

What is written here is a cache of pure functions of the log and the series' settings; it
can be thrown away and made again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from sqlalchemy import Row

from analysis.geometry import TrialValues, series_values
from analysis.units import NM_PER_MM, mm, mm_text
from api.store.facts import facts_of
from capture import pairing


def project(
    series: Row[Any], state: pairing.State, numbers: Sequence[int]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The rows of `trials` and `trial_readings` for the trials numbered, as `state` has them.

    A trial whose readings were all taken back is written as gone rather than deleted, so
    that whoever pulled it once learns of it.
    """
    from analysis.score import trial_uncertainty  # scipy comes with it; not before a reading

    layout = state.layout
    empty = (None,) * (layout.places * layout.repeats)
    trials = [
        state.trials[n - 1] if n <= len(state.trials) else pairing.Trial(n, empty) for n in numbers
    ]
    widths = np.full((len(trials), layout.places, layout.repeats), np.nan)
    for row, trial in enumerate(trials):
        if not trial.complete:
            continue  # a trial says nothing until each place is read as often as asked
        for slot, placed in enumerate(trial.slots):
            if placed is not None:
                place = pairing.place_of(trial, slot, layout)
                widths[row, place, slot % layout.repeats] = mm(placed.reading.nm)
    sent = [(p.reading.sent, p.reading.unit) for t in trials for p in t.slots if p]
    facts = facts_of(series, widths, sent)
    values = series_values(
        facts.method,
        widths,
        facts.baseline_mm,
        facts.thickness_mm,
        facts.inset_mm,
        facts.strip_side,
        facts.pieces,
    )
    expanded = np.broadcast_to(np.degrees(trial_uncertainty(facts)), (len(trials),))
    rows = [
        _trial_row(series, trial, values, row, float(expanded[row]))
        for row, trial in enumerate(trials)
    ]
    slots = [
        {
            "trial_id": pairing.trial_id(series.id, trial.number),
            "slot": slot,
            "place": pairing.place_of(trial, slot, layout),
            "reading_id": placed.reading.id,
        }
        for trial in trials
        for slot, placed in enumerate(trial.slots)
        if placed is not None
    ]
    return rows, slots


def _trial_row(
    series: Row[Any], trial: pairing.Trial, values: TrialValues, row: int, expanded: float
) -> dict[str, Any]:
    placed = [p for p in trial.slots if p is not None]
    latest = trial.latest
    angular = any(math.isfinite(v[row]) for v in (values.angle_rad, values.tilt_rad))
    return {
        "id": pairing.trial_id(series.id, trial.number),
        "series_id": series.id,
        "number": trial.number,
        "state": "gone" if trial.empty else "complete" if trial.complete else "open",
        "swapped": trial.swapped,
        "flags": " ".join(flag.replace(" ", "-") for flag in trial.flags),
        "taken_at": latest.reading.taken_at if latest else None,
        "readings_mm": " ".join(mm_text(p.reading.nm) for p in placed),
        "deviation_mm": _exact(values.deviation_mm[row]),
        "angle_deg": _finite(math.degrees(values.angle_rad[row])),
        "tilt_deg": _finite(math.degrees(values.tilt_rad[row])),
        "length_mm": _finite(values.length_mm[row]),
        "expanded_uncertainty_deg": _finite(expanded) if angular else None,
        "caliper": " ".join(dict.fromkeys(p.reading.caliper for p in placed)),
    }


def _exact(millimetres: float) -> str | None:
    """A difference of whole nanometres, written exactly; of means, to the nanometre."""
    return mm_text(round(millimetres * NM_PER_MM)) if math.isfinite(millimetres) else None


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
