"""A machine's checks through the years as a chart: phases, what was expected, what changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from markupsafe import Markup

from api.web.pages.shared import charts
from api.web.pages.shared.charts import Picture, Scale
from api.web.shapes.history import DriftOut, PhaseOut

_DAY: Final = 86_400.0
_FIRST, _LAST = 2.0, 98.0
# How much of the height is for what lies beyond the axis.
_LANE: Final = 11.0
# How far apart, in per cent of the width, two moments are drawn at least while there is room; all
# such room together takes at most half of the width.
_APART: Final = 4.0
_HALF: Final = 50.0
_TOGETHER: Final = 10.0

At = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Change:
    """A setup change by its number in the list beside the chart."""

    number: int
    at: datetime


@dataclass(frozen=True, slots=True)
class _Drawing:
    """Where a moment (in seconds) and a value stand; far: the places of the checks beyond."""

    x: At
    y: Scale
    far: frozenset[int]
    out: frozenset[int]


def history_chart(
    line: DriftOut, changes: Sequence[Change], tolerance: tuple[float, float] | None, name: str
) -> Picture:
    """The chart of one line of a history. tolerance: in the line's own unit, about nominal."""
    moments = [at.timestamp() for at in line.at]
    changes = [c for c in changes if c.at.timestamp() >= moments[0] - _DAY]
    span = [*moments, *(c.at.timestamp() for c in changes)]
    x = _spaced(span)
    drawing = _drawing(line, tolerance, x)
    y = drawing.y
    shown = [t for t in tolerance or () if y.low <= t <= y.high]
    parts = charts.values_axis(y, line.unit)
    parts += _times(min(span), max(span), x)
    parts += [charts.line(0, y.at(limit), 100, y.at(limit), "limit") for limit in shown]
    parts += _phases(line, drawing)
    for shift in line.suspected_shifts:
        first, last = (x(m.timestamp()) for m in (shift.first_at, shift.last_at))
        # A shift that is sure to a day still wants to be seen.
        parts.append(charts.rect(first - 0.8, y.at(y.high), last + 0.8, y.at(y.low), "suspect"))
    creeps = [
        charts.path([(x(c.first_at.timestamp()), y.within(c.before)),
                     (x(c.last_at.timestamp()), y.within(c.after))], "creep")
        for c in line.creeps
    ]  # fmt: skip
    parts += [charts.stretched(creeps), *_changes(changes, line, drawing), *_checks(line, drawing)]
    summary = f"{name}: {len(line.values)} series. {line.sentence}"
    outside = []
    if tolerance is not None and not shown:
        outside.append("The tolerance is outside the picture.")
    if drawing.far:
        outside.append("The axis follows the other series.")
    if _moved(span, x):
        outside.append("Series and changes near each other in time are drawn further apart.")
    keys = _keys(line, drawing, bool(shown), bool(changes))
    return Picture(charts.chart(name, parts, summary), tuple(keys), tuple(outside))


def _keys(line: DriftOut, drawing: _Drawing, limit: bool, changed: bool) -> list[Markup]:
    found = [
        charts.key("circle", "check", "mean of a series", 3.5),
        charts.line_key("bars", "its expanded uncertainty (95 %)", upright=True),
    ]
    if drawing.out - drawing.far:
        found.append(charts.key("diamond", "outside", "was outside what was expected"))
    if drawing.far:
        found.append(charts.key("triangle", "outside", "beyond the axis, with its value"))
    if any(limits is not None for limits in line.expected):
        words = "where each series was expected after those before it since the setup change"
        found.append(charts.area_key("usual", words))
    if any(_long(phase) for phase in line.phases):
        found.append(charts.line_key("centre", "mean since the last change"))
    if line.suspected_shifts:
        words = "“?”: a lasting shift most likely began here"
        found.append(charts.area_key("suspect", words))
    if line.creeps:
        found.append(charts.line_key("creep", "a creep"))
    if limit:
        found.append(charts.line_key("limit", "tolerance"))
    if changed:
        words = "setup change, by its number in the list below"
        found.append(charts.line_key("change", words, upright=True))
    return found


def _drawing(line: DriftOut, tolerance: tuple[float, float] | None, x: At) -> _Drawing:
    far = charts.strays(line.values, line.expanded_uncertainty)
    ends = [
        value + way * u
        for i, (value, u) in enumerate(zip(line.values, line.expanded_uncertainty, strict=True))
        if i not in far
        for way in (-1, 1)
    ]
    low, high = min(ends), max(ends)
    # What is far wider than all that happened would press the chart flat.
    wide = [*(tolerance or ()), *(limit for limits in line.expected if limits for limit in limits)]
    ends += [t for t in wide if low - (high - low) <= t <= high + (high - low)]
    if not far or low - 4 * (high - low) <= 0 <= high + 4 * (high - low):
        ends.append(0.0)
    low, high = charts.padded(ends)
    over, under = (any(line.values[i] > high for i in far), any(line.values[i] < low for i in far))
    y = Scale(low, high, 100.0 - _LANE * under, _LANE * over)
    out = {p for phase in line.phases for p in phase.out}
    return _Drawing(
        x, y, frozenset(far), frozenset(i for i, s in enumerate(line.series) if s in out)
    )


def _spaced(moments: Sequence[float]) -> At:
    """Places in time, with moments near each other drawn apart: between two of them, in line."""
    known = sorted(set(moments))
    if len(known) == 1:
        middle = (_FIRST + _LAST) / 2
        return lambda moment: middle + max(-middle, min(middle, (moment - known[0]) / _DAY))
    least = min(_APART, _HALF / (len(known) - 1))
    span = known[-1] - known[0]
    gaps = [(_LAST - _FIRST) * (b - a) / span for a, b in pairwise(known)]
    narrow = sum(gap <= least for gap in gaps)
    # What the narrow gaps take, the wide ones give in proportion to what they have above the least.
    spare = sum(gap - least for gap in gaps if gap > least)
    given = (_LAST - _FIRST) - least * len(gaps)
    share = given / spare if narrow and spare else 1.0
    at = [_FIRST]
    for gap in gaps:
        at.append(at[-1] + (least + max(0.0, gap - least) * share if narrow else gap))

    def place(moment: float) -> float:
        if moment <= known[0]:
            return at[0] + (moment - known[0]) / span * (_LAST - _FIRST)
        for (a, b), (first, last) in zip(pairwise(known), pairwise(at), strict=True):
            if moment <= b:
                return first + (moment - a) / (b - a) * (last - first)
        return at[-1] + (moment - known[-1]) / span * (_LAST - _FIRST)

    return place


def _moved(moments: Sequence[float], x: At) -> bool:
    """Whether some moment stands elsewhere than time alone would have it."""
    if min(moments) == max(moments):
        return False
    plain = Scale(min(moments), max(moments), _FIRST, _LAST)
    return any(abs(plain.at(m) - x(m)) > 0.5 for m in moments)


def _times(low: float, high: float, x: At) -> list[str]:
    parts = [charts.line(0, 100, 100, 100, "axis")]
    labels = []
    for moment, words in _dates(low, high):
        at = x(moment.timestamp())
        if -1 <= at <= 101:
            parts.append(charts.line(at, 100, at, 102, "axis"))
            labels.append((at, words))
    return parts + charts.below(labels)


def _dates(low: float, high: float) -> list[tuple[datetime, str]]:
    """At most five or so dates that a person would choose, in the server's own zone; within a
    day or two, the times of day."""
    begin, end = (datetime.fromtimestamp(t).astimezone() for t in (low, high))
    hours = (high - low) / 3600
    if hours < 48:
        return _hours(begin, end, hours)
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


def _hours(begin: datetime, end: datetime, hours: float) -> list[tuple[datetime, str]]:
    """The first and the last moment of a day or two, with round times between them."""
    ends = [(begin, f"{begin.day} {begin:%b %H:%M}")]
    if end - begin < timedelta(minutes=1):
        return ends
    minutes = next((m for m in (5, 10, 30, 60, 120, 180, 360) if hours * 60 / m <= 5), 720)
    midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
    times = (midnight + timedelta(minutes=n * minutes) for n in range(3 * 1440 // minutes))
    between = [(t, f"{t:%H:%M}") for t in times if begin < t < end]
    same = begin.date() == end.date()
    return [*ends, *between, (end, f"{end:%H:%M}" if same else f"{end.day} {end:%b %H:%M}")]


def _long(phase: PhaseOut) -> bool:
    return phase.stop - phase.since > 1 and phase.centre is not None


def _phases(line: DriftOut, drawing: _Drawing) -> list[str]:
    parts = []
    for phase in line.phases:
        parts += _expected(line, range(phase.start, phase.stop), drawing)
        if _long(phase):
            since, last = (drawing.x(line.at[i].timestamp()) for i in (phase.since, phase.stop - 1))
            centre = drawing.y.within(phase.centre or 0.0)
            parts.append(charts.line(since - 1, centre, last + 1, centre, "centre"))
    return parts


def _expected(line: DriftOut, checks: range, drawing: _Drawing) -> list[str]:
    """The limits within which each check of a phase was expected, as a band."""
    low, high = [], []
    for i in checks:
        limits = line.expected[i]
        if limits is not None:
            at = drawing.x(line.at[i].timestamp())
            # The first limits are wider than the picture.
            bottom, top = (drawing.y.within(v) for v in limits)
            low.append((at, bottom))
            high.append((at, top))
    if not low:
        return []
    (first, bottom), (last, top) = low[0], high[-1]
    low = [(first - 1, bottom), *low, (last + 1, low[-1][1])]
    high = [(first - 1, high[0][1]), *high, (last + 1, top)]
    return [
        charts.stretched(
            [
                charts.path([*low, *reversed(high)], "usual"),
                *(charts.path(edge, "control") for edge in (low, high)),
            ]
        )
    ]


def _changes(changes: Sequence[Change], line: DriftOut, drawing: _Drawing) -> list[str]:
    """A line for each change; above the drawing their numbers, and a "?" for a suspected shift."""
    top, foot = drawing.y.at(drawing.y.high), drawing.y.at(drawing.y.low)
    parts = []
    labels = [(drawing.x(shift.at.timestamp()), "?") for shift in line.suspected_shifts]
    for change in changes:
        at = drawing.x(change.at.timestamp())
        parts.append(charts.line(at, top, at, foot, "change"))
        labels.append((at, str(change.number)))
    together: list[tuple[float, list[str]]] = []
    for at, words in sorted(labels):
        # What would run into one another stands together.
        if together and at - together[-1][0] < _TOGETHER * (1 + len(together[-1][1]) / 2):
            together[-1][1].append(words)
        else:
            together.append((at, [words]))
    for at, found in together:
        numbers = [words for words in found if words != "?"]
        shown = "–".join(dict.fromkeys((numbers[0], numbers[-1]))) if numbers else ""
        shown += " ?" * ("?" in found)
        # Clear of the number of the axis at the corner.
        kind = "change-word start" if at < _APART + _FIRST else "change-word"
        parts.append(charts.text(at, 0, shown.strip(), kind, dy=-0.5))
    return parts


def _checks(line: DriftOut, drawing: _Drawing) -> list[str]:
    y = drawing.y
    places = [
        (i, drawing.x(at.timestamp()), value, u)
        for i, (at, value, u) in enumerate(
            zip(line.at, line.values, line.expanded_uncertainty, strict=True)
        )
    ]
    # One path for all bars: five years stay small and quick to draw.
    bars = "".join(
        f"M{x:.2f} {y.at(value - u):.2f}V{y.at(value + u):.2f}"
        for i, x, value, u in places
        if i not in drawing.far
    )
    crowded = " many" if len(places) > 60 else ""
    parts = [charts.stretched([charts.drawn(bars, f"bars{crowded}")])]
    for i, x, value, _ in places:
        if i in drawing.far:
            over = value > y.high
            at = _LANE / 2 if over else 100 - _LANE / 2
            parts.append(charts.mark(x, at, "triangle" if over else "down", "outside", 5.5))
        elif i in drawing.out:
            parts.append(charts.mark(x, y.at(value), "diamond", "outside", 3.5 if crowded else 6))
        else:
            parts.append(charts.mark(x, y.at(value), "circle", "check", 1.6 if crowded else 3.5))
    return parts + _furthest(line, drawing)


def _furthest(line: DriftOut, drawing: _Drawing) -> list[str]:
    """The furthest value beyond each edge, beside its mark."""
    parts = []
    for over in (True, False):
        here = [i for i in drawing.far if (line.values[i] > drawing.y.high) == over]
        if here:
            places = [drawing.x(line.at[i].timestamp()) for i in here]
            furthest = max(here, key=lambda i: abs(line.values[i]))
            value, u = line.values[furthest], line.expanded_uncertainty[furthest]
            shown = charts.plain(value, line.unit, u or 0.01)
            x, kind, dx = charts.beside(places)
            at = _LANE / 2 if over else 100 - _LANE / 2
            parts.append(charts.number(x, at, value, line.unit, shown, kind, dx, 0.35))
    return parts
