"""How long the analysis takes, beside a bare baseline in the same run.

    python benchmarks/analysis.py

Prints ratios, not verdicts: a million reversals with their uncertainty against bare numpy,
the score of twenty trials, and the time and memory of the import.
"""

from __future__ import annotations

import math
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from analysis import spread
from analysis.budget import trial_uncertainty
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.geometry import series_values
from analysis.methods import METHODS, method
from analysis.score import score

MILLION = 1_000_000


def best(work: Callable[[], object], rounds: int = 9) -> float:
    """Seconds of the fastest round: what the work costs when nothing else disturbs it."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def million_trials(rng: np.random.Generator) -> None:
    widths = rng.normal(10, 0.1, (MILLION, 2, 1))
    facts = SeriesFacts(method("reversal"), widths, baseline_mm=203.86)

    def bare() -> object:
        return np.arctan((widths[:, 1, 0] - widths[:, 0, 0]) / (2 * 203.86))

    def ours() -> object:
        return series_values(facts.method, widths, 203.86), trial_uncertainty(facts)

    base, full = best(bare), best(ours)
    print(f"a million reversals, bare numpy arctan    {1e3 * base:7.2f} ms")
    print(f"  with deviation, angle and uncertainty   {1e3 * full:7.2f} ms  {full / base:5.2f} x")
    for key in ("roll", "five-cut"):
        m = METHODS[key]
        many = rng.normal(10, 0.1, (MILLION, len(m.places), 1))
        took = best(lambda m=m, many=many: series_values(m, many, 203.86, 19.0), 3)
        print(f"  angles by {key:29} {1e3 * took:7.2f} ms  {took / base:5.2f} x")


def twenty_trials(rng: np.random.Generator) -> None:
    base = best(lambda: np.arctan(np.linspace(0, 1, 20) / 400).std(ddof=1), 200)
    for key in ("reversal", "roll"):
        m = METHODS[key]
        facts = SeriesFacts(
            m,
            np.round(rng.normal(10, 0.03, (20, len(m.places), 1)), 2),
            baseline_mm=203.86,
            thickness_mm=19.0,
            tolerance=Tolerance.angle(math.radians(0.01)),
        )
        spread.tolerance_factor.cache_clear()
        start = time.perf_counter()
        score(facts)
        first = time.perf_counter() - start
        took = best(lambda facts=facts: score(facts), 100)
        print(
            f"score of twenty trials by {key:15} {1e3 * took:7.2f} ms  {took / base:5.1f} x "
            f"bare mean and sd (the first one, factor not yet known: {1e3 * first:.1f} ms)"
        )


def imports() -> None:
    # Unix only: the largest memory a process had, in kilobytes on Linux.
    probe = (
        "import time, resource; t = time.perf_counter(); import {}; "
        "print(time.perf_counter() - t, "
        "resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)"
    )

    def measured(module: str) -> tuple[float, float]:
        runs = [
            subprocess.run(
                [sys.executable, "-c", probe.format(module)],
                cwd=Path(__file__).parents[1],
                capture_output=True,
                text=True,
                check=True,
            ).stdout.split()
            for _ in range(5)
        ]
        return min(float(r[0]) for r in runs), min(float(r[1]) for r in runs)

    (bare_s, bare_mb), (ours_s, ours_mb) = measured("numpy"), measured("analysis.score")
    print(f"import of numpy alone                     {1e3 * bare_s:7.1f} ms  {bare_mb:5.0f} MB")
    print(
        f"import of analysis.score                  {1e3 * ours_s:7.1f} ms  {ours_mb:5.0f} MB  "
        f"{ours_s / bare_s:5.2f} x"
    )


if __name__ == "__main__":
    generator = np.random.default_rng(1)
    # First, since a new process inherits the memory mark of its parent.
    imports()
    million_trials(generator)
    twenty_trials(generator)
