"""The rules of an uncertainty budget.

Follows JCGM 100:2008, Evaluation of measurement data, Guide to the expression of uncertainty
in measurement (GUM); each formula names its section. `montecarlo` computes the same in an
independent way.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.units import NM_PER_UNIT, Unit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
LEVEL: Final = 0.95
Distribution = Literal["normal", "Student's t", "rectangular", "triangular", "arcsine"]
Enters = Literal["result", "contrast", "scale", "base", "inset", "jaws"]
"""Where an input enters the model result = solve(contrast * scale / length), the length following
from base, inset and jaws: the result itself, or one of its inputs."""

# Assumed until the user gives a better value. Each is common practice, no source.
REPEATABILITY_MM: Final = 0.02  # one reading, caliper and hand together, standard deviation
HAND_BOUND_MM: Final = 0.05  # no hand with a caliper repeats worse, standard deviation
LENGTH_BOUND_MM: Final = 0.5  # a cut's length by a steel rule, plus or minus, rectangular
INSET_BOUND_MM: Final = 1.0  # where the jaws touched, plus or minus, rectangular
JAWS_BOUND_MM: Final = 0.5  # the width of flat jaws, plus or minus, rectangular
USUAL_JAWS_MM: Final = 6.0  # jaws whose width is not said are no wider
SCALE_BOUND: Final = 1e-4  # the caliper's scale, relative, plus or minus, rectangular
ZERO_BOUND_MM: Final = 0.02  # the caliper's zero, plus or minus, rectangular

# With fewer degrees of freedom than this, Welch-Satterthwaite intervals are too narrow.
FEW: Final = 4

# With a standard deviation of one reading below this share of the caliper's count, rounding
# no longer averages out over readings.
DITHER_SHARE: Final = 0.3

_TINY: Final = float(np.finfo(float).tiny)

# From this number of trials on, their own scatter is better known than the assumed repeatability.
ENOUGH_FOR_OWN_SCATTER: Final = 10


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value anywhere within +-half_width: a / sqrt(3) (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def rounding(count: float) -> float:
    """Of one reading shown in steps of `count`: count / sqrt(12) (GUM F.2.2.1)."""
    return count / math.sqrt(12)


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget.

    value and standard_uncertainty are in `unit`; sensitivity is the change of the result for
    one of that unit; contribution = |sensitivity| * standard_uncertainty, in the result's
    unit. degrees_of_freedom: None where they are unlimited (a bound or a stated value).
    enters: where in the model it comes in.
    """

    source: str
    value: float
    unit: str
    distribution: Distribution
    standard_uncertainty: float
    sensitivity: float = 1.0
    degrees_of_freedom: float | None = None
    enters: Enters = "result"
    contribution: float = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "contribution", abs(self.sensitivity) * self.standard_uncertainty)


@dataclass(frozen=True, slots=True)
class Budget:
    """The contributions and their combination, in the result's unit.

    effective_degrees_of_freedom: None where unlimited. coverage_factor: Student's t for them, or
    more with few degrees of freedom (see `factor`). expanded = coverage_factor * combined,
    holding at `level`.
    """

    contributions: tuple[Contribution, ...]
    combined: float
    effective_degrees_of_freedom: float | None
    coverage_factor: float
    expanded: float
    level: float = LEVEL


def combine(
    contributions: Iterable[Contribution], level: float = LEVEL, guard: bool = False
) -> Budget:
    """The budget of uncorrelated contributions.

    Combined standard uncertainty: root of the sum of squares (GUM 5.1.2, eq. 10). Effective
    degrees of freedom and coverage factor: see `factor`. No contributions, or all zero, give
    zero.
    """
    lines = tuple(contributions)
    u = [c.contribution for c in lines]
    free = [math.inf if (df := c.degrees_of_freedom) is None else df for c in lines]
    df, k = (float(found) for found in factor(u, free, level, guard))
    combined = math.hypot(*u)
    return Budget(lines, combined, None if math.isinf(df) else df, k, k * combined, level)


def factor(
    contributions: ArrayLike,
    degrees_of_freedom: ArrayLike,
    level: float = LEVEL,
    guard: bool = False,
) -> tuple[Array, Array]:
    """Effective degrees of freedom and coverage factor, of one budget or of many at once.

    contributions: (lines,) or (lines, m); degrees_of_freedom: of the same shape or (lines, 1);
    inf where unlimited. Both answers are () or (m,).
    Welch-Satterthwaite, u_c^4 / sum(u_i^4 / df_i) (GUM G.4.1, eq. G.2b), not truncated, and
    Student's t for them (GUM G.3.2). With fewer than four degrees of freedom in a large
    contribution that is too narrow: with two trials and a bound of equal size the interval
    contains the true value in 90 series of 100 instead of 95 (own simulation, in the tests; Hall
    and Willink, Metrologia 38, 2001, 9-15, from memory). `guard` then takes at least the root of
    the sum of squared (t_i u_i), each with its own degrees of freedom, which is wide enough.
    """
    u, df = np.asarray(contributions, float), np.asarray(degrees_of_freedom, float)
    # hypot would take ten times as long.
    combined = np.sqrt((u * u).sum(axis=0))
    # As shares of the whole, so that fourth powers of small numbers do not underflow.
    whole = np.maximum(combined, _TINY)
    share = u / whole
    share *= share
    share *= share
    with np.errstate(divide="ignore"):
        effective = 1 / (share / df).sum(axis=0)
    k = coverage_factor(effective, level)
    if guard and (df < FEW).any():
        each = coverage_factor(df, level) * u
        at_least = np.sqrt((each * each).sum(axis=0)) / whole
        k = np.where((df < FEW).any(axis=0), np.maximum(k, at_least), k)
    return effective, k


@overload
def coverage_factor(degrees_of_freedom: float, level: float = LEVEL) -> float: ...
@overload
def coverage_factor(degrees_of_freedom: Array, level: float = LEVEL) -> Array: ...
def coverage_factor(degrees_of_freedom: float | Array, level: float = LEVEL) -> float | Array:
    """Two-sided Student's t; the normal's for inf (GUM G.3.2, table G.2)."""
    return quantiles.student_t((1 + level) / 2, degrees_of_freedom)


def rounding_averages_out(reading_sd: float | Array, count: float | Array) -> bool | Mask:
    """Whether readings scatter enough for rounding to average out: sd >= 0.3 of a count.

    Own numerical finding: rounding a normal variable of that spread biases its mean by less
    than a tenth of the rounding's own standard uncertainty.
    """
    return reading_sd >= DITHER_SHARE * count


# The digits of a line as sent, with its decimal part; signs, names and units may surround it.
_DECIMALS: Final = re.compile(r"([0-9]*)[.,]([0-9]+)")
# This many different values do not all end in 0, or in 0 and 5, by chance.
_MANY: Final = 10
# A coarser count that all values fit is taken where values of the last digit would do so by chance
# less often than this.
_BY_CHANCE: Final = 0.01
_HALF_THOU_NM: Final = 12_700


def resolution_nm(sent: Iterable[str], unit: Unit) -> int | None:
    """The caliper's count in nanometres, from its texts as sent.

    The most decimals of any text give the last digit. Inches with four or more decimals and
    millimetres with three or more count in fives where every last digit is 0 or 5 (0.0005 in,
    0.005 mm); with ten different values or more any unit does, and counts in tens where every
    last digit is 0. Millimetres count in twos where seven different values or more all end in an
    even digit (0.02 mm), and in 0.0005 in where all values are whole numbers of it, rounded to the
    last digit, which three decimals show by two values and two decimals by twenty. None where no
    text has decimals.
    """
    # A value sent many times shows no more about the last digit than once.
    parts = {(match[1], match[2]) for text in sent if (match := _DECIMALS.search(text))}
    if not parts:
        return None
    decimals = max(len(part) for _, part in parts)
    # A caliper that drops trailing zeros sometimes sends fewer decimals.
    values = {(whole.lstrip("0"), part.ljust(decimals, "0")) for whole, part in parts}
    last = {part[-1] for _, part in values}
    count = NM_PER_UNIT[unit] // int(10**decimals)
    many = len(values) >= _MANY
    if many and last == {"0"}:
        return count * 10
    if last <= {"0", "5"} and (many or decimals >= (4 if unit == "in" else 3)):
        return count * 5
    # Values that end in nothing but 0 would fit any of these: they show no last digit at all.
    if unit == "mm" and count and last != {"0"}:
        shown = [int(whole + part) * count for whole, part in values]
        for coarser in (2 * count, _HALF_THOU_NM):
            if coarser > count and _counts_in(shown, coarser, count):
                return coarser
    return count


def _counts_in(shown_nm: list[int], count_nm: int, digit_nm: int) -> bool:
    """Whether all are whole numbers of the count, rounded to the last digit, and not by chance."""
    if (digit_nm / count_nm) ** len(shown_nm) > _BY_CHANCE:
        return False
    return all(
        2 * min(nm % count_nm, -nm % count_nm) <= (digit_nm if count_nm % digit_nm else 0)
        for nm in shown_nm
    )
