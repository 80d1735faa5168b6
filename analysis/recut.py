"""What the next series shows after a move by what this one found, and whether to move at all."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.methods import Method, Quantity
from analysis.uncertainty import coverage_factor

# At 95 % only 9 of 10 ranges would hold near the limit from which a move is advised, where an
# error that was found too large is advised on more often than one found too small. At this
# level 95 % hold wherever a move is advised in at least half of the series (own simulation).
_LEVEL: Final = 0.975
# Fewer trials of a machine that cuts show too little of its scatter: with two, chance alone often
# makes them alike, and just then a move would be advised.
ENOUGH: Final = 3


@dataclass(frozen=True, slots=True)
class Found:
    """The error that a series found, radians or mm, as far as a move by it is concerned.

    expanded: of the error, at 95 %. trials: how many gave it. anew_u: the part of its standard
    uncertainty that each series has anew (cuts, readings, rounding), with its degrees of freedom;
    own_u: the part that lasts through a series and that the next one does not repeat, such as
    that of a scale or a length, which act in proportion to the error; shared_u: the part that a
    next series by the same caliper repeats, so that it does not show. scatter_known: whether the
    trials tell how much the machine scatters.
    """

    error: float
    expanded: float = 0.0
    trials: int = ENOUGH
    anew_u: float = 0.0
    anew_df: float = math.inf
    own_u: float = 0.0
    shared_u: float = 0.0
    scatter_known: bool = True
    noun: str = "strip"

    def within(self, trials: int, setting: float = 0.0) -> float:
        """How far from nominal the mean of so many new trials lies, at 95 % or more.

        setting: how closely what is moved can be set. The mean of k new trials scatters about the
        mean of n by u sqrt(1 + n / k), u that of the mean of n, with Student's t (prediction
        interval for the mean of future trials: Hahn and Meeker, Statistical Intervals, 1991,
        4.8, from memory). The parts are expanded each by itself and added in squares.
        """
        anew = coverage_factor(self.anew_df, _LEVEL) * self.anew_u
        lasting = coverage_factor(math.inf, _LEVEL) * self.own_u
        return math.hypot(anew * math.sqrt(1 + self.trials / trials), lasting, setting)

    def no_better(self, setting: float = 0.0) -> bool:
        """Whether a move by the error may leave as much as there is now.

        Where the square error to be expected after a move, setting included, is more than without
        it, this is said in 95 % of series or more (own simulation).
        """
        shared = coverage_factor(math.inf, _LEVEL) * self.shared_u
        return math.hypot(self.within(self.trials, setting), shared) >= abs(self.error)


def scatter_known(method: Method, trials: int) -> bool:
    """Whether so many trials tell how much the machine scatters, where it cuts at all."""
    return trials >= ENOUGH or not any("cut" in step.action for step in method.steps)


def found_by(
    method: Method,
    quantity: Quantity,
    error: float,
    *,
    trials: int,
    u: float,
    anew_u: float,
    anew_df: float,
    expanded: float,
    straightness: bool = False,
) -> Found:
    """`Found` of one quantity of a series by `method`.

    u, anew_u: the standard uncertainty of the mean and the part of it that each series has anew.
    straightness: it contains how far edge and fence may be from straight, which the next series
    has once more.
    """
    lasting = math.sqrt(max(u * u - anew_u * anew_u, 0.0))
    # A length is the same length after the move; an angle is near zero, and so is what acts
    # in proportion to it.
    own = 0.0 if quantity == "length" else lasting * (math.sqrt(2) if straightness else 1.0)
    return Found(
        error,
        expanded,
        trials,
        anew_u,
        anew_df,
        own_u=own,
        shared_u=lasting if quantity == "length" else 0.0,
        scatter_known=scatter_known(method, trials),
        noun=method.noun,
    )
