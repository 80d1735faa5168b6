"""Pieces that are mitred, in the view of every drawing: from above, the fence at the bottom."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from analysis.methods.record import Shown
from api.web.pages.shared.svg import Drawn, badge, rect, svg, text

_EDGE: Final = 194  # the fence, or the straight edge
_PIECE: Final = 44  # how wide a piece is

Point = tuple[float, float]


def drawing(shown: Shown) -> str:
    """The picture of a step."""
    name, parts = _SHOWN[shown]()
    return svg(320, 240, name, parts, "drawing step")


def last_joint() -> Drawn:
    """The gap of the last joint, open on the outside, with its place."""
    body = [
        _piece("strip", (58, 158), (220, 158), (220, 114), (102, 114)),
        _piece("strip", (49, 146), (84, 3), (127, 13), (102, 114)),
    ]
    return body, [(44.0, 168.0)], "two mitred pieces at the last joint, seen from above"


def _piece(css: str, *corners: Point) -> str:
    return f'<path class="{css}" d="M{"L".join(f"{x:g} {y:g}" for x, y in corners)}Z"/>'


def _plate(x: float, y: float, face: int) -> str:
    return (
        f'<g class="face face-{face}"><rect class="plate" x="{x - 40:g}" y="{y - 12:g}" width="80"'
        f' height="24" rx="12"/>{text(x, y + 5, f"face {face} up", "letter")}</g>'
    )


def _cut() -> tuple[str, list[str]]:
    """The blade turned to its miter, which it cuts through the fence's gap."""
    foot, far, top = 132, 258, 68
    parts = [
        rect("fence", 6, _EDGE, foot - 18, 12),
        rect("fence", foot + 18, _EDGE, 314 - foot - 18, 12),
        _piece("board", (6, top), (far, top), (foot, _EDGE), (6, _EDGE)),
        _piece("waste", (far + 14, top), (314, top), (314, _EDGE), (foot + 14, _EDGE)),
        f'<path class="fresh" d="M{foot} {_EDGE}L{far} {top}"/>',
        f'<path class="kerf" d="M{foot - 3} {_EDGE + 10}L{far + 15} {top - 8}"/>',
        f'<circle class="saw" cx="{far + 34}" cy="34" r="17"/>',
        f'<circle class="hub" cx="{far + 34}" cy="34" r="4"/>',
        f'<path class="on-fence" d="M6 {_EDGE - 3}H{foot - 12}"/>',
        badge(60, _EDGE - 20, "A", "edge on"),
        _plate(86, (top + _EDGE) / 2 - 6, 1),
        text(10, _EDGE + 38, "fence", "quiet start"),
        text(316, _EDGE + 38, "cut the miter", "small end strong"),
    ]
    return (
        "Seen from above: the board lies left of the blade, edge A on the fence, face 1 up; the"
        " blade is turned to the miter",
        parts,
    )


def _legs(corner: Point, way: int) -> tuple[list[str], Point, Point]:
    """The two pieces of a corner: one leg along the edge to the left (`way` -1) or right (1) of its
    outer corner, the other away from the edge; and the middles of both."""
    x, y = corner
    inner = (x + way * _PIECE, y - _PIECE)
    along = _piece("strip", (x, y), inner, (x + way * 140, y - _PIECE), (x + way * 140, y))
    away = _piece("uncut", (x, y), inner, (x + way * _PIECE, 40), (x, 40))
    joint = f'<path class="fresh" d="M{x:g} {y:g}L{inner[0]:g} {inner[1]:g}"/>'
    middles = (x + way * 92, y - _PIECE / 2), (x + way * _PIECE / 2, 84.0)
    return [along, away, joint], *middles


def _corner() -> tuple[str, list[str]]:
    pieces, along, away = _legs((230.0, 200.0), -1)
    parts = [
        *pieces,
        _plate(along[0], along[1], 1),
        _plate(away[0], away[1], 2),
        text(238, 178, "tight", "small start strong"),
    ]
    return "Seen from above: two mitred pieces set tight to a corner, one turned over", parts


def _edge() -> list[str]:
    return [rect("fence", 6, _EDGE, 308, 9), text(10, _EDGE + 30, "straight edge", "quiet start")]


def _at_left() -> tuple[str, list[str]]:
    pieces, _, _ = _legs((166.0, float(_EDGE)), -1)
    line = f'<path class="on-fence" d="M171 {_EDGE}V34"/>'
    parts = [*_edge(), *pieces, line, text(180, 52, "first line", "small start strong")]
    return "Seen from above: the leg on the straight edge lies to the left, a line is drawn", parts


def _at_right() -> tuple[str, list[str]]:
    pieces, _, _ = _legs((156.0, float(_EDGE)), 1)
    parts = [
        *_edge(),
        *pieces,
        f'<path class="ghost" d="M171 {_EDGE}V34"/>',
        f'<path class="on-fence" d="M151 {_EDGE}V34"/>',
        '<path class="turn" d="M96 62C96 24 224 24 224 56"/>'
        '<path class="turn" d="M216 47L224 58L232 47"/>',
        text(142, 84, "second line", "small end strong"),
        text(316, _EDGE + 30, "corner turned over", "small end"),
    ]
    return "Seen from above: the corner turned over, its leg to the right, a second line", parts


def _frame() -> tuple[str, list[str]]:
    pieces = [
        ((60, 40), (260, 40), (226, 74), (94, 74)),
        ((60, 40), (94, 74), (94, 166), (60, 200)),
        ((60, 200), (94, 166), (226, 166), (260, 200)),
        # Not quite closed: turned about the joint before it.
        ((260, 40), (229, 77), (237, 168), (274, 199)),
    ]
    parts = [_piece("strip", *corners) for corners in pieces]
    parts.append(text(268, 224, "last joint", "small strong"))
    return "Seen from above: a frame of mitred pieces, closed but for its last joint", parts


_SHOWN: Final[dict[Shown, Callable[[], tuple[str, list[str]]]]] = {
    "miter": _cut,
    "corner": _corner,
    "corner at left": _at_left,
    "corner at right": _at_right,
    "frame": _frame,
}
