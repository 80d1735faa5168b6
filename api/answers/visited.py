"""How a machine returned to its stop within a series: per visit."""

from __future__ import annotations

import numpy as np

from analysis.facts import SeriesFacts
from analysis.methods import Quantity
from analysis.units import MM_PER_INCH
from analysis.visits import Visits, visits


def visited(facts: SeriesFacts) -> dict[Quantity, Visits]:
    """By quantity, the scatter between and within the visits of the trials, in radians, mm or
    inches; empty with fewer than two visits, or where the lengths have no solution."""
    visit = facts.several_visits()
    if visit is None:
        return {}
    try:
        values = facts.values()
    except ValueError:  # the score says what to correct
        return {}
    inch = facts.unit == "in"
    found: dict[Quantity, Visits] = {}
    for quantity in facts.method.reveals:
        of = values.of(quantity)
        known = np.isfinite(of)
        if quantity == "length" and inch:
            of = of / MM_PER_INCH
        unit = "rad" if quantity != "length" else facts.unit
        told = visits(of[known], visit[known].tolist(), unit)
        if told is not None:
            found[quantity] = told
    return found


def in_mm(unit: str, quantity: Quantity) -> float:
    """How many mm a unit of the values of `visited` has; 1 for an angle, which is in radians."""
    return MM_PER_INCH if quantity == "length" and unit == "in" else 1.0
