"""What is known of the stops that a work is cut at, and draws of what they may really be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from analysis.visits import Returns

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class KnownLength:
    """How well pieces cut to one stop repeat: the standard deviation of one piece, in mm, found
    with df degrees of freedom."""

    sd_mm: float
    df: float


@dataclass(frozen=True, slots=True)
class KnownStop:
    """What a series says of a stop, in radians.

    called: in sentences. mean_rad: its error. trial_sd: of one trial; anew_u: standard uncertainty
    of the mean by that scatter; both found with df degrees of freedom. fixed_u: that by what all
    trials share. hand_sd: what caliper and hand are
    known to add to a trial, share: of a cut's variance in a trial's (`Method.cut_share`). length:
    None where it is not known.

    returned: how the machine comes back to the stop; None where that is not known, or is in
    trial_sd. mean_df: where the mean is of several visits, the degrees of freedom of anew_u, which
    then has how they scatter; None for a mean of one visit. swung: whether the machine is swung to
    another stop between the cuts of the work, so that each is of a visit of its own; else all are
    of one.
    """

    called: str
    mean_rad: float
    anew_u: float
    fixed_u: float
    trial_sd: float
    df: float
    hand_sd: float = 0.0
    share: float = 1.0
    length: KnownLength | None = None
    returned: Returns | None = None
    mean_df: float | None = None
    swung: bool = False

    @property
    def u(self) -> float:
        """Standard uncertainty of what all cuts of the work share."""
        return math.hypot(self.anew_u, self.fixed_u, math.sqrt(self.shared_visits) * self.return_sd)

    @property
    def shared_visits(self) -> int:
        """Of how many visits all cuts of the work share the error: that of the one visit that was
        measured, and that of the one in which it is cut."""
        return (self.mean_df is None) + (not self.swung)

    @property
    def return_sd(self) -> float:
        return 0.0 if self.returned is None else self.returned.sd

    @property
    def cut_sd(self) -> float:
        """The scatter of single cuts."""
        of_cut = max(self.trial_sd**2 - self.hand_sd**2, 0.0) / self.share
        return math.sqrt(of_cut + self.swung * self.return_sd**2)


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """m draws of what c cuts and p pieces of a work come out as.

    error_rad: (m, stops) of each stop. cut_rad: (m, c) of each cut about its stop. length_mm:
    (m, p) how much longer each piece is than the stop was set for.
    """

    error_rad: Array
    cut_rad: Array
    length_mm: Array


def drawn(
    stops: Sequence[KnownStop],
    cuts: Sequence[int],
    pieces: Sequence[int],
    generator: Generator,
    draws: int,
) -> Drawn:
    """cuts, pieces: the place in `stops` of each.

    The standard deviation of a normal sample is drawn from its scaled inverse chi distribution,
    and the mean about it from a normal one, so that the mean has Student's t (JCGM 101, 6.4.9):
    where few trials happened to agree, a draw with a larger scatter moves both. A length that is
    not known is taken as equal for all pieces.
    """
    of_cuts, of_pieces = np.asarray(cuts, np.int64), np.asarray(pieces, np.int64)
    larger = np.stack([_larger(generator, stop.df, draws) for stop in stops], axis=1)
    of_mean = larger.copy()
    for s, stop in enumerate(stops):
        if stop.mean_df is not None:
            of_mean[:, s] = _larger(generator, stop.mean_df, draws)
    mean, anew, fixed, sd, hand, share = (
        np.array([getattr(stop, name) for stop in stops])
        for name in ("mean_rad", "anew_u", "fixed_u", "trial_sd", "hand_sd", "share")
    )
    shape = (draws, len(stops))
    error = (
        mean
        + anew * of_mean * generator.standard_normal(shape)
        + fixed * generator.standard_normal(shape)
    )
    of_cut = np.sqrt(np.maximum((sd * larger) ** 2 - hand**2, 0.0) / share)
    about = of_cut[:, of_cuts] * generator.standard_normal((draws, of_cuts.size))
    for s, stop in enumerate(stops):
        if stop.returned is not None:
            back = _returns(generator, stop.returned, draws)
            error[:, s] += math.sqrt(stop.shared_visits) * back * generator.standard_normal(draws)
            if stop.swung:
                at = of_cuts == s
                visits = generator.standard_normal((draws, int(at.sum())))
                about[:, at] += back[:, np.newaxis] * visits
    lengths = [stop.length or KnownLength(0.0, math.inf) for stop in stops]
    wider = np.stack([each.sd_mm * _larger(generator, each.df, draws) for each in lengths], axis=1)
    off = wider[:, of_pieces] * generator.standard_normal((draws, of_pieces.size))
    return Drawn(error, about, off)


def _returns(generator: Generator, returned: Returns, draws: int) -> Array:
    """(draws,) what the scatter from visit to visit may be: each variance from its scaled inverse
    chi squared, as the standard deviation of a sample."""
    means = returned.means * _larger(generator, returned.df, draws) ** 2
    if returned.explained_df:
        means -= returned.explained * _larger(generator, returned.explained_df, draws) ** 2
    return np.sqrt(np.maximum(means, 0.0))


def _larger(generator: Generator, df: float, draws: int) -> Array:
    """(draws,) by how much the true standard deviation may be larger than the one found."""
    if math.isinf(df):
        return np.ones(draws)
    return np.sqrt(df / generator.chisquare(df, draws))
