"""Answers about series side by side, and before and after."""

from __future__ import annotations

from typing import Literal
from uuid import UUID

from api.web.shapes import Out
from api.web.shapes.machines import SetupChangeOut
from api.web.shapes.scores import IntervalOut, ScoreOut
from api.web.shapes.series import SeriesHead


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

    Where all series state the length they should have, `out_by` is the mean minus that length;
    for an angle it is the mean. The mean of several visits to a stop is that of their means. Null
    for no trials (mean) or fewer than two (sd, range).
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
    """Second minus first; Welch's interval and test (NIST e-Handbook 1.3.5.3)."""

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

    Differences and ratios are second against first: `b` against `a`. counted: what the scatter of
    the means is taken of; visits where a series has several, and then no spreads are compared.
    """

    unit: Literal["deg", "mm"]
    counted: Literal["trial", "visit"]
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
    """Two series of one machine, and what happened to it between them. counted: what the scatter
    of the means is taken of; visits where a series has several."""

    before: ComparedSeries
    after: ComparedSeries
    setup_changes: list[SetupChangeOut]
    quantity: str
    unit: Literal["deg", "mm"]
    counted: Literal["trial", "visit"]
    values: list[ComparedValues]
    sentence: str
    notes: list[str]


class ReturnOut(BeforeAfter):
    """Did it come back to its stop. `more_cuts`: how many more would decide it; 0 when it is known,
    null where no number would. `margin`: the largest shift that does not matter."""

    answer: Literal["came back", "did not", "cannot tell"]
    way: str | None
    shift: DifferenceOut | None
    expected: IntervalOut | None
    margin: float | None
    margin_from: Literal["given", "half the tolerance"] | None
    p_within: float | None
    more_cuts: int | None


class AdjustmentOut(BeforeAfter):
    """Did an adjustment help. `change`: distance from nominal after, minus before.

    nothing was changed: nothing but a swing to an angle and back is recorded between the two.
    nothing was adjusted: neither an adjustment nor another blade is.
    """

    answer: Literal[
        "helped", "made it worse", "cannot tell", "nothing was changed", "nothing was adjusted"
    ]
    change: float | None
    interval: IntervalOut | None
