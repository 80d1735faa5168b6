"""What the readings of one trial do to its value, against trials that are made and solved."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.geometry import series_values
from analysis.methods import METHODS
from analysis.one_trial import factor, rounding_sd
from analysis.planning import trial_sd
from analysis.uncertainty import rounding

_BASELINE, _THICKNESS, _COUNT = 200.0, 150.0, 0.01
_RELATIONS = [
    pytest.param(method, relation, id=f"{key} {relation.quantity}")
    for key, method in METHODS.items()
    for relation in method.relations
]


def base_of(relation) -> float | None:
    return {None: None, "baseline": _BASELINE, "thickness": _THICKNESS}[relation.over]


def scatter(method, relation, widths) -> float:
    found = series_values(method, widths, baseline_mm=_BASELINE, thickness_mm=_THICKNESS)
    return float(np.std(found.of(relation.quantity)))


@pytest.mark.parametrize(("method", "relation"), _RELATIONS)
def test_the_rounding_of_a_caliper_scatters_trials_as_is_said(method, relation, rng):
    true = rng.uniform(0.0, _COUNT, (100_000, len(method.places)))
    said = rounding_sd(method, relation, resolution_mm=_COUNT, base_mm=base_of(relation))
    # What rounding did: the exact value is taken away, place by place.
    off = np.round(true / _COUNT) * _COUNT - true
    assert scatter(method, relation, off) == pytest.approx(said, rel=0.02)


@pytest.mark.parametrize(
    ("method", "relation"), [each for each in _RELATIONS if each.values[1].terms]
)
def test_the_error_is_counted_as_often_as_the_planning_takes_it(method, relation, rng):
    base = base_of(relation)
    widths = rng.normal(0.0, 0.02, (100_000, len(method.places)))
    planned = trial_sd(base, reading_sd_mm=0.02, resolution_mm=0.0, factor=factor(method, relation))
    assert scatter(method, relation, widths) == pytest.approx(planned, rel=0.02)


def test_a_reversal_counts_the_error_twice_and_a_frame_once_for_each_cut():
    (reversal,) = METHODS["reversal"].relations
    assert factor(METHODS["reversal"], reversal) == pytest.approx(2)
    frame = METHODS["closing-miters"]
    (gap,) = frame.relations
    four, six = (factor(frame, gap, pieces) for pieces in (4, 6))
    assert six / four == pytest.approx(6 / 4)
    with pytest.raises(ValueError, match="close no frame"):
        factor(frame, gap, 2)


def test_a_caliper_without_steps_adds_nothing_and_a_length_is_divided_by_nothing():
    (length,) = METHODS["stop-block"].relations
    block = METHODS["stop-block"]
    assert rounding_sd(block, length, resolution_mm=0.0, base_mm=None) == 0
    one = rounding_sd(block, length, resolution_mm=0.02, base_mm=None)
    assert one == pytest.approx(math.hypot(*length.weights) * rounding(0.02))
