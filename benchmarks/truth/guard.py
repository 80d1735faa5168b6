"""Readings that are asked about: seldom honest ones, nearly always mistaken ones.

Honest series are heard reading by reading. In some strips one reading is also made wrong, and it
counts as caught where it or a later reading of the same strip is asked about.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import cycle, islice, product
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.guard import NO_LINES, Guard, Lines, Sent, last_digit_lost
from analysis.methods import METHODS
from analysis.units import NM_PER_UNIT, Unit
from benchmarks.truth import shop
from benchmarks.truth.rows import Row

Counts = NDArray[np.int64]
_STEPS: Final[tuple[tuple[Unit, int], ...]] = (("mm", 10_000), ("in", 12_700))
_STRIPS: Final = ("reversal", "half-turn", "roll", "five-cut")
_TRIALS: Final = 12
# A mistake is made in the first, second, third, sixth and last strip.
_MISTAKEN: Final = (0, 1, 2, 5, 11)
# Radians of a single cut: a good saw, a usual one, a loose one. Degrees that saws are out.
_CUTS: Final = (1e-4, 1e-3, 5e-3)
_OUT: Final = (0.1, 2.0)
# Nobody needs a caliper to see that cuts wander by more than this at the end of the board (one
# standard deviation, mm): the looser the saw, the narrower the boards that are tried on it.
_WANDERS_MM: Final = 1.5
_FACTORS: Final = {"ten times": 10.0, "a tenth": 0.1, "25.4 times": 25.4, "a 25.4th": 1 / 25.4}
_FIRST: Final = "first digit lost"
_A_ZERO: Final = "first digit sent as a zero"
_MISTAKES: Final = (*_FACTORS, _FIRST, _A_ZERO)
_IN_FIRST: Final = "any of these, in the first trial"
_METHODS: Final = (*_STRIPS, "planed-thickness", "blade-to-slot", "stop-block", "stated-block")
_NEAR_ZERO: Final = ("dial", "closing-miters", "known-block")


class _Ground(NamedTuple):
    guard: Guard
    counts: Counts
    step: int
    unit: Unit


class _Setting(NamedTuple):
    """Of the series that are played together."""

    step: tuple[Unit, int]
    cut: float
    out: float
    repeats: int
    widths: str


def rows(rng: np.random.Generator, short: bool) -> Iterator[Row]:
    for method in (*_METHODS, *_NEAR_ZERO):
        yield from of_method(rng, method, 200 if short else 2500)
    yield from _last_digit(rng, 2000 if short else 20_000)


def of_method(rng: np.random.Generator, method: str, series: int) -> Iterator[Row]:
    """What is asked about in so many series of `method`. "dial" is blade-to-slot read by a dial
    indicator near zero, "stated-block" a known block whose size is given."""
    tally: Counter[str] = Counter()
    for ground in islice(_grounds(rng, method), series):
        _hear(rng, ground, tally)
    ground = f"{method}, 12 trials, boards of 60 to 600 mm, saws 0.1 and up to 2 degrees out"
    yield Row("measure it again, of an honest reading", ground, "at most", 0.001,
              tally["asked"], tally["readings"])  # fmt: skip
    yield Row("measure it again, in an honest series", ground, "at most", 0.05,
              tally["series asked"], tally["series"])  # fmt: skip
    for mistake in (*_MISTAKES, _IN_FIRST):
        if tried := tally[mistake]:
            yield Row(f"measure it again, where it was wrong: {mistake}", ground, "at least",
                      _claimed(method, mistake), tally[mistake + " caught"], tried)  # fmt: skip


def _claimed(method: str, mistake: str) -> float:
    """Nothing where sizes are near zero, or nothing was read before."""
    if method in _NEAR_ZERO or (method == "stop-block" and mistake == _IN_FIRST):
        return 0.0
    return 0.9 if mistake == _IN_FIRST else 0.99


def _last_digit(rng: np.random.Generator, runs: int) -> Iterator[Row]:
    """A size says nothing about its last digit; the lines before it do."""
    for before, claimed in ((30, 0.75), (60, 0.95), (100, 0.99)):
        asked = Counter[str]()
        for sizes in rng.integers(200, 10_000, (runs, before + 1)):
            lines = [f"{size / 100:.2f}" for size in sizes]
            asked["fixed"] += last_digit_lost(lines[-1][:-1], _heard(lines[:-1]))
            short = [line.rstrip("0").rstrip(".") for line in lines]
            asked["left out"] += last_digit_lost(short[-1], _heard(short[:-1]))
        yield Row("measure it again, where it was wrong: last digit lost",
                  f"a caliper of fixed decimals, after {before} lines", "at least", claimed,
                  asked["fixed"], runs)  # fmt: skip
        yield Row("measure it again, of an honest reading",
                  f"a caliper that leaves out zeros at the end, after {before} lines", "at most",
                  0.001, asked["left out"], runs)  # fmt: skip


def _heard(sent: Iterable[str]) -> Lines:
    lines = NO_LINES
    for line in sent:
        lines = lines.heard(line)
    return lines


def _grounds(rng: np.random.Generator, method: str) -> Iterator[_Ground]:
    """Series without end, of each setting in turn."""
    widths = ("to a stop", "freehand", "about") if method in _STRIPS else ("",)
    # Most people read each place once.
    settings = product(_STEPS, _CUTS, _OUT, (1, 1, 2, 3), widths)
    for setting in cycle(map(_Setting._make, settings)):
        yield from _play(rng, method, setting, 2)


def _play(rng: np.random.Generator, method: str, setting: _Setting, runs: int) -> Iterator[_Ground]:
    key = {"dial": "blade-to-slot", "stated-block": "known-block"}.get(method, method)
    (unit, step), cut, out = setting.step, setting.cut, setting.out
    # Frames add up the errors of eight cuts, and no planer is out as far as a saw.
    share = {"closing-miters": 0.25, "planed-thickness": 0.1}.get(method, 1.0)
    longest = 100 if method == "closing-miters" else min(600.0, _WANDERS_MM / cut)
    size = rng.uniform(20 if method == "closing-miters" else 60, longest, runs)
    angle = np.radians(rng.uniform(-out, out, runs)) if out > 1 else rng.normal(0, 1.7e-3, runs)
    saw = shop.Saw(
        angle * share, cut_sd=cut * share, tilt_rad=angle[::-1], tilt_sd=cut,
        length_mm=rng.uniform(20, 300, runs), length_sd=cut * 40,
    )  # fmt: skip
    board = shop.Board(size, rng.uniform(12, 50, runs), taper_rad=rng.normal(0, 1e-3, runs))
    caliper = shop.Caliper(step_nm=step, hand_mm=rng.choice([0.003, 0.02, 0.05]))
    counts = shop.play(
        rng, key, saw, caliper, board, series=runs, trials=_TRIALS, repeats=setting.repeats
    ).counts_nm
    if method in _STRIPS:
        thin = counts.min(axis=(2, 3), keepdims=True)
        strips = _widths(rng, setting.widths, runs)
        counts = counts + _whole(strips[..., None, None] - thin / 1e6, step)
    elif method == "planed-thickness":
        # Half of the boards are planed on, pass by pass.
        down = rng.choice([0.0, 1.0], runs) * rng.uniform(0.2, 1.5, runs)
        thinner = counts.min(axis=(1, 2, 3)) / 1e6 - 3
        passes = np.minimum(down, thinner / _TRIALS)[:, None] * np.arange(_TRIALS)
        counts = counts - _whole(passes[..., None, None], step)
    elif method == "dial":
        counts = counts - 60_000_000
    elif key == "known-block":
        blocks = 1 if method == "stated-block" else 4
        sizes = rng.choice([1, 2, 2.5, 5, 10, 20, 25, 50, 75, 100], (runs, blocks))
        size = sizes[:, 0]
        sizes = sizes.repeat(_TRIALS // blocks, axis=1)
        counts = _whole(sizes[..., None, None] + rng.normal(0, 0.01, counts.shape), step)
    of = METHODS[key]
    for i in range(runs):
        baseline = float(size[i]) if of.baseline or method == "stated-block" else None
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
    unlike = rng.random(runs) < 0.2
    strips[unlike, 0] = rng.uniform(3, 60, unlike.sum())
    return strips


def _whole(size_mm: NDArray[np.float64], step: int) -> Counts:
    return np.asarray(np.rint(size_mm * 1e6 / step) * step, np.int64)


def _hear(rng: np.random.Generator, ground: _Ground, tally: Counter[str]) -> None:
    earlier: list[list[list[int]]] = []
    asked = 0
    for number, trial in enumerate(ground.counts):
        strip = [[_sent(int(nm), ground.unit) for nm in place] for place in trial]
        if number in _MISTAKEN:
            at = int(rng.integers(len(strip))), int(rng.integers(len(strip[0])))
            for mistake in _MISTAKES:
                wrong = _wrong(mistake, strip[at[0]][at[1]], ground)
                if wrong is not None:
                    bad = [list(place) for place in strip]
                    bad[at[0]][at[1]] = wrong
                    said = mistake if number else _IN_FIRST
                    tally[said] += 1
                    tally[said + " caught"] += _asks(ground.guard, bad, earlier) > 0
        asked += (now := _asks(ground.guard, strip, earlier))
        tally["asked"] += now
        tally["readings"] += trial.size
        earlier.append([[each.nm for each in place] for place in strip])
    tally["series"] += 1
    tally["series asked"] += asked > 0


def _asks(guard: Guard, strip: list[list[Sent]], earlier: list[list[list[int]]]) -> int:
    """How many readings of a strip are asked about, as they come in."""
    read: list[list[int]] = [[] for _ in strip]
    asked = 0
    for place, of_place in enumerate(strip):
        for each in of_place:
            asked += guard.question(place, each, read, earlier) is not None
            read[place].append(each.nm)
    return asked


def _sent(nm: int, unit: Unit) -> Sent:
    text = f"{nm / NM_PER_UNIT[unit]:.{2 if unit == 'mm' else 4}f}"
    return _line(text, unit)


def _line(text: str, unit: Unit) -> Sent:
    return Sent(round(float(text) * NM_PER_UNIT[unit]), text, unit)


def _wrong(mistake: str, right: Sent, ground: _Ground) -> Sent | None:
    """The reading as the mistake leaves it; None where it changes nothing."""
    if mistake in (_FIRST, _A_ZERO):
        sign, digits = ("-", right.sent[1:]) if right.nm < 0 else ("", right.sent)
        first = "0" if mistake == _A_ZERO else ""
        left = _line(sign + first + digits[1:], ground.unit)
    else:
        step = ground.step
        nm = math.floor(right.nm * _FACTORS[mistake] / step + 0.5) * step
        left = _sent(nm, ground.unit)
    return None if left.nm == right.nm else left
