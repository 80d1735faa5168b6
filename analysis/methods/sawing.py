"""What the records of methods that cut on a saw share: the angles of a cut."""

from __future__ import annotations

from typing import Final

from analysis.methods.record import Relation, Term

OWN_GEOMETRY: Final = (
    "relation derived from the cutting plane and checked by cutting polygons and planes"
)
DIFFERENCE: Final = (-1.0, 1.0)
TWO_CUTS: Final = (0.5, 0.5)
_LEANS: Final = (
    "the open end of the cut leans to the right",
    "the open end of the cut leans to the left",
)
_WAYS: Final = ("leans right", "leans left")
_TILTS: Final = ("the cut leans to the right going up", "the cut leans to the left going up")
_FROM_ABOVE: Final = "seen from above with the fence at the bottom"
_FROM_THE_FENCE: Final = "seen from the fence toward the open end"


def cut_angle(
    weights: tuple[float, ...],
    terms: tuple[Term, ...],
    base: str = "width of the board",
    insets: int = 2,
) -> Relation:
    return Relation(
        "angle",
        weights,
        terms,
        "baseline",
        insets,
        _LEANS,
        _FROM_ABOVE,
        "angle of the cut",
        base,
        "fence",
        ways=_WAYS,
    )


def blade_tilt(weights: tuple[float, ...], terms: tuple[Term, ...]) -> Relation:
    return Relation(
        "tilt",
        weights,
        terms,
        "thickness",
        0,
        _TILTS,
        _FROM_THE_FENCE,
        "tilt",
        "thickness of the board",
        "blade tilt",
        ways=_WAYS,
    )
