"""Two pictures of a series: its trials one by one, and what its uncertainty is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from api.web.pages.shared import charts
from api.web.pages.shared.charts import Marker, Scale
from api.web.pages.shared.numbers import Unit, size
from api.web.shapes import ContributionOut, IntervalOut

# The classes by which `units.js` knows an angle and a length.
_KINDS: Final[dict[Unit, Literal["ang", "len"]]] = {"deg": "ang", "mm": "len"}
_LEFT: Final = 74.0
_TOP: Final = 14.0
_BOTTOM: Final = 214.0
_LAST_TRIAL: Final = 330.0
_MEAN: Final = 374.0
_RIGHT: Final = 396.0
# More numbers than this below the axis run into each other.
_MOST_NUMBERS: Final = 15
# A tolerance so many times wider than everything else would flatten what is to be seen.
_WIDEST: Final = 8.0


@dataclass(frozen=True, slots=True)
class Dot:
    """A trial: its number, its value with the expanded uncertainty of its measuring alone."""

    number: int
    value: float
    u: float
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class StripChart:
    """`tolerance_shown`: whether the limits, where there are any, lie within the picture."""

    svg: str
    tolerance_shown: bool


def strip_chart(
    title: str,
    unit: Unit,
    dots: Sequence[Dot],
    mean: float,
    interval: IntervalOut | None,
    tolerance: tuple[float, float] | None,
    noun: str = "trial",
) -> StripChart:
    """The trials in order with their bars, their mean with its interval, and the tolerance.

    dots: at least one. Values and limits in degrees or mm, as `unit` says.
    """
    seen = [v for d in dots for v in (d.value - d.u, d.value + d.u)] + [mean]
    seen += [interval.low, interval.high] if interval else []
    if unit == "deg":
        seen.append(0.0)
    shown = tolerance is not None and (
        tolerance[1] - tolerance[0] <= _WIDEST * (max(seen) - min(seen)) or max(seen) == min(seen)
    )
    if tolerance is not None and shown:
        seen += tolerance
    low, high = charts.padded(seen)
    y = Scale(low, high, _BOTTOM, _TOP)
    parts = [*_tolerance(y, tolerance if shown else None), *_values(y, unit)]
    if interval is not None:
        parts.append(
            charts.rect(_LEFT, y.at(interval.low), _RIGHT, y.at(interval.high), "spread s1")
        )
    parts.append(charts.line(_LEFT, y.at(mean), _RIGHT, y.at(mean), "curve s1"))
    parts += _dots(y, unit, dots)
    if interval is not None:
        parts.append(_bar(_MEAN, y.at(interval.low), y.at(interval.high), "interval s1"))
    parts.append(charts.mark(_MEAN, y.at(mean), "square", "mean s1", 6))
    parts.append(charts.text(_MEAN, _BOTTOM + 17, "mean", "strong"))
    parts.append(charts.text((_LEFT + _LAST_TRIAL) / 2, _BOTTOM + 36, f"{noun} number", "quiet"))
    words = f"{len(dots)} {noun}s, mean {_plain(mean, unit)}. The table below holds the numbers."
    return StripChart(charts.chart(title, _BOTTOM + 44, parts, words), shown or tolerance is None)


def _tolerance(y: Scale, tolerance: tuple[float, float] | None) -> list[str]:
    if tolerance is None:
        return []
    low, high = y.at(tolerance[0]), y.at(tolerance[1])
    return [
        charts.line(_LEFT, low, _RIGHT, low, "limit"),
        charts.line(_LEFT, high, _RIGHT, high, "limit"),
        charts.text(_LEFT + 4, high - 4, "tolerance", "start quiet halo"),
        charts.text(_LEFT + 4, low + 13, "tolerance", "start quiet halo"),
    ]


def _values(y: Scale, unit: Unit) -> list[str]:
    """The axis with its numbers; zero is dotted, since nothing is off there."""
    ticks = y.ticks()
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    parts = [charts.line(_LEFT, _TOP, _LEFT, _BOTTOM, "axis")]
    for tick in ticks:
        at = y.at(tick)
        zero = unit == "deg" and abs(tick) < step / 1e6
        parts.append(charts.line(_LEFT, at, _RIGHT, at, "nominal" if zero else "grid"))
        shown = _plain(tick, unit, 10.0 ** (1 - digits))
        parts.append(charts.number(_LEFT - 6, at + 4.5, tick, _KINDS[unit], shown, "end"))
    return parts


def _dots(y: Scale, unit: Unit, dots: Sequence[Dot]) -> list[str]:
    space = (_LAST_TRIAL - _LEFT) / len(dots)
    every = math.ceil(len(dots) / _MOST_NUMBERS)
    parts = []
    for i, dot in enumerate(dots):
        x = _LEFT + (i + 0.5) * space
        if dot.u:
            parts.append(_bar(x, y.at(dot.value - dot.u), y.at(dot.value + dot.u), "cap s1"))
        words = f"{dot.number}: {_plain(dot.value, unit, dot.u, sign=unit == 'deg')}"
        marker: Marker = "diamond" if dot.doubted else "circle"
        colour = "s2" if dot.doubted else "s1"
        size = min(5.0, max(2.0, space / 4))
        at = y.at(dot.value)
        parts.append(charts.mark(x, at, marker, f"dot {colour}", size, words))
        if i % every == 0:
            parts.append(charts.text(x, _BOTTOM + 17, str(dot.number)))
    return parts


def _plain(value: float, unit: Unit, u: float | None = None, *, sign: bool = False) -> str:
    return size(value, unit, u, sign=sign).striptags()


def _bar(x: float, low: float, high: float, kind: str) -> str:
    return charts.line(x, low, x, high, kind)


def budget_chart(title: str, unit: Unit, lines: Sequence[ContributionOut], combined: float) -> str:
    """Each contribution as a bar, and the combined standard uncertainty below them.

    Contributions in degrees or mm, as `unit` says; their squares add up to the combined one's.
    """
    x = Scale(0.0, max([combined, *(c.contribution for c in lines)]) or 1.0, 4.0, 300.0)
    rows = [(c.source, c.contribution, "spread s1") for c in lines]
    rows.append(("combined standard uncertainty", combined, "mean s1"))
    parts = []
    for i, (words, value, look) in enumerate(rows):
        top = 4.0 + 42 * i
        last = "strong" if i == len(rows) - 1 else ""
        parts.append(charts.text(4, top + 13, charts.short(words, 58), f"start {last}"))
        end = x.at(value)
        parts.append(charts.rect(4, top + 18, max(end, 5.0), top + 34, f"{look} budget-bar"))
        shown = _plain(value, unit, value)
        parts.append(
            charts.number(max(end, 5.0) + 6, top + 31, value, _KINDS[unit], shown, "start")
        )
    return charts.chart(title, 8.0 + 42 * len(rows), parts)
