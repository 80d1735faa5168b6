"""Drawings made from a method's own data, as SVG to be set into a page.

Every picture is the same view: from above, the fence at the bottom, the blade's path
upright. Nothing is shown by colour alone: each mark carries its word. The drawings hold no
style of their own (a strict content security policy would drop it) but class names, which
`static/drawings.css` colours for light and dark.

`hatch` and `grain`, the patterns they fill with, are once in the page around them
(`templates/marks.svg`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Final, Literal

from analysis.methods import Method, Place, Side, Step

Turn = Literal["over", "around", "roll", "quarter", "none"]

# The step's picture: 320 wide, 240 high.
_BLADE: Final = 160
_FENCE: Final = 194
_BOARD_TOP: Final = 68
_REACH: Final = 132  # how far the board reaches from the blade
_LEVEL: Final = 60  # the height of places that lie side by side
_STRIP: Final = 22  # the width of what the cut takes off

_TURN_WORDS: Final[dict[Turn, str]] = {
    "over": "turn over, end for end",
    "around": "half around, same face up",
    "roll": "roll over, other edge to the fence",
    "quarter": "a quarter turn, same face up",
    "none": "",
}


def turn_between(before: Step, after: Step) -> Turn:
    """How the board moves from one step to the next, read off which edge and face changed.

    "none" where either step has no board or nothing moves.
    """
    if None in (before.edge_on_fence, after.edge_on_fence, before.face_up, after.face_up):
        return "none"
    edge = before.edge_on_fence != after.edge_on_fence
    face = before.face_up != after.face_up
    if face:
        return "roll" if edge else "over"
    if not edge:
        return "none"
    return "quarter" if before.board_side == after.board_side else "around"


def step_drawing(steps: Sequence[Step], index: int, method: Method) -> str:
    """Step `index` of `steps` as an SVG; empty text where the step has nothing to draw.

    A measuring step shows the places to read; a step with a board shows it at the fence,
    with the edge on the fence and the face that is up marked; a step with neither is told
    by its sentence alone.
    """
    step = steps[index]
    if step.action == "measure":
        return places_drawing(method, numbered=True)
    if step.board_side is None or step.edge_on_fence is None or step.face_up is None:
        return ""
    before = next((s for s in reversed(steps[:index]) if s.board_side is not None), None)
    turn = turn_between(before, step) if before and step.action == "turn" else "none"
    faced = any(s.fresh_cut == "first face" for s in steps[:index])
    cuts = step.action in ("cut", "cut again")
    # A board that waits to be trimmed for the first time also reaches past the blade.
    crosses = cuts or not faced
    parts = [_fence(), _blade()]
    if before and turn in ("over", "around") and before.board_side:
        parts.append(_ghost(before.board_side))
    parts.append(_board(step, crosses=crosses))
    if crosses:
        parts.append(_offcut(step.board_side, strip=step.action == "cut again", cuts=cuts))
    if faced:
        parts.append(_fresh_face(step.board_side, crosses=crosses))
    if cuts and step.fresh_cut and len(step.fresh_cut) == 1:
        parts.append(_fresh_edge(step.board_side, step.fresh_cut))
    parts += _edges(step, both=_has_two_edges(steps))
    parts.append(_face(step))
    if turn != "none":
        parts.append(_arrow(turn, step.board_side))
    if step.action == "cut again":
        parts.append(_strip_ends(step.board_side))
    return _svg(320, 240, _name(step, turn), parts, "drawing step")


def side_drawing(side: Side) -> str:
    """The strip lying to the `side` of the blade, small, for choosing between the two."""
    board: Side = "right" if side == "left" else "left"
    parts = [
        '<rect class="fence" x="2" y="64" width="52" height="7"/>',
        '<rect class="fence" x="58" y="64" width="52" height="7"/>',
        '<path class="blade" d="M56 4V76"/>',
        _rect("board", 10 if board == "left" else 58, 24, 44, 39),
        _rect("strip", 60 if side == "right" else 43, 24, 9, 39, fill="hatch"),
    ]
    return _svg(112, 80, "", parts, "drawing side")


def places_drawing(method: Method, *, numbered: bool = False) -> str:
    """The strip or part with the places that are read, each a `<g class="place">` that
    carries its key in `data-place`, so that the page can light the next one.

    Seen from above where the places lie along the cut, at the end where they lie one over
    the other, at the cut face where both: chosen by the places alone.
    """
    along = len({p.along for p in method.places}) > 1
    up = len({p.up for p in method.places}) > 1
    width, height = 240, 216
    if along and up:
        body = [_rect("strip", 64, 62, 112, 92, fill="hatch")]
        at = [(64.0 + 112 * p.along, 154 - 92 * p.up) for p in method.places]
        view = "the cut face of the strip"
    elif up:
        body = [_rect("strip", 60, 58, 36, 100, fill="hatch")]
        body.append(_text(120, 196, "the strip, seen at its end", "quiet"))
        at = [(78.0, 150 - 84 * p.up) for p in method.places]
        view = "the strip, seen at its end"
    elif along and {p.key for p in method.places} == {"left", "right"}:
        body = [_rect("strip", 30, _LEVEL - 17, 180, 34, fill="hatch")]
        at = [(56.0 + 128 * p.along, float(_LEVEL)) for p in method.places]
        view = "the board, seen at its end"
    elif along:
        body = [_rect("strip", 46, 20, 36, 164, fill="hatch")]
        if method.sided:
            body.insert(0, '<rect class="fence" x="12" y="186" width="216" height="9"/>')
            body.append(_text(222, 211, "fence", "quiet end"))
        at = [(64.0, 168 - 132 * p.along) for p in method.places]
        view = "the strip, seen from above with the fence at the bottom"
        if not method.sided:
            view = "the places, seen from above"
    else:
        body = [_rect("strip", 50, _LEVEL - 26, 140, 52, fill="hatch")]
        at = [(120.0, float(_LEVEL)) for _ in method.places]
        view = "the part"
    labels = "; ".join(
        f"{n} {p.label}" if numbered else p.label for n, p in enumerate(method.places, 1)
    )
    body += [
        _place(p, x, y, n if numbered else None, corner=along and up)
        for n, (p, (x, y)) in enumerate(zip(method.places, at, strict=True), 1)
    ]
    if at[0][1] == _LEVEL:
        height = 124
    return _svg(width, height, f"{view}; places: {labels}", body, "drawing places")


def lean_drawing() -> str:
    """The cut's lean, far exaggerated: the page shows one of its three lines."""
    parts = [
        '<rect class="fence" x="4" y="100" width="92" height="9"/>',
        '<path class="true" d="M50 8V98"/>',
        '<path class="lean left" d="M50 98L28 8"/>',
        '<path class="lean right" d="M50 98L72 8"/>',
        '<path class="lean none" d="M50 98V8"/>',
    ]
    return _svg(100, 112, "", parts, "drawing lean-picture")


def _svg(width: int, height: int, name: str, parts: Iterable[str], classes: str) -> str:
    label = f'role="img" aria-label="{escape(name)}"' if name else 'aria-hidden="true"'
    return (
        f'<svg class="{classes}" viewBox="0 0 {width} {height}" {label} focusable="false">'
        + "".join(parts)
        + "</svg>"
    )


def _name(step: Step, turn: Turn) -> str:
    edge = step.edge_on_fence
    on_fence = "any straight edge" if edge == "raw" else f"edge {edge}"
    words = [
        f"Seen from above: the board lies {step.board_side} of the blade, {on_fence} on the fence, "
        f"face {step.face_up} up"
    ]
    if turn != "none":
        words.append(_TURN_WORDS[turn])
    if step.action == "cut again":
        words.append(f"the strip falls to the {_other(step.board_side or 'left')}")
    return "; ".join(words)


def _rect(css: str, x: float, y: float, w: float, h: float, fill: str | None = None) -> str:
    box = f'x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}"'
    texture = f'<rect fill="url(#{fill})" {box}/>' if fill else ""
    return f'<rect class="{css}" {box}/>{texture}'


def _text(x: float, y: float, words: str, css: str) -> str:
    return f'<text class="{css}" x="{x:g}" y="{y:g}">{escape(words)}</text>'


def _fence() -> str:
    return (
        f'<rect class="fence" x="6" y="{_FENCE}" width="148" height="12"/>'
        f'<rect class="fence" x="166" y="{_FENCE}" width="148" height="12"/>'
        + _text(10, _FENCE + 38, "fence", "quiet start")
    )


def _blade() -> str:
    return f'<path class="blade" d="M{_BLADE} 20V{_FENCE + 18}"/>' + _text(
        _BLADE, 14, "blade", "quiet"
    )


def _span(side: Side, length: float) -> tuple[float, float]:
    """x and width of what reaches `length` from the blade to `side`."""
    return (_BLADE - length, length) if side == "left" else (_BLADE, length)


def _other(side: Side) -> Side:
    return "right" if side == "left" else "left"


def _board(step: Step, *, crosses: bool) -> str:
    assert step.board_side
    gap = 0 if crosses else 8
    x, w = _span(step.board_side, _REACH)
    if step.board_side == "right":
        x += gap
    fill = "grain" if step.face_up == 2 else None
    return _rect("board", x, _BOARD_TOP, w - gap, _FENCE - _BOARD_TOP, fill=fill)


def _ghost(side: Side) -> str:
    x, w = _span(side, _REACH)
    return _rect("ghost", x, _BOARD_TOP, w, _FENCE - _BOARD_TOP)


def _offcut(board_side: Side, *, strip: bool, cuts: bool) -> str:
    x, w = _span(_other(board_side), _STRIP)
    # After the cut, what falls is drawn a little apart from the board.
    apart = (4 if board_side == "left" else -4) if cuts else 0
    css = "strip" if strip else "waste"
    return _rect(
        css, x + apart, _BOARD_TOP, w, _FENCE - _BOARD_TOP, fill="hatch" if strip else None
    )


def _fresh_face(board_side: Side, *, crosses: bool) -> str:
    out = _STRIP + 4 if crosses else -8
    x = _BLADE + out if board_side == "left" else _BLADE - out
    return f'<path class="fresh" d="M{x} {_BOARD_TOP}V{_FENCE}"/>'


def _fresh_edge(board_side: Side, letter: str) -> str:
    x = _BLADE - 20 if board_side == "left" else _BLADE + 20
    return f'<path class="fresh" d="M{_BLADE} {_BOARD_TOP}V{_FENCE}"/>' + _badge(
        x, _BOARD_TOP + 40, letter, "edge fresh-edge"
    )


def _has_two_edges(steps: Iterable[Step]) -> bool:
    return {s.edge_on_fence for s in steps if s.edge_on_fence} <= {"A", "B"}


def _edges(step: Step, *, both: bool) -> list[str]:
    assert step.board_side
    x, w = _span(step.board_side, _REACH)
    middle = x + w / 2 + (-4 if step.board_side == "left" else 4)
    inset = 8 if step.board_side == "right" else 0
    bar = (
        f'<path class="on-fence" d="M{x + inset:g} {_FENCE - 3}H{x + w - 8 + inset:g}"/>'
        if step.edge_on_fence != "raw"
        else ""
    )
    if step.edge_on_fence == "raw":
        return [_text(middle, _FENCE - 10, "any straight edge", "small")]
    parts = [bar, _badge(middle, _FENCE - 20, step.edge_on_fence or "", "edge on")]
    if both:
        far = "B" if step.edge_on_fence == "A" else "A"
        parts.append(_badge(middle, _BOARD_TOP + 15, far, "edge"))
    return parts


def _badge(x: float, y: float, letter: str, css: str) -> str:
    return (
        f'<g class="{css}"><rect x="{x - 11:g}" y="{y - 11:g}" width="22" height="22" rx="3"/>'
        f"{_text(x, y + 5, letter, 'letter')}</g>"
    )


def _face(step: Step) -> str:
    assert step.board_side
    x, w = _span(step.board_side, _REACH)
    middle = x + w / 2 + (-4 if step.board_side == "left" else 4)
    y = (_BOARD_TOP + _FENCE) / 2
    return (
        f'<g class="face face-{step.face_up}">'
        f'<rect class="plate" x="{middle - 44:g}" y="{y - 12:g}" width="88" height="24" rx="12"/>'
        f"{_text(middle, y + 5, f'face {step.face_up} up', 'letter')}</g>"
    )


def _arrow(turn: Turn, side: Side) -> str:
    to_right = side == "right"
    if turn in ("over", "around"):
        a, b = (96, 224) if to_right else (224, 96)
        curve = f"M{a} 62C{a} 20 {b} 20 {b} 56"
        head = f"M{b - 8} 49L{b} 60L{b + 8} 49"
    else:
        x = _BLADE + _REACH + 14 if to_right else _BLADE - _REACH - 14
        out = 12 if to_right else -12
        curve = f"M{x} 172C{x + out} 152 {x + out} 112 {x} 94"
        head = f"M{x - 6} 104L{x} 92L{x + 10 if to_right else x - 10} 100"
    return f'<path class="turn" d="{curve}"/><path class="turn" d="{head}"/>' + _text(
        316, _FENCE + 38, _TURN_WORDS[turn], "small end"
    )


def _strip_ends(board_side: Side) -> str:
    x = _BLADE + _STRIP + 14 if board_side == "left" else _BLADE - _STRIP - 14
    css = "small start" if board_side == "left" else "small end"
    return (
        _text(x, _BOARD_TOP + 12, "open end", css)
        + _text(x, (_BOARD_TOP + _FENCE) / 2 + 5, "strip", f"{css} strong")
        + _text(x, _FENCE - 6, "fence end", css)
    )


def _place(place: Place, x: float, y: float, number: int | None, *, corner: bool) -> str:
    level = y == _LEVEL or (place.along == 0.5 and place.up == 0.5)
    if corner:
        # "open end, lower edge": short lines one under the other, clear of the strip's corner.
        lines = place.label.split(", ")
        top = y + 32 if place.up < 0.5 else y - 20 - 15 * (len(lines) - 1)
        label = "".join(_text(x, top + 15 * i, line, "label mid") for i, line in enumerate(lines))
    elif level:
        label = _text(x, y + 48, place.label, "label mid")
    else:
        label = _text(x + 30, y + 5, place.label, "label start")
    if level:
        tip = _pointer(x, y, across=0, down=-1)
    else:
        tip = _pointer(x, y, across=1 if corner and place.along > 0.5 else -1, down=0)
    mark = f'<circle class="spot" cx="{x:g}" cy="{y:g}" r="13"/>'
    mark += f'<path class="tick" d="M{x - 6:g} {y:g}l4 5l8 -10"/>'
    if number is not None:
        mark += _text(x, y + 5, str(number), "letter")
    return f'<g class="place" data-place="{escape(place.key)}">{mark}{tip}{label}</g>'


def _pointer(x: float, y: float, *, across: int, down: int) -> str:
    """A wedge whose point touches the spot from that side; only the lit place shows it."""
    near, far, half = 17, 40, 11
    corners = [
        (x + across * near, y + down * near),
        (x + across * far + down * half, y + down * far + across * half),
        (x + across * far - down * half, y + down * far - across * half),
    ]
    return '<path class="pointer" d="M' + "L".join(f"{a:g} {b:g}" for a, b in corners) + 'Z"/>'
