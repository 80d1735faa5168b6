"""How surely a verdict may be said to a person who looks after every strip.

An interval at 95 % holds for one look at a number of strips that was set before. A person who looks
after every strip and stops at the first verdict needs a confidence sequence: intervals that hold
the true value at all looks together. Parts that every strip shares are no part of it; they are
added outside.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.uncertainty import LEVEL

Array = NDArray[np.float64]
Value: TypeAlias = Any
"""A float, or for m series an array of shape (m,)."""

Rule = Literal["each look", "one look", "not yet", "earlier series"]
"""How a verdict is reached: it allows for a look after every trial; it is the one look at a number
of trials that was set before the first; that number is not reached; or it takes the scatter of the
machine's own earlier series."""

# The effect size, in standard deviations, is taken to be normal with the variance 1 / G. With this
# one an effect of three standard deviations is told after four trials, of two after six.
_G: Final = 0.1

# The scatter may differ from series to series: that of earlier ones counts as known with no more
# degrees of freedom than this. Where it differs by a factor of 1.6 (one standard deviation), a
# wrong verdict is then still no more frequent than 2.5 %.
_MOST_DF: Final = 6.0
# Where the series itself scatters more than so many times as much, the earlier ones do not count:
# about the upper 10 % point of the root of F.
_CHANGED: Final = 1.8


FALSE_FINDING: Final = 0.0015
"""How often a finding of one kind may be false at one look at an honest series. Looked at after
each of up to twelve trials, all kinds together are then false in no more than 5 % (own simulation,
`benchmarks.truth.looking`)."""


@dataclass(frozen=True, slots=True)
class EarlierScatter:
    """What a machine's own earlier series say of the scatter of a trial, radians or mm.

    sd: within series, pooled over `series` of them, `trials` in all. since: the day of the oldest
    of them, in words.
    """

    sd: float
    degrees_of_freedom: float
    series: int
    trials: int
    since: str


def earlier_scatter(series: Iterable[tuple[int, float]], since: str) -> EarlierScatter | None:
    """The pooled scatter of earlier series, each given as its trials and their standard deviation.

    None where there is none of two trials or more.
    """
    found = [(n, sd) for n, sd in series if n > 1]
    df = sum(n - 1 for n, _ in found)
    if not df:
        return None
    squares = sum((n - 1) * sd * sd for n, sd in found)
    return EarlierScatter(math.sqrt(squares / df), df, len(found), sum(n for n, _ in found), since)


def half_width(
    n: ArrayLike, sd: ArrayLike, degrees_of_freedom: ArrayLike, level: float = LEVEL
) -> Array:
    """Half-widths of a confidence sequence, at 95 % unless said, for a mean of n normal values.

    sd: of one value, estimated with `degrees_of_freedom`: n - 1 for the values' own, more where an
    independent estimate is pooled with it, inf where it is known. inf where nothing can be said.
    The probability that the true mean is outside at any n at all is at most 1 - level.

    With g / (n + g) = c, t = sqrt(n) (mean - m) / sd, v degrees of freedom and an effect size
    ~ N(0, 1 / g), the mixture's likelihood ratio against m is
    sqrt(c) ((1 + t^2 / v) / (1 + c t^2 / v))^((v + 1) / 2), and the m for which it stays below
    1 / (1 - level) form the interval (Lai, Annals of Statistics 4, 1976, 265-280; Wang and Ramdas,
    Anytime-valid t-tests and confidence sequences for Gaussian means with unknown variance, 2025;
    from memory, compared in the tests with a numerical mixture and by simulation). With v = inf
    it is that of a known variance (Robbins, Annals of Mathematical Statistics 41, 1970, 1397-1409).
    """
    factor = _factor(n, degrees_of_freedom, level)
    known = np.where(np.isinf(factor), 1.0, sd)
    return np.asarray(factor * known)


def _factor(n: ArrayLike, degrees_of_freedom: ArrayLike, level: float = LEVEL) -> Array:
    n, v = np.asarray(n, float), np.asarray(degrees_of_freedom, float)
    c = _G / (n + _G)
    need = np.log(1 / (1 - level)) - np.log(c) / 2
    grown = np.expm1(2 * need / (v + 1))
    left = 1 - c * (1 + grown)
    with np.errstate(invalid="ignore", divide="ignore"):
        squared = np.where(np.isinf(v), 2 * need / (1 - c), v * grown / left)
        return np.asarray(np.where((left > 0) & (n > 0), np.sqrt(np.abs(squared) / n), np.inf))


@lru_cache(maxsize=4096)
def _one_factor(n: int, degrees_of_freedom: float) -> float:
    return float(_factor(n, degrees_of_freedom))


def rule(planned: int | None, ended: bool, trials: int, counted: int) -> Rule:
    """How a series' own trials are judged.

    planned: their number, where it was said before the first; trials: those that are complete,
    `counted` of them not set aside. No verdict is shown before the planned number is reached and
    the series has ended: two chances to stop would be one too many for the full strength. One
    planned trial shows no scatter, so that its end would add nothing.
    """
    if planned is not None and planned > 1 and not ended and trials <= planned:
        return "not yet"
    one_look = ended and trials == counted == planned and trials > 1
    return "one look" if one_look else "each look"


def own(n: int, sd: float | None) -> float:
    """The half-width from a series' own n trials; inf below three."""
    if sd is None:
        return math.inf
    factor = _one_factor(n, n - 1)
    return math.inf if math.isinf(factor) else factor * sd


def with_earlier(n: ArrayLike, sd: ArrayLike | None, earlier: EarlierScatter) -> Array:
    """The half-width where the scatter of earlier series is pooled with that of the n trials.

    sd: None for one trial. inf where the trials scatter far more than those did.
    """
    more = np.asarray(n, float) - 1
    mine = np.asarray(0.0 if sd is None else sd, float)
    known = min(earlier.degrees_of_freedom, _MOST_DF)
    pooled = np.sqrt((known * earlier.sd**2 + more * mine**2) / (known + more))
    half = half_width(n, pooled, known + more)
    return np.where(mine > _CHANGED * earlier.sd, np.inf, half)
