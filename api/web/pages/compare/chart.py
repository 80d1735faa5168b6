"""Series side by side as a picture: the dot of every trial, means, and how far they spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from api.web.pages.shared.charts import (
    MARKERS,
    WIDTH,
    Marker,
    Scale,
    chart,
    line,
    mark,
    number,
    padded,
    rect,
    short,
    text,
)

_ROW: Final = 74
_TOP: Final = 8
_LEFT, _RIGHT = 14, WIDTH - 14


@dataclass(frozen=True, slots=True)
class Row:
    """One series. values, low and high: of its trials; half: of the mean's interval."""

    name: str
    values: Sequence[float]
    mean: float | None
    half: float | None


def marker(index: int) -> Marker:
    """The shape of the series at `index` of the list."""
    return MARKERS[index % len(MARKERS)]


def letter(index: int) -> str:
    return chr(ord("A") + index)


def picture(rows: Sequence[Row], unit: Literal["deg", "mm"], *, from_nominal: bool) -> str:
    """The series one below the other over one axis; empty text where none has a trial."""
    everything = [v for row in rows for v in row.values]
    everything += [
        row.mean + way * (row.half or 0.0)
        for row in rows
        if row.mean is not None
        for way in (-1, 1)
    ]
    if not everything:
        return ""
    x = Scale(*padded([*everything, 0.0] if from_nominal else everything), _LEFT, _RIGHT)
    bottom = _TOP + _ROW * len(rows)
    parts = _axis(x, bottom, unit)
    if from_nominal:
        parts.append(line(x.at(0), _TOP, x.at(0), bottom, "nominal"))
    for index, row in enumerate(rows):
        parts += _row(row, index, x)
    words = "; ".join(f"{letter(i)}: {row.name}" for i, row in enumerate(rows))
    title = f"Every trial of {len(rows)} series, their means and how far they spread"
    return chart(title, bottom + 40, parts, words)


def _row(row: Row, index: int, x: Scale) -> list[str]:
    top, kind = _TOP + _ROW * index, f"s{index % 3 + 1}"
    parts = [line(_LEFT, top + _ROW - 4, _RIGHT, top + _ROW - 4, "grid")]
    parts += [
        mark(_LEFT + 5, top + 11, marker(index), f"mean {kind}", 5),
        text(_LEFT + 16, top + 16, f"{letter(index)} {short(row.name)}", "start strong halo"),
    ]
    if not row.values:
        parts.append(text(_LEFT, top + 44, "no trials yet", "start quiet"))
        return parts
    parts.append(
        rect(x.at(min(row.values)), top + 24, x.at(max(row.values)), top + 44, f"spread {kind}")
    )
    for at, value in enumerate(row.values):
        # Three heights in turn, so that equal trials do not hide each other.
        y = top + 34 + 5 * (at % 3 - 1)
        parts.append(mark(x.at(value), y, marker(index), f"dot {kind}", 4))
    if row.mean is not None:
        y = top + 56
        if row.half is not None:
            low, high = x.at(row.mean - row.half), x.at(row.mean + row.half)
            parts += [
                line(low, y, high, y, f"interval {kind}"),
                line(low, y - 5, low, y + 5, f"cap {kind}"),
                line(high, y - 5, high, y + 5, f"cap {kind}"),
            ]
        parts.append(mark(x.at(row.mean), y, marker(index), f"mean {kind}", 6))
    return parts


def _axis(x: Scale, bottom: float, unit: Literal["deg", "mm"]) -> list[str]:
    parts = [line(_LEFT, bottom, _RIGHT, bottom, "axis")]
    ticks = x.ticks(6)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else abs(ticks[0]) or 1.0
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    for tick in ticks:
        at = x.at(tick)
        shown = f"{abs(tick):.{decimals}f}"
        sign = "−" if tick < 0 and float(shown) else ""
        parts += [
            line(at, bottom, at, bottom + 5, "axis"),
            number(
                min(max(at, 20), WIDTH - 20),
                bottom + 20,
                tick,
                "ang" if unit == "deg" else "len",
                f"{sign}{shown}{'°' if unit == 'deg' else ' mm'}",
            ),
        ]
    return parts
