"""The pictures of a work: what is known of each stop beside what is allowed, and the worst gap."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from analysis.sentences import plain
from analysis.units import Unit
from analysis.work import Words
from api.web.pages.shared import charts
from api.web.pages.shared.charts import Picture, Scale

# Heights of a row and of what is above and below all rows, in lines of words.
_ROW, _TOP, _FOOT = 3.0, 1.6, 2.0
# Where bars end, so that their values stand beside them.
_VALUES: Final = 62.0


@dataclass(frozen=True, slots=True)
class KnownError:
    """The error of a stop and its expanded uncertainty."""

    words: str
    error_deg: float
    expanded_deg: float


def errors_picture(known: Sequence[KnownError], limit_deg: float) -> Picture:
    """Each error with its interval, and the limits. Empty where nothing is known."""
    if not known:
        return Picture()
    far = charts.strays([k.error_deg for k in known], [k.expanded_deg for k in known])
    held = [abs(k.error_deg) + k.expanded_deg for i, k in enumerate(known) if i not in far]
    most = max(limit_deg, *held) * 1.15
    x = Scale(-most, most, 2.0, 98.0)
    height = _TOP + _ROW * len(known) + _FOOT
    y = Scale(0.0, height, 0.0, 100.0)
    parts = [charts.text(0, y.at(1.0), "error of the stop", "start quiet")]
    tops = [_TOP + _ROW * row for row in range(len(known))]
    for top in tops:
        # Beside each name nothing is drawn.
        lane = (y.at(top + 1.5), y.at(top + _ROW))
        parts.append(charts.rect(x.at(-limit_deg), lane[0], x.at(limit_deg), lane[1], "band"))
        parts.append(charts.line(x.at(0), lane[0], x.at(0), lane[1], "nominal"))
        parts += [
            charts.line(x.at(way * limit_deg), lane[0], x.at(way * limit_deg), lane[1], "limit")
            for way in (-1, 1)
        ]
    parts += charts.names([y.at(top + 1.2) for top in tops], [k.words for k in known])
    for index, (each, top) in enumerate(zip(known, tops, strict=True)):
        parts += _error(each, y.at(top + 2.25), x, beyond=index in far)
    for way in (-1, 1):
        at, shown = x.at(way * limit_deg), _signed(way * limit_deg)
        # Away from each other, unless the edge is near.
        kind = ("start" if at < 30 else "end") if way < 0 else ("end" if at > 70 else "start")
        parts.append(charts.number(at, 100, way * limit_deg, "deg", shown, kind, dy=-0.4))
    keys = [
        charts.key("circle", "mean", "mean error"),
        charts.line_key("interval", "its expanded uncertainty (95 %)"),
        charts.line_key("nominal", "nominal", upright=True),
        charts.area_key("band", "allowed"),
    ]
    if far:
        keys.append(charts.key("cross", "beyond", "beyond the axis, with its value"))
    svg = charts.chart(
        "The error of each stop, with its uncertainty, beside what the work allows",
        parts,
        "The list below says the same.",
        kind="rows",
        height=height,
    )
    return Picture(svg, tuple(keys))


def _error(each: KnownError, at: float, x: Scale, *, beyond: bool) -> list[str]:
    low, high = (x.within(each.error_deg + way * each.expanded_deg) for way in (-1, 1))
    if not beyond:
        return [
            charts.line(low, at, high, at, "interval"),
            charts.mark(x.at(each.error_deg), at, "circle", "mean", 6),
        ]
    right = each.error_deg > 0
    edge, kind, dx = (98.0, "end", -0.6) if right else (2.0, "start", 0.6)
    shown = _signed(each.error_deg)
    return [
        charts.mark(edge, at, "cross", "beyond", 4.5),
        charts.number(edge, at, each.error_deg, "deg", shown, kind + " halo", dx, 0.35),
    ]


@dataclass(frozen=True, slots=True)
class Gap:
    """What the worst joint stays within in 95 of 100 works."""

    words: str
    gap_mm: float


def gaps_picture(gaps: Sequence[Gap], accepted_mm: float, unit: Unit) -> Picture:
    """A bar for each, and the accepted gap; unit: of the work."""
    say = Words(unit)
    x = Scale(0, max(accepted_mm, *(g.gap_mm for g in gaps)), 0.0, _VALUES)
    height = _TOP + _ROW * len(gaps) + _FOOT
    y = Scale(0.0, height, 0.0, 100.0)
    tops = [_TOP + _ROW * row for row in range(len(gaps))]
    parts = [charts.text(0, y.at(1.0), "worst gap in 95 of 100", "start quiet")]
    parts += charts.names([y.at(top + 1.2) for top in tops], [g.words for g in gaps])
    for each, top in zip(gaps, tops, strict=True):
        first, last = y.at(top + 1.5), y.at(top + 2.7)
        at = x.at(each.gap_mm)
        parts += [
            charts.rect(0, first, at, last, "spread s1"),
            charts.line(at, first, at, last, "cap s1"),
            charts.line(x.at(accepted_mm), first, x.at(accepted_mm), last, "limit"),
            # Beside all bars, since the accepted gap may stand at the end of any.
            charts.number(100, last, each.gap_mm, "mm", say.small(each.gap_mm), "end",
                          dy=-0.25),
        ]  # fmt: skip
    at = x.at(accepted_mm)
    parts.append(charts.text(at, 100, "accepted", "start" if at < 20 else "", dy=-0.4))
    svg = charts.chart(
        "How far the worst joint stands open, as the stops are now and without the error of each",
        parts,
        "The sentences beside it say the same.",
        kind="rows",
        height=height,
    )
    keys = (
        charts.area_key("spread s1", "what the worst joint stays within"),
        charts.line_key("limit", "the accepted gap", upright=True),
    )
    return Picture(svg, keys)


def _signed(degrees: float) -> str:
    sign = "−" if degrees < 0 else "+"
    return f"{sign}{plain(abs(degrees), 3)}°"
