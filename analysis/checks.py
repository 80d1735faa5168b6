"""Many series at once: one value for each, with its uncertainty.

A history of years has thousands of trials. `score.score` gives everything about one series; this
gives the mean and its expanded uncertainty of many, by the same budget, in a few array
operations.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import budget, geometry, uncertainty
from analysis.budget import InputUncertainties
from analysis.facts import SeriesFacts
from analysis.methods import Method, Quantity, Relation
from analysis.spread import of_groups
from analysis.visits import VisitMeans, visit_means

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Checks:
    """One quantity of each of m series, arrays of shape (m,), radians or mm.

    trials: those that are complete. mean, u (its standard uncertainty), coverage_factor and
    expanded: nan where there is no trial or a length is missing. sd: of one trial, nan with
    fewer than two. df: effective degrees of freedom, inf where unlimited. step: the smallest step
    in which the mean can change. anew_u: the part of u that each series has anew (scatter of
    trials, or of readings, and rounding), with anew_df degrees of freedom. rounding_u: the part of
    u by the caliper's count. per_reading: the quantity for independent errors of 1 mm in the
    readings of a trial. shared: how far the parts that all trials share may shift the mean.
    by_visit: the visits of each, None where all are of one. fixed: by source, the part of u that
    more trials do not reduce, with the sign in which an error of the source changes the mean
    (`systematic.Systematic`).
    """

    trials: NDArray[np.int64]
    mean: Array
    sd: Array
    u: Array
    df: Array
    coverage_factor: Array
    expanded: Array
    step: Array
    anew_u: Array
    anew_df: Array
    rounding_u: Array
    per_reading: Array
    shared: Array
    by_visit: VisitMeans | None
    fixed: Mapping[str, Array]


def checks(
    method: Method,
    quantity: Quantity,
    values: ArrayLike,
    of: ArrayLike,
    facts: Sequence[SeriesFacts],
    repeats: ArrayLike = 1,
    vary: ArrayLike = False,
    visit: ArrayLike | None = None,
) -> Checks:
    """Mean and expanded uncertainty (95 %) of the quantity in each of m series.

    values: (n,) of the trials, radians or mm; nan does not count. of: (n,) whole numbers, the
    series of each, 0..m-1. facts: the settings of each series, all of `method`; their widths
    are not used, and none of their trials is left out. repeats: (m,) or one for all, how
    often each place was read. vary: (m,) whether the strips' widths do (`counts.widths_vary`).
    visit: (n,) of each trial, the number of its visit to the stop; None for one visit each.
    Same budget as `score.score`: scatter s / sqrt(n) or what caliper and hand alone add,
    resolution where it does not average out, scale, zero, lengths, inset and straightness
    (JCGM 100, 5.1.2 and G.4.1).
    Raises ValueError where the method does not reveal the quantity or judges no machine.
    """
    relation = method.relation(quantity)
    if relation is None or method.judges != "machine":
        raise ValueError(f"method: {method.key} shows no {quantity} of a machine")
    m = len(facts)
    x, where = np.asarray(values, float), np.asarray(of, np.int64)
    known = np.isfinite(x)
    x, where = x[known], where[known]
    n = np.bincount(where, minlength=m)
    mean, sd = of_groups(x, where, m)
    by_visit = None
    if visit is not None:
        by_visit = visit_means(x, where, np.asarray(visit, np.int64)[known], m)
        mean = by_visit.over(mean)
    inputs = InputUncertainties.of_many(facts)
    pieces = np.array([geometry.pieces_of(method, f.pieces) for f in facts], np.int64)
    base = np.array([_signed_base(method, relation, f) for f in facts], float)
    contrast, per_mm, ratio = x, np.ones(m), mean
    if relation.terms:
        contrast = _by_pieces(geometry.ratio, relation, x, pieces[where]) * base[where]
        per_mm = 1 / (_by_pieces(geometry.slope, relation, mean, pieces) * base)
        ratio = _by_pieces(geometry.ratio, relation, mean, pieces)
    contrast, _ = of_groups(contrast, where, m)
    gain, steep = budget.gain(relation), np.abs(per_mm)
    read = budget.readings(
        gain, inputs, n, np.asarray(repeats, float), sd, np.asarray(vary), per_mm, by_visit
    )
    lines = budget.fixed_parts(relation, inputs)
    acts = [line.u * line.sensitivity(contrast, ratio) for line in lines]
    parts = [
        np.where(read.by_hand, read.hand_mm * steep, read.scatter),
        read.rounding_mm * steep,
        *(np.abs(act) * steep for act in acts),
    ]
    free = np.full((len(parts), m), np.inf)
    free[0] = np.where(read.by_hand, inputs.hand_df, read.df)
    u = np.hypot.reduce(parts)
    df, k = uncertainty.factor(parts, free, guard=True)
    nothing = ~(np.isfinite(u) & (n > 0))
    for array in (mean, u, df, k):
        array[nothing] = np.nan
    per_reading = steep * gain
    step = per_reading * inputs.resolution / np.maximum(n, 1)
    shared = budget.shared_bound(relation, parts[1], np.hypot.reduce(parts[2:]))
    new = np.hypot(parts[0], parts[1]), free[0], parts[1], per_reading, shared, by_visit
    fixed = {line.source: act * per_mm for line, act in zip(lines, acts, strict=True)}
    return Checks(n, mean, sd, u, df, k, k * u, step, *new, fixed)


def _by_pieces(
    of: Callable[[Relation, Array, int], Array],
    relation: Relation,
    angle: Array,
    pieces: NDArray[np.int64],
) -> Array:
    """`geometry.ratio` or `slope` of angles that belong to frames of different pieces."""
    found = np.full_like(angle, np.nan)
    for count in np.unique(pieces):
        rows = pieces == count
        found[rows] = of(relation, angle[rows], int(count))
    return found


def _signed_base(method: Method, relation: Relation, facts: SeriesFacts) -> float:
    try:
        base = facts.base_mm(relation)
    except ValueError:  # an impossible length is treated as not given
        base = None
    return np.nan if base is None else base * geometry.strip_sign(method, facts.strip_side)
