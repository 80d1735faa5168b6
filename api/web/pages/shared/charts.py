"""The parts of a chart as SVG: scales, ticks, dots, bars, words and the key below it.

A chart fills its panel at any width and does not scale its words: every place is given in per
cent of the drawing, which `charts.css` makes as wide as the panel less the room for the numbers
beside it. Words about a place are moved by their own height (`em`). A table beside it shows the
same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import zip_longest
from statistics import median, quantiles
from typing import Final, Literal

from markupsafe import Markup

from analysis.units import MM_PER_INCH

Marker = Literal["circle", "square", "triangle", "diamond", "down", "cross"]
MARKERS: Final[tuple[Marker, ...]] = ("circle", "square", "triangle", "diamond", "down", "cross")
Of = Literal["deg", "mm"]
# The narrowest drawing, as wide as so many letters are high: on a screen of 320 px; and from
# which width of its panel more words have room (`charts.css` hides them in a narrower one).
_NARROW: Final = 13.0
_ROW, _WIDE_ROW = 17.0, 46.0
_ROOM: Final[tuple[tuple[str, float], ...]] = (
    ("", 5.5),
    ("medium", _NARROW),
    ("roomy", 16.5),
    ("wide", 36.0),
)


@dataclass(frozen=True, slots=True)
class Scale:
    """Values from `low` to `high` placed from `start` to `end` (in per cent of the drawing); by
    their logarithm if asked."""

    low: float
    high: float
    start: float
    end: float
    logarithmic: bool = False

    def at(self, value: float) -> float:
        """The place of `value`, also beyond the ends."""
        low, high = self.low, self.high
        if self.logarithmic:
            low, high, value = math.log(low), math.log(high), math.log(value)
        share = (value - low) / (high - low) if high != low else 0.5
        return self.start + share * (self.end - self.start)

    def within(self, value: float) -> float:
        """The place of `value`, or of the end that it lies beyond."""
        return self.at(min(max(value, self.low), self.high))

    def ticks(self, most: int = 5) -> list[float]:
        """Round values within the scale, at most `most` or so."""
        return round_values(self.low, self.high, most, self.logarithmic)


def round_values(low: float, high: float, most: int = 5, logarithmic: bool = False) -> list[float]:
    """Values in steps of 1, 2 or 5 (times a power of ten) from `low` to `high`.

    Logarithmic: 1, 2, 5 of each decade, or the decades alone where those are too many.
    """
    if logarithmic:
        decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        for steps in ((1, 2, 5), (1, 3), (1,)):
            found = [s * 10.0**d for d in decades for s in steps]
            found = [v for v in found if low * (1 - 1e-9) <= v <= high * (1 + 1e-9)]
            if len(found) <= most:
                break
        return found
    if not high > low:
        return [low]
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= rough * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)]


def padded(values: Iterable[float], share: float = 0.06) -> tuple[float, float]:
    """The range of `values` with some room at both ends; always wider than zero."""
    found = list(values)
    low, high = min(found), max(found)
    room = (high - low) * share or abs(high) * share or 1.0
    return low - room, high + room


# A value so many times further from the middle than the middle half is wide stands alone; it is
# taken out of the axis where the others would have less than a quarter of it.
_ALONE: Final = 4.0
_PRESSED: Final = 4.0


def strays(values: Sequence[float], reach: Sequence[float] | None = None) -> set[int]:
    """Which of `values` stand so far off that an axis with them would press all others flat.

    reach: of the bar about each. At most a fifth of all, and none where the others are equal.
    """
    bars = [0.0] * len(values) if reach is None else list(reach)
    if len(values) < 4:
        return set()
    lower, middle, upper = quantiles(values, n=4, method="inclusive")
    near = _ALONE * max(upper - lower, median(bars))
    found = {i for i, value in enumerate(values) if abs(value - middle) > near}
    if not found or len(found) > len(values) / 5:
        return set()
    ends = [v + way * b for v, b in zip(values, bars, strict=True) for way in (-1, 1)]
    rest = [end for i, end in enumerate(ends) if i // 2 not in found]
    span = max(rest) - min(rest)
    return found if span and max(ends) - min(ends) > _PRESSED * span else set()


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart; `keys`: what is in it; `outside`: what is not, in sentences."""

    svg: Markup = field(default_factory=Markup)
    keys: tuple[Markup, ...] = ()
    outside: tuple[str, ...] = ()


def chart(
    title: str, parts: Iterable[str], words: str = "", *, kind: str = "plot", height: float = 0
) -> Markup:
    """The whole picture; `title` and `words` are for people who cannot see it.

    kind: "plot" with numbers at its left and below, "plot ends" with words at its right as well,
    or "rows", which is `height` lines of words high.
    """
    desc = f"<desc>{escape(words)}</desc>" if words else ""
    high = f' height="{height:g}em"' if height else ""
    return Markup(
        f'<svg class="chart {kind}" role="img"{high} aria-label="{escape(title)}">'
        f"{desc}{''.join(parts)}</svg>"
    )


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line class="{kind}" x1="{x1:.2f}%" y1="{y1:.2f}%" x2="{x2:.2f}%" y2="{y2:.2f}%"/>'


def stretched(parts: Iterable[str]) -> str:
    """What `path` and `drawn` made, as wide and as high as the drawing."""
    inner = "".join(parts)
    if not inner:
        return ""
    return f'<svg viewBox="0 0 100 100" preserveAspectRatio="none">{inner}</svg>'


def path(points: Iterable[tuple[float, float]], kind: str) -> str:
    """A line through `points`."""
    return drawn(f"M{'L'.join(f'{x:.2f} {y:.2f}' for x, y in points)}", kind)


def drawn(steps: str, kind: str) -> str:
    """What the steps of a path draw."""
    return f'<path class="{kind}" d="{steps}"/>'


def rect(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """The rectangle between two corners, in any order."""
    left, top = min(x1, x2), min(y1, y2)
    return (
        f'<rect class="{kind}" x="{left:.2f}%" y="{top:.2f}%"'
        f' width="{abs(x2 - x1):.2f}%" height="{abs(y2 - y1):.2f}%"/>'
    )


def text(x: float, y: float, words: str, kind: str = "", dx: float = 0, dy: float = 0) -> str:
    """Words about (x, y), moved by so many times their height, centred unless `kind` holds
    "start" or "end"."""
    return f'<text {_place(x, y, dx, dy)} class="{kind}">{escape(words)}</text>'


def number(
    x: float,
    y: float,
    value: float,
    of: Of,
    shown: str,
    kind: str = "",
    dx: float = 0,
    dy: float = 0,
    before: str = "",
) -> str:
    """A number that `units.js` shows in the units chosen: degrees or mm in `value`. shown: in words
    until then, a length in mm, inches or thou. before: words that stay."""
    per = _INCHES.get(shown.rpartition(" ")[2])
    marked = f'data-value="{value!r}" data-u="{_finest(value, shown) * (per or 1.0)!r}"'
    place, unit = _place(x, y, dx, dy), "ang" if of == "deg" else "len"
    if not before:
        return f'<text {place} class="{unit} {kind}" {marked}>{escape(shown)}</text>'
    return (
        f'<text {place} class="{kind}">{escape(before)} '
        f'<tspan class="{unit}" {marked}>{escape(shown)}</tspan></text>'
    )


def _place(x: float, y: float, dx: float, dy: float) -> str:
    moved = "".join(f' {name}="{by:g}em"' for name, by in (("dx", dx), ("dy", dy)) if by)
    return f'x="{x:.2f}%" y="{y:.2f}%"{moved}'


def mark(x: float, y: float, marker: Marker, kind: str, size: float = 4.5, words: str = "") -> str:
    """One dot; its shape, as well as its colour, shows the series. size: half its width in px."""
    title = f"<title>{escape(words)}</title>" if words else ""
    if marker == "circle":
        return f'<circle cx="{x:.2f}%" cy="{y:.2f}%" r="{size:.3g}" class="{kind}">{title}</circle>'
    shape = _shape(marker, kind, size, title)
    return f'<svg x="{x:.2f}%" y="{y:.2f}%" width="1" height="1">{shape}</svg>'


def _shape(marker: Marker, kind: str, size: float, title: str = "") -> str:
    if marker == "circle":
        return f'<circle r="{size:g}" class="{kind}"/>'
    points = [(size * dx, size * dy) for dx, dy in _CORNERS[marker]]
    if marker == "cross":
        (a, b), (c, d), (e, f), (g, h) = points
        steps = f"M{a:.1f} {b:.1f}L{c:.1f} {d:.1f}M{e:.1f} {f:.1f}L{g:.1f} {h:.1f}"
        return f'<path d="{steps}" class="{kind}">{title}</path>'
    corners = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
    return f'<polygon points="{corners}" class="{kind}">{title}</polygon>'


# Around the middle, for a size of 1; the cross is two strokes.
_CORNERS: Final[dict[Marker, tuple[tuple[float, float], ...]]] = {
    "square": ((-1, -1), (1, -1), (1, 1), (-1, 1)),
    "triangle": ((0, -1.2), (1.1, 1), (-1.1, 1)),
    "down": ((0, 1.2), (1.1, -1), (-1.1, -1)),
    "diamond": ((0, -1.3), (1.3, 0), (0, 1.3), (-1.3, 0)),
    "cross": ((-1, -1), (1, 1), (1, -1), (-1, 1)),
}


# ---- what a chart has in common with others


def values_axis(y: Scale, of: Of) -> list[str]:
    """Lines across the drawing at round values, with their numbers beside it, and above these the
    unit that they do not say themselves."""
    ticks = y.ticks()
    step = ticks[1] - ticks[0] if len(ticks) > 1 else abs(ticks[0]) or 1.0
    parts = [text(0, 0, "mm", "unit end quiet", -0.5, -0.7)] if of == "mm" else []
    for tick in ticks:
        at = y.at(tick)
        zero = of == "deg" and abs(tick) < step / 1e6
        parts.append(line(0, at, 100, at, "nominal" if zero else "grid"))
        parts.append(number(0, at, tick, of, plain(tick, of, step), "end", -0.5, 0.35))
    return parts


def plain(value: float, of: Of, step: float) -> str:
    """`value` with as many decimals as steps of `step` need, and the sign of degrees."""
    decimals = min(6, max(0, -math.floor(math.log10(step) + 1e-9)))
    shown = f"{abs(value):.{decimals}f}"
    sign = "−" if value < 0 and float(shown) else ""
    return f"{sign}{shown}{'°' if of == 'deg' else ''}"


def below(
    labels: Sequence[tuple[float, str]], taken: Sequence[tuple[float, str]] = ()
) -> list[str]:
    """Words below the drawing at their places, as many as have room beside each other at its
    width; taken: words that stand there already."""
    parts, drawn_at = [], list(taken)
    done: set[int] = set()
    for kind, room in _ROOM:
        for i in _spread(len(labels)):
            if i not in done and _free(labels[i], drawn_at, room):
                x, words = labels[i]
                parts.append(text(x, 100, words, kind, dy=1.4))
                drawn_at.append(labels[i])
                done.add(i)
    return parts


def _spread(count: int) -> list[int]:
    """The first, the last, then those halfway between what was taken: an even choice."""
    order = [0, count - 1] if count > 1 else [0] * count
    gaps = [(0, count - 1)]
    while gaps:
        low, high = gaps.pop(0)
        if high - low > 1:
            middle = (low + high) // 2
            order.append(middle)
            gaps += [(low, middle), (middle, high)]
    return order


def _free(label: tuple[float, str], others: Iterable[tuple[float, str]], room: float) -> bool:
    """Whether a label has room beside others in a drawing `room` letters' heights wide."""
    return all(
        abs(label[0] - x) / 100 * room >= (width(label[1]) + width(words)) / 2 + 0.5
        for x, words in others
    )


def beside(places: Sequence[float]) -> tuple[float, str, float]:
    """Where words about marks in one line stand clear of all: the place of a mark, how the words
    are anchored there, and how far they are moved."""
    # At the left the room beside the drawing is free as well.
    edges = [-20.0, *sorted(places), 100.0]
    widest = max(range(len(edges) - 1), key=lambda i: edges[i + 1] - edges[i])
    return (edges[1], "end", -0.7) if widest == 0 else (edges[widest], "start", 0.7)


# ---- words


def width(words: str) -> float:
    """About how wide `words` are in a wide typeface, in heights of its letters."""
    return sum(_wide(c) for c in words)


def _wide(letter: str) -> float:
    if letter in "MWmw@%…—":
        return 1.0
    if letter in "iljtfrI.,:;'|!()[]-′ ":
        return 0.42
    return 0.72 if letter.isupper() else 0.64


def fitted(words: str, most: float) -> str:
    """`words`, cut in the middle where they are wider than `most` heights of their letters: names
    mostly differ at an end."""
    if width(words) <= most:
        return words
    left, right = 0, 0
    used = width("…")
    while left + right < len(words):
        # Two letters of the beginning for each of the end.
        front = left < 2 * (right + 1)
        used += _wide(words[left] if front else words[-1 - right])
        if used > most:
            break
        left, right = (left + 1, right) if front else (left, right + 1)
    return f"{words[:left].rstrip()}…{words[len(words) - right :].lstrip()}"


def told_apart(names: Sequence[str], most: float) -> list[str]:
    """The names cut to `most` heights of their letters; those that differ still do."""
    found = [fitted(name, most) for name in names]
    for cut in set(found):
        alike = {name for name, shown in zip(names, found, strict=True) if shown == cut}
        if len(alike) == 1:
            continue
        # From the first letter that is not the same in all of them.
        same = next(i for i, letters in enumerate(zip_longest(*alike)) if len(set(letters)) > 1)
        for i, name in enumerate(names):
            if name in alike:
                start = _first(name, most / 3)
                found[i] = f"{start}…{_first(name[same:], most - width(start) - 1)}"
    return found


def _first(words: str, most: float) -> str:
    """The first letters of `words` that are `most` wide."""
    end = 0
    while end < len(words) and width(words[: end + 1]) <= most:
        end += 1
    return words[:end].strip()


def names(y: Sequence[float], of: Sequence[str], kind: str = "", dx: float = 0) -> list[str]:
    """A name at the left of each row: whole where the panel is wide, else cut where they are
    alike."""
    narrow, wide = told_apart(of, _ROW - dx), told_apart(of, _WIDE_ROW - dx)
    parts = []
    for at, short, longer in zip(y, narrow, wide, strict=True):
        if short == longer:
            parts.append(text(0, at, short, f"start {kind}", dx))
        else:
            parts.append(text(0, at, short, f"start narrow {kind}", dx))
            parts.append(text(0, at, longer, f"start wide {kind}", dx))
    return parts


def short(words: str, most: int = 34) -> str:
    """`words`, cut with an ellipsis where they are too long for a list."""
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


# ---- the key


def key(marker: Marker, kind: str, words: str, size: float = 5) -> Markup:
    """A mark of the chart with what it means."""
    return _key(_shape(marker, kind, size), words)


def line_key(kind: str, words: str, *, upright: bool = False) -> Markup:
    """A line of the chart with what it means."""
    ends = 'y1="-8" y2="8"' if upright else 'x1="-12" x2="12"'
    return _key(f'<line class="{kind}" {ends}/>', words)


def area_key(kind: str, words: str) -> Markup:
    """A shaded area of the chart with what it means."""
    return _key(f'<rect class="{kind}" x="-12" y="-7" width="24" height="14"/>', words)


def _key(sample: str, words: str) -> Markup:
    svg = f'<svg class="key" viewBox="-12 -8 24 16" aria-hidden="true">{sample}</svg>'
    return Markup(f"{svg} {escape(words)}")


_INCHES: Final = {"in": MM_PER_INCH, "thou": MM_PER_INCH / 1000}


def _finest(value: float, shown: str) -> float:
    """An uncertainty that asks for about as many digits as `shown` has."""
    digits = "".join(c for c in shown if c.isdigit() or c == ".")
    decimals = len(digits.partition(".")[2])
    return 10.0 ** (1 - decimals) if value else 1.0
