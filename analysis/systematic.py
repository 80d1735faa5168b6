"""The part of a mean's uncertainty that more trials do not reduce, and how much two means share."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.budget import HAND, JAWS, RESOLUTION, SCALE, ZERO
from analysis.uncertainty import Budget, Contribution

Array = NDArray[np.float64]
Shared = Literal["yes", "no", "not known"]

_OF_THE_CALIPER: Final = (SCALE, ZERO, JAWS)


@dataclass(frozen=True, slots=True)
class Systematic:
    """What more trials do not reduce in a mean, in the mean's unit.

    terms: by the source in the budget, the standard uncertainty that it gives the mean, with the
    sign in which an error of the source changes it. caliper, board: which caliper, and which board
    with its lengths as stated, the errors belong to; None where that is not known, or more than
    one.
    """

    terms: Mapping[str, float] = field(default_factory=dict)
    caliper: Hashable = None
    board: Hashable = None

    @property
    def u(self) -> float:
        """The standard uncertainty of all terms together."""
        return math.hypot(*self.terms.values())


def systematic(
    budget: Budget | None, per: float = 1.0, *, caliper: Hashable = None, board: Hashable = None
) -> Systematic:
    """The systematic part of a score's budget, in units of `per` of the budget's own.

    Nothing where there is no budget.
    """
    lines = budget.contributions if budget is not None else ()
    terms = {
        c.source: c.sensitivity * c.standard_uncertainty / per for c in lines if not _of_readings(c)
    }
    return Systematic(terms, caliper, board)


def fixed_u(budget: Budget) -> float:
    """The standard uncertainty of a mean from all that its trials share, in its unit."""
    return math.hypot(*(c.contribution for c in budget.contributions if not _of_readings(c)))


def _of_readings(line: Contribution) -> bool:
    """The scatter of trials enters the result itself; hand and rounding by their names."""
    return line.enters == "result" or line.source.startswith((HAND, RESOLUTION))


NOTHING: Final = Systematic()


@dataclass(frozen=True, slots=True)
class Between:
    """Of two means: apart_u, the standard uncertainty of their difference from what they do not
    share; shared_u, such that their sum has in addition 4 shared_u^2 of variance."""

    shared_u: float = 0.0
    apart_u: float = 0.0


def between(first: Systematic, second: Systematic) -> Between:
    """What two means share and what they do not."""
    apart = combined_u((first, second), (-1.0, 1.0))
    together = combined_u((first, second), (1.0, 1.0))
    return Between(math.sqrt(max(together**2 - apart**2, 0.0)) / 2, apart)


def combined_u(of: Sequence[Systematic], weights: Sequence[float]) -> float:
    """The standard uncertainty of sum(weights[i] * mean i) from the systematic errors of each.

    Errors of one source that several share add with their signs, so that a zero cancels in a
    difference and a length all but cancels; else their squares add (JCGM 100, 5.2.2, correlation 1
    or 0). Of what may be shared or not, whichever is worse counts, pair by pair.
    """
    variance = 0.0
    for source in {source: None for each in of for source in each.terms}:
        acts = [w * each.terms.get(source, 0.0) for w, each in zip(weights, of, strict=True)]
        variance += math.fsum(a * a for a in acts)
        for j, second in enumerate(of):
            for i in range(j):
                both = 2 * acts[i] * acts[j]
                shared = _shared(source, of[i], second)
                if shared == "yes" or (shared == "not known" and both > 0):
                    variance += both
    return math.sqrt(max(variance, 0.0))


def covariances(of: Sequence[Systematic]) -> tuple[Array, Array]:
    """(k, k) twice: the covariances of the means from their systematic errors, with what may be
    shared or not taken as shared, and as not."""
    k = len(of)
    shared, apart = np.zeros((k, k)), np.zeros((k, k))
    for source in {source: None for each in of for source in each.terms}:
        acts = [each.terms.get(source, 0.0) for each in of]
        for i, first in enumerate(of):
            for j, second in enumerate(of):
                how = "yes" if i == j else _shared(source, first, second)
                shared[i, j] += acts[i] * acts[j] * (how != "no")
                apart[i, j] += acts[i] * acts[j] * (how == "yes")
    return shared, apart


def apart_u(of: Sequence[Systematic]) -> Array:
    """(k, k): `Between.apart_u` of each pair."""
    found = np.zeros((len(of), len(of)))
    for i, first in enumerate(of):
        for j in range(i):
            found[i, j] = found[j, i] = between(first, of[j]).apart_u
    return found


def _shared(source: str, first: Systematic, second: Systematic) -> Shared:
    if source in _OF_THE_CALIPER:
        if None in (first.caliper, second.caliper):
            return "not known"
        return "yes" if first.caliper == second.caliper else "no"
    if None not in (first.board, second.board) and first.board == second.board:
        return "yes"
    return "not known"
