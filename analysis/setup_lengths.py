"""Whether a length given at the set-up is one that no bench of this kind uses.

The ranges are common practice, no source, and generous: outside of them a length is nearly always a
slip of the decimal point or of the unit. It is asked about, never refused.
"""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple

from analysis.kinds import kinds_named
from analysis.methods import Method
from analysis.units import MM_PER_INCH, NM_PER_MM, NM_PER_UNIT, Unit, unit_text

Field = Literal["baseline", "thickness", "inset", "jaw_width", "tolerance_joint"]
"""The lengths of a series that can be asked about, by their names in a series."""


class LengthQuestion(NamedTuple):
    """sentence: what is odd, and what to do. proposed_nm: what may have been meant, the likeliest
    first; empty where no usual slip explains the length."""

    sentence: str
    proposed_nm: tuple[int, ...]


class _Range(NamedTuple):
    """In mm, of a length on one kind of machine."""

    least: float
    most: float

    def middle(self) -> float:
        return math.sqrt(max(self.least, 1.0) * self.most)


_ANY: Final = "any machine"
# Common practice, no source. Where a kind is not named the range of any machine holds.
_RANGES: Final[dict[str, dict[str, _Range]]] = {
    "the length of the cut": {
        "a miter saw": _Range(25, 500),
        "a radial arm saw": _Range(25, 800),
        "a sled": _Range(25, 1600),
        "a table saw": _Range(25, 2500),
        _ANY: _Range(10, 3500),
    },
    "the thickness of the board": {
        "a miter saw": _Range(4, 180),
        "a radial arm saw": _Range(4, 180),
        "a sled": _Range(3, 160),
        "a table saw": _Range(3, 160),
        _ANY: _Range(2, 400),
    },
    "the width of the board": {"a planer": _Range(15, 1000), _ANY: _Range(10, 1500)},
    "the distance along the slot": {
        "a sled": _Range(50, 600),
        "a table saw": _Range(50, 600),
        _ANY: _Range(30, 1000),
    },
    "the length of the joint": {"a miter saw": _Range(4, 350), _ANY: _Range(3, 1500)},
    "the distance between the 2 places": {_ANY: _Range(30, 1500)},
    "the size of the block": {_ANY: _Range(0.5, 1000)},
    "the inset of the jaws": {_ANY: _Range(0, 100)},
    "the width of the jaws": {_ANY: _Range(0.3, 50)},
    "the baseline": {_ANY: _Range(3, 5000)},
}
_BASELINES: Final = {
    "blade-to-slot": "the distance along the slot",
    "planed-thickness": "the width of the board",
    "closing-miters": "the length of the joint",
    "miter-pair": "the distance between the 2 places",
    "reversed-square": "the distance between the 2 places",
    "known-block": "the size of the block",
}
_OTHERS: Final[dict[Field, str]] = {
    "thickness": "the thickness of the board",
    "inset": "the inset of the jaws",
    "jaw_width": "the width of the jaws",
    "tolerance_joint": "the length of the joint",
}
_SLIPS: Final = (10, 100, 1000)
# Proposed beside the most usual one: what is within a factor of three of the range's middle.
_AS_LIKELY: Final = math.log(3)


def length_question(
    kind: str | None, method: Method, field: Field, nm: int, unit: Unit
) -> LengthQuestion | None:
    """What to ask about a length of `nm` nanometres before the first strip; None: nothing.

    kind: of the machine, as a person wrote it; None or an unknown one has the widest ranges.
    unit: of the lengths of the series, in which the sentence speaks.
    """
    what = _called(method, field)
    machine, usual = _usual(kind, what)
    value = nm / NM_PER_MM
    if usual.least <= value <= usual.most:
        return None
    proposed = _meant(nm, unit, usual)
    between = f"{_short(usual.least, unit)} to {_short(usual.most, unit)} {unit}"
    begun = (
        f"{what[0].upper()}{what[1:]} is given as {unit_text(nm, unit)} {unit}; "
        f"on {machine} it is {between}."
    )
    if not proposed:
        return LengthQuestion(f"{begun} Check the number and its unit.", ())
    said = " or ".join(_said(each, nm, unit) for each in proposed)
    return LengthQuestion(f"{begun} Is it {said}?", proposed)


def _said(meant: int, nm: int, unit: Unit) -> str:
    """With the other unit where that explains it."""
    said = f"{unit_text(meant, unit)} {unit}"
    if meant != _in_other(nm, unit):
        return said
    return f"{said} ({unit_text(nm, unit)} {'in' if unit == 'mm' else 'mm'})"


def _in_other(nm: int, unit: Unit) -> int:
    """The length whose number in the other unit was given as one in `unit`."""
    return _given(nm * MM_PER_INCH if unit == "mm" else nm / MM_PER_INCH, unit)


def _given(nm: float, unit: Unit) -> int:
    """To a length that can be given in `unit` exactly, in inches with four decimals."""
    step = 1 if unit == "mm" else NM_PER_UNIT["in"] // 10_000
    return round(nm / step) * step


def _called(method: Method, field: Field) -> str:
    if field != "baseline":
        return _OTHERS[field]
    # What a method of the user's own divides by is known to its user alone.
    own = method.definition is not None
    return "the baseline" if own else _BASELINES.get(method.key, "the length of the cut")


def _usual(kind: str | None, what: str) -> tuple[str, _Range]:
    ranges = _RANGES[what]
    named = next(iter(kinds_named(kind)), _ANY)
    machine = named if named in ranges else _ANY
    return machine, ranges[machine]


def _meant(nm: int, unit: Unit, usual: _Range) -> tuple[int, ...]:
    """The lengths in the usual range of which a slip makes `nm`, the most usual one first."""
    if nm <= 0:
        return ()
    meant = {_given(nm * by, unit) for slip in _SLIPS for by in (slip, 1 / slip)} | {
        _in_other(nm, unit)
    }
    usually = [each for each in meant if usual.least <= each / NM_PER_MM <= usual.most]
    unlikely = {each: abs(math.log(each / NM_PER_MM / usual.middle())) for each in usually}
    best, *others = sorted(usually, key=unlikely.__getitem__) or [0]
    return (best, *(each for each in others if unlikely[each] < _AS_LIKELY)) if best else ()


def _short(mm: float, unit: Unit) -> str:
    """To two digits."""
    value = mm * NM_PER_MM / NM_PER_UNIT[unit]
    digits = 1 - math.floor(math.log10(value)) if value else 0
    return unit_text(round(round(value, digits) * NM_PER_UNIT[unit]), unit)
