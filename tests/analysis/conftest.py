"""What the tests of the analysis share: a seeded generator, and strips really cut from polygons."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from shapely import LineString, Polygon
from shapely.affinity import rotate, scale, translate

FAR = 5000.0


@pytest.fixture
def rng() -> np.random.Generator:
    """Seeded, so a failure comes back."""
    return np.random.default_rng(20260117)


@dataclass(frozen=True)
class Saw:
    """Cuts the plane x = y tan(angle) + z tan(tilt) + at, on sections of a board at height z.

    Left and right as seen from above with the fence along y = 0 at the bottom. Built on
    polygons alone: it shares no formula with the analysis.
    """

    angle: float
    tilt: float = 0.0

    def keep(self, board: Any, side: str, at: float = 0.0, z: float = 0.0) -> Any:
        """What is left of the section on one side of the blade."""
        foot, head = (at + z * math.tan(self.tilt) + y * math.tan(self.angle) for y in (-FAR, FAR))
        wall = -2 * FAR if side == "left" else 2 * FAR
        half = Polygon([(foot, -FAR), (head, FAR), (wall, FAR), (wall, -FAR)])
        return board.intersection(half)


def width_at(section: Any, y: float) -> float:
    """The width along the fence of a section, y away from the fence."""
    return float(section.intersection(LineString([(-FAR, y), (FAR, y)])).length)


def other(side: str) -> str:
    return "right" if side == "left" else "left"


def board_on(side: str, length: float = 600.0, width: float = 250.0) -> Any:
    """A board on one side of the blade, on the fence, its end a little beyond the blade."""
    board = Polygon([(-length, 0), (30, 0), (30, width), (-length, width)])
    return board if side == "left" else scale(board, xfact=-1, origin=(0, 0))


def reversal_strip(saw: Saw, strip: str, z: float, h: float, board: Any = None) -> Any:
    """Section at height z of the strip: same edge on the fence, other face up."""
    board = board_on(strip) if board is None else board
    # What lies at z for the last cut lay at h - z for the first: the board was turned over.
    first = saw.keep(board, strip, z=h - z)
    turned = scale(first, xfact=-1, origin=(0, 0))
    return saw.keep(turned, strip, at=60 if strip == "left" else -60, z=z)


def half_turn_strip(saw: Saw, strip: str, z: float, width: float = 250.0) -> Any:
    """Opposite edge on the fence, same face up."""
    first = saw.keep(board_on(strip, width=width), strip, z=z)
    turned = rotate(first, 180, origin=(0, width / 2))
    return saw.keep(turned, strip, at=60 if strip == "left" else -60, z=z)


def roll_strip(saw: Saw, strip: str, z: float, h: float, width: float = 250.0) -> Any:
    """Opposite edge on the fence, other face up, the board on the same side."""
    first = saw.keep(board_on(other(strip), width=width), other(strip), z=h - z)
    turned = scale(first, yfact=-1, origin=(0, width / 2))
    return saw.keep(turned, strip, at=60 if strip == "left" else -60, z=z)


def five_cut_strip(saw: Saw, strip: str) -> Any:
    """The fifth strip of a panel turned a quarter after each cut, fresh edge to the fence."""
    # Cutting on the other side is the same work seen in a mirror, by a mirrored saw.
    if strip == "right":
        mirrored = five_cut_strip(Saw(-saw.angle), "left")
        return scale(mirrored, xfact=-1, origin=(0, 0))
    panel = Polygon([(-500, 0), (2500, 0), (2510, 2530), (-480, 2500)])
    lean = math.degrees(saw.angle)
    for _ in range(4):
        fresh = saw.keep(panel, "right")
        panel = rotate(fresh, 90 + lean, origin=(0, 0))
        # The fresh edge now runs along y = 0; the new left end is beyond the blade, far
        # enough that the next cut trims it whole.
        left, _, right, _ = panel.bounds
        panel = translate(panel, xoff=-left - 0.45 * (right - left))
    # Enough to reach past side A where it leans away.
    return saw.keep(panel, "left", at=200)
