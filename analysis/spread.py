"""The spread of results: mean, standard deviation, and the intervals that follow from them.

All functions take plain numbers or arrays of shape (n,) in any one unit and return that
unit. nan means a trial that was not completed and is left out. None means that there are too
few trials; nothing here returns nan.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.counts import scatter_bounds
from analysis.interval import Interval
from analysis.uncertainty import LEVEL

PROPORTION: Final = 0.95
Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Summary:
    """n values; mean, low and high None for none, sd (of one value, n - 1) None for fewer than two.

    range = high - low, None with fewer than two.
    """

    n: int
    mean: float | None
    sd: float | None
    low: float | None
    high: float | None
    range: float | None


def counted(values: ArrayLike) -> Array:
    """The finite values as a flat array: a trial that is nan does not count."""
    flat = np.asarray(values, dtype=np.float64).ravel()
    return np.asarray(flat[np.isfinite(flat)])


def summary(values: ArrayLike) -> Summary:
    """Mean, standard deviation and range of the values that are finite.

    Two passes: the mean is corrected by the mean of the residuals, and the squares are summed
    about it, so that a small spread on a large value keeps its digits (Chan, Golub and
    LeVeque, The American Statistician 37, 1983, 242-247, from memory). Equal values give
    exactly zero.
    """
    x = counted(values)
    n = x.size
    if n == 0:
        return Summary(0, None, None, None, None, None)
    low, high = float(x.min()), float(x.max())
    if low == high:
        spread = 0.0 if n > 1 else None
        return Summary(n, low, spread, low, high, spread)
    rough = x.mean()
    rest = x - rough
    correction = rest.mean()
    squares = float(np.dot(rest, rest)) - n * float(correction) ** 2
    sd = math.sqrt(max(squares, 0.0) / (n - 1))
    return Summary(n, float(rough + correction), sd, low, high, high - low)


def of_groups(x: Array, of: NDArray[np.int64], groups: int) -> tuple[Array, Array]:
    """(groups,) mean and standard deviation of the values of each group; nan of none, and of one.

    x: (n,) finite values; of: (n,) the group of each, 0 to groups - 1. As in `summary`, equal
    values scatter by exactly zero.
    """
    n = np.bincount(of, minlength=groups)
    count = np.maximum(n, 1)
    low, high = np.full(groups, np.inf), np.full(groups, -np.inf)
    np.fmin.at(low, of, x)
    np.fmax.at(high, of, x)
    rough = np.bincount(of, x, groups) / count
    rest = x - rough[of]
    # A second pass, so that a small scatter about a large mean keeps its digits.
    more = np.bincount(of, rest, groups) / count
    rest -= more[of]
    squares = np.bincount(of, rest * rest, groups)
    equal = low == high
    mean = np.where(n == 0, np.nan, np.where(equal, low, rough + more))
    sd = np.sqrt(np.where(equal, 0.0, squares) / np.maximum(n - 1, 1))
    return mean, np.where(n < 2, np.nan, sd)


def serial_correlation(values: ArrayLike) -> float | None:
    """Correlation of each value with the next one; None for fewer than three or equal values.

    sum((x[i] - m)(x[i+1] - m)) / sum((x[i] - m)^2) (NIST/SEMATECH e-Handbook 1.3.3.1).
    """
    x = np.asarray(values, dtype=np.float64).ravel()
    x = x[np.isfinite(x)]
    if x.size < 3 or x.min() == x.max():
        return None
    rest = x - x.mean()
    rest -= rest.mean()
    return float(np.dot(rest[:-1], rest[1:]) / np.dot(rest, rest))


def serial_correlation_limit(n: int, p: float) -> float:
    """What `serial_correlation` of n independent values exceeds with a probability of at most p.

    The normal's quantile with mean -1 / n and variance (n - 2)^2 / (n^2 (n - 1)) (Moran, Biometrika
    35, 1948, 255-260, from memory); own simulation: exceeded more seldom, from ten values on.
    """
    return -1 / n + quantiles.normal(1 - p) * (n - 2) / (n * math.sqrt(n - 1))


def sd_relative_uncertainty(n: int) -> float:
    """The relative standard uncertainty of the standard deviation of n normal values.

    sqrt(1 / c4^2 - 1), c4 = E[s] / sigma (JCGM 100:2008, E.4.3 and table E.1); n >= 2.
    """
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return math.sqrt(1 / c4**2 - 1)


def mean_interval(mean: float, sd: float, n: int, level: float = LEVEL) -> Interval:
    """Confidence interval of the mean: mean +- t sd / sqrt(n) (e-Handbook 1.3.5.2); n >= 2."""
    half = quantiles.student_t((1 + level) / 2, n - 1) * sd / math.sqrt(n)
    return Interval.about(mean, half, level)


def sd_interval(sd: float, n: int, level: float = LEVEL, *, rounding_u: float = 0.0) -> Interval:
    """Confidence interval of the standard deviation, by chi-square (e-Handbook 7.2.3.1); n >= 2.

    rounding_u: what the caliper's count adds to each value, a standard deviation
    (`counts.scatter_bounds`).
    """
    df = n - 1
    within = scatter_bounds(sd, n, rounding_u)
    return Interval(
        within.least * math.sqrt(df / quantiles.chi_square((1 + level) / 2, df)),
        within.most * math.sqrt(df / quantiles.chi_square((1 - level) / 2, df)),
        level,
    )


def prediction_interval(
    mean: float,
    sd: float,
    n: int,
    level: float = LEVEL,
    cuts: int = 1,
    *,
    share: float = 1.0,
    fixed_u: float = 0.0,
) -> Interval:
    """The prediction interval for the mean of the next `cuts` single cuts; n >= 2.

    sd: over n trials, in each of which a cut has the share `share` of its variance
    (`Method.cut_share`). mean +- t sd sqrt(1 / (share cuts) + 1 / n) (Hahn and Meeker, Statistical
    Intervals, 1991, 4.7, from memory), as if nothing of sd came from caliper and hand: what comes
    from them makes the interval too wide, never too narrow. fixed_u: standard uncertainty of what
    all trials share; it is added in squares.
    """
    half = quantiles.student_t((1 + level) / 2, n - 1) * sd * math.sqrt(1 / (share * cuts) + 1 / n)
    fixed = quantiles.normal((1 + level) / 2) * fixed_u
    return Interval.about(mean, math.hypot(half, fixed), level)


def tolerance_interval(
    mean: float,
    sd: float,
    n: int,
    proportion: float = PROPORTION,
    level: float = LEVEL,
    *,
    share: float = 1.0,
    fixed_u: float = 0.0,
) -> Interval:
    """Statistical tolerance interval: contains at least `proportion` of future cuts, at `level`.

    mean +- k sd with the exact two-sided `tolerance_factor`; n >= 2; normal scatter. Other
    arguments as for `prediction_interval`, but the bound of `fixed_u` is added outside.
    """
    half = tolerance_factor(n, proportion, level, share) * sd / math.sqrt(share)
    fixed = quantiles.normal((1 + level) / 2) * fixed_u
    return Interval.about(mean, half + fixed, level)


@lru_cache(maxsize=1024)
def tolerance_factor(
    n: int, proportion: float = PROPORTION, level: float = LEVEL, share: float = 1.0
) -> float:
    """Exact two-sided factor k2 for mean and standard deviation both unknown.

    The k for which E[P(chi2(n-1) >= (n-1) r(z)^2 / k^2)] = level over z ~ N(0, share/n), r(z)
    being the half-width about 0 that contains `proportion` of N(z, 1): n trials tell the mean as
    well as n / share cuts would (ISO 16269-6:2014, annex;
    Krishnamoorthy and Mathew, Statistical Tolerance Regions, 2009, 2.3). Gauss-Legendre over
    z, bisection on log k. Raises ValueError for n < 2.
    """
    if n < 2:
        raise ValueError("trials: a tolerance interval takes 2 or more")
    from scipy import special

    nodes, weights = _legendre()
    of_mean = n / share
    z = 8.5 / math.sqrt(of_mean) * nodes
    density = 8.5 * weights * np.exp(-of_mean * z * z / 2) * math.sqrt(2 / math.pi)
    r = _half_width(z, proportion)
    df = n - 1

    def held(log_k: float) -> float:
        return float(np.dot(density, special.chdtrc(df, df * (r / math.exp(log_k)) ** 2)))

    # The bounds are far below and far above any factor, n = 2 included.
    return math.exp(quantiles.reached(held, level, math.log(1e-3), math.log(1e9)))


@lru_cache(maxsize=1)
def _legendre() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(80)
    return (nodes + 1) / 2, weights / 2


def _half_width(z: NDArray[np.float64], proportion: float) -> NDArray[np.float64]:
    """r with Phi(z + r) - Phi(z - r) = proportion, by Newton's method (the left side is concave
    in r beyond z, so that from a start below the root every step increases)."""
    from scipy import special

    r = np.maximum(quantiles.normal((1 + proportion) / 2), z + quantiles.normal(proportion))
    for _ in range(60):
        missing = proportion - (special.ndtr(z + r) - special.ndtr(z - r))
        steep = (np.exp(-((z + r) ** 2) / 2) + np.exp(-((z - r) ** 2) / 2)) / math.sqrt(2 * math.pi)
        step = missing / steep
        r = r + step
        if np.all(np.abs(step) < 1e-14 * r):
            break
    return np.asarray(r)


@dataclass(frozen=True, slots=True)
class OwnScatter:
    """The scatter of the saw's single cuts, apart from caliper and hand.

    sd: 0 where caliper and hand alone explain the scatter; None where they were not studied.
    interval: for the standard deviation; without a study it holds for every usual hand. hidden:
    its interval contains zero, so the caliper hides it.
    """

    sd: float | None
    interval: Interval
    hidden: bool


def own_scatter(
    sd: float,
    n: int,
    hand_sd: float,
    hand_df: float | None = None,
    level: float = LEVEL,
    *,
    rounding_sd: float = 0.0,
    most_sd: float = 0.0,
    share: float = 1.0,
) -> OwnScatter:
    """The scatter of single cuts, from n trials and a study of caliper and hand.

    sd: over trials, n >= 2. hand_sd: what caliper and hand add to one trial, rounding included,
    with its degrees of freedom (None: taken as known); rounding_sd: what a study on one spot may
    have missed of the rounding; most_sd: sd before it was rounded (`counts.scatter_bounds`), for
    the upper end; all in the unit of sd. share: of a cut's variance in a trial's
    (`Method.cut_share`). The estimate is the root of (sd^2 - hand_sd^2) / share, not below zero.
    Interval: modified large sample for a difference of
    variances (Ting, Burdick, Graybill, Jeyaratnam and Lu, J. Statist. Comput. Simul. 35, 1990,
    135-143; from memory, its coverage checked by simulation), cut at zero.
    """
    if n < 2:
        raise ValueError("trials: scatter takes 2 or more")
    bottom, _ = _difference_of_variances(sd, n, math.hypot(hand_sd, rounding_sd), hand_df, level)
    _, top = _difference_of_variances(max(sd, most_sd), n, hand_sd, hand_df, level)
    interval = _root_interval(bottom / share, top / share, level)
    return OwnScatter(math.sqrt(max(sd**2 - hand_sd**2, 0.0) / share), interval, bottom <= 0)


def bounded_scatter(
    sd: float,
    n: int,
    most_hand_sd: float,
    level: float = LEVEL,
    *,
    most_sd: float = 0.0,
    share: float = 1.0,
) -> OwnScatter:
    """The same without a study: caliper and hand add anything from nothing to `most_hand_sd`.

    The lower end is the chi-square limit of the trials' variance without all that they can add,
    the upper one the limit with nothing taken off, so that it holds whatever they add.
    """
    if n < 2:
        raise ValueError("trials: scatter takes 2 or more")
    bottom = sd_interval(sd, n, level).low ** 2 - most_hand_sd**2
    top = sd_interval(max(sd, most_sd), n, level).high ** 2
    return OwnScatter(None, _root_interval(bottom / share, top / share, level), bottom <= 0)


def _root_interval(low: float, high: float, level: float) -> Interval:
    return Interval(math.sqrt(max(low, 0.0)), math.sqrt(max(high, 0.0)), level)


def _difference_of_variances(
    sd: float, n: int, hand_sd: float, hand_df: float | None, level: float
) -> tuple[float, float]:
    a, b = sd * sd, hand_sd * hand_sd
    df = n - 1
    high, low = (1 + level) / 2, (1 - level) / 2
    up = quantiles.chi_square(high, df) / df
    down = quantiles.chi_square(low, df) / df
    g1, h1 = 1 - 1 / up, 1 / down - 1
    if hand_df is None:
        return a / up - b, a / down - b
    up2 = quantiles.chi_square(high, hand_df) / hand_df
    down2 = quantiles.chi_square(low, hand_df) / hand_df
    g2, h2 = 1 - 1 / up2, 1 / down2 - 1
    f_up = quantiles.f(high, df, hand_df)
    f_down = quantiles.f(low, df, hand_df)
    g12 = ((f_up - 1) ** 2 - (g1 * f_up) ** 2 - h2**2) / f_up
    h12 = ((1 - f_down) ** 2 - (h1 * f_down) ** 2 - g2**2) / f_down
    return (
        a - b - math.sqrt(max(0.0, (g1 * a) ** 2 + (h2 * b) ** 2 + g12 * a * b)),
        a - b + math.sqrt(max(0.0, (h1 * a) ** 2 + (g2 * b) ** 2 + h12 * a * b)),
    )
