"""Plan: what it takes to see an error."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query
from sqlalchemy import Connection

from analysis.conformity import Tolerance
from analysis.methods import Method
from analysis.units import Unit, mm, parse_length
from api.answers import plan as answers
from api.answers.comparable import comparable
from api.answers.plan import Asked, methods_to_plan
from api.answers.settings import FEWEST_PIECES, MOST_PIECES
from api.errors import InvalidField
from api.web.convert.plan import plan_out
from api.web.deps import TheServer, TheStore
from api.web.shapes.plan import PlanOut

router = APIRouter(tags=["plan"])

_Length = Annotated[str | None, Query(max_length=40)]
_Risk = Annotated[float, Query(ge=0.0001, le=0.5)]

# The usual caliper, and caliper and hand together; common practice, no source.
RESOLUTION = {"mm": "0.01", "in": "0.0005"}
READING_SD = {"mm": "0.02", "in": "0.0008"}


@router.get("/plan")
def plan(
    server: TheServer,
    store: TheStore,
    error_deg: Annotated[
        float | None, Query(description="the error to see; or give gap and joint")
    ] = None,
    gap: Annotated[_Length, Query(description="a gap at one end of a joint, in `unit`")] = None,
    joint: Annotated[_Length, Query(description="the length of that joint")] = None,
    method: str = "reversal",
    width: Annotated[
        _Length, Query(description="of the board; its thickness, or the joint, by method")
    ] = None,
    unit: Unit = "mm",
    inset: Annotated[str, Query(max_length=40)] = "0",
    pieces: Annotated[int | None, Query(ge=FEWEST_PIECES, le=MOST_PIECES)] = None,
    cuts: Annotated[int, Query(ge=2, le=200)] = 5,
    resolution: Annotated[_Length, Query(description="the caliper's last digit")] = None,
    reading_sd: Annotated[
        _Length, Query(description="how well one reading repeats, standard deviation")
    ] = None,
    own_sd_deg: Annotated[
        float | None, Query(ge=0, le=45, description="the machine's own scatter from cut to cut")
    ] = None,
    series: Annotated[
        UUID | None, Query(description="a series that shows the machine's own scatter")
    ] = None,
    alpha: Annotated[_Risk, Query(description="risk of an error seen that is not there")] = 0.05,
    beta: Annotated[_Risk, Query(description="risk of missing one that is")] = 0.1,
    two_series: Annotated[
        bool, Query(description="a difference between two machines instead of an error")
    ] = False,
) -> PlanOut:
    """How many cuts, how wide a board, how fine a caliper; and a table of what can be seen."""
    asked = asked_for(
        store,
        server.methods,
        error_deg=error_deg,
        gap=gap,
        joint=joint,
        method=method,
        width=width,
        unit=unit,
        inset=inset,
        pieces=pieces,
        cuts=cuts,
        resolution=resolution,
        reading_sd=reading_sd,
        own_sd_deg=own_sd_deg,
        series=series,
        alpha=alpha,
        beta=beta,
        two_series=two_series,
    )
    return plan_out(answers.plan(asked))


def asked_for(
    store: Connection,
    methods: Mapping[str, Method],
    *,
    error_deg: float | None,
    gap: str | None,
    joint: str | None,
    method: str,
    width: str | None,
    unit: Unit,
    inset: str,
    pieces: int | None,
    cuts: int,
    resolution: str | None,
    reading_sd: str | None,
    own_sd_deg: float | None,
    series: UUID | None,
    alpha: float,
    beta: float,
    two_series: bool,
) -> Asked:
    """What is asked, with usual values for what is left out.

    Raises InvalidField naming a field that is not valid, NotFound for an unknown series.
    """
    follows = _method(method, methods)
    asked = Asked(
        method=follows,
        error_rad=_error(error_deg, gap, joint, unit),
        width_mm=_length("width", width or usual_width(follows, unit), unit),
        unit=unit,
        inset_mm=_length("inset", inset, unit, zero=True),
        pieces=_pieces(follows, pieces),
        cuts=cuts,
        reading_sd_mm=_length("reading_sd", reading_sd or READING_SD[unit], unit, zero=True),
        resolution_mm=_length("resolution", resolution or RESOLUTION[unit], unit),
        own_sd_rad=math.radians(own_sd_deg or 0.0),
        alpha=alpha,
        beta=beta,
        two_series=two_series,
    )
    if series is not None:
        if own_sd_deg is not None:
            raise InvalidField("series", "give this or own_sd_deg, not both")
        own = answers.own_sd(
            comparable(store, series), asked.relation.quantity, asked.reading_sd_mm
        )
        asked = replace(asked, own_sd_rad=own)
    if not asked.length_mm > 0:
        raise InvalidField("inset", "leaves nothing of the width; give a smaller inset")
    return asked


def usual_width(method: Method, unit: Unit) -> str:
    """The width, thickness or joint usual in most shops; common practice, no source."""
    if method.relations[0].over == "thickness":
        return "18" if unit == "mm" else "0.75"
    return "200" if unit == "mm" else "8"


def _method(key: str, methods: Mapping[str, Method]) -> Method:
    known = methods.get(key)
    if known is not None and known in methods_to_plan(methods):
        return known
    keys = ", ".join(m.key for m in methods_to_plan(methods))
    if known is None:
        raise InvalidField("method", f"there is no method {key!r}; use one of {keys}")
    raise InvalidField("method", f"{known.title} shows no angle of a machine; use one of {keys}")


def _pieces(method: Method, pieces: int | None) -> int | None:
    if pieces is not None and method.pieces is None:
        raise InvalidField("pieces", f"{method.title} has no pieces to count; leave it out")
    return pieces


def _error(deg: float | None, gap: str | None, joint: str | None, unit: Unit) -> float:
    if deg is not None and (gap is not None or joint is not None):
        raise InvalidField("error_deg", "give an angle, or a gap and its joint, not both")
    if deg is not None:
        if not 0 < deg <= 45:
            raise InvalidField("error_deg", "must be above 0 and at most 45; give the size to see")
        return math.radians(deg)
    if gap is None and joint is None:
        raise InvalidField("error_deg", "is needed (or gap and joint); give the size to see")
    if gap is None or joint is None:
        raise InvalidField(
            "joint" if joint is None else "gap", "is needed: a gap over a joint's length"
        )
    high = Tolerance.gap(_length("gap", gap, unit), _length("joint", joint, unit)).high
    if high > math.radians(45):
        raise InvalidField("gap", "must be smaller than its joint; swap the two")
    return high


def _length(field: str, text: str, unit: Unit, *, zero: bool = False) -> float:
    try:
        nanometres = parse_length(text, unit)
    except ValueError as error:
        raise InvalidField(field, str(error)) from None
    if nanometres < 0 or (nanometres == 0 and not zero):
        least = "zero or more" if zero else "greater than zero"
        raise InvalidField(field, f"{text} {unit} must be {least}")
    return mm(nanometres)
