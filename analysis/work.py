"""The effect of an angle error on a joint, a case or a frame, and the error that a gap allows.

Angles are in radians, lengths in mm; uncertainties are expanded ones at 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.conversions import SizeUnit, size_text
from analysis.sentences import number
from analysis.units import MM_PER_INCH, Unit, positive

Array = NDArray[np.float64]


def joint_gap(angle_rad: ArrayLike, joint_mm: ArrayLike) -> Array:
    """Gap at one end of a butt joint, or out-of-square of a case side: joint tan e, signed."""
    return np.asarray(np.asarray(joint_mm, float) * np.tan(np.asarray(angle_rad, float)))


def diagonals_differ(angle_rad: ArrayLike, width_mm: float, height_mm: float) -> Array:
    """By how much a case's diagonals differ when its corners are off by e, signed.

    Exact for opposite sides equal: sqrt(a^2 + b^2 + 2 a b sin e) - sqrt(a^2 + b^2 - 2 a b sin e).
    """
    squares, twice = width_mm**2 + height_mm**2, 2 * width_mm * height_mm
    sine = np.sin(np.asarray(angle_rad, float))
    # The difference of the roots, computed from their sum: no digits are lost at small angles.
    roots = np.sqrt(squares + twice * sine) + np.sqrt(squares - twice * sine)
    return np.asarray(2 * twice * sine / roots)


def last_gap(angle_rad: ArrayLike, joint_mm: float, pieces: int) -> Array:
    """Gap left at the last joint of a frame of n mitred pieces: joint tan(2 n e), signed."""
    return np.asarray(joint_mm * np.tan(2 * pieces * np.asarray(angle_rad, float)))


def angle_for_joint(gap_mm: ArrayLike, joint_mm: float) -> Array:
    """The angle error that leaves `gap_mm` at one end of a joint: atan(gap / joint)."""
    return np.asarray(np.arctan(np.asarray(gap_mm, float) / positive("joint", joint_mm)))


def angle_for_diagonals(difference_mm: float, width_mm: float, height_mm: float) -> float:
    """The corner error that makes a case's diagonals differ by so much; inverse, exact.

    sin e = d sqrt(2 S - d^2) / (4 a b), S = 2 (a^2 + b^2). Raises ValueError where no such
    case exists.
    """
    a, b = positive("width", width_mm), positive("height", height_mm)
    # A case folded flat has the diagonals a + b and |a - b|.
    if not abs(difference_mm) <= 2 * min(a, b):
        raise ValueError("diagonals: no case of this size has diagonals so different")
    sine = difference_mm * math.sqrt(4 * (a * a + b * b) - difference_mm**2) / (4 * a * b)
    return math.asin(max(-1.0, min(1.0, sine)))


def angle_for_last_gap(gap_mm: ArrayLike, joint_mm: float, pieces: int) -> Array:
    """The error of each miter that leaves `gap_mm` at the last joint: atan(gap/joint) / (2 n)."""
    if pieces < 3:
        raise ValueError("pieces: a frame has at least 3")
    ratio = np.asarray(gap_mm, float) / positive("joint", joint_mm)
    return np.asarray(np.arctan(ratio) / (2 * pieces))


@dataclass(frozen=True, slots=True)
class AskedWork:
    """The work, in mm; None for what is not asked about.

    joint_mm: the length of a joint; with `pieces`, of each joint of a mitred frame. width_mm and
    height_mm: of a case. gap_mm: the largest accepted gap at the end of the joint or at the last
    joint of the frame, or difference of the diagonals. unit: that of the sentences.
    """

    joint_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    pieces: int | None = None
    gap_mm: float | None = None
    unit: Unit = "mm"


@dataclass(frozen=True, slots=True)
class Effect:
    """The error of the work, in mm, with the sign of the angle, and its expanded uncertainty."""

    mm: float
    expanded_mm: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Effects:
    """The effects of an error; None for what was not asked about.

    joint: the gap at one end; side: out of square of a case's side; case: by how much its
    diagonals differ; frame: the gap at the last joint.
    """

    joint: Effect | None = None
    side: Effect | None = None
    case: Effect | None = None
    frame: Effect | None = None


@dataclass(frozen=True, slots=True)
class Allowed:
    """The error of each cut at which the accepted gap is reached, either way.

    within: whether the error found, with its uncertainty, is inside it; None without an error
    or where the uncertainty is too large to tell.
    """

    of: Literal["joint", "case", "frame"]
    limit_rad: float
    within: bool | None
    sentence: str


def effects(angle_rad: float, expanded_rad: float, asked: AskedWork) -> Effects:
    """The effects of an error on the work asked about.

    Gap of a joint J: J tan e; out of square of a case's side h: h tan e; diagonals of a case,
    exact; last gap of a frame of n pieces: J tan(2 n e). Uncertainties by the derivative (JCGM
    100, 5.1.2). Valid while |e|, and 2 n |e| of a frame, are below a right angle.
    """
    joint, width, height, pieces = asked.joint_mm, asked.width_mm, asked.height_mm, asked.pieces
    say = Words(asked.unit)
    return Effects(
        joint=None if joint is None else _joint(angle_rad, expanded_rad, joint, say),
        side=None if height is None else _side(angle_rad, expanded_rad, height, say),
        case=None
        if width is None or height is None
        else _case(angle_rad, expanded_rad, width, height, say),
        frame=None
        if joint is None or pieces is None
        else _frame(angle_rad, expanded_rad, joint, pieces, say),
    )


def allowed(angle_rad: float | None, expanded_rad: float, asked: AskedWork) -> tuple[Allowed, ...]:
    """The error that the accepted gap allows in each thing asked about; empty without a gap.

    The inverse of `effects`. angle_rad: the error that is compared with it, None for none. Raises
    ValueError where no case has diagonals so different, or a frame fewer than three pieces.
    """
    gap, joint, pieces = asked.gap_mm, asked.joint_mm, asked.pieces
    if gap is None:
        return ()
    say = Words(asked.unit)
    seen = say.small(gap)
    limits: list[tuple[Literal["joint", "case", "frame"], float, str]] = []
    if joint is not None:
        limit = float(angle_for_joint(gap, joint))
        limits.append(
            ("joint", limit, f"A gap of {seen} over a joint {say.long(joint)} long allows")
        )
    if asked.width_mm is not None and asked.height_mm is not None:
        limit = angle_for_diagonals(gap, asked.width_mm, asked.height_mm)
        words = (
            f"Diagonals {seen} apart in a case {say.long(asked.width_mm)} by "
            f"{say.long(asked.height_mm)} allow"
        )
        limits.append(("case", limit, words))
    if joint is not None and pieces is not None:
        limit = float(angle_for_last_gap(gap, joint, pieces))
        words = f"A gap of {seen} at the last joint of a frame of {pieces} pieces allows"
        limits.append(("frame", limit, words))
    found = []
    for of, limit, words in limits:
        within = None if angle_rad is None else is_within(angle_rad, expanded_rad, limit)
        compared = "" if angle_rad is None else f"; {_COMPARED[within]}"
        size = size_text(limit, "rad", limit / 10)
        found.append(
            Allowed(of, limit, within, f"{words} {size} either way in each cut{compared}.")
        )
    return tuple(found)


def is_within(angle_rad: float, expanded_rad: float, limit_rad: float) -> bool | None:
    """Whether an error lies within +- limit by the rule of ISO 14253-1: inside or outside it by
    more than the uncertainty, or None where neither is shown."""
    if abs(angle_rad) + expanded_rad <= limit_rad:
        return True
    return False if abs(angle_rad) - expanded_rad > limit_rad else None


_COMPARED: Final = {
    True: "the error found, ± included, is within that",
    False: "the error found, ± included, is outside that",
    None: "the error found, ± included, is partly within that",
}


def _joint(e: float, u: float, joint: float, say: Words) -> Effect:
    gap, uncertainty = float(joint_gap(e, joint)), joint * u / math.cos(e) ** 2
    words = f"A joint {say.long(joint)} long stands {say.small(gap, uncertainty)} open at one end."
    return Effect(gap, uncertainty, words)


def _side(e: float, u: float, height: float, say: Words) -> Effect:
    off, uncertainty = float(joint_gap(e, height)), height * u / math.cos(e) ** 2
    size = say.small(off, uncertainty)
    words = f"The side of a case {say.long(height)} deep is {size} out of square."
    return Effect(off, uncertainty, words)


def _case(e: float, u: float, width: float, height: float, say: Words) -> Effect:
    apart = float(diagonals_differ(e, width, height))
    # d/de of the difference: the derivative of each root is a b cos e / root, with its sign.
    cosine, sine = math.cos(e), math.sin(e)
    square, twice = width**2 + height**2, 2 * width * height
    longer, shorter = math.sqrt(square + twice * sine), math.sqrt(square - twice * sine)
    uncertainty = u * width * height * cosine * (1 / longer + 1 / shorter)
    words = (
        f"The diagonals of a case {say.long(width)} by {say.long(height)} differ by "
        f"{say.small(apart, uncertainty)}."
    )
    return Effect(apart, uncertainty, words)


def _frame(e: float, u: float, joint: float, pieces: int, say: Words) -> Effect:
    last = float(last_gap(e, joint, pieces))
    uncertainty = joint * 2 * pieces * u / math.cos(2 * pieces * e) ** 2
    words = (
        f"Set so for miters, the last joint of a frame of {pieces} pieces stands "
        f"{say.small(last, uncertainty)} open."
    )
    return Effect(last, uncertainty, words)


@dataclass(frozen=True, slots=True)
class Words:
    """Sizes in the sentences about a work, in its unit."""

    unit: Unit

    def long(self, mm: float) -> str:
        """The size of a board or a joint."""
        if self.unit == "mm":
            return f"{number(mm, 1).rstrip('0').rstrip('.')} mm"
        return f"{number(mm / MM_PER_INCH, 3).rstrip('0').rstrip('.')} in"

    def small(self, mm: float, uncertainty: float = 0.0) -> str:
        """A gap, with its uncertainty where there is one: mm, or thou for inches."""
        per: float = 1.0 if self.unit == "mm" else MM_PER_INCH
        size: SizeUnit = "mm" if self.unit == "mm" else "in"
        if not uncertainty:
            return size_text(mm / per, size)
        shown = size_text(mm / per, size, uncertainty / per).rpartition(" ")
        return f"{shown[0]} ± {size_text(uncertainty / per, size, uncertainty / per)}"
