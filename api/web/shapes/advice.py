"""Answers about what to move on a machine."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from api.web.shapes import Out
from api.web.shapes.machines import MachineOut
from api.web.shapes.scores import IntervalOut


class MoveOut(Out):
    """At the adjusting point, square to the fence; the uncertainty holds at 95 %.

    toward_board: null where what moves is not a fence. turns: of the screw, null without its
    pitch.
    """

    distance_mm: float
    uncertainty_mm: float
    toward_board: bool | None
    turns: float | None
    sentence: str


class ShimOut(Out):
    thickness_mm: float
    uncertainty_mm: float
    end: Literal["left", "right"]
    span_mm: float
    sentence: str


class PredictedOut(IntervalOut):
    """Where the mean of `trials` new ones lies after the move, with at least 95 %; first_within:
    how far from nominal the first of them alone. Of an error that is left: the same without a
    move."""

    unit: Literal["deg", "mm"]
    trials: int
    first_within: float


class MendOut(Out):
    """For one quantity of the series. leave_it: nothing should be moved; why_left says why: no
    error was found, too few trials show how much the machine scatters, or as much may be left
    after a move, `after_move`, since the error is not known or can't be set more closely.

    blade_turn_deg: counter-clockwise positive, seen from above with the fence at the bottom; of
    a tilt the top to the left positive, seen from the fence; null where no blade turns.
    predicted: where the error will be found then. asks: what was not given and would add
    to the answer.
    """

    quantity: Literal["angle", "tilt", "length"]
    unit: Literal["deg", "mm"]
    error: float
    expanded_uncertainty: float
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None
    leave_it: bool
    why_left: Literal["no error", "too few trials", "not known closely", "not set closely"] | None
    after_move: float
    sentence: str
    blade_turn_deg: float | None
    move: MoveOut | None
    shim: ShimOut | None
    predicted: PredictedOut
    asks: list[Literal["span", "pitch"]]
    notes: list[str]


class AdviceOut(Out):
    """Lengths and sentences are in mm, also where span and pitch were given in inches."""

    machine: MachineOut
    series: UUID
    method: str
    strip_side: Literal["left", "right"]
    advice: list[MendOut]
    notes: list[str]
    cautions: list[str]
