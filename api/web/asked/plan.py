"""What is to be planned, with usual values for what is left out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from uuid import UUID

from sqlalchemy import Connection

from analysis.conformity import Tolerance
from analysis.methods import Method
from analysis.units import Unit
from api.answers import plan as answers
from api.answers.comparable import comparable
from api.answers.plan import Asked, methods_to_plan
from api.errors import InvalidField
from api.web.asked import length_mm

# The usual caliper, and caliper and hand together; common practice, no source.
RESOLUTION = {"mm": "0.01", "in": "0.0005"}
READING_SD = {"mm": "0.02", "in": "0.0008"}


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
            raise InvalidField("series", "give this or the scatter of single cuts, not both")
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
        raise InvalidField("gap", "must be smaller than its joint; swap them")
    return high


def _length(field: str, text: str, unit: Unit, *, zero: bool = False) -> float:
    found = length_mm(field, text, unit, zero=zero)
    if found is None:
        raise InvalidField(field, "is needed; give a length")
    return found
