"""Compares three or more series: do any differ, and which pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.conversions import SizeUnit, size_text
from analysis.counts import compared_bounds
from analysis.difference import Difference, difference_of_means
from analysis.sentences import capital
from analysis.spread import Summary, summary
from analysis.variance import AnovaTable, anova, brown_forsythe
from analysis.visits import Counted, called


@dataclass(frozen=True, slots=True)
class Pair:
    """Two of several series by their places in the list, corrected for multiple comparisons."""

    first: int
    second: int
    difference: Difference
    p_adjusted: float | None
    differs: bool


@dataclass(frozen=True, slots=True)
class ManyComparison:
    """Three or more series. `anova` and `brown_forsythe_p` are None where too few trials, or
    where their scatter is within the caliper's count."""

    summaries: tuple[Summary, ...]
    anova: AnovaTable | None
    brown_forsythe_p: float | None
    pairs: tuple[Pair, ...]
    rule: str
    sentence: str


def compare_many(
    series: Sequence[ArrayLike],
    *,
    names: Sequence[str],
    unit: SizeUnit = "rad",
    floor_sd: float = 0.0,
    apart_u: ArrayLike = 0.0,
    counted: Counted = "trial",
    noun: str = "strip",
    level: float = 0.95,
) -> ManyComparison:
    """Three or more series: do any differ, and which pairs.

    Analysis of variance for 'do any' (it assumes equal spreads; Brown and Forsythe's p is given
    to check that). Each pair by Welch, with Bonferroni's rule: with
    k pairs each interval holds at 1 - (1 - level) / k and each p is multiplied by k, so that
    all statements together hold at `level`.
    apart_u: (k, k), or one for all: as for `difference_of_means`, of each pair
    (`systematic.apart_u`). The analysis of variance knows nothing of it.
    counted, noun: as for `compare`; the means of visits are too few for an analysis of variance,
    whose equal spreads they cannot show.
    Raises ValueError where names and series differ in number.
    """
    if len(names) != len(series):
        raise ValueError(f"give one name for each series: {len(series)} series, {len(names)} names")
    summaries = tuple(summary(s) for s in series)
    places = [(i, j) for i in range(len(series)) for j in range(i + 1, len(series))]
    strict = 1 - (1 - level) / max(1, len(places))
    apart = np.broadcast_to(np.asarray(apart_u, float), (len(series), len(series)))
    pairs = []
    for i, j in places:
        d = difference_of_means(
            summaries[i],
            summaries[j],
            floor_sd=floor_sd,
            apart_u=float(apart[i, j]),
            level=strict,
        )
        if d is not None:
            p = None if d.p is None else min(1.0, d.p * len(places))
            pairs.append(Pair(i, j, d, p, p is not None and p < 1 - level))
    rule = f"Bonferroni: all {len(places)} statements together hold at {100 * level:.0f} %"
    table, spreads_p = anova(series), brown_forsythe(series)[1]
    if counted == "visit":
        table = spreads_p = None
    elif table is not None and table.residual_sd <= compared_bounds(0.0, floor_sd).most:
        # Ratios to a scatter within the caliper's count would tell of the rounding alone.
        table = spreads_p = None
    elif any(s.sd is not None and compared_bounds(s.sd, floor_sd).least == 0 for s in summaries):
        spreads_p = None
    return ManyComparison(
        summaries,
        table,
        spreads_p,
        tuple(pairs),
        rule,
        _many_sentence(summaries, pairs, names, unit, counted, noun),
    )


def _many_sentence(
    summaries: Sequence[Summary],
    pairs: Sequence[Pair],
    names: Sequence[str],
    unit: SizeUnit,
    counted: Counted,
    noun: str,
) -> str:
    if len(summaries) < 2:
        return "1 series alone compares with nothing; choose at least 2."
    empty = [name for name, s in zip(names, summaries, strict=True) if s.n == 0]
    if empty:
        return f"No {noun}s yet of {', '.join(empty)}; make some to compare."
    if all(pair.p_adjusted is None for pair in pairs):
        more = "make more of each" if counted == "trial" else f"make {noun}s in more visits of each"
        few = called(counted, noun)
        return f"Too few {few}s, or no scatter at all, to say whether they differ; {more}."
    sentences = []
    for pair in pairs:
        if pair.differs:
            low, high = pair.first, pair.second
            if pair.difference.estimate < 0:
                low, high = high, low
            size = size_text(pair.difference.estimate, unit, pair.difference.standard_error)
            sentences.append(f"{names[high]} is above {names[low]} by {size}")
    if not sentences:
        return "None of them differ by more than is uncertain about each."
    return capital("; ".join(sentences)) + "."
