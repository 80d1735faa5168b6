"""How a machine is adjusted, as a query says it."""

from __future__ import annotations

import math
from typing import Literal

from analysis.units import Unit
from api.answers import advice
from api.errors import InvalidField
from api.web.asked import length_mm, number_of


def adjusting_of(
    pivot: Literal["left", "right"],
    span: str | None,
    pitch: str | None,
    setting: str | None,
    unit: Unit,
    setting_deg: str | None = None,
) -> advice.Adjusting:
    """What a query says of the fence. Raises InvalidField naming what can't be read."""
    return advice.Adjusting(
        pivot,
        length_mm("span", span, unit),
        length_mm("pitch", pitch, unit),
        length_mm("setting", setting, unit, zero=True) or 0.0,
        _setting_rad(setting_deg),
    )


def _setting_rad(text: str | None) -> float:
    degrees = number_of("setting_deg", text or "") or 0.0
    if not 0 <= degrees < 45:
        raise InvalidField("setting_deg", "must be zero or more, and less than 45 degrees")
    return math.radians(degrees)
