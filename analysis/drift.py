"""How the cuts of one series drifted from the first to the last."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis import quantiles
from analysis.conversions import SizeUnit, plus_minus_text, size_text
from analysis.counts import scatter_bounds
from analysis.interval import Interval
from analysis.sentences import cuts
from analysis.sequential import FALSE_FINDING
from analysis.spread import counted


@dataclass(frozen=True, slots=True)
class Trend:
    """How the cuts of one series moved from the first to the last.

    `creep`: change over the whole series by the fitted line, with its interval; `early` and
    `late` the means of the two halves (a middle cut belongs to neither). None where there
    are too few cuts; `shown`: more than chance explains.
    """

    cuts: int
    creep: float | None
    interval: Interval | None
    p: float | None
    early: float | None
    late: float | None
    shown: bool
    sentence: str


def of_visits(cuts: int) -> Trend:
    """Of trials of several visits to a stop: how it returns would pass for a drift."""
    words = (
        "Cut in several visits to the stop: what is anew in each would pass for a drift, so none is"
        " looked for."
    )
    return Trend(cuts, None, None, None, None, None, False, words)


def trend(
    values: ArrayLike,
    *,
    unit: SizeUnit = "rad",
    level: float = 0.95,
    rounding_u: float = 0.0,
    noun: str = "strip",
) -> Trend:
    """Whether the cuts of one series drifted: the machine warms up, a stop slips.

    values: (n,) in the order of cutting; nan keeps its place and does not count. rounding_u: what
    the caliper's count adds to each, a standard deviation: it may hide scatter about the line
    (`counts.scatter_bounds`), and stand at either end of it without averaging out.
    The fitted line's slope times (last - first place), with Student's t, n - 2 degrees of
    freedom (NIST e-Handbook 4.4.3). Fewer than four cuts give no interval. It is shown where p is
    below `sequential.FALSE_FINDING`, since it is asked anew after every cut. noun: of one trial.
    """
    given = np.asarray(values, float).ravel()
    at = np.flatnonzero(np.isfinite(given)).astype(float)
    x = counted(given)
    n = x.size
    if n < 4:
        words = f"{cuts(n, noun)}: too few to see a drift; make at least 4."
        return Trend(n, None, None, None, None, None, False, words)
    half = n // 2
    early, late = float(x[:half].mean()), float(x[-half:].mean())
    c = at - at.mean()
    slope = float((c * (x - x.mean())).sum() / (c * c).sum())
    residual = x - x.mean() - slope * c
    span = float(at[-1] - at[0])
    about_line = math.sqrt(float((residual**2).sum()) / (n - 2))
    if rounding_u > 0:
        about_line = scatter_bounds(about_line, n - 1, rounding_u).most
    error = math.hypot(
        about_line / math.sqrt(float((c * c).sum())) * span, math.sqrt(2) * rounding_u
    )
    creep = slope * span
    scale = float(np.abs(x).max())
    # With a perfect line, or equal values, the residual is only rounding.
    if error <= 1e-12 * scale:
        flat = np.ptp(x) == 0
        words = (
            f"The {noun}s are all alike: no drift to see."
            if flat
            else f"The {noun}s moved evenly by {size_text(creep, unit)} from first to last."
        )
        return Trend(n, 0.0 if flat else creep, None, None, early, late, not flat, words)
    wide = quantiles.student_t((1 + level) / 2, n - 2) * error
    interval = Interval.about(creep, wide, level)
    p = 2 * quantiles.student_t_probability(-abs(creep / error), n - 2)
    shown = p < FALSE_FINDING
    size = plus_minus_text(creep, wide, unit)
    words = (
        f"The {noun}s crept by {size} from the first to the last: let the machine warm up, and "
        "check that stop and clamps hold."
        if shown
        else f"No drift shows over these {n} {noun}s ({size} from first to last)."
    )
    return Trend(n, creep, interval, p, early, late, shown, words)
