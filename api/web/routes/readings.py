"""Readings handed over by benches and other programs."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body

from api.answers.moments import aware
from api.errors import InvalidField
from api.web.deps import TheServer
from api.web.shapes import AcknowledgementOut, ReadingIn, RefusalIn
from capture.records import Reading, Refusal
from capture.values import NotUnderstood, Value, read_value

router = APIRouter(tags=["readings"])


@router.post("/readings")
def add_readings(
    body: Annotated[list[ReadingIn], Body(max_length=5000)], shop: TheServer
) -> AcknowledgementOut:
    """Store readings in the order given. One whose id is known is not stored again.

    All are stored, or, where one can't be right, none.
    """
    readings = [_reading(f"{index}", r) for index, r in enumerate(body)]
    done = shop.journal.keep(readings)
    return AcknowledgementOut(stored=done.stored, known=done.known)


@router.post("/refusals")
def add_refusals(
    body: Annotated[list[RefusalIn], Body(max_length=5000)], shop: TheServer
) -> AcknowledgementOut:
    """Keep what instruments of a bench elsewhere sent that is no reading."""
    stored = 0
    for refusal in body:
        stored += shop.journal.refuse(
            Refusal(
                id=refusal.id,
                bench=refusal.bench,
                caliper=refusal.caliper,
                raw=refusal.text,
                reason=refusal.reason,
                heard_at=aware(refusal.heard_at),
            )
        )
    return AcknowledgementOut(stored=stored, known=len(body) - stored)


def _reading(where: str, body: ReadingIn) -> Reading:
    unit, nm = body.unit, body.nm
    value = read_value(body.sent, body.unit)
    if nm is not None and isinstance(value, Value) and value.nm != nm:
        raise InvalidField(
            f"{where}.nm", f"is {nm}, but {body.sent!r} says {value.nm} nm; send the same, or none"
        )
    if nm is None or unit is None:
        if not isinstance(value, Value):
            reason = value.reason if isinstance(value, NotUnderstood) else "an instrument's message"
            raise InvalidField(f"{where}.sent", f"{body.sent!r} is no reading: {reason}")
        if body.unit is not None and value.unit != body.unit:
            raise InvalidField(
                f"{where}.unit",
                f"is {body.unit}, but {body.sent!r} says {value.unit}; send the same",
            )
        unit, nm = value.unit, value.nm
    return Reading(
        id=body.id,
        bench=body.bench,
        caliper=body.caliper,
        sent=body.sent,
        unit=unit,
        nm=nm,
        taken_at=body.moment(),
        origin=body.origin,
        since_previous_ms=body.since_previous_ms,
        late=body.late,
    )
