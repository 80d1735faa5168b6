"""A machine's checks through the years as a chart: phases, what was expected, what changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final, Literal

from analysis.sentences import number
from api.web.pages.shared import charts
from api.web.pages.shared.charts import Scale
from api.web.shapes.history import DriftOut

_LEFT, _RIGHT, _TOP, _BOTTOM = 60.0, 392.0, 26.0, 212.0
_HEIGHT: Final = 250
_DAY: Final = 86_400.0
_LETTER: Final = 8.0  # how wide one is, about
# More marks than this would run into one another.
_MOST_NUMBERS: Final = 14


@dataclass(frozen=True, slots=True)
class Change:
    """A setup change by its number in the list beside the chart."""

    number: int
    at: datetime


def history_chart(
    line: DriftOut, changes: Sequence[Change], tolerance: tuple[float, float] | None, name: str
) -> str:
    """The chart of one line of a history. tolerance: in the line's own unit, about nominal."""
    moments = [at.timestamp() for at in line.at]
    since = [c.at.timestamp() for c in changes if c.at > line.at[-1]]
    x = Scale(*_wide([*moments, *since]), _LEFT + 6, _RIGHT - 6)
    y = Scale(*_tall(line, tolerance), _BOTTOM, _TOP)
    parts = [*_grid(line, y), *_days(x)]
    for limit in tolerance or ():
        if y.low <= limit <= y.high:
            parts.append(charts.line(_LEFT, y.at(limit), _RIGHT, y.at(limit), "limit"))
    parts += _phases(line, x, y)
    for shift in line.suspected_shifts:
        first, last = (x.at(m.timestamp()) for m in (shift.first_at, shift.last_at))
        # A shift that is sure to a day still wants to be seen.
        parts.append(charts.rect(first - 2, _TOP, last + 2, _BOTTOM, "suspect"))
        parts.append(charts.text(x.at(shift.at.timestamp()), _TOP + 13, "?", "strong halo"))
    for creep in line.creeps:
        ends = ((creep.first_at, creep.before), (creep.last_at, creep.after))
        parts.append(charts.path([(x.at(m.timestamp()), y.at(v)) for m, v in ends], "creep"))
    parts += _changes(changes, x)
    parts += _checks(line, moments, x, y)
    summary = f"{name}: {len(line.values)} checks. {line.sentence}"
    return charts.chart(name, _HEIGHT, parts, summary)


def _wide(moments: Sequence[float]) -> tuple[float, float]:
    low, high = min(moments), max(moments)
    room = max((high - low) * 0.02, _DAY)
    return low - room, high + room


def _tall(line: DriftOut, tolerance: tuple[float, float] | None) -> tuple[float, float]:
    ends = [0.0]
    for value, u in zip(line.values, line.expanded_uncertainty, strict=True):
        ends += (value - u, value + u)
    low, high = min(ends), max(ends)
    # What is far wider than all that happened would press the chart flat.
    wide = [*(tolerance or ()), *(limit for limits in line.expected if limits for limit in limits)]
    ends += [t for t in wide if low - (high - low) <= t <= high + (high - low)]
    return charts.padded(ends)


def _grid(line: DriftOut, y: Scale) -> list[str]:
    parts = []
    of: Literal["ang", "len"] = "ang" if line.unit == "deg" else "len"
    word = "°" if of == "ang" else ""
    ticks = y.ticks()
    step = min((b - a for a, b in pairwise(ticks)), default=1.0)
    decimals = max(0, min(6, -_exponent(step)))
    for tick in ticks:
        kind = "nominal" if abs(tick) < step / 1e6 else "grid"
        parts.append(charts.line(_LEFT, y.at(tick), _RIGHT, y.at(tick), kind))
        shown = number(tick, decimals).replace("-", "−") + word
        parts.append(charts.number(_LEFT - 5, y.at(tick) + 4, tick, of, shown, "end"))
    return parts


def _exponent(step: float) -> int:
    return int(f"{step:.0e}".partition("e")[2])


def _days(x: Scale) -> list[str]:
    parts = [charts.line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, "axis")]
    free = 0.0  # where the words so far end
    for moment, words in _dates(x.low, x.high):
        at = x.at(moment.timestamp())
        if not _LEFT <= at <= _RIGHT:
            continue
        parts.append(charts.line(at, _BOTTOM, at, _BOTTOM + 5, "axis"))
        half = _LETTER * len(words) / 2
        middle = min(at, charts.WIDTH - 2 - half)
        if middle - half >= free:
            parts.append(charts.text(middle, _BOTTOM + 20, words, "quiet"))
            free = middle + half + _LETTER
    return parts


def _dates(low: float, high: float) -> list[tuple[datetime, str]]:
    """At most five or so dates that a person would choose, in the server's own zone."""
    begin, end = (datetime.fromtimestamp(t).astimezone() for t in (low, high))
    days = (end - begin).days
    if days < 120:
        step = next((s for s in (1, 2, 7, 14) if days / s <= 5), 28)
        first = begin.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        found = [first + timedelta(days=n * step) for n in range(days // step + 1)]
        return [(d, f"{d.day} {d:%b}") for d in found if d <= end]
    months = days / 30.44
    step = next((s for s in (1, 2, 3, 6, 12, 24, 36) if months / s <= 5), 60)
    found = []
    month = (begin.year * 12 + begin.month) // step * step
    while (year := month // 12) <= end.year + 1:
        moment = datetime(max(year, 1), month % 12 + 1, 1).astimezone()
        if begin <= moment <= end:
            found.append(moment)
        month += step
    return [(d, f"{d:%Y}" if step >= 12 and d.month == 1 else f"{d:%b %Y}") for d in found]


def _phases(line: DriftOut, x: Scale, y: Scale) -> list[str]:
    parts = []
    for phase in line.phases:
        parts += _expected(line, range(phase.start, phase.stop), x, y)
        if phase.stop - phase.since > 1 and phase.centre is not None:
            since, last = (x.at(line.at[i].timestamp()) for i in (phase.since, phase.stop - 1))
            centre = y.at(phase.centre)
            parts.append(charts.line(since - 4, centre, last + 4, centre, "centre"))
    return parts


def _expected(line: DriftOut, checks: range, x: Scale, y: Scale) -> list[str]:
    """The limits within which each check of a phase was expected, as a band."""
    low, high = [], []
    for i in checks:
        limits = line.expected[i]
        if limits is not None:
            at = x.at(line.at[i].timestamp())
            # The first limits are wider than the picture.
            bottom, top = (min(max(y.at(v), _TOP), _BOTTOM) for v in limits)
            low.append((at, bottom))
            high.append((at, top))
    if not low:
        return []
    (first, bottom), (last, top) = low[0], high[-1]
    low = [(first - 4, bottom), *low, (last + 4, low[-1][1])]
    high = [(first - 4, high[0][1]), *high, (last + 4, top)]
    return [
        charts.path([*low, *reversed(high)], "usual"),
        *(charts.path(edge, "control") for edge in (low, high)),
    ]


def _changes(changes: Sequence[Change], x: Scale) -> list[str]:
    parts = []
    for change in changes:
        at = x.at(change.at.timestamp())
        if not _LEFT <= at <= _RIGHT:
            continue
        parts.append(charts.line(at, _TOP - 4, at, _BOTTOM, "change"))
        if len(changes) <= _MOST_NUMBERS:
            parts.append(
                f'<circle class="change-number" cx="{at:.1f}" cy="{_TOP - 13:.1f}" r="9"/>'
            )
            parts.append(charts.text(at, _TOP - 8.5, str(change.number), "change-word"))
    return parts


def _checks(line: DriftOut, moments: Sequence[float], x: Scale, y: Scale) -> list[str]:
    places = [(x.at(m), y.at(v)) for m, v in zip(moments, line.values, strict=True)]
    # One path for all bars and one for all dots: five years stay small and quick to draw.
    bars = "".join(
        f"M{px:.1f} {y.at(v - u):.1f}V{y.at(v + u):.1f}"
        for (px, _), v, u in zip(places, line.values, line.expanded_uncertainty, strict=True)
    )
    out = {i for p in line.phases for i in p.out}
    dots = "".join(
        f"M{px:.1f} {py:.1f}h0"
        for (px, py), series in zip(places, line.series, strict=True)
        if series not in out
    )
    crowded = " many" if len(places) > 60 else ""
    parts = [f'<path class="bars{crowded}" d="{bars}"/>']
    if dots:
        parts.append(f'<path class="dots{crowded}" d="{dots}"/>')
    for (px, py), series in zip(places, line.series, strict=True):
        if series in out:
            parts.append(charts.mark(px, py, "diamond", "outside", 3.5 if crowded else 6))
    return parts
