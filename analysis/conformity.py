"""Good enough, needs adjusting, or cannot tell yet; and then the cheapest way to know.

The rule is ISO 14253-1: a result proves conformity only when it lies within the tolerance by
at least its expanded uncertainty, and nonconformity only when it lies outside by more than
that. In between nothing is proved. Probabilities follow JCGM 106:2012.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from analysis import quantiles
from analysis.sentences import times
from analysis.uncertainty import LEVEL, coverage_factor, factor, hand_is_floor

Verdict = Literal["good enough", "needs adjusting", "cannot tell yet"]
GOOD: Final[Verdict] = "good enough"
ADJUST: Final[Verdict] = "needs adjusting"
UNKNOWN: Final[Verdict] = "cannot tell yet"

# A limit met to the last few bits of a double is met.
_SLACK: Final = 1e-12


@dataclass(frozen=True, slots=True)
class Tolerance:
    """From `low` to `high`: radians from nominal for an angle or a tilt, mm for a length."""

    low: float
    high: float
    unit: Literal["rad", "mm"]
    text: str

    @staticmethod
    def angle(angle_rad: float, text: str | None = None) -> Tolerance:
        """Within +-angle_rad of nominal. Raises ValueError unless it is from 0 to a right angle."""
        if not 0 < angle_rad < math.pi / 2:
            raise ValueError("tolerance: give an angle between 0 and 90 degrees")
        shown = f"{math.degrees(angle_rad):.4g} degrees" if text is None else text
        return Tolerance(-angle_rad, angle_rad, "rad", shown)

    @staticmethod
    def gap(gap_mm: float, joint_mm: float) -> Tolerance:
        """The angle that opens a gap of `gap_mm` at one end of a joint `joint_mm` long.

        atan(gap / joint). Raises ValueError unless both are greater than zero.
        """
        for name, value in (("gap", gap_mm), ("joint", joint_mm)):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name}: {value:g} mm must be a length greater than zero")
        return Tolerance.angle(
            math.atan(gap_mm / joint_mm), f"a gap of {gap_mm:g} mm over a joint of {joint_mm:g} mm"
        )

    @staticmethod
    def length(low_mm: float, high_mm: float) -> Tolerance:
        """From `low_mm` to `high_mm`. Raises ValueError unless low lies below high."""
        if not (math.isfinite(low_mm) and math.isfinite(high_mm) and low_mm < high_mm):
            raise ValueError("tolerance: give a smallest length below the largest one")
        return Tolerance(low_mm, high_mm, "mm", f"{low_mm:g} to {high_mm:g} mm")


def verdict(estimate: float, expanded: float, tolerance: Tolerance) -> Verdict:
    """The verdict on an estimate with its expanded uncertainty (ISO 14253-1:2013, 5).

    On the acceptance limit itself it is good enough; on the rejection limit nothing is proved.
    """
    slack = _SLACK * max(abs(tolerance.low), abs(tolerance.high))
    low, high = estimate - expanded, estimate + expanded
    if low >= tolerance.low - slack and high <= tolerance.high + slack:
        return GOOD
    if low > tolerance.high + slack or high < tolerance.low - slack:
        return ADJUST
    return UNKNOWN


def conformance_probability(
    estimate: float, u: float, low: float, high: float, degrees_of_freedom: float | None = None
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.4).

    Normal, or Student's t scaled by u where the degrees of freedom are limited.
    """
    if u == 0:
        return 1.0 if low <= estimate <= high else 0.0
    df = math.inf if degrees_of_freedom is None else degrees_of_freedom
    return quantiles.student_t_probability((high - estimate) / u, df) - (
        quantiles.student_t_probability((low - estimate) / u, df)
    )


def guard_factor(probability: float) -> float:
    """z = (limit - estimate) / u that gives a conformance probability (JCGM 106, 7.3, table 1)."""
    return quantiles.normal(probability)


def false_acceptance(guard_band: float, u: float) -> float:
    """Largest probability that what is accepted does not conform (ILAC-G8:09/2019, B.2).

    For a result exactly on the acceptance limit, `guard_band` inside the tolerance.
    """
    return quantiles.normal_probability(-guard_band / u)


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
        more_cuts: int = 0,
        readings: int = 1,
        wider: float = 1.0,
        length: float = 1.0,
        level: float = LEVEL,
    ) -> float:
        """The expanded uncertainty to expect after a change, if the scatter stays as it is.

        more_cuts: trials added. readings: how often as many readings of each place as now.
        wider: the new base over the present one. length: the new doubt of the length over the
        present one. The saw's own scatter stays, caliper and hand
        shrink with readings and width. With one trial the saw's own scatter is unknown and
        counts as none; with few, they claim no less scatter than caliper and hand.
        """
        n = self.trials + more_cuts
        shrink = readings * wider * wider
        if self.trial_sd is None:
            one = self.hand_u**2 / shrink
            # Once there are two trials their scatter speaks, with its own degrees of freedom.
            df = self.hand_df if n == 1 else n - 1
        else:
            hand = min(self.hand_u, self.trial_sd)
            one = self.trial_sd**2 - hand**2 + hand**2 / shrink
            df = n - 1
        if hand_is_floor(n, self.hand_assumed):
            floor = (self.hand_u**2 / shrink, self.hand_df)
            one, df = max(
                (one, df), floor, key=lambda part: coverage_factor(part[1], level) ** 2 * part[0]
            )
        rest = max(self.shrinking_u**2 - self.length_u**2, 0.0)
        shrinking = math.sqrt(rest + (length * self.length_u) ** 2)
        parts = (
            math.sqrt(one / n),
            self.rounding_u / wider,
            shrinking / wider,
            self.fixed_u,
        )
        _, k = factor(parts, (df, None, None, None), level, guard=True)
        return k * math.hypot(*parts)

    def systematic(self, level: float = LEVEL) -> float:
        """The expanded uncertainty that stays however many cuts are made."""
        return coverage_factor(None, level) * math.hypot(
            self.rounding_u, self.shrinking_u, self.fixed_u
        )


@dataclass(frozen=True, slots=True)
class Remedy:
    """The cheapest way to a verdict. amount: cuts to add, readings of each place in all, or the
    base in mm, or to how many mm plus or minus the length is to be measured; None where nothing
    within reach tells."""

    kind: Literal["more cuts", "more readings", "wider board", "length", "none"]
    amount: float | None
    sentence: str


SECOND_CUT: Final = Remedy(
    "more cuts",
    1,
    "One cut does not show how much the machine scatters: cut at least one more.",
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
    shown: tuple[float, str] = (1.0, "mm"),
    level: float = LEVEL,
) -> Remedy:
    """The cheapest of more cuts, more readings of each place, a wider board, and a length of the
    cut better known that would tell.

    It takes the estimate and the scatter as they stand, so it is a forecast. shown: factor and
    unit in which the result is spoken of, for the sentence where nothing helps.
    """
    gap = min(abs(estimate - tolerance.low), abs(tolerance.high - estimate))
    n = sources.trials
    options: list[tuple[float, Remedy]] = []
    cuts = next(
        (k for k in range(1, _MOST_CUTS + 1) if sources.expanded(more_cuts=k, level=level) <= gap),
        None,
    )
    if cuts:
        times = "one more cut" if cuts == 1 else f"{cuts} more cuts"
        options.append(
            (
                cuts * (_CUT_S + places * _READING_S),
                Remedy("more cuts", cuts, f"About {times} should tell."),
            )
        )
    readings = next(
        (
            m
            for m in range(2, _MOST_READINGS + 1)
            if sources.expanded(readings=m, level=level) <= gap
        ),
        None,
    )
    if readings:
        options.append(
            (
                n * places * readings * _READING_S,
                Remedy(
                    "more readings", readings * sources.repeats, _reading_words(sources, readings)
                ),
            )
        )
    if sources.base_mm is not None and sources.expanded(wider=_WIDEST, level=level) <= gap:
        base = sources.base_mm * _narrowest(sources, gap, level)
        base = math.ceil(base / 5) * 5 if base >= 50 else math.ceil(base)
        options.append(
            (
                _BOARD_S + n * (_CUT_S + places * _READING_S),
                Remedy(
                    "wider board",
                    base,
                    f"The same number of cuts on a board about {base:g} mm "
                    f"{sources.base_adjective} should tell.",
                ),
            )
        )
    bound = _length_bound(sources, gap, level)
    if bound is not None:
        options.append(
            (
                _LENGTH_S,
                Remedy(
                    "length",
                    bound,
                    f"Measuring the {sources.length_name} to within {bound:g} mm, and saying so "
                    "in the series, should tell.",
                ),
            )
        )
    if options:
        return min(options, key=lambda option: option[0])[1]
    scale, unit = shown
    left, stays = f"{gap * scale:.2g} {unit}", sources.systematic(level)
    if stays > gap:
        return Remedy(
            "none",
            None,
            f"More cuts will not tell: what stays uncertain however many are made, "
            f"± {stays * scale:.2g} {unit}, is more than the {left} left to the limit."
            + ("" if tolerance.unit == "rad" else " A known block shows the caliper's offset."),
        )
    return Remedy(
        "none",
        None,
        f"It lies too near the limit, {left} from it, for up to {_MOST_CUTS} more cuts to tell; "
        "set it nearer to nominal, or accept a wider tolerance.",
    )


def _reading_words(sources: Sources, readings: int) -> str:
    words = f"Reading each place {times(readings * sources.repeats)} should tell"
    return words + (
        ", if caliper and hand repeat as well as assumed; a same-spot series shows it."
        if sources.hand_assumed
        else "."
    )


def _length_bound(sources: Sources, gap: float, level: float) -> float | None:
    """The widest bound of the length, in mm to one digit, that would tell; None for none."""
    if sources.length_u == 0 or sources.length_bound_mm <= _FINEST_LENGTH_MM:
        return None
    digit = 10.0 ** math.floor(math.log10(sources.length_bound_mm))
    for step in (digit, digit / 10, digit / 100):
        for tenth in range(9, 0, -1):
            bound = round(tenth * step, 9)
            if not _FINEST_LENGTH_MM <= bound < sources.length_bound_mm:
                continue
            if sources.expanded(length=bound / sources.length_bound_mm, level=level) <= gap:
                return bound
    return None


def _narrowest(sources: Sources, gap: float, level: float) -> float:
    low, high = 1.0, _WIDEST
    for _ in range(30):
        middle = (low + high) / 2
        if sources.expanded(wider=middle, level=level) <= gap:
            high = middle
        else:
            low = middle
    return high
