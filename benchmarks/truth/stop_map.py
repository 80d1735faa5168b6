"""The map of a machine's stops: what is said of the pattern of their errors, how often wrongly."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.stop_map import StopError, StopMap, stop_map
from benchmarks.truth.rows import Row

_STOPS: Final = {
    4: (-45.0, -22.5, 0.0, 45.0),
    5: (-45.0, -22.5, 0.0, 22.5, 45.0),
    7: (-45.0, -30.0, -15.0, 0.0, 15.0, 30.0, 45.0),
}
_SD: Final = 0.02
"""Of a strip, in degrees."""
_ZERO: Final = 0.1
_SCALE: Final = 0.02
_BAD: Final = 0.2
_TRUTHS: Final = (
    ("nothing wrong", ""),
    ("a wrong zero, 0.1 degrees", "z"),
    ("a wrong scale, 2 %", "s"),
    ("one bad stop, 0.2 degrees", "b"),
    ("zero 0.1 degrees and scale 2 %", "zs"),
    ("zero 0.1 degrees and one bad stop, 0.2 degrees", "zb"),
)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """Stops measured by a series of so many strips each."""
    runs = 40 if short else 1000
    for count, trials in ((5, 5),) if short else ((4, 5), (5, 3), (5, 5), (7, 5)):
        for words, truth in _TRUTHS:
            wrong = named = whole = 0
            for _ in range(runs):
                bad = int(rng.integers(count))
                found = stop_map(_measured(rng, count, trials, truth, bad))
                told = _told(found)
                wrong += (
                    not told <= set(truth)
                    or found.stop not in (None, str(bad))
                    or found.told == "no pattern"
                    or (truth == "" and found.told != "nothing")
                )
                whole += told == set(truth)
                named += "zero" in found.sentence and "scale" in found.sentence
            ground = f"{count} stops of {trials} strips, {words}"
            yield Row("what the map says of it, wrong", ground, "at most", 0.05, wrong, runs)
            if truth:
                yield Row("all that is wrong is told", ground, "at least", 0.0, whole, runs)
            if truth == "zs":
                yield Row(
                    "its sentence names zero and scale", ground, "at least", 0.95, named, runs
                )
    yield from _intervals(rng, runs)


def _intervals(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """What is said of the zero, where there may be more beside it that is too small to be told."""
    for count, trials in ((4, 5), (5, 5)):
        for words, scale, bad in (
            ("a scale of 0.08 %", 0.0008, 0.0),
            ("a scale of 0.2 %", 0.002, 0.0),
            ("one stop off by 0.04 degrees", 0.0, 0.04),
        ):
            held = told = 0
            for _ in range(runs):
                error = _ZERO + scale * np.array(_STOPS[count])
                error[int(rng.integers(count))] += bad
                zero = stop_map(_strips(rng, np.array(_STOPS[count]), error, trials)).zero
                told += zero is not None
                held += zero is not None and abs(zero.value - math.radians(_ZERO)) <= zero.expanded
            ground = f"{count} stops of {trials} strips, zero 0.1 degrees and {words}"
            yield Row("all stops lean by ± X together", ground, "at least", 0.95, held, told)


def _told(found: StopMap) -> set[str]:
    parts = {"z": found.zero, "s": found.scale, "b": found.bad}
    return {part for part, there in parts.items() if there is not None}


def _measured(
    rng: np.random.Generator, count: int, trials: int, truth: str, bad: int
) -> list[StopError]:
    nominal = np.array(_STOPS[count])
    error = ("z" in truth) * rng.choice([-_ZERO, _ZERO]) + np.zeros(count)
    error += ("s" in truth) * rng.choice([-_SCALE, _SCALE]) * nominal
    error[bad] += ("b" in truth) * rng.choice([-_BAD, _BAD])
    return _strips(rng, nominal, error, trials)


def _strips(
    rng: np.random.Generator, nominal: NDArray[np.float64], error: NDArray[np.float64], trials: int
) -> list[StopError]:
    strips = np.radians(error[:, np.newaxis] + rng.normal(0, _SD, (nominal.size, trials)))
    u = strips.std(axis=1, ddof=1) / math.sqrt(trials)
    return [
        StopError(str(i), math.radians(nominal[i]), mean, u[i], trials - 1)
        for i, mean in enumerate(strips.mean(axis=1).tolist())
    ]
