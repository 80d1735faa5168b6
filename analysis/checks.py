"""Many series at once: one value for each, with its uncertainty.

A history of years holds thousands of trials. `score.score` tells all about one series; this
tells the mean and its expanded uncertainty of many, by the same budget, in a few array
operations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import geometry, quantiles, uncertainty
from analysis.methods import Method, Quantity, Relation
from analysis.score import SeriesFacts
from analysis.uncertainty import LEVEL

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Checks:
    """What each of m series says of one quantity, arrays of shape (m,), radians or mm.

    trials: those that are complete. mean, u (its standard uncertainty), coverage_factor and
    expanded: nan where there is no trial or a length is missing. sd: of one trial, nan with
    fewer than two. df: effective degrees of freedom, inf where unlimited. reading_sd: the
    scatter over trials as that of one reading in mm, nan with fewer than two; rounding counts
    where it is small. step: the step in which the mean can move at all.
    """

    trials: NDArray[np.int64]
    mean: Array
    sd: Array
    u: Array
    df: Array
    coverage_factor: Array
    expanded: Array
    reading_sd: Array
    step: Array


def checks(
    method: Method,
    quantity: Quantity,
    values: ArrayLike,
    of: ArrayLike,
    facts: Sequence[SeriesFacts],
    repeats: ArrayLike = 1,
) -> Checks:
    """Mean and expanded uncertainty (95 %) of the quantity in each of m series.

    values: (n,) of the trials, radians or mm; nan does not count. of: (n,) whole numbers, the
    series of each, 0..m-1. facts: the settings of each series, all of `method`; their widths
    are not looked at, and none of their trials is left out. repeats: (m,) or one for all, how
    often each place was read.
    Same budget as `score.score`: scatter s / sqrt(n) or what caliper and hand alone bring,
    resolution where it does not average out, scale, zero, lengths, inset and straightness
    (JCGM 100, 5.1.2 and G.4.1).
    Raises ValueError where the method does not reveal the quantity or judges no machine.
    """
    relation = method.relation(quantity)
    if relation is None or method.judges != "machine":
        raise ValueError(f"method: {method.key} tells no {quantity} of a machine")
    m = len(facts)
    x, where = np.asarray(values, float), np.asarray(of, np.int64)
    known = np.isfinite(x)
    x, where = x[known], where[known]
    n = np.bincount(where, minlength=m)
    mean, sd = _mean_and_sd(x, where, n)
    settings = _Settings.of(method, relation, facts)
    contrast_of_trial = settings.contrast(x, where)
    contrast, contrast_sd = _mean_and_sd(contrast_of_trial, where, n)
    gain = float(np.sqrt(sum(w * w for w in relation.weights)))
    reading_sd = contrast_sd / gain
    per_mm, ratio = settings.sensitivity(mean)
    parts = _parts(relation, settings, n, sd, reading_sd, gain, per_mm, contrast, ratio, repeats)
    u = np.sqrt(sum(part * part for part, _ in parts))
    df, k = _factor(parts, u)
    nothing = ~(np.isfinite(u) & (n > 0))
    for array in (mean, u, df, k):
        array[nothing] = np.nan
    step = np.abs(per_mm) * settings.resolution * gain / np.maximum(n, 1)
    return Checks(n, mean, sd, u, df, k, k * u, reading_sd, step)


def _mean_and_sd(x: Array, of: NDArray[np.int64], n: NDArray[np.int64]) -> tuple[Array, Array]:
    """(m,) mean and standard deviation by series; equal values scatter by exactly zero."""
    m = n.size
    count = np.maximum(n, 1)
    low, high = np.full(m, np.inf), np.full(m, -np.inf)
    np.fmin.at(low, of, x)
    np.fmax.at(high, of, x)
    rough = np.bincount(of, x, m) / count
    rest = x - rough[of]
    # Twice over, so that a small scatter about a large mean keeps its digits.
    more = np.bincount(of, rest, m) / count
    rest -= more[of]
    squares = np.bincount(of, rest * rest, m)
    equal = low == high
    mean = np.where(n == 0, np.nan, np.where(equal, low, rough + more))
    sd = np.sqrt(np.where(equal, 0.0, squares) / np.maximum(n - 1, 1))
    return mean, np.where(n < 2, np.nan, sd)


@dataclass(frozen=True, slots=True, eq=False)
class _Settings:
    """What the facts say, as arrays of shape (m,); a base not given is nan."""

    relation: Relation
    pieces: NDArray[np.int64]
    signed_base: Array
    resolution: Array
    hand: Array
    hand_df: Array
    hand_assumed: NDArray[np.bool_]
    scale_u: Array
    zero_u: Array
    zero_at: Array
    base_u: Array
    inset_u: Array
    straightness_u: Array

    @staticmethod
    def of(method: Method, relation: Relation, facts: Sequence[SeriesFacts]) -> _Settings:
        def usual(name: str, otherwise: float) -> Array:
            given = [getattr(f, name) for f in facts]
            return np.array([otherwise if g is None else g for g in given], float)

        rectangular = uncertainty.rectangular
        return _Settings(
            relation,
            np.array([geometry.pieces_of(method, f.pieces) for f in facts], np.int64),
            np.array([_signed_base(method, relation, f) for f in facts], float),
            np.array([f.resolution_mm for f in facts], float),
            usual("repeatability_mm", uncertainty.REPEATABILITY_MM),
            # Degrees of freedom belong to a study; what is assumed has none.
            np.array(
                [
                    np.inf
                    if f.repeatability_mm is None or f.repeatability_df is None
                    else f.repeatability_df
                    for f in facts
                ],
                float,
            ),
            np.array([f.repeatability_mm is None for f in facts], bool),
            usual("scale_u", rectangular(uncertainty.SCALE_BOUND)),
            usual("zero_u_mm", rectangular(uncertainty.ZERO_BOUND_MM)),
            np.array([f.zero_at_mm for f in facts], float),
            usual("baseline_u_mm", rectangular(uncertainty.LENGTH_BOUND_MM)),
            usual("inset_u_mm", rectangular(uncertainty.INSET_BOUND_MM)),
            rectangular(1.0) * usual("straightness_mm", 0.0),
        )

    def contrast(self, values: Array, of: NDArray[np.int64]) -> Array:
        """The contrast in mm that each trial's value came from."""
        if not self.relation.terms:
            return values
        return self._ratio(values, self.pieces[of]) * self.signed_base[of]

    def sensitivity(self, mean: Array) -> tuple[Array, Array]:
        """Change of the quantity for one mm of contrast, and the ratio at the mean."""
        if not self.relation.terms:
            return np.ones_like(mean), mean
        slope = np.full_like(mean, np.nan)
        for count in np.unique(self.pieces):
            rows = self.pieces == count
            slope[rows] = geometry.slope(self.relation, mean[rows], int(count))
        return 1 / (slope * self.signed_base), self._ratio(mean, self.pieces)

    def _ratio(self, angle: Array, pieces: NDArray[np.int64]) -> Array:
        found = np.empty_like(angle)
        for count in np.unique(pieces):
            rows = pieces == count
            found[rows] = geometry.ratio(self.relation, angle[rows], int(count))
        return found


def _signed_base(method: Method, relation: Relation, facts: SeriesFacts) -> float:
    try:
        base = geometry.base_mm(relation, facts.baseline_mm, facts.thickness_mm, facts.inset_mm)
    except ValueError:  # a length that can be none: as if it were not given
        base = None
    return np.nan if base is None else base * geometry.strip_sign(method, facts.strip_side)


def _parts(
    relation: Relation,
    settings: _Settings,
    n: NDArray[np.int64],
    sd: Array,
    reading_sd: Array,
    gain: float,
    per_mm: Array,
    contrast: Array,
    ratio: Array,
    repeats: ArrayLike,
) -> list[tuple[Array, Array]]:
    """The budget's lines: standard uncertainty in the quantity's unit, degrees of freedom."""
    m = n.size
    free = np.full(m, np.inf)
    steep = np.abs(per_mm)
    one, total = n < 2, sum(relation.weights)
    averaged = gain / np.sqrt(np.broadcast_to(np.asarray(repeats, float), (m,)))
    root = np.sqrt(np.maximum(n, 1))
    scatter, scatter_df = sd / root, np.maximum(n - 1, 1).astype(float)
    hand = averaged * settings.hand * steep / root
    # As `uncertainty.reading_lines` chooses: the larger once each is expanded.
    floor = (n < uncertainty.OWN_WORD) | ~settings.hand_assumed
    more = _student_t(settings.hand_df) * hand > _student_t(scatter_df) * scatter
    by_hand = one | (floor & more)
    first = np.where(by_hand, hand, scatter)
    first_df = np.where(by_hand, settings.hand_df, scatter_df)
    spread = np.where(one, settings.hand, reading_sd)
    averages_out = spread >= uncertainty.DITHER_SHARE * settings.resolution
    # Over several trials the scatter holds the rounding already, where it averages out.
    rounds = np.where(averages_out, np.where(one, averaged, 0.0), gain)
    parts = [
        (first, first_df),
        (rounds * settings.resolution * uncertainty.rounding(1.0) * steep, free),
        (settings.scale_u * steep * np.abs(contrast - total * settings.zero_at), free),
        (settings.zero_u * steep * abs(total), free),
    ]
    if relation.terms:
        per_base = steep * np.abs(ratio)
        parts += [
            (settings.base_u * per_base, free),
            (relation.insets * settings.inset_u * per_base, free),
            (settings.straightness_u * steep, free),
        ]
    return parts


def _factor(parts: list[tuple[Array, Array]], u: Array) -> tuple[Array, Array]:
    """Effective degrees of freedom and coverage factor, as `uncertainty.factor` with its guard."""
    lost = np.zeros_like(u)
    for part, df in parts:
        lost += np.divide(part, u, out=np.zeros_like(u), where=u > 0) ** 4 / df
    effective = np.divide(1.0, lost, out=np.full_like(u, np.inf), where=lost > 0)
    k = _student_t(effective)
    few = np.any([df < uncertainty.FEW for _, df in parts], axis=0) & (u > 0)
    if few.any():
        squares = sum((_student_t(df[few]) * part[few]) ** 2 for part, df in parts)
        k[few] = np.maximum(k[few], np.sqrt(squares) / u[few])
    return effective, k


def _student_t(df: Array) -> Array:
    k = np.full(df.shape, uncertainty.coverage_factor(None))
    finite = np.isfinite(df)
    k[finite] = quantiles.student_t_array((1 + LEVEL) / 2, df[finite])
    return k
