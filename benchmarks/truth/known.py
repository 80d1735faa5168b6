"""`How it is known`: whether the interval that is taken, of the budget or of the draws, holds the
angle."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from analysis.montecarlo import second_route
from benchmarks.truth import shop
from benchmarks.truth.rows import Row

_DRAWS: Final = 20_000  # enough to count over many series


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    series = 100 if short else 1000
    for degrees, length, trials in (
        (0.1, 200.0, 2),
        (0.1, 200.0, 6),
        (3.0, 60.0, 3),
        (6.0, 60.0, 12),
    ):
        angle = np.radians(degrees)
        # What is said is off by as much as the budget allows for.
        board = shop.Board(
            length_mm=length + rng.uniform(-0.5, 0.5, series),
            inset_mm=5.0 + rng.uniform(-1.0, 1.0, series),
        )
        saw = shop.Saw(angle_rad=angle, cut_sd=np.radians(0.005))
        played = shop.play(
            rng, "reversal", saw, shop.Caliper(), board, series=series, trials=trials
        )
        held = draws = 0
        for i in range(series):
            facts = played.facts(i, baseline_mm=length, inset_mm=5.0, jaw_width_mm=0.0)
            told = second_route(facts, "angle", rng, _DRAWS)
            held += angle in told.interval
            draws += not told.agreement.validated
        ground = (
            f"{degrees:g} degrees, {trials} strips of {length:g} mm, length and inset anywhere in "
            f"their bounds; the draws are taken of {100 * draws / series:.0f} %"
        )
        yield Row("the interval of How it is known", ground, "at least", 0.95, held, series)
