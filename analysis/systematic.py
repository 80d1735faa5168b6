"""The part of a mean's uncertainty that more trials do not reduce, and how much two means share."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from analysis.uncertainty import Budget

_ZERO: Final = ("caliper zero",)
# The other lines of a score's budget that all trials of a series share.
_OWN: Final = (
    "caliper scale",
    "length of the cut",
    "thickness",
    "inset",
    "width of the jaws",
    "stated size of the block",
    "straightness of edge and fence",
)


@dataclass(frozen=True, slots=True)
class Systematic:
    """Standard uncertainties of a mean that more trials do not reduce, in the mean's unit.

    zero_u: of the caliper's zero, which affects only lengths. own_u: of its scale, and of the
    lengths that the method takes as given.
    """

    zero_u: float = 0.0
    own_u: float = 0.0


def systematic(budget: Budget | None, per: float = 1.0) -> Systematic:
    """The systematic part of a score's budget, in units of `per` of the budget's own.

    Zero where there is no budget.
    """
    if budget is None:
        return Systematic()
    return Systematic(_part(budget, _ZERO) / per, _part(budget, _OWN) / per)


def _part(budget: Budget, sources: Collection[str]) -> float:
    return math.hypot(*(c.contribution for c in budget.contributions if c.source in sources))


def between(
    first: Systematic, second: Systematic, *, one_caliper: bool
) -> tuple[float, tuple[float, float]]:
    """The uncertainty that two means share (the zero of one caliper), and that of each alone.

    Errors of scale and of lengths are relative: where both means share them, they change the
    difference of two means on one side of nominal only by that relative amount, and not their
    order. They are counted as independent, which never gives a smaller uncertainty.
    """
    if one_caliper:
        return max(first.zero_u, second.zero_u), (first.own_u, second.own_u)
    return 0.0, (
        math.hypot(first.own_u, first.zero_u),
        math.hypot(second.own_u, second.zero_u),
    )
