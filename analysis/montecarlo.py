"""A second way to an uncertainty: draw the inputs and evaluate the model for each draw.

Follows JCGM 101:2008, Supplement 1 to the GUM, Propagation of distributions using a Monte
Carlo method. The generator is an argument, so the same seed gives the same result. Nothing is
linearised, so it is an independent check of `uncertainty`, and what holds where they differ. It
takes a moment, so it is for those who ask, never for each press.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, get_args

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from analysis import geometry
from analysis.facts import SeriesFacts
from analysis.interval import Interval
from analysis.methods import Quantity, Relation
from analysis.score import score
from analysis.uncertainty import LEVEL, Budget, Contribution, Enters

Array = NDArray[np.float64]
Draw = Callable[[Generator, int], Array]
"""`draw(generator, count)` gives (count,) values of one input."""
Model = Callable[..., Array]
"""Takes one (count,) array for each input and gives the (count,) results."""

DRAWS: Final = 200_000
"""10,000 times 1 / (1 - 0.95): enough for an interval at 95 % to one or two digits (JCGM 101,
7.2.2, from memory)."""


def normal(mean: float, u: float) -> Draw:
    """A normal input (JCGM 101, 6.4.7)."""
    return lambda generator, count: generator.normal(mean, u, count)


def student_t(mean: float, u: float, df: float) -> Draw:
    """A mean of few readings: t with df, scaled by u and shifted (JCGM 101, 6.4.9)."""
    return lambda generator, count: mean + u * generator.standard_t(df, count)


def rectangular(low: float, high: float) -> Draw:
    """Anywhere between two bounds (JCGM 101, 6.4.2)."""
    return lambda generator, count: generator.uniform(low, high, count)


def triangular(low: float, high: float) -> Draw:
    """The sum of two equal rectangular inputs (JCGM 101, 6.4.5)."""
    return lambda generator, count: generator.triangular(low, (low + high) / 2, high, count)


def arcsine(low: float, high: float) -> Draw:
    """A cyclic effect (JCGM 101, 6.4.6)."""
    middle, half = (low + high) / 2, (high - low) / 2
    return lambda generator, count: middle + half * np.sin(generator.uniform(0, 2 * math.pi, count))


def of_contribution(line: Contribution) -> Draw:
    """Draws of a budget's line about zero, in its own unit, by its distribution."""
    u = line.standard_uncertainty
    if line.distribution == "rectangular":
        return rectangular(-u * math.sqrt(3), u * math.sqrt(3))
    if line.distribution == "triangular" and u > 0:
        return triangular(-u * math.sqrt(6), u * math.sqrt(6))
    if line.distribution == "arcsine":
        return arcsine(-u * math.sqrt(2), u * math.sqrt(2))
    if line.distribution == "Student's t" and line.degrees_of_freedom is not None:
        return student_t(0.0, u, line.degrees_of_freedom)
    return normal(0.0, u)


@dataclass(frozen=True, slots=True)
class Simulation:
    """mean, u: of the draws. interval: probabilistically symmetric; shortest: the shortest one
    that contains as much (JCGM 101, 5.3.2 to 5.3.4). draws: how many."""

    mean: float
    u: float
    interval: Interval
    shortest: Interval
    draws: int


def run(
    model: Model,
    inputs: Sequence[Draw],
    generator: Generator,
    draws: int = DRAWS,
    level: float = LEVEL,
) -> Simulation:
    """The distribution of model(inputs) from a fixed number of draws (JCGM 101, 7.2 to 7.7).

    Raises ValueError for fewer than a hundred draws.
    """
    if draws < 100:
        raise ValueError("draws: give at least 100")
    return _simulation(_results(model, inputs, generator, draws), level)


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Half a unit in the last of `digits` significant digits of u (JCGM 101, 7.9.2); 0 for 0."""
    if u == 0:
        return 0.0
    exponent = f"{u:.{digits - 1}e}".split("e")[1]
    return 0.5 * 10.0 ** (int(exponent) - digits + 1)


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether the budget's interval is validated by Monte Carlo (JCGM 101, 8.1).

    low_off, high_off: differences of the interval's ends; tolerance: their largest allowed value.
    """

    low_off: float
    high_off: float
    tolerance: float
    validated: bool


def agreement(estimate: float, budget: Budget, simulated: Simulation, digits: int = 1) -> Agreement:
    """Compare estimate +- expanded with the Monte Carlo interval (JCGM 101, 8.1, eq. 20, 21)."""
    tolerance = numerical_tolerance(budget.combined, digits)
    low = abs(estimate - budget.expanded - simulated.interval.low)
    high = abs(estimate + budget.expanded - simulated.interval.high)
    return Agreement(low, high, tolerance, low <= tolerance and high <= tolerance)


def second_order_variance(model: Callable[..., Array | float], u: Sequence[float]) -> float:
    """What the terms of second order add to the variance of model(x_1, ..., x_n) about zero.

    u: the standard uncertainty of each input; the model takes each as its difference from the
    estimate. sum over i, j of (f_ij^2 / 2 + f_i f_ijj) u_i^2 u_j^2, for inputs that are symmetric
    about their estimates (JCGM 100, 5.1.2, note; example H.1.7). The derivatives are central
    differences over steps of u, as in JCGM 100, 5.1.3, note 2. It can be negative.
    """
    n, steps = len(u), np.diag(u)

    def at(*moves: Array) -> float:
        return float(model(*np.sum(moves, axis=0).tolist()))

    zero = np.zeros(n)
    here, up, down = at(zero), [at(s) for s in steps], [at(-s) for s in steps]
    total = 0.0
    for i, first in enumerate(steps):
        slope = (up[i] - down[i]) / 2
        for j, second in enumerate(steps):
            if i == j:
                curved = up[i] - 2 * here + down[i]
                third = (at(2 * first) - 2 * up[i] + 2 * down[i] - at(-2 * first)) / 2
            else:
                both = [at(a * first, b * second) for a in (1, -1) for b in (1, -1)]
                curved = (both[0] - both[1] - both[2] + both[3]) / 4
                third = (both[0] + both[1] - 2 * up[i] - both[2] - both[3] + 2 * down[i]) / 2
            total += curved**2 / 2 + slope * third
    return total


@dataclass(frozen=True, slots=True)
class SecondRoute:
    """A series' quantity by its budget and by draws, in radians or mm.

    second_order_u: the combined standard uncertainty with the terms of second order. drawn_u: that
    of the draws; None where a line has two degrees of freedom or fewer, whose distribution has none
    (JCGM 101, 6.4.9.4). interval: the one to take, the draws' where they do not validate the
    budget (JCGM 101, 8.1).
    """

    mean: float
    budget: Budget
    second_order_u: float
    drawn: Simulation
    drawn_u: float | None
    agreement: Agreement

    @property
    def interval(self) -> Interval:
        if self.agreement.validated:
            return Interval.about(self.mean, self.budget.expanded)
        return self.drawn.interval

    @property
    def sentence(self) -> str:
        """Which of both is taken, and why."""
        if self.agreement.validated:
            return (
                "Both ways agree to the first digit of the standard uncertainty: the budget is "
                "taken (JCGM 101, 8.1)."
            )
        budget, drawn = self.budget.expanded, self.drawn.interval.half_width
        which = "wider" if budget > drawn else "narrower"
        return (
            f"The budget is {which} than what the draws show, by more than its first digit: the "
            "interval of the draws is taken (JCGM 101, 8.1)."
        )


def second_route(
    facts: SeriesFacts, quantity: Quantity, generator: Generator, draws: int = DRAWS
) -> SecondRoute:
    """A series' quantity by Monte Carlo through the exact relation, beside its budget.

    Every line of the score's budget is drawn from its own distribution and enters in its own
    place: the readings' contrast, the caliper's scale, the length, the inset, the jaws, or (scatter
    over trials) the result. Raises ValueError where the series has no complete trial.
    """
    found = score(facts).quantities.get(quantity)
    relation = facts.method.relation(quantity)
    if found is None or relation is None or found.mean is None or found.budget is None:
        raise ValueError(f"{quantity}: the series has no complete trial that shows it")
    lines = found.budget.contributions
    model = _model(facts, relation, found.mean, lines)
    drawn = run(model, [of_contribution(line) for line in lines], generator, draws)
    more = second_order_variance(model, [line.standard_uncertainty for line in lines])
    few = any((line.degrees_of_freedom or math.inf) <= 2 for line in lines)
    return SecondRoute(
        found.mean,
        found.budget,
        math.sqrt(max(found.budget.combined**2 + more, 0.0)),
        drawn,
        None if few else drawn.u,
        agreement(found.mean, found.budget, drawn),
    )


def _model(
    facts: SeriesFacts, relation: Relation, mean: float, lines: Sequence[Contribution]
) -> Model:
    """The quantity for differences of the budget's lines from their estimates."""
    pieces = geometry.pieces_of(facts.method, facts.pieces)
    base = facts.base_mm(relation)
    # The contrast at the mean for a strip that falls left of the blade.
    contrast = mean if base is None else base * float(geometry.ratio(relation, mean, pieces))
    per_mm = 1.0 if base is None else 1 / (base * float(geometry.slope(relation, mean, pieces)))

    def model(*drawn: Array | float) -> Array:
        into: dict[str, Array | float] = dict.fromkeys(get_args(Enters), 0.0)
        for line, draw in zip(lines, drawn, strict=True):
            # The scale counts from the size at which the zero is known.
            in_contrast = line.enters in ("contrast", "scale")
            gain = line.sensitivity / per_mm if in_contrast else 1.0
            into[line.enters] = into[line.enters] + gain * draw
        read = contrast + into["scale"] + into["contrast"]
        if base is None:
            return np.asarray(read + into["result"])
        length = base + into["base"]
        if relation.insets:
            length = length - _off_the_ends(facts, into["inset"], into["jaws"])
        return np.asarray(geometry.solve(relation, read / length, pieces) + into["result"])

    return model


def _off_the_ends(facts: SeriesFacts, inset: Array | float, jaws: Array | float) -> Array | float:
    """How much more the jaws take off the length than without what was drawn for them."""
    if facts.jaw_width_mm is None:
        return 2 * inset + jaws / 2
    at, half = facts.inset_mm, facts.jaw_width_mm / 2
    return inset + np.maximum(at + inset, half + jaws / 2) - max(at, half)


def _results(model: Model, inputs: Sequence[Draw], generator: Generator, count: int) -> Array:
    return np.asarray(model(*(draw(generator, count) for draw in inputs)), dtype=np.float64)


def _simulation(results: Array, level: float) -> Simulation:
    ordered = np.sort(results)
    held = _held(ordered.size, level)
    widths = ordered[held:] - ordered[: ordered.size - held]
    first = int(np.argmin(widths))
    return Simulation(
        float(results.mean()),
        float(results.std(ddof=1)),
        _symmetric(ordered, level),
        Interval(float(ordered[first]), float(ordered[first + held]), level),
        ordered.size,
    )


def _held(count: int, level: float) -> int:
    # JCGM 101, 7.7.2: q = p M where that is whole, else the integer part of p M + 1/2.
    return int(level * count + 0.5)


def _symmetric(ordered: Array, level: float) -> Interval:
    held = _held(ordered.size, level)
    first = (ordered.size - held) // 2
    last = min(first + held, ordered.size - 1)
    return Interval(float(ordered[first]), float(ordered[last]), level)
