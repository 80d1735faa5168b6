"""What of a series deserves a second look: doubtful trials, and a drift from cut to cut."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis import doubts, drift, geometry
from analysis.conversions import SizeUnit
from analysis.methods import Quantity
from analysis.score import SeriesFacts
from analysis.uncertainty import REPEATABILITY_MM
from api import scoring
from api.shapes import DoubtOut, IntervalOut, TrendOut, WithoutOut

_MM_PER_INCH = 25.4


def doubts_out(
    facts: SeriesFacts, numbers: Sequence[int], elsewhere_rad: float | None = None
) -> list[DoubtOut]:
    """The doubtful trials of a machine's series, each with the score without them.

    numbers: the trials' own, in the order of the facts' widths. elsewhere_rad: what the
    method's first quantity was found to be before, if it is an angle. None are doubted where
    the lengths cannot be solved for, or the method judges no machine.
    """
    values = _values(facts)
    if values is None:
        return []
    quantity = facts.method.reveals[0]
    found = doubts.find_doubts(
        facts.widths_mm,
        swap=facts.method.swap,
        values=values.of(quantity),
        unit="mm" if quantity == "length" else "rad",
        reading_sd_mm=facts.repeatability_mm or REPEATABILITY_MM,
        elsewhere=None if quantity == "length" else elsewhere_rad,
        numbers=numbers,
    )
    return [
        DoubtOut(
            kind=doubt.kind,
            trials=list(doubt.trial_numbers),
            sentence=doubt.sentence,
            without=_without(facts, [n not in doubt.trial_numbers for n in numbers]),
        )
        for doubt in found
    ]


def trend_out(facts: SeriesFacts) -> dict[str, TrendOut]:
    """How each quantity of a machine's series crept from its first cut to its last.

    Empty where the lengths cannot be solved for, or the method judges no machine.
    """
    values = _values(facts)
    if values is None:
        return {}
    return {q: _trend(facts, q, values) for q in facts.method.reveals}


def _values(facts: SeriesFacts) -> geometry.TrialValues | None:
    if facts.method.judges != "machine":
        return None
    try:
        return geometry.series_values(
            facts.method,
            facts.widths_mm,
            facts.baseline_mm,
            facts.thickness_mm,
            facts.inset_mm,
            facts.strip_side,
            facts.pieces,
        )
    except ValueError:  # the score says what to correct
        return None


def _without(facts: SeriesFacts, counted: Sequence[bool]) -> dict[str, WithoutOut]:
    left = scoring.score_out(replace(facts, counted=np.asarray(counted, dtype=bool)))
    return {name: WithoutOut.model_validate(q) for name, q in left.quantities.items()}


def _trend(facts: SeriesFacts, quantity: Quantity, values: geometry.TrialValues) -> TrendOut:
    # The analysis says a length in the unit that it is given in.
    unit: SizeUnit = facts.unit if quantity == "length" else "rad"
    outward = {"rad": math.degrees(1), "mm": 1.0, "in": _MM_PER_INCH}[unit]
    inward = 1 / _MM_PER_INCH if unit == "in" else 1.0
    found = drift.trend(values.of(quantity) * inward, unit=unit)
    interval = None
    if found.interval is not None:
        low, high = found.interval.low * outward, found.interval.high * outward
        interval = IntervalOut(low=low, high=high, level=found.interval.level)
    return TrendOut(
        cuts=found.cuts,
        creep=None if found.creep is None else found.creep * outward,
        interval=interval,
        p=found.p,
        early=None if found.early is None else found.early * outward,
        late=None if found.late is None else found.late * outward,
        shown=found.shown,
        sentence=found.sentence,
    )
