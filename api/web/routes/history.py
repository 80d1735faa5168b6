"""A machine's history, and what to move on it."""

from __future__ import annotations

from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Response

from analysis.units import Unit
from api.answers import advice, history
from api.answers.good_until import good_until_by_stop
from api.answers.since_change import of_machine
from api.answers.stop_map import machine_map
from api.store.rows.machines import parse_id
from api.store.stamps import now
from api.web.asked.advice import adjusting_of
from api.web.convert.advice import advice_out
from api.web.convert.history import history_out
from api.web.convert.next_act import since_change_out
from api.web.convert.stop_map import map_out
from api.web.deps import TheStore
from api.web.shapes.advice import AdviceOut
from api.web.shapes.history import HistoryOut
from api.web.shapes.stops import MachineMapOut

router = APIRouter(tags=["machines"])


@router.get("/machines/{machine:path}/history", response_model=HistoryOut)
def get_machine_history(machine: str, store: TheStore) -> Response:
    """A machine (by id or name): its series, what happened to it, phases, limits and shifts."""
    read = history.read(store, parse_id(machine))
    since = since_change_out(of_machine(store, read))
    found = history_out(read, good_until_by_stop(read, now()), since)
    # Validated already: validating five years of it again would double the time.
    return Response(found.model_dump_json(), media_type="application/json")


@router.get("/machines/{machine:path}/map")
def get_machine_map(machine: str, store: TheStore) -> MachineMapOut:
    """A machine's stops together: whether the zero, the scale or one stop is wrong, and which to
    mend first."""
    return map_out(machine_map(store, history.read(store, parse_id(machine))))


@router.get("/machines/{machine:path}/advice")
def get_machine_advice(
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
        str | None,
        Query(
            description="how closely the point can be set, play and steps of a dial included",
            max_length=40,
        ),
    ] = None,
    setting_deg: Annotated[
        str | None,
        Query(description="the same of a tilt or a miter, which is set by an angle", max_length=40),
    ] = None,
    unit: Annotated[Unit, Query(description="of span, pitch and setting")] = "mm",
) -> AdviceOut:
    """What to move, which way, how far, and what to expect then; lengths answered in mm."""
    found = history.read(store, parse_id(machine))
    adjusting = adjusting_of(pivot, span, pitch, setting, unit, setting_deg)
    return advice_out(advice.machine_advice(store, found, series, adjusting))
