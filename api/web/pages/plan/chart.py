"""What could be seen, as a picture: the smallest error against the number of trials."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from api.web.pages.shared.charts import WIDTH, Scale, chart, line, mark, number, path, text

_LEFT, _RIGHT, _TOP, _BOTTOM = 58, WIDTH - 76, 26, 240
FEWEST: Final = 2
MOST: Final = 20


@dataclass(frozen=True, slots=True)
class Curve:
    """One width: `words` beside its end; smallest_deg for FEWEST to MOST cuts."""

    words: str
    smallest_deg: Sequence[float]
    asked: bool = False


def picture(
    curves: Sequence[Curve], error_deg: float, cuts: int | None, noun: str = "trial"
) -> str:
    """One line for each width, the error asked for across, and the cuts that see it.

    Empty text without curves.
    """
    if not curves:
        return ""
    values = [v for c in curves for v in c.smallest_deg] + [error_deg]
    y = Scale(min(values) / 1.2, max(values) * 1.2, _BOTTOM, _TOP, logarithmic=True)
    x = Scale(FEWEST, MOST, _LEFT, _RIGHT)
    parts = [
        text(_LEFT - 50, 14, "smallest error seen", "start quiet"),
        text((_LEFT + _RIGHT) / 2, _BOTTOM + 38, f"number of {noun}s", "quiet"),
        line(_LEFT, _TOP, _LEFT, _BOTTOM, "axis"),
        line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, "axis"),
    ]
    for tick in y.ticks(6):
        parts += [
            line(_LEFT, y.at(tick), _RIGHT, y.at(tick), "grid"),
            number(_LEFT - 6, y.at(tick) + 4, tick, "ang", f"{_plain(tick)}°", "end"),
        ]
    for tick in (2, 5, 10, 15, 20):
        parts += [
            line(x.at(tick), _BOTTOM, x.at(tick), _BOTTOM + 5, "axis"),
            text(x.at(tick), _BOTTOM + 20, str(tick)),
        ]
    asked_at = y.at(error_deg)
    parts.append(line(_LEFT, asked_at, _RIGHT, asked_at, "limit"))
    heights = _apart([y.at(c.smallest_deg[-1]) for c in curves], 15)
    for index, (curve, height) in enumerate(zip(curves, heights, strict=True)):
        kind = f"curve s{index % 3 + 1} dash{index % 4 + 1}" + (" asked" if curve.asked else "")
        points = [(x.at(n), y.at(v)) for n, v in enumerate(curve.smallest_deg, FEWEST)]
        parts += [
            path(points, kind),
            text(_RIGHT + 6, height + 4, curve.words, "start strong" if curve.asked else "start"),
        ]
    # Where no lines are: they start high at the left and end low at the right.
    low = asked_at > (_TOP + _BOTTOM) / 2
    where = (_LEFT + 6, "start halo") if low else (_RIGHT, "end halo")
    parts.append(text(where[0], asked_at - 7, "the error asked for", where[1]))
    if cuts is not None and FEWEST <= cuts <= MOST:
        words = f"{cuts} {noun}s are the fewest that see it"
        parts.append(mark(x.at(cuts), asked_at, "diamond", "mean", 7, words))
    return chart(
        f"The smallest error that can be seen, for each number of {noun}s and each width",
        _BOTTOM + 46,
        parts,
        f"More {noun}s and wider boards see smaller errors; the table below has the numbers.",
    )


def _plain(value: float) -> str:
    return f"{value:.{max(0, -math.floor(math.log10(value) + 1e-9))}f}"


def _apart(heights: Sequence[float], least: float) -> list[float]:
    """The heights moved apart so that the words beside them do not overlap."""
    order = sorted(range(len(heights)), key=lambda i: heights[i])
    moved = list(heights)
    for above, below in pairwise(order):
        moved[below] = max(moved[below], moved[above] + least)
    # What was pushed out at the bottom pushes back up.
    over = max(moved) - (_BOTTOM - 2)
    for at in reversed(order):
        if over > 0:
            moved[at] = min(moved[at], _BOTTOM - 2 - least * (len(order) - 1 - order.index(at)))
    return moved
