"""How a result is known, by two ways."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from api.web.shapes import Out
from api.web.shapes.scores import IntervalOut


class SecondRouteOut(Out):
    """One quantity by its budget (JCGM 100) and by Monte Carlo (JCGM 101), at 95 %.

    budget, drawn: the interval by each. standard_uncertainty: the budget's combined one;
    second_order_uncertainty: with the terms of second order (JCGM 100, 5.1.2, note).
    drawn_uncertainty: null where few degrees of freedom give the draws none. validated: whether
    both agree to the first digit of the standard uncertainty (JCGM 101, 8.1). interval: the one to
    take.
    """

    unit: Literal["deg", "mm"]
    mean: float
    standard_uncertainty: float
    second_order_uncertainty: float
    budget: IntervalOut
    draws: int
    drawn_mean: float
    drawn_uncertainty: float | None
    drawn: IntervalOut
    shortest: IntervalOut
    validated: bool
    interval: IntervalOut
    sentence: str


class KnownOut(Out):
    """Of a series, by quantity; empty before its first complete trial."""

    series: UUID
    quantities: dict[str, SecondRouteOut]
