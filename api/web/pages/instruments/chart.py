"""The studies of a caliper, one after the other, as charts: evenly spaced and numbered as in
the table beside them, since several may be of one day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from markupsafe import Markup

from api.answers.caliper_studies import BlockStudy, SpotStudy
from api.web.pages.shared import charts
from api.web.pages.shared.charts import Scale

# An interval is drawn up to so many times the largest estimate; few readings make it very wide.
_TALLEST: Final = 3.0


def repeatability_chart(studies: Sequence[SpotStudy]) -> Markup:
    """Repeatability and, where people took part, reproducibility; empty where none is known."""
    known = [(n, s) for n, s in enumerate(studies, 1) if s.repeatability is not None]
    if not known:
        return Markup("")
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
    y = Scale(0.0, 1.05 * max(min(max(ends), _TALLEST * top), 1e-6), 100.0, 0.0)
    parts = _frame(x, y, len(studies))
    both = any(study.reproducibility is not None for _, study in known)
    for n, study in known:
        assert study.repeatability is not None
        aside = min(2.5, 20.0 / len(studies)) if both else 0.0
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
    return charts.chart("Repeatability, study by study", parts, words)


def block_chart(checks: Sequence[BlockStudy]) -> Markup:
    """The error read on each block, check by check; a marker for each size."""
    if not checks:
        return Markup("")
    sizes = sorted({block.size_mm for check in checks for block in check.blocks})
    ends = [0.0]
    for check in checks:
        for block in check.blocks:
            u = block.error.expanded_uncertainty or 0.0
            ends += [block.error.estimate - u, block.error.estimate + u]
    x, y = _across(len(checks)), Scale(*charts.padded(ends, 0.1), 100.0, 0.0)
    parts = _frame(x, y, len(checks))
    parts.append(charts.line(0, y.at(0), 100, y.at(0), "nominal"))
    room = min(6.0, 60.0 / len(checks) / max(1, len(sizes)))
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
    return charts.chart("Readings of known blocks, series by series", parts, words)


def size_legend(checks: Sequence[BlockStudy]) -> list[tuple[Markup, float]]:
    """A small picture of each size's marker, with the size in mm."""
    sizes = sorted({block.size_mm for check in checks for block in check.blocks})
    return [
        (charts.key(charts.MARKERS[i % len(charts.MARKERS)], f"mean s{i % 3 + 1}", "", 5.5), size)
        for i, size in enumerate(sizes)
    ]


def _across(count: int) -> Scale:
    return Scale(0.5, count + 0.5, 0.0, 100.0)


def _frame(x: Scale, y: Scale, count: int) -> list[str]:
    parts = charts.values_axis(y, "mm")
    parts += charts.below([(x.at(n), str(n)) for n in range(1, count + 1)])
    parts.append(charts.text(50, 100, "number in the table", "quiet", dy=2.7))
    return parts
