"""Until when a caliper may be trusted: the share that is out before the date that it was given.

Its zero is checked by blocks, or its scatter on one spot, at intervals; found outside its limit it
is set or mended, and checked again at once. The date is that after the last check.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.uncertainty import REPEATABILITY_MM, ZERO_BOUND_MM
from analysis.until import CHANCE, Until, until
from api.answers.caliper_until import followed
from benchmarks.truth.rows import Row, of_dates

Array = NDArray[np.float64]

_COUNT: Final = 0.01
_HAND: Final = 0.005
_BLOCKS: Final = 3
_PRESSES: Final = 10


@dataclass(frozen=True)
class _Caliper:
    """What is checked, in mm: the error of its zero, or its scatter on one spot, which is `first`
    as it is set (sd of the zero). drift: in a year (sd); jumps: how many in a year, and their
    sd."""

    words: str
    spot: bool = False
    first: float = 0.004
    drift: float = 0.0
    jumps: float = 0.0
    size: float = 0.0


_CALIPERS: Final = (
    _Caliper("whose zero stays"),
    _Caliper("whose zero drifts by 0.01 mm a year (sd)", drift=0.01),
    _Caliper("whose zero jumps once in four years, by 0.06 mm (sd)", jumps=0.25, size=0.06),
    _Caliper("whose zero jumps once a year, by 0.06 mm (sd)", jumps=1.0, size=0.06),
    _Caliper("that scatters on one spot by 0.01 mm", spot=True, first=0.01),
    _Caliper("whose scatter of 0.008 mm grows by 0.006 mm a year (sd)", True, 0.008, 0.006),
    _Caliper(
        "whose scatter of 0.008 mm grows at once by 0.03 mm, once a year",
        True,
        0.008,
        0.0,
        1.0,
        0.03,
    ),
)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """Of the histories whose date the control chart gives."""
    runs = 100 if short else 1000
    for caliper in _CALIPERS[3:4] if short else _CALIPERS:
        for every, checks in ((30, 12),) if short else ((30, 12), (90, 16)):
            told = []
            for _ in range(runs):
                state = _History(rng, caliper)
                found = state.checked(every, checks)
                if found is not None and found.chance is not None:
                    told.append((found.days, state.out_within(int(found.days))))
            ground = f"one {caliper.words}; {checks} checks, one in {every} days"
            yield from of_dates("a caliper ", ground, told, CHANCE)


class _History:
    def __init__(self, rng: np.random.Generator, caliper: _Caliper) -> None:
        self._rng = rng
        self._caliper = caliper
        self._half = REPEATABILITY_MM if caliper.spot else ZERO_BOUND_MM
        drift = float(rng.normal(0, caliper.drift)) / 365
        self._drift = abs(drift) if caliper.spot else drift
        self._set()

    def _set(self) -> None:
        caliper = self._caliper
        self._level = caliper.first if caliper.spot else float(self._rng.normal(0, caliper.first))

    def checked(self, every: int, checks: int) -> Until | None:
        """After the last of so many checks; None where it finds the caliper out."""
        days: list[float] = []
        off: list[float] = []
        for k in range(checks):
            if k:
                self._path(every)
            days.append(float(k * every))
            off.append(self._read())
            if abs(off[-1]) > self._half and k < checks - 1:
                self._set()
                days.append(k * every + 0.1)
                off.append(self._read())
        if abs(off[-1]) > self._half:
            return None
        return until(followed(np.array(days), np.array(off), self._half))

    def _read(self) -> float:
        """The worst of the blocks' errors, or the standard deviation on one spot."""
        rng = self._rng
        if self._caliper.spot:
            at = rng.uniform(-0.5, 0.5) * _COUNT
            read = at + rng.normal(0, self._level, _PRESSES)
            return float((np.rint(read / _COUNT) * _COUNT).std(ddof=1))
        read = self._level + rng.normal(0, _HAND, (_BLOCKS, 3))
        error = (np.rint(read / _COUNT) * _COUNT).mean(1)
        return float(error[np.abs(error).argmax()])

    def out_within(self, days: int) -> bool:
        return bool((np.abs(self._path(days)) > self._half).any())

    def _path(self, days: int) -> Array:
        caliper, rng = self._caliper, self._rng
        steps = np.full(days, self._drift)
        jumps = rng.random(days) < caliper.jumps / 365
        sizes = rng.normal(0, caliper.size, int(jumps.sum()))
        steps[jumps] += np.abs(sizes) if caliper.spot else sizes
        path = self._level + np.cumsum(steps)
        if days:
            self._level = float(path[-1])
        return path
