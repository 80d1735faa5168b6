"""The score of a series: the result of its trials, its uncertainty, and the verdict.

It combines geometry, spread, uncertainty and conformity and has no rules of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis import (
    budget,
    conformity,
    counts,
    geometry,
    judging,
    quantiles,
    remedy,
    sentences,
    sequential,
    spread,
    uncertainty,
)
from analysis.budget import SeriesBudget
from analysis.conformity import Tolerance, Verdict
from analysis.facts import SeriesFacts
from analysis.interval import Interval
from analysis.methods import Quantity, Relation
from analysis.sentences import Sentence, capital
from analysis.systematic import fixed_u
from analysis.uncertainty import Budget
from analysis.visits import VisitMeans, next_cut_half, visit_means

Array = NDArray[np.float64]

# Fewer trials than this show nothing about serial correlation.
_ENOUGH_FOR_ORDER: Final = 10
# Fewer trials than this give a standard deviation that is uncertain by 40 % or more.
_ENOUGH_FOR_SCATTER: Final = 5
_BY_VISITS: Final = (
    "The result counts visits to the stop, not strips: how the machine comes back is anew at each "
    "visit. 2 visits show little of it; each more visit makes the uncertainty much smaller."
)


@dataclass(frozen=True, slots=True)
class QuantityScore:
    """One quantity of a series, radians or millimetres. None where it cannot be known; never nan.

    trials: those that count and are complete. sd, range and sd_interval, of trials, prediction (for
    the next single cut) and tolerance_interval (95 % of single cuts to come) need two trials; of a
    method that cuts nothing these are of single trials. mean_interval = mean +-
    expanded_uncertainty, at 95 %, with coverage_factor, for one look at so many trials;
    effective_degrees_of_freedom None where unlimited. own_scatter: of the machine's single cuts,
    apart from caliper and hand. verdict: by `rule`, which `statement` says in words; it holds
    however often the series is looked at while it runs. decides: the half-width about the mean that
    it rests on, None where the trials are too few for any. conformance: probability that the true
    value is within tolerance, None for one trial, which does not show the machine's scatter.
    direction: which way it leans, in words.
    scatter: where the scatter comes from, in a sentence; empty where trials do not scatter.
    remedy: the cheapest way to a verdict where there is none yet.
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
    rule: sequential.Rule | None
    decides: float | None
    statement: str
    tolerance: Tolerance | None
    conformance: float | None
    direction: str
    sentence: Sentence
    scatter: str
    remedy: remedy.Remedy | None


@dataclass(frozen=True, slots=True)
class Score:
    """trials: those that count and are complete in at least one quantity. quantities: by name,
    in the method's order. notes: sentences about all of them."""

    trials: int
    quantities: Mapping[Quantity, QuantityScore]
    notes: tuple[str, ...]


def score(facts: SeriesFacts) -> Score:
    """The score of a series of any number of trials.

    No trials, one trial, equal trials and incomplete trials are explained in sentences. So are
    lengths that are not positive: then the quantity has no mean and its sentence says
    what to correct. Raises ValueError only when the widths do not fit the method.
    """
    method = facts.method
    means = geometry.place_means(method, facts.widths_mm)
    try:
        values = facts.values()
    except ValueError as wrong:
        message = sentences.capital(str(wrong)) + "."
        return Score(
            0, {r.quantity: _nothing(r, facts, message) for r in method.relations}, (message,)
        )
    counted = _counted(facts, len(means))
    quantities = {
        r.quantity: _quantity(r, facts, means, values.of(r.quantity), counted)
        for r in method.relations
    }
    trials = max((q.trials for q in quantities.values()), default=0)
    return Score(trials, quantities, _notes(facts, quantities, values, counted))


def _counted(facts: SeriesFacts, n: int) -> NDArray[np.bool_]:
    if facts.counted is None:
        return np.ones(n, dtype=bool)
    counted = np.asarray(facts.counted, dtype=bool)
    if counted.shape != (n,):
        raise ValueError(f"counted: give one yes or no for each of the {n} trials")
    return counted


def _repeats(facts: SeriesFacts, counted: NDArray[np.bool_]) -> int:
    """The fewest readings of any place of a complete trial that counts; 1 for none."""
    read = budget.repeats_read(facts)
    if read.size == 1:
        return max(int(read[0]), 1)
    read = read[counted & (read > 0)]
    return int(read.min()) if read.size else 1


def _in_order(facts: SeriesFacts, complete: NDArray[np.bool_]) -> Array:
    """The widths of the trials that count, each in a row."""
    widths = np.asarray(facts.widths_mm, dtype=np.float64)[complete]
    return widths.reshape(len(widths), -1)


def _nothing(relation: Relation, facts: SeriesFacts, message: str) -> QuantityScore:
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
        rule=None,
        decides=None,
        statement="",
        tolerance=_tolerance(relation, facts),
        conformance=None,
        direction="",
        sentence=Sentence(message),
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
    contrasts = spread.summary(geometry.weighted(means, relation.weights)[complete])
    visits = _visits(facts, values[complete], complete)
    if visits is not None:
        mean = float(visits.mean[0])
        found = replace(found, mean=mean)
    repeats = _repeats(facts, complete)
    sd_df: float = n - 1
    if facts.method.judges == "hand" and repeats > 1:
        sd, sd_df = _pooled(facts, complete)
    vary = counts.widths_vary(_in_order(facts, complete), facts.resolution_mm)
    parts = budget.of_series(relation, facts, found, contrasts, repeats, vary, visits)
    total = parts.total
    tolerance = _tolerance(relation, facts)
    all_complete = int(np.isfinite(values).sum())
    judged = _judged(relation, facts, parts, found, visits, all_complete)
    way = None
    if judged.rule == "not yet" and facts.planned is not None:
        way = remedy.as_planned(facts.planned, all_complete, facts.method.noun)
    elif tolerance is not None and judged.verdict == conformity.UNKNOWN:
        way = remedy.of_series(relation, facts, tolerance, parts, found, repeats, visits)
    scattered = sd is not None and sd > 0 and visits is None
    within = found if visits is None else _within(found, visits)
    own = _own_scatter(relation, facts, parts, within, repeats)
    following, later = _single_cuts(facts, parts, found, visits)
    sentence = _sentence(relation, facts, mean, sd, n, total.expanded, judged.verdict, complete)
    more = judged.by_earlier if way is None else way.sentence
    return QuantityScore(
        unit=_unit(relation),
        trials=n,
        mean=mean,
        sd=sd,
        range=found.range,
        expanded_uncertainty=total.expanded,
        coverage_factor=total.coverage_factor,
        effective_degrees_of_freedom=total.effective_degrees_of_freedom,
        mean_interval=Interval.about(mean, total.expanded),
        sd_interval=spread.sd_interval(sd, int(sd_df) + 1, rounding_u=parts.rounding_u)
        if sd and scattered
        else None,
        prediction=following,
        tolerance_interval=later,
        own_scatter=own,
        budget=total,
        verdict=judged.verdict,
        rule=judged.rule,
        decides=judged.decides,
        statement=judged.statement,
        tolerance=tolerance,
        conformance=None
        if tolerance is None or n == 1
        else conformity.conformance_probability(
            mean,
            total.combined,
            tolerance.low,
            tolerance.high,
            total.effective_degrees_of_freedom,
        ),
        direction=_direction(relation, mean, total.expanded),
        sentence=Sentence(sentence, " ", more) if more else sentence,
        scatter=(
            sentences.scatter_sentence(
                within.sd,
                own,
                _unit(relation),
                facts.unit,
                of_cuts=bool(facts.method.cuts),
                trials=capital(
                    f"{facts.method.noun}s" + ("" if visits is None else " of one visit")
                ),
            )
            if own is not None and within.sd
            else ""
        ),
        remedy=way,
    )


def _judged(
    relation: Relation,
    facts: SeriesFacts,
    parts: SeriesBudget,
    found: spread.Summary,
    visits: VisitMeans | None,
    complete: int,
) -> judging.Judged:
    tolerance = _tolerance(relation, facts)
    if tolerance is None:
        return judging.Judged(None)
    assert found.mean is not None  # without a trial there is no verdict
    lines = parts.total.contributions
    rounding_u = math.hypot(*(c.contribution for c in lines if c.source == budget.RESOLUTION))
    seen = judging.Seen(
        found.n,
        complete,
        found.mean,
        found.sd,
        parts.total.expanded,
        budget.shared_bound(relation, rounding_u, fixed_u(parts.total)),
        *(() if visits is None else visits.counted()),
    )
    earlier = facts.earlier.get(relation.quantity)
    return judging.judged(seen, tolerance, facts.planned, facts.ended, earlier)


def _why_nothing(relation: Relation, facts: SeriesFacts) -> str:
    if relation.over == "baseline" and facts.baseline_mm is None:
        return f"Give the baseline: {facts.method.baseline}."
    if relation.over == "thickness" and facts.thickness_mm is None:
        return "Give the thickness between the 2 heights that were read."
    return f"No complete {facts.method.noun} yet."


def _visits(facts: SeriesFacts, values: Array, complete: NDArray[np.bool_]) -> VisitMeans | None:
    """The visits of the trials that count, where there are several."""
    visit = facts.several_visits(complete)
    return None if visit is None else visit_means(values, np.zeros_like(visit), visit, 1)


def _within(found: spread.Summary, visits: VisitMeans) -> spread.Summary:
    """What the trials of one visit show of their scatter."""
    df = int(visits.within_df[0])
    return replace(found, n=df + 1, sd=float(visits.within[0]) if df else None)


def _single_cuts(
    facts: SeriesFacts, parts: SeriesBudget, found: spread.Summary, visits: VisitMeans | None
) -> tuple[Interval | None, Interval | None]:
    """Where the next single cut will lie, and 95 in 100 of those to come; of several visits the
    next one at a visit of its own, and nothing of those to come."""
    if found.mean is None or not found.sd:
        return None, None
    if visits is not None:
        half = next_cut_half(visits, facts.method.cut_share(facts.pieces))
        shared = quantiles.normal((1 + uncertainty.LEVEL) / 2) * fixed_u(parts.total)
        return Interval.about(found.mean, math.hypot(half, shared)), None
    n, sd = found.n, counts.scatter_bounds(found.sd, found.n, parts.rounding_u).most
    share, shared_u = facts.method.cut_share(facts.pieces), fixed_u(parts.total)
    return (
        spread.prediction_interval(found.mean, sd, n, share=share, fixed_u=shared_u),
        spread.tolerance_interval(found.mean, sd, n, share=share, fixed_u=shared_u),
    )


def _own_scatter(
    relation: Relation,
    facts: SeriesFacts,
    parts: SeriesBudget,
    found: spread.Summary,
    repeats: int,
) -> spread.OwnScatter | None:
    if not found.sd or facts.method.judges != "machine":
        return None
    share = facts.method.cut_share(facts.pieces)
    rounding = parts.rounding_u
    most_sd = counts.scatter_bounds(found.sd, found.n, rounding).most
    if facts.repeatability_mm is not None:
        # Each trial is rounded independently, which readings of one spot need not show.
        return spread.own_scatter(
            found.sd,
            found.n,
            parts.hand_u,
            facts.hand_df,
            rounding_sd=rounding,
            most_sd=most_sd,
            share=share,
        )
    hand = budget.reading_mm(
        budget.gain(relation), uncertainty.HAND_BOUND_MM, facts.resolution_mm, repeats
    )
    most_hand = parts.unit_per_mm * math.hypot(*hand)
    return spread.bounded_scatter(found.sd, found.n, most_hand, most_sd=most_sd, share=share)


def _direction(relation: Relation, mean: float, expanded: float) -> str:
    which = sentences.direction(mean, expanded, relation.leans)
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
) -> Sentence:
    verdict, noun = sentences.verdict_for(judged, facts.work), facts.method.noun
    if relation.terms:
        return sentences.angle_sentence(
            mean, expanded, relation.leans, n, verdict, facts.unit, noun
        )
    if facts.method.judges == "hand":
        readings = int(np.isfinite(np.asarray(facts.widths_mm, dtype=float)[complete]).sum())
        return sentences.repeatability_sentence(sd, readings, facts.unit)
    if facts.method.judges == "caliper":
        if facts.baseline_mm is None:
            return sentences.unknown_block_sentence(mean, expanded, n, facts.unit)
        return sentences.block_sentence(mean - facts.baseline_mm, expanded, n, facts.unit)
    return sentences.length_sentence(mean, expanded, sd, n, verdict, facts.unit, noun)


def _notes(
    facts: SeriesFacts,
    quantities: Mapping[Quantity, QuantityScore],
    values: geometry.TrialValues,
    counted: NDArray[np.bool_],
) -> tuple[str, ...]:
    notes: list[str] = []
    noun = facts.method.noun
    trials = max((q.trials for q in quantities.values()), default=0)
    told = any(q.rule == "earlier series" for q in quantities.values())
    if trials == 1 and facts.method.judges == "machine" and not told:
        # Lines drawn within 0.03 mm: of one trial 70 to 80 in 100 intervals held (own simulation).
        lines = facts.method.picture == "two lines"
        notes.append(
            f"One {noun} shows nothing of how well its lines are drawn: the uncertainty is that of "
            "reading the gap alone. Draw both lines anew for each further one."
            if lines
            else f"One {noun} shows nothing of the machine's own scatter: the uncertainty is that "
            "of the measuring alone."
        )
    if (
        2 <= trials < _ENOUGH_FOR_SCATTER
        and facts.method.judges != "hand"
        and any(q.sd for q in quantities.values())
    ):
        notes.append(
            f"A standard deviation from {trials} {noun}s is itself uncertain by "
            f"{100 * spread.sd_relative_uncertainty(trials):.0f} %; 5 or more tell more."
        )
    if trials >= 2 and any(q.sd == 0 for q in quantities.values()):
        notes.append(f"All {noun}s are alike to the caliper's last digit: it hides the scatter.")
    for quantity, found in quantities.items():
        limits, following = found.tolerance, found.prediction
        if (
            found.verdict == conformity.GOOD
            and limits is not None
            and following is not None
            and not (limits.low <= following.low and following.high <= limits.high)
        ):
            notes.append(
                f"The setting is good enough, but single cuts may scatter beyond the tolerance "
                f"({quantity}): the next cut may fall outside it."
            )
    several = facts.several_visits(counted) is not None
    if several:
        notes.append(_BY_VISITS)
    left_out = int(counted.size - counted.sum())
    if left_out:
        notes.append(f"{sentences.cuts(left_out, noun)} set aside and not counted.")
    # Trials of one visit resemble each other, and the uncertainty has that already.
    for quantity in () if several else quantities:
        order = values.of(quantity)[counted]
        order = order[np.isfinite(order)]
        follows = spread.serial_correlation(order) if order.size >= _ENOUGH_FOR_ORDER else None
        if follows is not None and follows > spread.serial_correlation_limit(
            order.size, sequential.FALSE_FINDING
        ):
            notes.append(
                f"Each {quantity} resembles the one before: something changes while cutting, and "
                "the uncertainty is larger than stated."
            )
    return tuple(notes)
