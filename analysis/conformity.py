"""Good enough, needs adjusting, or cannot tell yet.

The rule is ISO 14253-1: a result proves conformity only when it lies within the tolerance by
at least its expanded uncertainty, and nonconformity only when it lies outside by more than
that. In between, neither is proved. Probabilities follow JCGM 106:2012.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from analysis import quantiles
from analysis.sentences import plain

Verdict = Literal["good enough", "needs adjusting", "cannot tell yet"]
GOOD: Final[Verdict] = "good enough"
ADJUST: Final[Verdict] = "needs adjusting"
UNKNOWN: Final[Verdict] = "cannot tell yet"

# A result that misses a limit by rounding of a double only is within it.
_SLACK: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Tolerance:
    """From `low` to `high`: radians from nominal for an angle or a tilt, mm for a length."""

    low: float
    high: float
    unit: Literal["rad", "mm"]
    text: str

    @staticmethod
    def angle(angle_rad: float, text: str | None = None) -> Tolerance:
        """Within +-angle_rad of nominal. Raises ValueError unless it is from 0 to a right angle."""
        if not 0 < angle_rad < math.pi / 2:
            raise ValueError("tolerance: give an angle between 0 and 90 degrees")
        shown = f"{plain(math.degrees(angle_rad), 4)} degrees" if text is None else text
        return Tolerance(-angle_rad, angle_rad, "rad", shown)

    @staticmethod
    def gap(gap_mm: float, joint_mm: float) -> Tolerance:
        """The angle that opens a gap of `gap_mm` at one end of a joint `joint_mm` long.

        atan(gap / joint). Raises ValueError unless both are greater than zero.
        """
        for name, value in (("gap", gap_mm), ("joint", joint_mm)):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name}: {plain(value)} mm must be a length greater than zero")
        return Tolerance.angle(
            math.atan(gap_mm / joint_mm),
            f"a gap of {plain(gap_mm)} mm over a joint of {plain(joint_mm)} mm",
        )

    @staticmethod
    def length(low_mm: float, high_mm: float) -> Tolerance:
        """From `low_mm` to `high_mm`. Raises ValueError unless low lies below high."""
        if not (math.isfinite(low_mm) and math.isfinite(high_mm) and low_mm < high_mm):
            raise ValueError("tolerance: give a smallest length below the largest one")
        return Tolerance(low_mm, high_mm, "mm", f"{plain(low_mm)} to {plain(high_mm)} mm")


def verdict(estimate: float, expanded: float, tolerance: Tolerance) -> Verdict:
    """The verdict on an estimate with its expanded uncertainty (ISO 14253-1:2013, 5).

    Exactly on the acceptance limit it is good enough; on the rejection limit nothing is proved.
    """
    slack = _SLACK * max(abs(tolerance.low), abs(tolerance.high))
    low, high = estimate - expanded, estimate + expanded
    if low >= tolerance.low - slack and high <= tolerance.high + slack:
        return GOOD
    if low > tolerance.high + slack or high < tolerance.low - slack:
        return ADJUST
    return UNKNOWN


def conformance_probability(
    estimate: float, u: float, low: float, high: float, degrees_of_freedom: float | None = None
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.4).

    Normal, or Student's t scaled by u where the degrees of freedom are limited.
    """
    if u == 0:
        return 1.0 if low <= estimate <= high else 0.0
    df = math.inf if degrees_of_freedom is None else degrees_of_freedom
    return quantiles.student_t_probability((high - estimate) / u, df) - (
        quantiles.student_t_probability((low - estimate) / u, df)
    )
