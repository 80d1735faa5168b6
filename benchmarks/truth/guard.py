"""Readings that are asked about: seldom honest ones, nearly always mistaken ones.

Honest series are heard reading by reading. From the second strip on, one reading of a strip is also
made wrong, and it counts as caught where it or a later reading of the same strip is asked about.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.guard import Guard, Sent
from analysis.methods import METHODS
from analysis.units import NM_PER_UNIT, Unit
from benchmarks.truth import shop
from benchmarks.truth.rows import Row

Counts = NDArray[np.int64]
_STEPS: Final[tuple[tuple[Unit, int], ...]] = (("mm", 10_000), ("in", 12_700))
_STRIPS: Final = ("reversal", "half-turn", "roll", "five-cut")
_TRIALS: Final = 12
# Radians of a single cut: a good saw, a usual one, a loose one. Degrees that saws are out.
_CUTS: Final = (1e-4, 1e-3, 5e-3)
_OUT: Final = (0.1, 2.0)
_FACTORS: Final = {"ten times": 10.0, "a tenth": 0.1, "25.4 times": 25.4, "a 25.4th": 1 / 25.4}
# Claimed to be caught of each mistake; a lost first digit moves a thin strip on a wide board and a
# loose saw by no more than such a saw does.
_CAUGHT: Final = {
    ("reversal", "first digit lost"): 0.97,
    ("five-cut", "first digit lost"): 0.94,
    ("five-cut", "a tenth"): 0.96,
    ("five-cut", "a 25.4th"): 0.97,
}
_METHODS: Final = (*_STRIPS, "planed-thickness", "blade-to-slot", "stop-block")
_NEAR_ZERO: Final = ("dial", "closing-miters", "known-block")


class _Ground(NamedTuple):
    guard: Guard
    counts: Counts
    step: int
    unit: Unit


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    for method in (*_METHODS, *_NEAR_ZERO):
        yield from of_method(rng, method, 5 if short else 30)


def of_method(rng: np.random.Generator, method: str, runs: int) -> Iterator[Row]:
    """What is asked about of so many series on each ground of `method`; "dial" is blade-to-slot
    read by a dial indicator near zero."""
    tally: Counter[str] = Counter()
    for unit, step in _STEPS:
        for widths in ("to a stop", "freehand", "about") if method in _STRIPS else ("",):
            for cut in _CUTS:
                for out in _OUT:
                    for each in _play(rng, method, unit, step, widths, cut, out, runs):
                        _hear(rng, each, tally)
    ground = f"{method}, 12 trials, boards of 60 to 600 mm, saws 0.1 and up to 2 degrees out"
    yield Row("measure it again, of an honest reading", ground, "at most", 0.001,
              tally["asked"], tally["readings"])  # fmt: skip
    yield Row("measure it again, in an honest series", ground, "at most", 0.05,
              tally["series asked"], tally["series"])  # fmt: skip
    for mistake in (*_FACTORS, "first digit lost", "last digit lost"):
        if tried := tally[mistake]:
            claimed = _CAUGHT.get((method, mistake), 0.99)
            if method in _NEAR_ZERO and mistake != "last digit lost":
                claimed = 0.0
            yield Row(f"measure it again, where a reading was wrong: {mistake}", ground,
                      "at least", claimed, tally[mistake + " caught"], tried)  # fmt: skip


def _play(
    rng: np.random.Generator, method: str, unit: Unit, step: int, widths: str,
    cut: float, out: float, runs: int,
) -> Iterator[_Ground]:  # fmt: skip
    key = "blade-to-slot" if method == "dial" else method
    # Frames add up the errors of eight cuts, and no planer is out as far as a saw.
    share = {"closing-miters": 0.25, "planed-thickness": 0.1}.get(method, 1.0)
    size = rng.uniform(20, 100, runs) if method == "closing-miters" else rng.uniform(60, 600, runs)
    angle = np.radians(rng.uniform(-out, out, runs)) if out > 1 else rng.normal(0, 1.7e-3, runs)
    saw = shop.Saw(
        angle * share, cut_sd=cut * share, tilt_rad=angle[::-1], tilt_sd=cut,
        length_mm=rng.uniform(20, 300, runs), length_sd=cut * 40,
    )  # fmt: skip
    board = shop.Board(size, rng.uniform(12, 50, runs), taper_rad=rng.normal(0, 1e-3, runs))
    caliper = shop.Caliper(step_nm=step, hand_mm=rng.choice([0.003, 0.02, 0.05]))
    repeats = int(rng.integers(1, 4))
    counts = shop.play(
        rng, key, saw, caliper, board, series=runs, trials=_TRIALS, repeats=repeats
    ).counts_nm
    if method in _STRIPS:
        thin = counts.min(axis=(2, 3), keepdims=True)
        counts = counts + _whole(_widths(rng, widths, runs)[..., None, None] - thin / 1e6, step)
    elif method == "dial":
        counts = counts - 60_000_000
    elif method == "known-block":
        sizes = rng.choice([1, 2, 2.5, 5, 10, 20, 25, 50, 75, 100], (runs, 4)).repeat(3, axis=1)
        counts = _whole(sizes[..., None, None] + rng.normal(0, 0.01, counts.shape), step)
    of = METHODS[key]
    for i in range(runs):
        baseline = float(size[i]) if of.baseline else None
        thickness = float(np.asarray(board.thickness_mm)[i]) if of.needs_thickness else None
        yield _Ground(Guard(of, baseline, thickness), counts[i], step, unit)


def _widths(rng: np.random.Generator, widths: str, runs: int) -> NDArray[np.float64]:
    """Of each strip at its thinnest, in mm; of some series the first strip is unlike the rest."""
    middle, shape = rng.uniform(3, 60, (runs, 1)), (runs, _TRIALS)
    strips = {
        "to a stop": middle + rng.normal(0, 0.1, shape),
        "freehand": rng.uniform(3, 60, shape),
        "about": np.clip(middle * np.exp(rng.normal(0, 0.3, shape)), 3, 60),
    }[widths]
    strips[: runs // 5, 0] = rng.uniform(3, 60, runs // 5)
    return strips


def _whole(size_mm: NDArray[np.float64], step: int) -> Counts:
    return np.asarray(np.rint(size_mm * 1e6 / step) * step, np.int64)


def _hear(rng: np.random.Generator, ground: _Ground, tally: Counter[str]) -> None:
    earlier: list[list[list[int]]] = []
    lines: list[str] = []
    asked = 0
    for number, trial in enumerate(ground.counts):
        strip = [[_sent(int(nm), ground.unit) for nm in place] for place in trial]
        if number:
            at = int(rng.integers(len(strip))), int(rng.integers(len(strip[0])))
            for mistake in (*_FACTORS, "first digit lost", "last digit lost"):
                wrong = _wrong(mistake, strip[at[0]][at[1]], ground)
                if wrong is not None:
                    bad = [list(place) for place in strip]
                    bad[at[0]][at[1]] = wrong
                    tally[mistake] += 1
                    tally[mistake + " caught"] += bool(_asks(ground.guard, bad, earlier, lines))
        asked += (now := _asks(ground.guard, strip, earlier, lines))
        tally["asked"] += now
        tally["readings"] += trial.size
        earlier.append([[each.nm for each in place] for place in strip])
        lines += [each.sent for place in strip for each in place]
    tally["series"] += 1
    tally["series asked"] += asked > 0


def _asks(
    guard: Guard, strip: list[list[Sent]], earlier: list[list[list[int]]], lines: list[str]
) -> int:
    """How many readings of a strip are asked about, as they come in."""
    read: list[list[int]] = [[] for _ in strip]
    heard, asked = list(lines), 0
    for place, of_place in enumerate(strip):
        for each in of_place:
            asked += guard.question(place, each, read, earlier, heard) is not None
            read[place].append(each.nm)
            heard.append(each.sent)
    return asked


def _sent(nm: int, unit: Unit) -> Sent:
    text = f"{nm / NM_PER_UNIT[unit]:.{2 if unit == 'mm' else 4}f}"
    return _line(text, unit)


def _line(text: str, unit: Unit) -> Sent:
    return Sent(round(float(text) * NM_PER_UNIT[unit]), text, unit)


def _wrong(mistake: str, right: Sent, ground: _Ground) -> Sent | None:
    """The reading as the mistake leaves it; None where it changes nothing."""
    if mistake == "last digit lost":
        return _line(right.sent[:-1], ground.unit)
    if mistake == "first digit lost":
        sign, digits = ("-", right.sent[1:]) if right.nm < 0 else ("", right.sent)
        left = _line(sign + digits[1:], ground.unit)
    else:
        step = ground.step
        nm = math.floor(right.nm * _FACTORS[mistake] / step + 0.5) * step
        left = _sent(nm, ground.unit)
    return None if left.nm == right.nm else left
