"""Finds doubtful trials. Results are shown with and without them; they are never dropped.

Each doubt is a question to the person at the saw, not a verdict.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import in_hand, quantiles
from analysis.conversions import SizeUnit, size_measure, size_text
from analysis.in_hand import Now, Strips
from analysis.sentences import capital
from analysis.sequential import FALSE_FINDING
from analysis.shifted_pairing import shifted_from
from analysis.spread import summary
from analysis.uncertainty import REPEATABILITY_MM, rounding
from analysis.units import MM_PER_INCH

Array = NDArray[np.float64]
Kind = Literal[
    "ends swapped", "edges swapped", "unit slip", "shifted pairing", "outlier", "wrong turn"
]

# Two ends of one strip differ by far less than this; strips of one series may differ more.
_WITHIN_STRIP: Final = 1.25
_BETWEEN_STRIPS: Final = 3.0
# Gaps and dial readings near zero may differ by any factor without a wrong unit.
_SMALLEST: Final = 10.0
# Where the jaws stood may be unsaid, on a short strip a tenth of its length closer together.
_WEDGE_KNOWN: Final = 0.1
# Of two strips alone neither is the odd one, and only about that factor is doubted.
_BETWEEN_TWO: Final = 1.5

# A series is looked at after each strip, so each rule passes an honest look more seldom than its
# usual 5 % (`sequential.FALSE_FINDING`); this one compares with a value that all looks share.
_WRONG_TURN_LEVEL: Final = 0.001
# By the number of strips from three on, how far sizes of either sign may scatter, as a share of
# them, to be the same size: strips that scatter about any mean are so alike in one look of a
# thousand (own simulation, 200,000 series, means of 0 to 3 standard deviations).
_ALIKE: Final = (0.032, 0.079, 0.127, 0.173, 0.212, 0.242, 0.266, 0.287, 0.297, 0.303)
_FEWEST_SWAPPED: Final = 3


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """The value by a square, another method or the previous series.

    u: its standard uncertainty, asked for only where the value alone leaves room for a doubt: to
    know it may take longer than to know the value.
    """

    value: float
    u: Callable[[], float] = lambda: 0.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is doubtful, in which trials (numbered from 1), and what it would change.

    now: what to do about it while the newest trial's strip is in the hand. mean_with and
    mean_without: mean of the values of all trials, and without the doubtful ones; None where none
    are left. In the unit of the values given.
    """

    kind: Kind
    trial_numbers: tuple[int, ...]
    sentence: str
    now: Now
    mean_with: float | None
    mean_without: float | None


def find_doubts(
    widths_mm: ArrayLike,
    *,
    swap: Sequence[int] | None = None,
    values: ArrayLike | None = None,
    unit: SizeUnit = "mm",
    reading_sd_mm: float = REPEATABILITY_MM,
    elsewhere: Elsewhere | None = None,
    numbers: Sequence[int] | None = None,
    edges: Sequence[int] | None = None,
    ends: tuple[str, str] = ("fence end", "open end"),
    resolution_mm: float = 0.0,
    rest_mm: ArrayLike = (),
    noun: str = "strip",
    wedge_mm: float = 0.0,
    visit: ArrayLike | None = None,
) -> tuple[Doubt, ...]:
    """Everything doubtful about the trials of one series, the most serious first.

    widths_mm: (trials, places), or (trials, places, repeats) whose repeats are averaged, in
    order of cutting; nan = not read. swap: the method's, None where it has no two ends; ends: what
    they are called. edges: the place that each becomes when lower and upper edge are mixed up,
    None where the method does not read both at both ends.
    values: (trials,) the result of each trial, in `unit`; without it the deviation in mm, or
    the width where there are no ends. reading_sd_mm: repeatability of one reading; scatter
    below it is never doubted. resolution_mm: the caliper's count. elsewhere: in the same unit,
    None for none. numbers: the trials' own numbers. rest_mm: what was read of the trial after the
    last one, in order. noun: the word for one trial in what to do now. wedge_mm: how much more the
    second of two places reads because of the stop's nominal angle. visit: (trials,) the visit to
    the stop of each, None for one.
    Raises ValueError where the shapes do not fit.

    Rules, s being 1.4826 times the median distance from the median, but at least what the
    reading sd gives a deviation:
    - unit slip: a reading 25.4 times its neighbour's or a 25.4th of it (with the wedge, unless
      less than a tenth of it is left), or all readings of a trial compared with most trials
      (with the other one, of two), unless that is within 10 reading sds of zero;
    - shifted pairing: from some trial on, the readings go together far better when a reading
      is taken as lost or sent twice (`shifted_pairing`); needs strips of different widths;
    - ends swapped, edges swapped: from three strips on, differences of one size (within 3 s, and
      far more alike than strips that scatter about zero), more than 4 s from zero, with the
      other sign than most;
    - outlier: Grubbs' two-sided test (NIST e-Handbook 1.3.5.17.1) at `sequential.FALSE_FINDING`
      from three trials on, if the trial also lies more than 4 s from the median of the others;
      of several visits to the stop among those of its own visit, since how it returns is anew in
      each;
    - wrong turn: nothing but values near zero, or the right size with the other sign, where
      `elsewhere` says otherwise by more than both uncertainties (at 99.9 %). In none of 16,000
      looks at honest series of three to twelve; where 0.05 degrees or more was found by three to
      five strips, four of 200 mm that show nothing tell in 80 % at least of a saw whose cuts
      scatter by 0.1 mrad, and in less than half of one of 0.2 mrad (own simulation).

    Looked at after each strip, an honest series of up to twelve is doubted in less than 5 %.
    """
    w = np.asarray(widths_mm, float)
    slots = w.reshape(len(w), math.prod(w.shape[1:])) if w.ndim > 1 else w
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
    reading_sd = math.hypot(reading_sd_mm, rounding(resolution_mm))
    deviation, noise = _deviations(w, swap, reading_sd)
    what = deviation if values is None else np.asarray(values, float).ravel()
    if what.size != n or len(names) != n:
        raise ValueError(f"values and numbers: give one for each of the {n} trials")
    of_visit = np.zeros(n) if visit is None else np.asarray(visit).ravel()
    if of_visit.size != n:
        raise ValueError(f"visit: give one for each of the {n} trials")
    series = _Series(
        w, deviation, what, noise, reading_sd, unit, names, resolution_mm, noun, of_visit
    )
    slips = _unit_slips(series, wedge_mm)
    slipped = {i for doubt, rows in slips for i in rows}
    series.usable[list(slipped)] = False
    found = [doubt for doubt, _ in slips]
    shifted = None
    if swap is not None and not slipped:
        shifted = _shifted(series, slots, np.asarray(rest_mm, float).ravel(), ends)
    if shifted is not None:
        # Every deviation after a lost reading is wrong: other doubts would have the same cause.
        return (*found, shifted)
    found += [
        *_swapped(series, swap, ends, "ends swapped"),
        *_swapped(series, edges, ("lower edge", "upper edge"), "edges swapped"),
    ]
    found += _outliers(series)
    wrong = None if elsewhere is None else _wrong_turn(series, elsewhere)
    if wrong is not None:
        found.append(wrong)
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
    step: float
    noun: str
    visit: NDArray[Any]
    usable: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.usable = np.isfinite(self.deviation) & np.isfinite(self.values)

    def strips(self, rows: Sequence[int]) -> Strips:
        return Strips(tuple(self.numbers[i] for i in rows), self.numbers[-1], self.noun)

    def doubt(self, kind: Kind, rows: Sequence[int], sentence: str, now: Now) -> Doubt:
        kept = np.ones(self.values.size, bool)
        kept[list(rows)] = False
        return Doubt(
            kind,
            tuple(self.numbers[i] for i in rows),
            sentence,
            now,
            summary(self.values).mean,
            summary(self.values[kept]).mean,
        )

    def named(self, rows: Sequence[int]) -> str:
        numbers = [str(self.numbers[i]) for i in rows]
        if len(numbers) == 1:
            return f"{capital(self.noun)} {numbers[0]}"
        return f"{capital(self.noun)}s {', '.join(numbers[:-1])} and {numbers[-1]}"


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


def _unit_slips(series: _Series, wedge: float) -> list[tuple[Doubt, tuple[int, ...]]]:
    size = np.abs(series.widths)
    found: list[tuple[Doubt, tuple[int, ...]]] = []
    usable = np.where(size >= _SMALLEST * series.reading_sd, size, np.nan)
    typical = _rowwise_median(usable)
    for i in _mixing_units(usable, wedge):
        than = "25.4 times as much" if not wedge else "more than the stop's angle explains"
        sentence = (
            f"{series.named([i])} mixes {size_text(float(np.nanmin(usable[i])), 'mm')} and "
            f"{size_text(float(np.nanmax(usable[i])), 'mm')}, {than}: was one read in "
            "inches, the other in mm?"
        )
        found.append((_unit_slip(series, [i], sentence), (i,)))
        typical[i] = np.nan
    whole = _slipped_strips(typical, size.shape[1] > 1)
    if len(whole) == 2 == size.shape[0]:
        sentence = (
            f"{series.named(whole)}: one is about 25.4 times as wide as the other: was the caliper "
            "switched between inches and mm?"
        )
        found.append((_unit_slip(series, whole, sentence), tuple(whole)))
    elif whole:
        sentence = (
            f"{series.named(whole)}: the size is about 25.4 times, or a 25.4th of, the others': "
            "was the caliper switched between inches and mm?"
        )
        found.append((_unit_slip(series, whole, sentence), tuple(whole)))
    return found


def _mixing_units(usable: Array, wedge: float) -> list[int]:
    """The strips of which one reading is in another unit than the others; nan = not usable."""
    finite = np.isfinite(usable)
    several = np.flatnonzero(finite.sum(axis=1) >= 2)
    rows, finite = usable[several], finite[several]
    if not wedge:
        mixes = _slip(np.nanmax(rows, axis=1) / np.nanmin(rows, axis=1), _WITHIN_STRIP)
        return [int(i) for i in several[mixes]]
    each = np.arange(several.size)
    first = rows[each, finite.argmax(axis=1)]
    last = rows[each, rows.shape[1] - 1 - finite[:, ::-1].argmax(axis=1)]
    mixes = np.zeros(several.size, dtype=bool)
    # What the last and the first should read.
    for should, read in ((first + wedge, last), (last - wedge, first)):
        known = should >= _WEDGE_KNOWN * abs(wedge)
        ratio = read / np.where(known, should, read)
        mixes |= known & _slip(np.maximum(ratio, 1 / ratio), _WITHIN_STRIP)
    return [int(i) for i in several[mixes]]


def _unit_slip(series: _Series, rows: Sequence[int], sentence: str) -> Doubt:
    return series.doubt("unit slip", rows, sentence, in_hand.other_unit(series.strips(rows)))


def _slipped_strips(typical: Array, several_places: bool) -> list[int]:
    """The strips whose size differs from most others by the factor of the units; of two equal
    halves, the one without the first strip. Of two strips alone, both, where a strip has several
    places; a gap or a dial may read any factor of another."""
    at = np.flatnonzero(np.isfinite(typical))
    if at.size == typical.size == 2 and several_places:
        one, other = sorted(typical.tolist())
        return [0, 1] if _slip(other / one, _BETWEEN_TWO) else []
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
    finite = np.isfinite(rows)
    found = np.full(rows.shape[0], math.nan)
    some = finite.any(axis=1)
    if some.any():
        # All rows at once: one by one takes a tenth of the time that a page of 250 strips has.
        found[some] = np.nanmedian(np.where(finite, rows, math.nan)[some], axis=1)
    return found


def _slip(ratio: float | Array, slack: float) -> Any:
    """Whether each ratio is about that of the units."""
    return (ratio >= MM_PER_INCH / slack) & (ratio <= MM_PER_INCH * slack)


def _shifted(series: _Series, slots: Array, rest: Array, ends: tuple[str, str]) -> Doubt | None:
    if not np.isfinite(slots).all():
        return None
    found = shifted_from(slots, rest, series.reading_sd)
    if found is None:
        return None
    at, lost = found
    what = "was a reading lost" if lost else "was one sent twice"
    sentence = (
        f"{series.named([at])} and those after it match far better when each reading is paired "
        f"with the next one's: {what} at that {series.noun}?"
    )
    rows = range(at, slots.shape[0])
    now = in_hand.shifted(series.strips(rows), ends[0])
    return series.doubt("shifted pairing", rows, sentence, now)


def _swapped(
    series: _Series, turn: Sequence[int] | None, ends: tuple[str, str], kind: Kind
) -> list[Doubt]:
    """Trials whose places are mixed up by `turn`; they are no longer usable then."""
    if turn is None:
        return []
    contrast, noise = _deviations(series.widths, turn, series.reading_sd)
    at = np.flatnonzero(series.usable & np.isfinite(contrast))
    d = contrast[at]
    size = np.abs(d)
    if at.size < _FEWEST_SWAPPED:
        return []
    typical = float(np.median(size))
    alike = np.abs(size - typical) <= 3 * _scatter(size, noise)
    up, down = at[alike & (d > 0)], at[alike & (d < 0)]
    if typical <= 4 * noise or not (up.size and down.size and _one_size(series, size, alike)):
        return []
    size_words, mixed = size_text(typical, "mm"), f"the {ends[0]} and the {ends[1]}"
    if up.size == down.size:
        rows = sorted([*up.tolist(), *down.tolist()])
        sentence = (
            f"{series.named(rows)} differ by about {size_words}, half of them one way and half "
            f"the other: in some {mixed} are mixed up."
        )
    else:
        rows = (down if down.size < up.size else up).tolist()
        sentence = (
            f"{series.named(rows)}: the same size as the others, about {size_words}, with the "
            f"other sign: were {mixed} mixed up?"
        )
    series.usable[rows] = False
    strips = series.strips(rows)
    if kind == "edges swapped":
        now = in_hand.edges_swapped(strips)
    else:
        now = in_hand.swapped(strips, ends, half=up.size == down.size)
    return [series.doubt(kind, rows, sentence, now)]


def _one_size(series: _Series, size: Array, alike: NDArray[np.bool_]) -> bool:
    """Whether sizes are too much alike for strips that scatter about zero."""
    # One other in six is let pass: choosing those that are alike makes them so by chance.
    if size.size - alike.sum() > size.size // 6:
        return False
    limit = _ALIKE[min(size.size, _FEWEST_SWAPPED + len(_ALIKE) - 1) - _FEWEST_SWAPPED]
    limit *= 1.0 if alike.all() else 0.5
    # Rounding may make sizes more alike than they are.
    sd = math.hypot(float(size[alike].std(ddof=1)), series.step / math.sqrt(6))
    return sd <= limit * float(np.median(size))


def _outliers(series: _Series) -> list[Doubt]:
    """Of each visit to the stop, one at most."""
    among = (
        np.flatnonzero(series.usable & (series.visit == visit)) for visit in np.unique(series.visit)
    )
    return [found for at in among if (found := _outlier(series, at)) is not None]


def _outlier(series: _Series, at: NDArray[np.int64]) -> Doubt | None:
    if at.size < 3:
        return None
    d = series.deviation[at]
    s = summary(d)
    if s.mean is None or not s.sd:
        return None
    sd = math.hypot(s.sd, series.noise * rounding(series.step) / series.reading_sd)
    far = int(np.argmax(np.abs(d - s.mean)))
    others = np.delete(d, far)
    distance = abs(float(d[far]) - float(np.median(others)))
    if abs(float(d[far]) - s.mean) / sd <= grubbs_limit(at.size, FALSE_FINDING):
        return None
    if distance <= 4 * _scatter(others, series.noise):
        return None
    row = int(at[far])
    sentence = (
        f"{series.named([row])} lies {size_text(distance, 'mm')} from the others, more than "
        "their scatter explains (Grubbs' test): read the strip again, and look for dust or a "
        "slip of the board."
    )
    return series.doubt("outlier", [row], sentence, in_hand.outlier(series.strips([row])))


def _wrong_turn(series: _Series, elsewhere: Elsewhere) -> Doubt | None:
    at = np.flatnonzero(series.usable)
    if at.size < 3:
        return None
    d, v = series.deviation[at], series.values[at]
    mean, typical = float(v.mean()), float(np.median(np.abs(d)))
    scatter = max(float(v.std(ddof=1)), 1e-12 * abs(elsewhere.value))
    near_zero = bool(np.all(np.abs(d) <= 3 * series.noise))
    near_zero = near_zero and abs(elsewhere.value) > 4 * max(abs(mean), scatter)
    other_sign = mean * elsewhere.value < 0 and typical > 4 * series.noise
    if not (near_zero or other_sign):
        return None
    u = elsewhere.u()
    k = quantiles.student_t(1 - _WRONG_TURN_LEVEL / 2, at.size - 1)
    if abs(mean - elsewhere.value) <= math.hypot(
        k * scatter / math.sqrt(at.size), quantiles.normal(1 - _WRONG_TURN_LEVEL / 2) * u
    ):
        return None  # the two agree
    strips = series.strips(at.tolist())
    said, seen = (size_text(x, series.unit) for x in (elsewhere.value, mean))
    if near_zero:
        sentence = (
            f"Every {series.noun} reads near zero ({seen}), where {said} was found otherwise: "
            "which edge lay on the fence at the second cut? With the board turned half around "
            "instead of over on the same edge, the strip shows nothing."
        )
        now = in_hand.near_zero(strips, size_measure(elsewhere.value, series.unit))
        return series.doubt("wrong turn", at.tolist(), sentence, now)
    off = max(3 * scatter, 0.25 * abs(elsewhere.value), 2 * u)
    if abs(abs(mean) - abs(elsewhere.value)) <= off:  # of the other sign
        sentence = (
            f"The size, {seen}, is that found otherwise, with the other sign: on which side of "
            "the blade did the strip fall, and was the board turned over on the same edge?"
        )
        return series.doubt("wrong turn", at.tolist(), sentence, in_hand.other_sign(strips))
    return None
