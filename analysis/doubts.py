"""Finds doubtful trials. Results are shown with and without them; they are never dropped.

Each doubt is a question to the person at the saw, not a verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.conversions import SizeUnit, size_text
from analysis.spread import summary
from analysis.uncertainty import REPEATABILITY_MM
from analysis.units import MM_PER_INCH

Array = NDArray[np.float64]
Kind = Literal["ends swapped", "unit slip", "shifted pairing", "outlier", "wrong turn"]

# Two ends of one strip differ by far less than this; strips of one series may differ more.
_WITHIN_STRIP: Final = 1.25
_BETWEEN_STRIPS: Final = 3.0
# Gaps and dial readings near zero may differ by any factor without a wrong unit.
_SMALLEST: Final = 10.0
# With the right pairing the deviations scatter less by at least this factor.
_BETTER_PAIRED: Final = 3.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is doubtful, in which trials (numbered from 1), and what it would change.

    mean_with and mean_without: mean of the values of all trials, and without the
    doubtful ones; None where none are left. In the unit of the values given.
    """

    kind: Kind
    trial_numbers: tuple[int, ...]
    sentence: str
    mean_with: float | None
    mean_without: float | None


def find_doubts(
    widths_mm: ArrayLike,
    *,
    swap: Sequence[int] | None = None,
    values: ArrayLike | None = None,
    unit: SizeUnit = "mm",
    reading_sd_mm: float = REPEATABILITY_MM,
    elsewhere: float | None = None,
    numbers: Sequence[int] | None = None,
) -> tuple[Doubt, ...]:
    """Everything doubtful about the trials of one series, the most serious first.

    widths_mm: (trials, places), or (trials, places, repeats) whose repeats are averaged, in
    order of cutting; nan = not read. swap: the method's, None where it has no two ends.
    values: (trials,) the result of each trial, in `unit`; without it the deviation in mm, or
    the width where there are no ends. reading_sd_mm: repeatability of one reading; scatter
    below it is never doubted. elsewhere: the value by a square, another method or the previous
    series, in the same unit, None for none. numbers: the trials' own numbers.
    Raises ValueError where the shapes do not fit.

    Rules, s being 1.4826 times the median distance from the median, but at least what the
    reading sd gives a deviation:
    - unit slip: a reading 25.4 times its neighbour's or a 25.4th of it, or all readings of a
      trial compared with most trials, unless that is within 10 reading sds of zero;
    - shifted pairing (two places, read once): from some trial on, deviations scatter at
      least 3 times less when each reading is paired with the next;
    - ends swapped: deviations of one size (within 3 s), more than 4 s from zero, with the
      other sign than most;
    - outlier: Grubbs' two-sided test at 5 % (NIST e-Handbook 1.3.5.17.1) from three trials
      on, if the trial also lies more than 4 s from the median of the others;
    - wrong turn: nothing but values near zero, or the right size with the other sign, where
      `elsewhere` says otherwise.
    """
    w = np.asarray(widths_mm, float)
    if w.ndim == 3:
        read = np.isfinite(w)
        count = read.sum(axis=2)
        w = np.where(count > 0, np.where(read, w, 0).sum(axis=2) / np.maximum(count, 1), np.nan)
    w = np.where(np.isfinite(w), w, np.nan)
    if w.ndim != 2:
        raise ValueError("widths: give them as trials by places")
    n, places = w.shape
    if swap is not None and len(swap) != places:
        raise ValueError(f"swap: it names {len(swap)} places, the widths have {places}")
    names = list(range(1, n + 1)) if numbers is None else list(numbers)
    deviation, noise = _deviations(w, swap, reading_sd_mm)
    what = deviation if values is None else np.asarray(values, float).ravel()
    if what.size != n or len(names) != n:
        raise ValueError(f"values and numbers: give one for each of the {n} trials")
    series = _Series(w, deviation, what, noise, reading_sd_mm, unit, names)
    slips = _unit_slips(series)
    slipped = {i for doubt, rows in slips for i in rows}
    series.usable[list(slipped)] = False
    found = [doubt for doubt, _ in slips]
    shifted = _shifted(series) if swap is not None and places == 2 and not slipped else None
    if shifted is not None:
        # Every deviation after a lost reading is wrong: other doubts would have the same cause.
        return (*found, shifted)
    swapped, rows = _swapped(series) if swap is not None else (None, ())
    if swapped is not None:
        found.append(swapped)
        series.usable[list(rows)] = False
    outlier = _outlier(series)
    if outlier is not None:
        found.append(outlier)
    if elsewhere is not None:
        turned = _wrong_turn(series, elsewhere)
        if turned is not None:
            found.append(turned)
    return tuple(found)


def grubbs_limit(n: int, alpha: float = 0.05) -> float:
    """Critical value of Grubbs' two-sided test (NIST e-Handbook 1.3.5.17.1); n >= 3.

    G = max|x - mean| / s against (n-1)/sqrt(n) sqrt(t^2 / (n - 2 + t^2)), t the upper
    alpha/(2n) point of Student's t with n - 2 degrees of freedom.
    Raises ValueError for n < 3.
    """
    if n < 3:
        raise ValueError("trials: an outlier among fewer than three cannot be named")
    t2 = quantiles.student_t(1 - alpha / (2 * n), n - 2) ** 2
    return (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))


@dataclass(slots=True)
class _Series:
    widths: Array
    deviation: Array
    values: Array
    noise: float
    reading_sd: float
    unit: SizeUnit
    numbers: list[int]
    usable: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.usable = np.isfinite(self.deviation) & np.isfinite(self.values)

    def doubt(self, kind: Kind, rows: Sequence[int], sentence: str) -> Doubt:
        kept = np.ones(self.values.size, bool)
        kept[list(rows)] = False
        return Doubt(
            kind,
            tuple(self.numbers[i] for i in rows),
            sentence,
            summary(self.values).mean,
            summary(self.values[kept]).mean,
        )

    def named(self, rows: Sequence[int]) -> str:
        numbers = [str(self.numbers[i]) for i in rows]
        if len(numbers) == 1:
            return f"Trial {numbers[0]}"
        return f"Trials {', '.join(numbers[:-1])} and {numbers[-1]}"


def _deviations(w: Array, swap: Sequence[int] | None, reading_sd: float) -> tuple[Array, float]:
    """The difference of the ends (or the mean width, without ends) and its standard deviation."""
    places = w.shape[1]
    if swap is None:
        if places == 2:
            return w[:, 1] - w[:, 0], reading_sd * math.sqrt(2)
        return w.mean(axis=1), reading_sd / math.sqrt(max(places, 1))
    plus = [i for i, j in enumerate(swap) if j < i]
    minus = [swap[i] for i in plus]
    half = max(len(plus), 1)
    difference = (w[:, plus].sum(axis=1) - w[:, minus].sum(axis=1)) / half
    return difference, reading_sd * math.sqrt(2 / half)


def _scatter(x: Array, noise: float) -> float:
    return max(1.4826 * float(np.median(np.abs(x - np.median(x)))), noise)


def _unit_slips(series: _Series) -> list[tuple[Doubt, tuple[int, ...]]]:
    size = np.abs(series.widths)
    found: list[tuple[Doubt, tuple[int, ...]]] = []
    usable = np.where(size >= _SMALLEST * series.reading_sd, size, np.nan)
    typical = _rowwise_median(usable)
    for i in range(size.shape[0]):
        row = usable[i]
        row = row[np.isfinite(row)]
        if row.size >= 2 and _slip(float(row.max() / row.min()), _WITHIN_STRIP):
            sentence = (
                f"{series.named([i])} mixes {size_text(float(row.min()), 'mm')} and "
                f"{size_text(float(row.max()), 'mm')}, 25.4 times as much: was one read in "
                "inches, the other in mm?"
            )
            found.append((series.doubt("unit slip", [i], sentence), (i,)))
            typical[i] = np.nan
    whole = _slipped_strips(typical)
    if whole:
        sentence = (
            f"{series.named(whole)}: the size is about 25.4 times, or a 25.4th of, the others': "
            "was the caliper switched between inches and mm?"
        )
        found.append((series.doubt("unit slip", whole, sentence), tuple(whole)))
    return found


def _slipped_strips(typical: Array) -> list[int]:
    """The strips whose size differs from most others by the factor of the units; of two equal
    halves, the one without the first strip. Fewer than three strips have no majority."""
    at = np.flatnonzero(np.isfinite(typical))
    if at.size < 3:
        return []
    ratio = typical[at][:, np.newaxis] / typical[at]
    ratio = np.maximum(ratio, 1 / ratio)
    other_unit = (ratio >= MM_PER_INCH / _BETWEEN_STRIPS) & (ratio <= MM_PER_INCH * _BETWEEN_STRIPS)
    unlike = other_unit.sum(axis=1)
    odd = 2 * unlike > at.size
    if not odd.any() and np.all(2 * unlike == at.size):
        odd = other_unit[0]
    return [] if odd.all() else [int(i) for i in at[odd]]


def _rowwise_median(rows: Array) -> Array:
    return np.array(
        [float(np.median(r[np.isfinite(r)])) if np.isfinite(r).any() else math.nan for r in rows]
    )


def _slip(ratio: float, slack: float) -> bool:
    return MM_PER_INCH / slack <= ratio <= MM_PER_INCH * slack


def _shifted(series: _Series) -> Doubt | None:
    w = series.widths
    n = w.shape[0]
    if n < 4 or not np.isfinite(w).all():
        return None
    flat = w.ravel()
    as_paired = flat[1::2] - flat[::2]
    pushed = flat[2::2] - flat[1:-1:2]
    now = max(float(np.std(as_paired, ddof=1)), series.noise)
    best, at = math.inf, 0
    # From trial j on each reading is paired with the one after it; the last one has no partner.
    for j in range(n - 2):
        repaired = np.concatenate([as_paired[:j], pushed[j:]])
        spread = max(float(np.std(repaired, ddof=1)), series.noise)
        if spread < best:
            best, at = spread, j
    if now < _BETTER_PAIRED * best:
        return None
    rows = list(range(at, n))
    sentence = (
        f"{series.named([at])} and those after it match far better when each reading is paired "
        "with the next strip's: was a reading lost, or one sent twice, at that trial?"
    )
    return series.doubt("shifted pairing", rows, sentence)


def _swapped(series: _Series) -> tuple[Doubt | None, tuple[int, ...]]:
    at = np.flatnonzero(series.usable)
    d = series.deviation[at]
    if at.size < 2:
        return None, ()
    size = np.abs(d)
    s = _scatter(size, series.noise)
    typical = float(np.median(size))
    alike = np.abs(size - typical) <= 3 * s
    if typical <= 4 * s or not alike.any():
        return None, ()
    up, down = at[alike & (d > 0)], at[alike & (d < 0)]
    if up.size == 0 or down.size == 0:
        return None, ()
    size_words = size_text(typical, "mm")
    if up.size == down.size:
        rows = tuple(sorted([*up.tolist(), *down.tolist()]))
        sentence = (
            f"{series.named(rows)} differ by about {size_words}, half of them one way and half "
            "the other: in some the fence end and the open end are mixed up."
        )
        return series.doubt("ends swapped", rows, sentence), rows
    few = down if down.size < up.size else up
    rows = tuple(few.tolist())
    sentence = (
        f"{series.named(rows)}: the same size as the others, about {size_words}, with the other "
        "sign: were the fence end and the open end mixed up?"
    )
    return series.doubt("ends swapped", rows, sentence), rows


def _outlier(series: _Series) -> Doubt | None:
    at = np.flatnonzero(series.usable)
    if at.size < 3:
        return None
    d = series.deviation[at]
    s = summary(d)
    if s.mean is None or not s.sd:
        return None
    far = int(np.argmax(np.abs(d - s.mean)))
    others = np.delete(d, far)
    distance = abs(float(d[far]) - float(np.median(others)))
    if abs(float(d[far]) - s.mean) / s.sd <= grubbs_limit(at.size):
        return None
    if distance <= 4 * _scatter(others, series.noise):
        return None
    row = int(at[far])
    sentence = (
        f"{series.named([row])} lies {size_text(distance, 'mm')} from the others, more than "
        "their scatter explains (Grubbs' test): read the strip again, and look for dust or a "
        "slip of the board."
    )
    return series.doubt("outlier", [row], sentence)


def _wrong_turn(series: _Series, elsewhere: float) -> Doubt | None:
    at = np.flatnonzero(series.usable)
    if at.size < 3:
        return None
    d, v = series.deviation[at], series.values[at]
    mean, typical = float(v.mean()), float(np.median(np.abs(d)))
    scatter = max(float(v.std(ddof=1)), 1e-12 * abs(elsewhere))
    said, seen = (size_text(x, series.unit) for x in (elsewhere, mean))
    near_zero = bool(np.all(np.abs(d) <= 3 * series.noise))
    if near_zero and abs(elsewhere) > 4 * max(abs(mean), scatter):
        sentence = (
            f"Every trial reads near zero ({seen}), where {said} was found otherwise: which "
            "edge lay on the fence at the second cut? With the board turned half around "
            "instead of over on the same edge, the strip shows nothing."
        )
        return series.doubt("wrong turn", at.tolist(), sentence)
    same_size = abs(abs(mean) - abs(elsewhere)) <= max(3 * scatter, 0.25 * abs(elsewhere))
    if same_size and mean * elsewhere < 0 and typical > 4 * series.noise:
        sentence = (
            f"The size, {seen}, is that found otherwise, with the other sign: on which side of "
            "the blade did the strip fall, and was the board turned over on the same edge?"
        )
        return series.doubt("wrong turn", at.tolist(), sentence)
    return None
