"""A machine's history, and what to move on it."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Response

from analysis.units import Unit, mm, parse_length
from api.answers import advice, history
from api.errors import InvalidField
from api.store.rows.machines import parse_id
from api.web.convert.advice import advice_out
from api.web.convert.history import history_out
from api.web.deps import TheStore
from api.web.shapes.advice import AdviceOut
from api.web.shapes.history import HistoryOut

router = APIRouter(tags=["machines"])


@router.get("/machines/{machine:path}/history", response_model=HistoryOut)
def machine_history(machine: str, store: TheStore) -> Response:
    """A machine (by id or name): its series, what happened to it, phases, limits and shifts."""
    found = history_out(history.read(store, parse_id(machine)))
    # Validated already: validating five years of it again would double the time.
    return Response(found.model_dump_json(), media_type="application/json")


@router.get("/machines/{machine:path}/advice")
def machine_advice(
    machine: str,
    store: TheStore,
    series: Annotated[
        UUID | None, Query(description="the series to use; without it the one that matters most")
    ] = None,
    pivot: Annotated[
        Literal["left", "right"], Query(description="the end about which the fence turns")
    ] = "left",
    span: Annotated[
        str | None, Query(description="from the pivot to the adjusting point", max_length=40)
    ] = None,
    pitch: Annotated[
        str | None, Query(description="of the adjusting screw, per turn", max_length=40)
    ] = None,
    setting: Annotated[
        str | None, Query(description="how closely the point can be set", max_length=40)
    ] = None,
    unit: Annotated[Unit, Query(description="of span, pitch and setting")] = "mm",
) -> AdviceOut:
    """What to move, which way, how far, and what to expect then; lengths answered in mm."""
    found = history.read(store, parse_id(machine))
    adjusting = adjusting_of(pivot, span, pitch, setting, unit)
    return advice_out(advice.machine_advice(store, found, series, adjusting))


def adjusting_of(
    pivot: Literal["left", "right"],
    span: str | None,
    pitch: str | None,
    setting: str | None,
    unit: Unit,
) -> advice.Adjusting:
    """What a query says of the fence. Raises InvalidField naming what can't be read."""
    return advice.Adjusting(
        pivot,
        length_mm("span", span, unit),
        length_mm("pitch", pitch, unit),
        length_mm("setting", setting, unit, zero=True) or 0.0,
    )


def length_mm(field: str, text: str | None, unit: Unit, *, zero: bool = False) -> float | None:
    """The length in a query's field, in mm; None where it is left out or empty.

    Raises InvalidField for what is no length greater than zero (or zero, where that may be).
    """
    if text is None or not text.strip():
        return None
    try:
        found = mm(parse_length(text, unit))
    except ValueError as error:
        raise InvalidField(field, str(error)) from None
    if found < 0 or (found == 0 and not zero):
        raise InvalidField(field, f"{text} {unit} must be greater than zero")
    return found
