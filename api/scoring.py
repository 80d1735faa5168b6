"""From the analysis' score (radians) to the one that goes out (degrees)."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from analysis.interval import Interval
from analysis.score import QuantityScore, SeriesFacts, score
from analysis.spread import OwnScatter
from api.shapes import (
    ContributionOut,
    IntervalOut,
    OwnScatterOut,
    QuantityOut,
    ScoreOut,
    StudyOut,
)
from api.store.studies import Study


def score_out(facts: SeriesFacts, study: Study | None = None) -> ScoreOut:
    """What the trials in `facts` say, angles in degrees.

    study: what the facts know of the calipers from studies; the budget's lines name it.
    """
    found = score(facts)
    known = study or Study()
    named = _named_sources(known)
    return ScoreOut(
        trials=found.trials,
        quantities={name: _quantity_out(q, named) for name, q in found.quantities.items()},
        notes=list(found.notes),
        study=None if known == Study() else _study_out(known),
    )


def _study_out(study: Study) -> StudyOut:
    return StudyOut(
        repeatability_mm=study.repeatability_mm,
        repeatability_degrees_of_freedom=study.repeatability_df,
        scale_u=study.scale_u,
        zero_u_mm=study.zero_u_mm,
        same_spot=[source.series for source in study.same_spot],
        known_block=[source.series for source in study.known_block],
    )


def _named_sources(study: Study) -> dict[str, str]:
    """What a budget's line says of the study behind it, by the line's source."""
    named = {}
    if study.same_spot:
        on = study.same_spot[-1].started_at
        named["caliper and hand, repeatability"] = f" (same-spot series of {on:%Y-%m-%d})"
    if study.known_block:
        on = study.known_block[-1].started_at
        named["caliper scale"] = f" (known blocks, latest of {on:%Y-%m-%d})"
        named["caliper zero"] = named["caliper scale"]
    return named


def _same(value: float) -> float:
    return value


def _quantity_out(q: QuantityScore, named: Mapping[str, str]) -> QuantityOut:
    outward = math.degrees if q.unit == "rad" else _same

    def number(value: float | None) -> float | None:
        return None if value is None else outward(value)

    return QuantityOut(
        unit="deg" if q.unit == "rad" else "mm",
        trials=q.trials,
        mean=number(q.mean),
        sd=number(q.sd),
        range=number(q.range),
        expanded_uncertainty=number(q.expanded_uncertainty),
        coverage_factor=q.coverage_factor,
        effective_degrees_of_freedom=q.effective_degrees_of_freedom,
        mean_interval=_interval(q.mean_interval, outward),
        sd_interval=_interval(q.sd_interval, outward),
        prediction=_interval(q.prediction, outward),
        tolerance_interval=_interval(q.tolerance_interval, outward),
        own_scatter=_own_scatter(q.own_scatter, outward),
        conformance=q.conformance,
        tolerance=None if q.tolerance is None else outward(q.tolerance.high),
        verdict=q.verdict,
        direction=q.direction,
        sentence=q.sentence,
        scatter=q.scatter,
        remedy=None if q.remedy is None else q.remedy.sentence,
        budget=[
            ContributionOut(
                source=c.source + named.get(c.source, ""),
                value=math.degrees(c.value) if c.unit == "rad" else c.value,
                unit="deg" if c.unit == "rad" else c.unit,
                distribution=c.distribution,
                standard_uncertainty=(
                    math.degrees(c.standard_uncertainty)
                    if c.unit == "rad"
                    else c.standard_uncertainty
                ),
                # Of the result in its own unit outside, for one of the line's unit outside.
                sensitivity=c.sensitivity if c.unit == "rad" else outward(c.sensitivity),
                contribution=outward(c.contribution),
                degrees_of_freedom=c.degrees_of_freedom,
            )
            for c in (q.budget.contributions if q.budget else ())
        ],
    )


def _own_scatter(
    found: OwnScatter | None, outward: Callable[[float], float]
) -> OwnScatterOut | None:
    if found is None:
        return None
    low, high = outward(found.interval.low), outward(found.interval.high)
    interval = IntervalOut(low=low, high=high, level=found.interval.level)
    return OwnScatterOut(sd=outward(found.sd), interval=interval, hidden=found.hidden)


def _interval(found: Interval | None, outward: Callable[[float], float]) -> IntervalOut | None:
    if found is None:
        return None
    return IntervalOut(low=outward(found.low), high=outward(found.high), level=found.level)
