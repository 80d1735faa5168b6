"""Until when a stop, or a caliper, may be trusted: the date of its next check.

Three methods of ILAC-G24 / OIML D 10:2022, Guidelines for the determination of recalibration
intervals; all from memory, the document was not read again:

- a person's own interval, before there is anything else to go by (the initial choice, 4 there);
- the staircase while checks are few (its method 1): a check within 80 % of the limit lets the
  interval grow, one outside makes it shorter, any other leaves it. By how much the document leaves
  to the user: here by half of it, and to half of it;
- the control chart (its method 2), from `FEWEST` checks since the last lasting change on: the line
  through them and their scatter give the day until which the limit is kept.

The chance that a date is too late is stated with the control chart alone. It adds what no line
shows: a lasting jump. Whether the chance holds is simulated in `benchmarks/truth/until.py`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis import quantiles
from analysis.phases import Phase

Array = NDArray[np.float64]
Method = Literal["own interval", "staircase", "control chart"]
Limits = Literal["drift", "scatter", "jumps", "longest"]

OWN_DAYS: Final = 90
"""Where a person says no interval."""
CHANCE: Final = 0.05
"""Of being out before the date."""
FEWEST: Final = 5
"""Checks on different days since the last lasting change, for a line and its scatter."""
WELL_WITHIN: Final = 0.8
_NONE_SEEN: Final = 0.6
_SOME_SEEN: Final = 2.5
"""Jumps that count beside those seen, see `jump_within`."""
_LONGER: Final = 1.5
_SHORTER: Final = 0.5
LONGEST_DAYS: Final = 730.0
"""No date lies further ahead, whatever the checks say: our own choice."""
SHORTEST_DAYS: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """n checks of one quantity, the oldest first, in radians or mm; arrays of shape (n,).

    days: of each, counted from any day on. off: its difference from the middle of the tolerance,
    half: half the tolerance's width. since: the place of the first check of the present state.
    rounding: of one check by the caliper's count. jumps: the sizes of the lasting jumps that the
    whole history shows. returns: the scatter of the stop from visit to visit, 0 where it is not
    known; averaged: the share of its variance that is left in a check, 1 where each is of one
    visit: then the scatter from check to check has it already.
    """

    days: Array
    off: Array
    half: float
    since: int = 0
    rounding: float = 0.0
    jumps: tuple[float, ...] = ()
    returns: float = 0.0
    averaged: float = 1.0


@dataclass(frozen=True, slots=True)
class Until:
    """days: from the last check until the next one is due; 0 where it may be out already. chance:
    of being out by then, None where few checks tell none. checks: on different days, of the present
    state. limits: what keeps the date from being later, by the control chart. drift: by which it
    moves in a day."""

    days: float
    method: Method
    checks: int
    chance: float | None = None
    limits: Limits | None = None
    drift: float | None = None


def until(followed: Followed, own_days: int | None = None) -> Until:
    """When the next check is due. own_days: a person's own interval, which no date exceeds; None
    where none is said. Raises ValueError without a check."""
    if followed.days.size == 0:
        raise ValueError("checks: give at least 1")
    days, off = _by_day(followed.days, followed.off)
    present, now_off = _by_day(followed.days[followed.since :], followed.off[followed.since :])
    most = LONGEST_DAYS if own_days is None else float(own_days)
    if days.size == 1:
        return Until(float(own_days or OWN_DAYS), "own interval", 1)
    if present.size < FEWEST:
        step = staircase(days, off, followed.half, own_days or OWN_DAYS)
        return Until(min(step, most), "staircase", present.size)
    return _chart(_Chart(present, now_off, followed, float(days[-1] - days[0])), most)


def staircase(days: Array, off: Array, half: float, first_days: float) -> float:
    """The interval after the last check (ILAC-G24 / OIML D 10:2022, method 1, from memory).

    days, off, half: as in `Followed`, n >= 1, each check on a day of its own; first_days: before
    the first check. An interval that was not used up shows nothing, and does not grow.
    """
    interval = first_days
    for k, size in enumerate(np.abs(off).tolist()):
        used_up = k > 0 and days[k] - days[k - 1] >= interval
        if size > half:
            interval *= _SHORTER
        elif used_up and size <= WELL_WITHIN * half:
            interval *= _LONGER
    return min(max(interval, SHORTEST_DAYS), LONGEST_DAYS)


def jumps_in(phases: Sequence[Phase], off: Array, half: float) -> tuple[float, ...]:
    """The sizes of the jumps that a history shows: the lasting shifts that are told, those that an
    adjustment cut short, where the last check of a phase found it out, and single checks outside
    what those before led to expect, of which nobody knows why.

    phases: of the whole history; off, half: as in `Followed`.
    """
    found: list[float] = []
    for phase in phases:
        shifts = [change for change in phase.changes if change.kind == "shift"]
        found += [change.after - change.before for change in shifts]
        last = phase.stop - 1
        was_in = not shifts or abs(shifts[-1].after) <= half
        single = set(phase.out) - {change.index for change in phase.changes}
        if last > phase.start and was_in and abs(off[last]) > half:
            single.add(last)
        found += [float(off[i] - off[i - 1]) for i in sorted(single)]
    return tuple(found)


def jump_within(days: float, jumps: int, watched: float) -> float:
    """The probability of a jump within so many days, after `jumps` of them in `watched` days.

    Jumps come at a constant rate, of which nothing is known before: its posterior is a gamma
    distribution, and P(none) = (watched / (watched + days)) ^ (jumps + c). With c = 0.6, near
    Jeffreys' prior, a stop that never jumped is good for an eleventh of the time that it was
    watched. There cannot be much more: of saws that jump once in that time, beyond the tolerance, a
    good third has shown none yet, and a date of a quarter of that time, for none but these, would
    already leave 8 in 100 of them out before it. Once there was a jump c is 5/2, since checks miss
    some, and a date is given only after five quiet ones.
    """
    seen = jumps + (_SOME_SEEN if jumps else _NONE_SEEN)
    return 1 - math.pow(watched / (watched + days), seen)


def _by_day(days: Array, off: Array) -> tuple[Array, Array]:
    """The checks of one day as one: their mean."""
    whole, of = np.unique(np.floor(days), return_inverse=True)
    count = np.bincount(of)
    return whole, np.bincount(of, off) / count


@dataclass(frozen=True, slots=True, eq=False)
class _Chart:
    """days, off: (n,) of the present state, n >= 3; watched: days from the very first check."""

    days: Array
    off: Array
    followed: Followed
    watched: float

    @property
    def _next_visit(self) -> float:
        """The variance of what the stop is at one visit beside what a check shows of it."""
        return (1 - self.followed.averaged) * self.followed.returns**2

    def line(self) -> tuple[Callable[[float], float], float]:
        """P(out) so many days after the last check by the straight line through the checks, as
        for a new check (NIST e-Handbook 4.5.2.1): Student's t, n - 2. And its slope."""
        n, last = self.days.size, self.days[-1]
        at = self.days - self.days.mean()
        squares = float(at @ at)
        slope = float(at @ self.off) / squares
        residual = self.off - self.off.mean() - slope * at
        variance = max(
            float(residual @ residual) / (n - 2),
            self.followed.rounding**2,
            self.followed.averaged * self.followed.returns**2,
        )

        def out(ahead: float) -> float:
            x = float(last - self.days.mean()) + ahead
            spread = variance * (1 + 1 / n + x * x / squares) + self._next_visit
            return self._beyond(float(self.off.mean()) + slope * x, spread, n - 2)

        return out, slope

    def walk(self) -> Callable[[float], float]:
        """The same where it wanders: each step from check to check is drawn anew, its variance in
        proportion to the days, about a common drift. Student's t, n - 2."""
        n, steps, gaps = self.days.size, np.diff(self.off), np.diff(self.days)
        span = float(gaps.sum())
        drift = float(steps.sum()) / span
        per_day = float(((steps - drift * gaps) ** 2 / gaps).sum()) / (n - 2)
        of_checks = self.followed.averaged * self.followed.returns**2
        least = 2 * max(self.followed.rounding**2, of_checks)

        def out(ahead: float) -> float:
            spread = max(per_day * ahead * (1 + ahead / span), least) + self._next_visit
            return self._beyond(float(self.off[-1]) + drift * ahead, spread, n - 2)

        return out

    def jump(self) -> Callable[[float], float]:
        """P(a jump has come and left it outside). Of those to come each is as large as those seen
        (Student's t, scaled by their root mean square), but that one more than those seen counts,
        as in `jump_within`, and leaves it outside for sure."""
        sizes = self.followed.jumps
        outside = 1.0
        if sizes:
            square = math.fsum(size * size for size in sizes) / len(sizes)
            by_size = self._beyond(float(self.off[-1]), square, len(sizes))
            outside = (1 + len(sizes) * by_size) / (1 + len(sizes))
        return lambda ahead: outside * jump_within(ahead, len(sizes), self.watched)

    def _beyond(self, centre: float, variance: float, df: float) -> float:
        half, scale = self.followed.half, math.sqrt(variance)
        if scale == 0:
            return float(abs(centre) > half)
        inside = quantiles.student_t_probability((half - centre) / scale, df)
        return 1 - (inside - quantiles.student_t_probability((-half - centre) / scale, df))


def _chart(chart: _Chart, most: float) -> Until:
    line, slope = chart.line()
    walk, jump = chart.walk(), chart.jump()

    def fits(ahead: float) -> float:
        return max(line(ahead), walk(ahead))

    def out(ahead: float) -> float:
        return fits(ahead) + (1 - fits(ahead)) * jump(ahead)

    def made(days: float, limits: Limits) -> Until:
        return Until(days, "control chart", chart.days.size, CHANCE, limits, slope)

    if out(0.0) > CHANCE:
        return made(0.0, "scatter")
    days = _reached(out, most)
    if days == most:
        return made(most, "longest")
    if _reached(jump, most) <= _reached(fits, most):
        return made(days, "jumps")
    return made(days, "drift" if _moves(chart, slope, days) else "scatter")


def _reached(out: Callable[[float], float], most: float) -> float:
    """The days after which the chance is taken, at most `most`."""
    if out(most) <= CHANCE:
        return most
    return quantiles.reached(out, CHANCE, 0.0, most)


def _moves(chart: _Chart, slope: float, ahead: float) -> bool:
    """Whether the drift until then takes a fifth of what is left of the tolerance."""
    now = float(chart.off.mean()) + slope * float(chart.days[-1] - chart.days.mean())
    left = chart.followed.half - abs(now)
    return abs(slope) * ahead >= left / 5
