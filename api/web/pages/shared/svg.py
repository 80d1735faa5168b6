"""The elements of drawings as SVG; `drawings.css` has the look of their classes."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

Drawn = tuple[list[str], list[tuple[float, float]], str]
"""What is drawn, where the spots of the places are on it, and what it shows in words."""


def svg(width: int, height: int, name: str, parts: Iterable[str], classes: str) -> str:
    """The whole drawing; without a name it says nothing that is not said beside it."""
    label = f'role="img" aria-label="{escape(name)}"' if name else 'aria-hidden="true"'
    return (
        f'<svg class="{classes}" viewBox="0 0 {width} {height}" {label} focusable="false">'
        + "".join(parts)
        + "</svg>"
    )


def rect(css: str, x: float, y: float, w: float, h: float, fill: str | None = None) -> str:
    """A rectangle, filled with the pattern `fill` where one is named."""
    box = f'x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}"'
    texture = f'<rect fill="url(#{fill})" {box}/>' if fill else ""
    return f'<rect class="{css}" {box}/>{texture}'


def text(x: float, y: float, words: str, css: str = "") -> str:
    """Words about (x, y), centred unless `css` holds "start" or "end"."""
    return f'<text class="{css}" x="{x:g}" y="{y:g}">{escape(words)}</text>'


def badge(x: float, y: float, letter: str, css: str) -> str:
    """The letter of an edge, in a frame about (x, y)."""
    return (
        f'<g class="{css}"><rect x="{x - 11:g}" y="{y - 11:g}" width="22" height="22" rx="3"/>'
        f"{text(x, y + 5, letter, 'letter')}</g>"
    )
