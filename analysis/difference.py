"""The difference of two means, and how sure it is.

Differences are always second minus first. Numbers may be in any unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from analysis import quantiles
from analysis.interval import Interval
from analysis.spread import Summary
from analysis.uncertainty import FEW

# A series that scatters by no more than so many times what rounding adds (`compared_bounds`) may
# be rounded alike in each of its trials.
BEYOND: Final = 3.0
_Parts = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Difference:
    """Second mean minus first mean, in the unit of the data.

    `standard_error`, `df`, `t`, `p` (two-sided) and `interval` are None where the data
    cannot give them: fewer than two trials, or no scatter at all. guarded: the variances, each
    with its degrees of freedom, where those are too few for Welch and Satterthwaite.
    """

    estimate: float
    standard_error: float | None = None
    df: float | None = None
    t: float | None = None
    p: float | None = None
    interval: Interval | None = None
    guarded: tuple[tuple[float, float], ...] = ()

    def within(self, margin: float) -> float | None:
        """p of 'the true difference is at least `margin` either way': two one-sided tests.

        Below 0.05 the difference is smaller than the margin, with 95 % confidence. It is the
        larger of the two one-sided p-values (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15;
        from memory). None without a standard error.
        Raises ValueError for a margin that is not positive.
        """
        if not margin > 0:
            raise ValueError("the margin must be greater than zero")
        if self.standard_error is None or self.df is None:
            return None
        return _tail(margin - abs(self.estimate), self.standard_error, self.df, self.guarded)


def difference_of_means(
    first: Summary,
    second: Summary,
    *,
    kind: Literal["welch", "pooled"] = "welch",
    floor_sd: float = 0.0,
    apart_u: float = 0.0,
    level: float = 0.95,
) -> Difference | None:
    """Second mean minus first, with its interval; None if one of them has no trials.

    kind: "welch" allows the two different scatters (Welch 1947; NIST e-Handbook 1.3.5.3),
    "pooled" assumes a common one. With fewer than two trials in either there is no
    interval.
    floor_sd: the least standard deviation of one trial that the caliper's rounding allows.
    For a series with less scatter it is used instead, not divided by the number of
    trials, since rounding that is the same each time does not average out. Up to three times of it
    the scatter does not show that it is not made by the rounding, so it is used beside it.
    apart_u: standard uncertainty of the difference from systematic errors that the two means do
    not share (`systematic.between`).
    Degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1), with the guard of
    `difference_from_parts`.
    """
    if first.mean is None or second.mean is None:
        return None
    estimate = second.mean - first.mean
    if first.sd is None or second.sd is None:
        return Difference(estimate)
    if kind == "pooled":
        df = first.n + second.n - 2
        pooled = ((first.n - 1) * first.sd**2 + (second.n - 1) * second.sd**2) / df
        variance = max(pooled, floor_sd**2) * (1 / first.n + 1 / second.n)
        parts = [(variance, float(df))]
    else:
        parts = [_mean_variance(side.sd, side.n, floor_sd) for side in (first, second)]
        hidden = [floor_sd <= sd <= BEYOND * floor_sd for sd in (first.sd, second.sd)]
        apart_u = math.hypot(apart_u, floor_sd * math.sqrt(sum(hidden)))
    return difference_from_parts(estimate, parts, level, fixed_u=apart_u, guard=True)


def difference_from_parts(
    estimate: float,
    parts: Sequence[tuple[float, float]],
    level: float = 0.95,
    *,
    fixed_u: float = 0.0,
    guard: bool = False,
) -> Difference:
    """`estimate` with its uncertainty from independent variances and their degrees of freedom.

    fixed_u: a standard uncertainty beside them that is known. It does not add to degrees of freedom
    fewer than four: a fixed part of equal size would then make the interval too narrow (see
    `uncertainty.factor`). Only the estimate where the variances add up to zero.
    guard: with fewer than four in any part, Welch's interval at 95 % holds in as few as 88 % (2
    and 20 trials of one scatter; own simulation); interval and p then expand each part by itself
    and add them in squares, as `uncertainty.factor` does, if that is wider.
    """
    random = sum(v for v, _ in parts)
    variance = random + fixed_u**2
    if not variance > 0:
        return Difference(estimate)
    # Shares are squared, not variances: very small variances would underflow.
    lost = sum((v / variance) ** 2 / df for v, df in parts if v > 0)
    df = 1 / lost if lost > 0 else math.inf
    if fixed_u > 0 and lost > 0:
        alone = df * (random / variance) ** 2
        df = alone if alone < FEW else df
    error = math.sqrt(variance)
    each = [(v, own) for v, own in (*parts, (fixed_u**2, math.inf)) if v > 0]
    guarded = tuple(each) if guard and min(own for _, own in each) < FEW else ()
    return Difference(
        estimate,
        error,
        df,
        estimate / error,
        2 * _tail(abs(estimate), error, df, guarded),
        Interval.about(estimate, _half_width(level, error, df, guarded), level),
        guarded,
    )


def rounded_df(degrees_of_freedom: float) -> float:
    """Of a variance taken from the caliper's count, since the values scatter less: a few may do so
    by luck, where the scatter is far beyond the count."""
    return degrees_of_freedom if degrees_of_freedom < FEW else math.inf


def _mean_variance(sd: float | None, trials: int, floor_sd: float) -> tuple[float, float]:
    if sd is None or sd < floor_sd:
        return floor_sd**2, rounded_df(trials - 1.0)
    return sd**2 / trials, trials - 1.0


def _half_width(level: float, error: float, df: float, guarded: _Parts) -> float:
    at = (1 + level) / 2
    return max(quantiles.student_t(at, df) * error, each_expanded(at, guarded))


def each_expanded(at: float, parts: _Parts) -> float:
    """Variances, each expanded with its own degrees of freedom to the quantile `at`, added in
    squares."""
    return math.hypot(*(quantiles.student_t(at, df) * math.sqrt(v) for v, df in parts))


def _tail(distance: float, error: float, df: float, guarded: _Parts) -> float:
    """The probability of one tail beyond `distance`; above one half where that is negative."""
    tail = quantiles.student_t_probability(-distance / error, df)
    if not guarded or distance <= 0:
        return tail

    def expanded(log_tail: float) -> float:
        return -each_expanded(1 - math.exp(log_tail), guarded)

    # Down to a tail that a double can still tell from none.
    return max(tail, math.exp(quantiles.reached(expanded, -distance, -32.0, math.log(0.5))))
