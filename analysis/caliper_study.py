"""How well caliper and hand repeat, how much people differ, and a caliper's error at a block.

All lengths are in one unit, mm or inches; `unit` names it for the sentences.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import quantiles
from analysis.conversions import plus_minus_text, size_text
from analysis.counts import scatter_bounds
from analysis.difference import Difference, difference_from_parts
from analysis.facts import SeriesFacts
from analysis.interval import Interval
from analysis.sentences import plain
from analysis.spread import counted, sd_interval, summary
from analysis.uncertainty import HAND_BOUND_MM, rounding, rounding_averages_out
from analysis.variance import AnovaTable, anova

Array = NDArray[np.float64]
LengthUnit = Literal["mm", "in"]

# Draws for the generalized intervals: enough for about one percent of their ends.
_DRAWS: Final = 20_000
# Variances, of the logarithm of a reading's variance: from year to year, and from one hand with a
# caliper to another, whose standard deviations then differ by a factor of 2.7 one time in twenty in
# either direction. Common practice, no source.
_PER_YEAR: Final = 0.1
_OTHER_HAND: Final = 1.0
# No studied hand is less known than any hand at all: 0.003 to 0.05 mm at two standard deviations.
_ANY_HAND: Final = 2.0
_TINY: Final = float(np.finfo(float).tiny)


@dataclass(frozen=True, slots=True)
class Component:
    """One source of scatter: its standard deviation, never below zero, and its interval.

    `hidden`: the estimate of its variance was not above zero: the other scatter hides it.
    """

    sd: float
    interval: Interval
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class AnovaLine:
    """One line of an analysis of variance; `f` and `p` None for the last, or without scatter."""

    source: str
    df: int
    ss: float
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class CaliperStudy:
    """The result of a study of the same spots. None where its design does not show it.

    repeatability: one person, one spot, again and again (equipment variation).
    people: each person's offset; interaction: differences between persons that depend on the part.
    reproducibility: people and interaction together (appraiser variation).
    gauge: repeatability and reproducibility together. parts: the parts themselves.
    distinct_categories: number of sizes that the caliper in these hands can distinguish,
    1.41 parts / gauge, rounded down. tolerance_fraction: 6 gauge / tolerance.
    """

    readings: int
    repeatability: Component | None
    people: Component | None
    interaction: Component | None
    reproducibility: Component | None
    gauge: Component | None
    parts: Component | None
    distinct_categories: int | None
    tolerance_fraction: float | None
    tolerance_fraction_interval: Interval | None
    table: tuple[AnovaLine, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class BlockCheck:
    """A caliper against gauge blocks: reading = offset + (1 + scale) * stated size.

    With one size `scale` is None and `offset` is the mean error at that size. `at_mean`: the
    line's error at `mean_size`, the mean of the sizes read. It is independent of
    the scale: error at a size = at_mean + scale * (size - mean_size), the two uncorrelated.
    `residual_sd`: scatter about the line, None where there are no more readings than parameters.
    """

    readings: int
    offset: Difference | None
    scale: Difference | None
    residual_sd: float | None
    sentence: str
    at_mean: Difference | None = None
    mean_size: float | None = None


def same_spot(
    people: Sequence[ArrayLike],
    *,
    tolerance: float | None = None,
    unit: LengthUnit = "mm",
    level: float = 0.95,
) -> CaliperStudy:
    """One spot, pressed several times by one person or by several.

    people: one array of readings for each person, of any lengths; nan does not count.
    tolerance: full width of the tolerance to be judged with the caliper, for the fraction used.
    One-way analysis of variance (ISO 5725-2, 7.4; JCGM 100, H.5): repeatability variance =
    within mean square, people variance = (between - within) / n0, n0 = (N - sum n^2 / N) /
    (k - 1), zero where that is below zero. Repeatability's interval is by chi-square, the
    others' are generalized ones (see `crossed`).
    """
    kept = [g for g in (counted(person) for person in people) if g.size]
    total = sum(g.size for g in kept)
    if total - len(kept) < 1:
        words = (
            "Nothing was read yet."
            if total == 0
            else "Press at least twice on the same spot to see how well the caliper repeats."
        )
        return _empty(total, words)
    table = anova(kept)
    if table is None:
        ms, df = (summary(kept[0]).sd or 0.0) ** 2, total - 1
        lines: tuple[AnovaLine, ...] = (AnovaLine("repeats", df, ms * df, ms),)
        return _study(total, lines, {"repeatability": lambda m: m[0]}, tolerance, unit, level)
    lines = _one_way_lines(table, "people")
    n0 = _mean_number(kept)
    return _study(
        total,
        lines,
        {
            "repeatability": lambda m: m[1],
            "people": lambda m: (m[0] - m[1]) / n0,
            "reproducibility": lambda m: (m[0] - m[1]) / n0,
        },
        tolerance,
        unit,
        level,
    )


def several_spots(
    spots: Sequence[ArrayLike],
    *,
    tolerance: float | None = None,
    unit: LengthUnit = "mm",
    level: float = 0.95,
) -> CaliperStudy:
    """Several spots, each pressed several times by the same person.

    spots: one array of readings for each spot, of any lengths; nan does not count. The same
    one-way analysis of variance as `same_spot`, with the spots as parts, which differ
    in size. Nothing is known of other people, so `gauge` is repeatability alone and
    people and reproducibility are None. With one spot it is `same_spot`.
    """
    kept = [g for g in (counted(spot) for spot in spots) if g.size]
    total = sum(g.size for g in kept)
    table = anova(kept) if total - len(kept) >= 1 else None
    if table is None:
        return same_spot(kept, tolerance=tolerance, unit=unit, level=level)
    n0 = _mean_number(kept)
    return _study(
        total,
        _one_way_lines(table, "parts"),
        {"repeatability": lambda m: m[1], "parts": lambda m: (m[0] - m[1]) / n0},
        tolerance,
        unit,
        level,
    )


def crossed(
    readings: ArrayLike,
    *,
    tolerance: float | None = None,
    unit: LengthUnit = "mm",
    level: float = 0.95,
) -> CaliperStudy:
    """Several parts, each read several times by each of several people.

    readings: (parts, people, repeats), all finite: at least 2 by 2 by 2. Where there is less, the
    sentence says so; nothing is raised.
    Two-way crossed analysis of variance, all effects random, interaction kept (ASTM E2782,
    from memory): with mean squares P, O, I, E of p parts, o people, r repeats
    repeatability = E, interaction = (I - E) / r, people = (O - I) / (p r),
    parts = (P - I) / (o r), each zero where below zero.
    Intervals: repeatability by chi-square; the rest generalized intervals (Hamada and
    Weerahandi 2000, J. Qual. Technol. 32; from memory), each mean square replaced by
    MS * df / chi-square(df) in 20000 draws with a fixed seed.
    Raises ValueError where `readings` has not three dimensions.
    """
    x = np.asarray(readings, float)
    if x.ndim != 3:
        raise ValueError("readings: give them as parts by people by repeats")
    if x.size == 0:
        return _empty(0, "Nothing was read yet.")
    p, o, r = x.shape
    missing = np.argwhere(~np.isfinite(x))
    if missing.size:
        part, person, repeat = (int(i) + 1 for i in missing[0])
        words = f"Missing: part {part}, person {person}, repeat {repeat}; read it to complete."
        return _empty(int(np.isfinite(x).sum()), words)
    if min(p, o, r) < 2:
        words = (
            f"This needs at least 2 parts, 2 people and 2 repeats each; it has {p}, {o} and {r}."
        )
        return _empty(x.size, words)
    return _study(
        x.size,
        _crossed_lines(x),
        {
            "repeatability": lambda m: m[3],
            "interaction": lambda m: (m[2] - m[3]) / r,
            "people": lambda m: (m[1] - m[2]) / (p * r),
            "parts": lambda m: (m[0] - m[2]) / (o * r),
        },
        tolerance,
        unit,
        level,
    )


def known_block(
    stated: ArrayLike,
    readings: ArrayLike,
    *,
    block_u: ArrayLike = 0.0,
    resolution: float = 0.0,
    unit: LengthUnit = "mm",
    level: float = 0.95,
) -> BlockCheck:
    """The caliper's offset and scale against gauge blocks of stated size.

    stated, readings: (n,), the size of the block under each reading; nan does not count.
    block_u: standard uncertainty of the stated sizes, one for all or one for each reading,
    independent from block to block. resolution: the caliper's step; step / sqrt(12), not divided by
    their number, is added to their scatter unless they surely scatter by 0.3 of it.
    Least squares through all readings; a block's error is common to all its readings, so
    it enters by the sum of their coefficients (JCGM 100, 5.1.2 and H.3). Degrees of freedom
    by Welch and Satterthwaite.
    Raises ValueError where the two lists differ in length.
    """
    size, read = np.asarray(stated, float).ravel(), np.asarray(readings, float).ravel()
    if size.size != read.size:
        raise ValueError(
            f"give one stated size for each reading: {size.size} sizes, {read.size} readings"
        )
    kept = np.isfinite(size) & np.isfinite(read)
    size, error = size[kept], (read - size)[kept]
    stated_u = np.broadcast_to(np.asarray(block_u, float), kept.shape)[kept]
    n = size.size
    if n == 0:
        return BlockCheck(0, None, None, None, "No block was read yet.")
    blocks = np.unique(size)
    one = blocks.size == 1
    design = np.ones((n, 1)) if one else np.column_stack([np.ones(n), size - size.mean()])
    weights = np.linalg.pinv(design)
    fit = weights @ error
    left = error - design @ fit
    df = n - design.shape[1]
    sd = math.sqrt(float(left @ left) / df) if df > 0 else None
    if sd is not None and sd <= 1e-12 * float(np.abs(size).max()):
        # This residual is the rounding of the computation, not of the caliper.
        sd = 0.0
    mean_size = float(size.mean())
    if not one:
        # The line about the mean size, and its value at size zero.
        weights = np.vstack([weights[0] - mean_size * weights[1], weights[1], weights[0]])
    estimates = weights @ error
    member = (size[:, None] == blocks[None, :]).astype(float)
    blocks_u = (member * stated_u[:, None]).max(axis=0)
    step = rounding(resolution)
    # The scatter of rounded readings proves nothing where the rounding alone could make it.
    dithered = sd is not None and rounding_averages_out(
        scatter_bounds(sd, df + 1, step).least, resolution
    )
    found = []
    for row, estimate in zip(weights, estimates.tolist(), strict=True):
        by_block = row @ member
        fixed = float(((by_block * blocks_u) ** 2).sum())
        if not dithered:
            fixed += float((by_block**2).sum()) * step**2
        parts = [(float(row @ row) * sd**2, float(df))] if sd else []
        found.append(difference_from_parts(estimate, parts, level, fixed_u=math.sqrt(fixed)))
    offset, scale = found[0], None if one else found[1]
    sentence = _block_sentence(offset, scale, blocks, unit)
    return BlockCheck(n, offset, scale, sd, sentence, found[-1], mean_size)


class HandStudy(NamedTuple):
    """What one study found of a hand with a caliper: the standard deviation of a reading with its
    degrees of freedom, how long ago it was, in years, and whether it is of another person's hand
    than the one that is asked about."""

    sd: float
    df: float
    years: float = 0.0
    other_hand: bool = False


def hand_from(studies: Sequence[HandStudy]) -> HandStudy:
    """What several studies say of the hand now: its sd, and the degrees of freedom that count.

    The logarithms of the variances, freed of their bias, scatter by trigamma(df / 2) for chance
    (Bartlett and Kendall, J. R. Stat. Soc. Suppl. 8, 1946, 128-138), and by what changed since and
    what differs from hand to hand, which is added (`_PER_YEAR`, `_OTHER_HAND`). Their mean is by
    generalised least squares, with tau2 between them by Paule and Mandel (J. Res. NBS 87, 1982,
    377-385): a study that does not agree with the others widens all. The hand now may differ by
    tau2 as well; the degrees of freedom are those of a variance as uncertain as the whole. One
    fresh study of this hand comes back as it is. Raises ValueError for none.
    """
    if not studies:
        raise ValueError("studies: give at least 1")
    if len(studies) == 1 and not studies[0].years and not studies[0].other_hand:
        return studies[0]
    df = np.array([s.df for s in studies])
    square = np.maximum(np.array([s.sd for s in studies]) ** 2, _TINY)
    value = np.log(square) - _log_bias(df)
    years = np.abs(np.array([s.years for s in studies]))
    # Two old studies share what changed since the later one.
    unsure = _PER_YEAR * np.minimum.outer(years, years)
    unsure += np.diag(
        quantiles.trigamma(df / 2) + _OTHER_HAND * np.array([s.other_hand for s in studies])
    )
    tau2 = _between(value, unsure)
    weight = np.linalg.solve(unsure + tau2 * np.eye(df.size), np.ones(df.size))
    variance = min(1 / float(weight.sum()) + tau2, max(_ANY_HAND, float(unsure.diagonal().min())))
    found = 2 * _trigamma_inverse(variance)
    weight /= weight.sum()
    mean = float(weight @ value + _log_bias(np.array([found]))[0])
    return HandStudy(math.exp(mean / 2), found, float(weight @ years))


def _log_bias(df: Array) -> Array:
    """E[ln(s^2 / sigma^2)] of a variance with df degrees of freedom."""
    return quantiles.digamma(df / 2) - np.log(df / 2)


def _between(value: Array, unsure: Array) -> float:
    """tau2 of Paule and Mandel: where the weighted squares come down to what chance makes."""
    one, df = np.ones(value.size), value.size - 1

    def excess(tau2: float) -> float:
        inverse = np.linalg.inv(unsure + tau2 * np.eye(value.size))
        rest = value - (one @ inverse @ value) / (one @ inverse @ one)
        return float(rest @ inverse @ rest) - df

    if df == 0 or excess(0.0) <= 0:
        return 0.0
    most = float(np.ptp(value)) ** 2 + 1.0
    return quantiles.reached(lambda tau2: -excess(tau2), 0.0, 0.0, most)


def _trigamma_inverse(variance: float) -> float:
    """x with trigamma(x) = variance > 0, by Newton's method on its reciprocal (Smyth, Stat. Appl.
    Genet. Mol. Biol. 3, 2004, article 3, appendix; from memory)."""
    x = np.array([0.5 + 1 / variance])
    for _ in range(50):
        found = quantiles.trigamma(x)
        step = found * (1 - found / variance) / quantiles.tetragamma(x)
        x = x + step
        if abs(float(step[0])) < 1e-10 * float(x[0]):
            break
    return float(x[0])


def most_hand_mm(facts: SeriesFacts) -> float:
    """The most that a reading scatters by hand and caliper, at 99 %: the chi-square limit of the
    study's repeatability (NIST/SEMATECH e-Handbook 7.2.3.1), and no more than any hand."""
    sd, df = facts.repeatability_mm, facts.hand_df
    if sd is None:
        return HAND_BOUND_MM
    if df is None:
        return sd
    return min(sd * math.sqrt(df / quantiles.chi_square(0.01, df)), max(sd, HAND_BOUND_MM))


def _mean_number(groups: Sequence[Array]) -> float:
    """n0, the effective number of readings in each of unequal groups (ISO 5725-2, 7.4)."""
    sizes = np.array([g.size for g in groups], float)
    return float((sizes.sum() - (sizes**2).sum() / sizes.sum()) / (sizes.size - 1))


def _one_way_lines(table: AnovaTable, between: str) -> tuple[AnovaLine, ...]:
    return (
        AnovaLine(between, table.df_between, table.ss_between, table.ms_between, table.f, table.p),
        AnovaLine("repeats", table.df_within, table.ss_within, table.ms_within),
    )


def _crossed_lines(x: Array) -> tuple[AnovaLine, ...]:
    p, o, r = x.shape
    x = x - x.mean()
    part, person, cell = x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), x.mean(axis=2)
    both = cell - part[:, None] - person[None, :]
    rest = x - cell[:, :, None]
    squares = (
        o * r * float((part**2).sum()),
        p * r * float((person**2).sum()),
        r * float((both**2).sum()),
        float((rest**2).sum()),
    )
    dfs = (p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1))
    ms = [ss / df for ss, df in zip(squares, dfs, strict=True)]
    # Parts and people are tested against the interaction, the interaction against the repeats.
    names, under = ("parts", "people", "parts by people", "repeats"), (2, 2, 3, None)
    lines = []
    for i, name in enumerate(names):
        j = under[i]
        f = None if j is None or ms[j] == 0 else ms[i] / ms[j]
        prob = None
        if f is not None and j is not None:
            prob = quantiles.f_probability(1 / f, dfs[j], dfs[i]) if f > 0 else 1.0
        lines.append(AnovaLine(name, dfs[i], squares[i], ms[i], f, prob))
    return tuple(lines)


Rule = Callable[[Array], Array]


def _study(
    readings: int,
    lines: tuple[AnovaLine, ...],
    rules: dict[str, Rule],
    tolerance: float | None,
    unit: LengthUnit,
    level: float,
) -> CaliperStudy:
    ms = np.array([line.ms for line in lines])
    df = np.array([line.df for line in lines], float)
    chi = np.random.default_rng(5725).chisquare(df[:, None], (df.size, _DRAWS))
    # The first column is the estimates, the others are the draws: each rule is applied to both.
    drawn = np.column_stack([ms, (ms * df)[:, None] / chi])
    raw = {name: rule(drawn) for name, rule in rules.items()}
    hidden = {name: bool(values[0] <= 0) for name, values in raw.items()}
    variance = {name: np.maximum(0.0, values) for name, values in raw.items()}
    if "interaction" in rules:
        variance["reproducibility"] = variance["people"] + variance["interaction"]
        hidden["reproducibility"] = bool(variance["reproducibility"][0] == 0)
    variance["gauge"] = variance["repeatability"] + variance.get("reproducibility", 0.0)
    hidden["gauge"] = False
    ends = [(1 - level) / 2, (1 + level) / 2]

    def component(name: str) -> Component | None:
        if name not in variance:
            return None
        sd = math.sqrt(float(variance[name][0]))
        if name == "repeatability" or (name == "gauge" and "people" not in rules):
            return Component(sd, sd_interval(sd, int(df[-1]) + 1, level))
        low, high = np.sqrt(np.quantile(variance[name][1:], ends)).tolist()
        return Component(sd, Interval(low, high, level), hidden[name])

    found = {
        name: component(name)
        for name in ("repeatability", "people", "interaction", "reproducibility", "gauge", "parts")
    }
    gauge, parts = found["gauge"], found["parts"]
    assert gauge is not None
    categories = None
    if parts is not None and gauge.sd > 0:
        categories = math.floor(math.sqrt(2) * parts.sd / gauge.sd)
    fraction = interval = None
    if tolerance is not None and tolerance > 0:
        fraction = 6 * gauge.sd / tolerance
        interval = Interval(
            6 * gauge.interval.low / tolerance, 6 * gauge.interval.high / tolerance, level
        )
    return CaliperStudy(
        readings,
        distinct_categories=categories,
        tolerance_fraction=fraction,
        tolerance_fraction_interval=interval,
        table=lines,
        sentence=_study_sentence(found, lines, categories, fraction, unit),
        **found,
    )


def _empty(readings: int, sentence: str) -> CaliperStudy:
    return CaliperStudy(
        readings, None, None, None, None, None, None, None, None, None, (), sentence
    )


def _study_sentence(
    found: dict[str, Component | None],
    lines: tuple[AnovaLine, ...],
    categories: int | None,
    fraction: float | None,
    unit: LengthUnit,
) -> str:
    repeat, people = found["repeatability"], found["reproducibility"]
    assert repeat is not None
    if repeat.sd == 0:
        sentences = ["Every repeat reads the same, to the caliper's last digit."]
    else:
        sentences = [
            f"Caliper and hand repeat to {size_text(repeat.sd, unit, repeat.sd)} "
            f"(repeatability, a standard deviation with {lines[-1].df} degrees of freedom)."
        ]
    if people is not None:
        if people.sd == 0:
            sentences.append("The people differ by no more than that.")
        elif people.interval.low > 0:
            sentences.append(
                f"The people differ by {size_text(people.sd, unit, people.sd)} besides."
            )
        else:
            sentences.append(
                f"The people may differ by {size_text(people.sd, unit, people.sd)} besides; "
                "so few readings do not prove it."
            )
    if fraction is not None:
        both = "That" if people is None else "Together that"
        sentences.append(f"{both} takes {100 * fraction:.0f} % of the tolerance.")
    if categories is not None:
        what = "spots" if people is None else "parts"
        sentences.append(
            f"It tells {categories} sizes of these {what} apart."
            if categories > 1
            else f"It cannot tell these {what} apart."
        )
    return " ".join(sentences)


def _block_sentence(
    offset: Difference,
    scale: Difference | None,
    blocks: Array,
    unit: LengthUnit,
) -> str:
    if offset.interval is None:
        what = f"The caliper reads {size_text(offset.estimate, unit)}" + (
            " high" if offset.estimate > 0 else " low" if offset.estimate < 0 else " off"
        )
        return f"{what}; how sure that is, more readings would show."
    size = plus_minus_text(offset.estimate, offset.interval.half_width, unit)
    way = "high" if offset.estimate > 0 else "low"
    if scale is None:
        if 0 in offset.interval:
            return f"No error shows on this block: {size}."
        return f"The caliper reads {size} {way} on this block. A second size would show its scale."
    sentences = [
        f"No offset shows: {size}."
        if 0 in offset.interval
        else f"The caliper reads {size} {way}: set its zero. A difference of readings is "
        "not touched by this."
    ]
    if scale.interval is None:
        return " ".join(sentences)
    if 0 in scale.interval:
        sentences.append("Its scale agrees with the blocks.")
    else:
        longest = float(blocks[-1])
        sentences.append(
            f"Its scale is off by {plain(100 * abs(scale.estimate), 2)} %, "
            f"{size_text(scale.estimate * longest, unit)} over {size_text(longest, unit)}."
        )
    return " ".join(sentences)
