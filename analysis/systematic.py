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


@dataclass(frozen=True, slots=True)
class Between:
    """Of two means: apart_u, the standard uncertainty of their difference from what they do not
    share; shared_u, such that their sum has in addition 4 shared_u^2 of variance."""

    shared_u: float = 0.0
    apart_u: float = 0.0


def between(first: Systematic, second: Systematic) -> Between:
    """What two means share and what they do not.

    An error of one source changes the means by e a and e b, where they share it: their difference
    by e (a - b), which is nothing for a zero and little for a length; their sum by e (a + b). Where
    they do not, the squares of both add (JCGM 100, 5.2.2). Of a source that may be the same or
    not, the larger of the two counts.
    """
    apart = together = 0.0
    for source in {**first.terms, **second.terms}:
        a, b = first.terms.get(source, 0.0), second.terms.get(source, 0.0)
        each = a * a + b * b
        shared = _shared(source, first, second)
        apart += {"yes": (a - b) ** 2, "no": each}.get(shared, max((a - b) ** 2, each))
        together += {"yes": (a + b) ** 2, "no": each}.get(shared, max((a + b) ** 2, each))
    return Between(math.sqrt(max(together - apart, 0.0)) / 2, math.sqrt(apart))


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
