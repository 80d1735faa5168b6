"""How a machine's scatter fits into a tolerance (process capability)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis import quantiles
from analysis.interval import Interval


@dataclass(frozen=True, slots=True)
class Capability:
    """Indices of NIST e-Handbook 6.1.6 and ISO 22514-2; None where they are not defined.

    cp: tolerance over 6 standard deviations; cpu, cpl: to the upper and lower limit;
    cpk: the smaller of the two; k: how far off centre, as a share of half the tolerance;
    cpm: cp with the distance from the target counted as scatter. rejects: share of normally
    scattered parts outside the limits. cp_interval: exact, by chi-square.
    """

    cp: float | None
    cpu: float | None
    cpl: float | None
    cpk: float | None
    k: float
    cpm: float | None
    cp_interval: Interval | None
    rejects: float | None
    sentence: str


def capability(
    mean: float,
    sd: float | None,
    lower: float,
    upper: float,
    *,
    trials: int | None = None,
    target: float | None = None,
    level: float = 0.95,
) -> Capability:
    """How many times the scatter fits between `lower` and `upper`, all in one unit.

    sd: standard deviation of one part, None or zero where unknown. trials: how many it
    comes from, for the interval. target: the wanted mean, the middle of the limits if not given.
    Raises ValueError where the limits are not lower and upper.
    """
    if not lower < upper:
        raise ValueError("limits: the lower one must lie below the upper one")
    half = (upper - lower) / 2
    centre = (upper + lower) / 2
    k = abs(mean - centre) / half
    if not sd:
        words = (
            "How much of the tolerance the scatter takes is not known: make at least two parts."
            if sd is None
            else "The parts show no scatter; read them with a finer caliper."
        )
        return Capability(None, None, None, None, k, None, None, None, words)
    cp = (upper - lower) / (6 * sd)
    cpu, cpl = (upper - mean) / (3 * sd), (mean - lower) / (3 * sd)
    aim = centre if target is None else target
    cpm = (upper - lower) / (6 * math.sqrt(sd**2 + (mean - aim) ** 2))
    rejects = quantiles.normal_probability(-3 * cpu) + quantiles.normal_probability(-3 * cpl)
    interval = None
    if trials is not None and trials >= 2:
        df = trials - 1
        low, high = (
            cp * math.sqrt(quantiles.chi_square(p, df) / df)
            for p in ((1 - level) / 2, (1 + level) / 2)
        )
        interval = Interval(low, high, level)
    share = f"{100 / cp:.0f} %" if cp >= 0.01 else "far more than all"
    words = (
        f"The scatter takes {share} of the tolerance (Cp {cp:.2f}); where the mean stands, "
        f"about {_per_cent(rejects)} of the parts would fall outside (Cpk {min(cpu, cpl):.2f})."
    )
    return Capability(cp, cpu, cpl, min(cpu, cpl), k, cpm, interval, rejects, words)


def _per_cent(share: float) -> str:
    return "less than 0.01 %" if share < 1e-4 else f"{100 * share:.2g} %"
