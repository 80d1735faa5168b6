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


def reading_part(
    method: Method, relation: Relation, *, base_mm: float | None, pieces: int | None = None
) -> float:
    """Standard deviation of one trial, radians or mm, for one mm of scatter of each reading.

    base_mm: the length that an angle's or a tilt's contrast is divided by; None for a length.
    """
    gain = math.hypot(*relation.weights)
    return gain if base_mm is None else gain / (_slope(method, relation, pieces) * base_mm)


def rounding_sd(
    method: Method,
    relation: Relation,
    *,
    resolution_mm: float,
    base_mm: float | None,
    pieces: int | None = None,
) -> float:
    """Standard deviation of one trial from the caliper's rounding alone, radians or mm."""
    return rounding(resolution_mm) * reading_part(method, relation, base_mm=base_mm, pieces=pieces)


def _slope(method: Method, relation: Relation, pieces: int | None) -> float:
    return float(geometry.slope(relation, 0.0, geometry.pieces_of(method, pieces)))
