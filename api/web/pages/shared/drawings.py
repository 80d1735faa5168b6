"""Drawings made from a method's own data, as SVG to be set into a page.

Every picture is the same view: from above, the fence at the bottom, the blade's path
upright. Nothing is shown by colour alone: each mark carries its word. The drawings hold no
style of their own (a strict content security policy would drop it) but class names, which
`drawings.css` beside this file colours for light and dark.

`hatch` and `grain`, the patterns they fill with, are once in the page around them
(`marks.svg` beside this file).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import Final, Literal

from analysis.methods import Method, Picture, Place, Side, Step
from api.web.pages.shared import miters
from api.web.pages.shared.svg import Drawn, badge, rect, svg, text

Turn = Literal["over", "around", "roll", "quarter", "none"]

# The step's picture: 320 wide, 240 high.
_BLADE: Final = 160
_FENCE: Final = 194
_BOARD_TOP: Final = 68
_REACH: Final = 132  # how far the board reaches from the blade
_LEVEL: Final = 60  # the height of places that lie side by side
_STRIP: Final = 22  # the width of what the cut takes off
_APART: Final = 14  # how far that then lies from the board

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
        return places_drawing(method, numbered=True, lit=_read_at(steps, index, method))
    if step.shown is not None:
        return miters.drawing(step.shown)
    if step.board_side is None or step.edge_on_fence is None or step.face_up is None:
        return ""
    before = next((s for s in reversed(steps[:index]) if s.board_side is not None), None)
    turn = turn_between(before, step) if before and step.action == "turn" else "none"
    faced = any(s.fresh_cut == "first face" for s in steps[:index])
    cuts = step.action in ("cut", "cut again")
    # A board that waits to be trimmed for the first time also reaches past the blade.
    crosses = cuts or not faced
    parts = [_fence(), _blade(cuts=cuts)]
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
    if step.action == "lay":
        parts.append(_push(step.board_side))
    if cuts:
        parts.append(_cut(strip=step.action == "cut again"))
    if step.action == "cut again":
        parts.append(_strip_ends(step.board_side))
    return svg(320, 240, _name(step, turn), parts, "drawing step")


def _read_at(steps: Sequence[Step], index: int, method: Method) -> str | None:
    """The place that a measuring step reads, where each has a step of its own."""
    measuring = [number for number, step in enumerate(steps) if step.action == "measure"]
    if len(measuring) != len(method.places) or len(measuring) == 1:
        return None
    return method.places[measuring.index(index)].key


def side_drawing(side: Side) -> str:
    """The strip lying to the `side` of the blade, small, for choosing between the two."""
    board: Side = "right" if side == "left" else "left"
    parts = [
        '<rect class="fence" x="2" y="64" width="52" height="7"/>',
        '<rect class="fence" x="58" y="64" width="52" height="7"/>',
        '<path class="blade" d="M56 4V76"/>',
        rect("board", 10 if board == "left" else 58, 24, 44, 39),
        rect("strip", 60 if side == "right" else 43, 24, 9, 39, fill="hatch"),
    ]
    return svg(112, 80, "", parts, "drawing side")


def places_drawing(method: Method, *, numbered: bool = False, lit: str | None = None) -> str:
    """The strip or part with the places that are read, each a `<g class="place">` that
    carries its key in `data-place`, so that the page can light the next one.

    Seen from above where the places lie along the cut, at the end where they lie one over
    the other, at the cut face where both: chosen by the places alone, unless the method has a
    picture of its own. lit: the key of a place that is shown as the one to read.
    """
    along = len({p.along for p in method.places}) > 1
    up = len({p.up for p in method.places}) > 1
    width, height = 240, 216
    if method.picture is not None:
        body, at, view = _PICTURES[method.picture]()
    elif along and up:
        # So wide that the labels of two corners stand beside each other.
        width = 292
        body = [rect("strip", 66, 62, 160, 92, fill="hatch")]
        at = [(66.0 + 160 * p.along, 154 - 92 * p.up) for p in method.places]
        view = "the cut face of the strip"
    elif up:
        body = [rect("strip", 60, 58, 36, 100, fill="hatch")]
        body.append(text(120, 196, "the strip, seen at its end", "quiet"))
        at = [(78.0, 150 - 84 * p.up) for p in method.places]
        view = "the strip, seen at its end"
    elif along and {p.key for p in method.places} == {"left", "right"}:
        body = [rect("strip", 30, _LEVEL - 17, 180, 34, fill="hatch")]
        at = [(56.0 + 128 * p.along, float(_LEVEL)) for p in method.places]
        view = "the board, seen at its end"
    elif along:
        body = [rect("strip", 46, 20, 36, 164, fill="hatch")]
        if method.sided:
            body.insert(0, '<rect class="fence" x="12" y="186" width="216" height="9"/>')
            body.append(text(222, 211, "fence", "quiet end"))
        at = [(64.0, 168 - 132 * p.along) for p in method.places]
        view = "the strip, seen from above with the fence at the bottom"
        if not method.sided:
            view = "the places, seen from above"
    else:
        body = [rect("strip", 50, _LEVEL - 26, 140, 52, fill="hatch")]
        at = [(120.0, float(_LEVEL)) for _ in method.places]
        view = "the part"
    labels = "; ".join(
        f"{n} {p.label}" if numbered else p.label for n, p in enumerate(method.places, 1)
    )
    body += [
        _place(p, x, y, n if numbered else None, corner=along and up, lit=p.key == lit)
        for n, (p, (x, y)) in enumerate(zip(method.places, at, strict=True), 1)
    ]
    if at[0][1] == _LEVEL:
        height = 124
    elif not (along and up):
        # The label of the place that is read next is the widest.
        width = max(
            width,
            *(
                round(x + 34 + 10.2 * len(p.label))
                for p, (x, _) in zip(method.places, at, strict=True)
            ),
        )
    return svg(width, height, f"{view}; places: {labels}", body, "drawing places")


def _two_lines() -> Drawn:
    body = [
        '<rect class="fence" x="12" y="186" width="216" height="9"/>',
        text(222, 211, "straight edge", "quiet end"),
        '<path class="fresh" d="M72 184L92 16"/><path class="fresh" d="M56 184L36 16"/>',
        text(98, 20, "first line", "small start"),
    ]
    return body, [(64.0, 160.0), (64.0, 52.0)], "the two lines, seen from above"


def _pairs_of_edges() -> Drawn:
    heights = (24.0, 78.0, 132.0)
    body = [rect("strip", 14, y + side, 92, 6, fill="hatch") for y in heights for side in (-20, 14)]
    body.append(rect("waste", 38, 174, 44, 32))
    at = [(60.0, y) for y in (*heights, 190.0)]
    return body, at, "the edges laid against each other in pairs, seen from above"


def _round() -> Drawn:
    body = [
        '<circle class="strip" cx="64" cy="102" r="50"/>',
        text(64, 113, "+", "letter"),
        text(64, 128, "axis", "quiet"),
    ]
    return body, [(64.0, 166.0), (64.0, 38.0)], "what turns, seen along its axis"


_PICTURES: Final[dict[Picture, Callable[[], Drawn]]] = {
    "two lines": _two_lines,
    "edges": _pairs_of_edges,
    "round": _round,
    "last joint": miters.last_joint,
}


def lean_drawing() -> str:
    """The cut's lean, far exaggerated: the page shows one of its three lines."""
    parts = [
        '<rect class="fence" x="4" y="100" width="92" height="9"/>',
        '<path class="true" d="M50 8V98"/>',
        '<path class="lean left" d="M50 98L28 8"/>',
        '<path class="lean right" d="M50 98L72 8"/>',
        '<path class="lean none" d="M50 98V8"/>',
    ]
    return svg(100, 112, "", parts, "drawing lean-picture")


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


def _fence() -> str:
    return (
        f'<rect class="fence" x="6" y="{_FENCE}" width="148" height="12"/>'
        f'<rect class="fence" x="166" y="{_FENCE}" width="148" height="12"/>'
        + text(10, _FENCE + 38, "fence", "quiet start")
    )


def _blade(*, cuts: bool) -> str:
    """The path of the blade; while it cuts, the blade itself in it."""
    path = f'<path class="blade" d="M{_BLADE} 20V{_FENCE + 18}"/>'
    if not cuts:
        return path + text(_BLADE, 14, "blade", "quiet")
    return (
        f'<path class="kerf" d="M{_BLADE} {_BOARD_TOP - 8}V{_FENCE + 4}"/>'
        f'<circle class="saw" cx="{_BLADE}" cy="34" r="17"/>'
        f'<circle class="hub" cx="{_BLADE}" cy="34" r="4"/>'
        f'<path class="blade" d="M{_BLADE} {_FENCE + 12}V{_FENCE + 30}"/>'
    )


def _cut(*, strip: bool) -> str:
    """The word of what is done, under the fence."""
    words = "cut a narrow strip" if strip else "cut"
    return text(316, _FENCE + 38, words, "small end strong")


def _push(side: Side) -> str:
    """The hand's direction: the edge goes against the fence."""
    x = _BLADE - _REACH - 14 if side == "left" else _BLADE + _REACH + 14
    return (
        f'<path class="turn" d="M{x} {_BOARD_TOP + 20}V{_FENCE - 12}"/>'
        f'<path class="turn" d="M{x - 8} {_FENCE - 22}L{x} {_FENCE - 10}L{x + 8} {_FENCE - 22}"/>'
        + text(316, _FENCE + 38, "against the fence", "small end")
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
    return rect("board", x, _BOARD_TOP, w - gap, _FENCE - _BOARD_TOP, fill=fill)


def _ghost(side: Side) -> str:
    x, w = _span(side, _REACH)
    return rect("ghost", x, _BOARD_TOP, w, _FENCE - _BOARD_TOP)


def _offcut(board_side: Side, *, strip: bool, cuts: bool) -> str:
    """What the cut takes off: apart from the board once it is cut, before that a part of it."""
    x, w = _span(_other(board_side), _STRIP)
    if not cuts:
        return rect("uncut", x, _BOARD_TOP, w, _FENCE - _BOARD_TOP)
    x += _APART if board_side == "left" else -_APART
    css = "strip" if strip else "waste"
    return rect(css, x, _BOARD_TOP, w, _FENCE - _BOARD_TOP, fill="hatch" if strip else None)


def _fresh_face(board_side: Side, *, crosses: bool) -> str:
    out = _STRIP + _APART if crosses else -8
    x = _BLADE + out if board_side == "left" else _BLADE - out
    return f'<path class="fresh" d="M{x} {_BOARD_TOP}V{_FENCE}"/>'


def _fresh_edge(board_side: Side, letter: str) -> str:
    x = _BLADE - 20 if board_side == "left" else _BLADE + 20
    return f'<path class="fresh" d="M{_BLADE} {_BOARD_TOP}V{_FENCE}"/>' + badge(
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
        return [text(middle, _FENCE - 10, "any straight edge", "small")]
    on = step.edge_on_fence or ""
    parts = [bar, badge(middle, _FENCE - 20, on, "edge on")]
    if both:
        parts.append(badge(middle, _BOARD_TOP + 15, "B" if on == "A" else "A", "edge"))
    else:
        parts += _cut_before(on, step, middle)
    return parts


def _cut_before(on: str, step: Step, middle: float) -> list[str]:
    """The edges of a panel that were cut before the one on the fence, where its quarter turns have
    brought them: away from the blade, then opposite the fence, then to the blade."""
    outwards = -1 if step.board_side == "left" else 1
    row = _BOARD_TOP + 40
    at = [(_BLADE + outwards * (_REACH - 15), row), (middle, _BOARD_TOP + 15)]
    if step.action == "turn":
        at.append((_BLADE + outwards * 15, row))
    earlier = "ABCD"["ABCD".index(on) - 1 :: -1] if on in "BCD" else ""
    return [badge(x, y, edge, "edge") for edge, (x, y) in zip(earlier, at, strict=False)]


def _face(step: Step) -> str:
    assert step.board_side
    x, w = _span(step.board_side, _REACH)
    middle = x + w / 2 + (-4 if step.board_side == "left" else 4)
    y = (_BOARD_TOP + _FENCE) / 2
    return (
        f'<g class="face face-{step.face_up}">'
        f'<rect class="plate" x="{middle - 44:g}" y="{y - 12:g}" width="88" height="24" rx="12"/>'
        f"{text(middle, y + 5, f'face {step.face_up} up', 'letter')}</g>"
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
    return f'<path class="turn" d="{curve}"/><path class="turn" d="{head}"/>' + text(
        316, _FENCE + 38, _TURN_WORDS[turn], "small end"
    )


def _strip_ends(board_side: Side) -> str:
    off = _STRIP + _APART + 8
    x = _BLADE + off if board_side == "left" else _BLADE - off
    css = "small start" if board_side == "left" else "small end"
    return (
        text(x, _BOARD_TOP + 12, "open end", css)
        + text(x, (_BOARD_TOP + _FENCE) / 2 + 5, "strip", f"{css} strong")
        + text(x, _FENCE - 6, "fence end", css)
    )


def _place(place: Place, x: float, y: float, number: int | None, *, corner: bool, lit: bool) -> str:
    level = y == _LEVEL or (place.along == 0.5 and place.up == 0.5)
    if corner:
        # "open end, lower edge": short lines one under the other, clear of the strip's corner.
        lines = place.label.split(", ")
        top = y + 32 if place.up < 0.5 else y - 20 - 18 * (len(lines) - 1)
        label = "".join(text(x, top + 18 * i, line, "label mid") for i, line in enumerate(lines))
    elif level:
        label = text(x, y + 48, place.label, "label mid")
    else:
        label = text(x + 30, y + 5, place.label, "label start")
    if level:
        tip = _pointer(x, y, across=0, down=-1)
    else:
        tip = _pointer(x, y, across=1 if corner and place.along > 0.5 else -1, down=0)
    mark = f'<circle class="spot" cx="{x:g}" cy="{y:g}" r="13"/>'
    mark += f'<path class="tick" d="M{x - 6:g} {y:g}l4 5l8 -10"/>'
    if number is not None:
        mark += text(x, y + 5, str(number), "letter")
    css = "place next" if lit else "place"
    return f'<g class="{css}" data-place="{escape(place.key)}">{mark}{tip}{label}</g>'


def _pointer(x: float, y: float, *, across: int, down: int) -> str:
    """A wedge whose point touches the spot from that side; only the lit place shows it."""
    near, far, half = 17, 40, 11
    corners = [
        (x + across * near, y + down * near),
        (x + across * far + down * half, y + down * far + across * half),
        (x + across * far - down * half, y + down * far - across * half),
    ]
    return '<path class="pointer" d="M' + "L".join(f"{a:g} {b:g}" for a, b in corners) + 'Z"/>'
