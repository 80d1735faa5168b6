"""Until when: the share of stops that are out before the date that they were given.

Each saw is checked at intervals and adjusted, with a setup change, when a check finds it out; the
date is that after its last check, by the control chart, and "out" is the saw's own error at any day
until then, without its scatter from cut to cut, or at a visit on that date, where it returns to the
stop with a scatter.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.phases import Checks, phase_by_phase
from analysis.until import CHANCE, Followed, Until, jumps_in, until
from analysis.visits import returns, visit_means
from benchmarks.truth.rows import Row, of_dates

Array = NDArray[np.float64]

_HALF: Final = 1.0
_SINGLE: Final = 0.7
_U: Final = 0.08
"""Of a check, in halves of the tolerance: good checks have a fifth of it as their expanded one."""


@dataclass(frozen=True)
class _Saw:
    """drift: the standard deviation of its steady drift, in half tolerances a year; walk: of what
    it wanders in a year; jumps: how many in a year, and their standard deviation; returns: the
    scatter from visit to visit."""

    words: str
    drift: float = 0.0
    walk: float = 0.0
    jumps: float = 0.0
    size: float = 1.0
    returns: float = 0.0


_SAWS: Final = (
    _Saw("still"),
    _Saw("drifting by 0.5 half tolerances a year (sd)", drift=0.5),
    _Saw("drifting by 2 half tolerances a year (sd)", drift=2.0),
    _Saw("wandering by 0.5 half tolerances in a year", walk=0.5),
    _Saw("jumping once in four years, by 1 half tolerance (sd)", jumps=0.25),
    _Saw("jumping once a year, by 1 half tolerance (sd)", jumps=1.0),
    _Saw("jumping once a year, by 3 half tolerances (sd)", jumps=1.0, size=3.0),
    _Saw("jumping once in four years, by 3 half tolerances (sd)", jumps=0.25, size=3.0),
    _Saw("jumping twice a year, by 3 half tolerances (sd)", jumps=2.0, size=3.0),
    _Saw("returning with a scatter of a quarter of the half tolerance", returns=0.25),
    _Saw("drifting, wandering and jumping", drift=0.5, walk=0.3, jumps=0.5),
)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """The share out before the date, of the histories whose date the control chart gives."""
    runs = 50 if short else 1000
    for saw in _SAWS[1::4] if short else _SAWS:
        for every, checks in ((30, 12),) if short else ((30, 12), (90, 16)):
            told = []
            for _ in range(runs):
                state = _History(rng, saw)
                found = state.followed(every, checks)
                if found.chance is not None and not state.is_out:
                    told.append((found.days, state.out_within(found.days)))
            ground = f"a saw {saw.words}; {checks} checks, one in {every} days"
            yield from of_dates("", ground, told, CHANCE)


class _History:
    def __init__(self, rng: np.random.Generator, saw: _Saw) -> None:
        self._rng = rng
        self._saw = saw
        self._drift = rng.normal(0, saw.drift) / 365
        self._level = float(rng.normal(0, 0.1))
        self._visited: list[Array] = []

    def _check(self) -> float:
        """Of one visit; where it returns with a scatter, now and then of four."""
        few = not self._saw.returns or self._rng.random() < _SINGLE
        came = self._rng.normal(0, self._saw.returns, 1 if few else 4)
        strips = self._level + came[:, None] + self._rng.normal(0, _U, (len(came), 1 if few else 2))
        self._visited.append(strips)
        return float(strips.mean())

    @property
    def is_out(self) -> bool:
        """Told by the last check, so that no date is given."""
        return self._told_out

    def followed(self, every: int, checks: int) -> Until:
        """What is said after the last of so many checks."""
        values, days, changes = [], [], []
        day = 0.0
        for k in range(checks):
            if k:
                day += every
                self._path(every)
            values.append(self._check())
            days.append(day)
            self._told_out = abs(values[-1]) + 2 * _U > _HALF
            if self._told_out and k < checks - 1:
                # Adjusted, and measured again at once, as it is told.
                self._level = float(self._rng.normal(0, 0.1))
                changes.append(len(values))
                values.append(self._check())
                days.append(day + 0.1)
        x = np.array(values)
        phases = phase_by_phase(_checks(x), setup_changes=changes)
        jumps = jumps_in(phases, x, _HALF)
        since = phases[-1].since
        came = returns(
            visit_means(v.ravel(), np.zeros(v.size, int), np.repeat(np.arange(4), 2), 1)
            for v in self._visited
            if len(v) > 1
        )
        averaged = float(np.mean([1 / len(v) for v in self._visited[since:]]))
        known = 0.0 if came is None else came.careful_sd
        return until(
            Followed(np.array(days), x, _HALF, since, jumps=jumps, returns=known, averaged=averaged)
        )

    def out_within(self, days: float) -> bool:
        """Whether it is out at any day from now until then."""
        path = self._path(max(int(np.floor(days)), 0))
        at_date = self._level + self._rng.normal(0, self._saw.returns)
        return bool((np.abs(path) > _HALF).any() or abs(at_date) > _HALF)

    def _path(self, days: int) -> Array:
        """The level on each of the next days; it is there then."""
        saw, rng = self._saw, self._rng
        steps = self._drift + rng.normal(0, saw.walk / np.sqrt(365), days)
        jumps = rng.random(days) < saw.jumps / 365
        steps[jumps] += rng.normal(0, saw.size, int(jumps.sum()))
        path = self._level + np.cumsum(steps)
        if days:
            self._level = float(path[-1])
        return path


def _checks(values: Array) -> Checks:
    n = values.size
    return Checks(
        values,
        np.full(n, 4),
        np.full(n, 2 * _U),
        np.full(n, _U),
        np.zeros(n),
        np.ones(n),
        np.zeros(n),
        ["one"] * n,
    )
