"""Analysis of variance, and whether several spreads are equal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from analysis import quantiles
from analysis.spread import counted, summary


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
