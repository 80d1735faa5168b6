"""The line of the table, and where the lines come from."""

from __future__ import annotations

import importlib
import pkgutil
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import betaincinv

import benchmarks.truth

Bound = Literal["at least", "at most", "about"]

_FRAME: Final = ("__main__", "rows", "shop")


@dataclass(frozen=True)
class Row:
    """A statement that was right `held` times of `runs`, where `bound` `claimed` is claimed.

    statement: what is said, as a person reads it. ground: what was simulated.
    """

    statement: str
    ground: str
    bound: Bound
    claimed: float
    held: int
    runs: int

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Of the rate, exact (Clopper and Pearson, Biometrika 26, 1934, 404-413)."""
        tail, k, n = (1 - level) / 2, self.held, self.runs
        low = float(betaincinv(k, n - k + 1, tail)) if k else 0.0
        high = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
        return low, high

    @property
    def kept(self) -> bool:
        """Whether chance alone explains that it held no better than this (1 row in 1,000)."""
        low, high = self.interval(0.998)
        enough = self.bound == "at most" or high >= self.claimed
        return enough and (self.bound == "at least" or low <= self.claimed)


def of_dates(
    subject: str, ground: str, told: Iterable[tuple[float, bool]], claimed: float
) -> Iterator[Row]:
    """How many of what was given a date were out before it; no row of fewer than 20.

    subject: what is out. told: of each history with a date, in how many days it is, and whether it
    was out before.
    """
    found = list(told)
    if len(found) >= 20:
        median = np.median([days for days, _ in found])
        yield Row(
            f"{subject}out before the date it is good until, half of them after {median:.0f} "
            "days or more",
            ground,
            "at most",
            claimed,
            sum(out for _, out in found),
            len(found),
        )


def names() -> list[str]:
    """The modules of statements, in the order of the alphabet."""
    found = pkgutil.iter_modules(benchmarks.truth.__path__)
    return sorted(each.name for each in found if each.name not in _FRAME)


def of(name: str, seed: int, short: bool) -> Iterator[Row]:
    """The rows of one module. Raises ModuleNotFoundError for a name that is none."""
    module = importlib.import_module(f"benchmarks.truth.{name}")
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    yield from module.rows(rng, short)


def table(rows: Iterable[Row]) -> str:
    """As Markdown; a line that is not kept says so."""
    lines = ["| statement | claimed | held | ground |", "| --- | ---: | ---: | --- |"]
    for row in rows:
        low, high = row.interval()
        held = f"{_percent(row.held / row.runs)} of {row.runs:,} ({_percent(low, high)})"
        held = held if row.kept else f"**{held}**"
        claimed = f"{row.bound} {_percent(row.claimed)}"
        lines.append(f"| {row.statement} | {claimed} | {held} | {row.ground} |")
    return "\n".join(lines) + "\n"


def _percent(*rates: float) -> str:
    return " to ".join(_figures(100 * rate) for rate in rates) + " %"


def _figures(percent: float) -> str:
    """Two figures of a seldom rate, so that one in a thousand shows."""
    return f"{percent:.1f}" if percent >= 1 or not percent else f"{percent:.2g}"
