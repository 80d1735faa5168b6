"""Finds where a reading was lost, or sent twice, by what the readings after it match.

Readings of one strip go together: two strips differ in width, and the places of one differ by
nearly the same in each. From a lost reading on, every trial holds readings of two strips.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

# By the number of strips from three on, how many times less the readings must scatter about their
# strips when they are paired anew. Honest strips of equal and of unequal widths, with two, four and
# six readings each, do so in one look of a hundred at the most, and of three hundred from six
# strips on (own simulation, 20,000 series). Scatter below that of one reading never counts.
_BETTER: Final = (12.0, 16.0, 16.0, 9.0, 6.2, 5.0, 4.2, 3.7, 3.3, 3.0)
_FEWEST: Final = 3


def shifted_from(slots: Array, rest: Array, reading_sd: float) -> tuple[int, bool] | None:
    """The trial in which a reading was lost or doubled (from 0), and whether it was lost.

    slots: (trials, readings of a trial in their order), all finite; rest: what was read of the next
    trial. reading_sd: of one reading. None where the readings do not show it, or where fewer than
    three strips would be left; strips of equal width never show it.
    """
    n, size = slots.shape
    if n < _FEWEST or size < 2:
        return None
    flat = np.concatenate([slots.ravel(), rest])
    floor = reading_sd**2
    before = _Sums.of(slots, from_the_end=False)
    now = max(float(before.scatter(np.array([n - 1]), n)[0]), floor)
    best, found = np.inf, None
    # One lost: the next strip begins with the last reading of the trial; one doubled: with the
    # second reading of the trial after it.
    for offset, behind, lost in ((size - 1, 0, True), (1, 1, False)):
        strips = (flat.size - offset) // size
        if strips - behind < _FEWEST:
            continue
        moved = flat[offset : offset + strips * size].reshape(strips, size)
        after = _Sums.of(moved, from_the_end=True)
        # All trials at once: one by one takes a twentieth of what a page of 250 strips may.
        trials = np.arange(min(n, strips - behind))
        scatter = np.maximum(after.scatter(trials + behind, strips - behind, before, trials), floor)
        least = int(scatter.argmin())
        if scatter[least] < best:
            best, found = float(scatter[least]), (least, lost)
    better = _BETTER[min(n, _FEWEST + len(_BETTER) - 1) - _FEWEST]
    return found if now >= better**2 * best else None


class _Sums:
    """Running sums over strips of their readings less their own mean, squared and not."""

    def __init__(self, squares: Array, sums: Array) -> None:
        self.squares = squares
        self.sums = sums

    @staticmethod
    def of(rows: Array, *, from_the_end: bool) -> _Sums:
        step = -1 if from_the_end else 1
        about = rows - rows.mean(axis=1, keepdims=True)
        squares = np.cumsum((about**2).sum(axis=1)[::step])[::step]
        return _Sums(squares, np.cumsum(about[::step], axis=0)[::step])

    def scatter(
        self, at: Indices, strips: int, more: _Sums | None = None, before: Indices | int = 0
    ) -> Array:
        """The variance of one reading about its strip and its place: two-way residuals, of the
        strips summed at each of `at`, and those of `more` summed before each of `before`."""
        squares, sums = self.squares[at], self.sums[at]
        if more is not None:
            squares = squares + np.concatenate([[0.0], more.squares])[before]
            sums = sums + np.concatenate([np.zeros((1, sums.shape[1])), more.sums])[before]
        left = squares - (sums * sums).sum(axis=1) / strips
        variance: Array = np.maximum(left, 0.0) / ((strips - 1) * (sums.shape[1] - 1))
        return variance
