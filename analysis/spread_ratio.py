"""The spread of one series over that of another, and how sure it is.

Ratios are always second over first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.counts import compared_bounds
from analysis.interval import Interval
from analysis.spread import counted, summary
from analysis.variance import brown_forsythe

Array = NDArray[np.float64]
SpreadRule = Literal["F", "Brown-Forsythe"]
# Fewer values than this in a series show nothing about its tails.
_TAILS_NEED: Final = 10
# Standardising each series makes its tails lighter: at this level two normal series are
# classified as heavy-tailed about one time in twenty (simulated, 10 to 100 trials in each).
_TAILS_LEVEL: Final = 0.90


@dataclass(frozen=True, slots=True)
class SpreadRatio:
    """Spread of the second series over that of the first.

    rule "F": ratio of standard deviations, Fisher's F, for data near normal; each at least what
    the caliper's count may hide (`counts.compared_bounds`).
    rule "Brown-Forsythe": tails are heavy, where F misleads; the ratio is that of the mean
    absolute deviations from the median, its interval Bonett and Seier's.
    `p` is two-sided. `interval` is None where one spread is zero; it begins at 0 or ends at
    infinity where the count may hide all of one spread.
    """

    ratio: float | None
    interval: Interval | None
    p: float | None
    rule: SpreadRule


def spread_ratio(
    first: ArrayLike, second: ArrayLike, level: float = 0.95, rounding_u: float = 0.0
) -> SpreadRatio | None:
    """Spread of the second over the first, with interval; None below two trials in either.

    rounding_u: what the caliper's count adds to each value, a standard deviation.
    Rule: F (NIST e-Handbook 1.3.5.9) unless both series have at least 10 trials, scatter beyond
    the count, and their
    pooled kurtosis is above what normal data show about one time in twenty (score of
    Anscombe and Glynn 1983, Biometrika 70, from memory); then Brown and Forsythe's test
    (e-Handbook 1.3.5.10) with Bonett and Seier's interval (2003, Computational Statistics
    and Data Analysis 43, from memory): ln ratio +/- z sqrt(v1 + v2),
    v = (delta^2 + gamma^2 - 1) / n, delta = (mean - median) / tau, gamma = s / tau,
    tau = mean |x - median|.
    """
    a, b = counted(first), counted(second)
    if a.size < 2 or b.size < 2:
        return None
    sd_a, sd_b = summary(a).sd or 0.0, summary(b).sd or 0.0
    # Within a few counts tails are those of the rounding.
    beyond = min(compared_bounds(sd, rounding_u).least for sd in (sd_a, sd_b)) > 0
    if beyond and _heavy_tailed(a, b):
        _, p = brown_forsythe([a, b])
        log_a, v_a = _log_deviation(a)
        log_b, v_b = _log_deviation(b)
        half = quantiles.normal((1 + level) / 2) * math.sqrt(v_a + v_b)
        log_ratio = log_b - log_a
        interval = Interval(math.exp(log_ratio - half), math.exp(log_ratio + half), level)
        return SpreadRatio(math.exp(log_ratio), interval, p, "Brown-Forsythe")
    return spread_ratio_from_sds(sd_a, a.size, sd_b, b.size, level, rounding_u)


def spread_ratio_from_sds(
    first_sd: float,
    first_trials: int,
    second_sd: float,
    second_trials: int,
    level: float = 0.95,
    rounding_u: float = 0.0,
) -> SpreadRatio:
    """`spread_ratio` by F, from standard deviations and numbers of trials (each >= 2)."""
    first, second = (compared_bounds(sd, rounding_u) for sd in (first_sd, second_sd))
    if first.most == 0 or second.most == 0:
        return SpreadRatio(None, None, None, "F")
    df1, df2 = second_trials - 1, first_trials - 1
    least = second.least / first.most
    most = second.most / first.least if first.least > 0 else math.inf
    below = quantiles.f_probability(most * most, df1, df2)
    # The upper tail from the reciprocal: 1 - P would lose digits.
    above = quantiles.f_probability(1 / least**2, df2, df1) if least > 0 else 1.0
    low = least / math.sqrt(quantiles.f((1 + level) / 2, df1, df2))
    high = most / math.sqrt(quantiles.f((1 - level) / 2, df1, df2))
    p = min(1.0, 2 * min(below, above))
    return SpreadRatio(second.most / first.most, Interval(low, high, level), p, "F")


def _log_deviation(x: Array) -> tuple[float, float]:
    n, median = x.size, float(np.median(x))
    tau = float(np.abs(x - median).mean())
    delta, gamma2 = (float(x.mean()) - median) / tau, float(x.var(ddof=1)) / tau**2
    return math.log(tau * n / (n - 1)), (delta**2 + gamma2 - 1) / n


def _heavy_tailed(a: Array, b: Array) -> bool:
    if min(a.size, b.size) < _TAILS_NEED or np.ptp(a) == 0 or np.ptp(b) == 0:
        return False
    z = np.concatenate([(x - x.mean()) / x.std() for x in (a, b)])
    n = z.size
    kurtosis = float((z**4).mean() / (z**2).mean() ** 2)
    mean = 3 * (n - 1) / (n + 1)
    variance = 24 * n * (n - 2) * (n - 3) / ((n + 1) ** 2 * (n + 3) * (n + 5))
    x = (kurtosis - mean) / math.sqrt(variance)
    if x <= 0:
        return False
    skew = (
        6 * (n * n - 5 * n + 2) / ((n + 7) * (n + 9))
        * math.sqrt(6 * (n + 3) * (n + 5) / (n * (n - 2) * (n - 3)))
    )  # fmt: skip
    k = 6 + 8 / skew * (2 / skew + math.sqrt(1 + 4 / skew**2))
    base = (1 - 2 / k) / (1 + x * math.sqrt(2 / (k - 4)))
    score = (1 - 2 / (9 * k) - math.copysign(abs(base) ** (1 / 3), base)) / math.sqrt(2 / (9 * k))
    return score > quantiles.normal(_TAILS_LEVEL)
