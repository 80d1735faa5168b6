"""Changes of a machine over its checks, and over the cuts of one series.

A history is one value for each check (the mean angle of a series, say), in order. Setup
changes split it into phases; within a phase a stable machine shows only scatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.comparison import counted
from analysis.conversions import SizeUnit, plus_minus_text, size_text
from analysis.interval import Interval

Array = NDArray[np.float64]

# An EWMA with this weight and width gives a false alarm once in 500 checks and detects a shift
# of one standard deviation in about ten (Lucas and Saccucci 1990, Technometrics 32).
EWMA_WEIGHT: Final = 0.2
EWMA_WIDTH: Final = 2.962

# With fewer checks than this in a phase, limits mean nothing.
FEWEST_FOR_LIMITS: Final = 3
_SHUFFLES: Final = 1999


@dataclass(frozen=True, slots=True)
class ChartConstants:
    """Factors for control limits for groups of n values (ISO 7870-2, table of factors).

    d2, d3: mean and standard deviation of the range of n standard normal values;
    c4: mean of their standard deviation. D3, D4: limits of the range over its mean;
    A2, A3: limits of the mean over mean range and mean standard deviation; E2 = 3 / d2.
    """

    n: int
    d2: float
    d3: float
    c4: float
    D3: float
    D4: float
    A2: float
    A3: float
    E2: float


@dataclass(frozen=True, slots=True)
class Phase:
    """Checks `start` to `stop` (exclusive), between two setup changes.

    Limits are None with fewer than three values or without any scatter. `out` and
    `range_out` are the places, in the whole history, of the checks outside the limits, and of
    those that differ too much from the value before.
    """

    start: int
    stop: int
    checks: int
    centre: float | None
    sigma: float | None
    lower: float | None
    upper: float | None
    mean_range: float | None
    range_upper: float | None
    out: tuple[int, ...]
    range_out: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Ewma:
    """The exponentially weighted mean after each value, and its limits there."""

    values: Array
    lower: Array
    upper: Array
    out: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Cusum:
    """Sums of what lies above and below the target by more than the slack.

    `first_signal` is the place of the first sum above the decision limit, None if none.
    """

    high: Array
    low: Array
    first_signal: int | None


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """Where one lasting shift most likely began: at the value in place `index`.

    `first` to `last` contains the true place with 95 % probability, if there was one shift.
    `p`: how often shuffled values show as large a shift.
    """

    index: int
    first: int
    last: int
    before: float
    after: float
    p: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Trend:
    """How the cuts of one series moved from the first to the last.

    `creep`: change over the whole series by the fitted line, with its interval; `early` and
    `late` the means of the two halves (a middle cut belongs to neither). None where there
    are too few cuts; `shown`: the interval excludes no change.
    """

    cuts: int
    creep: float | None
    interval: Interval | None
    p: float | None
    early: float | None
    late: float | None
    shown: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class History:
    """A machine's checks in phases, with the result of the last phase.

    `trend`: how the checks of the last phase moved, None with fewer than four.
    """

    phases: tuple[Phase, ...]
    ewma: Ewma | None
    change: ChangePoint | None
    sentence: str
    trend: Trend | None = None


@lru_cache(maxsize=64)
def chart_constants(n: int) -> ChartConstants:
    """Factors for control limits of groups of n values, computed, not from a table.

    d2 and d3 from the distribution of the range (integrals of Tippett 1925, Biometrika 17;
    closed forms for n = 2), c4 = sqrt(2 / (n - 1)) gamma(n / 2) / gamma((n - 1) / 2).
    Agrees with ISO 7870-2:2013 to all its digits. Raises ValueError for n outside 2..1000.
    """
    if not 2 <= n <= 1000:
        raise ValueError("groups for a control chart have 2 to 1000 values")
    if n == 2:
        d2, d3 = 2 / math.sqrt(math.pi), math.sqrt(2 - 4 / math.pi)
    else:
        d2, d3 = _range_moments(n)
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    return ChartConstants(
        n,
        d2,
        d3,
        c4,
        max(0.0, 1 - 3 * d3 / d2),
        1 + 3 * d3 / d2,
        3 / (d2 * math.sqrt(n)),
        3 / (c4 * math.sqrt(n)),
        3 / d2,
    )


def _range_moments(n: int) -> tuple[float, float]:
    from scipy import special

    # E[R] = int 1 - P^n - (1-P)^n dx, and E[R^2] = 2 int int_{x<y}
    # 1 - P(y)^n - (1-P(x))^n + (P(y)-P(x))^n dx dy, over the whole line.
    x, w = np.polynomial.legendre.leggauss(200)
    edge = 9.0
    x, w = x * edge, w * edge
    p = special.ndtr(x)
    d2 = float((w * (1 - p**n - (1 - p) ** n)).sum())
    # The inner integral runs over y from x upward, mapped from [-1, 1].
    half = (edge - x) / 2
    y = x[:, None] + half[:, None] * (x[None, :] / edge + 1)
    p_y = special.ndtr(y)
    inner = 1 - p_y**n - ((1 - p) ** n)[:, None] + (p_y - p[:, None]) ** n
    square = 2 * float((w * half * (inner * (w / edge)[None, :]).sum(axis=1)).sum())
    return d2, math.sqrt(square - d2 * d2)


def phase(values: ArrayLike, start: int = 0) -> Phase:
    """Individuals and moving range chart of one phase; nan values are skipped.

    values: (n,), in order; `start` is the place of the first in the whole history.
    Limits: mean +/- 3 sigma, sigma = mean moving range / d2(2); upper limit of the moving
    range D4(2) times its mean (ISO 7870-2:2013, individuals; NIST e-Handbook 6.3.2.2).
    """
    given = np.asarray(values, float).ravel()
    places = np.flatnonzero(np.isfinite(given))
    x, stop = given[places], start + given.size
    if x.size < 2:
        centre = float(x[0]) if x.size else None
        return Phase(start, stop, x.size, centre, None, None, None, None, None, (), ())
    centre = float(x.mean())
    ranges = np.abs(np.diff(x))
    mean_range = float(ranges.mean())
    if x.size < FEWEST_FOR_LIMITS or mean_range == 0:
        return Phase(start, stop, x.size, centre, None, None, None, mean_range, None, (), ())
    factors = chart_constants(2)
    sigma = mean_range / factors.d2
    range_upper = factors.D4 * mean_range
    out = places[np.abs(x - centre) > 3 * sigma] + start
    range_out = places[1:][ranges > range_upper] + start
    return Phase(
        start,
        stop,
        x.size,
        centre,
        sigma,
        centre - 3 * sigma,
        centre + 3 * sigma,
        mean_range,
        range_upper,
        tuple(out.tolist()),
        tuple(range_out.tolist()),
    )


def run_rules(scores: ArrayLike) -> tuple[NDArray[np.bool_], ...]:
    """Where each of four run rules signals, value by value.

    scores: (n,), values as (value - centre) / sigma. Returns four (n,) arrays: one value
    beyond 3; two of three in a row beyond 2 on one side; four of five beyond 1 on one
    side; eight in a row on one side (Champ and Woodall 1987, Technometrics 29: with the
    first two a false alarm once in 225 checks, with all four once in 92). A rule counts
    only at a value that itself lies in the zone. nan lies in no zone.
    """
    z = np.asarray(scores, float).ravel()

    def signals(limit: float, need: int, window: int) -> NDArray[np.bool_]:
        result = np.zeros(z.size, bool)
        for side in (z, -z):
            beyond = side > limit
            total = np.concatenate([[0], np.cumsum(beyond)])
            begin = np.maximum(np.arange(1, z.size + 1) - window, 0)
            result |= beyond & (total[1:] - total[begin] >= need)
        return result

    return signals(3, 1, 1), signals(2, 2, 3), signals(1, 4, 5), signals(0, 8, 8)


def ewma(
    values: ArrayLike,
    centre: float,
    sigma: float,
    *,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
) -> Ewma:
    """Exponentially weighted moving average, which detects small lasting shifts.

    values: (n,), finite. sigma: standard deviation of one value, > 0.
    z[i] = weight * x[i] + (1 - weight) * z[i - 1], z[-1] = centre. The limits widen with the
    number of values: width * sigma * sqrt(weight / (2 - weight) * (1 - (1 - weight)^(2 i)))
    (NIST e-Handbook 6.3.2.4); the last factor tends to 1, the steady-state limits.
    Raises ValueError for a weight outside (0, 1] or a sigma that is not positive.
    """
    if not 0 < weight <= 1:
        raise ValueError("the weight of an EWMA lies above 0 and at most at 1")
    if not sigma > 0:
        raise ValueError("sigma must be greater than zero; give the scatter of one value")
    x = np.asarray(values, float).ravel()
    z = np.empty_like(x)
    level = centre
    for i, value in enumerate(x):
        level = level + weight * (float(value) - level)
        z[i] = level
    count = np.arange(1, x.size + 1)
    half = width * sigma * np.sqrt(weight / (2 - weight) * -np.expm1(2 * count * _log1m(weight)))
    out = np.flatnonzero(np.abs(z - centre) > half)
    return Ewma(z, centre - half, centre + half, tuple(out.tolist()))


def _log1m(weight: float) -> float:
    return math.log1p(-weight) if weight < 1 else -math.inf


def cusum(values: ArrayLike, target: float, slack: float, limit: float) -> Cusum:
    """Tabular cumulative sums, in the unit of the values (NIST e-Handbook 6.3.2.3).

    high[i] = max(0, high[i-1] + x[i] - target - slack), low likewise downward; a sum above
    `limit` is a signal. For a shift of one sigma: slack sigma / 2, limit 4 or 5 sigma.
    """
    x = np.asarray(values, float).ravel()
    high, low = np.empty_like(x), np.empty_like(x)
    up = down = 0.0
    for i, value in enumerate(x):
        up = max(0.0, up + float(value) - target - slack)
        down = max(0.0, down + target - slack - float(value))
        high[i], low[i] = up, down
    signals = np.flatnonzero((high > limit) | (low > limit))
    return Cusum(high, low, int(signals[0]) if signals.size else None)


def shewhart_run_length(width: float = 3.0, shift: float = 0.0) -> float:
    """Mean number of checks until one lies outside `width` sigma, after a shift in sigma."""
    out = quantiles.normal_probability(-width - shift) + quantiles.normal_probability(
        -width + shift
    )
    return 1 / out


def ewma_run_length(
    weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH, shift: float = 0.0
) -> float:
    """Mean number of checks until an EWMA leaves its steady-state limits.

    shift: lasting shift in sigma, present from the first check. The integral equation of
    Crowder (1987, Technometrics 29) by Gauss-Legendre quadrature.
    """
    edge = width * math.sqrt(weight / (2 - weight))

    def density(start: Array, end: Array) -> Array:
        return _phi((end - (1 - weight) * start) / weight - shift) / weight

    nodes, weights = np.polynomial.legendre.leggauss(151)
    nodes, weights = nodes * edge, weights * edge
    kernel = density(nodes[:, None], nodes[None, :]) * weights
    lengths = np.linalg.solve(np.eye(nodes.size) - kernel, np.ones(nodes.size))
    return 1 + float((density(np.zeros(1), nodes) * weights * lengths).sum())


def cusum_run_length(slack: float, limit: float, shift: float = 0.0) -> float:
    """Mean number of checks until a two-sided CUSUM signals, all in units of sigma.

    1 / ARL = 1 / ARL(up) + 1 / ARL(down); each side by the integral equation of Page (1954,
    Biometrika 41) with the probability mass at zero, by Gauss-Legendre quadrature.
    """
    nodes, weights = np.polynomial.legendre.leggauss(101)
    nodes, weights = (nodes + 1) * limit / 2, weights * limit / 2

    def one_side(drift: float) -> float:
        start = np.concatenate([[0.0], nodes])
        kernel = _phi(nodes[None, :] - start[:, None] + slack - drift) * weights
        at_zero = np.array(
            [quantiles.normal_probability(slack - drift - s) for s in start.tolist()]
        )
        matrix = np.column_stack([at_zero, kernel])
        return float(np.linalg.solve(np.eye(start.size) - matrix, np.ones(start.size))[0])

    return 1 / (1 / one_side(shift) + 1 / one_side(-shift))


def _phi(z: Array) -> Array:
    return np.asarray(np.exp(-z * z / 2) / math.sqrt(2 * math.pi))


def change_point(
    values: ArrayLike,
    *,
    labels: Sequence[str] | None = None,
    unit: SizeUnit = "rad",
    resolution: float = 0.0,
) -> ChangePoint | None:
    """Where one lasting shift of the mean most likely began, and how certain that is.

    values: (n,) in order, at least 4; nan is skipped, places count all values.
    labels: the name of each value in the sentence (a date, for example), (n,).
    resolution: the step of the values, so that equal values are not taken as exact.
    Returns None with fewer than four values or no scatter.

    The place is the split that explains most of the variance. `p`: the share of 1999
    shuffles (fixed seed) whose best split explains as much. The interval is the shortest
    run of places that contains 95 % of the posterior weight k^-1/2 (n-k)^-1/2 RSS(k)^-(n-2)/2:
    one shift, flat prior on its place and the means, Jeffreys on sigma (after Smith 1975,
    Biometrika 62; from memory).
    """
    given = np.asarray(values, float).ravel()
    places = np.flatnonzero(np.isfinite(given))
    x = given[places]
    n = x.size
    if n < 4 or np.ptp(x) == 0:
        return None
    x = x - x.mean()
    whole = float((x * x).sum())
    explained = _explained(x[None, :])[0]
    best = int(explained.argmax()) + 1
    shuffled = np.random.default_rng(20).permuted(np.tile(x, (_SHUFFLES, 1)), axis=1)
    # A shuffle into the same order must count as equal despite rounding.
    reached = _explained(shuffled).max(axis=1) >= explained.max() * (1 - 1e-9)
    p = (1 + int(reached.sum())) / (_SHUFFLES + 1)
    k = np.arange(1, n)
    floor = max(n * resolution**2 / 12, 1e-12 * whole)
    rss = np.maximum(whole - explained, floor)
    log_weight = -0.5 * np.log(k * (n - k)) - (n - 2) / 2 * np.log(rss)
    weight = np.exp(log_weight - log_weight.max())
    low, high = _shortest(weight / weight.sum(), 0.95)
    before, after = float(given[places[:best]].mean()), float(given[places[best:]].mean())
    index, first, last = (int(places[j]) for j in (best, low + 1, high + 1))
    sentence = _change_sentence(index, first, last, after - before, p, labels, unit)
    return ChangePoint(index, first, last, before, after, p, sentence)


def _explained(rows: Array) -> Array:
    """Sum of squares between the two parts, for every split of each centred row."""
    n = rows.shape[1]
    k = np.arange(1, n)
    return np.asarray(np.cumsum(rows, axis=1)[:, :-1] ** 2 * (n / (k * (n - k))))


def _shortest(weight: Array, level: float) -> tuple[int, int]:
    """The shortest run of places with at least `level` of the weight (of equals the heaviest)."""
    total = np.concatenate([[0.0], np.cumsum(weight)])
    need = min(level, float(total[-1]))
    for length in range(1, weight.size + 1):
        held = total[length:] - total[:-length]
        if held.max() >= need - 1e-12:
            start = int(held.argmax())
            return start, start + length - 1
    return 0, weight.size - 1


def trend(values: ArrayLike, *, unit: SizeUnit = "rad", level: float = 0.95) -> Trend:
    """Whether the cuts of one series drifted: the machine warms up, a stop slips.

    values: (n,) in the order of cutting; nan keeps its place and does not count.
    The fitted line's slope times (last - first place), with Student's t, n - 2 degrees of
    freedom (NIST e-Handbook 4.4.3). Fewer than four cuts give no interval.
    """
    given = np.asarray(values, float).ravel()
    at = np.flatnonzero(np.isfinite(given)).astype(float)
    x = counted(given)
    n = x.size
    if n < 4:
        words = f"{n} cut{'' if n == 1 else 's'}: too few to see a drift; make at least four."
        return Trend(n, None, None, None, None, None, False, words)
    half = n // 2
    early, late = float(x[:half].mean()), float(x[-half:].mean())
    c = at - at.mean()
    slope = float((c * (x - x.mean())).sum() / (c * c).sum())
    residual = x - x.mean() - slope * c
    span = float(at[-1] - at[0])
    error = math.sqrt(float((residual**2).sum()) / (n - 2) / float((c * c).sum())) * span
    creep = slope * span
    scale = float(np.abs(x).max())
    # With a perfect line, or equal values, the residual is only rounding.
    if error <= 1e-12 * scale:
        flat = np.ptp(x) == 0
        words = (
            "The cuts are all alike: no drift to see."
            if flat
            else f"The cuts moved evenly by {size_text(creep, unit)} from first to last."
        )
        return Trend(n, 0.0 if flat else creep, None, None, early, late, not flat, words)
    wide = quantiles.student_t((1 + level) / 2, n - 2) * error
    interval = Interval.about(creep, wide, level)
    p = 2 * quantiles.student_t_probability(-abs(creep / error), n - 2)
    shown = 0 not in interval
    size = plus_minus_text(creep, wide, unit)
    words = (
        f"The cuts crept by {size} from the first to the last: let the machine warm up, and "
        "check that stop and clamps hold."
        if shown
        else f"No drift shows over these {n} cuts ({size} from first to last)."
    )
    return Trend(n, creep, interval, p, early, late, shown, words)


def history(
    values: ArrayLike,
    *,
    setup_changes: Sequence[int] = (),
    labels: Sequence[str] | None = None,
    unit: SizeUnit = "rad",
    resolution: float = 0.0,
) -> History:
    """A machine's checks in phases, and what the phase since the last setup change shows.

    values: (n,), one for each check, in order; nan is skipped.
    setup_changes: places in 0..n; a change at place i is before check i. A change after
    the last check starts an empty phase. labels: the name of each check, (n,).
    A creep is reported where the fitted line's slope is shown (see `trend`) and fits better than
    one lasting shift. EWMA (centre and sigma of the phase itself), change point and trend are
    those of the last phase that has at least four checks, else None; `ewma.out` counts within
    that phase's finite values, everything else counts in the whole history.
    Raises ValueError for a setup change outside 0..n or labels of another number.
    """
    given = np.asarray(values, float).ravel()
    n = given.size
    if labels is not None and len(labels) != n:
        raise ValueError(f"give one label for each check: {n} checks, {len(labels)} labels")
    wrong = [c for c in setup_changes if not 0 <= c <= n]
    if wrong:
        raise ValueError(f"a setup change lies at check {wrong[0]}, outside 0 to {n}")
    cuts = sorted({0, *setup_changes, n}) if n else [0]
    if n and n in setup_changes:
        cuts.append(n)
    phases = tuple(phase(given[a:b], a) for a, b in pairwise(cuts)) or (phase(given),)
    last = phases[-1]
    inside = given[last.start : last.stop]
    smooth = change = None
    if last.checks >= 4 and last.sigma is not None and last.centre is not None:
        smooth = ewma(counted(inside), last.centre, last.sigma)
        found = change_point(
            inside,
            labels=None if labels is None else labels[last.start : last.stop],
            unit=unit,
            resolution=resolution,
        )
        if found is not None:
            change = ChangePoint(
                found.index + last.start,
                found.first + last.start,
                found.last + last.start,
                found.before,
                found.after,
                found.p,
                found.sentence,
            )
    moved = trend(inside, unit=unit) if last.checks >= 4 else None
    creeping = moved is not None and _creeps(inside, moved, change)
    sentence = _history_sentence(phases, smooth, change, moved if creeping else None, labels, unit)
    return History(phases, smooth, change, sentence, moved)


def _creeps(values: Array, moved: Trend, change: ChangePoint | None) -> bool:
    """Whether a slope is shown and fits better than one shift at its most likely place: a slope
    and a shift look similar."""
    if not moved.shown:
        return False
    if change is None or change.p >= 0.05:
        return True
    at = np.flatnonzero(np.isfinite(values)).astype(float)
    x = counted(values)
    c = at - at.mean()
    explained = float((c * x).sum()) ** 2 / float((c * c).sum())
    return explained > float(_explained((x - x.mean())[None, :]).max())


def _name(labels: Sequence[str] | None, place: int) -> str:
    return labels[place] if labels is not None else f"check {place + 1}"


def _change_sentence(
    index: int,
    first: int,
    last: int,
    shift: float,
    p: float,
    labels: Sequence[str] | None,
    unit: SizeUnit,
) -> str:
    if p >= 0.05:
        return "No lasting shift shows."
    at = _name(labels, index)
    when = (
        f"at {at}"
        if first == last
        else f"at {at} (between {_name(labels, first)} and {_name(labels, last)})"
    )
    return f"A lasting shift of {size_text(shift, unit)} began most likely {when}."


def _history_sentence(
    phases: tuple[Phase, ...],
    smooth: Ewma | None,
    change: ChangePoint | None,
    creep: Trend | None,
    labels: Sequence[str] | None,
    unit: SizeUnit,
) -> str:
    last = phases[-1]
    since = " since the last setup change" if len(phases) > 1 else ""
    if last.checks == 0:
        return f"No check yet{since}."
    if last.sigma is None or last.centre is None:
        if last.checks < FEWEST_FOR_LIMITS:
            few = "one check" if last.checks == 1 else f"{last.checks} checks"
            return f"Only {few}{since}: a drift shows from {FEWEST_FOR_LIMITS} on."
        return f"All {last.checks} checks{since} are alike: no drift."
    sentences = []
    if creep is not None and creep.creep is not None:
        size = (
            size_text(creep.creep, unit)
            if creep.interval is None
            else plus_minus_text(creep.creep, creep.interval.half_width, unit)
        )
        sentences.append(
            f"The checks crept by {size} from the first to the last{since}: something wears or "
            "works loose; check it again soon."
        )
    elif change is not None and change.p < 0.05:
        sentences.append(change.sentence)
    if last.out:
        names = ", ".join(_name(labels, i) for i in last.out)
        sentences.append(f"Outside the usual limits: {names}.")
    if smooth is not None and smooth.out and not sentences:
        sentences.append(
            "The running average has left its limits: a small lasting shift is likely."
        )
    if sentences:
        return " ".join(sentences)
    half = 3 * last.sigma
    return (
        f"Stable{since}: {last.checks} checks, all within {size_text(half, unit, half)} "
        "of their mean."
    )
