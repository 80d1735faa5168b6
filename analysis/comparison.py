"""Compares two or more series: which is further out, which is less steady.

These are two questions. A machine can be further from its nominal angle and still repeat
better: it needs one adjustment; in the other, the cause of the scatter must be found first.

Differences are always second minus first. Numbers may be in any unit; `unit` only names it for
the sentences ("rad" is shown in degrees, "in" in thou).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.conversions import SizeUnit, plus_minus_text, size_text
from analysis.counts import compared_bounds
from analysis.interval import Interval
from analysis.sentences import capital
from analysis.spread import Summary, sd_interval, summary
from analysis.uncertainty import FEW, HAND_BOUND_MM
from analysis.visits import Counted, called

Array = NDArray[np.float64]
Which = Literal["first", "second"]
SpreadRule = Literal["F", "Brown-Forsythe"]

# Fewer values than this in a series show nothing about its tails.
_TAILS_NEED: Final = 10
# Standardising each series makes its tails lighter: at this level two normal series are
# classified as heavy-tailed about one time in twenty (simulated, 10 to 100 trials in each).
_TAILS_LEVEL: Final = 0.90
# With fewer values in a series odd ones often hide from that classification, and Fisher's F, which
# takes normal scatter for granted (NIST e-Handbook 1.3.5.9), then misleads: of equal machines whose
# every tenth cut scatters four times as much, it told 16 % of pairs of 10 trials apart, 11 % of 12,
# 7 % of 20, 3 % of 30 (own simulation).
_TAILS_SHOW: Final = 30
# Baselines that differ by less than this make no difference to a ratio of spreads.
_ALIKE: Final = 1.02
# A series that scatters by no more than so many times what rounding adds (`compared_bounds`) may
# be rounded alike in each of its trials.
BEYOND: Final = 3.0


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


class TrialParts(NamedTuple):
    """What a trial's value is made of. share: of a single cut's variance in it
    (`Method.cut_share`); reading: its change for one mm of a reading's scatter, in its own unit;
    hand_mm: the most that a reading scatters by hand and caliper, a standard deviation."""

    share: float = 1.0
    reading: float = 1.0
    hand_mm: float = HAND_BOUND_MM


class Trials(NamedTuple):
    """How the trials of two series are made, and whether one hand with one caliper read both."""

    first: TrialParts = TrialParts()
    second: TrialParts = TrialParts()
    one_hand: bool = True

    @property
    def alike(self) -> bool:
        """Whether the spread of trials and that of single cuts have the same ratio."""
        low, high = self.steady_alike
        return high / low < _ALIKE

    @property
    def steady_alike(self) -> tuple[float, float]:
        """The ratios of trial scatter, second over first, of machines whose cuts scatter alike.

        With s^2 = share cut^2 + reading^2 hand^2 of each and one hand, the ratio lies between that
        of cuts alone and that of the hand alone, whatever the hand.
        """
        cuts = math.sqrt(self.second.share / self.first.share)
        hand = self.second.reading / self.first.reading
        return min(cuts, hand), max(cuts, hand)


ONE_HAND: Final = Trials()
"""Trials of one method over one length, read by one hand with one caliper."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """The comparison of two series.

    `further_out`: the one whose mean lies further from nominal, None where nominal is not
    given or the two are equal; `further_out_shown`: the data show it, at `level`.
    `less_steady` and `less_steady_shown` the same for the spread, of single cuts. `spread` is of
    trials.
    """

    first: Summary
    second: Summary
    difference: Difference | None
    spread: SpreadRatio | None
    further_out: Which | None
    further_out_shown: bool
    less_steady: Which | None
    less_steady_shown: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class AnovaTable:
    """One-way analysis of variance; `f` and `p` are None where nothing scatters within."""

    df_between: int
    ss_between: float
    ms_between: float
    df_within: int
    ss_within: float
    ms_within: float
    f: float | None
    p: float | None
    r_squared: float | None
    residual_sd: float


@dataclass(frozen=True, slots=True)
class Pair:
    """Two of several series by their places in the list, corrected for multiple comparisons."""

    first: int
    second: int
    difference: Difference
    p_adjusted: float | None
    differs: bool


@dataclass(frozen=True, slots=True)
class ManyComparison:
    """Three or more series. `anova` and `brown_forsythe_p` are None where too few trials, or
    where their scatter is within the caliper's count."""

    summaries: tuple[Summary, ...]
    anova: AnovaTable | None
    brown_forsythe_p: float | None
    pairs: tuple[Pair, ...]
    rule: str
    sentence: str


def counted(values: ArrayLike) -> Array:
    """The finite values as a flat array: a trial that is nan does not count."""
    flat = np.asarray(values, float).ravel()
    return np.asarray(flat[np.isfinite(flat)])


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


_Parts = Sequence[tuple[float, float]]


def _half_width(level: float, error: float, df: float, guarded: _Parts) -> float:
    at = (1 + level) / 2
    return max(quantiles.student_t(at, df) * error, _each_expanded(at, guarded))


def _each_expanded(at: float, parts: _Parts) -> float:
    return math.hypot(*(quantiles.student_t(at, df) * math.sqrt(v) for v, df in parts))


def _tail(distance: float, error: float, df: float, guarded: _Parts) -> float:
    """The probability of one tail beyond `distance`; above one half where that is negative."""
    tail = quantiles.student_t_probability(-distance / error, df)
    if not guarded or distance <= 0:
        return tail

    def expanded(log_tail: float) -> float:
        return -_each_expanded(1 - math.exp(log_tail), guarded)

    # Down to a tail that a double can still tell from none.
    return max(tail, math.exp(quantiles.reached(expanded, -distance, -32.0, math.log(0.5))))


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


def anova(groups: Sequence[ArrayLike]) -> AnovaTable | None:
    """One-way analysis of variance (NIST e-Handbook 7.4.3); nan values do not count.

    None with fewer than two groups that have values, or no group with two. Computed on
    centred data, so that a large common offset costs no digits.
    """
    kept = [g for g in (counted(group) for group in groups) if g.size]
    total = sum(g.size for g in kept)
    if len(kept) < 2 or total <= len(kept):
        return None
    centre = float(kept[0][0])
    kept = [g - centre for g in kept]
    grand = float(np.concatenate(kept).mean())
    parts = [summary(g) for g in kept]
    between = sum(s.n * ((s.mean or 0.0) - grand) ** 2 for s in parts)
    within = sum((s.n - 1) * (s.sd or 0.0) ** 2 for s in parts)
    df_b, df_w = len(kept) - 1, total - len(kept)
    ms_b, ms_w = between / df_b, within / df_w
    f = ms_b / ms_w if ms_w > 0 else None
    # The upper tail from the reciprocal: 1 - P would lose digits.
    p = None
    if f is not None:
        p = quantiles.f_probability(1 / f, df_w, df_b) if f > 0 else 1.0
    whole = between + within
    return AnovaTable(
        df_b,
        between,
        ms_b,
        df_w,
        within,
        ms_w,
        f,
        p,
        between / whole if whole > 0 else None,
        math.sqrt(ms_w),
    )


def brown_forsythe(
    groups: Sequence[ArrayLike], centre: Literal["median", "mean"] = "median"
) -> tuple[float | None, float | None]:
    """W and p of equal spreads: analysis of variance of |x - centre of its group|.

    centre: "median" is Brown and Forsythe's form, which is robust to heavy tails and skew;
    "mean" is Levene's. NIST e-Handbook 1.3.5.10. (None, None) where it is not defined.
    """
    kept = [counted(group) for group in groups]
    middle = np.median if centre == "median" else np.mean
    table = anova([np.abs(g - middle(g)) for g in kept if g.size])
    return (None, None) if table is None else (table.f, table.p)


def compare(
    first: ArrayLike,
    second: ArrayLike,
    *,
    names: tuple[str, str] = ("the first", "the second"),
    unit: SizeUnit = "rad",
    nominal: float | None = 0.0,
    shared_u: float = 0.0,
    apart_u: float = 0.0,
    floor_sd: float = 0.0,
    trials: Trials = ONE_HAND,
    counted: Counted = "trial",
    noun: str = "strip",
    level: float = 0.95,
) -> Comparison:
    """Which of two series is further out, which is less steady, and whether the data show it.

    first, second: one value for each trial, in `unit`; nan does not count. Angles are errors
    already, so their nominal is 0; for lengths give the nominal, or None if there is none.
    shared_u: standard uncertainty of a systematic error that both means share, in full and
    with one sign (same caliper, same cut length). It cancels in the difference, but not in the
    distances from nominal of two means on opposite sides of it.
    apart_u, floor_sd: see `difference_of_means`. trials: how they are made; where differently, the
    scatter of single cuts is compared.
    counted: what the values are; of visits' means (`visits.units`) no scatter is compared, since it
    is of stop and strips together. noun: what a sentence calls a trial.
    'Further out' is shown when the difference of the means and their sum (both counted from
    nominal) both have intervals that exclude zero: |m2| > |m1| exactly when
    (m2 - m1)(m2 + m1) > 0. 'Less steady' is shown when the interval of `spread_ratio`
    excludes every ratio that machines alike may show: 1, or `Trials.steady_alike`. Where two hands
    or two calipers read, the steadier series' variance is raised by all that the other hand may
    add (`TrialParts.hand_mm`) before that.
    """
    a, b = summary(first), summary(second)
    difference = difference_of_means(a, b, floor_sd=floor_sd, apart_u=apart_u, level=level)
    spread = spread_ratio(first, second, level, floor_sd) if counted == "trial" else None
    further, further_shown = _further_out(a, b, difference, nominal, shared_u, level)
    loose, loose_shown = _less_steady(a, b, spread, trials, floor_sd)
    found = Comparison(
        a, b, difference, spread, further, further_shown, loose, loose_shown, sentence=""
    )
    sentence = _pair_sentence(found, names, unit, nominal, trials, counted, noun)
    return replace(found, sentence=sentence)


def compare_many(
    series: Sequence[ArrayLike],
    *,
    names: Sequence[str],
    unit: SizeUnit = "rad",
    floor_sd: float = 0.0,
    apart_u: ArrayLike = 0.0,
    counted: Counted = "trial",
    noun: str = "strip",
    level: float = 0.95,
) -> ManyComparison:
    """Three or more series: do any differ, and which pairs.

    Analysis of variance for 'do any' (it assumes equal spreads; Brown and Forsythe's p is given
    to check that). Each pair by Welch, with Bonferroni's rule: with
    k pairs each interval holds at 1 - (1 - level) / k and each p is multiplied by k, so that
    all statements together hold at `level`.
    apart_u: (k, k), or one for all: as for `difference_of_means`, of each pair
    (`systematic.apart_u`). The analysis of variance knows nothing of it.
    counted, noun: as for `compare`; the means of visits are too few for an analysis of variance,
    whose equal spreads they cannot show.
    Raises ValueError where names and series differ in number.
    """
    if len(names) != len(series):
        raise ValueError(f"give one name for each series: {len(series)} series, {len(names)} names")
    summaries = tuple(summary(s) for s in series)
    places = [(i, j) for i in range(len(series)) for j in range(i + 1, len(series))]
    strict = 1 - (1 - level) / max(1, len(places))
    apart = np.broadcast_to(np.asarray(apart_u, float), (len(series), len(series)))
    pairs = []
    for i, j in places:
        d = difference_of_means(
            summaries[i],
            summaries[j],
            floor_sd=floor_sd,
            apart_u=float(apart[i, j]),
            level=strict,
        )
        if d is not None:
            p = None if d.p is None else min(1.0, d.p * len(places))
            pairs.append(Pair(i, j, d, p, p is not None and p < 1 - level))
    rule = f"Bonferroni: all {len(places)} statements together hold at {100 * level:.0f} %"
    table, spreads_p = anova(series), brown_forsythe(series)[1]
    if counted == "visit":
        table = spreads_p = None
    elif table is not None and table.residual_sd <= compared_bounds(0.0, floor_sd).most:
        # Ratios to a scatter within the caliper's count would tell of the rounding alone.
        table = spreads_p = None
    elif any(s.sd is not None and compared_bounds(s.sd, floor_sd).least == 0 for s in summaries):
        spreads_p = None
    return ManyComparison(
        summaries,
        table,
        spreads_p,
        tuple(pairs),
        rule,
        _many_sentence(summaries, pairs, names, unit, counted, noun),
    )


def rounded_df(degrees_of_freedom: float) -> float:
    """Of a variance taken from the caliper's count, since the values scatter less: a few may do so
    by luck, where the scatter is far beyond the count."""
    return degrees_of_freedom if degrees_of_freedom < FEW else math.inf


def _mean_variance(sd: float | None, trials: int, floor_sd: float) -> tuple[float, float]:
    if sd is None or sd < floor_sd:
        return floor_sd**2, rounded_df(trials - 1.0)
    return sd**2 / trials, trials - 1.0


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


def _further_out(
    a: Summary,
    b: Summary,
    difference: Difference | None,
    nominal: float | None,
    shared_u: float,
    level: float,
) -> tuple[Which | None, bool]:
    if difference is None or nominal is None or a.mean is None or b.mean is None:
        return None, False
    out_a, out_b = a.mean - nominal, b.mean - nominal
    if abs(out_a) == abs(out_b):
        return None, False
    which: Which = "second" if abs(out_b) > abs(out_a) else "first"
    if difference.standard_error is None or difference.df is None or difference.interval is None:
        return which, False
    total = difference_from_parts(
        out_a + out_b,
        [(difference.standard_error**2, difference.df), (4 * shared_u**2, math.inf)],
        level,
    )
    assert total.interval is not None
    guarded = _each_expanded((1 + level) / 2, (*difference.guarded, (4 * shared_u**2, math.inf)))
    beyond = 0 not in total.interval and abs(out_a + out_b) > guarded
    return which, 0 not in difference.interval and beyond


def _less_steady(
    a: Summary, b: Summary, spread: SpreadRatio | None, trials: Trials, floor_sd: float
) -> tuple[Which | None, bool]:
    if spread is None or a.sd is None or b.sd is None:
        return None, False
    low, high = trials.steady_alike
    if spread.ratio is None or spread.interval is None:
        if a.sd == b.sd or not trials.alike:
            return None, False
        return ("second" if b.sd > a.sd else "first"), False
    if low <= spread.ratio <= high:
        return None, False
    of = spread.interval
    if spread.ratio > high:
        most = compared_bounds(a.sd, floor_sd).most
        return "second", of.low > high and _beyond_hand(of.low, most, trials)
    most = compared_bounds(b.sd, floor_sd).most
    turned = Trials(trials.second, trials.first, trials.one_hand)
    return "first", of.high < low and _beyond_hand(1 / of.high, most, turned)


def _beyond_hand(least_ratio: float, first_sd: float, trials: Trials) -> bool:
    """Whether the second's cuts scatter more although another hand read it."""
    if trials.one_hand:
        return True
    cuts = math.sqrt(trials.second.share / trials.first.share) * first_sd
    return least_ratio * first_sd > math.hypot(cuts, trials.second.reading * trials.second.hand_mm)


def _pair_sentence(
    c: Comparison,
    names: tuple[str, str],
    unit: SizeUnit,
    nominal: float | None,
    trials: Trials,
    counted: Counted,
    noun: str,
) -> str:
    a, b = c.first, c.second
    if a.mean is None or b.mean is None or c.difference is None:
        name = names[0] if a.mean is None else names[1]
        return f"{capital(name)} has no {noun}s yet; make some to compare."
    estimate, u, interval = (
        c.difference.estimate,
        c.difference.standard_error,
        c.difference.interval,
    )
    subject = 0 if c.further_out == "first" else 1
    if nominal is None:
        shown = interval is not None and 0 not in interval
        more = "more" if estimate > 0 else "less"
        lead = f"{capital(names[1])} " + (
            f"is {size_text(estimate, unit, u)} {more} than {names[0]}"
            if estimate
            else f"has the same mean as {names[0]}"
        )
    else:
        shown = c.further_out_shown
        out = (abs(a.mean - nominal), abs(b.mean - nominal))
        far, near = size_text(out[subject], unit, u), size_text(out[1 - subject], unit, u)
        if c.further_out is None:
            lead = f"{capital(names[1])} is as far out as {names[0]} ({far})"
        elif shown:
            lead = f"{capital(names[subject])} is further out: {far} against {near}"
        else:
            lead = f"{capital(names[subject])} looks further out ({far} against {near})"
    if interval is None:
        if min(a.n, b.n) > 1:
            return (
                f"{lead}, but that is not sure: the {called(counted, noun)}s show no scatter to"
                " judge by."
            )
        return f"{lead}, but that is not sure: {_one_shows_nothing(counted, noun)}."
    if shown:
        gap = plus_minus_text(estimate, interval.half_width, unit)
        lead += f" (the means differ by {gap})"
    elif c.further_out is not None or nominal is None:
        half = size_text(interval.half_width, unit, interval.half_width)
        lead += f", not yet shown: the difference is uncertain by ± {half}"
    if counted == "visit":
        return f"{lead}. {_NOT_STEADINESS}"
    return f"{lead}. {_steadiness(c, subject, names, unit, trials, noun)}"


def _one_shows_nothing(counted: Counted, noun: str) -> str:
    if counted == "trial":
        return f"1 {noun} cannot show how steady a machine is; make at least 2 with each"
    return (
        f"1 visit cannot show how a machine comes back to its stop; make {noun}s in at least 2"
        " visits with each"
    )


_NOT_STEADINESS: Final = (
    "Which one repeats better is not compared: visits scatter by the stop and single cuts together."
)


def _steadiness(
    c: Comparison,
    subject: int,
    names: tuple[str, str],
    unit: SizeUnit,
    trials: Trials,
    noun: str,
) -> str:
    """The second half of the sentence, about the machine that is the subject of the first."""
    span = _span(c, subject, unit, trials)
    if c.less_steady is None:
        if not trials.alike:
            return f"Which one's cuts scatter less is not told by these {noun}s ({span})."
        if c.first.sd != c.second.sd:
            return f"Which is steadier the caliper's count does not show ({span})."
        return f"Both are equally steady ({span})."
    worse = (0 if c.less_steady == "first" else 1) == subject
    word = "less steady" if worse else "steadier"
    if c.less_steady_shown:
        shown = f"It is {word} than {names[1 - subject]} ({span})."
        by_f = c.spread is not None and c.spread.rule == "F"
        if by_f and min(c.first.n, c.second.n) < _TAILS_SHOW:
            shown += f" So few {noun}s cannot show whether one odd {noun} did that."
        return shown
    looks = f"It looks {word} than {names[1 - subject]} ({span}), but"
    interval = c.spread.interval if c.spread is not None else None
    low, high = trials.steady_alike
    if interval is not None and (interval.low > high or interval.high < low):
        return (
            f"{looks} another hand or caliper may do that: 10 presses of each on one spot "
            "(method Same spot) would tell."
        )
    return f"{looks} these {noun}s do not prove it."


def _span(c: Comparison, subject: int, unit: SizeUnit, trials: Trials) -> str:
    """What both scatter by, the subject first."""
    sides = (c.first, c.second)
    if trials.alike:
        ranges = [size_text(s.range or 0.0, unit) for s in sides]
        return f"range {ranges[subject]} against {ranges[1 - subject]}"
    most = [
        size_text(sd_interval(s.sd or 0.0, max(s.n, 2)).high / math.sqrt(of.share), unit)
        for s, of in zip(sides, trials[:2], strict=True)
    ]
    return f"a single cut scatters by at most {most[subject]} against {most[1 - subject]}"


def _many_sentence(
    summaries: Sequence[Summary],
    pairs: Sequence[Pair],
    names: Sequence[str],
    unit: SizeUnit,
    counted: Counted,
    noun: str,
) -> str:
    if len(summaries) < 2:
        return "1 series alone compares with nothing; choose at least 2."
    empty = [name for name, s in zip(names, summaries, strict=True) if s.n == 0]
    if empty:
        return f"No {noun}s yet of {', '.join(empty)}; make some to compare."
    if all(pair.p_adjusted is None for pair in pairs):
        more = "make more of each" if counted == "trial" else f"make {noun}s in more visits of each"
        few = called(counted, noun)
        return f"Too few {few}s, or no scatter at all, to say whether they differ; {more}."
    sentences = []
    for pair in pairs:
        if pair.differs:
            low, high = pair.first, pair.second
            if pair.difference.estimate < 0:
                low, high = high, low
            size = size_text(pair.difference.estimate, unit, pair.difference.standard_error)
            sentences.append(f"{names[high]} is above {names[low]} by {size}")
    if not sentences:
        return "None of them differ by more than is uncertain about each."
    return capital("; ".join(sentences)) + "."
