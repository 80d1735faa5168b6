"""What is doubted: seldom where nothing happened, often where something did.

Honest series are looked at after each of their strips. Into others one mishap is put: a reading
lost or sent twice, ends or edges mixed up, a strip read in the other unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from itertools import product
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.doubts import Elsewhere, find_doubts
from analysis.methods import METHODS
from api.answers.findings import edges_of, ends_of
from benchmarks.truth import shop
from benchmarks.truth.rows import Row

Array = NDArray[np.float64]
_TRIALS: Final = 12
_STRIPS: Final = {
    "strips of 12 to 20 mm": shop.Board(strip_mm=16, strip_sd=2.3),
    "strips cut to a stop": shop.Board(strip_mm=15, strip_sd=0.0),
}
# Radians of a single cut: a good saw, a usual one, a loose one.
_SAWS: Final = (1e-4, 1e-3, 5e-3)
_HANDS: Final = (0.003, 0.02)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    # A series looked at after each of its strips takes twenty milliseconds.
    runs = 64 if short else 1000
    for method in ("reversal", "roll", "half-turn", "five-cut"):
        for strips, board in _STRIPS.items():
            yield _honest(rng, method, strips, board, runs)
    yield from _elsewhere(rng, runs)
    # The last strips before the end show it least: one trial is wrong, of few.
    for repeats, method, trials, share in (
        (1, "reversal", 4, 0.85), (1, "reversal", 8, 0.75),
        (3, "reversal", 6, 0.6), (1, "roll", 6, 0.75),
    ):  # fmt: skip
        yield _lost(rng, method, trials, repeats, share, 4 * runs)
    yield from _mixed_up(rng, 4 * runs)


def _doubts(played: shop.Played, widths: Array, hand: float, **more: Any) -> set[str]:
    method = METHODS[played.method]
    found = find_doubts(
        widths, swap=method.swap, edges=edges_of(method), ends=ends_of(method),
        reading_sd_mm=hand, resolution_mm=float(np.max(played.step_nm)) / 1e6, **more,
    )  # fmt: skip
    return {doubt.kind for doubt in found}


def _honest(
    rng: np.random.Generator, method: str, strips: str, board: shop.Board, runs: int
) -> Row:
    doubted = 0
    for cut, hand in product(_SAWS, _HANDS):
        half = runs // len(_HANDS)
        saw = shop.Saw(rng.normal(0, 2e-3, half), cut_sd=cut, tilt_sd=cut)
        played = shop.play(
            rng, method, saw, shop.Caliper(hand_mm=hand), board, series=half, trials=_TRIALS
        )
        doubted += sum(
            any(_doubts(played, widths[:n], hand) for n in range(1, _TRIALS + 1))
            for widths in played.widths_mm
        )
    ground = (
        f"{method}, {strips}, hands of 0.003 and 0.02 mm, cuts of 0.1 to 5 mrad, a look after each"
        " of 12"
    )
    return Row("some trial is doubtful, of an honest series", ground, "at most", 0.05, doubted,
               len(_SAWS) * runs)  # fmt: skip


def _elsewhere(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """The series before was of the same saw, and is known as well as its own trials say."""
    for before in (3, 10):
        doubted = 0
        saw = shop.Saw(rng.normal(0, 2e-3, runs), cut_sd=5e-4)
        caliper, board = shop.Caliper(hand_mm=0.02), _STRIPS["strips of 12 to 20 mm"]
        earlier, played = (
            shop.play(rng, "reversal", saw, caliper, board, series=runs, trials=n)
            for n in (before, _TRIALS)
        )
        for first, widths in zip(earlier.widths_mm, played.widths_mm, strict=True):
            known, d = first[:, 1, 0] - first[:, 0, 0], widths[:, 1, 0] - widths[:, 0, 0]
            u = float(known.std(ddof=1)) / math.sqrt(before) * 2
            told = Elsewhere(float(known.mean()), partial(float, u))
            doubted += any(
                "wrong turn" in _doubts(played, widths[:n], 0.02, values=d[:n], elsewhere=told)
                for n in range(3, _TRIALS + 1)
            )
        ground = f"the same saw by a reversal of {before} strips before, a look after each of 12"
        yield Row("the board was turned wrongly", ground, "at most", 0.01, doubted, runs)


def _lost(
    rng: np.random.Generator, method: str, trials: int, repeats: int, share: float, runs: int
) -> Row:
    saw, board = shop.Saw(2e-3, cut_sd=2e-4, tilt_sd=2e-4), _STRIPS["strips of 12 to 20 mm"]
    played = shop.play(
        rng, method, saw, shop.Caliper(hand_mm=0.02), board,
        series=runs, trials=trials, repeats=repeats,
    )  # fmt: skip
    size = played.widths_mm[0, 0].size
    seen = 0
    for widths in played.widths_mm:
        # Of the last strip it shows as a trial that is never complete.
        flat = np.delete(widths.ravel(), rng.integers((trials - 1) * size))
        whole = flat[: flat.size // size * size].reshape(-1, *widths.shape[1:])
        seen += "shifted pairing" in _doubts(played, whole, 0.02, rest_mm=flat[whole.size :])
    ground = f"{method}, {trials} strips of 12 to 20 mm, each place read {repeats}x, any reading"
    return Row("a reading was lost, where one was", ground, "at least", share, seen, runs)


def _mixed_up(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    board = _STRIPS["strips of 12 to 20 mm"]
    turned: tuple[tuple[str, str, int, Callable[[Array], Array]], ...] = (
        ("ends swapped", "reversal", 5, lambda strip: strip[[1, 0]]),
        ("edges swapped", "roll", 5, lambda strip: strip[[1, 0, 3, 2]]),
        ("unit slip", "reversal", 2, lambda strip: strip / 25.4),
    )
    for kind, method, trials, turn in turned:
        saw = shop.Saw(2e-3, 1e-4, tilt_rad=2e-2, tilt_sd=1e-3)
        played = shop.play(
            rng, method, saw, shop.Caliper(hand_mm=0.02), board, series=runs, trials=trials
        )
        seen = 0
        for widths in played.widths_mm:
            wrong = widths.copy()
            at = rng.integers(trials)
            wrong[at] = turn(widths[at])
            seen += kind in _doubts(played, wrong, 0.02)
        ground = f"{method}, one of {trials} strips, 0.8 mm from end to end or from edge to edge"
        yield Row(f"{kind}, where they were", ground, "at least", 0.85, seen, runs)
