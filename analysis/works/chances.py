"""How likely the worst joint of a work stays within the accepted gap, and what that takes.

By draws (JCGM 101:2008), beside the linear sum (JCGM 100, 5.1.2). The draws take the sizes of the
gaps, the worst of all joints, and the few trials behind each scatter as they are; the linear sum
speaks of one joint. The generator is an argument: the same seed says the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from analysis import quantiles
from analysis.uncertainty import LEVEL
from analysis.works.assemblies import Assembly
from analysis.works.known import Drawn, KnownStop, drawn

Array = NDArray[np.float64]

_MOST_DRAWS: Final = 25_000
"""A probability near 95 % is then told to 0.14 % (one standard deviation)."""
_MOST_CUTS_DRAWN: Final = 600_000
"""Of a work with many cuts fewer draws are made, so that its answer is a matter of a second."""
_DRAWS_OF_A_NEED: Final = 2_500
"""Of each trial of what a stop would have to reach, which asks some dozens of times."""
_MOST_RAD: Final = math.radians(2)
_HALVINGS: Final = 12
_STEP: Final = 1e-6


@dataclass(frozen=True, slots=True)
class LinearSum:
    """The joint at which the linear sum reaches furthest: its gap with its sign, and the expanded
    uncertainty at 95 %; within: the probability that this joint is within its accepted gap."""

    joint: str
    gap_mm: float
    expanded_mm: float
    within: float


@dataclass(frozen=True, slots=True)
class PartOf:
    """What one stop does to a work.

    without_mm: the gap that 95 of 100 worst joints would stay within if this stop cut true and
    always alike. reach_rad: how far its error may be from nominal, either way, for the work to
    succeed 95 times of 100, its scatter and all else as it is; None where not even a true stop is
    enough. reach_sd: then, how much its single cuts may scatter, itself true; None where
    that does not help either, or is not what is missing.
    """

    stop: KnownStop
    without_mm: float
    reach_rad: float | None
    reach_sd: float | None


@dataclass(frozen=True, slots=True)
class Matching:
    """Two pieces of one length cut to one stop: how far 95 of 100 pairs differ at most, and how
    likely a pair differs by no more than the accepted gap; None where the length's repeatability
    is not known."""

    stop: KnownStop
    differ_mm: float | None
    within: float | None


@dataclass(frozen=True, slots=True)
class Chances:
    """within: the probability that every joint stays within its accepted gap, u: its standard
    uncertainty by the number of draws. usual_mm, most_mm: the gap that half, and 95 of 100, of the
    worst joints stay within. worst: how often each joint is the worst, by name. parts: of each
    stop, the one that contributes most first. together_rad: how far all the stops may be off at
    once for 95 of 100, their scatter as it is; None where not even true ones are enough."""

    within: float
    u: float
    usual_mm: float
    most_mm: float
    worst: dict[str, float]
    linear: LinearSum
    parts: tuple[PartOf, ...]
    together_rad: float | None
    matching: tuple[Matching, ...]


def chances(
    assembly: Assembly,
    stops: Sequence[KnownStop],
    accepted_mm: Sequence[float],
    generator: Generator,
    draws: int | None = None,
) -> Chances:
    """stops: as the assembly's cuts name them by place. accepted_mm: (j,) of each joint. draws: how
    many, None for enough.

    Raises ValueError where there is not one accepted gap above zero for each joint.
    """
    drew, worst = _drawn(assembly, stops, accepted_mm, generator, draws)
    used, gap_mm, at = worst.of(drew)
    draws, within = used.size, float((used <= 1).mean())
    fewer = _first(drew, min(draws, _DRAWS_OF_A_NEED))
    linear = _linear(worst, stops)
    asked = sorted({*worst.of_cuts.tolist(), *assembly.cut_to})
    parts = [_part(worst, stops, s, drew, fewer) for s in asked]
    share = np.bincount(at, minlength=len(assembly.joints)) / draws
    return Chances(
        within,
        math.sqrt(within * (1 - within) / draws),
        float(np.median(gap_mm)),
        _reached(gap_mm),
        dict(zip(assembly.joints, share.tolist(), strict=True)),
        linear.of(),
        tuple(sorted(parts, key=lambda part: part.without_mm)),
        _together(worst, fewer, linear.signs()),
        _matching(assembly, stops, min(accepted_mm)),
    )


def likely(
    assembly: Assembly,
    stops: Sequence[KnownStop],
    accepted_mm: Sequence[float],
    generator: Generator,
    draws: int | None = None,
) -> float:
    """`Chances.within` alone. Arguments and errors as for `chances`."""
    drew, worst = _drawn(assembly, stops, accepted_mm, generator, draws)
    used, _, _ = worst.of(drew)
    return float((used <= 1).mean())


def _drawn(
    assembly: Assembly,
    stops: Sequence[KnownStop],
    accepted_mm: Sequence[float],
    generator: Generator,
    draws: int | None,
) -> tuple[Drawn, _Worst]:
    accepted = np.asarray(accepted_mm, float)
    if accepted.shape != (len(assembly.joints),) or not (accepted > 0).all():
        raise ValueError("accepted: give one gap above zero for each joint")
    of_cuts = [cut.stop for cut in assembly.cuts]
    draws = draws or min(_MOST_DRAWS, _MOST_CUTS_DRAWN // len(of_cuts))
    drew = drawn(stops, of_cuts, assembly.cut_to, generator, draws)
    return drew, _Worst(assembly, np.array(of_cuts), accepted)


def pair_differs(sd_mm: float, df: float, gap_mm: float) -> tuple[float, float]:
    """How far 95 of 100 pairs of pieces differ at most, and how likely a pair differs by no more
    than gap_mm: Student's t with the standard deviation sqrt(2) sd (Hahn and Meeker, Statistical
    Intervals, 1991, 4.7, from memory)."""
    apart = math.sqrt(2) * sd_mm
    if apart == 0:
        return 0.0, 1.0
    most = quantiles.student_t((1 + LEVEL) / 2, df) * apart
    return most, 2 * quantiles.student_t_probability(gap_mm / apart, df) - 1


def _matching(
    assembly: Assembly, stops: Sequence[KnownStop], gap_mm: float
) -> tuple[Matching, ...]:
    found = []
    for s in sorted(set(assembly.cut_to)):
        lengths = [
            mm for mm, to in zip(assembly.pieces_mm, assembly.cut_to, strict=True) if to == s
        ]
        if len(set(lengths)) == len(lengths):
            continue  # no two of them should be alike
        length = stops[s].length
        told = (None, None) if length is None else pair_differs(length.sd_mm, length.df, gap_mm)
        found.append(Matching(stops[s], *told))
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class _Worst:
    """of_cuts: (c,) the stop of each cut; accepted: (j,)."""

    assembly: Assembly
    of_cuts: NDArray[np.int64]
    accepted: Array

    def of(
        self, drew: Drawn, error_rad: Array | None = None
    ) -> tuple[Array, Array, NDArray[np.int64]]:
        """Of each draw, the gap of its worst joint over the accepted one, in mm, and which."""
        error = drew.error_rad if error_rad is None else error_rad
        gaps = self.assembly.gaps(error[:, self.of_cuts] + drew.cut_rad, drew.length_mm)
        at = (gaps / self.accepted).argmax(1)
        gap = gaps[np.arange(len(gaps)), at]
        return gap / self.accepted[at], gap, at

    def kept(self, drew: Drawn, error_rad: Array) -> bool:
        """Whether 95 of 100 draws with these errors of the stops stay within."""
        used, _, _ = self.of(drew, error_rad)
        return bool((used <= 1).mean() >= LEVEL)


def _first(drew: Drawn, draws: int) -> Drawn:
    return Drawn(drew.error_rad[:draws], drew.cut_rad[:draws], drew.length_mm[:draws])


def _reached(gap_mm: Array) -> float:
    return float(np.quantile(gap_mm, LEVEL))


def _part(worst: _Worst, stops: Sequence[KnownStop], s: int, drew: Drawn, fewer: Drawn) -> PartOf:
    _, gap_mm, _ = worst.of(_with_scatter(worst, drew, s, 0.0), _set_to(drew, s, 0.0))
    reach = _largest(
        lambda off: all(worst.kept(fewer, _set_to(fewer, s, way * off)) for way in (-1, 1)),
        _MOST_RAD,
    )
    sd = None
    if reach is None and stops[s].cut_sd > 0:
        share = _largest(
            lambda share: worst.kept(_with_scatter(worst, fewer, s, share), _set_to(fewer, s, 0.0)),
            1.0,
        )
        sd = None if share is None else share * stops[s].cut_sd
    return PartOf(stops[s], _reached(gap_mm), reach, sd)


def _set_to(drew: Drawn, s: int, error_rad: float) -> Array:
    error = drew.error_rad.copy()
    error[:, s] = error_rad
    return error


def _with_scatter(worst: _Worst, drew: Drawn, s: int, share: float) -> Drawn:
    """The same with this share of the scatter of a stop's cuts, and of its lengths."""
    cuts = np.where(worst.of_cuts == s, share, 1.0)
    lengths = np.where(np.array(worst.assembly.cut_to, int) == s, share, 1.0)
    return Drawn(drew.error_rad, drew.cut_rad * cuts, drew.length_mm * lengths)


def _together(worst: _Worst, drew: Drawn, signs: Array) -> float | None:
    """signs: (ways, stops) in which all may be off at once."""
    return _largest(
        lambda off: all(
            worst.kept(drew, np.broadcast_to(off * way, drew.error_rad.shape)) for way in signs
        ),
        _MOST_RAD,
    )


def _largest(kept: Callable[[float], bool], most: float) -> float | None:
    """The largest value up to `most` that is still kept, by halving; None where zero is not."""
    if not kept(0.0):
        return None
    if kept(most):
        return most
    low, high = 0.0, most
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if kept(middle) else (low, middle)
    return low


@dataclass(frozen=True, slots=True, eq=False)
class _Linear:
    """gap_mm, u_mm: (j,) by the linear sum; by_stop: (j, stops) the slope of each joint's gap with
    the error of each stop."""

    worst: _Worst
    gap_mm: Array
    u_mm: Array
    by_stop: Array

    def of(self) -> LinearSum:
        expanded = quantiles.normal((1 + LEVEL) / 2) * self.u_mm
        at = int(((np.abs(self.gap_mm) + expanded) / self.worst.accepted).argmax())
        gap, u, accepted = (
            float(values[at]) for values in (self.gap_mm, self.u_mm, self.worst.accepted)
        )
        within = float(abs(gap) <= accepted)
        if u > 0:
            within = quantiles.normal_probability((accepted - gap) / u)
            within -= quantiles.normal_probability((-accepted - gap) / u)
        return LinearSum(self.worst.assembly.joints[at], gap, float(expanded[at]), within)

    def signs(self) -> Array:
        """(ways, stops): the signs that open some joint most, each once, and their opposites."""
        signs = np.unique(np.where(self.by_stop < 0, -1.0, 1.0), axis=0)
        return np.unique(np.concatenate([signs, -signs]), axis=0)


def _linear(worst: _Worst, stops: Sequence[KnownStop]) -> _Linear:
    """Slopes by central differences about the estimates (JCGM 100, 5.1.3, note 2); the error of a
    stop is the same for all of its cuts, their scatter is not."""
    assembly, of_cuts = worst.assembly, worst.of_cuts
    c, p = of_cuts.size, len(assembly.cut_to)
    error = np.array([stop.mean_rad for stop in stops])[of_cuts]
    moves = np.concatenate([np.zeros((1, c + p)), _STEP * np.eye(c + p), -_STEP * np.eye(c + p)])
    at = assembly.signed(error + moves[:, :c], moves[:, c:])
    slopes = ((at[1 : 1 + c + p] - at[1 + c + p :]) / (2 * _STEP)).T
    of_stop = np.equal.outer(of_cuts, np.arange(len(stops))).astype(float)
    by_stop = slopes[:, :c] @ of_stop
    u, sd = (np.array([getattr(stop, name) for stop in stops]) for name in ("u", "cut_sd"))
    lengths = [0.0 if stop.length is None else stop.length.sd_mm for stop in stops]
    of_lengths = np.array(lengths)[np.array(assembly.cut_to, int)]
    variance = (
        (by_stop**2) @ u**2
        + (slopes[:, :c] ** 2) @ sd[of_cuts] ** 2
        + (slopes[:, c:] ** 2) @ of_lengths**2
    )
    return _Linear(worst, at[0], np.sqrt(variance), by_stop)
