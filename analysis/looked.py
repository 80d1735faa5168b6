"""The difference of two means, where a series was looked at after every trial."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles, sequential
from analysis.difference import BEYOND
from analysis.spread import Summary
from analysis.uncertainty import FEW

EachLook = tuple[bool, bool]
"""Whether the first and the second series were looked at after each trial, so that the number of
their trials was not set before."""

FEWEST = 3
"""Trials, or visits (`visits.units`), from which on such a series says anything by itself."""


def few(number: int, what: str) -> str:
    """Why so few of `what` ("strip") tell nothing."""
    if number == 1:
        return f"1 {what} shows no scatter"
    return f"{number} {what}s show too little of the scatter"


def half_width(
    first: Summary,
    second: Summary,
    each_look: EachLook,
    *,
    second_n: ArrayLike | None = None,
    second_sd: float | None = None,
    floor_sd: float = 0.0,
    apart_u: float = 0.0,
    level: float = 0.95,
) -> NDArray[np.float64]:
    """Half-width of the interval for the difference of the means; inf where nothing can be said.

    The half-widths of the two means, each by how its series was looked at (`sequential.half_width`,
    or Student's t for the one look at a number that was set before), added in squares, as
    independent parts that are expanded each by itself. So it holds at all looks at the second
    series together: of pairs whose means are alike, at most 5 % are ever told apart, also where the
    first one ended at its verdict (own simulation, `benchmarks.truth.loop`).

    second_n, second_sd: in place of those of the second series, for numbers of trials to come.
    Other arguments as for `difference.difference_of_means`.
    """
    n = np.asarray(second.n if second_n is None else second_n, float)
    sd = second.sd if second_sd is None else second_sd
    if first.sd is None or sd is None:
        return np.full(n.shape, math.inf)
    hidden = [floor_sd <= each <= BEYOND * floor_sd for each in (first.sd, sd)]
    apart = math.hypot(apart_u, floor_sd * math.sqrt(sum(hidden)))
    squares = (
        _of_mean(np.asarray(first.n, float), first.sd, floor_sd, each_look[0], level) ** 2
        + _of_mean(n, sd, floor_sd, each_look[1], level) ** 2
        + (quantiles.normal((1 + level) / 2) * apart) ** 2
    )
    return np.asarray(np.sqrt(squares))


def _of_mean(
    n: NDArray[np.float64], sd: float, floor_sd: float, each: bool, level: float
) -> NDArray[np.float64]:
    floored = sd < floor_sd
    # Rounding that is alike in all trials does not average out.
    spread = floor_sd * np.sqrt(n) if floored else np.full(n.shape, sd)
    if each:
        return sequential.half_width(n, spread, n - 1, level)
    # As `difference.rounded_df`.
    df = np.where((n - 1 >= FEW) & floored, math.inf, n - 1)
    return quantiles.student_t((1 + level) / 2, df) * spread / np.sqrt(n)
