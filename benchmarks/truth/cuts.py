"""What is said of single cuts, of the machine's own scatter, and of machines side by side."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy.special import ndtr

from analysis.methods import METHODS
from analysis.score import QuantityScore, score
from benchmarks.truth.rows import Row
from benchmarks.truth.shop import Board, Caliper, Played, Saw, play

_NEXT = "the next cut will be between A and B"
_LATER = "95 of 100 later cuts will be between A and B"
_OWN = "the machine's own scatter from cut to cut is A to B, or at most B"
_SPLIT = "more than caliper and hand explain, of a machine that does not scatter at all"


def scored(played: Played, series: int, **said: Any) -> QuantityScore:
    """The first quantity of one series, by the program's score."""
    facts = played.facts(series, **said)
    return score(facts).quantities[facts.method.reveals[0]]


def shop_of(
    rng: np.random.Generator,
    method: str,
    cut_sd: float,
    hand_mm: float,
    series: int,
    trials: int,
    **more: Any,
) -> tuple[Played, float]:
    """Series of a saw that is a little off, with lengths stated to +-0.5 mm and jaws placed to
    +-1 mm, and the centre about which its cuts scatter."""
    length = METHODS[method].relations[0].quantity == "length"
    miters = method == "closing-miters"
    insets = METHODS[method].relations[0].insets
    stated = 80.0 if miters else 200.0
    base = (
        stated
        + rng.uniform(-0.5, 0.5, series)
        - (2 * rng.uniform(-1.0, 1.0, series) if insets else 0.0)
    )
    centre = 100.0 if length else math.radians(0.3)
    saw = Saw(length_sd=cut_sd) if length else Saw(angle_rad=centre, cut_sd=cut_sd)
    zero = rng.uniform(-0.02, 0.02, series)
    caliper = Caliper(hand_mm=hand_mm, zero_mm=zero, **more)
    played = play(rng, method, saw, caliper, Board(length_mm=base), series=series, trials=trials)
    return played, centre


def single_cuts(
    rng: np.random.Generator,
    method: str,
    cut_sd: float,
    hand_mm: float,
    series: int,
    trials: int,
    **more: Any,
) -> Iterator[Row]:
    """Whether one more cut, and nineteen in twenty of all that come, lie where they are said to."""
    played, centre = shop_of(rng, method, cut_sd, hand_mm, series, trials, **more)
    stated = 80.0 if method == "closing-miters" else 200.0
    said = {"baseline_mm": stated} if METHODS[method].baseline else {}
    one = held = said_of = 0
    for i in range(series):
        found = scored(played, i, **said)
        if found.prediction is None or found.tolerance_interval is None:
            continue
        said_of += 1
        one += rng.normal(centre, cut_sd) in found.prediction
        low, high = found.tolerance_interval.low, found.tolerance_interval.high
        share = ndtr((high - centre) / cut_sd) - ndtr((low - centre) / cut_sd)
        held += bool(share >= 0.95)
    ground = (
        f"{method}, {trials} trials, hand {hand_mm} mm, cuts scatter by {_size(method, cut_sd)}"
    )
    yield Row(_NEXT, ground, "at least", 0.95, one, said_of)
    yield Row(_LATER, ground, "at least", 0.95, held, said_of)


def own_scatter(
    rng: np.random.Generator,
    method: str,
    cut_sd: float,
    hand_mm: float,
    series: int,
    trials: int,
    study: int = 0,
    **more: Any,
) -> Iterator[Row]:
    """Whether the interval holds the scatter of a cut, with a study of so many readings or none."""
    played, _ = shop_of(rng, method, cut_sd, hand_mm, series, trials, **more)
    held = said_of = blamed = 0
    for i in range(series):
        found = scored(played, i, **(studied(rng, hand_mm, study, **more) if study else {}))
        if found.own_scatter is None:
            continue
        said_of += 1
        held += cut_sd in found.own_scatter.interval
        blamed += not found.own_scatter.hidden
    by = f"a study of {study} readings" if study else "no study"
    ground = f"{method}, {trials} trials, hand {hand_mm} mm, {by}"
    if cut_sd:
        ground += f", cuts scatter by {_size(method, cut_sd)}"
        yield Row(_OWN, ground, "at least", 0.95, held, said_of)
    else:
        yield Row(_SPLIT, ground, "at most", 0.05, blamed, said_of)


def studied(
    rng: np.random.Generator, hand_mm: float, readings: int, step_nm: float = 10_000
) -> dict[str, float]:
    """What a same-spot series gives the program."""
    step = step_nm / 1e6
    spot = rng.uniform(9, 10)
    shown = np.rint((spot + hand_mm * rng.standard_normal(readings)) / step) * step
    # Readings all alike hide a hand that is steadier than the rounding.
    sd = max(float(shown.std(ddof=1)), step / math.sqrt(12))
    return {"repeatability_mm": sd, "repeatability_df": readings - 1.0}


def _size(method: str, cut_sd: float) -> str:
    if METHODS[method].relations[0].quantity == "length":
        return f"{cut_sd:g} mm"
    return f"{math.degrees(cut_sd):.3g} degrees"


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    """Every statement on its grounds."""
    series = 300 if short else 3000
    fine = math.radians(0.01)
    for method in ("reversal", "five-cut", "closing-miters", "roll", "stop-block"):
        sd = 0.03 if method == "stop-block" else fine
        for trials in (2, 4, 12):
            yield from single_cuts(rng, method, sd, 0.003, series, trials)
        yield from single_cuts(rng, method, sd, 0.03, series, 5)
    yield from single_cuts(rng, "reversal", fine / 4, 0.001, series, 6, step_nm=25_400)
    for hand in (0.003, 0.01, 0.03, 0.05):
        for study in (0, 10):
            for sd in (0.0, fine / 4, fine):
                yield from own_scatter(rng, "reversal", sd, hand, series, 12, study)
    for method in ("five-cut", "closing-miters"):
        for study in (0, 10):
            yield from own_scatter(rng, method, fine, 0.01, series, 5, study)
