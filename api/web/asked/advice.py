"""How a machine is adjusted, as a query says it."""

from __future__ import annotations

from typing import Literal

from analysis.units import Unit
from api.answers import advice
from api.web.asked import length_mm


def adjusting_of(
    pivot: Literal["left", "right"],
    span: str | None,
    pitch: str | None,
    setting: str | None,
    unit: Unit,
) -> advice.Adjusting:
    """What a query says of the fence. Raises InvalidField naming what can't be read."""
    return advice.Adjusting(
        pivot,
        length_mm("span", span, unit),
        length_mm("pitch", pitch, unit),
        length_mm("setting", setting, unit, zero=True) or 0.0,
    )
