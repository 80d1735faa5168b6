"""How cut pieces come together: the gap at each joint, from the error of each cut and length.

Exact geometry for cuts at any error: nothing is linearised. Each assembly says how it is put
together; another way leaves other gaps. Angles in radians, lengths in mm. The errors of tilt are
no part of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.units import positive
from analysis.work import joint_gap

Array = NDArray[np.float64]
Gaps = Callable[[Array, Array], Array]

FEWEST_SIDES: Final = 3
MOST_SIDES: Final = 24
MOST_PIECES: Final = 60
"""Of all pieces and joints of a work, so that its draws stay a matter of a second."""
# Lengths that close a frame on paper to a hundredth of a millimetre were meant to.
_CLOSED_MM: Final = 0.01
# What is left of a closed frame, in radians and in shares of its girth; each step leaves a tenth
# of an error of a few degrees, a thousandth of a usual one.
_CLOSED: Final = 1e-10
_MOST_STEPS: Final = 40


@dataclass(frozen=True, slots=True)
class Cut:
    """One end of a piece. stop: its place among the stops of the work. way: +1 where an error of
    the stop makes the corner that the piece ends in larger, -1 smaller."""

    stop: int
    way: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Assembly:
    """j joints of pieces with c cuts and p lengths.

    cuts: (c,); pieces_mm: (p,) their lengths, cut_to: (p,) the place of the stop that each was cut
    to length at. joints: (j,) what each is called, joint_mm: (j,) how long it is.
    gaps(errors, off): (m, j), zero or more, from errors (m, c) of the cuts, in radians, and what
    each piece is longer than it should be, (m, p). signed: the same with a sign, smooth about
    zero, for a linear sum. noun: what it is called, "frame".
    """

    noun: str
    cuts: tuple[Cut, ...]
    pieces_mm: tuple[float, ...]
    cut_to: tuple[int, ...]
    joints: tuple[str, ...]
    joint_mm: tuple[float, ...]
    gaps: Gaps
    signed: Gaps


def joints(of: Sequence[tuple[float, tuple[Cut, ...], int]]) -> Assembly:
    """A free list: (length, its one or two cuts, how many such joints) of each kind of joint.

    One cut against a straight edge opens the joint by length tan(error) at one end; where two cut
    ends meet, as in a miter, their errors add. Raises ValueError naming the field.
    """
    cuts: list[Cut] = []
    names: list[str] = []
    lengths: list[float] = []
    of_joint: list[int] = []
    for kind, (length, ends, count) in enumerate(of, start=1):
        if not 1 <= len(ends) <= 2:
            raise ValueError("cuts: a joint has 1 or 2")
        if count < 1:
            raise ValueError("count: give at least 1")
        for each in range(count):
            of_joint += [len(lengths)] * len(ends)
            cuts += ends
            lengths.append(positive("length", length))
            names.append(f"joint {kind}" if count == 1 else f"joint {kind}, number {each + 1}")
    _few_enough(len(lengths))
    belongs = np.equal.outer(np.array(of_joint), np.arange(len(lengths))) * _ways(cuts)[:, None]

    def signed(errors: Array, _: Array) -> Array:
        return joint_gap(errors @ belongs, lengths)

    return Assembly(
        "set of joints" if len(lengths) > 1 else "joint",
        tuple(cuts), (), (), tuple(names), tuple(lengths), _size(signed), signed,
    )  # fmt: skip


def frame(
    lengths_mm: Sequence[float], joint_mm: float, ends: tuple[Cut, Cut], cut_to: int
) -> Assembly:
    """A mitred frame of n pieces with equal corners, in order; lengths along the outer edge.

    ends: the cut at the left and at the right end of each piece, seen from outside. Pulled
    together so that the outer corners meet; of the shapes that the lengths allow, the one is taken
    in which the joints stand open as evenly as they can (`closed_corners`), as a band clamp pulls
    them. Each joint then stands open by joint tan(wedge) at
    its inner or outer end, the wedge being what its two cuts leave of the corner.
    Raises ValueError naming the field where there are too few or too many pieces, or where the
    lengths close no frame with equal corners.
    """
    n = len(lengths_mm)
    if not FEWEST_SIDES <= n <= MOST_SIDES:
        raise ValueError(f"sides: a frame has {FEWEST_SIDES} to {MOST_SIDES}")
    lengths = np.array([positive("length", length) for length in lengths_mm])
    joint = positive("joint", joint_mm)
    corner = math.pi * (n - 2) / n
    turns = np.exp(2j * math.pi / n * np.arange(n))
    if abs((lengths * turns).sum()) > _CLOSED_MM:
        raise ValueError(
            "lengths: pieces of these lengths close no frame with equal corners; give one length "
            "for all, or in order around the frame"
        )
    cuts = tuple(end for _ in range(n) for end in ends)
    ways = _ways(cuts)

    def wedges(errors: Array, off: Array) -> Array:
        turned = errors * ways
        # The corner after piece k: its right end, and the left end of the next one.
        made = corner + turned[:, 1::2] + np.roll(turned[:, 0::2], -1, axis=1)
        return closed_corners(made, lengths + off, lengths) - made

    def signed(errors: Array, off: Array) -> Array:
        return joint_gap(wedges(errors, off), joint)

    names = tuple(f"corner {k + 1}" for k in range(n))
    return Assembly(
        "frame", cuts, tuple(lengths.tolist()), (cut_to,) * n, names, (joint,) * n,
        _size(signed), signed,
    )  # fmt: skip


def closed_corners(made: Array, lengths: Array, nominal: Array) -> Array:
    """The corners that close the frame, in radians.

    made: (m, n) interior angles that the cuts of each corner would make; lengths: (m, n) of the
    pieces, corner k between piece k and the next; nominal: (n,) the lengths meant. The differences
    from `made` are the least squares ones under the three conditions of a closed polygon, as the
    frame that is meant shares them; the conditions hold exactly, by Newton's method with the slopes
    of that frame.
    """
    shares, turned = _shares(nominal), np.triu(np.ones((nominal.size, nominal.size)))
    scale, found = lengths.sum(1), made
    for _ in range(_MOST_STEPS):
        headings = (math.pi - found) @ turned
        # The first piece lies along x; each later one is turned by the corners before it.
        before = headings[:, :-1]
        x = lengths[:, 0] + (lengths[:, 1:] * np.cos(before)).sum(1)
        y = (lengths[:, 1:] * np.sin(before)).sum(1)
        left = np.stack([headings[:, -1] - 2 * math.pi, x / scale, y / scale], axis=1)
        found = found - left @ shares.T
        if np.abs(left).max() < _CLOSED:
            break
    return found


def _shares(nominal: Array) -> Array:
    """(n, 3): what each corner of the nominal frame takes of what is left of the turn, x and y."""
    n = nominal.size
    sides = nominal * np.exp(2j * math.pi / n * np.arange(n)) / nominal.sum()
    # A corner turns all the pieces after it.
    after = sides.sum() - np.cumsum(sides)
    slopes = np.stack([-np.ones(n), after.imag, -after.real])
    return np.asarray(np.linalg.pinv(slopes))


def case(
    width_mm: float, height_mm: float, depth_mm: float, ends: tuple[Cut, Cut], cut_to: int
) -> Assembly:
    """Two pieces `width` long between two sides `height` high, all `depth` deep: four joints along
    the depth, as in `shelves`. The sides' ends close no joint; their lengths are compared only.
    Raises ValueError naming the field.
    """
    positive("height", height_mm)
    between = shelves(2, width_mm, depth_mm, ends, cut_to)
    return Assembly(
        "case",
        between.cuts,
        (*between.pieces_mm, height_mm, height_mm),
        (cut_to,) * 4,
        ("bottom, left", "bottom, right", "top, left", "top, right"),
        between.joint_mm,
        lambda errors, off: between.gaps(errors, off[:, :2]),
        lambda errors, off: between.signed(errors, off[:, :2]),
    )


def shelves(
    count: int, length_mm: float, depth_mm: float, ends: tuple[Cut, Cut], cut_to: int
) -> Assembly:
    """A row of pieces between two straight, parallel faces that are as far apart as the longest
    of them asks for; their front edges lie in line, and each is pushed to the left.

    Both ends of a piece are cut with the same edge at the fence, or half-turned: an error of the
    stop leaves them parallel. The joint at the left then stands open by depth tan(error), the one
    at the right by that and what the piece is shorter than the longest. Linear: against one other
    piece instead of the longest. Raises ValueError naming the field.
    """
    if count < 1:
        raise ValueError("count: give at least 1 piece")
    _few_enough(count)
    length, depth = positive("length", length_mm), positive("depth", depth_mm)
    cuts = tuple(end for _ in range(count) for end in ends)
    ways = _ways(cuts)

    def ends_of(errors: Array) -> tuple[Array, Array]:
        """How much each end stands out at the back, (m, count)."""
        lean = joint_gap(errors * ways, depth)
        return -lean[:, 0::2], lean[:, 1::2]

    def gaps(errors: Array, off: Array) -> Array:
        left, right = ends_of(errors)
        # From the point that touches the left face to the one nearest to the right face.
        reach = off + np.maximum(left, 0.0) + np.maximum(right, 0.0)
        longest = reach.max(1, keepdims=True)
        at_right = longest - (off + np.maximum(left, 0.0) + np.minimum(right, 0.0))
        return _beside(np.abs(left), at_right)

    def signed(errors: Array, off: Array) -> Array:
        left, right = ends_of(errors)
        return _beside(left, right + np.roll(off, -1, axis=1) - off)

    names = [f"{n}, {side}" for n in range(1, count + 1) for side in ("left", "right")]
    return Assembly(
        "row of shelves" if count > 1 else "shelf",
        cuts, (length,) * count, (cut_to,) * count,
        tuple(f"shelf {name}" for name in names), (depth,) * (2 * count), gaps, signed,
    )  # fmt: skip


def _few_enough(count: int) -> None:
    if not 1 <= count <= MOST_PIECES:
        raise ValueError(f"count: a work has 1 to {MOST_PIECES} pieces or joints; split it")


def _beside(left: Array, right: Array) -> Array:
    return np.stack([left, right], axis=-1).reshape(len(left), -1)


def _ways(cuts: Sequence[Cut]) -> Array:
    return np.array([cut.way for cut in cuts])


def _size(signed: Gaps) -> Gaps:
    return lambda errors, off: np.abs(signed(errors, off))
