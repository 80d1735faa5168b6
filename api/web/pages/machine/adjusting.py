"""What to move on a machine: the form about its fence, the answer, and its picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from markupsafe import Markup

from analysis import sentences
from analysis.methods import AdjustedPart, Quantity
from analysis.units import Unit
from api.answers import advice, checks
from api.answers.history import MachineHistory
from api.answers.moments import day
from api.errors import InvalidField
from api.web.asked.advice import adjusting_of
from api.web.convert.advice import advice_out
from api.web.pages.shared.leaning import fence_move, turn_move
from api.web.shapes.advice import AdviceOut, MendOut


@dataclass(frozen=True, slots=True)
class Adjusting:
    """The form about the fence as it was filled in, and what to move."""

    query: dict[str, str]
    series: str
    unit: Unit
    pivot: Literal["left", "right"]
    asks_fence: bool
    asks_span: bool
    asks_screw: bool
    asks_angle: bool
    advice: AdviceOut | None
    adjusted_by: dict[Quantity, AdjustedPart | None]
    drawings: dict[str, Markup]
    measured: str
    method: str
    noun: str
    refused: str
    field: str
    cautions: Sequence[str]


def adjusting_for(
    found: MachineHistory,
    series: checks.CheckedSeries | None,
    query: dict[str, str],
) -> Adjusting | None:
    """None where nothing was measured."""
    chosen = bool(query.get("series"))
    if series is None:
        if not found.state.known:
            return None
        series = found.state.known[0].series
    unit: Unit = "in" if query.get("unit", series.row.unit) == "in" else "mm"
    pivot: Literal["left", "right"] = "right" if query.get("pivot") == "right" else "left"
    method = series.facts.method
    answer, refused, field = None, "", ""
    try:
        adjusting = adjusting_of(
            pivot,
            query.get("span"),
            query.get("pitch"),
            query.get("setting"),
            unit,
            query.get("setting_deg"),
        )
        answer = advice_out(advice.series_advice(found, series, adjusting))
    except InvalidField as error:
        refused, field = f"{sentences.capital(error.message)}.", error.field
    return Adjusting(
        query=query,
        series=str(series.id) if chosen else "",
        unit=unit,
        pivot=pivot,
        asks_fence=advice.uses_fence(method),
        asks_span=advice.uses_span(method),
        asks_screw=advice.uses_screw(method),
        asks_angle=advice.sets_angle(method),
        advice=answer,
        adjusted_by={r.quantity: r.adjusted_by for r in method.relations},
        drawings={m.quantity: Markup(_drawn(m, pivot)) for m in (answer.advice if answer else ())},
        measured=day(series.row.started_at),
        method=method.title,
        noun=method.noun,
        refused=refused,
        field=field,
        cautions=advice.cautions_at(found.machine.kind),
    )


def _drawn(move: MendOut, pivot: Literal["left", "right"]) -> str:
    """The move as a picture; empty where there is none of it."""
    if move.move is not None and move.move.toward_board is not None:
        return fence_move(pivot, move.move.toward_board)
    if move.blade_turn_deg and move.move is None:
        return turn_move(move.quantity == "tilt", move.blade_turn_deg > 0)
    return ""
