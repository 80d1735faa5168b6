"""The effect of an angle error on a joint, a case or a frame, and the error that a gap allows.

Angles are in radians, lengths in mm; uncertainties are expanded ones at 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from analysis.advice import (
    angle_for_diagonals,
    angle_for_joint,
    angle_for_last_gap,
    diagonals_differ,
    joint_gap,
    last_gap,
)
from analysis.conversions import SizeUnit, size_text
from analysis.sentences import number
from analysis.units import MM_PER_INCH, Unit


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
    say = _Words(asked.unit)
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
    say = _Words(asked.unit)
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
    True: "this machine keeps within that",
    False: "this machine does not keep within that",
    None: "its uncertainty does not tell yet whether this machine does",
}


def _joint(e: float, u: float, joint: float, say: _Words) -> Effect:
    gap, uncertainty = float(joint_gap(e, joint)), joint * u / math.cos(e) ** 2
    words = f"A joint {say.long(joint)} long stands {say.small(gap, uncertainty)} open at one end."
    return Effect(gap, uncertainty, words)


def _side(e: float, u: float, height: float, say: _Words) -> Effect:
    off, uncertainty = float(joint_gap(e, height)), height * u / math.cos(e) ** 2
    size = say.small(off, uncertainty)
    words = f"The side of a case {say.long(height)} deep is {size} out of square."
    return Effect(off, uncertainty, words)


def _case(e: float, u: float, width: float, height: float, say: _Words) -> Effect:
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


def _frame(e: float, u: float, joint: float, pieces: int, say: _Words) -> Effect:
    last = float(last_gap(e, joint, pieces))
    uncertainty = joint * 2 * pieces * u / math.cos(2 * pieces * e) ** 2
    words = (
        f"Set so for miters, the last joint of a frame of {pieces} pieces stands "
        f"{say.small(last, uncertainty)} open."
    )
    return Effect(last, uncertainty, words)


@dataclass(frozen=True, slots=True)
class _Words:
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
