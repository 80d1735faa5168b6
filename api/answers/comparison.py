"""Comparison of series: which is further out, and which is less steady."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.comparison import Comparison, compare
from analysis.comparison_of_many import ManyComparison, compare_many
from analysis.methods import Quantity
from analysis.systematic import apart_u
from api.answers.comparable import (
    ComparableSeries,
    ComparableValues,
    between_first_two,
    names,
    notes,
    shared_quantities,
    systematic_of,
    trials_of,
    values_of,
)


@dataclass(frozen=True, slots=True, eq=False)
class QuantityCompared:
    """One quantity of compared series, in the unit of `values`.

    pair: of the first two. many: of all of them, None where there are no more than two.
    """

    values: ComparableValues
    pair: Comparison
    many: ManyComparison | None


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """Two or more compared series; `names`: what sentences call each."""

    series: tuple[ComparableSeries, ...]
    names: tuple[str, ...]
    quantities: Mapping[Quantity, QuantityCompared]
    notes: tuple[str, ...]


def compared(found: Sequence[ComparableSeries]) -> Compared:
    """Compare two or more series that share a quantity."""
    called = names(found)
    return Compared(
        series=tuple(found),
        names=called,
        quantities={q: _quantity(found, called, q) for q in shared_quantities(found)},
        notes=notes(found),
    )


def _quantity(
    found: Sequence[ComparableSeries], called: Sequence[str], quantity: Quantity
) -> QuantityCompared:
    values = values_of(found, quantity)
    between = between_first_two(found, values)
    units = values.units
    pair = compare(
        units.values[0],
        units.values[1],
        names=(called[0], called[1]),
        unit=values.unit,
        nominal=0.0 if values.errors else None,
        shared_u=between.shared_u,
        apart_u=between.apart_u,
        floor_sd=values.least_sd,
        trials=trials_of(found, values),
        counted=units.counted,
        noun=values.noun,
    )
    many = None
    if len(found) > 2:
        many = compare_many(
            units.values,
            names=called,
            unit=values.unit,
            floor_sd=values.least_sd,
            apart_u=apart_u(systematic_of(found, values)),
            counted=units.counted,
            noun=values.noun,
        )
    return QuantityCompared(values, pair, many)
