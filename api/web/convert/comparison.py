"""Series side by side, and before and after, from answers to shapes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

from analysis.comparison import Which
from analysis.comparison_of_many import ManyComparison
from analysis.conversions import SizeUnit
from analysis.difference import Difference
from analysis.spread import Summary
from analysis.spread_ratio import SpreadRatio
from api.answers.before_after import BeforeAfter
from api.answers.came_back import CameBack
from api.answers.comparable import ComparableSeries, ComparableValues, stored_value
from api.answers.comparison import Compared, QuantityCompared
from api.answers.helped import Helped
from api.web.convert import optional_interval, outward_of, score_out, series_head
from api.web.shapes.comparison import (
    AdjustmentOut,
    ComparedSeries,
    ComparedTrial,
    ComparedValues,
    ComparisonOut,
    DifferenceOut,
    Finding,
    ManyOut,
    PairOut,
    QuantityComparison,
    ReturnOut,
    SpreadRatioOut,
)
from api.web.shapes.machines import SetupChangeOut


def comparison_out(found: Compared) -> ComparisonOut:
    """Two or more series side by side."""
    return ComparisonOut(
        series=_series_out(found.series, found.names),
        quantities={name: _quantity_out(found.series, q) for name, q in found.quantities.items()},
        notes=list(found.notes),
    )


def return_out(found: CameBack) -> ReturnOut:
    """Whether a machine came back to its stop."""
    told, values = found.result, found.of.values
    base = values.nominals_mm[0] or 0.0
    return ReturnOut(
        **_before_after_fields(found.of),
        notes=list(found.notes),
        sentence=told.sentence,
        answer=told.answer,
        way=told.way,
        shift=_difference_out(told.shift, values.unit),
        expected=optional_interval(told.expected, lambda v: outward_of(v, values.unit) + base),
        margin=None if told.margin is None else outward_of(told.margin, values.unit),
        margin_from=found.margin_from,
        p_within=told.p_within,
        more_cuts=told.more_cuts,
    )


def adjustment_out(found: Helped) -> AdjustmentOut:
    """Whether an adjustment helped."""
    told, unit = found.result, found.of.values.unit
    return AdjustmentOut(
        **_before_after_fields(found.of),
        notes=list(found.of.notes),
        sentence=found.sentence,
        answer=found.answer,
        change=None if told.change is None else outward_of(told.change, unit),
        interval=optional_interval(told.interval, lambda v: outward_of(v, unit)),
    )


def _before_after_fields(found: BeforeAfter) -> dict[str, Any]:
    pair = (found.before, found.after)
    before, after = _series_out(pair, found.names)
    return {
        "before": before,
        "after": after,
        "setup_changes": [
            SetupChangeOut(id=c.id, machine=c.machine_id, kind=c.kind, at=c.at, note=c.note)
            for c in found.changes
        ],
        "quantity": found.values.quantity,
        "unit": _unit(found.values),
        "counted": found.values.units.counted,
        "values": _values_out(pair, found.values),
    }


def _quantity_out(sides: Sequence[ComparableSeries], found: QuantityCompared) -> QuantityComparison:
    pair, unit = found.pair, found.values.unit
    return QuantityComparison(
        unit=_unit(found.values),
        counted=found.values.units.counted,
        series=_values_out(sides, found.values),
        difference=_difference_out(pair.difference, unit),
        spread_ratio=_spread_ratio_out(pair.spread),
        further_out=_finding(sides, pair.further_out, pair.further_out_shown),
        less_steady=_finding(sides, pair.less_steady, pair.less_steady_shown),
        sentence=pair.sentence,
        many=None if found.many is None else _many_out(sides, found.many, unit),
    )


def _unit(values: ComparableValues) -> Literal["deg", "mm"]:
    return "deg" if values.unit == "rad" else "mm"


def _values_out(
    sides: Sequence[ComparableSeries], values: ComparableValues
) -> list[ComparedValues]:
    summaries = values.summaries
    return [_side_values_out(at, s, values, summaries[at]) for at, s in enumerate(sides)]


def _side_values_out(
    at: int, of: ComparableSeries, values: ComparableValues, s: Summary
) -> ComparedValues:
    base = values.nominals_mm[at] or 0.0

    def placed(value: float | None) -> float | None:
        return None if value is None else outward_of(value, values.unit) + base

    def size(value: float | None) -> float | None:
        return None if value is None else outward_of(value, values.unit)

    return ComparedValues(
        series=of.row.id,
        trials=s.n,
        mean=placed(s.mean),
        out_by=size(s.mean) if values.errors else None,
        sd=size(s.sd),
        low=placed(s.low),
        high=placed(s.high),
        range=size(s.range),
        values=[
            ComparedTrial(trial=trial.id, number=trial.number, value=value)
            for trial in values.trials[at]
            if (value := stored_value(trial, values.quantity)) is not None
        ],
    )


def _many_out(sides: Sequence[ComparableSeries], found: ManyComparison, unit: SizeUnit) -> ManyOut:
    return ManyOut(
        anova_p=None if found.anova is None else found.anova.p,
        equal_spreads_p=found.brown_forsythe_p,
        pairs=[
            PairOut(
                first=sides[pair.first].row.id,
                second=sides[pair.second].row.id,
                difference=_known_difference_out(pair.difference, unit),
                p_adjusted=pair.p_adjusted,
                differs=pair.differs,
            )
            for pair in found.pairs
        ],
        rule=found.rule,
        sentence=found.sentence,
    )


def _series_out(sides: Sequence[ComparableSeries], names: Sequence[str]) -> list[ComparedSeries]:
    return [
        ComparedSeries(
            name=name,
            head=series_head(s.row),
            score=score_out(s.whole.scored),
            calipers=sorted(s.calipers),
        )
        for s, name in zip(sides, names, strict=True)
    ]


def _finding(sides: Sequence[ComparableSeries], which: Which | None, shown: bool) -> Finding:
    if which is None:
        return Finding(series=None, shown=False)
    return Finding(series=sides[0 if which == "first" else 1].row.id, shown=shown)


def _spread_ratio_out(found: SpreadRatio | None) -> SpreadRatioOut | None:
    if found is None:
        return None
    known = found.interval is not None and math.isfinite(found.interval.high)
    return SpreadRatioOut(
        ratio=found.ratio,
        interval=optional_interval(found.interval if known else None, lambda ratio: ratio),
        p=found.p,
        rule=found.rule,
    )


def _difference_out(found: Difference | None, unit: SizeUnit) -> DifferenceOut | None:
    return None if found is None else _known_difference_out(found, unit)


def _known_difference_out(found: Difference, unit: SizeUnit) -> DifferenceOut:
    error = found.standard_error
    return DifferenceOut(
        estimate=outward_of(found.estimate, unit),
        standard_error=None if error is None else outward_of(error, unit),
        # JSON knows no infinity: null, as everywhere, for unlimited.
        degrees_of_freedom=None if found.df is None or math.isinf(found.df) else found.df,
        t=found.t,
        p=found.p,
        interval=optional_interval(found.interval, lambda v: outward_of(v, unit)),
    )
