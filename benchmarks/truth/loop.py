"""Measured, adjusted, measured again: what is told by itself, looked at after every strip."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import planning
from analysis.adjustment import adjusted
from analysis.conformity import ADJUST, GOOD, UNKNOWN, Tolerance
from analysis.judging import Seen, judged
from analysis.returning import came_back
from analysis.uncertainty import coverage_factor
from benchmarks.truth.rows import Row

Array = NDArray[np.float64]

_MOST: Final = 12
# Everything in standard deviations of a trial; far from nominal, so that the sign is no question.
_OFF: Final = 10.0


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    runs = 200 if short else 1000
    yield from _nothing_changed(rng, runs)
    yield from _changed(rng, runs)
    yield from _came_back(rng, runs)
    yield from _planned(rng, runs)


def _seen(values: Array) -> Seen:
    n, sd = len(values), float(values.std(ddof=1))
    expanded = coverage_factor(n - 1) * sd / np.sqrt(n)
    return Seen(n, n, float(values.mean()), sd, float(expanded), 0.0)


def _until_out(values: Array, limit: float) -> Array | None:
    """The strips until a series is found out of `limit` by a person who looks after each."""
    tolerance = Tolerance(-limit, limit, "rad", "")
    for n in range(3, len(values) + 1):
        verdict = judged(_seen(values[:n]), tolerance).verdict
        if verdict != UNKNOWN:
            return values[:n] if verdict == ADJUST else None
    return None


def _told(before: Array, after: Array, planned: tuple[bool, bool], last: int = _MOST) -> set[str]:
    """What is told of the pair while the second series grows, and at its planned end."""
    told = set()
    for n in range(1, last + 1):
        ends = planned[1] and n == last
        looks = (not planned[0], not ends)
        told.add(adjusted(before, after[:n], each_look=looks).answer)
    return told - {"cannot tell"}


def _nothing_changed(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    statement = '"it helped" or "it made it worse", where nothing had changed'
    for first in (3, 5, 8):
        wrong = sum(
            bool(_told(rng.normal(_OFF, 1, first), rng.normal(_OFF, 1, _MOST), (False, False)))
            for _ in range(runs)
        )
        ground = f"{first} strips, then a look after each of {_MOST}"
        yield Row(statement, ground, "at most", 0.05, wrong, runs)
    for strips in (3, 5, 8):
        pairs = ((rng.normal(_OFF, 1, strips), rng.normal(_OFF, 1, strips)) for _ in range(runs))
        wrong = sum(bool(_told(*pair, (True, True), strips)) for pair in pairs)
        ground = f"{strips} strips planned both times, looked at after each and at the end"
        yield Row(statement, ground, "at most", 0.05, wrong, runs)
    for out in (0.5, 2.0):
        wrong = found = 0
        for _ in range(runs):
            before = _until_out(rng.normal(_OFF, 1, _MOST), _OFF - out)
            if before is not None:
                found += 1
                wrong += bool(_told(before, rng.normal(_OFF, 1, _MOST), (False, False)))
        ground = (
            f"{out:g} standard deviations outside the limit, the first series ended as it found"
            f" that out, then a look after each of {_MOST}"
        )
        yield Row(statement, ground, "at most", 0.05, wrong, found)
    wrong = found = 0
    for out in rng.uniform(0, 6, 4 * runs):
        before = rng.normal(_OFF, 1, 5)
        seen = _seen(before)
        if seen.mean - seen.expanded > _OFF - out:
            found += 1
            wrong += bool(_told(before, rng.normal(_OFF, 1, 5), (True, True), 5))
    ground = "5 strips planned both times; found out, by anything up to 6 standard deviations"
    yield Row(statement, ground, "at most", 0.05, wrong, found)


def _changed(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    for strips, planned, moved in ((5, True, 4.0), (5, False, 6.0)):
        right = sum(
            "helped"
            in _told(
                rng.normal(_OFF, 1, strips),
                rng.normal(_OFF - moved, 1, strips),
                (planned, planned),
                strips,
            )
            for _ in range(runs)
        )
        ground = f"nearer by {moved:g} standard deviations; {strips} strips both times"
        how = ", planned" if planned else ", looked at after each"
        yield Row('"it helped", where it did', ground + how, "at least", 0.9, right, runs)


def _came_back(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    for shift, wrong, words in (
        (0.0, "did not", "it came back exactly"),
        (4.0, "came back", "it moved by just the margin"),
    ):
        told = 0
        for _ in range(runs):
            before, after = rng.normal(0, 1, 5), rng.normal(shift, 1, _MOST)
            answers = {
                came_back(before, after[:n], margin=4.0, each_look=(True, True)).answer
                for n in range(1, _MOST + 1)
            }
            told += wrong in answers
        ground = f"{words}; 5 strips before, a look after each of {_MOST}"
        yield Row(f'"{wrong}" of a stop after a swing', ground, "at most", 0.025, told, runs)


def _planned(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """The rule of `answers.planned_strips`, on three earlier series of five."""
    told = proposed = wrong = 0
    for _ in range(2 * runs):
        limit = float(rng.uniform(2.5, 8))
        truth = limit * float(rng.uniform(0, 1.5))
        history = rng.normal(truth, 1, (3, 5))
        sd = float(np.sqrt(history.var(axis=1, ddof=1).mean()))
        left = abs(limit - abs(history[-1].mean())) - history[-1].std(ddof=1) / np.sqrt(5)
        needed = planning.cuts_needed(left / sd) if left > 0 else None
        if needed is None or needed > 20:
            continue
        strips = max(3, needed)
        proposed += 1
        seen = _seen(rng.normal(truth, 1, strips))
        verdict = judged(seen, Tolerance(-limit, limit, "rad", ""), strips, True).verdict
        told += verdict != UNKNOWN
        wrong += verdict == (GOOD if truth > limit else ADJUST)
    ground = "limit 2.5 to 8 standard deviations, true value to half as far again; 15 strips known"
    yield Row("so many strips tell as a rule", ground, "at least", 0.8, told, proposed)
    yield Row(
        "the verdict at their planned end is wrong", ground, "at most", 0.025, wrong, proposed
    )
