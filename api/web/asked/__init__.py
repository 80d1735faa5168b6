"""What requests ask in text, as values: every field that cannot be read is named."""

from __future__ import annotations

import math

from analysis.units import Unit, mm, parse_length
from api.errors import InvalidField


def length_mm(field: str, text: str | None, unit: Unit, *, zero: bool = False) -> float | None:
    """The length in a query's field, in mm; None where it is left out or empty.

    Raises InvalidField for what is no length greater than zero (or zero, where that may be).
    """
    if text is None or not text.strip():
        return None
    try:
        found = mm(parse_length(text, unit))
    except ValueError as error:
        raise InvalidField(field, str(error)) from None
    if found < 0 or (found == 0 and not zero):
        least = "zero or more" if zero else "greater than zero"
        raise InvalidField(field, f"{text} {unit} must be {least}")
    return found


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
