"""Two pictures of a series: its trials one by one, and what its uncertainty is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from analysis.sentences import cuts
from api.web.pages.shared import charts
from api.web.pages.shared.charts import Of, Picture, Scale
from api.web.pages.shared.numbers import plain
from api.web.shapes.scores import ContributionOut, IntervalOut

# Where the trials end, and where their mean is; how much of the height is for what is beyond.
_LAST_TRIAL: Final = 80.0
_MEAN: Final = 93.0
_LANE: Final = 11.0
# How wide the narrowest drawing is, in px: dots are as large as they have room there.
_NARROWEST: Final = 190.0
# A tolerance, or nominal, so many times further than everything else would flatten what is to be
# seen.
_WIDEST: Final = 8.0


@dataclass(frozen=True, slots=True)
class Dot:
    """A trial: its number, its value with the expanded uncertainty of its measuring alone."""

    number: int
    value: float
    u: float
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the axis holds; strays: the places of the dots beyond it."""

    y: Scale
    strays: frozenset[int]
    tolerance: tuple[float, float] | None
    nominal: bool


def strip_chart(
    title: str,
    unit: Of,
    dots: Sequence[Dot],
    mean: float,
    interval: IntervalOut | None,
    tolerance: tuple[float, float] | None,
    noun: str = "strip",
) -> Picture:
    """The trials in order with their bars, their mean with its interval, and the tolerance.

    dots: at least one. Values and limits in degrees or mm, as `unit` says. The axis follows the
    trials; one far from all others stands at its edge, with its value.
    """
    seen = _seen(unit, dots, interval, mean, tolerance)
    y, parts, keys, outside = seen.y, charts.values_axis(seen.y, unit), [], []
    keys.append(charts.key("circle", "dot s1", f"one {noun}"))
    if any(d.u for d in dots):
        bar = "what measuring alone makes uncertain (expanded uncertainty, 95 %)"
        keys.append(charts.line_key("bars s1", bar, upright=True))
    if any(d.doubted for i, d in enumerate(dots) if i not in seen.strays):
        keys.append(charts.key("diamond", "dot s2", "deserves a second look"))
    if seen.strays:
        count = len(seen.strays)
        words = f"one {noun}" if count == 1 else f"{count} {noun}s"
        keys.append(charts.key("triangle", "dot s2", "beyond the axis, with its value"))
        outside.append(f"The axis follows the other {noun}s: {words} would press them flat.")
    if seen.tolerance is not None:
        parts += [charts.line(0, y.at(t), 100, y.at(t), "limit") for t in seen.tolerance]
        keys.append(charts.line_key("limit", "tolerance"))
    elif tolerance is not None:
        outside.append("The tolerance is outside the picture.")
    if seen.nominal:
        keys.append(charts.line_key("nominal", "nominal"))
    if y.low <= mean <= y.high:
        beyond = interval is not None and interval.low <= y.low and interval.high >= y.high
        parts += _mean(y, mean, interval, shaded=not beyond)
        band = "mean" if interval is None else "mean; shaded: its uncertainty (95 %)"
        if beyond:
            band = "mean; bar: its uncertainty (95 %), which reaches beyond the axis"
        keys.append(charts.key("square", "mean s1", band))
    else:
        outside.append("The mean is outside the picture.")
    parts += _dots(y, unit, dots, seen.strays)
    parts += _strays(unit, [dots[i] for i in sorted(seen.strays)], dots, y)
    taken = [(_MEAN, "mean")] if y.low <= mean <= y.high else []
    parts += [charts.text(x, 100, words, "strong", dy=1.4) for x, words in taken]
    parts += charts.below(_numbers(dots), taken)
    parts.append(charts.text(_LAST_TRIAL / 2, 100, f"{noun} number", "quiet", dy=2.7))
    words = f"{cuts(len(dots), noun)}, mean {plain(mean, unit)}. The table below holds the numbers."
    return Picture(charts.chart(title, parts, words), tuple(keys), tuple(outside))


def _seen(
    unit: Of,
    dots: Sequence[Dot],
    interval: IntervalOut | None,
    mean: float,
    tolerance: tuple[float, float] | None,
) -> _Seen:
    far = charts.strays([d.value for d in dots], [d.u for d in dots])
    held = [d for i, d in enumerate(dots) if i not in far]
    ends = [v for d in held for v in (d.value - d.u, d.value + d.u)]
    if not far:
        ends += [mean, *((interval.low, interval.high) if interval else ())]
    low, high = min(ends), max(ends)

    def near(first: float, last: float) -> bool:
        return high == low or last - first <= _WIDEST * (high - low)

    if tolerance is not None and near(*tolerance):
        ends += tolerance
    else:
        tolerance = None
    if unit == "deg" and near(min(low, 0.0), max(high, 0.0)):
        ends.append(0.0)
    low, high = charts.padded(ends)
    over, under = (any(way * (dots[i].value - mean) > 0 for i in far) for way in (1, -1))
    y = Scale(low, high, 100.0 - _LANE * under, _LANE * over)
    return _Seen(y, frozenset(far), tolerance, unit == "deg" and low <= 0.0 <= high)


def _mean(y: Scale, mean: float, interval: IntervalOut | None, *, shaded: bool) -> list[str]:
    """The mean and its interval; shaded: also across the drawing, which tells nothing where it
    covers all of it."""
    parts = [charts.line(0, y.at(mean), 100, y.at(mean), "curve s1")]
    if interval is not None:
        low, high = y.within(interval.low), y.within(interval.high)
        if shaded:
            parts.append(charts.rect(0, low, 100, high, "spread s1"))
        parts.append(charts.line(_MEAN, low, _MEAN, high, "interval s1"))
    parts.append(charts.mark(_MEAN, y.at(mean), "square", "mean s1", 6))
    return parts


def _across(index: int, dots: Sequence[Dot]) -> float:
    return (index + 0.5) * _LAST_TRIAL / len(dots)


def _dots(y: Scale, unit: Of, dots: Sequence[Dot], beyond: frozenset[int]) -> list[str]:
    held = [(_across(i, dots), d) for i, d in enumerate(dots) if i not in beyond]
    bars = "".join(
        f"M{x:.2f} {y.at(d.value - d.u):.2f}V{y.at(d.value + d.u):.2f}" for x, d in held if d.u
    )
    many = " many" if len(dots) > 60 else ""
    parts = [charts.stretched([charts.drawn(bars, f"bars s1{many}")])] if bars else []
    half = min(5.0, max(1.6, _NARROWEST * _LAST_TRIAL / 100 / len(dots) / 2.5))
    # The doubtful ones last, above all others.
    for x, dot in sorted(held, key=lambda each: each[1].doubted):
        words = f"{dot.number}: {plain(dot.value, unit, dot.u, sign=unit == 'deg')}"
        if dot.doubted:
            look = charts.mark(x, y.at(dot.value), "diamond", "dot s2", max(half, 4.0), words)
        else:
            look = charts.mark(x, y.at(dot.value), "circle", "dot s1", half, words)
        parts.append(look)
    return parts


def _strays(unit: Of, beyond: Sequence[Dot], dots: Sequence[Dot], y: Scale) -> list[str]:
    """What lies beyond the axis, at its edge; the furthest of each edge with its value."""
    parts = []
    for over in (True, False):
        here = [d for d in beyond if (d.value > y.high) == over]
        if not here:
            continue
        at = _LANE / 2 if over else 100.0 - _LANE / 2
        places = [_across(dots.index(d), dots) for d in here]
        for x, dot in zip(places, here, strict=True):
            words = f"{dot.number}: {plain(dot.value, unit, dot.u, sign=unit == 'deg')}"
            marker: charts.Marker = "triangle" if over else "down"
            parts.append(charts.mark(x, at, marker, "dot s2", 5.5, words))
        furthest = max(here, key=lambda d: d.value if over else -d.value)
        shown = plain(furthest.value, unit, furthest.u, sign=unit == "deg")
        x, kind, dx = charts.beside(places)
        before = str(furthest.number) + ":" if len(here) == 1 else "up to" if over else "down to"
        parts.append(charts.number(x, at, furthest.value, unit, shown, kind, dx, 0.35, before))
    return parts


def _numbers(dots: Sequence[Dot]) -> list[tuple[float, str]]:
    """The numbers that a person would count by, at their places."""
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 500, 10_000) if len(dots) <= 25 * s)
    return [
        (_across(i, dots), str(d.number))
        for i, d in enumerate(dots)
        if d.number % step == 0 or i == 0
    ]


def budget_chart(title: str, unit: Of, lines: Sequence[ContributionOut], combined: float) -> Markup:
    """Each contribution as a bar, and the combined standard uncertainty below them.

    Contributions in degrees or mm, as `unit` says; their squares add up to the combined one's.
    """
    rows = [(c.source, c.contribution, "spread s1") for c in lines]
    rows.append(("combined standard uncertainty", combined, "mean s1"))
    height = 3.0 * len(rows) + 0.2
    x = Scale(0.0, max(value for _, value, _ in rows) or 1.0, 0.0, 66.0)
    parts = charts.names(
        [(3.0 * i + 1.1) / height * 100 for i in range(len(rows))], [r[0] for r in rows]
    )
    for i, (_, value, look) in enumerate(rows):
        top, foot = (100 * (3.0 * i + at) / height for at in (1.5, 2.6))
        end = max(x.at(value), 0.3)
        parts.append(charts.rect(0, top, end, foot, f"{look} budget-bar"))
        shown = plain(value, unit, value)
        strong = " strong" * (i == len(rows) - 1)
        parts.append(charts.number(end, foot, value, unit, shown, "start" + strong, 0.4, -0.2))
    return charts.chart(title, parts, kind="rows", height=height)
