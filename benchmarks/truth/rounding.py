"""What is said of scatter, of steadiness and of means, read with calipers that round.

Machines alike are played with one hand, one resolution and one number of strips each, the strips
either of random widths or cut to a stop; then the worst places within the count.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from analysis import geometry
from analysis.comparison import compare
from analysis.methods import METHODS
from analysis.one_trial import rounding_sd
from analysis.score import score
from benchmarks.truth import shop
from benchmarks.truth.rows import Row

_STEPS = {"0.01 mm": 10_000, "0.02 mm": 20_000, "0.0005 in": 12_700}
_HANDS = (0.001, 0.003, 0.01, 0.03)
_ANYWHERE = shop.Board(strip_sd=0.5)


def _to_a_stop(at: float, step_nm: int) -> shop.Board:
    """Strips all as wide as the stop says, at a place within the count (0.5: at its edge)."""
    return shop.Board(strip_mm=(1000 + at) * step_nm / 1e6, strip_sd=0.0)


def angles(played: shop.Played) -> Any:
    """(series, trials) radians, as the program finds them."""
    method = METHODS[played.method]
    flat = played.widths_mm.reshape(-1, *played.widths_mm.shape[2:])
    found = geometry.series_values(
        method, flat, float(played.board.length_mm), float(played.board.thickness_mm)
    )
    return found.of(method.relations[0].quantity).reshape(played.widths_mm.shape[:2])


def rounded(played: shop.Played) -> float:
    """The standard uncertainty that rounding adds to an angle of it."""
    relation = METHODS[played.method].relations[0]
    base = played.board.length_mm if relation.over == "baseline" else played.board.thickness_mm
    return rounding_sd(
        METHODS[played.method],
        relation,
        resolution_mm=float(played.step_nm) / 1e6,
        base_mm=float(base),
    )


def _second_less_steady(a: shop.Played, b: shop.Played) -> tuple[int, int]:
    """How often either is found less steady, and how often the second one is."""
    u = rounded(a)
    found = [compare(x, y, floor_sd=u) for x, y in zip(angles(a), angles(b), strict=True)]
    shown = [one.less_steady for one in found if one.less_steady_shown]
    return len(shown), shown.count("second")


def alike(
    rng: np.random.Generator, series: int, step: str, hand: float, trials: int, stop: bool
) -> int:
    """How many of so many pairs of series of machines alike are said to differ in steadiness."""
    caliper = shop.Caliper(_STEPS[step], hand)
    boards = [_ANYWHERE, _ANYWHERE]
    if stop:
        boards = [_to_a_stop(at, _STEPS[step]) for at in (0.0, 0.5)]
    saw = shop.Saw(angle_rad=rng.uniform(-0.001, 0.001, series))
    pair = [
        shop.play(rng, "reversal", saw, caliper, board, series=series, trials=trials)
        for board in boards
    ]
    return _second_less_steady(*pair)[0]


def told(rng: np.random.Generator, series: int, step: str, hand: float) -> int:
    """How many of so many machines of three times the scatter are found out by 10 + 10 strips."""
    pair = [
        shop.play(
            rng, "reversal", caliper=shop.Caliper(_STEPS[step], each), series=series, trials=10
        )
        for each in (hand, 3 * hand)
    ]
    return _second_less_steady(*pair)[1]


def covered(
    rng: np.random.Generator,
    series: int,
    trials: int,
    hand: float,
    ends: tuple[float, float],
    repeats: int = 1,
    **said: Any,
) -> int:
    """How many of so many series of strips cut to a stop have the true angle in their interval.

    ends: where in the count of 0.01 mm the strips' fence end and open end lie (0.5: at its edge).
    """
    board = _to_a_stop(ends[0], 10_000)
    saw = shop.Saw(angle_rad=math.atan((20 + ends[1] - ends[0]) * 0.01 / (2 * 200.0)))
    caliper = shop.Caliper(10_000, hand)
    played = shop.play(
        rng, "reversal", saw, caliper, board, series=series, trials=trials, repeats=repeats
    )
    held = 0
    for i in range(series):
        # The length is exact here: what is tried is the rounding alone.
        facts = played.facts(i, baseline_u_mm=0.0, inset_u_mm=0.0, scale_u=0.0, **said)
        interval = score(facts).quantities["angle"].mean_interval
        held += interval is not None and float(played.angle_rad[i, 0, 0]) in interval
    return held


def scatter(
    rng: np.random.Generator, series: int, trials: int, hand: float, ends: tuple[float, float]
) -> tuple[int, int]:
    """How often the interval of the standard deviation of trials holds, of those that are said."""
    saw = shop.Saw(angle_rad=math.atan((20 + ends[1] - ends[0]) * 0.01 / (2 * 200.0)))
    board, caliper = _to_a_stop(ends[0], 10_000), shop.Caliper(10_000, hand)
    played = shop.play(rng, "reversal", saw, caliper, board, series=series, trials=trials)
    said = (score(played.facts(i)).quantities["angle"].sd_interval for i in range(series))
    known = [interval for interval in said if interval is not None]
    return sum(hand * math.sqrt(2) / 400 in interval for interval in known), len(known)


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    series = 300 if short else 3000
    yield from _means(rng, series // 10)
    yield from _scatters(rng, series // 10)
    for trials in (2, 3, 5, 10, 20):
        for stop in (False, True):
            for step in _STEPS:
                worst = max((alike(rng, series, step, hand, trials, stop), hand) for hand in _HANDS)
                where = "cut to a stop" if stop else "of any width"
                ground = (
                    f"equal saws, {trials} + {trials} strips {where}, {step}, the worst of hands "
                    f"of {_HANDS[0]} to {_HANDS[-1]} mm ({worst[1]})"
                )
                yield Row("it is less steady", ground, "at most", 0.05, worst[0], series)
    for step, hand in (
        ("0.01 mm", 0.01),
        ("0.01 mm", 0.03),
        ("0.02 mm", 0.02),
        ("0.0005 in", 0.01),
    ):
        ground = f"three times the scatter, 10 + 10 strips, hand {hand} mm, {step}"
        count = told(rng, series, step, hand)
        yield Row("it is less steady, where it is", ground, "at least", 0.8, count, series)


_PLACES = tuple((a, b) for a in (0.0, 0.2, 0.35, 0.45) for b in (0.0, -0.2, -0.35, -0.45, 0.5))


def _means(rng: np.random.Generator, series: int) -> Iterator[Row]:
    for trials in (2, 4, 10, 20):
        for hand, said in (
            (0.002, {}),
            (0.002, {"repeatability_mm": 0.0029, "repeatability_df": 9.0}),
            (0.004, {}),
            (0.01, {}),
        ):
            held, at = min((covered(rng, series, trials, hand, at, **said), at) for at in _PLACES)
            ground = (
                f"{trials} strips cut to a stop, hand {hand} mm{', studied' if said else ''}, "
                f"0.01 mm, worst of {len(_PLACES)} places within the count {at}"
            )
            yield Row("the angle is m +- U", ground, "at least", 0.93, held, series)


def _scatters(rng: np.random.Generator, series: int) -> Iterator[Row]:
    for trials in (2, 3, 5, 10, 20):
        for hand in (0.001, 0.004, 0.01, 0.03):
            found = [(scatter(rng, series, trials, hand, at), at) for at in _PLACES]
            (held, said), at = min(found, key=lambda f: f[0][0] - 0.95 * f[0][1])
            ground = (
                f"{trials} strips cut to a stop, hand {hand} mm, 0.01 mm, worst of "
                f"{len(_PLACES)} places within the count {at}; not said where all are alike"
            )
            if said:
                yield Row(
                    "a single result scatters by a to b", ground, "at least", 0.95, held, said
                )
