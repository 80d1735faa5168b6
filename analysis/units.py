"""Exact lengths, as an integer number of nanometres.

One inch is 25.4 mm exactly (international inch, 1959), so every count that a caliper
can show, in either unit, is a whole number of nanometres: no length is rounded
between the instrument and the analysis.
"""

from __future__ import annotations

import math
import re
import unicodedata
from decimal import Decimal
from typing import Final, Literal

Unit = Literal["mm", "in"]

NM_PER_MM: Final = 1_000_000
NM_PER_UNIT: Final[dict[Unit, int]] = {"mm": 1_000_000, "in": 25_400_000}
MM_PER_INCH: Final = NM_PER_UNIT["in"] / NM_PER_MM

UNIT_WORDS: Final[dict[str, Unit]] = {
    "mm": "mm",
    "in": "in",
    "in.": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "''": "in",
    "\N{DOUBLE PRIME}": "in",
}
"""How a unit is written after a number, in small letters."""

# ASCII digits with at most one decimal mark. Decimal() alone would also accept "1e3", "nan",
# "1_000" and digits of other scripts, which are no lengths from a caliper.
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)")
# Fractions of an inch as rules and plans have them: halves down to 64ths, each of them a whole
# number of nanometres. Between whole number and fraction stands a space or a hyphen.
_DENOMINATORS: Final = (2, 4, 8, 16, 32, 64)
_FRACTION: Final = re.compile(
    r"([+-]?)(?:([0-9]{1,6})(?:[ \t]+|[-\u2010\u2011\u2013]))?([0-9]{1,6})[ \t]*/[ \t]*([0-9]{1,6})"
)
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
    """The length written in `text`, in whole nanometres, exactly.

    A decimal number, or a fraction of inches down to 64ths: `8 1/32`, `8-1/32`, `1/64`, `8\u00bd`.
    A unit in the text (mm, in, inch, inches, ") goes before `unit`. Raises ValueError with a
    sentence that says what is allowed, and as `parse_number` and `to_nanometres` do.
    """
    bare, own = without_unit(text)
    own = own or unit
    if "/" not in bare:
        return to_nanometres(parse_number(bare), own)
    inches = _fraction(bare)
    if own == "mm":
        raise ValueError(
            f"{text.strip()} is a fraction, and fractions are of inches; write {bare} in, or"
            " millimetres such as 203.86"
        )
    return to_nanometres(inches, "in")


def plain_length(text: str, unit: Unit) -> str:
    """The length written in `text` as a decimal number of `unit`, which is exactly it; a number
    without a unit as it was written. Raises ValueError as `parse_length` does, and for millimetres
    that no decimal number of inches is."""
    nm = parse_length(text, unit)
    if _NUMBER.fullmatch(text.strip()):
        return text.strip()
    plain = mm_text(nm) if unit == "mm" else trimmed(f"{Decimal(nm) / NM_PER_UNIT['in']:.9f}")
    if Decimal(plain) * NM_PER_UNIT[unit] != nm:
        raise ValueError(
            f"{text.strip()} is no plain number of inches; give inches, or choose mm as the unit"
        )
    return plain


def without_unit(text: str) -> tuple[str, Unit | None]:
    """The number in `text` with "/" for every sign of a fraction, and the unit written after it;
    None where none is."""
    signs = (
        f" {unicodedata.normalize('NFKC', sign)}"
        if "VULGAR" in unicodedata.name(sign, "")
        else sign
        for sign in text
    )
    spread = "".join(signs).replace("\N{FRACTION SLASH}", "/").strip()
    low = spread.lower()
    for word, unit in UNIT_WORDS.items():
        if low.endswith(word):
            return spread[: -len(word)].strip(), unit
    return spread, None


def _fraction(text: str) -> Decimal:
    found = _FRACTION.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is not a length such as 8 1/32, 8-1/32 or 8.03125")
    sign, whole, above, below = found[1], found[2], int(found[3]), int(found[4])
    if below not in _DENOMINATORS:
        raise ValueError(
            f"{text} is no fraction of an inch on a rule: the number below the line is 2, 4, 8, 16,"
            " 32 or 64"
        )
    if whole is not None and above >= below:
        raise ValueError(
            f"{text}: beside whole inches the fraction is less than one; check its numbers"
        )
    size = Decimal(whole or 0) + Decimal(above) / below
    return -size if sign == "-" else size


def mm_text(nanometres: int) -> str:
    """The exact decimal millimetres of `nanometres`, without trailing zeros: "203.8604"."""
    sign = "-" if nanometres < 0 else ""
    whole, rest = divmod(abs(nanometres), NM_PER_MM)
    return trimmed(f"{sign}{whole}.{rest:06d}")


def trimmed(decimal: str) -> str:
    """A number with a decimal point, without its trailing zeros, nor the point after a whole."""
    return decimal.rstrip("0").rstrip(".")


def unit_text(nanometres: int, unit: Unit) -> str:
    """The decimal length in `unit`, without trailing zeros; in inches to a millionth."""
    if unit == "mm":
        return mm_text(nanometres)
    inches = Decimal(nanometres) / NM_PER_UNIT[unit]
    return trimmed(f"{inches:.6f}")


def mm(nanometres: int) -> float:
    """`nanometres` in millimetres, as the nearest float."""
    return nanometres / NM_PER_MM


def positive(name: str, value: float) -> float:
    """`value`, which must be greater than zero. Raises ValueError naming it."""
    if not 0 < value < math.inf:
        raise ValueError(f"{name}: it must be greater than zero")
    return value
