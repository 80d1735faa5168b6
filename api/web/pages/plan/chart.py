"""What could be seen, as a picture: the smallest error against the number of trials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from api.web.pages.shared import charts
from api.web.pages.shared.charts import Picture, Scale

FEWEST: Final = 2
MOST: Final = 20
# Words at the ends of two lines stand at least so far apart, in per cent of the height.
_APART: Final = 10.0


@dataclass(frozen=True, slots=True)
class Curve:
    """One width: `words` beside its end; smallest_deg for FEWEST to MOST cuts."""

    words: str
    smallest_deg: Sequence[float]
    asked: bool = False


def picture(
    curves: Sequence[Curve], error_deg: float, cuts: int | None, noun: str, base: str
) -> Picture:
    """One line for each width, the error asked for across, and the cuts that see it. base: what
    the widths are of.

    Empty without curves.
    """
    if not curves:
        return Picture()
    values = [v for c in curves for v in c.smallest_deg] + [error_deg]
    y = Scale(min(values) / 1.2, max(values) * 1.2, 100, 0, logarithmic=True)
    x = Scale(FEWEST, MOST, 0, 100)
    parts = [
        charts.text(0, 0, "smallest error seen", "start quiet", dx=-4.5, dy=-0.7),
        charts.text(50, 100, f"number of {noun}s", "quiet", dy=2.7),
        charts.line(0, 0, 0, 100, "axis"),
        charts.line(0, 100, 100, 100, "axis"),
    ]
    for tick in y.ticks(6):
        parts.append(charts.line(0, y.at(tick), 100, y.at(tick), "grid"))
        shown = charts.plain(tick, "deg", tick)
        parts.append(charts.number(0, y.at(tick), tick, "deg", shown, "end", -0.5, 0.35))
    ticks = (2, 5, 10, 15, 20)
    parts += [charts.line(x.at(t), 100, x.at(t), 102, "axis") for t in ticks]
    parts += charts.below([(x.at(t), str(t)) for t in ticks])
    asked_at = y.at(error_deg)
    parts.append(charts.line(0, asked_at, 100, asked_at, "limit"))
    heights = _apart([y.at(c.smallest_deg[-1]) for c in curves])
    looks = [
        f"curve s{i % 3 + 1} dash{i % 4 + 1}" + (" asked" if curve.asked else "")
        for i, curve in enumerate(curves)
    ]
    lines = []
    for curve, height, kind in zip(curves, heights, looks, strict=True):
        points = [(x.at(n), y.at(v)) for n, v in enumerate(curve.smallest_deg, FEWEST)]
        lines.append(charts.path(points, kind))
        strong = "start strong" if curve.asked else "start"
        parts.append(charts.text(100, height, curve.words, strong, 0.5, 0.35))
    parts.append(charts.stretched(lines))
    keys = [charts.line_key("curve s1", f"one {base}, named at its right end")]
    keys += [charts.line_key(look, "yours") for look in looks if look.endswith("asked")]
    keys.append(charts.line_key("limit", "the error asked for"))
    if cuts is not None and FEWEST <= cuts <= MOST:
        words = f"{cuts} {noun}s are the fewest that see it"
        parts.append(charts.mark(x.at(cuts), asked_at, "diamond", "mean", 6, words))
        keys.append(charts.key("diamond", "mean", words))
    svg = charts.chart(
        f"The smallest error that can be seen, for each number of {noun}s and each width",
        parts,
        f"More {noun}s and wider boards see smaller errors; the table below has the numbers.",
        kind="plot ends",
    )
    return Picture(svg, tuple(keys))


def _apart(heights: Sequence[float]) -> list[float]:
    """The heights moved apart so that the words beside them do not overlap."""
    order = sorted(range(len(heights)), key=lambda i: heights[i])
    moved = list(heights)
    for above, below in pairwise(order):
        moved[below] = max(moved[below], moved[above] + _APART)
    # What was pushed out at the bottom pushes back up.
    if max(moved) > 98.0:
        for place, at in enumerate(reversed(order)):
            moved[at] = min(moved[at], 98.0 - _APART * place)
    return moved
