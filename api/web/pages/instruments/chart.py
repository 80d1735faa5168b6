"""The studies of a caliper, one after the other, as charts: evenly spaced and numbered as in
the table beside them, since several may be of one day."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from analysis.sentences import number as digits
from api.answers.caliper_studies import BlockStudy, SpotStudy
from api.web.pages.shared import charts
from api.web.pages.shared.charts import Scale

_LEFT, _RIGHT, _TOP, _BOTTOM = 62.0, 388.0, 26.0, 196.0
_HEIGHT: Final = 244
_MOST_NUMBERS: Final = 12
# An interval is drawn up to so many times the largest estimate; few readings make it very wide.
_TALLEST: Final = 3.0


def repeatability_chart(studies: Sequence[SpotStudy]) -> str:
    """Repeatability and, where people took part, reproducibility; empty where none is known."""
    known = [(n, s) for n, s in enumerate(studies, 1) if s.repeatability is not None]
    if not known:
        return ""
    top = 0.0
    for _, study in known:
        for part in (study.repeatability, study.reproducibility):
            if part is not None:
                top = max(top, part.sd)
    x = _across(len(studies))
    ends = [
        part.interval.high
        for _, study in known
        for part in (study.repeatability, study.reproducibility)
        if part is not None
    ]
    y = Scale(0.0, 1.05 * max(min(max(ends), _TALLEST * top), 1e-6), _BOTTOM, _TOP)
    parts = [*_frame(x, y, len(studies)), charts.text(_LEFT - 4, _TOP - 12, "mm", "end quiet")]
    both = any(study.reproducibility is not None for _, study in known)
    for n, study in known:
        assert study.repeatability is not None
        aside = 5.0 if both else 0.0
        for part, marker, kind, way in (
            (study.repeatability, charts.MARKERS[0], "s1", -aside),
            (study.reproducibility, charts.MARKERS[1], "s2", aside),
        ):
            if part is None:
                continue
            at = x.at(n) + way
            low, high = y.at(part.interval.low), y.at(min(part.interval.high, y.high))
            parts += [
                charts.line(at, low, at, high, f"interval {kind}"),
                charts.mark(at, y.at(part.sd), marker, f"mean {kind}", 5.5),
            ]
    words = "Dots: the standard deviation of one reading; bars: its 95 % interval."
    return charts.chart("Repeatability, study by study", _HEIGHT, parts, words)


def block_chart(checks: Sequence[BlockStudy]) -> str:
    """The error read on each block, check by check; a marker for each size."""
    if not checks:
        return ""
    sizes = sorted({block.size_mm for check in checks for block in check.blocks})
    ends = [0.0]
    for check in checks:
        for block in check.blocks:
            u = block.error.expanded_uncertainty or 0.0
            ends += [block.error.estimate - u, block.error.estimate + u]
    x, y = _across(len(checks)), Scale(*charts.padded(ends, 0.1), _BOTTOM, _TOP)
    parts = [*_frame(x, y, len(checks)), charts.text(_LEFT - 4, _TOP - 12, "mm", "end quiet")]
    parts.append(charts.line(_LEFT, y.at(0), _RIGHT, y.at(0), "nominal"))
    room = min(9.0, 0.6 * (_RIGHT - _LEFT) / len(checks) / max(1, len(sizes)))
    for n, check in enumerate(checks, 1):
        for block in check.blocks:
            index = sizes.index(block.size_mm)
            at = x.at(n) + (index - (len(sizes) - 1) / 2) * room
            kind, value = f"s{index % 3 + 1}", block.error.estimate
            half = block.error.expanded_uncertainty
            if half:
                low, high = y.at(value - half), y.at(value + half)
                parts.append(charts.line(at, low, at, high, f"interval {kind}"))
            marker = charts.MARKERS[index % len(charts.MARKERS)]
            parts.append(charts.mark(at, y.at(value), marker, f"mean {kind}", 5.5))
    words = "What was read minus the block's size; bars: expanded uncertainty at 95 %."
    return charts.chart("Readings of known blocks, check by check", _HEIGHT, parts, words)


def size_legend(checks: Sequence[BlockStudy]) -> list[tuple[str, float]]:
    """A small picture of each size's marker, with the size in mm."""
    sizes = sorted({block.size_mm for check in checks for block in check.blocks})
    found = []
    for i, size in enumerate(sizes):
        dot = charts.mark(8, 8, charts.MARKERS[i % len(charts.MARKERS)], f"mean s{i % 3 + 1}", 5.5)
        svg = f'<svg class="chart key" viewBox="0 0 16 16" aria-hidden="true">{dot}</svg>'
        found.append((svg, size))
    return found


def _across(count: int) -> Scale:
    return Scale(0.5, count + 0.5, _LEFT, _RIGHT)


def _frame(x: Scale, y: Scale, count: int) -> list[str]:
    parts = []
    ticks = y.ticks()
    step = min((b - a for a, b in pairwise(ticks)), default=1.0)
    decimals = next((d for d in range(7) if round(step * 10**d, 6) >= 1), 6)
    for tick in ticks:
        shown = digits(tick, decimals).replace("-", "−")
        parts += [
            charts.line(_LEFT, y.at(tick), _RIGHT, y.at(tick), "grid"),
            charts.number(_LEFT - 6, y.at(tick) + 4.5, tick, "len", shown, "end quiet"),
        ]
    every = -(-count // _MOST_NUMBERS)
    for n in range(1, count + 1, every):
        parts.append(charts.text(x.at(n), _BOTTOM + 18, str(n), "quiet"))
    middle = (_LEFT + _RIGHT) / 2
    parts.append(charts.text(middle, _BOTTOM + 38, "number of the study in the table", "quiet"))
    return parts
