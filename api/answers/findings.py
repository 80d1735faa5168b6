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
    """Trials that deserve a second look, and what the series would say without them.

    at_hand: it is about the newest trial, or has come up with it, so that something can be done at
    once (`doubt.now`).
    """

    doubt: doubts.Doubt
    at_hand: bool
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
    found = all_doubts(facts, numbers, elsewhere, rest_mm)
    now = _at_hand(facts, numbers, found, elsewhere)
    return tuple(
        DoubtedTrials(
            doubt, doubt in now, _without(facts, [n not in doubt.trial_numbers for n in numbers])
        )
        for doubt in found
    )


def doubts_at_hand(
    facts: SeriesFacts,
    numbers: Sequence[int],
    elsewhere: doubts.Elsewhere | None = None,
    rest_mm: Sequence[float] = (),
) -> list[doubts.Doubt]:
    """Those of the doubts about which something can be done at once; arguments as of `doubted`."""
    return _at_hand(facts, numbers, all_doubts(facts, numbers, elsewhere, rest_mm), elsewhere)


def _at_hand(
    facts: SeriesFacts,
    numbers: Sequence[int],
    found: Sequence[doubts.Doubt],
    elsewhere: doubts.Elsewhere | None,
) -> list[doubts.Doubt]:
    """Those that are about the newest trial, or were not there before it."""
    before: set[tuple[doubts.Kind, tuple[int, ...]]] = set()
    if any(numbers[-1] not in doubt.trial_numbers for doubt in found):
        visit = None if facts.visit is None else np.asarray(facts.visit)[:-1]
        older = replace(facts, widths_mm=np.asarray(facts.widths_mm)[:-1], visit=visit)
        before = {(d.kind, d.trial_numbers) for d in all_doubts(older, numbers[:-1], elsewhere)}
    return [
        doubt
        for doubt in found
        if numbers[-1] in doubt.trial_numbers or (doubt.kind, doubt.trial_numbers) not in before
    ]


def all_doubts(
    facts: SeriesFacts,
    numbers: Sequence[int],
    elsewhere: doubts.Elsewhere | None = None,
    rest_mm: Sequence[float] = (),
) -> tuple[doubts.Doubt, ...]:
    """What is doubtful, without the scores; arguments as of `doubted`."""
    values = _values(facts)
    if values is None:
        return ()
    method = facts.method
    quantity = method.reveals[0]
    wedge = geometry.nominal_mm(method, facts.baseline_mm, facts.strip_side)
    if quantity == "length" or wedge:
        elsewhere = None  # a strip turned wrongly says nothing at square alone
    return doubts.find_doubts(
        facts.widths_mm,
        swap=method.swap,
        edges=edges_of(method),
        ends=ends_of(method),
        values=values.of(quantity),
        unit="mm" if quantity == "length" else "rad",
        reading_sd_mm=facts.repeatability_mm or REPEATABILITY_MM,
        elsewhere=elsewhere,
        numbers=numbers,
        resolution_mm=facts.resolution_mm,
        rest_mm=rest_mm,
        noun=method.noun,
        wedge_mm=wedge,
        visit=facts.visit,
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
    known = np.isfinite(values.of(quantity))
    if facts.several_visits(known) is not None:
        return drift.of_visits(int(known.sum()))
    rounding_u = rounding_sd(
        facts.method,
        relation,
        resolution_mm=facts.resolution_mm,
        base_mm=facts.base_mm(relation),
        pieces=facts.pieces,
    )
    if quantity != "length":
        return drift.trend(
            values.of(quantity), unit="rad", rounding_u=rounding_u, noun=facts.method.noun
        )
    # The analysis writes a length in the unit in which it gets it.
    inward = 1 / MM_PER_INCH if facts.unit == "in" else 1.0
    return drift.trend(
        values.of(quantity) * inward,
        unit=facts.unit,
        rounding_u=rounding_u * inward,
        noun=facts.method.noun,
    )
