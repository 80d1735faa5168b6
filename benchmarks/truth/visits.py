"""Several visits to a stop: the mean's uncertainty, the verdict, the next cut, and the return."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.methods import METHODS
from analysis.score import QuantityScore, score
from analysis.visits import visits
from benchmarks.truth.rows import Row

Array = NDArray[np.float64]

_AT: Final = 100.0
_WHOLE: Final = Tolerance.length(_AT - 5.9, _AT - 0.1)
"""The truth lies just outside it."""
_STRIPS: Final = (
    (1,) * 4, (2,) * 2, (6,) * 2, (6, 1), (2,) * 3, (4, 1, 1), (3,) * 4, (6, 1, 2, 1, 3), (2,) * 6,
    (6,) * 6, (1, 6) * 4, (2,) * 12,
)  # fmt: skip


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """Parts cut to a stop, whose single cuts scatter by 1 mm about it, read without error."""
    runs = 40 if short else 400
    for between in (1.0,) if short else (0.0, 0.5, 1.0, 3.0):
        for strips in _STRIPS[1::4] if short else _STRIPS:
            yield from _of(rng, runs, between, strips)


@dataclass
class _Held:
    mean: int = 0
    following: int = 0
    wrong: int = 0
    returns: int = 0


def _of(
    rng: np.random.Generator, runs: int, between: float, strips: tuple[int, ...]
) -> Iterator[Row]:
    visit = np.repeat(np.arange(len(strips)), strips)
    held = _Held()
    looked = runs // 4
    for run in range(runs):
        at = rng.normal(0, between, len(strips) + 1)
        parts = _AT + at[visit] + rng.normal(0, 1, visit.size)
        found = _length(parts, visit)
        assert found.mean_interval is not None
        assert found.prediction is not None
        held.mean += _AT in found.mean_interval
        held.following += _AT + at[-1] + rng.normal() in found.prediction
        held.wrong += run < looked and _told_good(parts, visit)
        told = visits(parts, visit.tolist(), "mm")
        assert told is not None
        interval = told.between_interval
        held.returns += interval is not None and between in interval
    each = f"{len(strips)} visits of {_numbers(strips)}"
    ground = f"{each}, the stop scatters by {between:g} of a single cut's scatter"
    yield Row("result ± expanded uncertainty", ground, "at least", 0.95, held.mean, runs)
    yield Row(
        "the next cut will be between A and B", ground, "at least", 0.95, held.following, runs
    )
    told = "good enough, of one just outside, a look after each strip"
    yield Row(told, ground, "at most", 0.05, held.wrong, looked)
    if max(strips) > 1:
        statement = "the stop scatters from visit to visit by A to B"
        yield Row(statement, ground, "at least", 0.95, held.returns, runs)


def _numbers(strips: tuple[int, ...]) -> str:
    if len(set(strips)) == 1:
        return f"{strips[0]} strip{'s' if strips[0] > 1 else ''}"
    return ", ".join(map(str, strips)) + " strips"


def _length(parts: Array, visit: Array, tolerance: Tolerance | None = None) -> QuantityScore:
    facts = SeriesFacts(
        METHODS["stop-block"], parts[:, np.newaxis], resolution_mm=1e-6, repeatability_mm=0.0,
        zero_u_mm=0.0, scale_u=0.0, visit=visit, tolerance=tolerance,
    )  # fmt: skip
    return score(facts).quantities["length"]


def _told_good(parts: Array, visit: Array) -> bool:
    """At any strip from the second visit on; before, a series of one visit speaks of that visit."""
    first = int((visit == 0).sum()) + 1
    return any(
        _length(parts[:n], visit[:n], _WHOLE).verdict == "good enough"
        for n in range(first, parts.size + 1)
    )
