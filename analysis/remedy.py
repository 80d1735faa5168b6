"""The cheapest way to a verdict where there is none yet, by the rule that the verdict follows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import budget, sequential
from analysis.budget import SeriesBudget
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.methods import Relation
from analysis.sentences import Measure, MeasureUnit, Sentence, cuts, rounded, times
from analysis.sequential import EarlierScatter
from analysis.spread import Summary
from analysis.uncertainty import coverage_factor, factor
from analysis.units import MM_PER_INCH
from analysis.visits import VisitMeans

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class UncertaintyParts:
    """Where the uncertainty of a mean over `trials` comes from, in the result's unit.

    trial_sd: scatter over trials, None for one. hand_u: caliper and hand in one trial, with
    hand_df (None: taken as known). rounding_u: rounding that does not average out. shrinking_u:
    parts that get smaller with a wider board (cut length, jaw place). fixed_u: parts that nothing
    here makes smaller (scale, straightness, zero). base_mm: the length that the deviation is
    divided by, None where it cannot be increased. repeats: present readings of each place.
    hand_assumed: hand_u is assumed, not from a study. base_adjective: the word for a board
    with more of it. length_u: the share of shrinking_u that comes from the length
    itself, whose name is length_name and which is known to within length_bound_mm. rounding_bound:
    the furthest that the rounding can shift the mean. earlier: the scatter of earlier series.
    noun: what `trials` counts; of several visits to a stop a visit stands for a trial.
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
    rounding_bound: float = 0.0
    earlier: EarlierScatter | None = None
    noun: str = "strip"

    def expanded(
        self,
        *,
        more_cuts: ArrayLike = 0,
        readings: ArrayLike = 1,
        wider: ArrayLike = 1.0,
        length: ArrayLike = 1.0,
    ) -> Array:
        """The expanded uncertainty to expect after a change, if the scatter stays as it is.

        more_cuts: trials added. readings: the new number of readings of each place over the
        present one. wider: the new base over the present one. length: the new uncertainty of the
        length over the present one. Each may be an array, for several changes at once. The saw's
        own scatter stays; that of caliper and hand decreases with readings and width. With one
        trial the saw's own scatter is unknown and counts as zero; few trials are never taken to
        scatter less than caliper and hand.
        """
        n, wide = self.trials + np.asarray(more_cuts), np.asarray(wider, float)
        shrink = np.asarray(readings) * wide * wide
        # From two trials on their scatter counts, with its own degrees of freedom.
        hand = self.hand_u / np.sqrt(shrink)
        scatter = hand if self.trial_sd is None else self._smaller(self.trial_sd, shrink)
        hand_df = math.inf if self.hand_df is None else self.hand_df
        floor = budget.floor_below(self.hand_assumed)
        by_hand = budget.by_hand(n, scatter, hand, hand_df, floor)
        rest = max(self.shrinking_u**2 - self.length_u**2, 0.0)
        components = np.stack(
            np.broadcast_arrays(
                np.where(by_hand, hand, scatter) / np.sqrt(n),
                self.rounding_u / wide,
                np.sqrt(rest + (np.asarray(length) * self.length_u) ** 2) / wide,
                self.fixed_u,
            )
        )
        free = np.full(components.shape, np.inf)
        free[0] = np.where(by_hand, hand_df, np.maximum(n - 1, 1))
        _, k = factor(components, free, guard=True)
        return np.asarray(k * np.hypot.reduce(components))

    def tells(
        self,
        gap: float,
        *,
        more_cuts: ArrayLike = 0,
        readings: ArrayLike = 1,
        wider: ArrayLike = 1.0,
        length: ArrayLike = 1.0,
    ) -> NDArray[np.bool_]:
        """Whether a result `gap` from the limit would have a verdict after the same changes, by the
        rule that allows for a look after every trial (`judging.judged`)."""
        n, wide = self.trials + np.asarray(more_cuts), np.asarray(wider, float)
        shrink = np.asarray(readings) * wide * wide
        # Trials to come are taken to scatter as those that there are, or else as the earlier ones.
        sd = self.trial_sd if self.earlier is None else self.trial_sd or self.earlier.sd
        assert sd is not None  # `remedy` asks for more trials first
        mine = self._smaller(sd, shrink)
        half = sequential.half_width(n, mine, n - 1)
        if self.earlier is not None:
            half = np.minimum(half, sequential.with_earlier(n, mine, self.earlier))
        enough = half + self._shared(wide, length) <= gap
        if not enough.any():
            return np.asarray(enough)
        change = {"more_cuts": more_cuts, "readings": readings, "wider": wider, "length": length}
        return np.asarray(enough & (self.expanded(**change) <= gap))

    def _smaller(self, sd: float, shrink: Array) -> Array:
        """The scatter of a trial once that of caliper and hand is so many times smaller."""
        within = min(self.hand_u, sd) ** 2
        return np.asarray(np.sqrt(sd**2 - within + within / shrink))

    def _shared(self, wider: ArrayLike = 1.0, length: ArrayLike = 1.0) -> Array:
        rest = max(self.shrinking_u**2 - self.length_u**2, 0.0)
        shrinking = (rest + (np.asarray(length) * self.length_u) ** 2) / np.asarray(wider) ** 2
        fixed = coverage_factor(math.inf) * np.sqrt(shrinking + self.fixed_u**2)
        return np.asarray(self.rounding_bound / np.asarray(wider) + fixed)

    def systematic(self) -> float:
        """How far from a limit a result stays untold however many cuts are made."""
        return float(self._shared())


@dataclass(frozen=True, slots=True)
class Remedy:
    """The cheapest way to a verdict. amount: cuts to add, total readings of each place, the
    base in mm, or the bound in mm, plus or minus, to which to measure the length; None where
    nothing practical gives a verdict, or the series only has to be finished."""

    kind: Literal["more cuts", "more readings", "wider board", "length", "finish", "none"]
    amount: float | None
    sentence: Sentence


TO_FINISH: Final = "finish the series for the verdict"
"""What is left to do where all that was planned is made."""

# The fewest of which a verdict can be made without earlier series.
_FEWEST: Final = 3


def as_planned(planned: int, trials: int, noun: str = "strip") -> Remedy:
    """What is left to do of a planned number of trials, of which so many are complete. noun: the
    word for one."""
    left = planned - trials
    if left:
        how = f"The verdict comes after {cuts(planned, noun)}, as planned: {left} more to go."
    else:
        how = f"{cuts(planned, noun)} made, as planned: {TO_FINISH}."
    return Remedy("more cuts" if left else "finish", left or None, Sentence(how))


# The time that each way takes at the saw, in seconds. Common practice, no source; only their
# order matters.
_CUT_S: Final = 60
_READING_S: Final = 5
_BOARD_S: Final = 120
_LENGTH_S: Final = 30
_MOST_CUTS: Final = 50
_MOST_READINGS: Final = 10
_WIDEST: Final = 4.0
# The best that a length is measured in a shop. Common practice, no source.
_FINEST_LENGTH_MM: Final = 0.05


def remedy(
    estimate: float,
    tolerance: Tolerance,
    parts: UncertaintyParts,
    places: int = 2,
    shown: tuple[float, MeasureUnit] = (1.0, "mm"),
) -> Remedy:
    """The cheapest way to a verdict: more cuts, more readings of each place, a wider board, or a
    better measured length of the cut.

    A forecast: it assumes that estimate and scatter stay as they are. Its verdict is one that
    allows for a look after every trial. shown: factor and unit in which the result is shown, for
    the sentence where nothing helps.
    """
    if parts.trial_sd is None and parts.earlier is None:
        return _one_alone(parts.noun)
    gap = min(abs(estimate - tolerance.low), abs(tolerance.high - estimate))
    ways = [
        way
        for way in (
            _more_cuts(parts, gap, places),
            _more_readings(parts, gap, places),
            _wider_board(parts, gap, places),
            _better_length(parts, gap),
        )
        if way is not None
    ]
    if ways:
        return min(ways, key=lambda way: way[0])[1]
    if parts.trials < _FEWEST and parts.earlier is None and parts.systematic() <= gap:
        # Nobody is told to move a machine by a scatter that so few show.
        return _too_few(parts)
    return _none(parts, gap, tolerance, shown)


def of_series(
    relation: Relation,
    facts: SeriesFacts,
    tolerance: Tolerance,
    parts: SeriesBudget,
    found: Summary,
    repeats: int,
    visits: VisitMeans | None,
) -> Remedy:
    """The same of a series' quantity, from what its trials, of one trial or more, show of it."""
    assert found.mean is not None
    uncertainties = _uncertainty_parts(relation, facts, parts, found, repeats, visits)
    places, shown = len(facts.method.places), _shown(relation, facts)
    return remedy(found.mean, tolerance, uncertainties, places, shown)


def _uncertainty_parts(
    relation: Relation,
    facts: SeriesFacts,
    parts: SeriesBudget,
    found: Summary,
    repeats: int,
    visits: VisitMeans | None,
) -> UncertaintyParts:
    def part(*sources: str) -> float:
        lines = parts.total.contributions
        return math.hypot(*(c.contribution for c in lines if c.source in sources))

    # A wider board does not help with a frame's joint or the saw's own slot.
    base = facts.base_mm(relation) if relation.insets or relation.over == "thickness" else None
    n, sd, hand_u, noun = found.n, found.sd, parts.hand_u, facts.method.noun
    if visits is not None:
        # A visit stands for a trial; each to come has as many strips as those that there are.
        n, sd, noun = int(visits.visits[0]), float(visits.least_sd[0]), "visit"
        hand_u /= math.sqrt(float(visits.strips[0]))
    return UncertaintyParts(
        noun=noun,
        trials=n,
        trial_sd=sd,
        hand_u=hand_u,
        hand_df=facts.hand_df,
        rounding_u=part(budget.RESOLUTION),
        rounding_bound=budget.shared_bound(relation, part(budget.RESOLUTION), 0.0),
        earlier=None if visits is not None else facts.earlier.get(relation.quantity),
        shrinking_u=part(budget.LENGTH, budget.THICKNESS, budget.INSET, budget.JAWS),
        fixed_u=part(budget.SCALE, budget.ZERO, budget.BLOCK, budget.STRAIGHTNESS),
        base_mm=base,
        repeats=repeats,
        hand_assumed=facts.repeatability_mm is None,
        base_adjective="thick" if relation.over == "thickness" else "wide",
        length_u=part(budget.LENGTH, budget.THICKNESS),
        length_bound_mm=parts.length_u * math.sqrt(3) if relation.terms else 0.0,
        length_name=(
            "thickness"
            if relation.over == "thickness"
            else (facts.method.baseline or "length").split(",")[0]
        ),
    )


def _shown(relation: Relation, facts: SeriesFacts) -> tuple[float, MeasureUnit]:
    if relation.terms:
        return math.degrees(1), "degrees"
    return (1.0, "mm") if facts.unit == "mm" else (1 / MM_PER_INCH, "in")


_Way = tuple[float, Remedy]
"""What a remedy costs, in seconds, and the remedy."""


def _more_cuts(parts: UncertaintyParts, gap: float, places: int) -> _Way | None:
    more = np.arange(1, _MOST_CUTS + 1)
    cuts = _first(more, parts.tells(gap, more_cuts=more))
    if cuts is None:
        return None
    words = f"{cuts} more {parts.noun}{'' if cuts == 1 else 's'}"
    # Strips of the same visit would not.
    of = "it" if cuts == 1 else "each"
    how = f": go away and back to the stop before {of}" if parts.noun == "visit" else ""
    sentence = Sentence(f"About {words} should tell{how}.")
    return cuts * (_CUT_S + places * _READING_S), Remedy("more cuts", cuts, sentence)


def _more_readings(parts: UncertaintyParts, gap: float, places: int) -> _Way | None:
    often = np.arange(2, _MOST_READINGS + 1)
    readings = _first(often, parts.tells(gap, readings=often))
    if readings is None:
        return None
    each = readings * parts.repeats
    sentence = Sentence(
        f"Reading each place {times(each)} should tell",
        ", if caliper and hand repeat as well as assumed; a same-spot series shows it."
        if parts.hand_assumed
        else ".",
    )
    cost = parts.trials * places * readings * _READING_S
    return cost, Remedy("more readings", each, sentence)


def _wider_board(parts: UncertaintyParts, gap: float, places: int) -> _Way | None:
    base = _narrowest(parts, gap)
    if base is None:
        return None
    sentence = Sentence(
        f"The same number of {parts.noun}s on a board about ",
        Measure(base, None, "mm", 0),
        f" {parts.base_adjective} should tell.",
    )
    cost = _BOARD_S + parts.trials * (_CUT_S + places * _READING_S)
    return cost, Remedy("wider board", base, sentence)


def _better_length(parts: UncertaintyParts, gap: float) -> _Way | None:
    bound = _length_bound(parts, gap)
    if bound is None:
        return None
    sentence = Sentence(
        f"Measuring the {parts.length_name} to within ",
        rounded(bound, "mm"),
        ", and saying so in the series, should tell.",
    )
    return _LENGTH_S, Remedy("length", bound, sentence)


def _one_alone(noun: str) -> Remedy:
    more = _FEWEST - 1
    words = f"{cuts(1, noun)} does not show how much {noun}s scatter: make at least {more} more."
    return Remedy("more cuts", more, Sentence(words))


def _too_few(parts: UncertaintyParts) -> Remedy:
    more = _FEWEST - parts.trials
    few = cuts(parts.trials, parts.noun)
    sentence = Sentence(f"{few} show too little of how they scatter: make {more} more.")
    return Remedy("more cuts", more, sentence)


def _none(
    parts: UncertaintyParts, gap: float, tolerance: Tolerance, shown: tuple[float, MeasureUnit]
) -> Remedy:
    """Why nothing within reach gives a verdict."""
    scale, unit = shown
    left, stays = rounded(gap * scale, unit), parts.systematic()
    if stays > gap:
        sentence = Sentence(
            f"More {parts.noun}s will not tell: what stays uncertain however many are made, ± ",
            rounded(stays * scale, unit),
            ", is more than the ",
            left,
            " left to the limit.",
            "" if tolerance.unit == "rad" else " A known block shows the caliper's offset.",
        )
    else:
        sentence = Sentence(
            "It lies too near the limit, ",
            left,
            f" from it, for up to {_MOST_CUTS} more {parts.noun}s to tell; set it nearer to "
            "nominal, or accept a wider tolerance.",
        )
    return Remedy("none", None, sentence)


def _first(amounts: NDArray[np.int64], enough: NDArray[np.bool_]) -> int | None:
    return int(amounts[enough][0]) if enough.any() else None


def _narrowest(parts: UncertaintyParts, gap: float) -> int | None:
    """The narrowest base that gives a verdict, in mm, above 50 mm in steps of 5; None for none."""
    now = parts.base_mm
    if now is None or not parts.tells(gap, wider=_WIDEST):
        return None
    bases = np.concatenate([np.arange(1, 50), np.arange(50, _WIDEST * now + 5, 5, dtype=int)])
    bases = bases[bases > now]
    return _first(bases, parts.tells(gap, wider=bases / now))


def _length_bound(parts: UncertaintyParts, gap: float) -> float | None:
    """The widest bound of the length, in mm to one digit, that gives a verdict; None for none."""
    now = parts.length_bound_mm
    if parts.length_u == 0 or now <= _FINEST_LENGTH_MM:
        return None
    digit = 10.0 ** math.floor(math.log10(now))
    steps = (digit, digit / 10, digit / 100)
    bounds = np.array([round(tenth * step, 9) for step in steps for tenth in range(9, 0, -1)])
    bounds = bounds[(bounds >= _FINEST_LENGTH_MM) & (bounds < now)]
    enough = parts.tells(gap, length=bounds / now)
    return float(bounds[enough][0]) if enough.any() else None
