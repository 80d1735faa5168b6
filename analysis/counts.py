"""What a caliper's count leaves unknown: values that are whole counts, and the scatter behind them.

A reading is rounded to the count. Whether equal readings were equal before, and whether readings
of two neighbouring counts differed by more than a hair, they do not show. So every statement about
scatter takes the standard deviation not as it was computed but between two bounds:

- an interval for a standard deviation, limits for single cuts to come, a trend or an outlier:
  `scatter_bounds`, whose `least` and `most` go into the usual formula for the lower and the upper
  end;
- a comparison of two spreads: `compared_bounds`; `spread_ratio.spread_ratio` does so with its
  `rounding_u`.

`rounding_u` is always the standard uncertainty that rounding adds to one value, in the value's
unit: `budget.SeriesBudget.rounding_u`, `one_trial.rounding_sd`, or count / sqrt(12) of a single
reading; 0 where nothing is rounded.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# Half of every fraction of a nanometre with a denominator up to 16: means of as many repeats, and
# halves of them, are whole numbers of it, and 300 mm, a long caliper, in doubles is as fine.
_PER_MM: Final = 1e6 * 2 * 720_720


class ScatterBounds(NamedTuple):
    """The standard deviation of n values before they were rounded lies between these, in effect:
    a formula's lower limit from `least` and its upper limit from `most` hold as they claim."""

    least: float
    most: float


def exact(contrast_mm: Array) -> Array:
    """Sums and differences of widths, in place, freed of what floats add to them.

    contrast_mm: (n,), means of up to 16 counted widths each, times 1, 1/2 or their negatives, added
    up. Widths are whole nanometres, so equal strips become equal to the last bit, and their
    standard deviation exactly zero.
    """
    contrast_mm *= _PER_MM
    np.rint(contrast_mm, out=contrast_mm)
    contrast_mm /= _PER_MM
    return contrast_mm


def scatter_bounds(sd: float, n: float, rounding_u: float) -> ScatterBounds:
    """The bounds for a statement about one standard deviation of n >= 2 rounded values.

    In squares of rounding_u (u): most^2 = sd^2 + u^2, at least 1.5 u^2, since values may scatter by
    a good part of a count within one. least^2 = sd^2 - 3 u^2, or 0 up to (9 + 30 / (n - 1)) u^2,
    since readings at the edge of two counts jump by a whole one. Own simulation (chi-square limits
    hold at their 95 % for hands from 0 to 3 counts, widths anywhere or to a stop, at the worst
    place within the count; `benchmarks.truth.rounding`). With scatter well above the count the rest
    is Sheppard's correction, u^2 (Sheppard 1898; Schneeweiss, Komlos and Ahmad, AStA Advances in
    Statistical Analysis 94, 2010, 253-271, from memory).
    """
    square, u2 = sd * sd, rounding_u * rounding_u
    least = square - 3 * u2 if square > (9 + 30 / (n - 1)) * u2 else 0.0
    return ScatterBounds(math.sqrt(least), math.sqrt(max(square + u2, 1.5 * u2)))


def compared_bounds(sd: float, rounding_u: float) -> ScatterBounds:
    """The bounds for a ratio of standard deviations: the `least` of one over the `most` of the
    other, with Fisher's F as if nothing had been rounded.

    most^2 = sd^2, at least 2 u^2. least^2 = sd^2 - u^2, or 0 up to 9 u^2. Less than
    `scatter_bounds` takes, because the worst cases of two series seldom meet: of machines alike
    those told apart at 5 % stay at 5 % (own simulation, ground as there, 2 to 20 values each).
    """
    square, u2 = sd * sd, rounding_u * rounding_u
    least = square - u2 if square > 9 * u2 else 0.0
    return ScatterBounds(math.sqrt(least), math.sqrt(max(square, 2 * u2)))


def widths_vary(widths_mm: ArrayLike, count_mm: float) -> bool:
    """Whether the widths of a series' strips themselves make rounding average out.

    widths_mm: (n, places) of its trials in order, nan = not read. So it is where at every place
    more than half of the readings differ by more than a count from that of the strip before: then
    no place within the count is kept. At the edge of two counts a steady hand on strips cut to a
    stop makes readings jump too, but by one count; their standard deviation proves nothing.
    """
    widths = np.asarray(widths_mm, dtype=np.float64)
    jumps = (np.abs(widths[1:] - widths[:-1]) > 1.5 * count_mm).sum(axis=0)
    return bool(2 * jumps.min(initial=len(widths)) > len(widths) - 1 > 0)


def each_varies(
    widths_mm: ArrayLike, of: NDArray[np.int64], count_mm: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """(m,) the same of m series at once; of: (n,) the series of each trial, one series after the
    other; count_mm: (m,)."""
    widths, m = np.asarray(widths_mm, dtype=np.float64), len(count_mm)
    next_of = of[1:]
    follows = next_of == of[:-1]
    limit = 1.5 * count_mm[next_of, np.newaxis]
    far = (np.abs(widths[1:] - widths[:-1]) > limit) & follows[:, np.newaxis]
    steps = np.bincount(next_of, follows, m)
    jumps = [np.bincount(next_of, place, m) for place in far.T]
    return np.asarray(2 * np.min(jumps, axis=0) > steps)
