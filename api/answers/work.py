"""What an angle error does to the work, and what error an accepted gap allows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.work import Allowed, AskedWork, Effects, allowed, effects
from api.answers.settings import FEWEST_PIECES, MOST_PIECES
from api.errors import InvalidField

# An error of 45 degrees or more is not an error of adjustment.
_MOST_RAD: Final = math.pi / 4
# A right angle that differs only in the last few bits of a double is a right angle.
_RIGHT_ANGLE: Final = math.pi / 2 - 1e-12


@dataclass(frozen=True, slots=True)
class WorkAnswer:
    """Both ways: from the error to the work, and from the gap accepted to the error."""

    effects: Effects
    allowed: tuple[Allowed, ...]


def work(angle_rad: float | None, expanded_rad: float, asked: AskedWork) -> WorkAnswer:
    """What follows from an error with its expanded uncertainty (None: no error is given) and
    from an accepted gap.

    Raises InvalidField for what can't be.
    """
    _check(angle_rad, expanded_rad, asked)
    try:
        limits = allowed(angle_rad, expanded_rad, asked)
    except ValueError as error:
        raise InvalidField("gap", str(error).partition(": ")[2]) from None
    return WorkAnswer(
        Effects() if angle_rad is None else effects(angle_rad, expanded_rad, asked), limits
    )


def _check(angle_rad: float | None, expanded_rad: float, asked: AskedWork) -> None:
    if angle_rad is not None and not abs(angle_rad) < _MOST_RAD:
        raise InvalidField("angle_deg", "an error of 45 degrees or more is no error of adjustment")
    if not 0 <= expanded_rad < _MOST_RAD:
        raise InvalidField("u_deg", "is zero or more; give the expanded uncertainty in degrees")
    for name, value in (
        ("joint", asked.joint_mm),
        ("width", asked.width_mm),
        ("height", asked.height_mm),
        ("gap", asked.gap_mm),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise InvalidField(name, "must be greater than zero")
    if asked.width_mm is not None and asked.height_mm is None:
        raise InvalidField("height", "is needed with width: a case has both")
    if asked.pieces is not None:
        if not FEWEST_PIECES <= asked.pieces <= MOST_PIECES:
            raise InvalidField("pieces", f"a frame has {FEWEST_PIECES} to {MOST_PIECES} pieces")
        if asked.joint_mm is None:
            raise InvalidField("joint", "is needed with pieces: how long a joint of the frame is")
        if angle_rad is not None and abs(2 * asked.pieces * angle_rad) >= _RIGHT_ANGLE:
            raise InvalidField("pieces", "so many cuts so far off close no frame; give fewer")
    if asked.gap_mm is not None and asked.joint_mm is None and asked.width_mm is None:
        raise InvalidField("joint", "is needed with gap: over which length the gap is seen")
