"""From an error to the work, and back."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query

from analysis.units import Unit
from api.answers.work import work
from api.web import convert
from api.web.asked import number_of
from api.web.asked.work import work_of
from api.web.shapes.work import WorkOut

router = APIRouter(tags=["work"])

Text = Annotated[str | None, Query(max_length=40)]


@router.get("/work")
def tell_what_it_does(
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
