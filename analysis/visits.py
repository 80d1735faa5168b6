"""How a machine returns to its stop: the scatter between visits apart from that within one.

One-way random effects, unbalanced. The mean square between visits is that of the unweighted means
of the visits times the harmonic mean of their numbers of strips (Thomas and Hultquist 1978), so
that it is nearly a chi-squared variable whatever these numbers are. Intervals: within one visit by
chi squared; between visits from the farther of two limits on each side, those of the modified
large-sample method (Ting, Burdick, Graybill, Jeyaratnam and Lu 1990; Burdick and Graybill,
Confidence Intervals on Variance Components, 1992, 3.2) and of Williams (1962) and Tukey, since the
first is too near with two visits of two strips (own simulation).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conversions import SizeUnit, size_text
from analysis.interval import Interval
from analysis.spread import of_groups
from analysis.uncertainty import coverage_factor, factor

Array = NDArray[np.float64]
Counted = Literal["trial", "visit"]


def called(counted: Counted, noun: str) -> str:
    """What a sentence calls one of what is counted; noun: what it calls a trial."""
    return noun if counted == "trial" else counted


"""Of what the scatter of a mean is taken."""
_TOLD: Final = 0.05


@dataclass(frozen=True, slots=True)
class Visits:
    """What several visits to one stop show, in the unit of the values.

    strips: of each visit. means: of each visit. within: the standard deviation of single strips of
    one visit, None where no visit has two strips. between: that of the stop itself from visit to
    visit, 0 where the visits differ no more than their strips explain; None where it cannot be told
    from `within`. returns: of one strip that is cut after going away and back, both together.
    told: whether the visits differ by more than their strips explain (F test, 5 %).
    """

    strips: tuple[int, ...]
    means: tuple[float, ...]
    within: float | None
    within_interval: Interval | None
    between: float | None
    between_interval: Interval | None
    returns: float
    told: bool | None
    sentence: str


def visits(
    values: ArrayLike, visit: Sequence[int], unit: SizeUnit, level: float = 0.95
) -> Visits | None:
    """The scatter between and within visits; None with fewer than two visits.

    values: (n,) of each strip that counts, finite; visit: (n,) the number of the visit of each one.
    """
    x, of = np.asarray(values, float), np.asarray(visit)
    groups = [x[of == number] for number in sorted(set(of.tolist()))]
    if len(groups) < 2:
        return None
    counts = tuple(len(group) for group in groups)
    means = tuple(float(group.mean()) for group in groups)
    spread = float(np.var(means, ddof=1))
    df = sum(counts) - len(groups)
    if df == 0:
        single = math.sqrt(spread)
        said = _of_single(single, len(groups), unit)
        return Visits(counts, means, None, None, None, None, single, None, said)
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in groups) / df
    harmonic = len(groups) / math.fsum(1 / n for n in counts)
    found = _between(harmonic * spread, len(groups) - 1, within, df, harmonic, level)
    between = math.sqrt(max(spread - within / harmonic, 0.0))
    return Visits(
        counts,
        means,
        math.sqrt(within),
        _within(within, df, level),
        between,
        found.interval,
        math.sqrt(between**2 + within),
        found.told,
        _sentence(between, found, math.sqrt(within), len(groups), unit),
    )


class VisitMeans(NamedTuple):
    """The visits of m series, arrays of shape (m,), in the unit of the values.

    visits: how many. mean, sd: of their means; sd nan for one visit. strips: of a visit, the
    harmonic mean. within: the standard deviation of single strips of one visit, with within_df
    degrees of freedom; nan where no visit has two.
    """

    visits: NDArray[np.int64]
    mean: Array
    sd: Array
    strips: Array
    within: Array
    within_df: NDArray[np.int64]

    def over(self, of_trials: Array) -> Array:
        """The mean of the visits' means; that of the trials where there is one visit."""
        return np.where(self.visits > 1, self.mean, of_trials)

    def of(self, series: int) -> VisitMeans | None:
        """Those of one series; None where it has one visit."""
        if self.visits[series] < 2:
            return None
        one = slice(series, series + 1)
        return VisitMeans(
            self.visits[one],
            self.mean[one],
            self.sd[one],
            self.strips[one],
            self.within[one],
            self.within_df[one],
        )

    def counted(self) -> tuple[int, float]:
        """Of the one series: how many visits, and the standard deviation of their means."""
        return int(self.visits[0]), float(self.sd[0])

    @property
    def least_sd(self) -> Array:
        """Of the visits' means, not less than their strips explain: what to expect of more."""
        return np.fmax(self.sd, self.within / np.sqrt(self.strips))


def visit_means(
    x: Array, of: NDArray[np.int64], visit: NDArray[np.int64], series: int
) -> VisitMeans:
    """x: (n,) of each trial that counts, finite; of, visit: (n,) its series, from 0 to series - 1,
    and its visit there.

    The means of the visits count alike, however many strips each has: their own scatter then tells
    that of their mean without bias (JCGM 100, H.5.2.2, for equal numbers).
    """
    keys, group = np.unique(np.stack([of, visit]), axis=1, return_inverse=True)
    group, groups = group.reshape(-1), keys.shape[1]
    means, sds = of_groups(x, group, groups)
    n, belongs = np.bincount(group, minlength=groups), keys[0]
    count = np.bincount(belongs, minlength=series)
    mean, sd = of_groups(means, belongs, series)
    squares = np.bincount(belongs, np.where(n > 1, (n - 1) * sds**2, 0.0), series)
    df = np.bincount(belongs, n - 1, series).astype(np.int64)
    with np.errstate(divide="ignore", invalid="ignore"):
        strips = count / np.bincount(belongs, 1 / n, series)
        within = np.where(df > 0, np.sqrt(squares / df), np.nan)
    return VisitMeans(count, mean, sd, strips, within, df)


class Units(NamedTuple):
    """What series that are set side by side count as independent.

    values: of each series, in the unit of its trials: those of its trials, or the means of its
    visits. uneven_u: what the mean of a series of one visit scatters beyond the means of another
    one's visits, since it has fewer strips; a standard deviation, as if it were known.
    """

    counted: Counted
    values: tuple[Array, ...]
    uneven_u: float = 0.0


def units(values: Sequence[Array], visit: Sequence[NDArray[np.int64]]) -> Units:
    """values: of each series, (n,) of its trials; visit: (n,) the visit of each.

    What comes from the stop is anew in each visit. Where one of the series has several, visits are
    the units of all: of a series of one visit nothing then shows how the machine comes back. Their
    means count alike, whatever their numbers of strips: Student's interval of values of unequal
    variance holds at least its level, from 95 % on (Bakirov and Szekely 2006, J. Math.
    Sci. 139, from memory).
    """
    each = [
        visit_means(x, np.zeros(x.size, np.int64), of, 1)
        for x, of in zip(values, visit, strict=True)
    ]
    if all(found.visits[0] < 2 for found in each):
        return Units("trial", tuple(values))
    means = (
        np.array([x[of == number].mean() for number in np.unique(of)])
        for x, of in zip(values, visit, strict=True)
    )
    uneven = [
        _uneven_u(several, one)
        for several in each
        for one in each
        if several.visits[0] > 1 and one.visits[0] == 1
    ]
    return Units("visit", tuple(means), max(uneven, default=0.0))


def _uneven_u(several: VisitMeans, one: VisitMeans) -> float:
    df = int(several.within_df[0])
    more = 1 / float(one.strips[0]) - 1 / float(several.strips[0])
    if df == 0 or more <= 0:
        return 0.0
    return _careful(float(several.within[0]), df) * math.sqrt(more)


def _careful(sd: float, df: int) -> float:
    """A standard deviation as if it were known: larger as Student's t is than the normal's."""
    return sd * float(coverage_factor(df) / coverage_factor(math.inf))


class Returns(NamedTuple):
    """How a machine comes back to a stop, by all series of several visits there.

    means: the variance of visits' means, with df degrees of freedom; explained: what of it their
    strips explain, with explained_df; 0 and 0 where no visit has two strips.
    """

    means: float
    df: int
    explained: float
    explained_df: int

    @property
    def sd(self) -> float:
        """Of the stop from visit to visit; strips included where no visit has two."""
        return math.sqrt(max(self.means - self.explained, 0.0))

    @property
    def careful_sd(self) -> float:
        """The same as if it were known: larger for few visits."""
        return _careful(self.sd, self.df)


def returns(of: Iterable[VisitMeans]) -> Returns | None:
    """Pooled over series, each one's visits; None of none."""
    df = within_df = 0
    means = explained = 0.0
    for found in of:
        free, sd, within = int(found.visits[0]) - 1, float(found.sd[0]), float(found.within[0])
        df += free
        means += free * sd * sd
        if found.within_df[0]:
            within_df += int(found.within_df[0])
            explained += free * within * within / float(found.strips[0])
    return Returns(means / df, df, explained / df, within_df) if df else None


def next_cut_half(found: VisitMeans, share: float) -> float:
    """The half-width about the mean of the visits of one series, at 95 %, of the next single cut at
    a visit of its own.

    share: of a cut's variance in a trial's (`Method.cut_share`). Its variance is that of a visit's
    mean, of the mean of all, and what single cuts scatter beyond a visit's mean, each with its own
    degrees of freedom.
    """
    count, within = int(found.visits[0]), float(np.nan_to_num(found.within[0]))
    of_mean = float(found.sd[0]) * math.sqrt(1 + 1 / count)
    # A single cut has the share's inverse of a trial's variance.
    single = within * math.sqrt(max(1 / share - 1 / float(found.strips[0]), 0.0))
    if found.within_df[0] == 0:
        of_mean /= math.sqrt(share)
    u, df = [of_mean, single], [count - 1, max(int(found.within_df[0]), 1)]
    return float(factor(u, df, guard=True)[1]) * math.hypot(*u)


@dataclass(frozen=True, slots=True)
class _Between:
    interval: Interval
    told: bool


def _within(variance: float, df: int, level: float) -> Interval:
    from scipy.special import chdtri

    low, high = (math.sqrt(variance * df / chdtri(df, tail)) for tail in _tails(level))
    return Interval(low, high, level)


def _tails(level: float) -> tuple[float, float]:
    return (1 - level) / 2, (1 + level) / 2


def _between(
    ms: float, df: int, within: float, within_df: int, harmonic: float, level: float
) -> _Between:
    """The interval of the standard deviation between visits, and whether there is one.

    ms: mean square between visits, with df degrees of freedom.
    """
    from scipy.special import chdtri, fdtrc, fdtri

    upper, lower = _tails(level)  # probabilities to exceed
    f_up, f_low = float(fdtri(df, within_df, 1 - upper)), float(fdtri(df, within_df, 1 - lower))
    g1, h1 = 1 - df / chdtri(df, upper), df / chdtri(df, lower) - 1
    g2, h2 = 1 - within_df / chdtri(within_df, upper), within_df / chdtri(within_df, lower) - 1
    g12 = ((f_up - 1) ** 2 - (g1 * f_up) ** 2 - h2**2) / f_up
    h12 = ((1 - f_low) ** 2 - (h1 * f_low) ** 2 - g2**2) / f_low
    down = math.sqrt(max((g1 * ms) ** 2 + (h2 * within) ** 2 + g12 * ms * within, 0.0))
    up = math.sqrt(max((h1 * ms) ** 2 + (g2 * within) ** 2 + h12 * ms * within, 0.0))
    low = min(ms - within - down, (ms - within * f_up) * df / chdtri(df, upper))
    high = max(ms - within + up, (ms - within * f_low) * df / chdtri(df, lower))
    ends = [math.sqrt(max(end, 0.0) / harmonic) for end in (low, high)]
    told = ms > 0 if within == 0 else float(fdtrc(df, within_df, ms / within)) < _TOLD
    return _Between(Interval(ends[0], ends[1], level), told)


def _of_single(sd: float, count: int, unit: SizeUnit) -> str:
    return (
        f"Over {count} visits of 1 strip each, the strips scatter by {size_text(sd, unit)}"
        " (standard deviation), stop and cutting together. Cut 2 strips or more at each visit to"
        " tell the stop apart."
    )


def _sentence(between: float, found: _Between, within: float, count: int, unit: SizeUnit) -> str:
    low, high = (size_text(end, unit) for end in (found.interval.low, found.interval.high))
    strips = f"the strips of one visit scatter by {size_text(within, unit)}"
    if not found.told:
        return (
            f"Over {count} visits the stop itself shows no scatter beyond that of the strips: at"
            f" most {high}, at 95 %; {strips} (standard deviations)."
        )
    return (
        f"Over {count} visits the stop scatters from visit to visit by {size_text(between, unit)}"
        f" ({low} to {high} at 95 %), and {strips} (standard deviations)."
    )
