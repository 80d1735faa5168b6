"""The score of a series: what its trials say, how surely, and the verdict.

It puts geometry, spread, uncertainty and conformity together and decides nothing itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import conformity, geometry, quantiles, sentences, spread, uncertainty
from analysis.conformity import Remedy, Tolerance, Verdict
from analysis.interval import Interval
from analysis.methods import Method, Quantity, Relation, Side
from analysis.uncertainty import LEVEL, Budget, Contribution
from analysis.units import MM_PER_INCH, Unit

Array = NDArray[np.float64]

# Fewer trials than this say nothing about one following on the other.
_ENOUGH_FOR_ORDER: Final = 10
# Fewer than this know their own scatter to no better than 40 %.
_ENOUGH_FOR_SCATTER: Final = 5
_NOT_NEGATIVE: Final = (
    "resolution_mm",
    "repeatability_mm",
    "baseline_u_mm",
    "inset_u_mm",
    "scale_u",
    "straightness_mm",
    "zero_u_mm",
    "zero_at_mm",
)


@dataclass(frozen=True, slots=True, eq=False)
class SeriesFacts:
    """All that a score needs to know of a series.

    widths_mm: (n, places, repeats), not finite = not read. baseline_mm, thickness_mm: as the method
    asks; for a known block the baseline is its stated size. repeatability_mm: standard
    deviation of one reading by caliper and hand, from a study with repeatability_df degrees
    of freedom; None takes 0.02 mm. baseline_u_mm (of cut length or thickness), inset_u_mm,
    scale_u (relative), zero_u_mm (which only lengths feel): standard uncertainties; None
    takes +-0.5 mm, +-1 mm, +-1e-4 and +-0.02 mm, each rectangular (common practice, no
    source). zero_at_mm: the size at which zero_u_mm holds, uncorrelated with scale_u; the mean
    size of the blocks that told both. straightness_mm: how far edge or fence may stand from
    straight over the length of the cut; None leaves it out. counted: (n,) mask of the trials
    that count; None counts all. unit: in which lengths and tapers are spoken of.

    Raises ValueError, naming the field, for an uncertainty or a count that is negative or no
    number, or degrees of freedom that are not above zero.
    """

    method: Method
    widths_mm: ArrayLike
    strip_side: Side = "left"
    baseline_mm: float | None = None
    thickness_mm: float | None = None
    inset_mm: float = 0.0
    pieces: int | None = None
    resolution_mm: float = 0.01
    repeatability_mm: float | None = None
    repeatability_df: float | None = None
    baseline_u_mm: float | None = None
    inset_u_mm: float | None = None
    scale_u: float | None = None
    straightness_mm: float | None = None
    tolerance: Tolerance | None = None
    counted: ArrayLike | None = None
    unit: Unit = "mm"
    zero_u_mm: float | None = None
    zero_at_mm: float = 0.0

    def __post_init__(self) -> None:
        for name in _NOT_NEGATIVE:
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value >= 0):
                raise ValueError(f"{name}: {value:g} must be zero or more")
        df = self.repeatability_df
        if df is not None and not (math.isfinite(df) and df > 0):
            raise ValueError(f"repeatability_df: {df:g} must be greater than zero")


@dataclass(frozen=True, slots=True)
class QuantityScore:
    """One quantity of a series, radians or millimetres. None is what cannot be told; never nan.

    trials: those that count and are complete. sd, range, sd_interval, prediction (for the next
    cut) and tolerance_interval (95 % of cuts to come) take two trials. mean_interval = mean +-
    expanded_uncertainty, at 95 %, with coverage_factor; effective_degrees_of_freedom None where
    unlimited. own_scatter: the machine's, apart from caliper and hand. conformance: probability
    that the true value is within tolerance, None for one cut, which does not show the machine's
    scatter and so is at most found out of tolerance. direction: which way it leans, in words.
    scatter: whose scatter it is, in a sentence; empty where trials do not scatter. remedy: the
    cheapest way to a verdict that cannot be given yet.
    """

    unit: Literal["rad", "mm"]
    trials: int
    mean: float | None
    sd: float | None
    range: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    effective_degrees_of_freedom: float | None
    mean_interval: Interval | None
    sd_interval: Interval | None
    prediction: Interval | None
    tolerance_interval: Interval | None
    own_scatter: spread.OwnScatter | None
    budget: Budget | None
    verdict: Verdict | None
    tolerance: Tolerance | None
    conformance: float | None
    direction: str
    sentence: str
    scatter: str
    remedy: Remedy | None


@dataclass(frozen=True, slots=True)
class Score:
    """trials: those that count and are complete in at least one quantity. quantities: by name,
    in the method's order. notes: sentences that hold for all of them."""

    trials: int
    quantities: Mapping[Quantity, QuantityScore]
    notes: tuple[str, ...]


def score(facts: SeriesFacts) -> Score:
    """The score of a series of any number of trials.

    No trials, one trial, equal trials and trials not complete are answered in words, and so
    are lengths that are not positive: then the quantity has no mean and its sentence says
    what to correct. Raises ValueError only when the widths do not fit the method.
    """
    method = facts.method
    means = geometry.place_means(method, facts.widths_mm)
    try:
        values = geometry.series_values(
            method,
            facts.widths_mm,
            facts.baseline_mm,
            facts.thickness_mm,
            facts.inset_mm,
            facts.strip_side,
            facts.pieces,
        )
    except ValueError as wrong:
        told = sentences.capital(str(wrong)) + "."
        return Score(0, {r.quantity: _nothing(r, facts, told) for r in method.relations}, (told,))
    counted = _counted(facts, len(means))
    quantities = {
        r.quantity: _quantity(r, facts, means, values.of(r.quantity), counted)
        for r in method.relations
    }
    trials = max((q.trials for q in quantities.values()), default=0)
    return Score(trials, quantities, _notes(facts, quantities, values, counted))


def verdict_of(
    method: Method, trials: int, mean: float, expanded: float, tolerance: Tolerance | None
) -> Verdict | None:
    """The verdict on the mean of so many trials; None without a tolerance.

    The budget of one cut holds what the measuring adds and not the machine's scatter, of which
    one cut shows nothing: it may be out, but it never proves the cuts to come good.
    """
    if tolerance is None:
        return None
    found = conformity.verdict(mean, expanded, tolerance)
    return conformity.UNKNOWN if found == conformity.GOOD and _one_cut(method, trials) else found


def _one_cut(method: Method, trials: int) -> bool:
    return trials == 1 and any("cut" in step.action for step in method.steps)


def trial_uncertainty(facts: SeriesFacts, quantity: Quantity | None = None) -> Array:
    """(n,) expanded uncertainty, at 95 %, of each single trial's angle or tilt in radians.

    quantity: which; None takes the angle, or the tilt where the method reveals no angle. For
    a length (only if asked for) it is in mm. nan for a trial not complete, and throughout
    where the method does not reveal it. It holds what the measuring adds: caliper and hand,
    resolution, lengths, scale, straightness; not the machine's scatter from cut to cut.
    Raises ValueError as `geometry.series_values` does.
    """
    method = facts.method
    means = geometry.place_means(method, facts.widths_mm)
    wanted: tuple[Quantity, ...] = ("angle", "tilt") if quantity is None else (quantity,)
    relation = next((r for w in wanted if (r := method.relation(w)) is not None), None)
    if relation is None:
        return np.full(len(means), np.nan)
    spread_u = _TrialSpread.of(relation, facts, len(means))
    if spread_u is None:
        return np.full(len(means), np.nan)
    expanded = np.empty(len(means))
    for rows in geometry.blocks(len(means)):
        contrast = geometry.weighted(means[rows], relation.weights)
        expanded[rows] = spread_u.expanded(contrast, rows)
    return expanded


@dataclass(frozen=True, slots=True)
class _TrialSpread:
    """What the measuring adds to single trials, as variances of the ratio contrast / base.

    growing: per squared ratio (scale, base); linear: per ratio, where the scale counts from
    another size than nothing; steady, (n,): the rest, by how often each trial's places were
    read; hand, (n,): the part of `steady` that has only `df` degrees of freedom, None where
    unlimited.
    """

    relation: Relation
    pieces: int
    base: float
    growing: float
    linear: float
    steady: Array
    hand: Array
    df: float | None

    @staticmethod
    def of(relation: Relation, facts: SeriesFacts, n: int) -> _TrialSpread | None:
        base = geometry.base_mm(relation, facts.baseline_mm, facts.thickness_mm, facts.inset_mm)
        if base is None and relation.terms:
            return None
        over, base_u = (1.0, 0.0) if base is None else (base, _base_u(relation, facts))
        hand = _hand_mm(facts)
        gain2 = sum(w * w for w in relation.weights)
        repeats = np.maximum(_repeats_read(facts), 1)
        dithered = uncertainty.rounding_averages_out(hand, facts.resolution_mm)
        hand2 = gain2 * hand**2 / repeats
        total = sum(relation.weights)
        scale2, apart = _scale_u(facts) ** 2, total * facts.zero_at_mm
        steady = (
            hand2
            + gain2
            * uncertainty.rounding(facts.resolution_mm) ** 2
            / (repeats if dithered else 1.0)
            + (total * _zero_u(facts)) ** 2
            + scale2 * apart**2
            + (_straightness_u(facts) ** 2 if relation.terms else 0.0)
        )
        return _TrialSpread(
            relation,
            geometry.pieces_of(facts.method, facts.pieces),
            over,
            scale2 + (base_u / over) ** 2,
            -2 * scale2 * apart / over,
            np.broadcast_to(steady / over**2, n),
            np.broadcast_to(hand2 / over**2, n),
            _hand_df(facts),
        )

    def expanded(self, contrast: Array, rows: slice) -> Array:
        """Of the trials in `rows`, whose contrasts are given in mm; nan where nan."""
        ratio = contrast / self.base
        # Below, `square` is worked on in place: a million trials are mostly memory traffic.
        square = ratio * ratio
        variance = square * self.growing
        variance += self.steady[rows]
        if self.linear:
            variance += self.linear * ratio
        if self.df is not None and self.hand.any():
            result = self._by_student_t(variance, self.hand[rows], self.df)
        else:
            variance *= uncertainty.coverage_factor(None) ** 2
            result = np.sqrt(variance, out=variance)
        terms = self.relation.terms
        if not terms:
            return result
        if len(terms) == 1:
            # slope = c m (1 + (ratio / c)^2), without a tangent
            c, m = terms[0].coefficient, terms[0].multiple
            m *= self.pieces if terms[0].per_piece else 1
            square *= m / c
            square += m * c
            result /= square
            return result
        angle = geometry.solve(self.relation, ratio, self.pieces)
        return np.asarray(result / geometry.slope(self.relation, angle, self.pieces))

    @staticmethod
    def _by_student_t(variance: Array, hand: Array, df: float) -> Array:
        """Expanded, of the ratio, as `uncertainty.factor` does with its guard."""
        effective = variance * variance * (df / hand**2)
        known = np.isfinite(effective)
        k = np.full(effective.shape, np.nan)
        k[known] = quantiles.student_t_array((1 + LEVEL) / 2, effective[known])
        expanded = k * np.sqrt(variance)
        if df >= uncertainty.FEW:
            return np.asarray(expanded)
        few, many = uncertainty.coverage_factor(df) ** 2, uncertainty.coverage_factor(None) ** 2
        return np.asarray(np.maximum(expanded, np.sqrt(few * hand + many * (variance - hand))))


def _hand_mm(facts: SeriesFacts) -> float:
    return (
        uncertainty.REPEATABILITY_MM if facts.repeatability_mm is None else facts.repeatability_mm
    )


def _hand_df(facts: SeriesFacts) -> float | None:
    return None if facts.repeatability_mm is None else facts.repeatability_df


def _counted(facts: SeriesFacts, n: int) -> NDArray[np.bool_]:
    if facts.counted is None:
        return np.ones(n, dtype=bool)
    counted = np.asarray(facts.counted, dtype=bool)
    if counted.shape != (n,):
        raise ValueError(f"counted: give one yes or no for each of the {n} trials")
    return counted


def _repeats(facts: SeriesFacts, counted: NDArray[np.bool_]) -> int:
    """The fewest readings of any place of a complete trial that counts; 1 for none."""
    read = np.broadcast_to(_repeats_read(facts), counted.shape)
    read = read[counted & (read > 0)]
    return int(read.min()) if read.size else 1


def _repeats_read(facts: SeriesFacts) -> NDArray[np.int64]:
    """How often each trial's least read place was read: (n,), or (1,) where all places hold one."""
    widths = np.asarray(facts.widths_mm, dtype=np.float64)
    if widths.ndim < 3 or widths.shape[2] == 1 or not widths.size:
        return np.ones(1, dtype=np.int64)
    read: NDArray[np.int64] = np.isfinite(widths).sum(axis=2).min(axis=1)
    return read


def _scale_u(facts: SeriesFacts) -> float:
    return (
        uncertainty.rectangular(uncertainty.SCALE_BOUND) if facts.scale_u is None else facts.scale_u
    )


def _baseline_u(facts: SeriesFacts) -> float:
    if facts.baseline_u_mm is not None:
        return facts.baseline_u_mm
    return uncertainty.rectangular(uncertainty.LENGTH_BOUND_MM)


def _inset_u(relation: Relation, facts: SeriesFacts) -> float:
    if not relation.insets:
        return 0.0
    if facts.inset_u_mm is not None:
        return facts.inset_u_mm
    return uncertainty.rectangular(uncertainty.INSET_BOUND_MM)


def _base_u(relation: Relation, facts: SeriesFacts) -> float:
    return math.hypot(_baseline_u(facts), relation.insets * _inset_u(relation, facts))


def _straightness_u(facts: SeriesFacts) -> float:
    return uncertainty.rectangular(facts.straightness_mm or 0.0)


def _zero_u(facts: SeriesFacts) -> float:
    # A zero offset adds the same to every place, so a difference does not feel it. Where the
    # caliper itself is judged, its zero is the answer and no source of doubt.
    if facts.method.judges != "machine":
        return 0.0
    return (
        uncertainty.rectangular(uncertainty.ZERO_BOUND_MM)
        if facts.zero_u_mm is None
        else facts.zero_u_mm
    )


def _nothing(relation: Relation, facts: SeriesFacts, told: str) -> QuantityScore:
    return QuantityScore(
        unit=_unit(relation),
        trials=0,
        mean=None,
        sd=None,
        range=None,
        expanded_uncertainty=None,
        coverage_factor=None,
        effective_degrees_of_freedom=None,
        mean_interval=None,
        sd_interval=None,
        prediction=None,
        tolerance_interval=None,
        own_scatter=None,
        budget=None,
        verdict=None,
        tolerance=_tolerance(relation, facts),
        conformance=None,
        direction="",
        sentence=told,
        scatter="",
        remedy=None,
    )


def _unit(relation: Relation) -> Literal["rad", "mm"]:
    return "mm" if relation.quantity == "length" else "rad"


def _tolerance(relation: Relation, facts: SeriesFacts) -> Tolerance | None:
    if facts.tolerance is None or facts.tolerance.unit != _unit(relation):
        return None
    return None if facts.method.judges != "machine" else facts.tolerance


def _quantity(
    relation: Relation,
    facts: SeriesFacts,
    means: Array,
    values: Array,
    counted: NDArray[np.bool_],
) -> QuantityScore:
    complete = counted & np.isfinite(values)
    found = spread.summary(values[complete])
    n = found.n
    if n == 0 or found.mean is None:
        return _nothing(relation, facts, _why_nothing(relation, facts))
    mean, sd = found.mean, found.sd
    contrast = geometry.weighted(means, relation.weights)[complete]
    contrast_sd = spread.summary(contrast).sd
    repeats = _repeats(facts, complete)
    sd_df: float = n - 1
    if facts.method.judges == "hand" and repeats > 1:
        sd, sd_df = _pooled(facts, complete)
    lines = _lines(relation, facts, mean, float(contrast.mean()), n, found.sd, contrast_sd, repeats)
    budget = uncertainty.combine(lines, guard=True)
    tolerance = _tolerance(relation, facts)
    one_cut = _one_cut(facts.method, n)
    judged = verdict_of(facts.method, n, mean, budget.expanded, tolerance)
    way = None
    if one_cut and judged == conformity.UNKNOWN:
        way = conformity.SECOND_CUT
    elif tolerance is not None and judged == conformity.UNKNOWN:
        sources = _sources(relation, facts, budget, mean, n, found.sd, repeats)
        way = conformity.remedy(
            mean, tolerance, sources, len(facts.method.places), _shown(relation, facts)
        )
    scattered = sd is not None and sd > 0
    own = _own_scatter(relation, facts, mean, found.sd, n, repeats)
    sentence = _sentence(relation, facts, mean, sd, n, budget.expanded, judged, complete)
    return QuantityScore(
        unit=_unit(relation),
        trials=n,
        mean=mean,
        sd=sd,
        range=found.range,
        expanded_uncertainty=budget.expanded,
        coverage_factor=budget.coverage_factor,
        effective_degrees_of_freedom=budget.effective_degrees_of_freedom,
        mean_interval=Interval(mean - budget.expanded, mean + budget.expanded),
        sd_interval=spread.sd_interval(sd, int(sd_df) + 1) if sd and scattered else None,
        prediction=spread.prediction_interval(mean, found.sd, n) if found.sd else None,
        tolerance_interval=spread.tolerance_interval(mean, found.sd, n) if found.sd else None,
        own_scatter=own,
        budget=budget,
        verdict=judged,
        tolerance=tolerance,
        conformance=None
        if tolerance is None or one_cut
        else conformity.conformance_probability(
            mean,
            budget.combined,
            tolerance.low,
            tolerance.high,
            budget.effective_degrees_of_freedom,
        ),
        direction=_direction(relation, mean, budget.expanded),
        sentence=sentence if way is None else f"{sentence} {way.sentence}",
        scatter=(
            sentences.scatter_sentence(found.sd, own, _unit(relation), facts.unit)
            if own is not None and found.sd
            else ""
        ),
        remedy=way,
    )


def _why_nothing(relation: Relation, facts: SeriesFacts) -> str:
    if relation.over == "baseline" and facts.baseline_mm is None:
        return f"Give the baseline: {facts.method.baseline}."
    if relation.over == "thickness" and facts.thickness_mm is None:
        return "Give the thickness between the two heights that were read."
    return "No complete trial yet."


def _sensitivity(relation: Relation, facts: SeriesFacts, mean: float) -> tuple[float, float, float]:
    """Change of the quantity for one mm of contrast, the ratio at the mean, and the base."""
    if not relation.terms:
        return 1.0, mean, 1.0
    pieces = geometry.pieces_of(facts.method, facts.pieces)
    sign = geometry.strip_sign(facts.method, facts.strip_side)
    base = geometry.base_mm(relation, facts.baseline_mm, facts.thickness_mm, facts.inset_mm)
    assert base is not None  # a mean was found, so a base was given
    steep = float(geometry.slope(relation, mean, pieces)) * base
    return sign / steep, float(geometry.ratio(relation, mean, pieces)), base


def _lines(
    relation: Relation,
    facts: SeriesFacts,
    mean: float,
    contrast_mm: float,
    n: int,
    sd: float | None,
    contrast_sd: float | None,
    repeats: int,
) -> tuple[Contribution, ...]:
    per_mm, ratio, base = _sensitivity(relation, facts, mean)
    unit = _unit(relation)
    lines = list(
        uncertainty.reading_lines(
            value=mean,
            weights=relation.weights,
            trials=n,
            repeats=repeats,
            trial_sd=sd,
            contrast_sd=contrast_sd,
            sensitivity=per_mm,
            unit=unit,
            resolution_mm=facts.resolution_mm,
            repeatability_mm=facts.repeatability_mm,
            repeatability_df=facts.repeatability_df,
        )
    )
    if facts.method.judges == "machine":
        lines.append(
            Contribution(
                "caliper scale",
                1.0,
                "1",
                "rectangular" if facts.scale_u is None else "normal",
                _scale_u(facts),
                per_mm * (contrast_mm - sum(relation.weights) * facts.zero_at_mm),
                None,
                "scale",
            )
        )
        lines.append(
            Contribution(
                "caliper zero",
                0.0,
                "mm",
                "rectangular" if facts.zero_u_mm is None else "normal",
                _zero_u(facts),
                per_mm * sum(relation.weights),
                None,
                "contrast",
            )
        )
    if relation.terms:
        # The ratio is contrast / base, so a base longer by one mm takes ratio / base off it;
        # `ratio` has the angle's sign already, so the strip's side must not turn it again.
        per_base_mm = -abs(per_mm) * ratio
        given = facts.baseline_mm if relation.over == "baseline" else facts.thickness_mm
        lines.append(
            Contribution(
                "length of the cut" if relation.over == "baseline" else "thickness",
                given or base,
                "mm",
                "rectangular",
                _baseline_u(facts),
                per_base_mm,
                None,
                "base",
            )
        )
        if relation.insets:
            # Both ends are touched by the same habit: their errors add up.
            lines.append(
                Contribution(
                    "inset",
                    facts.inset_mm,
                    "mm",
                    "rectangular",
                    _inset_u(relation, facts),
                    -relation.insets * per_base_mm,
                    None,
                    "inset",
                )
            )
        if facts.straightness_mm:
            lines.append(
                Contribution(
                    "straightness of edge and fence",
                    0.0,
                    "mm",
                    "rectangular",
                    _straightness_u(facts),
                    per_mm,
                    None,
                    "contrast",
                )
            )
    return tuple(lines)


def _hand_u(relation: Relation, facts: SeriesFacts, mean: float, repeats: int) -> float:
    """What caliper and hand add to one trial, in the quantity's unit."""
    gain = math.sqrt(sum(w * w for w in relation.weights) / repeats)
    return abs(_sensitivity(relation, facts, mean)[0]) * gain * _hand_mm(facts)


def _own_scatter(
    relation: Relation, facts: SeriesFacts, mean: float, sd: float | None, n: int, repeats: int
) -> spread.OwnScatter | None:
    if not sd or facts.method.judges != "machine":
        return None
    hand = _hand_u(relation, facts, mean, repeats)
    # Trials are rounded anew at each place, which readings of one spot need not show.
    dithered = uncertainty.rounding_averages_out(_hand_mm(facts), facts.resolution_mm)
    gain = math.sqrt(sum(w * w for w in relation.weights) / (repeats if dithered else 1))
    count = abs(_sensitivity(relation, facts, mean)[0]) * gain
    count *= uncertainty.rounding(facts.resolution_mm)
    return spread.own_scatter(sd, n, math.hypot(hand, count), _hand_df(facts))


def _sources(
    relation: Relation,
    facts: SeriesFacts,
    budget: Budget,
    mean: float,
    n: int,
    sd: float | None,
    repeats: int,
) -> conformity.Sources:
    def part(*sources: str) -> float:
        return math.hypot(*(c.contribution for c in budget.contributions if c.source in sources))

    hand = _hand_u(relation, facts, mean, repeats)
    # What a wider board would do: nothing for a frame's joint or the saw's own slot.
    base = (
        geometry.base_mm(relation, facts.baseline_mm, facts.thickness_mm, facts.inset_mm)
        if relation.insets or relation.over == "thickness"
        else None
    )
    return conformity.Sources(
        trials=n,
        trial_sd=sd,
        hand_u=hand,
        hand_df=_hand_df(facts),
        rounding_u=part("caliper resolution"),
        shrinking_u=part("length of the cut", "thickness", "inset"),
        fixed_u=part("caliper scale", "caliper zero", "straightness of edge and fence"),
        base_mm=base,
        repeats=repeats,
        hand_assumed=facts.repeatability_mm is None,
        base_adjective="thick" if relation.over == "thickness" else "wide",
        length_u=part("length of the cut", "thickness"),
        length_bound_mm=_baseline_u(facts) * math.sqrt(3) if relation.terms else 0.0,
        length_name=(
            "thickness"
            if relation.over == "thickness"
            else (facts.method.baseline or "length").split(",")[0]
        ),
    )


def _shown(relation: Relation, facts: SeriesFacts) -> tuple[float, str]:
    if relation.terms:
        return math.degrees(1), "degrees"
    return (1.0, "mm") if facts.unit == "mm" else (1 / MM_PER_INCH, "in")


def _direction(relation: Relation, mean: float, expanded: float) -> str:
    which = sentences.direction(mean, expanded, relation.toward)
    return f"{which}, {relation.view}" if which and relation.view else which


def _pooled(facts: SeriesFacts, complete: NDArray[np.bool_]) -> tuple[float | None, float]:
    """Standard deviation within spots, pooled over spots, and its degrees of freedom."""
    widths = np.asarray(facts.widths_mm, dtype=np.float64)[complete, 0, :]
    read = np.isfinite(widths)
    count = read.sum(axis=1)
    centre = np.where(read, widths, 0.0).sum(axis=1) / count
    rest = np.where(read, widths - centre[:, np.newaxis], 0.0)
    df = int((count - 1).sum())
    return (math.sqrt(float((rest * rest).sum()) / df), df) if df else (None, 0)


def _sentence(
    relation: Relation,
    facts: SeriesFacts,
    mean: float,
    sd: float | None,
    n: int,
    expanded: float,
    judged: Verdict | None,
    complete: NDArray[np.bool_],
) -> str:
    if relation.terms:
        return sentences.angle_sentence(mean, expanded, relation.toward, n, judged, facts.unit)
    if facts.method.judges == "hand":
        readings = int(np.isfinite(np.asarray(facts.widths_mm, dtype=float)[complete]).sum())
        return sentences.repeatability_sentence(sd, readings, facts.unit)
    if facts.method.judges == "caliper":
        if facts.baseline_mm is None:
            return sentences.unknown_block_sentence(mean, expanded, n, facts.unit)
        return sentences.block_sentence(mean - facts.baseline_mm, expanded, n, facts.unit)
    return sentences.length_sentence(mean, expanded, sd, n, judged, facts.unit)


def _notes(
    facts: SeriesFacts,
    quantities: Mapping[Quantity, QuantityScore],
    values: geometry.TrialValues,
    counted: NDArray[np.bool_],
) -> tuple[str, ...]:
    notes: list[str] = []
    trials = max((q.trials for q in quantities.values()), default=0)
    if trials == 1 and facts.method.judges == "machine":
        notes.append(
            "One trial tells nothing of the machine's own scatter: the uncertainty is that of "
            "the measuring alone."
        )
    if (
        2 <= trials < _ENOUGH_FOR_SCATTER
        and facts.method.judges != "hand"
        and any(q.sd for q in quantities.values())
    ):
        notes.append(
            f"A standard deviation from {trials} trials is itself in doubt by "
            f"{100 * spread.sd_doubt(trials):.0f} %; five or more trials tell more."
        )
    if trials >= 2 and any(q.sd == 0 for q in quantities.values()):
        notes.append("All trials are alike to the caliper's last digit: it hides the scatter.")
    for quantity, found in quantities.items():
        limits, following = found.tolerance, found.prediction
        if (
            found.verdict == conformity.GOOD
            and limits is not None
            and following is not None
            and not (limits.low <= following.low and following.high <= limits.high)
        ):
            notes.append(
                f"The setting is good enough, but single cuts scatter beyond the tolerance "
                f"({quantity}): the next cut may fall outside it."
            )
    left_out = int(counted.size - counted.sum())
    if left_out:
        notes.append(f"{sentences.cuts(left_out)} set aside and not counted.")
    for quantity in quantities:
        order = values.of(quantity)[counted]
        order = order[np.isfinite(order)]
        follows = spread.serial_correlation(order) if order.size >= _ENOUGH_FOR_ORDER else None
        if follows is not None and follows > 2 / math.sqrt(order.size):
            notes.append(
                f"Each {quantity} resembles the one before: something changes while cutting, and "
                "the uncertainty is larger than stated."
            )
    return tuple(notes)
