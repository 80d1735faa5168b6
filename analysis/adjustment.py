"""Did an adjustment help: is the mean nearer to nominal than it was before."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from numpy.typing import ArrayLike

from analysis import quantiles
from analysis.comparison import Difference, compare
from analysis.conversions import SizeUnit, size_text
from analysis.interval import Interval
from analysis.spread import Summary

Answer = Literal["helped", "made it worse", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Adjustment:
    """The answer and its basis.

    `change`: distance of the mean from nominal after, minus before, negative when it helped;
    None where one side has no trials. `interval`: for the change of the true distances; None
    where the data show no scatter. It is not symmetric about `change`. `stands`: the distances of
    the mean from nominal before and after, in words; empty where one side has no trials.
    """

    answer: Answer
    before: Summary
    after: Summary
    change: float | None
    interval: Interval | None
    stands: str
    sentence: str


def adjusted(
    before: ArrayLike,
    after: ArrayLike,
    *,
    unit: SizeUnit = "rad",
    nominal: float = 0.0,
    shared_u: float = 0.0,
    own_u: tuple[float, float] = (0.0, 0.0),
    floor_sd: float = 0.0,
    level: float = 0.95,
) -> Adjustment:
    """Whether the mean came nearer to nominal, and by how much.

    before, after: one value for each trial, in `unit`; nan does not count. Other arguments as
    for `comparison.compare`, whose 'further out' gives the answer: with d = m2 - m1 and
    t = m2 + m1, counted from nominal, |m2| - |m1| = sign(d t) min(|d|, |t|) exactly, so it
    helped when the intervals of d and t exclude zero and their signs differ.

    Interval: the minimum and maximum of that expression over the two intervals. The end on
    the side of no change depends only on the smaller one of d and t, so it holds at `level`
    with the interval at `level`; any other end depends on both and takes each at half the
    risk (Bonferroni). So it covers at least `level` (own simulation, in the tests).
    """
    found = compare(
        before,
        after,
        unit=unit,
        nominal=nominal,
        shared_u=shared_u,
        own_u=own_u,
        floor_sd=floor_sd,
        level=level,
    )
    a, b, d = found.first, found.second, found.difference
    if d is None or a.mean is None or b.mean is None:
        when = "before" if a.n == 0 else "after"
        return Adjustment(
            "cannot tell", a, b, None, None, "", f"Cannot tell: there is no cut from {when}."
        )
    out = (abs(a.mean - nominal), abs(b.mean - nominal))
    answer: Answer = "cannot tell"
    if found.further_out_shown:
        answer = "helped" if found.further_out == "first" else "made it worse"
    interval = _interval(d, a.mean + b.mean - 2 * nominal, shared_u, level, answer)
    was, now = (size_text(size, unit, d.standard_error) for size in out)
    stands = f"{was} from nominal before, {now} after"
    change = out[1] - out[0]
    sentence = _sentence(answer, a, b, change, stands, d.standard_error, interval, unit)
    return Adjustment(answer, a, b, change, interval, stands, sentence)


def _interval(
    d: Difference, total: float, shared_u: float, level: float, answer: Answer
) -> Interval | None:
    if d.standard_error is None or d.df is None:
        return None
    u2 = d.standard_error**2
    total_u = math.sqrt(u2 + 4 * shared_u**2)
    total_df = d.df if shared_u == 0 else (total_u**2 / u2) ** 2 * d.df

    def most(sign: float, at: float) -> float:
        """The largest change (sign 1), or minus the smallest (sign -1)."""
        half = quantiles.student_t((1 + at) / 2, d.df or math.inf) * (d.standard_error or 0.0)
        half_total = quantiles.student_t((1 + at) / 2, total_df) * total_u
        one = Interval.about(d.estimate, half, at)
        other = Interval.about(sign * total, half_total, at)
        # Where both have one sign, the distance increases by the smaller of the two.
        grown = max(min(one.high, other.high), min(-one.low, -other.low))
        return grown if grown > 0 else -min(_nearest(one), _nearest(other))

    strict = (1 + level) / 2
    high = most(1, level if answer == "helped" else strict)
    low = -most(-1, level if answer == "made it worse" else strict)
    return Interval(low, high, level)


def _nearest(interval: Interval) -> float:
    """The smallest distance of a value in the interval from zero."""
    return max(0.0, interval.low, -interval.high)


def _sentence(
    answer: Answer,
    a: Summary,
    b: Summary,
    change: float,
    stands: str,
    u: float | None,
    interval: Interval | None,
    unit: SizeUnit,
) -> str:
    if interval is None:
        if min(a.n, b.n) < 2:
            return (
                f"Cannot tell whether it helped ({stands}): one cut shows no scatter; make at "
                "least two before and two after."
            )
        return (
            f"Cannot tell whether it helped ({stands}): the cuts show no scatter to judge by; "
            "read them with a finer caliper."
        )
    sure = f"at {100 * interval.level:.0f} %"
    if answer == "cannot tell":
        better = size_text(max(0.0, -interval.low), unit, u)
        worse = size_text(max(0.0, interval.high), unit, u)
        return (
            f"Cannot tell yet whether it helped ({stands}): {sure} it may be up to {better} "
            f"better or up to {worse} worse. More cuts tell more."
        )
    # The unit is written once: "0.189 to 0.248 degrees".
    least, most = (
        size_text(size, unit, u) for size in sorted((abs(interval.low), abs(interval.high)))
    )
    by = f"{size_text(change, unit, u)} ({least.split()[0]} to {most} {sure})"
    if answer == "helped":
        return f"It helped: the mean is nearer to nominal by {by}, {stands}."
    return f"It made it worse: the mean is further from nominal by {by}, {stands}."
