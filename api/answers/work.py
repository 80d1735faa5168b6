"""What an angle error does to the work, and what error an accepted gap allows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analysis import advice
from analysis.conversions import SizeUnit, size_text
from analysis.sentences import number
from analysis.units import MM_PER_INCH, Unit
from api.answers.settings import FEWEST_PIECES, MOST_PIECES
from api.errors import InvalidField
from api.web.shapes import Out

# An error of 45 degrees or more is no error of adjustment.
_MOST_DEG = 45.0


class EffectOut(Out):
    """How far the work is off, signed as the angle, with its expanded uncertainty (95 %)."""

    mm: float
    expanded_uncertainty_mm: float
    sentence: str


class AllowedOut(Out):
    """The angle error at which the accepted gap is reached, either way.

    within: whether the error given, with its uncertainty, stays inside it; null without one or
    where the uncertainty does not tell.
    """

    of: Literal["joint", "case", "frame"]
    deg: float
    within: bool | None
    sentence: str


class WorkOut(Out):
    """What was asked about; null for what was not."""

    angle_deg: float | None
    expanded_uncertainty_deg: float
    joint: EffectOut | None
    side: EffectOut | None
    case: EffectOut | None
    frame: EffectOut | None
    allowed: list[AllowedOut]


@dataclass(frozen=True, slots=True)
class Work:
    """What is to be made, in mm; None where it is not asked about.

    gap_mm: what may be seen and is accepted: the gap at the end of the joint, by which the
    diagonals differ, at the last joint of the frame. unit: in which sentences speak.
    """

    joint_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    pieces: int | None = None
    gap_mm: float | None = None
    unit: Unit = "mm"


def work(angle_deg: float | None, u_deg: float, made: Work) -> WorkOut:
    """Both ways: from the error to the work, and from the gap accepted to the error.

    Gap of a joint J: J tan e; out of square of a case's side h: h tan e; diagonals of a case,
    exact; last gap of a frame of n pieces: J tan(2 n e). Uncertainties by the derivative (JCGM
    100, 5.1.2). Raises InvalidField for what can't be.
    """
    _check(angle_deg, u_deg, made)
    joint, width, height, pieces = made.joint_mm, made.width_mm, made.height_mm, made.pieces
    e, u = (None if angle_deg is None else math.radians(angle_deg)), math.radians(u_deg)
    say = _Words(made.unit)
    found: dict[str, EffectOut | None] = dict.fromkeys(("joint", "side", "case", "frame"))
    if e is not None and joint is not None:
        gap = float(advice.joint_gap(e, joint))
        doubt = joint * u / math.cos(e) ** 2
        words = f"A joint {say.long(joint)} long stands {say.small(gap, doubt)} open at one end."
        found["joint"] = EffectOut(mm=gap, expanded_uncertainty_mm=doubt, sentence=words)
    if e is not None and height is not None:
        off = float(advice.joint_gap(e, height))
        doubt = height * u / math.cos(e) ** 2
        words = (
            f"The side of a case {say.long(height)} deep is {say.small(off, doubt)} out of square."
        )
        found["side"] = EffectOut(mm=off, expanded_uncertainty_mm=doubt, sentence=words)
    if e is not None and width is not None and height is not None:
        apart = float(advice.diagonals_differ(e, width, height))
        # d/de of the difference: its two roots each give a b cos e over themselves.
        cosine, sine = math.cos(e), math.sin(e)
        square, twice = width**2 + height**2, 2 * width * height
        longer, shorter = math.sqrt(square + twice * sine), math.sqrt(square - twice * sine)
        doubt = u * width * height * cosine * (1 / longer + 1 / shorter)
        words = (
            f"The diagonals of a case {say.long(width)} by {say.long(height)} differ by "
            f"{say.small(apart, doubt)}."
        )
        found["case"] = EffectOut(mm=apart, expanded_uncertainty_mm=doubt, sentence=words)
    if e is not None and joint is not None and pieces is not None:
        last = float(advice.last_gap(e, joint, pieces))
        doubt = joint * 2 * pieces * u / math.cos(2 * pieces * e) ** 2
        words = (
            f"Set so for miters, the last joint of a frame of {pieces} pieces stands "
            f"{say.small(last, doubt)} open."
        )
        found["frame"] = EffectOut(mm=last, expanded_uncertainty_mm=doubt, sentence=words)
    return WorkOut(
        angle_deg=angle_deg,
        expanded_uncertainty_deg=u_deg,
        joint=found["joint"],
        side=found["side"],
        case=found["case"],
        frame=found["frame"],
        allowed=_allowed(e, u, made, say),
    )


def _allowed(e: float | None, u: float, made: Work, say: _Words) -> list[AllowedOut]:
    gap = made.gap_mm
    if gap is None:
        return []
    limits: list[tuple[Literal["joint", "case", "frame"], float, str]] = []
    seen = say.small(gap)
    if made.joint_mm is not None:
        limit = float(advice.angle_for_joint(gap, made.joint_mm))
        words = f"A gap of {seen} over a joint {say.long(made.joint_mm)} long allows"
        limits.append(("joint", limit, words))
    if made.width_mm is not None and made.height_mm is not None:
        try:
            limit = advice.angle_for_diagonals(gap, made.width_mm, made.height_mm)
        except ValueError as error:
            raise InvalidField("gap", str(error).partition(": ")[2]) from None
        words = (
            f"Diagonals {seen} apart in a case {say.long(made.width_mm)} by "
            f"{say.long(made.height_mm)} allow"
        )
        limits.append(("case", limit, words))
    if made.joint_mm is not None and made.pieces is not None:
        limit = float(advice.angle_for_last_gap(gap, made.joint_mm, made.pieces))
        words = f"A gap of {seen} at the last joint of a frame of {made.pieces} pieces allows"
        limits.append(("frame", limit, words))
    return [
        AllowedOut(
            of=of,
            deg=math.degrees(limit),
            within=_within(e, u, limit),
            sentence=f"{words} {size_text(limit, 'rad', limit / 10)} either way in each cut"
            f"{_compared(e, u, limit)}.",
        )
        for of, limit, words in limits
    ]


def _within(e: float | None, u: float, limit: float) -> bool | None:
    """By ISO 14253-1: inside or outside the limit by more than the uncertainty, or untold."""
    if e is None:
        return None
    if abs(e) + u <= limit:
        return True
    return False if abs(e) - u > limit else None


def _compared(e: float | None, u: float, limit: float) -> str:
    if e is None:
        return ""
    told = {
        True: "this machine keeps within that",
        False: "this machine does not keep within that",
        None: "its uncertainty does not tell yet whether this machine does",
    }
    return f"; {told[_within(e, u, limit)]}"


@dataclass(frozen=True, slots=True)
class _Words:
    unit: Unit

    def long(self, mm: float) -> str:
        """The size of a board or a joint."""
        if self.unit == "mm":
            return f"{number(mm, 1).rstrip('0').rstrip('.')} mm"
        return f"{number(mm / MM_PER_INCH, 3).rstrip('0').rstrip('.')} in"

    def small(self, mm: float, doubt: float = 0.0) -> str:
        """A gap, with its uncertainty where there is one: mm, or thou for inches."""
        per: float = 1.0 if self.unit == "mm" else MM_PER_INCH
        size: SizeUnit = "mm" if self.unit == "mm" else "in"
        if not doubt:
            return size_text(mm / per, size)
        shown = size_text(mm / per, size, doubt / per).rpartition(" ")
        return f"{shown[0]} ± {size_text(doubt / per, size, doubt / per)}"


def _check(angle_deg: float | None, u_deg: float, made: Work) -> None:
    if angle_deg is not None and not abs(angle_deg) < _MOST_DEG:
        raise InvalidField("angle_deg", "an error of 45 degrees or more is no error of adjustment")
    if not 0 <= u_deg < _MOST_DEG:
        raise InvalidField("u_deg", "is zero or more; give the expanded uncertainty in degrees")
    for name, value in (
        ("joint", made.joint_mm),
        ("width", made.width_mm),
        ("height", made.height_mm),
        ("gap", made.gap_mm),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise InvalidField(name, "must be greater than zero")
    if made.width_mm is not None and made.height_mm is None:
        raise InvalidField("height", "is needed with width: a case has both")
    if made.pieces is not None:
        if not FEWEST_PIECES <= made.pieces <= MOST_PIECES:
            raise InvalidField("pieces", f"a frame has {FEWEST_PIECES} to {MOST_PIECES} pieces")
        if made.joint_mm is None:
            raise InvalidField("joint", "is needed with pieces: how long a joint of the frame is")
        if angle_deg is not None and abs(2 * made.pieces * angle_deg) >= 90:
            raise InvalidField("pieces", "so many cuts so far off close no frame; give fewer")
    if made.gap_mm is not None and made.joint_mm is None and made.width_mm is None:
        raise InvalidField("joint", "is needed with gap: over which length the gap is seen")
