"""A machine's history: whether what is told of it has happened, and how soon it is told.

"After each of 40 checks" means that a history counts as changed where any look told anything.
Alarms are counted on the looks themselves, many histories at once; the words on whole histories.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.changes import Measured, looks
from analysis.phases import Checks, phase_by_phase
from benchmarks.truth.rows import Row

Array = NDArray[np.float64]
Play = Callable[[tuple[int, int]], Measured]

_TOGETHER: Final = 50
_BEFORE: Final = 15
_STABLE: Final = "No change shows (looked at after each of 40 checks)"


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """The alarms of stable machines, the delays of changed ones, and the words."""
    runs = 600 if short else 6000
    for ground, play in _stable(rng):
        told = _told(runs, 40, play).any(axis=1)
        yield Row(_STABLE, ground, "at least", 0.95, int((~told).sum()), runs)
    yield from _delays(rng, runs)
    yield from _words(rng, 60 if short else 600)


def _measured(values: Array, variances: Array, rounding: float = 0.0) -> Measured:
    if variances.ndim == values.ndim:
        variances = variances[..., None, :]
    shape = (*values.shape, values.shape[-1])
    return Measured(
        values,
        np.broadcast_to(variances, shape),
        np.full(values.shape, rounding),
        np.zeros((0, *values.shape)),
    )


def _told(histories: int, checks: int, play: Play) -> NDArray[np.bool_]:
    blocks = range(0, histories, _TOGETHER)
    return np.concatenate([looks(play((_TOGETHER, checks))).told() for _ in blocks])


def _stable(rng: np.random.Generator) -> Iterator[tuple[str, Play]]:
    """Grounds without a change; sigma is a check's own standard uncertainty."""
    for between in (0.0, 1.0, 4.0):
        yield f"equal checks, between them {between:g} sigma", _equal(rng, between)
    few = "a fifth of the checks single trials, the others of {}; between them {:g} sd of a trial"
    for trials in (3, 8):
        for between in (0.0, 0.5, 1.0):
            counts = [1, trials, trials, trials, trials]
            yield few.format(trials, between), _of_trials(rng, between, counts)
    many = "four fifths single trials, the others of 8; between them {:g} sd of a trial"
    for between in (0.0, 0.6, 1.0):
        yield many.format(between), _of_trials(rng, between, [1, 1, 1, 1, 8])
    unequal = "u known, log-normal with factor 2; between them {:g} of its median"
    for between in (0.0, 0.5, 1.0, 4.0):
        yield unequal.format(between), _known(rng, between)
    for count in (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 10.0, 30.0):
        yield f"checks in steps of {count:g} sigma, the mean anywhere", _rounded(rng, count)


def _equal(rng: np.random.Generator, between: float) -> Play:
    def play(shape: tuple[int, int]) -> Measured:
        return _measured(math.hypot(1.0, between) * rng.normal(size=shape), np.ones(shape))

    return play


def _of_trials(rng: np.random.Generator, between: float, counts: list[int]) -> Play:
    def play(shape: tuple[int, int]) -> Measured:
        n = rng.choice(counts, size=shape)
        values = between * rng.normal(size=shape) + rng.normal(size=shape) / np.sqrt(n)
        # As `phases.measured_of`: the scatter of a trial, pooled over the checks until each look.
        df = n - 1
        squares = np.where(df > 0, rng.chisquare(np.maximum(df, 1)), 0.0)
        free = np.cumsum(df, axis=1)
        pooled = np.where(free > 0, np.cumsum(squares, axis=1) / np.maximum(free, 1), 1.0)
        return _measured(values, pooled[..., None] / n[..., None, :])

    return play


def _known(rng: np.random.Generator, between: float) -> Play:
    def play(shape: tuple[int, int]) -> Measured:
        u = 2.0 ** rng.normal(size=shape)
        return _measured(np.hypot(u, between) * rng.normal(size=shape), u * u)

    return play


def _rounded(rng: np.random.Generator, count: float) -> Play:
    def play(shape: tuple[int, int]) -> Measured:
        middle = rng.uniform(-0.5, 0.5, (shape[0], 1))
        values = np.rint(middle + rng.normal(size=shape) / count) * count
        return _measured(values, np.ones(shape), count / math.sqrt(6))

    return play


def _delays(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """Half of the histories that told nothing before are told within so many checks."""
    at = np.arange(28.0)
    for words, within, moved in (
        ("a shift of 2 sigma", 6, 2.0 * (at >= _BEFORE)),
        ("a shift of 3 sigma", 3, 3.0 * (at >= _BEFORE)),
        ("a creep of 0.2 sigma a check", 11, 0.2 * np.maximum(at - _BEFORE + 1, 0)),
    ):

        def play(shape: tuple[int, int], moved: Array = moved) -> Measured:
            return _measured(rng.normal(size=shape) + moved, np.ones(shape))

        told = _told(runs, at.size, play)
        quiet = ~told[:, :_BEFORE].any(axis=1)
        soon = told[quiet, _BEFORE : _BEFORE + within].any(axis=1)
        statement = f"{words} is told within {within} checks"
        ground = "after 15 equal checks without an alarm"
        yield Row(statement, ground, "at least", 0.5, int(soon.sum()), int(quiet.sum()))


def _words(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    at = np.arange(40)
    shift = "A lasting shift ... between ... and ..."
    for size in (2.0, 3.0, 5.0):
        held = told = 0
        for _ in range(runs):
            (phase,) = phase_by_phase(_checks(rng.normal(size=40) + size * (at >= _BEFORE)))
            change = next((c for c in phase.changes if c.kind == "shift"), None)
            told += change is not None
            held += change is not None and change.first <= _BEFORE <= change.last
        ground = f"of {size:g} sigma after 15 of 40 checks, seen at the end"
        yield Row(shift, ground, "at least", 0.95, held, told)
    alike = 0
    for _ in range(runs):
        values = rng.uniform(-1, 1) + 1e-17 * rng.normal(size=40)
        (phase,) = phase_by_phase(_checks(values, sd=0.0, rounding=0.004))
        alike += not (phase.changes or phase.out)
    ground = "40 checks alike but for the last bits of their numbers"
    yield Row("... alike to the caliper's last digit", ground, "at least", 1.0, alike, runs)


def _checks(values: Array, sd: float = 2.0, rounding: float = 0.0) -> Checks:
    n = values.size
    return Checks(
        values,
        np.full(n, 4),
        np.full(n, sd),
        np.full(n, sd / 2),
        np.full(n, rounding),
        np.ones(n),
        np.zeros(n),
        ["one"] * n,
    )
