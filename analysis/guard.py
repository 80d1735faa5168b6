"""Whether a reading, as it comes in, can hardly be right: asked while the strip is in the hand.

What the place should read is expected from the same strip's other readings, else from the strips
before it. A mistake is suspected where the reading, put right, fits that far better than as it was
sent, or where it lies outside of all that machine and board allow. An honest reading wrongly asked
costs one more press; a wrong one let through costs a wrong score.

The rates are those of `benchmarks.truth.guard`; the figures below are chosen by them (own
simulation) unless they say otherwise.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal, NamedTuple

from analysis.methods import Method, Quantity
from analysis.uncertainty import HAND_BOUND_MM
from analysis.units import MM_PER_INCH, NM_PER_MM, NM_PER_UNIT, Unit, unit_text

Kind = Literal[
    "factor 10",
    "factor 25.4",
    "factor 100",
    "first digit lost",
    "last digit lost",
    "far off",
    "long ago",
]
Beside = Literal["strips", "other end", "same end", "stated size", "digits", "time"]
"""What a reading is compared with: the strips before; what was read of this strip at another place,
or at the same; the block's stated size; the digits that the caliper sends; the last press."""

CHANGED: Final[dict[int, str]] = {
    1: "A reading that can hardly be right is asked about as it comes in.",
}
"""What each number of the rules changed, as a person reads it. A change of the rule adds a number
here."""
GUARD_RULES: Final = max(CHANGED)

LONG_AGO_S: Final = 12 * 3600
"""A series that heard nothing for so many seconds is not fed without a question."""

# Degrees out of square, as tangents; each common practice, no source. What a machine may show at
# most; what it usually shows in its first strip; how trials of one series scatter.
_LARGEST: Final = math.tan(math.radians(3))
_FIRST: Final = math.tan(math.radians(0.3))
_SCATTER: Final = math.tan(math.radians(0.1))
# In mm: rough faces and a hand that reads them; strips of which it is not known yet whether they
# are cut to a stop; parts cut to one.
_UNEVEN_MM: Final = 0.1
_STRIPS_MM: Final = 1.0
_PARTS_MM: Final = 0.3
# How much better a reading must fit when it is put right.
_BETTER: Final = 50.0
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
# The share of strips that are unlike those before: like the latest one alone, of another width,
# cut at another angle.
_AS_LATEST: Final = 0.1
_OTHER_WIDTH: Final = 0.3
_OTHER_PART: Final = 0.1
_OTHER_ANGLE: Final = 0.03
# Later strips alone say what is usual, and a press costs the same after forty strips.
_LOOK_BACK: Final = 12


class Sent(NamedTuple):
    """A reading as it was sent: its exact length, the line, its unit."""

    nm: int
    sent: str
    unit: Unit


Read = Sequence[Sequence[int]]
"""What was read of one strip, in nanometres: for each place, as the method counts them, those of
its repeats that were read."""


@dataclass(frozen=True, slots=True)
class Question:
    """Why a reading waits. near_nm: what it should be near; None where its form or its moment is
    asked about. rules: the number of the rules by which it is asked."""

    kind: Kind
    near_nm: int | None = None
    beside: Beside = "strips"
    rules: int = GUARD_RULES


class _Peak(NamedTuple):
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


class _Expected(NamedTuple):
    """What a place should read. usual: of the peaks, those that strips before it make; from `n` of
    these on, what is far from all of them is far off. most: so far it may be from `start`."""

    beside: Beside
    peaks: tuple[_Peak, ...]
    usual: int
    n: int
    start: float = 0.0
    most: float = math.inf
    thin: float = -math.inf
    likely: float = _LIKELY_ALONE

    def density(self, value: float) -> float:
        return sum(peak.density(value) for peak in self.peaks)

    def as_sent(self, value: float) -> float | None:
        """The density of an honest reading; None where it is so likely that it needs no mistake."""
        if min(value, self.start) < self.thin:
            return _SO_THIN * self.density(value)
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


@dataclass(frozen=True)
class Guard:
    """The rule for the readings of one series.

    The fields are those of `SeriesFacts`. usual: by quantity, how far from square the machine's own
    earlier series were, in radians; empty where there are none.
    """

    method: Method
    baseline_mm: float | None = None
    thickness_mm: float | None = None
    pieces: int | None = None
    usual: Mapping[Quantity, float] = field(default_factory=dict)

    def question(
        self,
        place: int,
        reading: Sent,
        strip: Read,
        earlier: Sequence[Read],
        lines: Sequence[str] = (),
    ) -> Question | None:
        """What to ask about a reading of `place`, None where it may be right.

        strip: what was read of its strip before it; empty for nothing. earlier: the complete trials
        of the series that count, in order. lines: what the same caliper sent before in the same
        unit, of this series or also before it; empty where the reading was typed or loaded.
        """
        if last_digit_lost(reading.sent, lines):
            return Question("last digit lost", None, "digits")
        expected = self._expected(place, strip, earlier[-_LOOK_BACK:])
        if expected is None:
            return None
        value = reading.nm / NM_PER_MM
        kind, near = _mistake(value, reading.unit, expected) or (None, 0.0)
        if kind is None and expected.far(value):
            kind, near = "far off", expected.peaks[0].at
        if kind is None:
            return None
        return Question(kind, round(near * NM_PER_MM), expected.beside)

    def _expected(self, place: int, strip: Read, earlier: Sequence[Read]) -> _Expected | None:
        if self.method.judges != "machine":
            return self._of_a_block(earlier)
        if strip and strip[place]:
            again = _Peak(_mean(strip[place]), 2 * _UNEVEN_MM, 2, 1.0)
            return _Expected("same end", (again,), 1, _FEWEST_FAR)
        others = [other for other, read in enumerate(strip) if read]
        if others:
            other = min(others, key=lambda each: self._reach(place, each, _LARGEST))
            return self._beside_the_other(place, other, strip, earlier)
        return self._after_strips([_mean(each[place]) for each in earlier if each[place]])

    def _of_a_block(self, earlier: Sequence[Read]) -> _Expected | None:
        """Where sizes are not said, one block may well be ten times as long as the one before."""
        size = self.baseline_mm if self.method.judges == "caliper" else None
        if size is None or any(abs(_mean(trial[0]) - size) > 1 for trial in earlier if trial[0]):
            return None
        return _Expected("stated size", (_Peak(size, _PARTS_MM, 2, 1.0),), 1, _FEWEST_FAR)

    def _after_strips(self, before: Sequence[float]) -> _Expected | None:
        if not before:
            return None
        alone = len(self.method.places) == 1
        scale = math.hypot(self._gain("angle") * _SCATTER, _PARTS_MM) if alone else _STRIPS_MM
        usual = _like(before, scale, 2 if alone else 1)
        middle = usual[0].at
        share = _OTHER_PART if alone else _OTHER_WIDTH
        other = _Peak(middle, max(abs(middle), 10 * scale), 1, share)
        # Strips are wide or narrow as they fell; parts are cut to one stop.
        return _Expected("strips", (*usual, other), 2, len(before) if alone else 0)

    def _beside_the_other(
        self, place: int, other: int, strip: Read, earlier: Sequence[Read]
    ) -> _Expected:
        here = _mean(strip[other])
        first = self._reach(place, other, _FIRST, self.usual)
        any_angle = _Peak(here, math.hypot(first, 2 * _UNEVEN_MM), 2, 1.0)
        most = self._reach(place, other, _LARGEST) + 5 * _UNEVEN_MM
        thin, likely = self._thin(earlier), _LIKELY if self.method.closed_jaws else _LIKELY_ALONE
        differ = [_mean(t[place]) - _mean(t[other]) for t in earlier if t[place] and t[other]]
        if not differ:
            return _Expected("other end", (any_angle,), 0, 0, here, most, thin, likely)
        scale = math.hypot(self._reach(place, other, _SCATTER), _UNEVEN_MM)
        usual = [peak._replace(at=here + peak.at) for peak in _like(differ, scale, 3)]
        peaks = (*usual, any_angle._replace(share=_OTHER_ANGLE))
        return _Expected("other end", peaks, 2, len(differ), here, most, thin, likely)

    def _thin(self, earlier: Sequence[Read]) -> float:
        """What no reading of a strip is below, half of the thinnest where strips are that thin."""
        if not self.method.closed_jaws:
            return -math.inf
        thinnest = min((min(read) for trial in earlier for read in trial if read), default=math.inf)
        return min(_THIN_MM, thinnest / NM_PER_MM / 2)

    def _reach(
        self, place: int, other: int, slope: float, usual: Mapping[Quantity, float] | None = None
    ) -> float:
        """How far two places of a strip differ where the machine is out by `slope`, or as usual."""
        one, two = self.method.places[place], self.method.places[other]
        apart: tuple[tuple[Quantity, float], ...] = (
            ("angle", abs(one.along - two.along)),
            ("tilt", abs(one.up - two.up)),
        )
        usual = usual or {}
        return sum(share * self._gain(q) * usual.get(q, slope) for q, share in apart)

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


def last_digit_lost(sent: str, lines: Sequence[str]) -> bool:
    """Whether `sent` has fewer decimals than any of `lines`, earlier ones of the same caliper.

    A caliper that leaves out zeros at the end is asked about once, while none of its lines is known
    that had fewer decimals than another.
    """
    if not lines:
        return False
    fewest = min(_decimals(line) for line in lines)
    return _decimals(sent) < fewest


def same_again(before_nm: int, nm: int, count_nm: int) -> bool:
    """Whether two presses read the same size, so that the second one confirms the first.

    Within three standard deviations of the difference of two readings by the worst hand, and a
    count. More would not matter: what is kept is the second press, which differs by no more.
    """
    bound = 3 * math.sqrt(2) * HAND_BOUND_MM * NM_PER_MM + count_nm
    return abs(nm - before_nm) <= bound


def sentence(
    question: Question, reading: Sent, method: Method, place: int, asked_s: float = 0.0
) -> str:
    """What the page says while the reading waits: what is odd, and what to do.

    place: which place of the method it was sent for. asked_s: for `long ago`, the seconds since the
    last reading of the series.
    """
    said = reading.sent.strip()
    if question.kind == "long ago":
        hours = round(asked_s / 3600)
        return (
            f"{said} comes {hours} hours after the last reading of this series: go on with it, or "
            "begin a new one?"
        )
    if question.near_nm is None:
        return f"{said}? This caliper has sent more decimals until now. Measure it again."
    near = unit_text(_rounded(question.near_nm, reading.unit), reading.unit)
    if question.beside == "strips":
        return f"{said}? The last {method.noun}s were near {near}. Measure it again."
    if question.beside == "stated size":
        return f"{said}? The block is {near} {reading.unit}. Measure it again."
    where = method.places[place].label
    if question.beside == "same end":
        compared = f"{said}? The reading before at this place, {where}, was near {near}."
    else:
        compared = f"{said}? By what this {method.noun} read before, {where} is near {near}."
    undo = "close the jaws twice" if method.closed_jaws else "take both back"
    return (
        f"{compared} Measure it again; if the one before was wrong, {undo} and measure both again."
    )


def _rounded(nm: int, unit: Unit) -> int:
    """To a tenth of a millimetre or a hundredth of an inch: what a reading is near."""
    step = 100_000 if unit == "mm" else 254_000
    return round(nm / step) * step


def _decimals(line: str) -> int:
    found = _DECIMALS.search(line)
    return len(found[1]) if found else 0


_DECIMALS: Final = re.compile(r"[.,]([0-9]+)", re.ASCII)


def _mean(read: Sequence[int]) -> float:
    return sum(read) / len(read) / NM_PER_MM


def _like(before: Sequence[float], scale: float, df: int) -> tuple[_Peak, _Peak]:
    """What follows these: most are like the middle one, some like the latest.

    scale, df: how far they scatter before that is seen, and how many of them that is worth.
    """
    n = len(before)
    middle = _median(before)
    spread = 1.4826 * _median([abs(each - middle) for each in before])
    seen = math.sqrt((df * scale * scale + (n - 1) * spread * spread) / (df + n - 1))
    return (
        _Peak(middle, seen * math.sqrt(1 + 1 / n), df + n - 1, 1 - _AS_LATEST),
        _Peak(before[-1], seen * math.sqrt(2), df + n - 1, _AS_LATEST),
    )


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    n = len(ordered)
    return ordered[n // 2] if n % 2 else (ordered[n // 2 - 1] + ordered[n // 2]) / 2


def _mistake(value: float, unit: Unit, expected: _Expected) -> tuple[Kind, float] | None:
    """The mistake that explains a reading far better than none does, and the value without it."""
    as_sent = expected.as_sent(value)
    if as_sent is None:
        return None
    best: tuple[float, Kind, float] | None = None
    for kind, right, change in _put_right(value, unit, expected):
        fits = expected.density(right) * change
        if best is None or fits > best[0]:
            best = fits, kind, right
    if best is None or best[0] < _BETTER * as_sent:
        return None
    return best[1], best[2]


def _put_right(
    value: float, unit: Unit, expected: _Expected
) -> Iterator[tuple[Kind, float, float]]:
    """The values that a mistake may have made `value`, with what one mm of `value` is of each."""
    for kind, factor in _FACTORS:
        yield kind, value / factor, 1 / factor
        yield kind, value * factor, factor
    one = NM_PER_UNIT[unit] / NM_PER_MM
    for digit in (one, 10 * one, 100 * one):
        if 0 <= value < digit:
            for peak in expected.peaks[: max(expected.usual, 1)]:
                lost = round((peak.at - value) / digit)
                if 1 <= lost <= 9:
                    yield "first digit lost", value + lost * digit, 1.0


_FACTORS: Final[tuple[tuple[Kind, float], ...]] = (
    ("factor 10", 10.0),
    ("factor 25.4", MM_PER_INCH),
    ("factor 100", 100.0),
)
