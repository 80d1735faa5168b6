"""Compare: series side by side, back to its stop, before and after an adjustment."""

from __future__ import annotations

import math
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query

from analysis.methods import Quantity
from api.answers.came_back import came_back
from api.answers.comparable import ComparableSeries, all_comparable, shared_quantities
from api.answers.comparison import compared
from api.answers.helped import helped
from api.errors import InvalidField
from api.web.contract import may
from api.web.convert.comparison import adjustment_out, comparison_out, return_out
from api.web.deps import TheStore
from api.web.shapes.comparison import AdjustmentOut, ComparisonOut, ReturnOut

router = APIRouter(tags=["compare"], responses=may(404))

_Before = Annotated[UUID, Query(description="the series cut first")]
_After = Annotated[UUID, Query(description="the series cut after it, of the same machine")]
_Which = Annotated[
    Quantity | None, Query(description="where the methods reveal more than one; else the first")
]


@router.get("/compare")
def compare_series(
    store: TheStore,
    a: Annotated[UUID, Query(description="the first series")],
    b: Annotated[UUID, Query(description="the second series")],
    more: Annotated[list[UUID] | None, Query(description="further series, repeated")] = None,
) -> ComparisonOut:
    """Which is further out and which is less steady: two questions, each with its proof."""
    asked = [("a", a), ("b", b), *(("more", series) for series in more or ())]
    return comparison_out(compared(all_comparable(store, asked)))


@router.get("/compare/return")
def compare_return(
    store: TheStore,
    before: _Before,
    after: _After,
    margin_deg: Annotated[
        float | None, Query(description="largest shift that does not matter, of an angle or tilt")
    ] = None,
    margin_mm: Annotated[float | None, Query(description="the same of a length")] = None,
    quantity: _Which = None,
) -> ReturnOut:
    """Did the machine come back to its stop.

    Without a margin half the tolerance is taken, where a series has one; without either,
    'came back' is never claimed.
    """
    pair, wanted = _pair(store, before, after, quantity)
    margin = _margin(wanted, margin_deg, margin_mm)
    return return_out(came_back(store, *pair, wanted, margin))


@router.get("/compare/adjustment")
def compare_adjustment(
    store: TheStore, before: _Before, after: _After, quantity: _Which = None
) -> AdjustmentOut:
    """Did an adjustment help: is the machine nearer to nominal than before, and by how much."""
    pair, wanted = _pair(store, before, after, quantity)
    return adjustment_out(helped(store, *pair, wanted))


def _pair(
    store: TheStore, before: UUID, after: UUID, quantity: Quantity | None
) -> tuple[tuple[ComparableSeries, ComparableSeries], Quantity]:
    first, second = all_comparable(store, [("before", before), ("after", after)])
    shared = shared_quantities([first, second])
    if quantity is not None and quantity not in shared:
        raise InvalidField("quantity", f"these 2 series both show {' and '.join(shared)} only")
    return (first, second), quantity or shared[0]


def _margin(wanted: Quantity, deg: float | None, millimetres: float | None) -> float | None:
    """In radians or mm."""
    field, other = (
        ("margin_mm", "margin_deg") if wanted == "length" else ("margin_deg", "margin_mm")
    )
    margin, misplaced = (millimetres, deg) if wanted == "length" else (deg, millimetres)
    if misplaced is not None:
        raise InvalidField(other, f"these series show the {wanted}; give {field}")
    if margin is not None and not (margin > 0 and math.isfinite(margin)):
        raise InvalidField(
            field, "must be greater than zero; give the largest shift you can accept"
        )
    return margin if margin is None or wanted == "length" else math.radians(margin)
