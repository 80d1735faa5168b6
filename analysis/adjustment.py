"""Did an adjustment help: is the mean nearer to nominal than it was before."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Literal

from numpy.typing import ArrayLike

from analysis import looked
from analysis.conversions import SizeUnit, size_text
from analysis.difference import difference_of_means
from analysis.interval import Interval
from analysis.looked import EachLook
from analysis.sentences import Led
from analysis.spread import Summary, summary
from analysis.uncertainty import coverage_factor
from analysis.visits import Counted, called

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
    sentence: Led


def adjusted(
    before: ArrayLike,
    after: ArrayLike,
    *,
    unit: SizeUnit = "rad",
    nominal: float = 0.0,
    shared_u: float = 0.0,
    apart_u: float = 0.0,
    floor_sd: float = 0.0,
    counted: Counted = "trial",
    noun: str = "strip",
    level: float = 0.95,
    each_look: EachLook = (False, False),
) -> Adjustment:
    """Whether the mean came nearer to nominal, and by how much.

    before, after: one value for each trial, in `unit`; nan does not count. Other arguments as
    for `comparison.compare`. With d = m2 - m1 and t = m2 + m1, counted from nominal,
    |m2| - |m1| = sign(d t) min(|d|, |t|) exactly, so it helped when the intervals of d and t
    exclude zero and their signs differ.

    Interval: the minimum and maximum of that expression over the two intervals. The end on
    the side of no change depends only on the smaller one of d and t, so it holds at `level`
    with the interval at `level`; any other end depends on both and takes each at half the
    risk (Bonferroni). So it covers at least `level` (own simulation, in the tests).

    each_look: of the two series, those that were looked at after every trial; the interval then
    holds at all looks together (`looked.half_width`, which is wide enough for both ends at once).
    """
    a, b = summary(before), summary(after)
    if a.mean is None or b.mean is None:
        when = "before" if a.n == 0 else "after"
        return Adjustment(
            "cannot tell", a, b, None, None, "",
            Led("Cannot tell", ": ", f"there is no cut from {when}."),
        )  # fmt: skip
    out = (abs(a.mean - nominal), abs(b.mean - nominal))
    means = (a.mean - nominal, b.mean - nominal)
    u, half = _half_widths(a, b, floor_sd, apart_u, each_look)
    answer: Answer = "cannot tell"
    interval = None
    if u and math.isfinite(half(level)):
        strict = level if any(each_look) else None
        answer, interval = _answer(means, half, shared_u, level, strict)
    was, now = (size_text(size, unit, u) for size in out)
    stands = f"{was} from nominal before, {now} after"
    change = out[1] - out[0]
    fewest = looked.FEWEST if any(each_look) else 2
    what = called(counted, noun)
    sentence = _sentence(answer, a, b, change, stands, u, interval, unit, what, fewest)
    return Adjustment(answer, a, b, change, interval, stands, sentence)


def _half_widths(
    a: Summary, b: Summary, floor_sd: float, apart_u: float, each_look: EachLook
) -> tuple[float | None, Callable[[float], float]]:
    """The standard uncertainty of the difference of the means, None where the data give none, and
    the half width of its interval at a level."""
    d = difference_of_means(a, b, floor_sd=floor_sd, apart_u=apart_u)
    u = None if d is None else d.standard_error

    @cache
    def half(level: float) -> float:
        if any(each_look):
            return float(
                looked.half_width(a, b, each_look, floor_sd=floor_sd, apart_u=apart_u, level=level)
            )
        found = difference_of_means(a, b, floor_sd=floor_sd, apart_u=apart_u, level=level)
        assert found is not None
        assert found.interval is not None  # where there is an uncertainty
        return found.interval.half_width

    return u, half


def _answer(
    means: tuple[float, float],
    half: Callable[[float], float],
    shared_u: float,
    level: float,
    strict: float | None = None,
) -> tuple[Answer, Interval]:
    """What two means, counted from nominal, say, and the interval for the change of distances.
    strict: the level of an end that depends on both; None: each at half the risk."""
    strict = (1 + level) / 2 if strict is None else strict
    difference, total = means[1] - means[0], means[1] + means[0]

    def most(sign: float, at: float) -> float:
        """The largest change (sign 1), or minus the smallest (sign -1)."""
        # What both means share has no part in their difference, and acts twice on their sum.
        shared = coverage_factor(math.inf, at) * 2 * shared_u
        one = Interval.about(difference, half(at), at)
        other = Interval.about(sign * total, math.hypot(half(at), shared), at)
        # Where both have one sign, the distance increases by the smaller of the two.
        grown = max(min(one.high, other.high), min(-one.low, -other.low))
        return grown if grown > 0 else -min(_nearest(one), _nearest(other))

    answer: Answer = "cannot tell"
    high, low = most(1, level), -most(-1, level)
    if high < 0:
        answer = "helped"
    elif low > 0:
        answer = "made it worse"
    if answer != "helped":
        high = most(1, strict)
    if answer != "made it worse":
        low = -most(-1, strict)
    return answer, Interval(low, high, level)


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
    what: str,
    fewest: int,
) -> Led:
    unsure = "Cannot tell whether it helped"
    if interval is None:
        if min(a.n, b.n) < fewest:
            # What was before it cannot be made any more.
            when = "after" if a.n >= fewest else "before the next change and after it"
            few = looked.few(min(a.n, b.n), what)
            return Led(unsure, " ", f"({stands}): {few}; make at least {fewest} {when}.")
        return Led(
            unsure,
            " ",
            f"({stands}): the {what}s show no scatter to judge by; read them with a finer caliper.",
        )
    sure = f"at {100 * interval.level:.0f} %"
    if answer == "cannot tell":
        better = size_text(max(0.0, -interval.low), unit, u)
        worse = size_text(max(0.0, interval.high), unit, u)
        return Led(
            "Cannot tell yet whether it helped",
            " ",
            f"({stands}): {sure} it may be up to {better} better or up to {worse} worse. More"
            f" {what}s tell more.",
        )
    # The unit is written once: "0.189 to 0.248 degrees".
    least, most = (
        size_text(size, unit, u) for size in sorted((abs(interval.low), abs(interval.high)))
    )
    by = f"{size_text(change, unit, u)} ({least.split()[0]} to {most} {sure})"
    if answer == "helped":
        return Led("It helped", ": ", f"the mean is nearer to nominal by {by}, {stands}.")
    return Led("It made it worse", ": ", f"the mean is further from nominal by {by}, {stands}.")
