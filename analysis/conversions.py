"""Converts an angle between the measures that a shop uses, and writes sizes as text.

Degrees and arc minutes measure the angle itself; thou per foot, mm per 300 mm and mm per m
measure its tangent. Conversions are exact in both directions (tan and arctan, no small-angle
approximation).
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.sentences import (
    Measure as SentenceMeasure,
)
from analysis.sentences import MeasureUnit, decimals_for, number, rounded, with_uncertainty

Measure = Literal["rad", "deg", "arcmin", "thou/ft", "mm/300mm", "mm/m"]
"""An angle itself (`rad`, `deg`, `arcmin`) or as a taper."""

SizeUnit = Literal["rad", "mm", "in"]
"""The unit in which the analysis holds a quantity: an angle, or a length."""

# How many of the measure make one radian, or one unit of slope. A foot is 12 in = 12000 thou.
_PER_RADIAN: Final = {"rad": 1.0, "deg": 180.0 / math.pi, "arcmin": 60.0 * 180.0 / math.pi}
_PER_SLOPE: Final = {"thou/ft": 12_000.0, "mm/300mm": 300.0, "mm/m": 1_000.0}

NAMES: Final[dict[Measure, str]] = {
    "rad": "radians",
    "deg": "degrees",
    "arcmin": "arc minutes",
    "thou/ft": "thou per foot",
    "mm/300mm": "mm per 300 mm",
    "mm/m": "mm per m",
}


def convert(value: ArrayLike, start: Measure, to: Measure) -> NDArray[np.float64]:
    """`value` of the measure `start`, in the measure `to`.

    value: any shape; the result has the same shape (0-d for a number). nan gives nan.
    Raises ValueError for an unknown measure, and for an angle of 90 degrees or more as a taper,
    which would not be finite.
    Formula: taper = base * tan(angle), base 12000 thou per foot, 300 mm, 1000 mm.
    """
    for measure in (start, to):
        if measure not in NAMES:
            raise ValueError(
                f"{measure!r} is no measure of an angle; use one of {', '.join(NAMES)}"
            )
    given = np.asarray(value, float)
    if start == to:
        return given.copy()
    if start in _PER_SLOPE and to in _PER_SLOPE:
        return np.asarray(given * (_PER_SLOPE[to] / _PER_SLOPE[start]))
    if start in _PER_RADIAN and to in _PER_RADIAN:
        return np.asarray(given * (_PER_RADIAN[to] / _PER_RADIAN[start]))
    if start in _PER_SLOPE:
        return np.asarray(np.arctan(given / _PER_SLOPE[start]) * _PER_RADIAN[to])
    angle = given / _PER_RADIAN[start]
    if np.any(np.abs(angle) >= math.pi / 2):
        raise ValueError("an angle of 90 degrees or more has no taper; check the angle")
    return np.asarray(np.tan(angle) * _PER_SLOPE[to])


def measures(angle_rad: float) -> dict[Measure, float]:
    """The angle in every measure, for a page that shows them side by side.

    Raises ValueError as `convert` does.
    """
    return {measure: float(convert(angle_rad, "rad", measure)) for measure in NAMES}


def size_text(value: float, unit: SizeUnit, uncertainty: float | None = None) -> str:
    """The size of `value` as text: "0.025 degrees", "0.31 mm", "7 thou".

    value: in radians, mm or inches; its sign is not shown. Radians are
    shown as degrees, inches as thou.
    uncertainty: sets the number of decimals: down to its second digit
    (JCGM 100, 7.2.6); without it, or with zero, 3 for degrees, 3 for mm, 1 for thou,
    without trailing zeros.
    """
    factor, word, usual = _SHOWN_AS[unit]
    shown = abs(value) * factor
    if uncertainty:
        return f"{number(shown, decimals_for(abs(uncertainty) * factor))} {word}"
    decimals = usual
    # A size that the usual decimals would round to zero is shown with two digits instead.
    if 0 < shown < 0.5 * 10.0**-usual:
        decimals = 1 - math.floor(math.log10(shown))
    return f"{number(shown, decimals).rstrip('0').rstrip('.')} {word}"


def size_measure(value: float, unit: SizeUnit) -> SentenceMeasure:
    """The size of `value` to two digits, to be converted within a sentence: "0.05 degrees"."""
    factor, word, _ = _SHOWN_AS[unit]
    return rounded(abs(value) * factor, word)


def plus_minus_text(value: float, half_width: float, unit: SizeUnit) -> str:
    """The size of `value` with the half width of its interval: "0.110 ± 0.038 degrees"."""
    factor, word, _ = _SHOWN_AS[unit]
    return str(with_uncertainty(abs(value) * factor, half_width * factor, word))


_SHOWN_AS: Final[dict[SizeUnit, tuple[float, MeasureUnit, int]]] = {
    "rad": (180 / math.pi, "degrees", 3),
    "mm": (1.0, "mm", 3),
    "in": (1000.0, "thou", 1),
}
