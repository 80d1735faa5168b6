"""How the readings of one trial determine its value."""

from __future__ import annotations

import math

from analysis import geometry
from analysis.methods import Method, Relation
from analysis.uncertainty import rounding


def factor(method: Method, relation: Relation, pieces: int | None = None) -> float:
    """How often the error is counted, the `factor` of `planning.trial_sd`: for a difference of two
    readings the slope of the relation; more for a mean of several, or one reading alone."""
    return _slope(method, relation, pieces) * math.sqrt(2) / math.hypot(*relation.weights)


def rounding_sd(
    method: Method,
    relation: Relation,
    *,
    resolution_mm: float,
    base_mm: float | None,
    pieces: int | None = None,
) -> float:
    """Standard deviation of one trial from the caliper's rounding alone, radians or mm.

    base_mm: the length that an angle's or a tilt's contrast is divided by; None for a length.
    """
    contrast = math.hypot(*relation.weights) * rounding(resolution_mm)
    if base_mm is None:
        return contrast
    return contrast / (_slope(method, relation, pieces) * base_mm)


def _slope(method: Method, relation: Relation, pieces: int | None) -> float:
    return float(geometry.slope(relation, 0.0, geometry.pieces_of(method, pieces)))
