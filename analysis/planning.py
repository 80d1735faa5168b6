"""The number of trials, board width and caliper step needed to see an error of a given size.

alpha: risk of seeing an error that is not there; beta: risk of missing one that is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis import budget, quantiles
from analysis.conversions import size_text
from analysis.uncertainty import REPEATABILITY_MM

Alternative = Literal["either", "more", "less"]

# More cuts than a person makes; beyond that, measure better.
_MOST_CUTS: Final = 10_000


@dataclass(frozen=True, slots=True)
class Plan:
    """Three ways to the same certainty, each with the other two as given.

    trial_sd_rad: the scatter of one trial. cuts: how many trials see the error, None if no number
    up to 10000 does. width_mm: the least board width with the number of trials given.
    resolution_mm: the coarsest caliper step with that number and that width. None where no width
    or no step would do, because the rest of the scatter is too large.
    """

    trial_sd_rad: float
    cuts: int | None
    width_mm: float | None
    resolution_mm: float | None
    sentence: str


def power(
    effect: float,
    trials: int,
    trials_other: int | None = None,
    *,
    alpha: float = 0.05,
    alternative: Alternative = "either",
) -> float:
    """Chance that Student's test sees an effect of `effect` standard deviations.

    One series of `trials` against nominal, or two series (`trials_other` given) against each
    other with one common scatter. By noncentral t (NIST e-Handbook 7.2.2.2 gives the
    approximation; Cohen 1988, Statistical Power Analysis, for the exact form; from memory).
    Raises ValueError where the trials leave no degree of freedom, or for a risk outside
    0 to 1.
    """
    _risk("alpha", alpha)
    if trials_other is None:
        df, shift = trials - 1, effect * math.sqrt(max(trials, 0))
    else:
        df = trials + trials_other - 2
        shift = effect * math.sqrt(trials * trials_other / max(trials + trials_other, 1))
    if df < 1:
        raise ValueError("trials: too few for any scatter to be seen; plan at least 2")
    t = quantiles.student_t(1 - (alpha / 2 if alternative == "either" else alpha), df)
    # P(T > t) with shift d equals P(T < -t) with shift -d; this keeps small powers exact.
    more, less = _noncentral_t(-t, df, -shift), _noncentral_t(-t, df, shift)
    return {"either": more + less, "more": more, "less": less}[alternative]


def cuts_needed(
    effect: float,
    *,
    alpha: float = 0.05,
    beta: float = 0.1,
    two_series: bool = False,
    alternative: Alternative = "either",
) -> int | None:
    """The fewest trials (in each series, if two) that see `effect` standard deviations.

    None where the effect is zero, or 10000 trials are not enough. The size of the
    effect counts, not its sign.
    Raises ValueError for a risk outside 0 to 1.
    """
    _risk("beta", beta)
    size = abs(effect)
    if not size > 0 or not math.isfinite(size):
        return None
    if alternative == "less":
        alternative = "more"

    def enough(n: int) -> bool:
        other = n if two_series else None
        return power(size, n, other, alpha=alpha, alternative=alternative) >= 1 - beta

    low, high = 1, 2
    while not enough(high):
        if high >= _MOST_CUTS:
            return None
        low, high = high, min(2 * high, _MOST_CUTS)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def effect_seen(
    trials: int, *, alpha: float = 0.05, beta: float = 0.1, two_series: bool = False
) -> float:
    """The smallest effect, in standard deviations, that so many trials see at these risks.

    Raises ValueError for fewer than two trials or a risk outside 0 to 1.
    """
    _risk("beta", beta)
    other = trials if two_series else None
    high = 1.0
    while power(high, trials, other, alpha=alpha) < 1 - beta:
        high *= 2
    return quantiles.reached(
        lambda effect: power(effect, trials, other, alpha=alpha), 1 - beta, 0.0, high
    )


def trial_sd(
    length_mm: float,
    *,
    reading_sd_mm: float,
    resolution_mm: float,
    own_sd_rad: float = 0.0,
    factor: float = 2.0,
    share: float = 1.0,
) -> float:
    """Standard deviation of one trial's angle, in radians.

    sqrt(share own^2 + 2 (sigma^2 + q^2 / 12) / (factor length)^2): the scatter of the saw's single
    cuts, of whose variance a trial has `share` (`Method.cut_share`), and two
    readings, each with standard deviation sigma and rounded to q (JCGM 100, 4.3.7). `factor`: how
    often the error is counted, 2 for a reversal, 4 for the five-cut.
    Raises ValueError for a length that is not positive.
    """
    if not length_mm > 0:
        raise ValueError("length: it must be greater than zero; give the board's width in mm")
    reading = _readings_mm(reading_sd_mm, resolution_mm) / (factor * length_mm)
    return math.sqrt(share * own_sd_rad**2 + reading**2)


def _readings_mm(reading_sd_mm: float, resolution_mm: float) -> float:
    """The combined standard deviation of the two readings of a strip."""
    return math.hypot(*budget.reading_mm(math.sqrt(2), reading_sd_mm, resolution_mm))


def plan(
    error_rad: float,
    *,
    length_mm: float,
    trials: int = 5,
    reading_sd_mm: float = REPEATABILITY_MM,
    resolution_mm: float = 0.01,
    own_sd_rad: float = 0.0,
    factor: float = 2.0,
    share: float = 1.0,
    alpha: float = 0.05,
    beta: float = 0.1,
    two_series: bool = False,
) -> Plan:
    """What is needed to see an angle error of `error_rad` (or a difference, with two series).

    length_mm: effective length of the cut. reading_sd_mm: repeatability of caliper and hand,
    one reading; 0.02 mm is common practice, no source. Other arguments as for `trial_sd`.
    Raises ValueError for an error or a length that is not positive, fewer than two trials,
    a risk outside 0 to 1.
    """
    size = abs(error_rad)
    if not size > 0 or not math.isfinite(size):
        raise ValueError("error: give the size of error that you want to see, above zero")
    sd = trial_sd(
        length_mm,
        reading_sd_mm=reading_sd_mm,
        resolution_mm=resolution_mm,
        own_sd_rad=own_sd_rad,
        factor=factor,
        share=share,
    )
    allowed = size / effect_seen(trials, alpha=alpha, beta=beta, two_series=two_series)
    cuts: int | None = 2
    if sd > 0:
        cuts = cuts_needed(size / sd, alpha=alpha, beta=beta, two_series=two_series)
    spare = allowed**2 - share * own_sd_rad**2
    width = resolution = None
    if spare > 0:
        width = _readings_mm(reading_sd_mm, resolution_mm) / (factor * math.sqrt(spare))
        step = 12 * (spare * (factor * length_mm) ** 2 / 2 - reading_sd_mm**2)
        resolution = math.sqrt(step) if step > 0 else None
    return Plan(
        sd, cuts, width, resolution, _sentence(size, cuts, width, resolution, trials, length_mm)
    )


def _sentence(
    size: float,
    cuts: int | None,
    width: float | None,
    resolution: float | None,
    trials: int,
    length_mm: float,
) -> str:
    sentences = [
        f"To see an error of {size_text(size, 'rad')}, make {cuts} strips."
        if cuts is not None
        else f"No number of strips up to {_MOST_CUTS} shows an error of {size_text(size, 'rad')}."
    ]
    if cuts is not None and cuts <= trials:
        return sentences[0]
    if width is not None and width > length_mm:
        sentences.append(f"With {trials} strips, use a board {math.ceil(width)} mm wide or more.")
    elif width is None:
        sentences.append(
            f"With {trials} strips no board is wide enough: the machine scatters too much."
        )
    if resolution is not None:
        sentences.append(f"Or read it with a caliper of {size_text(resolution, 'mm')} or finer.")
    elif width is not None:
        sentences.append("A finer caliper alone is not enough.")
    return " ".join(sentences)


def _risk(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name}: a risk lies between 0 and 1, such as 0.05")


def _noncentral_t(t: float, df: float, shift: float) -> float:
    """P(T <= t) of noncentral t: the mean of Phi(t s - shift) over s = chi(df) / sqrt(df).

    By Gauss-Legendre quadrature; scipy's own function gives nan in places in the far tails.
    """
    from scipy import special

    reach = 10 / math.sqrt(2 * df)
    low, high = max(0.0, 1 - reach), 1 + reach
    nodes, weights = _legendre()
    s = (low + high) / 2 + nodes * (high - low) / 2
    log_density = (
        math.log(2) + df / 2 * math.log(df / 2) - math.lgamma(df / 2)
        + (df - 1) * np.log(s) - df * s * s / 2
    )  # fmt: skip
    density = np.exp(log_density) * weights * (high - low) / 2
    return min(1.0, float(density @ special.ndtr(t * s - shift)))


@lru_cache(maxsize=1)
def _legendre() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.polynomial.legendre.leggauss(240)
