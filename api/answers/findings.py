"""What deserves a second look in a series: doubtful trials, and a drift from cut to cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis import doubts, drift, geometry
from analysis.facts import SeriesFacts
from analysis.methods import Method, Quantity
from analysis.one_trial import rounding_sd
from analysis.score import Score, score
from analysis.uncertainty import REPEATABILITY_MM
from analysis.units import MM_PER_INCH


@dataclass(frozen=True, slots=True)
class DoubtedTrials:
    """Trials that deserve a second look, and what the series would say without them."""

    doubt: doubts.Doubt
    without: Score


def doubted(
    facts: SeriesFacts,
    numbers: Sequence[int],
    elsewhere: doubts.Elsewhere | None = None,
    rest_mm: Sequence[float] = (),
) -> tuple[DoubtedTrials, ...]:
    """The doubtful trials of a machine's series, each with the score without them.

    numbers: the trials' own, in the order of the facts' widths. elsewhere: what the method's first
    quantity was found to be before, in radians, if it is an angle. rest_mm: what was read of an
    open trial after them. None is doubtful where the lengths have no solution, or the method
    judges no machine.
    """
    values = _values(facts)
    if values is None:
        return ()
    method = facts.method
    quantity = method.reveals[0]
    found = doubts.find_doubts(
        facts.widths_mm,
        swap=method.swap,
        edges=edges_of(method),
        ends=ends_of(method),
        values=values.of(quantity),
        unit="mm" if quantity == "length" else "rad",
        reading_sd_mm=facts.repeatability_mm or REPEATABILITY_MM,
        elsewhere=None if quantity == "length" else elsewhere,
        numbers=numbers,
        resolution_mm=facts.resolution_mm,
        rest_mm=rest_mm,
    )
    return tuple(
        DoubtedTrials(doubt, _without(facts, [n not in doubt.trial_numbers for n in numbers]))
        for doubt in found
    )


def ends_of(method: Method) -> tuple[str, str]:
    """What the two ends of a strip are called, which `Method.swap` mixes up."""
    if len(method.places) == 2:
        first, second = method.places
        return first.label, second.label
    return "fence end", "open end"


def edges_of(method: Method) -> tuple[int, ...] | None:
    """The place that each becomes when lower and upper edge are mixed up, where a method reads
    both edges at both ends."""
    at = {(place.along, place.up): i for i, place in enumerate(method.places)}
    if method.swap is None or len(at) != 4:
        return None
    return tuple(at.get((place.along, 1 - place.up), i) for i, place in enumerate(method.places))


def trend(facts: SeriesFacts) -> Mapping[Quantity, drift.Trend]:
    """How each quantity of a machine's series crept from its first cut to its last, in radians,
    or in the series' own unit where it is a length.

    Empty where the lengths have no solution, or the method judges no machine.
    """
    values = _values(facts)
    if values is None:
        return {}
    return {q: _trend(facts, q, values) for q in facts.method.reveals}


def _values(facts: SeriesFacts) -> geometry.TrialValues | None:
    if facts.method.judges != "machine":
        return None
    try:
        return facts.values()
    except ValueError:  # the score says what to correct
        return None


def _without(facts: SeriesFacts, counted: Sequence[bool]) -> Score:
    return score(replace(facts, counted=np.asarray(counted, dtype=bool)))


def _trend(facts: SeriesFacts, quantity: Quantity, values: geometry.TrialValues) -> drift.Trend:
    relation = facts.method.relation(quantity)
    assert relation is not None  # of those that the method reveals
    rounding_u = rounding_sd(
        facts.method,
        relation,
        resolution_mm=facts.resolution_mm,
        base_mm=facts.base_mm(relation),
        pieces=facts.pieces,
    )
    if quantity != "length":
        return drift.trend(values.of(quantity), unit="rad", rounding_u=rounding_u)
    # The analysis writes a length in the unit in which it gets it.
    inward = 1 / MM_PER_INCH if facts.unit == "in" else 1.0
    return drift.trend(
        values.of(quantity) * inward, unit=facts.unit, rounding_u=rounding_u * inward
    )
