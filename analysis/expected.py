"""What a place of a strip should read, from its other readings and from the strips before it.

The figures below are chosen by `benchmarks.truth.guard` (own simulation) unless they say otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal, NamedTuple

from analysis.methods import Method, Quantity
from analysis.units import NM_PER_MM

Beside = Literal["strips", "other end", "same end", "stated size", "digits", "time"]
"""What a reading is compared with: the strips before; what was read of this strip at another place,
or at the same; the block's stated size; the digits that the caliper sends; the last press."""

Read = Sequence[Sequence[int]]
"""What was read of one strip, in nanometres: for each place, as the method counts them, those of
its repeats that were read."""


# Degrees out of square, as tangents; each common practice, no source. What a machine may show at
# most; what it usually shows in its first strip; by how much it may have moved since it was
# measured; how single cuts of one series scatter.
_LARGEST: Final = math.tan(math.radians(3))
_FIRST: Final = math.tan(math.radians(0.3))
_MOVED: Final = math.tan(math.radians(0.1))
# One that was far out may be so much further out now.
_MORE: Final = 1.5
_SCATTER: Final = math.tan(math.radians(0.13))
# In mm: rough faces and a hand that reads them; strips of which it is not known yet whether they
# are cut to a stop; parts cut to one; a caliper's offset on a block.
_UNEVEN_MM: Final = 0.1
_STRIPS_MM: Final = 1.0
_PARTS_MM: Final = 0.3
_BLOCK_MM: Final = 0.05
# How much better a reading must fit when it is put right; where the other end will say more; in
# the first strip of a machine that may be out by more than most are.
_BETTER: Final = 20.0
_BETTER_ALONE: Final = 200.0
_BETTER_NEW: Final = 60.0
# A reading more likely than this, as a share of the most likely one, needs no mistake: beside the
# other end of a strip; and where the other end will say more, or sizes are near zero.
_LIKELY: Final = 0.3
_LIKELY_ALONE: Final = 0.01
# Nobody cuts strips so thin (common practice, no source), and how seldom one ends so.
_THIN_MM: Final = 2.0
_SO_THIN: Final = 0.05
# A value's density, as a share of the most likely one's, below which it is far off.
_FAR: Final = 1e-5
_FEWEST_FAR: Final = 3
# The share of strips that are unlike those before: like the latest one alone, of another width
# (after one strip, and after more), cut at another angle.
_AS_LATEST: Final = 0.1
_SECOND_WIDTH: Final = 0.65
_OTHER_WIDTH: Final = 0.3
_OTHER_PART: Final = 0.1
_OTHER_ANGLE: Final = 0.03
# How many trials what is usual from trial to trial is worth, of two places of a strip.
_PAIR_DF: Final = 3
# Two readings of one place that are farther apart are not both right (common practice, no source).
_AGAIN_MM: Final = 1.5
# Later strips alone say what is usual, and a press costs the same after forty strips.
LOOK_BACK: Final = 12


class Peak(NamedTuple):
    """Student's t about a value, in mm, with the share of readings that are of this kind."""

    at: float
    scale: float
    df: float
    share: float

    def density(self, value: float) -> float:
        return self.share * self.relative(value) / self.scale

    def relative(self, value: float) -> float:
        t = (value - self.at) / self.scale
        return float((1 + t * t / self.df) ** (-(self.df + 1) / 2))


class Expected(NamedTuple):
    """What a place should read. usual: of the peaks, those that strips before it make; from `n` of
    these on, what is far from all of them is far off. most: so far it may be from `start`.
    other: what one press read at the other place, from which all peaks are counted."""

    beside: Beside
    peaks: tuple[Peak, ...]
    usual: int
    n: int
    start: float = math.inf
    most: float = math.inf
    thin: float = -math.inf
    likely: float = _LIKELY_ALONE
    better: float = _BETTER
    other: float | None = None

    def density(self, value: float) -> float:
        return sum(peak.density(value) for peak in self.peaks)

    def as_sent(self, value: float) -> float | None:
        """The density of an honest reading; None where it is so likely that it needs no mistake."""
        thinnest = min(value, self.start)
        if thinnest < self.thin:
            return _SO_THIN * max(thinnest / self.thin, 0.0) ** 2 * self.density(value)
        main = self.peaks[: max(self.usual, 1)]
        if any(peak.relative(value) > self.likely for peak in main):
            return None
        return self.density(value)

    def far(self, value: float) -> bool:
        unusual = all(peak.relative(value) < _FAR for peak in self.peaks[: self.usual])
        if abs(value - self.start) > self.most:
            near = self.n and min(abs(value - p.at) for p in self.peaks[: self.usual])
            return not self.n or near > self.most / 2
        return self.n >= _FEWEST_FAR and unusual


class _Between(NamedTuple):
    """Of two places of a strip, in mm: how far they differ at most, in the first strip, and from
    trial to trial; by the number of trials, how near the latest needs no more thought."""

    most: float
    first: float
    scale: float
    near: tuple[float, ...]


@dataclass(frozen=True)
class Places:
    """The places of one series' strips or parts.

    The fields are those of `SeriesFacts`. usual: by quantity, how far from the stop its own
    earlier series were, in radians; empty where there are none. wedge_mm: how much more the open
    end reads than the fence end because of the stop's nominal angle.
    """

    method: Method
    baseline_mm: float | None = None
    thickness_mm: float | None = None
    pieces: int | None = None
    usual: Mapping[Quantity, float] = field(default_factory=dict)
    wedge_mm: float = 0.0

    def expected(
        self, place: int, value: float, strip: Read, earlier: Sequence[Read]
    ) -> Expected | None:
        """None where nothing is known, or `value` may be right at first sight.

        strip: what was read of it; empty for nothing. earlier: the latest trials that are complete,
        `LOOK_BACK` at most.
        """
        if self.method.judges != "machine":
            return self._of_a_block(earlier)
        if strip:
            if strip[place]:
                before = _mean(strip[place])
                if abs(value - before) <= _AGAIN_MM:
                    return None
                again = Peak(before, 2 * _UNEVEN_MM, 2, 1.0)
                return Expected("same end", (again,), 1, 0, before, _AGAIN_MM)
            for other, between in self._nearest[place]:
                if strip[other]:
                    return self._beside_the_other(place, other, between, value, strip, earlier)
        if len(self.method.places) == 1:
            return self._after_parts(value, earlier)
        return self._after_strips(place, value, earlier)

    def _of_a_block(self, earlier: Sequence[Read]) -> Expected | None:
        """Where sizes are not said, one block may well be ten times as long as the one before."""
        size = self.baseline_mm if self.method.judges == "caliper" else None
        if size is None or any(abs(_mean(trial[0]) - size) > 1 for trial in earlier):
            return None
        return Expected("stated size", (Peak(size, _BLOCK_MM, 2, 1.0),), 1, _FEWEST_FAR)

    def _after_strips(self, place: int, value: float, earlier: Sequence[Read]) -> Expected | None:
        """Strips are wide or narrow as they fell, and the other end will say more."""
        if not earlier:
            return None
        if value >= _THIN_MM and abs(value - _mean(earlier[-1][place])) <= _STRIPS_MM:
            return None
        before = [_mean(each[place]) for each in earlier]
        thin = self._thin(earlier) if value < _THIN_MM else -math.inf
        if thin < value and min(before) - _STRIPS_MM <= value <= max(before) + _STRIPS_MM:
            return None
        usual = _like(before, _STRIPS_MM, 1)
        middle = abs(usual[0].at)
        share = _OTHER_WIDTH if len(before) > 1 else _SECOND_WIDTH
        other = Peak(middle, max(middle, 10 * _STRIPS_MM), 1, share)
        return Expected("strips", (*usual, other), 2, 0, thin=thin, better=_BETTER_ALONE)

    def _after_parts(self, value: float, earlier: Sequence[Read]) -> Expected | None:
        """Parts are cut to one stop."""
        scale, near = self._parts
        n = len(earlier)
        if not earlier or abs(value - _mean(earlier[-1][0])) <= near[n]:
            return None
        before = [_mean(each[0]) for each in earlier]
        usual = _like(before, scale, 2)
        middle = usual[0].at
        other = Peak(middle, max(abs(middle), 10 * scale), 1, _OTHER_PART)
        return Expected("strips", (*usual, other), 2, n)

    def _beside_the_other(
        self, place: int, other: int, between: _Between, value: float, strip: Read,
        earlier: Sequence[Read],
    ) -> Expected | None:  # fmt: skip
        here = _mean(strip[other])
        low, n = min(value, here), len(earlier)
        places = self.method.places
        start = here + self.wedge_mm * (places[place].along - places[other].along)
        if (
            earlier
            and low >= _THIN_MM
            and abs(value - start) <= between.most
            and abs(value - here - _difference(earlier[-1], place, other)) <= between.near[n]
        ):
            return None
        # Near zero a size may well be ten times as large as another.
        alone = here if len(strip[other]) == 1 and self.method.closed_jaws else None
        any_angle = Peak(start, math.hypot(between.first, 2 * _UNEVEN_MM), 2, 1.0)
        thin = self._thin(earlier) if low < _THIN_MM else -math.inf
        first = Expected(
            "other end", (any_angle,), 0, 0, start, between.most, thin, self._likely,
            _BETTER if self.usual else _BETTER_NEW, alone,
        )  # fmt: skip
        if not earlier:
            return first
        differ = [_difference(each, place, other) for each in earlier]
        usual = [p._replace(at=here + p.at) for p in _like(differ, between.scale, _PAIR_DF)]
        peaks = (*usual, any_angle._replace(share=_OTHER_ANGLE))
        return first._replace(peaks=peaks, usual=2, n=n, better=_BETTER)

    def _thin(self, earlier: Sequence[Read]) -> float:
        """What no reading of a strip is below, half of the thinnest where strips are that thin."""
        if not self.method.closed_jaws:
            return -math.inf
        thinnest = min((min(read) for trial in earlier for read in trial), default=math.inf)
        thin = min(_THIN_MM, thinnest / NM_PER_MM / 2)
        return thin if thin > 0 else -math.inf

    @cached_property
    def _likely(self) -> float:
        return _LIKELY if self.method.closed_jaws else _LIKELY_ALONE

    @cached_property
    def _scatter(self) -> float:
        """Of trials, which average cuts."""
        return _SCATTER * math.sqrt(self.method.cut_share(self.pieces))

    @cached_property
    def _parts(self) -> tuple[float, tuple[float, ...]]:
        """How far parts scatter, and how near the latest needs no more thought."""
        scale = math.hypot(self._gain("angle") * self._scatter, _PARTS_MM)
        return scale, _near(scale, 2, _LIKELY_ALONE)

    @cached_property
    def _nearest(self) -> tuple[tuple[tuple[int, _Between], ...], ...]:
        """For each place the others, the one that differs least first."""
        all_ = range(len(self.method.places))
        return tuple(
            tuple(
                sorted(
                    ((other, self._between(place, other)) for other in all_ if other != place),
                    key=lambda each: each[1].most,
                )
            )
            for place in all_
        )

    def _between(self, place: int, other: int) -> _Between:
        if not self._gains:
            # The mean of two sizes, which may be any two.
            scale = _STRIPS_MM
            return _Between(math.inf, 5 * scale, scale, _near(scale, _PAIR_DF, self._likely))
        scale = math.hypot(self._reach(place, other, self._scatter), _UNEVEN_MM)
        usual = {quantity: max(slope, _MOVED) for quantity, slope in self.usual.items()}
        largest = {q: max(slope * _MORE, _LARGEST) for q, slope in self.usual.items()}
        return _Between(
            self._reach(place, other, _LARGEST, largest) + 5 * _UNEVEN_MM,
            self._reach(place, other, _FIRST, usual),
            scale,
            _near(scale, _PAIR_DF, self._likely),
        )

    def _reach(
        self, place: int, other: int, slope: float, usual: Mapping[Quantity, float] | None = None
    ) -> float:
        """How far two places of a strip differ where the machine is out by `slope`, or as usual."""
        one, two = self.method.places[place], self.method.places[other]
        usual = usual or {}
        angle = usual.get("angle", slope) * self._gain("angle") * abs(one.along - two.along)
        return angle + usual.get("tilt", slope) * self._gain("tilt") * abs(one.up - two.up)

    def _gain(self, quantity: Quantity) -> float:
        return self._gains.get(quantity, 0.0)

    @cached_property
    def _gains(self) -> dict[Quantity, float]:
        """By quantity, the whole difference of the readings for a slope of one, in mm."""
        gains: dict[Quantity, float] = {}
        pieces = self.pieces or self.method.pieces or 1
        for relation in self.method.relations:
            base = self.baseline_mm if relation.over == "baseline" else self.thickness_mm
            if relation.over is not None and base is not None:
                times = sum(
                    term.coefficient * term.multiple * (pieces if term.per_piece else 1)
                    for term in relation.terms
                )
                gains[relation.quantity] = times * base
        return gains


def _mean(read: Sequence[int]) -> float:
    return (sum(read) / len(read) if len(read) > 1 else read[0]) / NM_PER_MM


def _difference(trial: Read, place: int, other: int) -> float:
    return _mean(trial[place]) - _mean(trial[other])


def _like(before: Sequence[float], scale: float, df: int) -> tuple[Peak, Peak]:
    """What follows these: most are like the middle one, some like the latest.

    scale, df: how far they scatter before that is seen, and how many of them that is worth.
    """
    n = len(before)
    middle = _median(before)
    spread = 1.4826 * _median([abs(each - middle) for each in before])
    seen = math.sqrt((df * scale * scale + (n - 1) * spread * spread) / (df + n - 1))
    return (
        Peak(middle, seen * math.sqrt(1 + 1 / n), df + n - 1, 1 - _AS_LATEST),
        Peak(before[-1], seen * math.sqrt(2), df + n - 1, _AS_LATEST),
    )


def _near(scale: float, df: int, likely: float) -> tuple[float, ...]:
    """By the number of trials, how near the latest the peak about it is above `likely`, however
    little they scatter: so much of what `_like` gives is known before it is computed."""
    found = [0.0]
    for n in range(1, LOOK_BACK + 1):
        t2 = likely ** (-2 / (df + n)) - 1
        found.append(scale * math.sqrt(2 * df * t2))
    return tuple(found)


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    n = len(ordered)
    return ordered[n // 2] if n % 2 else (ordered[n // 2 - 1] + ordered[n // 2]) / 2
