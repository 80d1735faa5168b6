"""The uncertainty budget: what caliper, hand, lengths and jaw place add to a trial, to the mean
of a series, or to many series at once.

The only place that defines the parts and how each enters. Every part acts on the result through
the contrast of a trial, so each is given in mm of contrast. A float for one series is an
array for many. Rules: JCGM 100 (see `uncertainty`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis import counts, geometry, uncertainty
from analysis.facts import SeriesFacts
from analysis.methods import Quantity, Relation
from analysis.spread import Summary
from analysis.uncertainty import (
    Budget,
    Contribution,
    Distribution,
    Enters,
    coverage_factor,
    rectangular,
)
from analysis.visits import VisitMeans

Array = NDArray[np.float64]
Value: TypeAlias = Any
"""A float, or for m series an array of shape (m,)."""

HAND: Final = "caliper and hand, repeatability"
RESOLUTION: Final = "caliper resolution"
SCALE: Final = "caliper scale"
ZERO: Final = "caliper zero"
LENGTH: Final = "length of the cut"
THICKNESS: Final = "thickness"
INSET: Final = "inset"
JAWS: Final = "width of the jaws"
BLOCK: Final = "stated size of the block"
STRAIGHTNESS: Final = "straightness of edge and fence"


class InputUncertainties(NamedTuple):
    """The standard uncertainties of the inputs of a measurement: in mm, of the scale relative.

    hand: of one reading, with hand_df degrees of freedom (inf where unlimited); it is a floor
    for series of fewer trials than `floor_below`. least_hand: how much caliper and hand scatter for
    sure; 0 unless they were studied. resolution: the caliper's count, not an uncertainty. zero_at:
    the size at which `zero` holds. inset_counts, jaws_count: how many mm of the length between the
    jaws go with a mm of the inset, and of the jaws' width. block: of a known block's stated size.
    """

    hand: Value
    hand_df: Value
    least_hand: Value
    floor_below: Value
    resolution: Value
    scale: Value
    zero: Value
    zero_at: Value
    length: Value
    thickness: Value
    inset: Value
    inset_counts: Value
    jaws: Value
    jaws_count: Value
    straightness: Value
    block: Value

    @staticmethod
    def of(facts: SeriesFacts) -> InputUncertainties:
        """From the facts, with the usual assumptions where they give none."""
        # Where the caliper itself is judged, its scale and zero are the result and not an
        # uncertainty.
        machine = facts.method.judges == "machine"
        scale = _or_default(facts.scale_u, rectangular(uncertainty.SCALE_BOUND))
        zero = _or_default(facts.zero_u_mm, rectangular(uncertainty.ZERO_BOUND_MM))
        length_u = rectangular(uncertainty.LENGTH_BOUND_MM)
        inset_u = _or_default(facts.inset_u_mm, rectangular(uncertainty.INSET_BOUND_MM))
        return InputUncertainties(
            _or_default(facts.repeatability_mm, uncertainty.REPEATABILITY_MM),
            _or_default(facts.hand_df, math.inf),
            _least_hand(facts),
            floor_below(facts.repeatability_mm is None),
            facts.resolution_mm,
            scale if machine else 0.0,
            zero if machine else 0.0,
            facts.zero_at_mm,
            _or_default(facts.baseline_u_mm, length_u),
            _or_default(facts.thickness_u_mm, length_u),
            inset_u,
            *_at_the_ends(facts, inset_u),
            rectangular(facts.straightness_mm or 0.0),
            (facts.baseline_u_mm or 0.0) if facts.method.judges == "caliper" else 0.0,
        )

    @staticmethod
    def of_many(facts: Sequence[SeriesFacts]) -> InputUncertainties:
        """Of m series, each field of shape (m,)."""
        rows = np.array([InputUncertainties.of(f) for f in facts], float)
        return InputUncertainties(*rows.reshape(-1, len(InputUncertainties._fields)).T)


def _at_the_ends(facts: SeriesFacts, inset_u: float) -> tuple[float, float, float]:
    """inset_counts, jaws and jaws_count of `InputUncertainties`.

    The inset counts at the narrow end, and at the other one where it is more than half the jaws'
    width (`geometry.effective_length`): in the share of its bounds where it is.
    """
    if facts.jaw_width_mm is None:
        # Jaws that reach over the end may take up to half of the usual width off.
        unsaid = max(uncertainty.USUAL_JAWS_MM - 2 * facts.inset_mm, 0.0)
        return 2.0, rectangular(unsaid), 0.5
    past, bound = facts.inset_mm - facts.jaw_width_mm / 2, inset_u * math.sqrt(3)
    share = float(past >= 0) if bound == 0 else min(max((past + bound) / (2 * bound), 0.0), 1.0)
    return 1 + share, rectangular(uncertainty.JAWS_BOUND_MM), (1 - share) / 2


def _least_hand(facts: SeriesFacts) -> float:
    """What a study found may itself be made by the rounding (`counts.scatter_bounds`); a
    repeatability without degrees of freedom is taken as it is stated."""
    found, df = facts.repeatability_mm, facts.repeatability_df
    if found is None or df is None:
        return found or 0.0
    return counts.scatter_bounds(found, df + 1, uncertainty.rounding(facts.resolution_mm)).least


def _or_default(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def floor_below(assumed: bool) -> float:
    """A series of fewer trials is never taken to scatter less than caliper and hand alone.

    Few trials that agree by chance, or by the rounding, do not show that the hand is
    steady (GUM 4.3: prior knowledge counts too). A repeatability from a study always counts;
    the usual one, if `assumed`, below ten trials.
    """
    return uncertainty.ENOUGH_FOR_OWN_SCATTER if assumed else math.inf


class FixedPart(NamedTuple):
    """A part that more readings do not reduce.

    u: its standard uncertainty in its own unit. One of that unit changes the contrast by `fixed`
    mm, by `by_contrast` for each mm of contrast, and by `by_ratio` mm times contrast / base.
    """

    source: str
    enters: Enters
    u: Value
    fixed: Value = 0.0
    by_contrast: float = 0.0
    by_ratio: Value = 0.0

    def sensitivity(self, contrast: Value, ratio: Value) -> Value:
        """mm of contrast for one of the part's own unit."""
        return self.fixed + self.by_contrast * contrast + self.by_ratio * ratio


def fixed_parts(relation: Relation, inputs: InputUncertainties) -> list[FixedPart]:
    """The parts other than the readings: scale, zero, and for an angle length and straightness."""
    # A zero offset adds the same to every place, so it cancels in a difference.
    total = sum(relation.weights)
    found = [
        FixedPart(SCALE, "scale", inputs.scale, -total * inputs.zero_at, by_contrast=1.0),
        FixedPart(ZERO, "contrast", inputs.zero, total),
        FixedPart(BLOCK, "contrast", inputs.block, -1.0),
    ]
    if relation.terms:
        source, u = base_part(relation, inputs)
        found.append(FixedPart(source, "base", u, by_ratio=-1.0))
        if relation.insets:
            # The jaws are placed in the same way at both ends: the errors add up.
            found.append(FixedPart(INSET, "inset", inputs.inset, by_ratio=inputs.inset_counts))
            found.append(FixedPart(JAWS, "jaws", inputs.jaws, by_ratio=inputs.jaws_count))
        found.append(FixedPart(STRAIGHTNESS, "contrast", inputs.straightness, 1.0))
    return found


def base_part(relation: Relation, inputs: InputUncertainties) -> tuple[str, Value]:
    """The length that an angle's contrast is divided by: its name as a part, and its standard
    uncertainty in mm."""
    if relation.over == "baseline":
        return LENGTH, inputs.length
    return THICKNESS, inputs.thickness


def gain(relation: Relation) -> float:
    """The factor from independent errors of the places, all of one size, to the contrast."""
    return math.sqrt(sum(w * w for w in relation.weights))


def reading_mm(
    gain: float,
    hand: Value,
    resolution: Value,
    repeats: Value = 1,
    least_hand: Value | None = None,
) -> tuple[Value, Value]:
    """What caliper and hand, and the rounding, add to the contrast of one trial, in mm.

    repeats: how often each place was read. Where hand and caliper scatter much less than one
    count, rounding gives the same error each time and does not average out. least_hand: how much
    they scatter at least; None where that is known to be `hand`.
    """
    averaged = gain / np.sqrt(repeats)
    sure = hand if least_hand is None else least_hand
    dithered = uncertainty.rounding_averages_out(sure, resolution)
    return averaged * hand, np.where(dithered, averaged, gain) * uncertainty.rounding(resolution)


def by_hand(
    n: Value, scatter: Value, hand: Value, hand_df: Value, floor: Value, df: Value | None = None
) -> Value:
    """Whether caliper and hand, not the scatter of n trials, give the uncertainty of their mean.

    scatter, hand: the standard uncertainty of the mean from each, in any one unit. Two trials or
    more: their scatter, s / sqrt(n) with n - 1 degrees of freedom (GUM 4.2.3), or the hand if that
    is more once each is expanded and there are fewer trials than `floor`. One trial: the hand; it
    shows nothing of the machine's own scatter. df: of the scatter, where it is not n - 1.
    """
    free = np.maximum(n - 1, 1) if df is None else df
    more = coverage_factor(hand_df) * hand > coverage_factor(free) * scatter
    return (n < 2) | ((n < floor) & more)


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """What the readings themselves add to the mean of n trials.

    by_hand: whether `hand_mm`, of the contrast, is used for them; else `scatter`, in the
    quantity's unit, with df degrees of freedom: of visits where by_visits, else of trials.
    rounding_mm: of the contrast; 0 where it averages out over the trials. one_trial_mm: what
    caliper and hand, and the rounding, add to a single one.
    """

    by_hand: Value
    hand_mm: Value
    scatter: Value
    df: Value
    by_visits: Value
    rounding_mm: Value
    one_trial_mm: tuple[Value, Value]


def readings(
    gain: float,
    inputs: InputUncertainties,
    n: Value,
    repeats: Value,
    sd: Value,
    vary: Value,
    per_mm: Value,
    visits: VisitMeans | None = None,
) -> Readings:
    """sd: over trials, in the quantity's unit; nan for fewer than two. vary: whether the strips'
    widths do (`counts.widths_vary`). per_mm: the quantity's unit for one mm of contrast.
    visits: of the series of several visits.

    What comes from the stop is anew in each visit, not in each strip: the scatter over visits,
    with a degree of freedom fewer than visits (JCGM 100, H.5.2.2), counts where once expanded it is
    more than that over trials. To take the one or the other by whether the visits agree would hold
    in 83 of 100 series of two visits, not in 95 (own simulation).

    Scatter and hand both contain the rounding already. It is added, not divided by the number of
    trials, unless the widths vary, or the hand surely scatters by 0.3 of a count: the scatter of
    readings that are already rounded does not show that.
    """
    one = reading_mm(gain, inputs.hand, inputs.resolution, repeats, inputs.least_hand)
    root = np.sqrt(np.maximum(n, 1))
    hand_mm, scatter, df = one[0] / root, sd / root, np.maximum(n - 1, 1)
    by_visits = np.zeros(np.shape(n), bool)
    if visits is not None:
        by_visits = visits.visits > 1
        of_visits, free = visits.sd / np.sqrt(visits.visits), np.maximum(visits.visits - 1, 1)
        by_visits &= coverage_factor(free) * of_visits > coverage_factor(df) * scatter
        scatter, df = np.where(by_visits, of_visits, scatter), np.where(by_visits, free, df)
    hand = abs(per_mm) * hand_mm
    chosen = by_hand(n, scatter, hand, inputs.hand_df, inputs.floor_below, df)
    dithered = vary | uncertainty.rounding_averages_out(inputs.least_hand, inputs.resolution)
    over_trials = np.where(dithered, 0.0, gain) * uncertainty.rounding(inputs.resolution)
    return Readings(
        chosen, hand_mm, scatter, df, by_visits & ~chosen, np.where(n < 2, one[1], over_trials), one
    )


def shared_bound(relation: Relation, rounding_u: Value, fixed_u: Value) -> Value:
    """How far the parts that all trials share may shift their mean.

    rounding_u: of rounding that does not average out, from which the furthest that all places
    together can be rounded follows; fixed_u: of the other parts, taken at 95 %.
    """
    furthest = math.sqrt(3) * sum(map(abs, relation.weights)) / gain(relation)
    return rounding_u * furthest + coverage_factor(math.inf) * fixed_u


class SeriesBudget(NamedTuple):
    """The budget of a series' mean. hand_u, rounding_u: what caliper and hand, and the rounding,
    add to a single trial, in the quantity's unit. length_u: of the base, in mm. unit_per_mm: the
    quantity's unit for one mm of contrast, without a sign."""

    total: Budget
    hand_u: float
    rounding_u: float
    length_u: float
    unit_per_mm: float


def of_series(
    relation: Relation,
    facts: SeriesFacts,
    values: Summary,
    contrasts: Summary,
    repeats: int,
    vary: bool = False,
    visits: VisitMeans | None = None,
) -> SeriesBudget:
    """The budget of the mean of one trial or more, line by line.

    values: of the trials, in radians or mm; contrasts: of their contrasts in mm; vary: whether the
    strips' widths do (`counts.widths_vary`). visits: where there are several. The lengths that the
    relation needs must be given.
    """
    mean, contrast = _or_default(values.mean, math.nan), _or_default(contrasts.mean, math.nan)
    sd = _or_default(values.sd, math.nan)
    inputs = InputUncertainties.of(facts)
    per_mm, ratio = _sensitivity(relation, facts, mean)
    read = readings(gain(relation), inputs, values.n, repeats, sd, vary, per_mm, visits)
    found = [
        *_reading_lines(relation, facts, read, (values.n, visits), mean, per_mm),
        *_fixed_lines(relation, facts, inputs, contrast, ratio, per_mm),
    ]
    hand_u, rounding_u = (abs(per_mm) * float(mm) for mm in read.one_trial_mm)
    return SeriesBudget(
        uncertainty.combine(found, guard=True),
        hand_u,
        rounding_u,
        float(base_part(relation, inputs)[1]),
        abs(per_mm),
    )


def _reading_lines(
    relation: Relation,
    facts: SeriesFacts,
    read: Readings,
    of: tuple[int, VisitMeans | None],
    mean: float,
    per_mm: float,
) -> list[Contribution]:
    n, visits = of
    if read.by_hand:
        df = facts.hand_df
        source = HAND + (" (0.02 mm assumed)" if facts.repeatability_mm is None else "")
        shape: Distribution = "normal" if df is None else "Student's t"
        u = float(read.hand_mm)
        found = [Contribution(source, 0.0, "mm", shape, u, per_mm, df, "contrast")]
    else:
        unit = "rad" if relation.terms else "mm"
        source = f"scatter over {n} trials"
        if visits is not None and read.by_visits:
            source = f"scatter over {int(visits.visits[0])} visits"
        u, free = float(np.ravel(read.scatter)[0]), int(np.ravel(read.df)[0])
        found = [Contribution(source, mean, unit, "Student's t", u, 1.0, free)]
    if n < 2 or read.rounding_mm:
        u, one = float(read.rounding_mm), uncertainty.rounding(facts.resolution_mm)
        # The difference of two rounded readings is triangular, of more than two nearly normal.
        shape = "rectangular" if u == one else "triangular"
        found.append(Contribution(RESOLUTION, 0.0, "mm", shape, u, per_mm, None, "contrast"))
    return found


def _fixed_lines(
    relation: Relation,
    facts: SeriesFacts,
    inputs: InputUncertainties,
    contrast: float,
    ratio: float,
    per_mm: float,
) -> list[Contribution]:
    given = facts.baseline_mm if relation.over == "baseline" else facts.thickness_mm
    sizes = {
        "scale": 1.0, "base": given, "inset": facts.inset_mm, "jaws": facts.jaw_width_mm,
    }  # fmt: skip
    stated = {SCALE: facts.scale_u, ZERO: facts.zero_u_mm}
    found = []
    for part in fixed_parts(relation, inputs):
        if facts.method.judges != "machine" and part.source in stated:
            continue
        if part.source == STRAIGHTNESS and not facts.straightness_mm:
            continue
        if part.source in (JAWS, BLOCK) and not part.u:
            continue
        found.append(
            Contribution(
                part.source,
                sizes.get(part.enters) or 0.0,
                "1" if part.enters == "scale" else "mm",
                "rectangular" if stated.get(part.source) is None else "normal",
                float(part.u),
                float(per_mm * part.sensitivity(contrast, ratio)),
                None,
                part.enters,
            )
        )
    return found


def _sensitivity(relation: Relation, facts: SeriesFacts, mean: float) -> tuple[float, float]:
    """Change of the quantity for one mm of contrast, and contrast / base at the mean, as read."""
    if not relation.terms:
        return 1.0, mean
    pieces = geometry.pieces_of(facts.method, facts.pieces)
    sign = geometry.strip_sign(facts.method, facts.strip_side)
    base = facts.base_mm(relation)
    assert base is not None  # a mean was found, so a base was given
    steep = float(geometry.slope(relation, mean, pieces)) * base
    return sign / steep, sign * float(geometry.ratio(relation, mean, pieces))


def trial_uncertainty(facts: SeriesFacts, quantity: Quantity | None = None) -> Array:
    """(n,) expanded uncertainty, at 95 %, of each single trial's angle or tilt in radians.

    quantity: None takes the angle, or the tilt where the method reveals no angle. For
    a length (only if asked for) it is in mm. nan for a trial not complete, and for all
    where the method does not reveal it. It contains what measuring adds: caliper and hand,
    resolution, lengths, scale, straightness; not the machine's scatter from cut to cut.
    Raises ValueError as `geometry.series_values` does.
    """
    method = facts.method
    means = geometry.place_means(method, facts.widths_mm)
    wanted: tuple[Quantity, ...] = ("angle", "tilt") if quantity is None else (quantity,)
    relation = next((r for w in wanted if (r := method.relation(w)) is not None), None)
    if relation is None:
        return np.full(len(means), np.nan)
    base = facts.base_mm(relation)
    if base is None and relation.terms:
        return np.full(len(means), np.nan)
    base, pieces = base or 1.0, geometry.pieces_of(method, facts.pieces)
    inputs = InputUncertainties.of(facts)
    # The variance of contrast / base is a quadratic in it, the same for every trial, plus what the
    # readings add, which depends on how often each trial's places were read.
    growing = linear = fixed = 0.0
    for line in fixed_parts(relation, inputs):
        at, by = line.u * line.fixed / base, line.u * (line.by_contrast + line.by_ratio / base)
        growing, linear, fixed = growing + by * by, linear + 2 * at * by, fixed + at * at
    repeats = np.maximum(repeats_read(facts), 1)
    hand, rounding = reading_mm(
        gain(relation), inputs.hand, inputs.resolution, repeats, inputs.least_hand
    )
    hand = (hand / base) ** 2
    steady = fixed + hand + (rounding / base) ** 2
    hand, steady = (np.broadcast_to(part, len(means)) for part in (hand, steady))
    unlimited = math.isinf(inputs.hand_df) or not hand.any()
    expanded = np.empty(len(means))
    for rows in geometry.blocks(len(means)):
        ratio = geometry.weighted(means[rows], relation.weights) / base
        # `square` and `variance` are changed in place: with a million trials memory is what costs.
        square = ratio * ratio
        variance = square * growing
        variance += steady[rows]
        if linear:
            variance += linear * ratio
        u = np.sqrt(variance, out=variance)
        if unlimited:
            u *= coverage_factor(math.inf)
        else:
            rest = np.sqrt(np.maximum(u * u - hand[rows], 0))
            u *= uncertainty.factor(
                [np.sqrt(hand[rows]), rest], [[inputs.hand_df], [math.inf]], guard=True
            )[1]
        np.divide(u, _slope(relation, ratio, square, pieces), out=expanded[rows])
    return expanded


def _slope(relation: Relation, ratio: Array, square: Array, pieces: int) -> Value:
    """Change of contrast / base for one radian; `square` is the ratio's, and is overwritten."""
    if not relation.terms:
        return 1.0
    if len(relation.terms) > 1 or relation.nominal_rad:
        return geometry.slope(relation, geometry.solve(relation, ratio, pieces), pieces)
    # c m (1 + (ratio / c)^2), without a tangent
    c, m = relation.terms[0].coefficient, relation.terms[0].multiple
    m *= pieces if relation.terms[0].per_piece else 1
    square *= m / c
    square += m * c
    return square


def repeats_read(facts: SeriesFacts) -> NDArray[np.int64]:
    """How often each trial's least read place was read: (n,), or (1,) where all places hold one."""
    widths = np.asarray(facts.widths_mm, dtype=np.float64)
    if widths.ndim < 3 or widths.shape[2] == 1 or not widths.size:
        return np.ones(1, dtype=np.int64)
    read: NDArray[np.int64] = np.isfinite(widths).sum(axis=2).min(axis=1)
    return read
