"""What to move on a machine, which way and how far, from what one series tells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from uuid import UUID

from sqlalchemy import Connection

from analysis import advice
from analysis.advice import Advice, Fence
from analysis.conformity import GOOD, Verdict
from analysis.methods import METHODS, Method, Side
from api.answers import checks
from api.answers.checks import CheckedSeries
from api.answers.history import MachineHistory
from api.answers.machine_state import KIND_WORDS, Known, known_of
from api.answers.moments import day
from api.errors import InvalidField
from api.web.convert import outward
from api.web.shapes import IntervalOut, MachineOut, Out


class MoveOut(Out):
    """At the adjusting point, square to the fence; the uncertainty holds at 95 %.

    toward_board: null where it is no fence that moves. turns: of the screw, null without its
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
    unit: Literal["deg", "mm"]


class MendOut(Out):
    """For one quantity of the series. leave_it: no larger than its own uncertainty.

    blade_turn_deg: counter-clockwise positive, seen from above with the fence at the bottom; of
    a tilt the top to the left positive, seen from the fence; null where no blade turns.
    predicted: where the error will lie then. asks: what was not given and would say more.
    """

    quantity: Literal["angle", "tilt", "length"]
    unit: Literal["deg", "mm"]
    error: float
    expanded_uncertainty: float
    verdict: Verdict | None
    leave_it: bool
    sentence: str
    blade_turn_deg: float | None
    move: MoveOut | None
    shim: ShimOut | None
    predicted: PredictedOut
    asks: list[Literal["span", "pitch"]]
    notes: list[str]


class AdviceOut(Out):
    """Lengths and sentences are in mm, whatever unit the span and pitch were given in."""

    machine: MachineOut
    series: UUID
    method: str
    strip_side: Literal["left", "right"]
    advice: list[MendOut]
    notes: list[str]
    cautions: list[str]


@dataclass(frozen=True, slots=True)
class Adjusting:
    """How the machine is adjusted, in mm; None where it was not said."""

    pivot: Side = "left"
    span_mm: float | None = None
    pitch_mm: float | None = None
    setting_mm: float = 0.0

    @property
    def fence(self) -> Fence | None:
        if self.span_mm is None:
            return None
        return Fence(self.span_mm, self.pivot, self.pitch_mm)


# How the methods that judge no cut against a fence are mended; all others turn blade or fence.
_FENCELESS = {"blade-to-slot", "closing-miters", "planed-thickness"}


def uses_fence(method: Method) -> bool:
    """Whether pivot, span and screw of a fence matter to what the method finds."""
    return "angle" in method.reveals and method.key not in _FENCELESS


def uses_span(method: Method) -> bool:
    """Whether a distance between adjusting points matters to what the method finds."""
    return uses_fence(method) or method.key == "planed-thickness"


def mend(
    connection: Connection, found: MachineHistory, series: UUID | None, adjusting: Adjusting
) -> AdviceOut:
    """Advice from `series`, or else from the one that says how the machine stands.

    Raises InvalidField where the series is not one of this machine's or tells nothing yet, and for
    lengths that can't be right.
    """
    return mend_series(found, _series(connection, found, series), adjusting)


def _series(connection: Connection, found: MachineHistory, series: UUID | None) -> CheckedSeries:
    if series is None:
        if not found.state.known:
            raise InvalidField("series", "this machine has no complete trial yet; measure it first")
        return found.state.known[0].series
    of = checks.of_series(connection, series)
    if of is None or of.row.machine_id != found.machine.id:
        raise InvalidField("series", "is none of this machine's; its history lists those that are")
    return of


def mend_series(found: MachineHistory, series: CheckedSeries, adjusting: Adjusting) -> AdviceOut:
    """The same for a series at hand."""
    method = METHODS[series.row.method]
    if method.judges != "machine":
        raise InvalidField(
            "series", f"{method.title} checks the caliper; nothing on the machine moves"
        )
    known = [k for q in method.reveals if (k := known_of(series, q)) is not None]
    if not known:
        raise InvalidField("series", "has no complete trial yet; measure first")
    told = [m for k in known if (m := _mend(method, k, adjusting)) is not None]
    return AdviceOut(
        machine=MachineOut.model_validate(found.machine),
        series=series.id,
        method=method.key,
        strip_side=series.row.strip_side,
        advice=told,
        notes=_notes(found, series),
        cautions=list(advice.ADJUSTING_CAUTIONS),
    )


def _mend(method: Method, known: Known, adjusting: Adjusting) -> MendOut | None:
    check, notes = known.check, list[str]()
    try:
        told = _advice(method, known, adjusting, notes)
    except ValueError as error:
        field, _, message = str(error).partition(": ")
        raise InvalidField(field if message else "series", message or field) from None
    if told is None:
        return None
    unit: Literal["deg", "mm"] = "mm" if check.quantity == "length" else "deg"
    if not told.leave_it and check.verdict == GOOD:
        notes.insert(0, "It is within its tolerance: it may stay as it is.")
    asks: list[Literal["span", "pitch"]] = []
    if not told.leave_it and check.quantity == "angle" and uses_span(method):
        if adjusting.span_mm is None:
            asks.append("span")
        elif uses_fence(method) and adjusting.pitch_mm is None:
            asks.append("pitch")
    move, shim = told.move, told.shim
    return MendOut(
        quantity=check.quantity,
        unit=unit,
        error=outward(known.off, check.quantity),
        expanded_uncertainty=outward(check.expanded, check.quantity),
        verdict=check.verdict,
        leave_it=told.leave_it,
        sentence=told.sentence,
        blade_turn_deg=None
        if told.blade_turn_rad is None
        else outward(told.blade_turn_rad, "angle"),
        move=None if move is None else MoveOut.model_validate(move),
        shim=None if shim is None else ShimOut.model_validate(shim),
        predicted=PredictedOut(
            low=outward(told.predicted.low, check.quantity),
            high=outward(told.predicted.high, check.quantity),
            level=told.predicted.level,
            unit=unit,
        ),
        asks=asks,
        notes=notes,
    )


def _advice(method: Method, known: Known, adjusting: Adjusting, notes: list[str]) -> Advice | None:
    """By what the method looked at; None where the number asks for no move."""
    check, row = known.check, known.series.row
    if check.quantity == "length":
        if check.tolerance is None:
            return None  # without the wanted length nothing is too long
        if method.key != "stop-block":
            return None
        return advice.advise_stop(known.off, check.expanded, pitch_mm=adjusting.pitch_mm)
    if check.quantity == "tilt":
        return advice.advise_tilt(check.mean, check.expanded, strip_side=row.strip_side)
    base = known.series.facts.baseline_mm
    if method.key == "blade-to-slot":
        assert base is not None  # no such series begins without it
        return advice.advise_slot(check.mean, check.expanded, distance_mm=base)
    if method.key == "closing-miters":
        return advice.advise_miters(check.mean, check.expanded)
    if method.key == "planed-thickness":
        assert base is not None
        if adjusting.span_mm is None:
            notes.append(
                "Told over the width of the board; give the distance between the two adjusting "
                "points to know it there."
            )
        return advice.advise_cutterhead(
            check.mean, check.expanded, span_mm=adjusting.span_mm or base
        )
    if known.half is not None:
        notes.append(f"It is the {known.half} half of the fence that this judges.")
    elif method.sided:
        notes.append(
            "A reversal shows the mean of the two halves of the fence. Where they are not in one "
            "line, parts cut later with the board on one side come out at that half's error: a "
            "roll with the board on each side tells them apart."
        )
    return advice.advise(
        check.mean,
        check.expanded,
        strip_side=row.strip_side,
        fence=adjusting.fence,
        setting_mm=adjusting.setting_mm,
    )


def _notes(found: MachineHistory, series: CheckedSeries) -> list[str]:
    changed = [c for c in found.changes if c.at > series.row.started_at]
    if not changed:
        return []
    happened = KIND_WORDS.get(changed[-1].kind, changed[-1].kind)
    return [
        f"This was measured on {day(series.row.started_at)}. Since then the machine was "
        f"{happened} ({day(changed[-1].at)}): measure again before you move anything."
    ]
