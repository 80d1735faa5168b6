"""The cheapest way to a verdict that cannot be given yet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import budget
from analysis.conformity import Tolerance
from analysis.sentences import Measure, MeasureUnit, Sentence, rounded, times
from analysis.uncertainty import coverage_factor, factor

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sources:
    """Where the uncertainty of a mean over `trials` comes from, in the result's unit.

    trial_sd: scatter over trials, None for one. hand_u: caliper and hand in one trial, with
    hand_df (None: taken as known). rounding_u: rounding that does not average out. shrinking_u:
    parts that fall as the board gets wider (cut length, jaw place). fixed_u: parts that nothing
    here makes smaller (scale, straightness, zero). base_mm: the length that the deviation is
    divided by, None where it cannot grow. repeats: readings of each place as it stands.
    hand_assumed: hand_u was not studied but taken for granted. base_adjective: how a board
    with more of it is called. length_u: the share of shrinking_u that comes from the length
    itself, called length_name and known to within length_bound_mm.
    """

    trials: int
    trial_sd: float | None
    hand_u: float
    hand_df: float | None
    rounding_u: float
    shrinking_u: float
    fixed_u: float
    base_mm: float | None
    repeats: int = 1
    hand_assumed: bool = False
    base_adjective: str = "wide"
    length_u: float = 0.0
    length_bound_mm: float = 0.0
    length_name: str = "length of the cut"

    def expanded(
        self,
        *,
        more_cuts: ArrayLike = 0,
        readings: ArrayLike = 1,
        wider: ArrayLike = 1.0,
        length: ArrayLike = 1.0,
    ) -> Array:
        """The expanded uncertainty to expect after a change, if the scatter stays as it is.

        more_cuts: trials added. readings: how often as many readings of each place as now.
        wider: the new base over the present one. length: the new doubt of the length over the
        present one. Each may be an array, for as many changes at once. The saw's own scatter
        stays, caliper and hand shrink with readings and width. With one trial the saw's own
        scatter is unknown and counts as none; with few, they claim no less scatter than caliper
        and hand.
        """
        n, wide = self.trials + np.asarray(more_cuts), np.asarray(wider, float)
        shrink = np.asarray(readings) * wide * wide
        # Once there are two trials their scatter speaks, with its own degrees of freedom.
        hand = scatter = self.hand_u / np.sqrt(shrink)
        if self.trial_sd is not None:
            within = min(self.hand_u, self.trial_sd) ** 2
            scatter = np.sqrt(self.trial_sd**2 - within + within / shrink)
        hand_df = math.inf if self.hand_df is None else self.hand_df
        floor = budget.floor_below(self.hand_assumed)
        by_hand = budget.by_hand(n, scatter, hand, hand_df, floor)
        rest = max(self.shrinking_u**2 - self.length_u**2, 0.0)
        parts = np.stack(
            np.broadcast_arrays(
                np.where(by_hand, hand, scatter) / np.sqrt(n),
                self.rounding_u / wide,
                np.sqrt(rest + (np.asarray(length) * self.length_u) ** 2) / wide,
                self.fixed_u,
            )
        )
        free = np.full(parts.shape, np.inf)
        free[0] = np.where(by_hand, hand_df, np.maximum(n - 1, 1))
        _, k = factor(parts, free, guard=True)
        return np.asarray(k * np.hypot.reduce(parts))

    def systematic(self) -> float:
        """The expanded uncertainty that stays however many cuts are made."""
        parts = self.rounding_u, self.shrinking_u, self.fixed_u
        return coverage_factor(math.inf) * math.hypot(*parts)


@dataclass(frozen=True, slots=True)
class Remedy:
    """The cheapest way to a verdict. amount: cuts to add, readings of each place in all, or the
    base in mm, or to how many mm plus or minus the length is to be measured; None where nothing
    within reach tells."""

    kind: Literal["more cuts", "more readings", "wider board", "length", "none"]
    amount: float | None
    sentence: Sentence


SECOND_CUT: Final = Remedy(
    "more cuts",
    1,
    Sentence("One cut does not show how much the machine scatters: cut at least one more."),
)

# What each way costs a person at the saw, in seconds. Common practice, no source; only their
# order matters.
_CUT_S: Final = 60
_READING_S: Final = 5
_BOARD_S: Final = 120
_LENGTH_S: Final = 30
_MOST_CUTS: Final = 50
_MOST_READINGS: Final = 10
_WIDEST: Final = 4.0
# As well as a length is measured in a shop. Common practice, no source.
_FINEST_LENGTH_MM: Final = 0.05


def remedy(
    estimate: float,
    tolerance: Tolerance,
    sources: Sources,
    places: int = 2,
    shown: tuple[float, MeasureUnit] = (1.0, "mm"),
) -> Remedy:
    """The cheapest of more cuts, more readings of each place, a wider board, and a length of the
    cut better known that would tell.

    It takes the estimate and the scatter as they stand, so it is a forecast. shown: factor and
    unit in which the result is spoken of, for the sentence where nothing helps.
    """
    gap = min(abs(estimate - tolerance.low), abs(tolerance.high - estimate))
    n = sources.trials
    options: list[tuple[float, Remedy]] = []
    more = np.arange(1, _MOST_CUTS + 1)
    cuts = _first(more, sources.expanded(more_cuts=more) <= gap)
    if cuts:
        words = "one more cut" if cuts == 1 else f"{cuts} more cuts"
        options.append(
            (
                cuts * (_CUT_S + places * _READING_S),
                Remedy("more cuts", cuts, Sentence(f"About {words} should tell.")),
            )
        )
    often = np.arange(2, _MOST_READINGS + 1)
    readings = _first(often, sources.expanded(readings=often) <= gap)
    if readings:
        options.append(
            (
                n * places * readings * _READING_S,
                Remedy(
                    "more readings", readings * sources.repeats, _reading_words(sources, readings)
                ),
            )
        )
    base = _narrowest(sources, gap)
    if base is not None:
        options.append(
            (
                _BOARD_S + n * (_CUT_S + places * _READING_S),
                Remedy(
                    "wider board",
                    base,
                    Sentence(
                        "The same number of cuts on a board about ",
                        Measure(base, None, "mm", 0),
                        f" {sources.base_adjective} should tell.",
                    ),
                ),
            )
        )
    bound = _length_bound(sources, gap)
    if bound is not None:
        options.append(
            (
                _LENGTH_S,
                Remedy(
                    "length",
                    bound,
                    Sentence(
                        f"Measuring the {sources.length_name} to within ",
                        rounded(bound, "mm"),
                        ", and saying so in the series, should tell.",
                    ),
                ),
            )
        )
    if options:
        return min(options, key=lambda option: option[0])[1]
    scale, unit = shown
    left, stays = rounded(gap * scale, unit), sources.systematic()
    if stays > gap:
        return Remedy(
            "none",
            None,
            Sentence(
                "More cuts will not tell: what stays uncertain however many are made, ± ",
                rounded(stays * scale, unit),
                ", is more than the ",
                left,
                " left to the limit.",
                "" if tolerance.unit == "rad" else " A known block shows the caliper's offset.",
            ),
        )
    return Remedy(
        "none",
        None,
        Sentence(
            "It lies too near the limit, ",
            left,
            f" from it, for up to {_MOST_CUTS} more cuts to tell; set it nearer to nominal, or "
            "accept a wider tolerance.",
        ),
    )


def _reading_words(sources: Sources, readings: int) -> Sentence:
    return Sentence(
        f"Reading each place {times(readings * sources.repeats)} should tell",
        ", if caliper and hand repeat as well as assumed; a same-spot series shows it."
        if sources.hand_assumed
        else ".",
    )


def _first(amounts: NDArray[np.int64], enough: NDArray[np.bool_]) -> int | None:
    return int(amounts[enough][0]) if enough.any() else None


def _narrowest(sources: Sources, gap: float) -> int | None:
    """The narrowest base that would tell, in whole mm, from 50 mm on in fives; None for none."""
    now = sources.base_mm
    if now is None or not sources.expanded(wider=_WIDEST) <= gap:
        return None
    bases = np.concatenate([np.arange(1, 50), np.arange(50, _WIDEST * now + 5, 5, dtype=int)])
    bases = bases[bases > now]
    return _first(bases, sources.expanded(wider=bases / now) <= gap)


def _length_bound(sources: Sources, gap: float) -> float | None:
    """The widest bound of the length, in mm to one digit, that would tell; None for none."""
    now = sources.length_bound_mm
    if sources.length_u == 0 or now <= _FINEST_LENGTH_MM:
        return None
    digit = 10.0 ** math.floor(math.log10(now))
    steps = (digit, digit / 10, digit / 100)
    bounds = np.array([round(tenth * step, 9) for step in steps for tenth in range(9, 0, -1)])
    bounds = bounds[(bounds >= _FINEST_LENGTH_MM) & (bounds < now)]
    enough = sources.expanded(length=bounds / now) <= gap
    return float(bounds[enough][0]) if enough.any() else None
