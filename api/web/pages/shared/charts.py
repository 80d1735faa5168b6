"""The parts of a chart as SVG: scales, ticks, dots and bars.

A chart is laid out for a phone (400 wide) and grows with its page, so that its numbers stay
readable at any width. It holds class names and presentation attributes only; `charts.css`
colours it. A table beside it shows the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import Final, Literal

Marker = Literal["circle", "square", "triangle", "diamond", "down", "cross"]
MARKERS: Final[tuple[Marker, ...]] = ("circle", "square", "triangle", "diamond", "down", "cross")
WIDTH: Final = 400


@dataclass(frozen=True, slots=True)
class Scale:
    """Values from `low` to `high` placed from `start` to `end`; by their logarithm if asked."""

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


def chart(title: str, height: float, parts: Iterable[str], words: str = "") -> str:
    """The whole picture; `title` and `words` are for people who cannot see it."""
    desc = f"<desc>{escape(words)}</desc>" if words else ""
    return (
        f'<svg class="chart" role="img" viewBox="0 0 {WIDTH} {height:g}"'
        f' aria-label="{escape(title)}">{desc}{"".join(parts)}</svg>'
    )


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<path class="{kind}" d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"/>'


def path(points: Iterable[tuple[float, float]], kind: str) -> str:
    """A line through `points`."""
    return f'<path class="{kind}" d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in points)}"/>'


def rect(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """The rectangle between two corners, in any order."""
    left, top = min(x1, x2), min(y1, y2)
    return (
        f'<rect class="{kind}" x="{left:.1f}" y="{top:.1f}"'
        f' width="{abs(x2 - x1):.1f}" height="{abs(y2 - y1):.1f}"/>'
    )


def text(x: float, y: float, words: str, kind: str = "") -> str:
    """Words about (x, y), centred unless `kind` holds "start" or "end"."""
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}">{escape(words)}</text>'


def number(
    x: float, y: float, value: float, of: Literal["ang", "len"], shown: str, kind: str = ""
) -> str:
    """A number that `units.js` shows in the units chosen: degrees or mm in `value`."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" class="{of} {kind}" data-value="{value!r}"'
        f' data-u="{_finest(value, shown)!r}">{escape(shown)}</text>'
    )


def mark(x: float, y: float, marker: Marker, kind: str, size: float = 4.5, words: str = "") -> str:
    """One dot; its shape, as well as its colour, shows the series."""
    title = f"<title>{escape(words)}</title>" if words else ""
    if marker == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:g}" class="{kind}">{title}</circle>'
    points = [(x + size * dx, y + size * dy) for dx, dy in _CORNERS[marker]]
    if marker == "cross":
        (a, b), (c, d), (e, f), (g, h) = points
        drawn = f"M{a:.1f} {b:.1f}L{c:.1f} {d:.1f}M{e:.1f} {f:.1f}L{g:.1f} {h:.1f}"
        return f'<path d="{drawn}" class="{kind}">{title}</path>'
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


def short(words: str, most: int = 34) -> str:
    """`words`, cut with an ellipsis where they are too long for a picture."""
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def _finest(value: float, shown: str) -> float:
    """An uncertainty that asks for about as many digits as `shown` has."""
    digits = "".join(c for c in shown if c.isdigit() or c == ".")
    decimals = len(digits.partition(".")[2])
    return 10.0 ** (1 - decimals) if value else 1.0
