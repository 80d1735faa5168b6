"""Series side by side: what the store holds of them, and what the analysis says of that.

Angles are radians on the way to the analysis and degrees on the way out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import Any, Final, Literal
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from analysis import adjustment, comparison, geometry, returning
from analysis.conversions import SizeUnit
from analysis.interval import Interval
from analysis.methods import Method, Quantity, Relation, method
from analysis.spread import Summary
from analysis.uncertainty import rounding
from analysis.units import MM_PER_INCH, mm, parse_length
from api.answers.series import series as whole_series
from api.errors import InvalidField
from api.store.facts import facts_of, resolution_mm, tolerance_of
from api.store.rows.machines import setup_changes
from api.web import convert
from api.web.shapes import IntervalOut, Out, ScoreOut, SeriesHead, SetupChangeOut, TrialOut

MOST: Final = 12
"""More series than this side by side say nothing to a reader."""

# The lines of a budget that all trials of a series share, as their beginnings.
_SYSTEMATIC: Final = ("caliper scale", "length of the cut", "thickness", "inset", "straightness")
_ZERO: Final = "caliper zero"


# ---------------------------------------------------------------- what goes out


class ComparedSeries(Out):
    """A series as it takes part: `name` is what the sentences call it."""

    name: str
    head: SeriesHead
    score: ScoreOut
    calipers: list[str]


class ComparedTrial(Out):
    trial: UUID
    number: int
    value: float


class ComparedValues(Out):
    """The values of one series, one for each trial that counts, and what they come to.

    Where all series state the length they should have, `out_by` is the mean less that length;
    for an angle it is the mean. Null for no trials (mean) or fewer than two (sd, range).
    """

    series: UUID
    trials: int
    mean: float | None
    out_by: float | None
    sd: float | None
    low: float | None
    high: float | None
    range: float | None
    values: list[ComparedTrial]


class DifferenceOut(Out):
    """Second less first; Welch's interval and test (NIST e-Handbook 1.3.5.3)."""

    estimate: float
    standard_error: float | None
    degrees_of_freedom: float | None
    t: float | None
    p: float | None
    interval: IntervalOut | None


class SpreadRatioOut(Out):
    """Spread of the second over the first (NIST e-Handbook 1.3.5.9 or 1.3.5.10, by `rule`)."""

    ratio: float | None
    interval: IntervalOut | None
    p: float | None
    rule: Literal["F", "Brown-Forsythe"]


class Finding(Out):
    """Which series it is, null for neither; `shown`: the data prove it, at 95 %."""

    series: UUID | None
    shown: bool


class PairOut(Out):
    first: UUID
    second: UUID
    difference: DifferenceOut
    p_adjusted: float | None
    differs: bool


class ManyOut(Out):
    """Three or more: do any differ (analysis of variance), and which pairs (Bonferroni)."""

    anova_p: float | None
    equal_spreads_p: float | None
    pairs: list[PairOut]
    rule: str
    sentence: str


class QuantityComparison(Out):
    """`further_out` (of the means) and `less_steady` (of the spreads) are two questions.

    Differences and ratios are second against first: `b` against `a`.
    """

    unit: Literal["deg", "mm"]
    series: list[ComparedValues]
    difference: DifferenceOut | None
    spread_ratio: SpreadRatioOut | None
    further_out: Finding
    less_steady: Finding
    sentence: str
    many: ManyOut | None


class ComparisonOut(Out):
    series: list[ComparedSeries]
    quantities: dict[str, QuantityComparison]
    notes: list[str]


class BeforeAfter(Out):
    """Two series of one machine, and what happened to it between them."""

    before: ComparedSeries
    after: ComparedSeries
    setup_changes: list[SetupChangeOut]
    quantity: str
    unit: Literal["deg", "mm"]
    values: list[ComparedValues]
    sentence: str
    notes: list[str]


class ReturnOut(BeforeAfter):
    """Did it come back to its stop. `more_cuts`: how many more would tell; 0 when it is known,
    null where no number would. `margin`: the largest shift that does not matter."""

    answer: Literal["came back", "did not", "cannot tell"]
    way: str | None
    shift: DifferenceOut | None
    expected: IntervalOut | None
    margin: float | None
    margin_from: Literal["given", "half the tolerance"] | None
    p_within: float | None
    more_cuts: int | None


Helped = Literal["helped", "made it worse", "cannot tell", "nothing was changed"]


class AdjustmentOut(BeforeAfter):
    """Did an adjustment help. `change`: distance from nominal after, less before."""

    answer: Helped
    change: float | None
    interval: IntervalOut | None


# ---------------------------------------------------------------- what is compared


@dataclass(frozen=True)
class Side:
    """One series with all that a comparison asks of it."""

    head: SeriesHead
    score: ScoreOut
    trials: list[TrialOut]
    calipers: frozenset[str]
    resolution_mm: float
    tolerance: float | None  # half of its width, radians or mm
    nominal_mm: float | None

    @cached_property
    def method(self) -> Method:
        return method(self.head.method)

    def counted(self, quantity: Quantity) -> list[tuple[TrialOut, float]]:
        """The complete trials that say something of `quantity`; radians or mm."""
        return [
            (trial, value if quantity == "length" else math.radians(value))
            for trial in self.trials
            if trial.state == "complete" and (value := value_of(trial, quantity)) is not None
        ]

    def least_sd(self, quantity: Quantity) -> float:
        """Standard deviation of one trial that the caliper's rounding alone makes."""
        relation = self.method.relation(quantity)
        assert relation is not None
        contrast = math.hypot(*relation.weights) * rounding(self.resolution_mm)
        if not relation.terms:
            return contrast
        pieces = geometry.pieces_of(self.method, self.head.pieces)
        return contrast / (float(geometry.slope(relation, 0.0, pieces)) * self.base_mm(relation))

    def base_mm(self, relation: Relation) -> float:
        """The length that counts of an angle's or a tilt's relation."""
        head = self.head
        base = geometry.base_mm(
            relation,
            _length(head.baseline, head),
            _length(head.thickness, head),
            _length(head.inset, head) or 0.0,
        )
        assert base is not None  # no series begins without the lengths that its method asks
        return base

    def systematic(self, quantity: Quantity, *, zero: bool) -> float:
        """Standard uncertainty of the mean that more trials would not lessen.

        The caliper's zero, which only lengths feel, with `zero` alone or without it.
        """
        scored = self.score.quantities.get(quantity)
        lines = [
            line.contribution
            for line in (scored.budget if scored else [])
            if line.source.startswith(_ZERO if zero else _SYSTEMATIC)
        ]
        u = math.hypot(*lines)
        return u if quantity == "length" else math.radians(u)


def value_of(trial: TrialOut, quantity: Quantity) -> float | None:
    """In degrees or mm; None where the trial does not show it."""
    if quantity == "angle":
        return trial.angle_deg
    return trial.tilt_deg if quantity == "tilt" else trial.length_mm


def side(connection: Connection, series: UUID) -> Side:
    """The series as it stands. Raises NotFound where no series has that id."""
    found = whole_series(connection, series)
    row, whole = found.row, convert.series_out(found)
    sent = [(r.sent, r.unit) for t in whole.trials for r in t.readings]
    places = method(row.method).places
    facts = facts_of(row, np.empty((0, len(places), row.repeats)), resolution_mm(sent))
    tolerance = tolerance_of(row)
    nominal = None
    if row.tolerance_nominal is not None:
        nominal = mm(parse_length(row.tolerance_nominal, row.unit))
    elif facts.method.judges == "caliper":
        nominal = facts.baseline_mm
    return Side(
        head=SeriesHead.model_validate(whole.model_dump(include=set(SeriesHead.model_fields))),
        score=whole.score,
        trials=whole.trials,
        calipers=frozenset(r.caliper for t in whole.trials for r in t.readings),
        resolution_mm=facts.resolution_mm,
        tolerance=None if tolerance is None else (tolerance.high - tolerance.low) / 2,
        nominal_mm=nominal,
    )


def sides(connection: Connection, asked: Sequence[tuple[str, UUID]]) -> list[Side]:
    """The series asked for, each under the name of its field.

    Raises NotFound where one does not exist, InvalidField where one is asked for twice, there are
    too many, or their methods reveal nothing in common.
    """
    if len(asked) > MOST:
        raise InvalidField(asked[MOST][0], f"{len(asked)} series are too many; give at most {MOST}")
    seen: dict[UUID, str] = {}
    for field, series in asked:
        if series in seen:
            raise InvalidField(field, f"is the same series as {seen[series]}; choose another")
        seen[series] = field
    found = [side(connection, series) for _, series in asked]
    for at, (field, _) in enumerate(asked):
        if not shared_quantities(found[: at + 1]):
            raise InvalidField(field, _nothing_shared(found[0].method, found[at].method))
    return found


def shared_quantities(found: Sequence[Side]) -> tuple[Quantity, ...]:
    """What all of these reveal: the same quantity, with the same meaning of its sign."""
    first = found[0].method
    if first.judges == "hand":
        return ()
    return tuple(
        relation.quantity
        for relation in first.relations
        if all(
            (of := other.method.relation(relation.quantity)) is not None
            and of.toward == relation.toward
            and other.method.judges == first.judges
            for other in found[1:]
        )
    )


def _nothing_shared(first: Method, other: Method) -> str:
    if "hand" in (first.judges, other.judges):
        hand = first if first.judges == "hand" else other
        return (
            f"{hand.title} shows {hand.checks}, which is no property of a machine; "
            "choose series that check a machine"
        )
    return (
        f"{first.title} shows {first.checks}; {other.title} shows {other.checks}. "
        "These cannot be set side by side; choose series whose methods reveal the same"
    )


def names(found: Sequence[Side]) -> list[str]:
    """What sentences call each: its machine, with the day and then the time where two of one
    machine take part."""
    told = [s.head.machine.name for s in found]
    for more in (_day, _moment):
        counts = {name: told.count(name) for name in told}
        told = [
            f"{s.head.machine.name} on {more(s.head.started_at)}" if counts[name] > 1 else name
            for s, name in zip(found, told, strict=True)
        ]
    counts = {name: told.count(name) for name in told}
    return [
        f"{name} ({chr(ord('A') + at)})" if counts[name] > 1 else name
        for at, name in enumerate(told)
    ]


def _day(moment: datetime) -> str:
    """The day where the server stands."""
    local = moment.astimezone()
    return f"{local.day} {local:%B %Y}"


def _moment(moment: datetime) -> str:
    return f"{_day(moment)} at {moment.astimezone():%H:%M}"


# ---------------------------------------------------------------- answers


def compared(found: Sequence[Side]) -> ComparisonOut:
    """Two or more series that share a quantity, side by side."""
    called = names(found)
    return ComparisonOut(
        series=_series_out(found, called),
        quantities={q: _quantity(found, called, q) for q in shared_quantities(found)},
        notes=_notes(found),
    )


def came_back(
    connection: Connection, before: Side, after: Side, quantity: Quantity, margin: float | None
) -> ReturnOut:
    """Whether `after` lies where `before` lay.

    margin: degrees or mm; None takes half the tolerance of the series after, or else of the
    one before, where there is one.
    """
    taken = _Taken.of([before, after], quantity)
    source: Literal["given", "half the tolerance"] | None = "given"
    accepted = None if margin is None else taken.inward(margin)
    if margin is None:
        half = next((s.tolerance for s in (after, before) if s.tolerance is not None), None)
        source = None if half is None else "half the tolerance"
        accepted = None if half is None else half / 2 / taken.per_inch
    told = returning.came_back(
        *taken.values,
        margin=accepted,
        margin_of="" if source == "given" else "half the tolerance that was given with the series",
        floor_sd=taken.floor,
        unit=taken.unit,
    )
    base = taken.nominals[0] or 0.0
    shared = _before_after(connection, before, after, taken, (told.before, told.after))
    other = dict.fromkeys(c.kind for c in shared["setup_changes"] if c.kind != "swung and back")
    if other:
        shared["notes"].append(
            f"Recorded between the two: {', '.join(other)}. A shift may come from that rather "
            "than from the stop."
        )
    return ReturnOut(
        **shared,
        sentence=told.sentence,
        answer=told.answer,
        way=told.way,
        shift=_difference(told.shift, taken.outward),
        expected=_interval(told.expected, lambda v: taken.outward(v) + base),
        margin=None if accepted is None else taken.outward(accepted),
        margin_from=source,
        p_within=told.p_within,
        more_cuts=told.more_cuts,
    )


def adjusted(
    connection: Connection, before: Side, after: Side, quantity: Quantity
) -> AdjustmentOut:
    """Whether the machine is nearer to nominal in `after` than it was in `before`.

    Raises InvalidField for lengths of which no nominal one is known.
    """
    taken = _Taken.of([before, after], quantity)
    if not taken.errors:
        raise InvalidField(
            "after",
            "no nominal length is known; begin the series with a tolerance around one",
        )
    shared_u, own_u = _systematic([before, after], quantity)
    told = adjustment.adjusted(
        *taken.values, unit=taken.unit, shared_u=shared_u, own_u=own_u, floor_sd=taken.floor
    )
    shared = _before_after(connection, before, after, taken, (told.before, told.after))
    answer: Helped = told.answer
    sentence = told.sentence
    if all(change.kind == "swung and back" for change in shared["setup_changes"]):
        # Two series always differ; without a change between them nothing can have helped.
        answer = "nothing was changed"
        sentence = (
            "Nothing is recorded between the two that could have helped; if the machine was"
            " adjusted, say so on its page."
        )
    return AdjustmentOut(
        **shared,
        sentence=sentence,
        answer=answer,
        change=None if told.change is None else taken.outward(told.change),
        interval=_interval(told.interval, taken.outward),
    )


@dataclass(frozen=True)
class _Taken:
    """The values of several series in the analysis' unit, `errors` from nominal if known."""

    quantity: Quantity
    unit: SizeUnit
    errors: bool
    nominals: list[float | None]  # in mm; 0 for an angle
    trials: list[list[TrialOut]]
    values: list[NDArray[np.float64]]
    floor: float

    @staticmethod
    def of(found: Sequence[Side], quantity: Quantity) -> _Taken:
        counted = [s.counted(quantity) for s in found]
        inches = quantity == "length" and found[0].head.unit == "in"
        per = MM_PER_INCH if inches else 1.0
        nominals = [s.nominal_mm if quantity == "length" else 0.0 for s in found]
        errors = None not in nominals
        if not errors:
            nominals = [None] * len(found)
        return _Taken(
            quantity=quantity,
            unit="rad" if quantity != "length" else "in" if inches else "mm",
            errors=errors,
            nominals=nominals,
            trials=[[trial for trial, _ in of] for of in counted],
            values=[
                (np.array([v for _, v in of], float) - (nominal or 0.0)) / per
                for of, nominal in zip(counted, nominals, strict=True)
            ],
            floor=max(s.least_sd(quantity) for s in found) / per,
        )

    @property
    def per_inch(self) -> float:
        return MM_PER_INCH if self.unit == "in" else 1.0

    def outward(self, value: float) -> float:
        """In degrees or mm."""
        return math.degrees(value) if self.unit == "rad" else value * self.per_inch

    def inward(self, value: float) -> float:
        return math.radians(value) if self.unit == "rad" else value / self.per_inch

    def out(self, found: Sequence[Side], summaries: Sequence[Summary]) -> list[ComparedValues]:
        return [self._out(at, s, summaries[at]) for at, s in enumerate(found)]

    def _out(self, at: int, of: Side, s: Summary) -> ComparedValues:
        base = self.nominals[at] or 0.0

        def placed(value: float | None) -> float | None:
            return None if value is None else self.outward(value) + base

        def size(value: float | None) -> float | None:
            return None if value is None else self.outward(value)

        return ComparedValues(
            series=of.head.id,
            trials=s.n,
            mean=placed(s.mean),
            out_by=size(s.mean) if self.errors else None,
            sd=size(s.sd),
            low=placed(s.low),
            high=placed(s.high),
            range=size(s.range),
            values=[
                ComparedTrial(trial=trial.id, number=trial.number, value=value)
                for trial in self.trials[at]
                if (value := value_of(trial, self.quantity)) is not None
            ],
        )


def _quantity(
    found: Sequence[Side], called: Sequence[str], quantity: Quantity
) -> QuantityComparison:
    taken = _Taken.of(found, quantity)
    shared_u, own_u = _systematic(found, quantity)
    told = comparison.compare(
        taken.values[0],
        taken.values[1],
        names=(called[0], called[1]),
        unit=taken.unit,
        nominal=0.0 if taken.errors else None,
        shared_u=shared_u,
        own_u=own_u,
        floor_sd=taken.floor,
    )
    summaries = [told.first, told.second]
    many = None
    if len(found) > 2:
        several = comparison.compare_many(
            taken.values, names=called, unit=taken.unit, floor_sd=taken.floor
        )
        summaries = list(several.summaries)
        many = _many(found, several, taken)
    spread = told.spread
    return QuantityComparison(
        unit="mm" if quantity == "length" else "deg",
        series=taken.out(found, summaries),
        difference=_difference(told.difference, taken.outward),
        spread_ratio=None
        if spread is None
        else SpreadRatioOut(
            ratio=spread.ratio,
            interval=_interval(spread.interval, lambda ratio: ratio),
            p=spread.p,
            rule=spread.rule,
        ),
        further_out=_finding(found, told.further_out, told.further_out_shown),
        less_steady=_finding(found, told.less_steady, told.less_steady_shown),
        sentence=told.sentence,
        many=many,
    )


def _many(found: Sequence[Side], told: comparison.ManyComparison, taken: _Taken) -> ManyOut:
    pairs = []
    for pair in told.pairs:
        difference = _difference(pair.difference, taken.outward)
        assert difference is not None
        pairs.append(
            PairOut(
                first=found[pair.first].head.id,
                second=found[pair.second].head.id,
                difference=difference,
                p_adjusted=pair.p_adjusted,
                differs=pair.differs,
            )
        )
    return ManyOut(
        anova_p=None if told.anova is None else told.anova.p,
        equal_spreads_p=told.brown_forsythe_p,
        pairs=pairs,
        rule=told.rule,
        sentence=told.sentence,
    )


def _systematic(found: Sequence[Side], quantity: Quantity) -> tuple[float, tuple[float, float]]:
    """What the first two share (the zero of one caliper), and what each has of its own.

    Errors of scale and of lengths are relative: where both share them they turn neither the
    difference nor the order of two means on one side of nominal by more than that share of
    it. They are counted as each one's own, which is never less.
    """
    per = MM_PER_INCH if quantity == "length" and found[0].head.unit == "in" else 1.0
    own = [s.systematic(quantity, zero=False) / per for s in found[:2]]
    zeros = [s.systematic(quantity, zero=True) / per for s in found[:2]]
    if found[0].calipers == found[1].calipers:
        return max(zeros), (own[0], own[1])
    return 0.0, (math.hypot(own[0], zeros[0]), math.hypot(own[1], zeros[1]))


def _before_after(
    connection: Connection,
    before: Side,
    after: Side,
    taken: _Taken,
    summaries: tuple[Summary, Summary],
) -> dict[str, Any]:
    """The part that both questions about one machine share.

    Raises InvalidField where it is not one machine, or not in this order.
    """
    machine = before.head.machine
    if after.head.machine.id != machine.id:
        raise InvalidField(
            "after", f"is a series of another machine; choose one of {machine.name}, cut later"
        )
    begun = (before.head.started_at, after.head.started_at)
    if begun[0] > begun[1]:
        raise InvalidField("after", "was cut before the other series; change the two round")
    pair = [before, after]
    changes = [
        SetupChangeOut(id=c.id, machine=c.machine_id, kind=c.kind, at=c.at, note=c.note)
        for c in setup_changes(connection, machine.id)
        if begun[0] <= c.at <= begun[1]
    ]
    first, second = _series_out(pair, names(pair))
    return {
        "before": first,
        "after": second,
        "setup_changes": changes,
        "quantity": taken.quantity,
        "unit": "mm" if taken.quantity == "length" else "deg",
        "values": taken.out(pair, summaries),
        "notes": [*_notes(pair), *_same_ways(before, after)],
    }


def _same_ways(before: Side, after: Side) -> list[str]:
    """Whether what the measuring adds is the same on both sides, so that it cancels."""
    differs = []
    if before.calipers != after.calipers and before.calipers and after.calipers:
        differs.append("caliper")
    if (before.head.baseline, before.head.unit) != (after.head.baseline, after.head.unit):
        differs.append("length of the cut")
    if before.head.inset != after.head.inset:
        differs.append("inset of the jaws")
    if not differs:
        return []
    return [f"Not the same before and after: {', '.join(differs)}. Keep it the same where you can."]


def _notes(found: Sequence[Side]) -> list[str]:
    """What the methods show, where they are not all the same."""
    methods = list(dict.fromkeys(s.method.key for s in found))
    if len(methods) < 2:
        return []
    told = "; ".join(f"{m.title} shows {m.checks}" for m in map(method, methods))
    return [f"They were measured by different methods: {told}."]


def _series_out(found: Sequence[Side], called: Sequence[str]) -> list[ComparedSeries]:
    return [
        ComparedSeries(name=name, head=s.head, score=s.score, calipers=sorted(s.calipers))
        for s, name in zip(found, called, strict=True)
    ]


def _finding(found: Sequence[Side], which: comparison.Which | None, shown: bool) -> Finding:
    if which is None:
        return Finding(series=None, shown=False)
    return Finding(series=found[0 if which == "first" else 1].head.id, shown=shown)


def _difference(
    found: comparison.Difference | None, outward: Callable[[float], float]
) -> DifferenceOut | None:
    if found is None:
        return None
    return DifferenceOut(
        estimate=outward(found.estimate),
        standard_error=None if found.standard_error is None else outward(found.standard_error),
        # JSON knows no infinity: null, as everywhere, for unlimited.
        degrees_of_freedom=None if found.df is None or math.isinf(found.df) else found.df,
        t=found.t,
        p=found.p,
        interval=_interval(found.interval, outward),
    )


def _interval(found: Interval | None, outward: Callable[[float], float]) -> IntervalOut | None:
    if found is None:
        return None
    return IntervalOut(low=outward(found.low), high=outward(found.high), level=found.level)


def _length(text: str | None, head: SeriesHead) -> float | None:
    return None if text is None else mm(parse_length(text, head.unit))
