"""What is said of a move: whether to make it, what a recut shows then, and whether it helped."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import geometry
from analysis.adjustment import adjusted
from analysis.advice import Advice, Fence, advise, advise_stop
from analysis.checks import checks
from analysis.methods import METHODS
from analysis.one_trial import rounding_sd
from analysis.recut import found_by
from benchmarks.truth.rows import Row
from benchmarks.truth.shop import Board, Caliper, Played, Saw, play

Array = NDArray[np.float64]

_SPAN_MM: Final = 600.0


@dataclass(frozen=True)
class Ground:
    """A saw that is off by so many standard deviations of a trial, and how it is measured."""

    trials: int
    off: float
    cut_mm: float = 0.05
    hand_mm: float = 0.01
    setting_mm: float = 0.0
    method: str = "reversal"

    @property
    def words(self) -> str:
        loose = f"{self.method}, {self.trials} trials, error {self.off:g} sd of a trial"
        loose += f", cuts {self.cut_mm:g} mm, hand {self.hand_mm:g} mm"
        return loose + (f", set to ± {self.setting_mm:g} mm" if self.setting_mm else "")

    @property
    def trial_sd(self) -> float:
        """Of the angle, radians; of a length, mm."""
        if self.method == "stop-block":
            return math.hypot(self.cut_mm, self.hand_mm)
        return math.hypot(self.cut_mm, self.hand_mm) / math.sqrt(2) / 200.0

    def saw(self, error: Array) -> Saw:
        if self.method == "stop-block":
            return Saw(length_mm=100.0 + error, length_sd=self.cut_mm)
        return Saw(angle_rad=error, cut_sd=self.cut_mm / 200.0)


def values_of(played: Played) -> Array:
    """(series, trials) what each trial says, by the program's own geometry."""
    series, trials = played.counts_nm.shape[:2]
    facts = played.facts(0)
    flat = played.widths_mm.reshape(series * trials, *played.widths_mm.shape[2:])
    found = geometry.series_values(facts.method, flat, facts.baseline_mm, facts.thickness_mm)
    return np.asarray(found.of(facts.method.reveals[0])).reshape(series, trials)


def advised(ground: Ground, played: Played) -> list[Advice]:
    """What the program says of each series."""
    method = METHODS[ground.method]
    quantity = method.reveals[0]
    series, trials = played.counts_nm.shape[:2]
    nominal = 100.0 if quantity == "length" else 0.0
    facts = [played.facts(i) for i in range(series)]
    of = np.repeat(np.arange(series), trials)
    said = checks(method, quantity, values_of(played).ravel(), of, facts)
    advice = []
    for i in range(series):
        found = found_by(
            method,
            quantity,
            float(said.mean[i]) - nominal,
            trials=trials,
            u=float(said.u[i]),
            anew_u=float(said.anew_u[i]),
            anew_df=float(said.anew_df[i]),
            expanded=float(said.expanded[i]),
        )
        advice.append(
            advise_stop(found, setting_mm=ground.setting_mm)
            if quantity == "length"
            else advise(found, fence=Fence(_SPAN_MM), setting_mm=ground.setting_mm)
        )
    return advice


@dataclass(frozen=True)
class Recut:
    """Of each series: whether a move was advised, the error before and after it, what a recut of
    as many trials shows, and the first of them; and how far each was said to lie at most."""

    moved: NDArray[np.bool_]
    before: Array
    after: Array
    mean: Array
    first: Array
    mean_within: Array
    first_within: Array


def recut(rng: np.random.Generator, ground: Ground, series: int) -> Recut:
    """Measure, move where it is advised, as closely as can be set, and measure again."""
    caliper = Caliper(
        hand_mm=ground.hand_mm,
        zero_mm=rng.uniform(-0.02, 0.02, series),
        scale=rng.uniform(-1e-4, 1e-4, series),
    )
    before = np.full(series, ground.off * ground.trial_sd)
    trials = ground.trials
    played = play(rng, ground.method, ground.saw(before), caliper, series=series, trials=trials)
    advice = advised(ground, played)
    moved = np.array([not a.leave_it for a in advice])
    length = ground.method == "stop-block"
    found = values_of(played).mean(axis=1) - (100.0 if length else 0.0)
    slip = rng.uniform(-1, 1, series) * ground.setting_mm / (1.0 if length else _SPAN_MM)
    after = np.where(moved, before - found + slip, before)
    again = play(rng, ground.method, ground.saw(after), caliper, series=series, trials=trials)
    shown = values_of(again) - (100.0 if length else 0.0)
    return Recut(
        moved,
        before,
        after,
        shown.mean(axis=1),
        shown[:, 0],
        np.array([a.after_move for a in advice]),
        np.array([a.first_within for a in advice]),
    )


# Errors that are worth a move: one is advised in at least half of the series.
_WORTH: Final = (
    Ground(3, 6.0),
    Ground(4, 4.0),
    Ground(6, 3.0),
    Ground(12, 1.5),
    Ground(12, 10.0),
    Ground(6, 6.0, cut_mm=0.01, hand_mm=0.03),
    Ground(6, 6.0, setting_mm=0.2),
    Ground(5, 10.0, setting_mm=0.05, method="stop-block"),
)
# Errors so small that a move is worse than none: no more than the uncertainty of the mean.
_NOT_WORTH: Final = tuple(
    Ground(n, round(share / math.sqrt(n), 2), cut)
    for n in (2, 3, 6, 12)
    for share, cut in ((0.0, 0.05), (1.0, 0.3))
)
# Errors between, on which a move is advised now and then: the recut is outside more often than in
# 5 % of those, but not in 5 % of all series.
_BETWEEN: Final = (Ground(3, 2.0), Ground(4, 1.5), Ground(6, 1.0), Ground(12, 0.5))
# Trials before and after, their scatter, and the true errors.
_HELPED: Final = (
    ((2, 6), (1.0, 0.2), (2.0, 2.0)),
    ((3, 3), (0.2, 1.0), (2.0, -2.0)),
    ((6, 3), (0.2, 1.0), (2.0, -2.0)),
    ((5, 5), (1.0, 1.0), (8.0, 1.0)),
    ((12, 12), (1.0, 1.0), (0.5, 0.5)),
)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """All of them."""
    series = 300 if short else 2000
    yield from _recuts(rng, series)
    yield from _not_worth(rng, series)
    for own in (0.0, 0.5):
        yield from _helped(rng, series, own)
    yield from _helped_to_a_stop(rng, series)


def _recuts(rng: np.random.Generator, series: int) -> Iterator[Row]:
    for ground in _WORTH:
        found = recut(rng, ground, series)
        for said, at, within in (
            ("a move, then expect the mean of as many within ± X", found.mean, found.mean_within),
            ("a move, then expect the first alone within ± Y", found.first, found.first_within),
        ):
            inside = (abs(at) <= within)[found.moved]
            runs = int(found.moved.sum())
            yield Row(said, ground.words, "at least", 0.95, int(inside.sum()), runs)


def _not_worth(rng: np.random.Generator, series: int) -> Iterator[Row]:
    for ground in (*_NOT_WORTH, *_BETWEEN):
        found = recut(rng, ground, series)
        outside = found.moved & (abs(found.mean) > found.mean_within)
        said = "a move, and the mean lies outside ± X after it"
        yield Row(said, ground.words, "at most", 0.05, int(outside.sum()), series)
        if ground in _NOT_WORTH:
            said = "a move, though it is worse than none"
            yield Row(said, ground.words, "at most", 0.05, int(found.moved.sum()), series)
    loose = Ground(1, 1.0, cut_mm=0.3)
    moved = recut(rng, loose, series).moved
    yield Row("a move after one trial", loose.words, "at most", 0.0, int(moved.sum()), series)


def _helped(rng: np.random.Generator, series: int, own: float) -> Iterator[Row]:
    """own: bound of an error that all trials of a series share and the other series does not."""
    for trials, sd, errors in _HELPED:
        truth = abs(errors[1]) - abs(errors[0])
        ground = f"{trials[0]} and {trials[1]} trials, sd {sd[0]:g} and {sd[1]:g}, "
        ground += f"error {errors[0]:g} before and {errors[1]:g} after"
        ground += f", each series wrong by up to ± {own:g}" if own else ""
        apart_u = math.sqrt(2) * own / math.sqrt(3)
        held = wrong = 0
        for _ in range(series):
            before, after = (
                rng.normal(e + rng.uniform(-own, own), s, n)
                for e, s, n in zip(errors, sd, trials, strict=True)
            )
            found = adjusted(before, after, apart_u=apart_u)
            held += found.interval is not None and truth in found.interval
            false = ("helped",) if truth > 0 else ("made it worse",)
            false = ("helped", "made it worse") if truth == 0 else false
            wrong += found.answer in false
        yield Row("the adjustment helped by A to B", ground, "at least", 0.95, held, series)
        yield Row("it helped, or made it worse, falsely", ground, "at most", 0.05, wrong, series)


def _helped_to_a_stop(rng: np.random.Generator, series: int) -> Iterator[Row]:
    """Strips of one width, read by a steady hand, so that rounding is the same each time."""
    method = METHODS["reversal"]
    floor = rounding_sd(method, method.relations[0], resolution_mm=0.01, base_mm=200.0)
    for hand in (0.002, 0.01):
        error, board = rng.uniform(-1e-4, 1e-4, series), Board(strip_sd=0.0)
        caliper = Caliper(hand_mm=hand)
        before, after = (
            values_of(play(rng, method.key, Saw(e, 1e-5), caliper, board, series=series, trials=6))
            for e in (error, -error)
        )
        found = [adjusted(*pair, floor_sd=floor) for pair in zip(before, after, strict=True)]
        wrong = sum(f.answer != "cannot tell" for f in found)
        ground = f"6 and 6 strips to a stop, hand {hand:g} mm, caliper 0.01 mm, as far out after"
        yield Row("it helped, or made it worse, falsely", ground, "at most", 0.05, wrong, series)
