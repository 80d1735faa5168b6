"""What to move on a machine, from the answer to its shape."""

from __future__ import annotations

from typing import Literal

from api.answers.advice import MachineAdvice, QuantityAdvice
from api.web.convert import interval_out, outward_of
from api.web.shapes.advice import AdviceOut, MendOut, MoveOut, PredictedOut, ShimOut
from api.web.shapes.machines import MachineOut


def advice_out(found: MachineAdvice) -> AdviceOut:
    """What to move on a machine."""
    row = found.series.row
    return AdviceOut(
        machine=MachineOut.model_validate(found.machine),
        series=found.series.id,
        method=row.method,
        strip_side=row.strip_side,
        advice=[_quantity_out(m) for m in found.quantities],
        notes=list(found.notes),
        cautions=list(found.cautions),
    )


def _quantity_out(of: QuantityAdvice) -> MendOut:
    check, told = of.known.check, of.advice
    inside = "mm" if check.quantity == "length" else "rad"
    unit: Literal["deg", "mm"] = "mm" if check.quantity == "length" else "deg"

    def out(value: float) -> float:
        return outward_of(value, inside)

    turn = told.blade_turn_rad
    return MendOut(
        quantity=check.quantity,
        unit=unit,
        error=out(of.known.off),
        expanded_uncertainty=out(check.expanded),
        verdict=check.verdict,
        leave_it=told.leave_it,
        why_left=told.why_left,
        after_move=out(told.after_move),
        sentence=told.sentence,
        blade_turn_deg=None if turn is None else outward_of(turn, "rad"),
        move=None if told.move is None else MoveOut.model_validate(told.move),
        shim=None if told.shim is None else ShimOut.model_validate(told.shim),
        predicted=PredictedOut(
            **interval_out(told.predicted, out).model_dump(),
            unit=unit,
            trials=of.found.trials,
            first_within=out(told.first_within),
        ),
        asks=list(of.asks),
        notes=list(of.notes),
    )
