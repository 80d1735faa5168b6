"""What the analysis costs: beside bare numpy, and beside libraries that propagate uncertainty."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any

import GTC
import numpy as np
import uncertainties
from uncertainties import umath

from analysis import spread
from analysis.budget import InputUncertainties, trial_uncertainty
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.geometry import series_values
from analysis.methods import METHODS
from analysis.score import score
from analysis.uncertainty import coverage_factor, rounding
from benchmarks.measuring import Measurement, Work, timed

TRIALS = 20
LENGTH_MM = 203.86


def facts_of(key: str, trials: int, rng: np.random.Generator, digits: int = 2) -> SeriesFacts:
    places = len(METHODS[key].places)
    return SeriesFacts(
        METHODS[key],
        np.round(rng.normal(10, 0.03, (trials, places, 1)), digits),
        baseline_mm=LENGTH_MM,
        thickness_mm=19.0,
        tolerance=Tolerance.angle(math.radians(0.01)),
    )


def many_trials(count: int, rng: np.random.Generator) -> Iterator[Measurement]:
    facts = facts_of("reversal", count, rng)
    widths = np.asarray(facts.widths_mm)

    def bare() -> object:
        return np.arctan((widths[:, 1, 0] - widths[:, 0, 0]) / (2 * LENGTH_MM))

    beside = {"numpy arctan": timed(bare, "ms")}
    yield Measurement(
        f"angle and uncertainty of {count:,} reversals",
        "ms",
        timed(
            lambda: (series_values(facts.method, widths, LENGTH_MM), trial_uncertainty(facts)), "ms"
        ),
        beside,
    )
    for key in ("roll", "five-cut"):
        many = facts_of(key, count, rng)
        angles = partial(series_values, many.method, many.widths_mm, LENGTH_MM, 19.0)
        yield Measurement(f"angles of {count:,} trials, {key}", "ms", timed(angles, "ms"), beside)


def scores(rng: np.random.Generator) -> Iterator[Measurement]:
    bare = {
        "numpy mean and sd": timed(
            lambda: np.arctan(np.linspace(0, 1, TRIALS) / 400).std(ddof=1), "ms", 100
        )
    }
    for key in ("reversal", "roll"):
        facts = facts_of(key, TRIALS, rng)
        yield Measurement(
            f"score of {TRIALS} trials, {key}", "ms", timed(partial(score, facts), "ms", 50), bare
        )

    def first() -> list[float]:
        spread.tolerance_factor.cache_clear()
        return timed(partial(score, facts), "ms")()

    yield Measurement("the first score of its kind", "ms", first)


def budgets(rng: np.random.Generator) -> Iterator[Measurement]:
    """The uncertainty of each of twenty reversals, by three ways that must agree."""
    facts = facts_of("reversal", TRIALS, rng)
    inputs = InputUncertainties.of(facts)
    relation = facts.method.relation("angle")
    assert relation is not None
    factor = float(coverage_factor(math.inf))
    step = rounding(facts.resolution_mm)

    trials = np.asarray(facts.widths_mm)[:, :, 0].tolist()

    def by(number: Callable[[float, float], Any], atan: Callable[[Any], Any]) -> list[Any]:
        def angle(fence: float, open_end: float) -> Any:
            ends = [number(mm, inputs.hand) + number(0.0, step) for mm in (fence, open_end)]
            length = number(LENGTH_MM, inputs.length)
            length -= inputs.inset_counts * number(0.0, inputs.inset)
            length -= inputs.jaws_count * number(0.0, inputs.jaws)
            return atan((ends[1] - ends[0]) * number(1.0, inputs.scale) / (2 * length))

        return [angle(*trial) for trial in trials]

    def by_gtc() -> list[float]:
        return [factor * each.u for each in by(GTC.ureal, GTC.atan)]

    def by_uncertainties() -> list[float]:
        return [factor * each.s for each in by(uncertainties.ufloat, umath.atan)]

    beside = {"GTC": by_gtc, "uncertainties": by_uncertainties}
    for name, way in beside.items():
        if not np.allclose(way(), trial_uncertainty(facts), rtol=1e-6, atol=0):
            raise AssertionError(f"{name} gives other digits")
    yield Measurement(
        f"uncertainty of {TRIALS} trials, same digits",
        "ms",
        timed(partial(trial_uncertainty, facts), "ms", 50),
        {name: timed(way, "ms", 5) for name, way in beside.items()},
    )


def imports() -> Iterator[Measurement]:
    probe = (
        "import time; began = time.perf_counter(); import {}; "
        "took = 1e3 * (time.perf_counter() - began); "
        "peak = open('/proc/self/status').read().split('VmHWM:')[1].split()[0]; "
        "print(took, int(peak) / 1024)"
    )

    def measured(module: str, figure: int) -> Work:
        def work() -> list[float]:
            command = [sys.executable, "-c", probe.format(module)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            return [float(done.stdout.split()[figure])]

        return work

    for figure, (what, unit) in enumerate((("import", "ms"), ("memory after import", "MB"))):
        yield Measurement(
            f"{what} of analysis.score",
            unit,
            measured("analysis.score", figure),
            {"numpy alone": measured("numpy", figure)},
        )


def measurements(short: bool) -> Iterator[Measurement]:
    rng = np.random.default_rng(1)
    yield from imports()
    yield from many_trials(100_000 if short else 1_000_000, rng)
    yield from scores(rng)
    yield from budgets(rng)
