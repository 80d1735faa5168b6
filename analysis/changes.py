"""Whether a machine changed between its checks, looked at after each check.

Self-starting: nothing is known of the machine before its first check, and the limits hold from the
third one on. At each look the latest check is compared with those before it (Quesenberry, SPC Q
charts for start-up processes and short or long runs, Journal of Quality Technology 23, 1991,
213-224), and every place is tried at which a lasting shift may have begun (Hawkins, Qiu and Kang,
The changepoint model for statistical process control, Journal of Quality Technology 35, 2003,
355-366), or a steady creep. Both from memory; checks of unequal uncertainty, the creep and the
limits are our own, found by simulation (`benchmarks/truth/history.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis import quantiles

Array = NDArray[np.float64]
Kind = Literal["outside", "shift", "creep"]

LIMITS: Final[Mapping[Kind, float]] = {"outside": 4.0, "shift": 3.68, "creep": 3.55}
"""As standard normal deviates. All together they tell any change of a stable machine, looked at
after each of 40 checks, in less than 5 of 100 histories; a shift of 2 sigma after 15 checks in a
median of 6 checks, of 3 sigma in 3, a creep of 0.2 sigma a check in 11."""

FEWEST: Final = 3
"""Checks from which on something can be told: two show how they scatter, the third is compared."""
_BEFORE: Final = 2
"""Fewer checks show no state from which the machine could have shifted."""
FEWEST_RISING: Final = 6
"""Over fewer checks a creep and a shift look alike."""
_BOUND: Final = 0.95
_TINY: Final = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """n checks in order, all in one unit; each array may have leading axes for many histories.

    values: (..., n). variances: (..., m, n), what each check's own uncertainty was known to be, as
    variances, at each of the last m looks: [look, check], m <= n. rounding: (..., n), the standard
    uncertainty of each by the caliper's count where it does not average out; equal checks show
    no less scatter than this. shared: (groups, ..., n), the standard uncertainty of each that is
    one error for all checks of a group, zero for the checks outside the group.
    """

    values: Array
    variances: Array
    rounding: Array
    shared: Array

    def part(self, places: NDArray[np.int64], looks: int | None = None) -> Measured:
        """The checks at these places of one history; its last `looks` looks, or all."""
        last = places if looks is None else places[-looks:]
        return Measured(
            self.values[places],
            self.variances[np.ix_(last, places)],
            self.rounding[places],
            self.shared[:, places],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """What the checks up to each of m looks show, arrays of shape (..., m).

    mean: weighted. between: the variance between checks by which they are weighted. scale: by how
    much they scatter more than their variances say, at least by the rounding. weight: of the
    mean, one over its variance at that scale. shared: (groups, ..., m), what of each group's error
    is in the mean.
    z: by kind, the most extreme normal deviate; place: where it begins.
    """

    mean: Array
    between: Array
    scale: Array
    weight: Array
    shared: Array
    z: Mapping[Kind, Array]
    place: Mapping[Kind, NDArray[np.int64]]

    def expected_u(self, look: slice | int, own: Array | float, shared: Array) -> Array:
        """The standard uncertainty of the check after a look about the mean of those before it.

        own: its variance; shared: (groups, ...), its part of the groups' errors.
        """
        own_variance = own + self.between[..., look] + 1 / self.weight[..., look]
        unshared = ((shared - self.shared[..., look]) ** 2).sum(0)
        return np.asarray(np.sqrt(self.scale[..., look] * own_variance + unshared))

    def told(self) -> NDArray[np.bool_]:
        """(..., m): whether the look tells any change."""
        each = [self.z[kind] > limit for kind, limit in LIMITS.items()]
        return each[0] | each[1] | each[2]


def between_variance(
    values: Array, variances: Array, seen: Array, bound: float | None = None
) -> Array:
    """(...,) the variance between checks beyond their own, zero or more.

    values, variances: (..., n); seen: (..., n), 1 for the checks that count, else 0.
    The tau^2 for which sum w (x - mean_w)^2 = k - 1, w = 1 / (variance + tau^2); 0 where the sum
    is less at once (Paule and Mandel, Consensus values and weighting factors, Journal of Research
    of the National Bureau of Standards 87, 1982, 377-385; from memory). With `bound`, its one-sided
    upper confidence bound at that level: chi-square's quantile instead of k - 1 (Viechtbauer,
    Confidence intervals for the amount of heterogeneity in meta-analysis, Statistics in Medicine
    26, 2007, 37-52; from memory). The sum is convex and falls, so Newton's method from below
    rises to the root.
    """
    free = np.maximum(seen.sum(-1) - 1, 1)
    wanted = free if bound is None else _chi_square(1 - bound, free)
    mean = (seen * values).sum(-1) / (free + 1)
    spread = (seen * (values - mean[..., None]) ** 2).sum(-1) / wanted
    smallest = np.where(seen > 0, variances, np.inf).min(-1)
    tau2 = np.maximum(spread - np.where(seen > 0, variances, 0.0).max(-1), 0.0)
    for _ in range(60):
        w = seen / (variances + tau2[..., None])
        mean = (w * values).sum(-1) / np.maximum(w.sum(-1), _TINY)
        squares = w * (values - mean[..., None]) ** 2
        excess = squares.sum(-1) - wanted
        step = np.where(excess > 0, excess / np.maximum((w * squares).sum(-1), _TINY), 0.0)
        tau2 = tau2 + step
        if np.all(step <= 1e-6 * (tau2 + smallest)):
            break
    return np.asarray(tau2)


def _chi_square(p: float, df: Array) -> Array:
    from scipy import special

    return np.asarray(special.chdtri(df, 1 - p))


def looks(measured: Measured) -> Looks:
    """The look after each check, from the checks up to it.

    Checks are weighted by w = 1 / (variance + between variance), which standardises them. Of the
    between variance its upper bound is taken, lest a check that is known better than the others
    counts for more than it should while few checks tell that variance; the common scale is
    estimated, which gives Student's t, k - 2 degrees of freedom for k checks.
    What two sides of a comparison do not share of a group's error is added to the variance of
    their difference.
    """
    m, n = measured.variances.shape[-2:]
    at, look = np.arange(n), np.arange(n - m, n)
    seen = np.tri(m, n, n - m)
    x = np.broadcast_to(measured.values[..., None, :], measured.variances.shape)
    between = between_variance(x, measured.variances, seen, _BOUND)
    w = seen / (measured.variances + between[..., None])
    shared = w * measured.shared[..., None, :]
    whole = w.sum(-1)
    mean = (w * x).sum(-1) / whole
    rest = x - mean[..., None]
    squares = (w * rest * rest).sum(-1)
    least = (w * measured.rounding[..., None, :] ** 2).sum(-1) / (look + 1)
    behind = look[:, None] - at
    places: dict[Kind, tuple[_Sums, NDArray[np.bool_]]] = {
        "shift": (_Sums(_since, _since), (behind > 0) & (at >= _BEFORE)),
        "creep": (_Sums(_rising, _rising_squared), behind >= FEWEST_RISING),
    }
    z: dict[Kind, Array] = {}
    place: dict[Kind, NDArray[np.int64]] = {}
    for kind, (sums, allowed) in places.items():
        of_weights = sums.of(w)
        size = np.maximum(sums.squared(w) - of_weights**2 / whole[..., None], _TINY)
        gain = np.where(allowed, sums.of(w * rest) ** 2 / size, 0.0)
        left = np.maximum(squares[..., None] - gain, 0.0) / np.maximum(look - 1, 1)[:, None]
        variance = np.maximum(left, least[..., None])
        for group in shared:
            in_mean = group.sum(-1) / whole
            apart = np.where(allowed, sums.of(group) - of_weights * in_mean[..., None], 0.0)
            variance = variance + apart**2 / size
        ratio = np.where(allowed, gain / np.maximum(variance, _TINY), 0.0)
        place[kind] = ratio.argmax(-1)
        z[kind] = _deviate(np.sqrt(ratio.max(-1)), look - 1)
    scale = np.maximum(squares / np.maximum(look, 1), least)
    made = Looks(mean, between, scale, whole, shared.sum(-1) / whole, z, place)
    z["outside"], place["outside"] = _outside(measured, made), np.broadcast_to(look, whole.shape)
    return made


@dataclass(frozen=True, slots=True)
class _Sums:
    """Of (..., n) weights, from each place on: times the course of a change that begins there, and
    times its square."""

    of: Callable[[Array], Array]
    squared: Callable[[Array], Array]


def _since(weights: Array) -> Array:
    return np.cumsum(weights[..., ::-1], axis=-1)[..., ::-1]


def _rising(weights: Array) -> Array:
    at = np.arange(weights.shape[-1])
    return _since(weights * at) - at * _since(weights)


def _rising_squared(weights: Array) -> Array:
    at = np.arange(weights.shape[-1])
    return _since(weights * at * at) - 2 * at * _since(weights * at) + at * at * _since(weights)


def _outside(measured: Measured, made: Looks) -> Array:
    """(..., m): how far the check of each look is from what the look before led to expect; 0 for
    the first of the looks."""
    m, n = measured.variances.shape[-2:]
    z = np.zeros(made.mean.shape)
    own = np.diagonal(measured.variances, n - m, -2, -1)[..., 1:]
    last = slice(n - m + 1, n)
    u = made.expected_u(slice(0, m - 1), own, measured.shared[..., last])
    away = np.abs(measured.values[..., last] - made.mean[..., :-1])
    df = np.arange(n - m + 1, n) - 1
    # One check before it shows no scatter.
    t = np.where(df > 0, away / np.where(df > 0, np.maximum(u, _TINY), 1.0), 0.0)
    z[..., 1:] = _deviate(t, df)
    return z


def _deviate(t: Array, df: NDArray[np.int64]) -> Array:
    """The normal deviate that is as extreme as |t|."""
    from scipy import special

    return np.asarray(-special.ndtri(special.stdtr(np.maximum(df, 1), -t)))


def outside_factor(df: int) -> float:
    """How many standard uncertainties from the expected one a check is told as outside."""
    return quantiles.student_t(quantiles.normal_probability(LIMITS["outside"]), df)
