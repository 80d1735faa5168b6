"""Series side by side as a picture: the dot of every trial, means, and how far they spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from api.web.pages.shared import charts
from api.web.pages.shared.charts import MARKERS, Marker, Of, Picture, Scale

# Heights within the row of one series, and of the axis below all, in lines of words.
_ROW: Final = 5.2
_NAME, _MOMENT, _TRIALS, _MEAN, _END = 1.2, 2.4, 3.3, 4.3, 4.9
_BEYOND: Final = 1.3  # a line more, for what lies beyond the axis
_AXIS: Final = 2.0


@dataclass(frozen=True, slots=True)
class Row:
    """One series. moment: when it was, where that tells it from the others; values: of its trials;
    half: of the mean's interval."""

    name: str
    moment: str
    values: Sequence[float]
    mean: float | None
    half: float | None


def marker(index: int) -> Marker:
    """The shape of the series at `index` of the list."""
    return MARKERS[index % len(MARKERS)]


def letter(index: int) -> str:
    return chr(ord("A") + index)


def picture(rows: Sequence[Row], unit: Of, *, from_nominal: bool, noun: str = "strip") -> Picture:
    """The series one below the other over one axis; empty where none has a trial."""
    far = [charts.strays(row.values) for row in rows]
    held = [
        [v for i, v in enumerate(row.values) if i not in beyond]
        for row, beyond in zip(rows, far, strict=True)
    ]
    seen = [v for values in held for v in values]
    if not seen:
        return Picture()
    means = [
        row.mean + way * (row.half or 0.0)
        for row, beyond in zip(rows, far, strict=True)
        if row.mean is not None and not beyond
        for way in (-1, 1)
    ]
    x = Scale(*charts.padded([*seen, *means, *([0.0] if from_nominal else [])]), 1.0, 99.0)
    tops = [0.0]
    for beyond in far:
        tops.append(tops[-1] + _ROW + _BEYOND * bool(beyond))
    height = tops[-1] + _AXIS
    y = Scale(0.0, height, 0.0, 100.0)
    parts = _axis(x, y.at(tops[-1]), unit)
    parts += _heads(rows, tops, y)
    for index, (row, values) in enumerate(zip(rows, held, strict=True)):
        top = tops[index] + _BEYOND * bool(far[index])
        if from_nominal:
            lane = (y.at(top + at) for at in (_MOMENT + 0.3, _END))
            parts.append(charts.line(x.at(0), next(lane), x.at(0), next(lane), "nominal"))
        parts += _beyond(row, y.at(tops[index] + _MOMENT + 0.9), x, unit)
        parts += _row(row, values, index, top, x, y, noun)
    words = "; ".join(f"{letter(i)}: {row.name}, {row.moment}" for i, row in enumerate(rows))
    title = f"Every {noun} of {len(rows)} series, their means and how far they spread"
    svg = charts.chart(title, parts, words, kind="rows", height=height)
    return Picture(svg, tuple(_keys(rows, from_nominal, any(far), noun)), _outside(rows, x, noun))


def _keys(rows: Sequence[Row], from_nominal: bool, far: bool, noun: str) -> list[Markup]:
    found = [
        charts.key("circle", "dot s1", f"one {noun}, in the shape of its series", 4),
        charts.area_key("spread s1", "from the smallest to the largest (range)"),
    ]
    if any(row.half is not None for row in rows):
        found.append(charts.line_key("interval s1", "mean with its expanded uncertainty (95 %)"))
    if from_nominal:
        found.append(charts.line_key("nominal", "nominal", upright=True))
    if far:
        found.append(charts.key("cross", "beyond", "beyond the axis, with its value"))
    return found


def _outside(rows: Sequence[Row], x: Scale, noun: str) -> tuple[str, ...]:
    low, high = x.low, x.high
    found = []
    if any(not low <= v <= high for row in rows for v in row.values):
        found.append(f"The axis follows the other {noun}s.")
    gone = [
        letter(i) for i, r in enumerate(rows) if r.mean is not None and not low <= r.mean <= high
    ]
    if gone:
        found.append(f"The mean of {' and '.join(gone)} is outside the picture.")
    return tuple(found)


def _heads(rows: Sequence[Row], tops: Sequence[float], y: Scale) -> list[str]:
    heights = [y.at(top + _NAME) for top in tops[:-1]]
    named = [f"{letter(i)} {row.name}" for i, row in enumerate(rows)]
    parts = charts.names(heights, named, "strong", 1.6)
    for index, (row, top) in enumerate(zip(rows, tops, strict=False)):
        at = y.at(top + _NAME - 0.35)
        parts.append(charts.mark(0.6, at, marker(index), f"mean s{index % 3 + 1}", 5))
        parts.append(charts.text(0, y.at(top + _MOMENT), row.moment, "start quiet", 1.6))
        if index:
            parts.append(charts.line(0, y.at(top), 100, y.at(top), "grid"))
    return parts


def _row(
    row: Row, held: Sequence[float], index: int, top: float, x: Scale, y: Scale, noun: str
) -> list[str]:
    kind = f"s{index % 3 + 1}"
    if not row.values:
        return [charts.text(0, y.at(top + _TRIALS + 0.6), f"no {noun}s yet", "start quiet", 1.6)]
    first, last = (y.at(top + _TRIALS + way * 0.5) for way in (-1, 1))
    parts = [charts.rect(x.at(min(held)), first, x.at(max(held)), last, f"spread {kind}")]
    small = 4.0 if len(held) <= 60 else 2.0
    for i, value in enumerate(held):
        # Three heights in turn, so that equal trials do not hide each other.
        height = y.at(top + _TRIALS + 0.32 * (i % 3 - 1))
        parts.append(charts.mark(x.at(value), height, marker(index), f"dot {kind}", small))
    if row.mean is not None and x.low <= row.mean <= x.high:
        at = y.at(top + _MEAN)
        if row.half is not None:
            low, high = (x.within(row.mean + way * row.half) for way in (-1, 1))
            parts.append(charts.line(low, at, high, at, f"interval {kind}"))
        parts.append(charts.mark(x.at(row.mean), at, marker(index), f"mean {kind}", 6))
    return parts


def _beyond(row: Row, height: float, x: Scale, unit: Of) -> list[str]:
    """A cross at the edge that trials lie beyond, with the furthest value."""
    parts = []
    for over in (True, False):
        values = [v for v in row.values if (v > x.high if over else v < x.low)]
        if values:
            at, kind, dx = (99.0, "end", -0.6) if over else (1.0, "start", 0.6)
            furthest = max(values) if over else min(values)
            shown = f"{furthest:.3f}".replace("-", "−") + ("°" if unit == "deg" else " mm")
            parts.append(charts.mark(at, height, "cross", "beyond", 4.5))
            parts.append(charts.number(at, height, furthest, unit, shown, kind, dx, 0.35))
    return parts


def _axis(x: Scale, bottom: float, unit: Of) -> list[str]:
    parts = [charts.line(0, bottom, 100, bottom, "axis")]
    ticks = [t for t in x.ticks(4) if 8 <= x.at(t) <= 92] or x.ticks(4)[:1]
    step = ticks[1] - ticks[0] if len(ticks) > 1 else abs(ticks[0]) or 1.0
    for tick in ticks:
        at = x.at(tick)
        shown = charts.plain(tick, unit, step) + (" mm" if unit == "mm" else "")
        parts.append(charts.line(at, bottom, at, bottom + 1, "axis"))
        parts.append(charts.number(at, bottom, tick, unit, shown, dy=1.5))
    return parts
