"""What a benchmark is made of, and how it is run beside its baselines.

A module of benchmarks has one function, `measurements(short)`: it sets up what it measures, yields
each `Measurement` while that stands, and takes it down again.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

Work = Callable[[], list[float]]
"""One round: what it cost, once or many times, in the unit of its measurement; less is better."""

_SCALES: Final = {"s": 1.0, "ms": 1e3, "µs": 1e6}


@dataclass(frozen=True)
class Measurement:
    """Something the program does, and by name the baselines that do the same.

    tails: the 95th and the 99th percentile get rows of their own. rounds: at most so many.
    """

    name: str
    unit: str
    ours: Work
    beside: Mapping[str, Work] = field(default_factory=dict)
    tails: bool = False
    rounds: int = 1000


@dataclass(frozen=True)
class Row:
    """A line of the table: a figure for each round, of this program and of one baseline."""

    name: str
    unit: str
    beside: str
    ours: list[float]
    baseline: list[float]

    @property
    def ratios(self) -> list[float]:
        return [mine / theirs for mine, theirs in zip(self.ours, self.baseline, strict=False)]

    @property
    def key(self) -> tuple[str, str]:
        return self.name, self.beside

    def as_json(self) -> dict[str, Any]:
        return asdict(self) | {"ratios": self.ratios}


def timed(act: Callable[[], object], unit: str, times: int = 1) -> Work:
    """A round that does `act` several times: what each took, in s, ms or µs."""
    scale = _SCALES[unit]

    def work() -> list[float]:
        took = []
        for _ in range(times):
            began = time.perf_counter()
            act()
            took.append(scale * (time.perf_counter() - began))
        return took

    return work


def percentile(percent: int) -> Callable[[list[float]], float]:
    return lambda values: sorted(values)[min(len(values) - 1, percent * len(values) // 100)]


def memory(process: int, *, peak: bool = False) -> int:
    """The bytes of memory that a process has, or the most that it had (Linux, proc(5))."""
    status = Path(f"/proc/{process}/status").read_text()
    return 1024 * int(status.split("VmHWM:" if peak else "VmRSS:")[1].split("kB")[0])


def run(measurement: Measurement, times: int) -> Iterator[Row]:
    """Its rows, of `times` rounds: one of the program, one of each baseline, and again."""
    works = {"": measurement.ours, **measurement.beside}
    rounds: dict[str, list[list[float]]] = {name: [] for name in works}
    for _ in range(min(times, measurement.rounds)):
        for name, work in works.items():
            rounds[name].append(work())
    figures = {"": statistics.median} | {
        f", p{percent}": percentile(percent) for percent in (95, 99) if measurement.tails
    }
    for suffix, figure in figures.items():
        by_name = {name: [figure(took) for took in found] for name, found in rounds.items()}
        ours = by_name.pop("")
        for beside, baseline in by_name.items() or [("", [])]:
            yield Row(measurement.name + suffix, measurement.unit, beside, ours, baseline)
