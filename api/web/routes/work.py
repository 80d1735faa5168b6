"""From an error to the work, and back."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query

from analysis.units import Unit
from analysis.work import AskedWork
from api.answers.work import work
from api.errors import InvalidField
from api.web import convert
from api.web.routes.history import length_mm
from api.web.shapes.work import WorkOut

router = APIRouter(tags=["work"])

Text = Annotated[str | None, Query(max_length=40)]


@router.get("/work")
def what_it_does(
    angle_deg: Text = None,
    u_deg: Annotated[
        str, Query(description="its expanded uncertainty at 95 %", max_length=40)
    ] = "0",
    joint: Text = None,
    width: Text = None,
    height: Text = None,
    pieces: Text = None,
    gap: Annotated[str | None, Query(description="what is accepted", max_length=40)] = None,
    unit: Unit = "mm",
) -> WorkOut:
    """What an angle error does to a joint, a case or a frame, and which error a gap allows.

    Lengths are in `unit` and answered in mm.
    """
    angle, u = number_of("angle_deg", angle_deg), number_of("u_deg", u_deg) or 0.0
    asked = work_of(joint, width, height, pieces, gap, unit)
    found = work(None if angle is None else math.radians(angle), math.radians(u), asked)
    return convert.work_out(found, angle, u)


def work_of(
    joint: str | None,
    width: str | None,
    height: str | None,
    pieces: str | None,
    gap: str | None,
    unit: Unit,
) -> AskedWork:
    """What a query asks about. Raises InvalidField naming what can't be read."""
    count = number_of("pieces", pieces)
    if count is not None and count != int(count):
        raise InvalidField("pieces", "must be a whole number")
    return AskedWork(
        length_mm("joint", joint, unit),
        length_mm("width", width, unit),
        length_mm("height", height, unit),
        None if count is None else int(count),
        length_mm("gap", gap, unit),
        unit,
    )


def number_of(field: str, text: str | None) -> float | None:
    """The number in a query's field, None where it is left out or empty."""
    if text is None or not text.strip():
        return None
    try:
        found = float(text.replace(",", "."))
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise InvalidField(field, f"{text!r} is no number such as 0.052 or 0,052")
    return found
