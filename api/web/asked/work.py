"""The joint, case or frame that a query asks about."""

from __future__ import annotations

from analysis.units import Unit
from analysis.work import AskedWork
from api.errors import InvalidField
from api.web.asked import length_mm, number_of


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
