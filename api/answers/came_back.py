"""Whether a machine came back to its stop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import Connection

from analysis import returning
from analysis.methods import Quantity
from api.answers.before_after import BeforeAfter, before_after
from api.answers.comparable import ComparableSeries, between_first_two

MarginFrom = Literal["given", "half the tolerance"]


@dataclass(frozen=True, slots=True, eq=False)
class CameBack:
    """`result` is in the unit of the values; margin_from: None where there is no margin."""

    of: BeforeAfter
    result: returning.Return
    margin_from: MarginFrom | None
    notes: tuple[str, ...]


def came_back(
    connection: Connection,
    before: ComparableSeries,
    after: ComparableSeries,
    quantity: Quantity,
    margin: float | None,
) -> CameBack:
    """Whether `after` agrees with `before`.

    margin: radians or mm; None takes half the tolerance of the series after, or else of the
    one before, where there is one.
    Raises InvalidField where they are of different machines or stops, or in the wrong order.
    """
    margin_from: MarginFrom | None = "given"
    if margin is None:
        half = next((h for s in (after, before) if (h := s.half_tolerance) is not None), None)
        margin_from = None if half is None else "half the tolerance"
        margin = None if half is None else half / 2
    of = before_after(connection, before, after, quantity)
    units = of.values.units
    result = returning.came_back(
        *units.values,
        margin=None if margin is None else margin / of.values.per,
        margin_of=""
        if margin_from == "given"
        else "half the tolerance that was given with the series",
        floor_sd=of.values.least_sd,
        each_look=(before.each_look, after.each_look),
        apart_u=math.hypot(between_first_two((before, after), of.values).apart_u, units.uneven_u),
        counted=units.counted,
        noun=of.values.noun,
        unit=of.values.unit,
    )
    notes = of.notes
    if of.happened:
        notes += (
            f"Recorded between these series: {', '.join(of.happened)}. A shift may come from that "
            "rather than from the stop.",
        )
    return CameBack(of, result, margin_from, notes)
