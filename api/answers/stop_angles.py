"""The angles that a stop may be said to have."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from analysis.units import parse_number, trimmed
from api.errors import InvalidField

MOST_DEG: Final = {"nominal_deg": 60, "bevel_deg": 50}
_MOST_AWAY: Final = 90


def angle_text(field: str, text: str) -> str:
    """An angle in degrees as it is kept: the plain decimal, exactly.

    Raises InvalidField where it is no number, or more than machines are set to.
    """
    try:
        found = parse_number(text.strip().removesuffix("°"))
    except ValueError:
        raise InvalidField(
            field, f"“{text}” is not a plain number of degrees such as 22.5 or -45"
        ) from None
    most = MOST_DEG.get(field, _MOST_AWAY)
    if abs(found) > most:
        zero = "upright" if field == "bevel_deg" else "square"
        steep = "; for the stop that a scale calls 67.5, say 22.5" if field == "nominal_deg" else ""
        raise InvalidField(
            field, f"{text} must be from -{most} to {most} degrees, 0 being {zero}{steep}"
        )
    plain = format(found, "f")
    if "." in plain:
        plain = trimmed(plain)
    return "0" if found == Decimal(0) else plain.removeprefix("+")
