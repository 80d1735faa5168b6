"""The settings and readings of a series, as the input of its score."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conformity import Tolerance
from analysis.geometry import TrialValues, base_mm, series_values
from analysis.methods import Method, Quantity, Relation, Side
from analysis.sentences import plain
from analysis.sequential import EarlierScatter
from analysis.units import Unit

_NOT_NEGATIVE: Final = (
    "resolution_mm",
    "repeatability_mm",
    "baseline_u_mm",
    "thickness_u_mm",
    "inset_u_mm",
    "jaw_width_mm",
    "scale_u",
    "straightness_mm",
    "zero_u_mm",
    "zero_at_mm",
)


@dataclass(frozen=True, slots=True, eq=False)
class SeriesFacts:
    """Everything that a score needs to know about a series.

    widths_mm: (n, places, repeats), not finite = not read. baseline_mm, thickness_mm: as the method
    asks; for a known block the baseline is its stated size. repeatability_mm: standard
    deviation of one reading by caliper and hand, from a study with repeatability_df degrees
    of freedom; None takes 0.02 mm. jaw_width_mm: of the flat jaws, None where it is not said.
    baseline_u_mm, thickness_u_mm, inset_u_mm, scale_u (relative), zero_u_mm (which affects only
    lengths): standard uncertainties; None takes +-0.5 mm for either length, +-1 mm, +-1e-4 and
    +-0.02 mm, each rectangular (common practice, no source), and nothing for a known block, whose
    size is then taken as exact. zero_at_mm: the size at which zero_u_mm holds, uncorrelated with
    scale_u; the mean size of the blocks that gave both. straightness_mm: how far edge or fence may
    deviate from straight over the length of the cut; None leaves it out. counted: (n,) mask of
    the trials that count; None counts all. unit: that of lengths and tapers in sentences.
    planned: how many trials the series was to have, said before its first one; ended: whether it
    has ended. work: the name of what it was measured for. earlier: the scatter of this machine's
    own earlier series, by quantity. visit: (n,) the number of the visit to the stop in which each
    trial was cut; None for one visit.

    Raises ValueError, naming the field, for an uncertainty or a count that is negative or no
    number, or degrees of freedom that are not above zero.
    """

    method: Method
    widths_mm: ArrayLike
    strip_side: Side = "left"
    baseline_mm: float | None = None
    thickness_mm: float | None = None
    inset_mm: float = 0.0
    pieces: int | None = None
    resolution_mm: float = 0.01
    repeatability_mm: float | None = None
    repeatability_df: float | None = None
    baseline_u_mm: float | None = None
    inset_u_mm: float | None = None
    scale_u: float | None = None
    straightness_mm: float | None = None
    tolerance: Tolerance | None = None
    counted: ArrayLike | None = None
    unit: Unit = "mm"
    zero_u_mm: float | None = None
    zero_at_mm: float = 0.0
    jaw_width_mm: float | None = None
    thickness_u_mm: float | None = None
    planned: int | None = None
    ended: bool = False
    work: str | None = None
    earlier: Mapping[Quantity, EarlierScatter] = field(default_factory=dict)
    visit: ArrayLike | None = None

    def several_visits(self, chosen: NDArray[np.bool_] | None = None) -> NDArray[np.int64] | None:
        """The visit of each trial where they are of several visits; None where they are of one, and
        of a method that judges no machine: a caliper comes back to no stop.

        chosen: (n,) mask of the trials that are asked about, None for all.
        """
        if self.visit is None or self.method.judges != "machine":
            return None
        visit = np.asarray(self.visit, np.int64)
        if chosen is not None:
            visit = visit[chosen]
        return visit if np.unique(visit).size > 1 else None

    def __post_init__(self) -> None:
        for name in _NOT_NEGATIVE:
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name}: {plain(value)} must be zero or more")
        df = self.repeatability_df
        if df is not None and not (math.isfinite(df) and df > 0):
            raise ValueError(f"repeatability_df: {plain(df)} must be greater than zero")

    def values(self) -> TrialValues:
        """Each trial's deviation, angle, tilt and length. Raises ValueError as `series_values`."""
        return series_values(
            self.method,
            self.widths_mm,
            self.baseline_mm,
            self.thickness_mm,
            self.inset_mm,
            self.strip_side,
            self.pieces,
            self.jaw_width_mm,
        )

    def base_mm(self, relation: Relation) -> float | None:
        """The length that the contrast is divided by. Raises ValueError as `geometry.base_mm`."""
        return base_mm(
            relation, self.baseline_mm, self.thickness_mm, self.inset_mm, self.jaw_width_mm
        )

    @property
    def hand_df(self) -> float | None:
        """Degrees of freedom of the repeatability; None (unlimited) for an assumed one."""
        return None if self.repeatability_mm is None else self.repeatability_df
