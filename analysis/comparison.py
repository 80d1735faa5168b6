"""Compares two series: which is further out, which is less steady.

These are two questions. A machine can be further from its nominal angle and still repeat
better: it needs one adjustment; in the other, the cause of the scatter must be found first.

Differences are always second minus first. Numbers may be in any unit; `unit` only names it for
the sentences ("rad" is shown in degrees, "in" in thou).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

from numpy.typing import ArrayLike

from analysis.conversions import SizeUnit, plus_minus_text, size_text
from analysis.counts import compared_bounds
from analysis.difference import (
    Difference,
    difference_from_parts,
    difference_of_means,
    each_expanded,
)
from analysis.sentences import capital
from analysis.spread import Summary, sd_interval, summary
from analysis.spread_ratio import SpreadRatio, spread_ratio
from analysis.uncertainty import HAND_BOUND_MM
from analysis.visits import Counted, called

Which = Literal["first", "second"]
# With fewer values in a series odd ones often hide from the classification of tails
# (`spread_ratio`), and Fisher's F, which takes normal scatter for granted (NIST e-Handbook
# 1.3.5.9), then misleads: of equal machines whose every tenth cut scatters four times as much, it
# told 16 % of pairs of 10 trials apart, 11 % of 12, 7 % of 20, 3 % of 30 (own simulation).
_TAILS_SHOW: Final = 30
# Baselines that differ by less than this make no difference to a ratio of spreads.
_ALIKE: Final = 1.02


class TrialParts(NamedTuple):
    """What a trial's value is made of. share: of a single cut's variance in it
    (`Method.cut_share`); reading: its change for one mm of a reading's scatter, in its own unit;
    hand_mm: the most that a reading scatters by hand and caliper, a standard deviation."""

    share: float = 1.0
    reading: float = 1.0
    hand_mm: float = HAND_BOUND_MM


class Trials(NamedTuple):
    """How the trials of two series are made, and whether one hand with one caliper read both."""

    first: TrialParts = TrialParts()
    second: TrialParts = TrialParts()
    one_hand: bool = True

    @property
    def alike(self) -> bool:
        """Whether the spread of trials and that of single cuts have the same ratio."""
        low, high = self.steady_alike
        return high / low < _ALIKE

    @property
    def steady_alike(self) -> tuple[float, float]:
        """The ratios of trial scatter, second over first, of machines whose cuts scatter alike.

        With s^2 = share cut^2 + reading^2 hand^2 of each and one hand, the ratio lies between that
        of cuts alone and that of the hand alone, whatever the hand.
        """
        cuts = math.sqrt(self.second.share / self.first.share)
        hand = self.second.reading / self.first.reading
        return min(cuts, hand), max(cuts, hand)


ONE_HAND: Final = Trials()
"""Trials of one method over one length, read by one hand with one caliper."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """The comparison of two series.

    `further_out`: the one whose mean lies further from nominal, None where nominal is not
    given or the two are equal; `further_out_shown`: the data show it, at `level`.
    `less_steady` and `less_steady_shown` the same for the spread, of single cuts. `spread` is of
    trials.
    """

    first: Summary
    second: Summary
    difference: Difference | None
    spread: SpreadRatio | None
    further_out: Which | None
    further_out_shown: bool
    less_steady: Which | None
    less_steady_shown: bool
    sentence: str


def compare(
    first: ArrayLike,
    second: ArrayLike,
    *,
    names: tuple[str, str] = ("the first", "the second"),
    unit: SizeUnit = "rad",
    nominal: float | None = 0.0,
    shared_u: float = 0.0,
    apart_u: float = 0.0,
    floor_sd: float = 0.0,
    trials: Trials = ONE_HAND,
    counted: Counted = "trial",
    noun: str = "strip",
    level: float = 0.95,
) -> Comparison:
    """Which of two series is further out, which is less steady, and whether the data show it.

    first, second: one value for each trial, in `unit`; nan does not count. Angles are errors
    already, so their nominal is 0; for lengths give the nominal, or None if there is none.
    shared_u: standard uncertainty of a systematic error that both means share, in full and
    with one sign (same caliper, same cut length). It cancels in the difference, but not in the
    distances from nominal of two means on opposite sides of it.
    apart_u, floor_sd: see `difference_of_means`. trials: how they are made; where differently, the
    scatter of single cuts is compared.
    counted: what the values are; of visits' means (`visits.units`) no scatter is compared, since it
    is of stop and strips together. noun: what a sentence calls a trial.
    'Further out' is shown when the difference of the means and their sum (both counted from
    nominal) both have intervals that exclude zero: |m2| > |m1| exactly when
    (m2 - m1)(m2 + m1) > 0. 'Less steady' is shown when the interval of `spread_ratio`
    excludes every ratio that machines alike may show: 1, or `Trials.steady_alike`. Where two hands
    or two calipers read, the steadier series' variance is raised by all that the other hand may
    add (`TrialParts.hand_mm`) before that.
    """
    a, b = summary(first), summary(second)
    difference = difference_of_means(a, b, floor_sd=floor_sd, apart_u=apart_u, level=level)
    spread = spread_ratio(first, second, level, floor_sd) if counted == "trial" else None
    further, further_shown = _further_out(a, b, difference, nominal, shared_u, level)
    loose, loose_shown = _less_steady(a, b, spread, trials, floor_sd)
    found = Comparison(
        a, b, difference, spread, further, further_shown, loose, loose_shown, sentence=""
    )
    sentence = _pair_sentence(found, names, unit, nominal, trials, counted, noun)
    return replace(found, sentence=sentence)


def _further_out(
    a: Summary,
    b: Summary,
    difference: Difference | None,
    nominal: float | None,
    shared_u: float,
    level: float,
) -> tuple[Which | None, bool]:
    if difference is None or nominal is None or a.mean is None or b.mean is None:
        return None, False
    out_a, out_b = a.mean - nominal, b.mean - nominal
    if abs(out_a) == abs(out_b):
        return None, False
    which: Which = "second" if abs(out_b) > abs(out_a) else "first"
    if difference.standard_error is None or difference.df is None or difference.interval is None:
        return which, False
    total = difference_from_parts(
        out_a + out_b,
        [(difference.standard_error**2, difference.df), (4 * shared_u**2, math.inf)],
        level,
    )
    assert total.interval is not None
    guarded = each_expanded((1 + level) / 2, (*difference.guarded, (4 * shared_u**2, math.inf)))
    beyond = 0 not in total.interval and abs(out_a + out_b) > guarded
    return which, 0 not in difference.interval and beyond


def _less_steady(
    a: Summary, b: Summary, spread: SpreadRatio | None, trials: Trials, floor_sd: float
) -> tuple[Which | None, bool]:
    if spread is None or a.sd is None or b.sd is None:
        return None, False
    low, high = trials.steady_alike
    if spread.ratio is None or spread.interval is None:
        if a.sd == b.sd or not trials.alike:
            return None, False
        return ("second" if b.sd > a.sd else "first"), False
    if low <= spread.ratio <= high:
        return None, False
    of = spread.interval
    if spread.ratio > high:
        most = compared_bounds(a.sd, floor_sd).most
        return "second", of.low > high and _beyond_hand(of.low, most, trials)
    most = compared_bounds(b.sd, floor_sd).most
    turned = Trials(trials.second, trials.first, trials.one_hand)
    return "first", of.high < low and _beyond_hand(1 / of.high, most, turned)


def _beyond_hand(least_ratio: float, first_sd: float, trials: Trials) -> bool:
    """Whether the second's cuts scatter more although another hand read it."""
    if trials.one_hand:
        return True
    cuts = math.sqrt(trials.second.share / trials.first.share) * first_sd
    return least_ratio * first_sd > math.hypot(cuts, trials.second.reading * trials.second.hand_mm)


def _pair_sentence(
    c: Comparison,
    names: tuple[str, str],
    unit: SizeUnit,
    nominal: float | None,
    trials: Trials,
    counted: Counted,
    noun: str,
) -> str:
    a, b = c.first, c.second
    if a.mean is None or b.mean is None or c.difference is None:
        name = names[0] if a.mean is None else names[1]
        return f"{capital(name)} has no {noun}s yet; make some to compare."
    estimate, u, interval = (
        c.difference.estimate,
        c.difference.standard_error,
        c.difference.interval,
    )
    subject = 0 if c.further_out == "first" else 1
    if nominal is None:
        shown = interval is not None and 0 not in interval
        more = "more" if estimate > 0 else "less"
        lead = f"{capital(names[1])} " + (
            f"is {size_text(estimate, unit, u)} {more} than {names[0]}"
            if estimate
            else f"has the same mean as {names[0]}"
        )
    else:
        shown = c.further_out_shown
        out = (abs(a.mean - nominal), abs(b.mean - nominal))
        far, near = size_text(out[subject], unit, u), size_text(out[1 - subject], unit, u)
        if c.further_out is None:
            lead = f"{capital(names[1])} is as far out as {names[0]} ({far})"
        elif shown:
            lead = f"{capital(names[subject])} is further out: {far} against {near}"
        else:
            lead = f"{capital(names[subject])} looks further out ({far} against {near})"
    if interval is None:
        if min(a.n, b.n) > 1:
            return (
                f"{lead}, but that is not sure: the {called(counted, noun)}s show no scatter to"
                " judge by."
            )
        return f"{lead}, but that is not sure: {_one_shows_nothing(counted, noun)}."
    if shown:
        gap = plus_minus_text(estimate, interval.half_width, unit)
        lead += f" (the means differ by {gap})"
    elif c.further_out is not None or nominal is None:
        half = size_text(interval.half_width, unit, interval.half_width)
        lead += f", not yet shown: the difference is uncertain by ± {half}"
    if counted == "visit":
        return f"{lead}. {_NOT_STEADINESS}"
    return f"{lead}. {_steadiness(c, subject, names, unit, trials, noun)}"


def _one_shows_nothing(counted: Counted, noun: str) -> str:
    if counted == "trial":
        return f"1 {noun} cannot show how steady a machine is; make at least 2 with each"
    return (
        f"1 visit cannot show how a machine comes back to its stop; make {noun}s in at least 2"
        " visits with each"
    )


_NOT_STEADINESS: Final = (
    "Which one repeats better is not compared: visits scatter by the stop and single cuts together."
)


def _steadiness(
    c: Comparison,
    subject: int,
    names: tuple[str, str],
    unit: SizeUnit,
    trials: Trials,
    noun: str,
) -> str:
    """The second half of the sentence, about the machine that is the subject of the first."""
    span = _span(c, subject, unit, trials)
    if c.less_steady is None:
        if not trials.alike:
            return f"Which one's cuts scatter less is not told by these {noun}s ({span})."
        if c.first.sd != c.second.sd:
            return f"Which is steadier the caliper's count does not show ({span})."
        return f"Both are equally steady ({span})."
    worse = (0 if c.less_steady == "first" else 1) == subject
    word = "less steady" if worse else "steadier"
    if c.less_steady_shown:
        shown = f"It is {word} than {names[1 - subject]} ({span})."
        by_f = c.spread is not None and c.spread.rule == "F"
        if by_f and min(c.first.n, c.second.n) < _TAILS_SHOW:
            shown += f" So few {noun}s cannot show whether one odd {noun} did that."
        return shown
    looks = f"It looks {word} than {names[1 - subject]} ({span}), but"
    interval = c.spread.interval if c.spread is not None else None
    low, high = trials.steady_alike
    if interval is not None and (interval.low > high or interval.high < low):
        return (
            f"{looks} another hand or caliper may do that: 10 presses of each on one spot "
            "(method Same spot) would tell."
        )
    return f"{looks} these {noun}s do not prove it."


def _span(c: Comparison, subject: int, unit: SizeUnit, trials: Trials) -> str:
    """What both scatter by, the subject first."""
    sides = (c.first, c.second)
    if trials.alike:
        ranges = [size_text(s.range or 0.0, unit) for s in sides]
        return f"range {ranges[subject]} against {ranges[1 - subject]}"
    most = [
        size_text(sd_interval(s.sd or 0.0, max(s.n, 2)).high / math.sqrt(of.share), unit)
        for s, of in zip(sides, trials[:2], strict=True)
    ]
    return f"a single cut scatters by at most {most[subject]} against {most[1 - subject]}"
