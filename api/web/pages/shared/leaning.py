"""How a machine is off, as one drawing: far exaggerated, with its uncertainty as a wedge."""

from __future__ import annotations

import math
from html import escape
from typing import Final

from analysis.methods import Relation
from analysis.sentences import direction, plain
from api.web.pages.shared.svg import rect, text

_WIDTH: Final = 320
_FOOT: Final = 190.0
_TOP: Final = 34.0
_MIDDLE: Final = 160.0
# How far the lean may go in the drawing; the wedge of the uncertainty included.
_MOST: Final = 96.0


def leaning(relation: Relation, mean_rad: float, expanded_rad: float) -> str:
    """The lean of `mean_rad`, enlarged as the drawing says; "" for a quantity that is not the lean
    of a cut or blade in some view (a length); of miters the corner of two."""
    if relation.adjusted_by == "miter setting":
        # The errors of both miters stand in the corner.
        mean_rad, expanded_rad = 2 * mean_rad, 2 * expanded_rad
        words = ("seen from above", "true", "corner")
    elif relation.view not in _VIEWS or relation.quantity == "length":
        return ""
    else:
        words = _VIEWS[relation.view]
    foot, true, body = words
    if relation.nominal_rad and body != "corner":
        true = f"the stop's {plain(abs(math.degrees(relation.nominal_rad)))}°"
    factor = _factor(abs(mean_rad) + expanded_rad)
    label = (
        f"{direction(mean_rad, expanded_rad, relation.leans)}; drawn {plain(factor)} times as far"
    )
    low, high, mid = (
        _reach(angle, factor)
        for angle in (mean_rad - expanded_rad, mean_rad + expanded_rad, mean_rad)
    )
    picture = {"planed": _planed, "corner": _corner}.get(body, _upright)
    return (
        f'<svg class="drawing leaning" viewBox="0 0 {_WIDTH} 240" role="img"'
        f' aria-label="{escape(label)}" focusable="false">'
        + "".join(picture(foot, true, body, low, mid, high))
        + text(_MIDDLE, 232, f"drawn {plain(factor)} times as far", "quiet")
        + "</svg>"
    )


# By the method's view: the label at the bottom, that of the nominal line, and what is drawn.
_VIEWS: Final = {
    "seen from above with the fence at the bottom": ("fence", "square", "board"),
    "seen from the fence toward the open end": ("table", "upright", "board"),
    "seen from above from the front of the saw": ("front of the saw", "slot", "blade"),
    "seen along the feed": ("table", "even", "planed"),
}


def _factor(angle_rad: float) -> float:
    """The largest of 1, 2, 5, 10, 20, ... with which the lean stays in the drawing."""
    reach = (_FOOT - _TOP) * math.tan(angle_rad)
    if reach <= 0:
        return 1000.0
    most = _MOST / reach
    if most < 1:
        return 1.0
    power = 10.0 ** math.floor(math.log10(most))
    return min(1000.0, next(s * power for s in (5, 2, 1) if s * power <= most * (1 + 1e-9)))


def _reach(angle_rad: float, factor: float) -> float:
    reach = factor * (_FOOT - _TOP) * math.tan(angle_rad)
    return max(-_MOST, min(_MOST, reach))


def _upright(foot: str, true: str, body: str, low: float, mid: float, high: float) -> list[str]:
    def along(reach: float, y: float) -> float:
        return _MIDDLE + reach * (_FOOT - y) / (_FOOT - _TOP)

    parts = []
    if body == "board":
        top = _TOP + 20
        cut = f"{along(mid, top):.1f} {top:.1f}L{_MIDDLE:.1f} {_FOOT:.1f}"
        parts.append(f'<path class="board" d="M24 {top:.1f}L{cut}L24 {_FOOT:.1f}Z"/>')
        parts.append(f'<path class="waste" d="M296 {top:.1f}L{cut}L296 {_FOOT:.1f}Z"/>')
    if foot != "front of the saw":
        parts.append(rect("fence", 12, _FOOT, 296, 10))
    parts += [
        f'<path class="wedge" d="M{_MIDDLE} {_FOOT}L{_MIDDLE + low:.1f} {_TOP}'
        f'L{_MIDDLE + high:.1f} {_TOP}Z"/>',
        f'<path class="true" d="M{_MIDDLE} {_FOOT}V{_TOP - 8}"/>',
        f'<path class="cut" d="M{_MIDDLE} {_FOOT}L{_MIDDLE + mid:.1f} {_TOP}"/>',
        text(
            _MIDDLE + (-8 if mid >= 0 else 8),
            _TOP - 12,
            true,
            "quiet end" if mid >= 0 else "quiet start",
        ),
        text(14, _FOOT + 26, foot, "quiet start"),
    ]
    return parts


def _corner(foot: str, true: str, _body: str, low: float, mid: float, high: float) -> list[str]:
    """Two mitred pieces whose corner is too obtuse where `mid` is positive: one leg lies along the
    bottom, the other leans away from it."""
    wide, inner = 44.0, _MIDDLE + 44.0 - mid / 7
    joint = f"{_MIDDLE:.1f} {_FOOT}L{inner:.1f} {_FOOT - wide}"
    return [
        f'<path class="board" d="M{joint}L304 {_FOOT - wide}V{_FOOT}Z"/>',
        f'<path class="board" d="M{joint}L{_MIDDLE + wide - mid:.1f} {_TOP}'
        f'L{_MIDDLE - mid:.1f} {_TOP}Z"/>',
        f'<path class="wedge" d="M{_MIDDLE} {_FOOT}L{_MIDDLE - low:.1f} {_TOP}'
        f'L{_MIDDLE - high:.1f} {_TOP}Z"/>',
        f'<path class="true" d="M{_MIDDLE} {_FOOT}V{_TOP - 8}"/>',
        f'<path class="cut" d="M{_MIDDLE} {_FOOT}L{_MIDDLE - mid:.1f} {_TOP}"/>',
        text(
            _MIDDLE + (8 if mid >= 0 else -8),
            _TOP - 12,
            true,
            "quiet start" if mid >= 0 else "quiet end",
        ),
        text(14, _FOOT + 26, foot, "quiet start"),
    ]


def _planed(foot: str, true: str, _body: str, low: float, mid: float, high: float) -> list[str]:
    left, right, base, height = 40.0, 280.0, _FOOT, 90.0
    y = base - height
    # The board's section: as much thicker at its right edge as the cut leans in its height.
    return [
        rect("fence", 12, base, 296, 10),
        f'<path class="board" d="M{left} {base}V{y + mid / 4:.1f}'
        f'L{right} {y - mid / 4:.1f}V{base}Z"/>',
        f'<path class="wedge" d="M{left} {y + low / 4:.1f}L{right} {y - low / 4:.1f}'
        f'L{right} {y - high / 4:.1f}L{left} {y + high / 4:.1f}Z"/>',
        f'<path class="true" d="M{left - 14} {y}H{right + 14}"/>',
        f'<path class="cut" d="M{left} {y + mid / 4:.1f}L{right} {y - mid / 4:.1f}"/>',
        # Over the thin edge, where nothing else is.
        text(right + 12, y - 8, true, "quiet end")
        if mid < 0
        else text(left - 12, y - 8, true, "quiet start"),
        text(14, base + 26, foot, "quiet start"),
    ]


def fence_move(pivot: str, toward_board: bool) -> str:
    """The fence with its pivot, and the adjusting point with an arrow for its move."""
    at, point = (50, 270) if pivot == "left" else (270, 50)
    start, tip = (150, 112) if toward_board else (112, 150)
    head = 10 if toward_board else -10
    way = "toward the board" if toward_board else "away from the board"
    point_side = "right" if pivot == "left" else "left"
    label = f"Pivot at the {pivot} end of the fence; the {point_side} end moves {way}"
    return (
        f'<svg class="drawing fence-move" viewBox="0 0 {_WIDTH} 196" role="img"'
        f' aria-label="{label}" focusable="false">'
        f"{rect('board', 64, 20, 192, 76)}"
        f"{text(_MIDDLE + 46, 64, 'board')}"
        f"{rect('fence', 24, 98, 272, 12)}"
        f'<path class="blade" d="M{_MIDDLE} 6V118"/>'
        f'<circle class="pivot" cx="{at}" cy="104" r="11"/><circle class="pivot-hole" cx="{at}"'
        f' cy="104" r="4"/>'
        f'<path class="turn" d="M{point} {start}V{tip}M{point - 9} {tip + head}'
        f'L{point} {tip}L{point + 9} {tip + head}"/>'
        f"{text(at, 140, 'pivot', 'quiet')}"
        f"{text(point, 176, way, 'strong end' if point > 200 else 'strong start')}"
        "</svg>"
    )


def turn_move(tilt: bool, to_left: bool) -> str:
    """The blade in its cut, with an arrow for the turn of its upper end in the drawing: the far end
    seen from above, or the top of a tilt."""
    foot = "table" if tilt else "fence"
    way = "left" if to_left else "right"
    end = "top" if tilt else "far end"
    tip, out = (96, -1) if to_left else (224, 1)
    kind = f"strong {'end' if to_left else 'start'}"
    label = f"The blade turns: its {end} goes to the {way}"
    return (
        f'<svg class="drawing turn-move" viewBox="0 0 {_WIDTH} 172" role="img"'
        f' aria-label="{label}" focusable="false">'
        f"{rect('board', 64, 54, 192, 76)}"
        f"{text(_MIDDLE - out * 58, 98, 'board')}"
        f"{rect('fence', 24, 132, 272, 12)}"
        f'<path class="blade" d="M{_MIDDLE} 30V150"/>'
        f'<path class="turn" d="M{_MIDDLE} 26Q{_MIDDLE + out * 36} 24 {tip} 46'
        f'M{tip - out * 15} 48L{tip} 46L{tip - out * 5} 33"/>'
        f"{text(_MIDDLE + out * 8, 16, f'{end} to the {way}', kind)}"
        f"{text(26, 166, foot, 'quiet start')}"
        "</svg>"
    )
