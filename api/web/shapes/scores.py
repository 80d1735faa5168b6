"""What the trials of a series say together."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

from analysis.in_hand import Act
from api.web.shapes import Out
from api.web.shapes.sentences import SentencePartOut


class ToleranceOut(Out):
    """At most one kind of tolerance: an angle, a gap over a joint, or a length from nominal."""

    deg: str | None = None
    gap: str | None = None
    joint: str | None = None
    length: str | None = None
    nominal: str | None = None


class IntervalOut(Out):
    low: float
    high: float
    level: float


class ContributionOut(Out):
    source: str
    value: float | None
    unit: str
    distribution: str
    standard_uncertainty: float
    sensitivity: float
    contribution: float
    degrees_of_freedom: float | None


class OwnScatterOut(Out):
    """The scatter of the machine's single cuts, without that of caliper and hand; `hidden`: these
    two could explain all of it. sd: null without a study of them; the interval then holds for every
    usual hand."""

    sd: float | None
    interval: IntervalOut
    hidden: bool


class QuantityOut(Out):
    """What the trials say of one quantity, in `unit`; null where too few say anything.

    expanded_uncertainty = coverage_factor * standard uncertainty of the mean, at 95 %
    (JCGM 100), for one look at so many trials. verdict by the rule of ISO 14253-1, on an interval
    that `rule` names: it holds however often one looks, or at the one look that was planned, or
    with the scatter of the machine's earlier series; statement says so in words. conformance is
    the probability of lying within the tolerance (JCGM 106). sentence_parts: the sentence cut at
    its measures, for a page that shows other units; their texts joined are `sentence`. scatter
    says in words what the scatter is of. prediction and tolerance_interval are of single cuts, of
    which a trial may average several (`cuts` of its method); where nothing is cut, of single
    trials.
    """

    unit: Literal["deg", "mm"]
    trials: int
    mean: float | None
    sd: float | None
    range: float | None
    expanded_uncertainty: float | None
    coverage_factor: float | None
    effective_degrees_of_freedom: float | None
    mean_interval: IntervalOut | None
    sd_interval: IntervalOut | None
    prediction: IntervalOut | None
    tolerance_interval: IntervalOut | None
    own_scatter: OwnScatterOut | None
    tolerance: float | None
    conformance: float | None
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None
    rule: Literal["each look", "one look", "not yet", "earlier series"] | None
    statement: str
    direction: str
    sentence: str
    sentence_parts: list[SentencePartOut]
    scatter: str
    remedy: str | None
    budget: list[ContributionOut]


class StudyOut(Out):
    """What studies of the series' calipers say; null where not every one was studied.

    repeatability_mm: standard deviation of one reading by caliper and hand. scale_u, relative,
    and zero_u_mm: standard uncertainties of what is not corrected. same_spot and known_block:
    the series that they come from. The repeatability weighs its series by readings, age and person,
    from the first to the last of them; its degrees of freedom are those that count after that.
    """

    repeatability_mm: float | None
    repeatability_degrees_of_freedom: float | None
    scale_u: float | None
    zero_u_mm: float | None
    same_spot: list[UUID]
    known_block: list[UUID]
    repeatability_from: datetime | None
    repeatability_to: datetime | None


class ScoreOut(Out):
    """`study`: what is known of the calipers from studies, null where nothing is."""

    trials: int
    quantities: dict[str, QuantityOut]
    notes: list[str]
    study: StudyOut | None


class WithoutOut(Out):
    """A quantity without the doubtful trials."""

    trials: int
    mean: float | None
    expanded_uncertainty: float | None
    verdict: Literal["good enough", "needs adjusting", "cannot tell yet"] | None


class NowOut(Out):
    """What to do about a doubt while the strip is in the hand.

    trials: those that the acts are done to. acts: first the one that helps most. swap ends, leave
    out: of each of them; measure again: take back all readings of the newest trial; begin again:
    leave them out and take back what is read of the next one; other side: correct to which side of
    the blade the strip fell. Empty where only the next strip helps.
    """

    kind: str
    trials: list[int]
    sentence: str
    sentence_parts: list[SentencePartOut]
    acts: list[Act]


class DoubtOut(Out):
    """Trials, by number, that deserve a second look, and the score without them.

    They still count: nothing is left out. now: what to do at once; null where it is not about the
    newest trial, and has not come up with it.
    """

    kind: str
    trials: list[int]
    sentence: str
    now: NowOut | None
    without: dict[str, WithoutOut]


class VisitsOut(Out):
    """How a machine returned to its stop, from visit to visit, in the quantity's own unit.

    strips, means: of each visit. within: standard deviation of single strips of one visit; between:
    that of the stop itself from visit to visit, both with their intervals at 95 %, null where the
    one cannot be told from the other. returns: of one strip that is cut after going away and back.
    told: whether the visits differ by more than their strips explain. The result and the verdict of
    the series count visits, not strips.
    """

    strips: list[int]
    means: list[float]
    within: float | None
    within_interval: IntervalOut | None
    between: float | None
    between_interval: IntervalOut | None
    returns: float
    told: bool | None
    sentence: str


class TrendOut(Out):
    """How a quantity changed from the first trial to the last, in its own unit.

    creep: by the fitted line, with its interval and p (NIST e-Handbook 4.4.3); early and
    late: means of the two halves. Null where the cuts are too few. `shown`: more than
    chance explains, though it is asked anew after every cut.
    """

    cuts: int
    creep: float | None
    interval: IntervalOut | None
    p: float | None
    early: float | None
    late: float | None
    shown: bool
    sentence: str
