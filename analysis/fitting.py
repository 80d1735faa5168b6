"""What one lasting change looks like among the checks around it: a shift or a creep."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis import changes

Array = NDArray[np.float64]

_SHUFFLES: Final = 1999
_LEVEL: Final = 0.95


@dataclass(frozen=True, slots=True)
class Fitted:
    """A change, by places of checks: a shift that began at `index` and, with 95 % probability, from
    `first` to `last`; or a creep after check `first` = `index` up to check `last`.

    before, after: the mean on each side, or the ends of the creep. told_at: the look that told it.
    p: how often the same checks, shuffled, look as clearly divided.
    """

    kind: Literal["shift", "creep"]
    index: int
    first: int
    last: int
    before: float
    after: float
    told_at: int
    p: float


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """Checks with a change somewhere among them. least: of their mean squared residual."""

    places: NDArray[np.int64]
    x: Array
    w: Array
    least: float

    def creep(self, began: Sequence[int], told_at: int) -> Fitted | None:
        """One creep, level before it; None where the steps that began there fit better.

        It needs an onset, a level and a slope; each of c steps a place and a size, and all a level:
        the residuals are compared with the difference of parameters (Schwarz, Estimating the
        dimension of a model, Annals of Statistics 6, 1978, 461-464).
        """
        n, at = self.x.size, np.arange(self.x.size)
        fits = []
        for onset in range(n - changes.FEWEST_RISING):
            course = np.maximum(at - onset, 0.0)
            flat = course - np.average(course, weights=self.w)
            slope = (self.w * flat * self.x).sum() / (self.w * flat * flat).sum()
            level = np.average(self.x - slope * course, weights=self.w)
            fits.append((self._left(level + slope * course), onset, slope, level))
        if not fits:
            return None
        left, onset, slope, level = min(fits)
        steps = [0, *np.searchsorted(self.places, began).tolist(), n]
        if len(began) == 1:
            steps[1] = int(self._gains().argmax()) + 1
        stepped = self._means(steps)
        if n * math.log(left / self._left(stepped)) > (2 * len(began) - 2) * math.log(n):
            return None
        first, last = int(self.places[onset]), int(self.places[-1])
        after = float(level + slope * (n - 1 - onset))
        return Fitted("creep", first, first, last, float(level), after, told_at, self._p())

    def shift(self, told_at: int) -> Fitted:
        """The most likely place of one shift, and the shortest run of places that contains 95 % of
        the posterior weight (W1 W2)^-1/2 RSS^-(n-2)/2: one shift, flat prior on its place and the
        means, Jeffreys on sigma (after Smith, A Bayesian approach to inference about a change-point
        in a sequence of random variables, Biometrika 62, 1975, 407-416; from memory)."""
        n, gains = self.x.size, self._gains()
        split = int(gains.argmax()) + 1
        means = self._means([0, split, n])
        whole = np.average(self.x, weights=self.w)
        squares = float((self.w * (self.x - whole) ** 2).sum())
        rest = np.maximum(squares - gains, n * self.least)
        heavy = np.cumsum(self.w)[:-1]
        log_weight = -0.5 * np.log(heavy * (self.w.sum() - heavy)) - (n - 2) / 2 * np.log(rest)
        weight = np.exp(log_weight - log_weight.max())
        low, high = _shortest(weight / weight.sum(), _LEVEL)
        index, first, last = (int(self.places[j]) for j in (split, low + 1, high + 1))
        before, after = float(means[0]), float(means[-1])
        return Fitted("shift", index, first, last, before, after, told_at, self._p())

    def _left(self, fitted: Array) -> float:
        left = float((self.w * (self.x - fitted) ** 2).sum())
        return max(left, self.x.size * self.least)

    def _means(self, steps: Sequence[int]) -> Array:
        parts = [slice(a, b) for a, b in pairwise(steps)]
        return np.concatenate(
            [np.full(s.stop - s.start, np.average(self.x[s], weights=self.w[s])) for s in parts]
        )

    def _gains(self) -> Array:
        return np.asarray(_explained(self.x[None, :], self.w[None, :])[0])

    def _p(self) -> float:
        order = np.tile(np.arange(self.x.size), (_SHUFFLES, 1))
        order = np.random.default_rng(20).permuted(order, axis=1)
        shuffled = _explained(self.x[order], self.w[order]).max(axis=1)
        # A shuffle into the same order must count as equal despite rounding.
        reached = shuffled >= self._gains().max() * (1 - 1e-9)
        return (1 + int(reached.sum())) / (_SHUFFLES + 1)


def _explained(rows: Array, weights: Array) -> Array:
    """Weighted sum of squares between the two parts, for every split of each row: (m, n - 1)."""
    whole = weights.sum(axis=1, keepdims=True)
    rest = rows - (weights * rows).sum(axis=1, keepdims=True) / whole
    heavy = np.cumsum(weights, axis=1)[:, :-1]
    return np.asarray(
        np.cumsum(weights * rest, axis=1)[:, :-1] ** 2 * whole / (heavy * (whole - heavy))
    )


def _shortest(weight: Array, level: float) -> tuple[int, int]:
    """The shortest run of places with at least `level` of the weight (of equals the heaviest)."""
    total = np.concatenate([[0.0], np.cumsum(weight)])
    need = min(level, float(total[-1]))
    for length in range(1, weight.size + 1):
        held = total[length:] - total[:-length]
        if held.max() >= need - 1e-12:
            start = int(held.argmax())
            return start, start + length - 1
    return 0, weight.size - 1
