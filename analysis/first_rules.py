"""The verdict as the first rules gave it, kept so that it can be compared with today's."""

from __future__ import annotations

from analysis import conformity
from analysis.conformity import Tolerance, Verdict
from analysis.methods import Method


def verdict(
    method: Method, trials: int, mean: float, expanded: float, tolerance: Tolerance | None
) -> Verdict | None:
    """By mean and expanded uncertainty alone (ISO 14253-1), one cut never good; None without a
    tolerance."""
    if tolerance is None:
        return None
    found = conformity.verdict(mean, expanded, tolerance)
    one_cut = trials == 1 and any("cut" in step.action for step in method.steps)
    return conformity.UNKNOWN if found == conformity.GOOD and one_cut else found
