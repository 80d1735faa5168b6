"""Exact lengths, as an integer number of nanometres.

One inch is 25.4 mm exactly (international inch, 1959), so every count that a caliper
can show, in either unit, is a whole number of nanometres: no length is rounded
between the instrument and the analysis.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Final, Literal

Unit = Literal["mm", "in"]

NM_PER_MM: Final = 1_000_000
NM_PER_UNIT: Final[dict[Unit, int]] = {"mm": 1_000_000, "in": 25_400_000}
MM_PER_INCH: Final = NM_PER_UNIT["in"] / NM_PER_MM

# ASCII digits with at most one decimal mark. Decimal() alone would also accept "1e3", "nan",
# "1_000" and digits of other scripts, which are no lengths from a caliper.
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)")
# Far more than any caliper, and well below the limit of a 64-bit column.
_LONGEST_NM: Final = 1_000_000 * NM_PER_MM


def parse_number(text: str) -> Decimal:
    """The signed decimal number in `text`; a comma counts as the decimal mark.

    Raises ValueError for anything else, with a sentence that says what is allowed.
    """
    stripped = text.strip()
    if not _NUMBER.fullmatch(stripped):
        raise ValueError(f"{text!r} is not a plain decimal number such as 8.026 or 203,86")
    return Decimal(stripped.replace(",", "."))


def to_nanometres(number: Decimal, unit: Unit) -> int:
    """`number` of `unit` as a whole number of nanometres, exactly.

    Raises ValueError when the number is finer than a nanometre or longer than a kilometre.
    """
    # Checked first: the product with an extremely long number would be extremely slow.
    if number.adjusted() > 9 or len(number.as_tuple().digits) > 18:
        raise ValueError(f"{number} {unit} has more digits than any caliper shows")
    exact = number * NM_PER_UNIT[unit]
    whole = int(exact)
    if whole != exact:
        raise ValueError(f"{number} {unit} is finer than a nanometre; give fewer decimals")
    if abs(whole) > _LONGEST_NM:
        raise ValueError(f"{number} {unit} is longer than a kilometre; check the number and unit")
    return whole


def parse_length(text: str, unit: Unit) -> int:
    """The length written in `text`, in whole nanometres.

    Raises ValueError as `parse_number` and `to_nanometres` do.
    """
    return to_nanometres(parse_number(text), unit)


def mm_text(nanometres: int) -> str:
    """The exact decimal millimetres of `nanometres`, without trailing zeros: "203.8604"."""
    sign = "-" if nanometres < 0 else ""
    whole, rest = divmod(abs(nanometres), NM_PER_MM)
    return f"{sign}{whole}.{rest:06d}".rstrip("0").rstrip(".")


def unit_text(nanometres: int, unit: Unit) -> str:
    """The decimal length in `unit`, without trailing zeros; in inches to a millionth."""
    if unit == "mm":
        return mm_text(nanometres)
    inches = Decimal(nanometres) / NM_PER_UNIT[unit]
    return f"{inches:.6f}".rstrip("0").rstrip(".")


def mm(nanometres: int) -> float:
    """`nanometres` in millimetres, as the nearest float."""
    return nanometres / NM_PER_MM


def positive(name: str, value: float) -> float:
    """`value`, which must be greater than zero. Raises ValueError naming it."""
    if not 0 < value < math.inf:
        raise ValueError(f"{name}: it must be greater than zero")
    return value
