"""Did the machine come back to its stop? Compares the cuts before and after a swing to an angle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis import looked, quantiles
from analysis.conversions import SizeUnit, plus_minus_text, size_text
from analysis.difference import (
    BEYOND,
    Difference,
    difference_from_parts,
    difference_of_means,
    rounded_df,
)
from analysis.interval import Interval
from analysis.looked import EachLook
from analysis.sentences import Led
from analysis.spread import Summary, summary
from analysis.uncertainty import FEW
from analysis.visits import Counted, called

Answer = Literal["came back", "did not", "cannot tell"]
Way = Literal["prediction interval", "Welch and two one-sided tests", "each look"]

# More cuts than anybody makes to answer one question.
_MOST_CUTS: Final = 200


@dataclass(frozen=True, slots=True)
class Return:
    """The answer and its basis.

    `shift`: mean after minus mean before, with its 95 % interval where there is one.
    `expected`: where one more trial at the old setting would lie (prediction interval), for
    the case of a single trial after. `p_within`: p of the two one-sided tests against the
    margin. `more_cuts`: how many more cuts after the swing would give an answer, if they are like
    those made; 0 when the answer is known, None where no number of them would.
    """

    answer: Answer
    way: Way | None
    before: Summary
    after: Summary
    shift: Difference | None
    expected: Interval | None
    margin: float | None
    p_within: float | None
    more_cuts: int | None
    sentence: Led


def came_back(
    before: ArrayLike,
    after: ArrayLike,
    *,
    margin: float | None = None,
    margin_of: str = "",
    floor_sd: float = 0.0,
    apart_u: float = 0.0,
    known_sd: float | None = None,
    known_df: float = math.inf,
    counted: Counted = "trial",
    noun: str = "strip",
    unit: SizeUnit = "rad",
    level: float = 0.95,
    each_look: EachLook = (False, False),
) -> Return:
    """Whether the cuts after a swing to an angle and back agree with those before.

    before, after: one value for each trial in `unit`, by the same method; nan does not count.
    Systematic errors cancel in the shift where both share them (same caliper, same board);
    apart_u: standard uncertainty of the shift from those that they do not (`systematic.between`).
    margin: the largest shift that does not matter (half a tolerance, say), greater than 0;
    margin_of: where it comes from, in words, if the person did not give it.
    Without one `came back` cannot be claimed, only `did not` or `cannot tell`.
    floor_sd: least standard deviation of one trial that the caliper's rounding allows.
    known_sd, known_df: standard deviation of one trial known from earlier series, used only
    where neither side has two trials. counted: what the values are; visits' means
    (`visits.units`) count as trials do here. noun: what a sentence calls a trial.

    With several trials on both sides: Welch's interval, and two one-sided tests (TOST) at
    1 - level. With one trial on a side: the other side's scatter is used for both, so that
    Welch's interval is the prediction interval mean +/- t s sqrt(1 + 1/n)
    (ISO 16269-8, 5; from memory), and the tests use the same standard error.
    `came back`: the shift is within the margin by the tests, even where a small shift shows.
    `did not`: otherwise, the shift's interval excludes zero. `cannot tell`: neither.
    each_look: of the two series, those that were looked at after every trial. The interval is then
    that of `looked.half_width`, which holds at all looks together, and both answers are by it.
    Raises ValueError for a margin that is not a positive number.
    """
    if margin is not None and not (margin > 0 and math.isfinite(margin)):
        raise ValueError("the margin must be greater than zero; give the shift you can accept")
    a, b = summary(before), summary(after)
    looks = any(each_look)
    if looks:
        shift, expected, way = _looked_shift(a, b, each_look, floor_sd, apart_u, level)
    else:
        shift, expected, way = _shift(a, b, floor_sd, apart_u, known_sd, known_df, level)
    p_within = None if shift is None or margin is None or looks else shift.within(margin)
    answer: Answer = "cannot tell"
    if _within(shift, margin, p_within, level):
        answer = "came back"
    elif shift is not None and shift.interval is not None and 0 not in shift.interval:
        answer = "did not"
    more: int | None = 0
    if answer == "cannot tell":
        if looks:
            more = _more_looked(a, b, shift, margin, each_look, floor_sd, apart_u, level)
        else:
            more = _more_cuts(a, b, shift, margin, floor_sd, apart_u, known_sd, level)
    accepted = "" if margin is None else _accepted(margin, margin_of, unit)
    what = called(counted, noun)
    sentence = _sentence(answer, a, b, shift, expected, margin, accepted, more, unit, what, looks)
    return Return(answer, way, a, b, shift, expected, margin, p_within, more, sentence)


def _within(
    shift: Difference | None, margin: float | None, p_within: float | None, level: float
) -> bool:
    """Whether the shift is shown to be within the margin: by the tests, or else by its interval."""
    if p_within is not None:
        return p_within < 1 - level
    if shift is None or shift.interval is None or margin is None or shift.df is not None:
        return False
    return abs(shift.estimate) + shift.interval.half_width < margin


def _looked_shift(
    a: Summary,
    b: Summary,
    each_look: EachLook,
    floor_sd: float,
    apart_u: float,
    level: float,
) -> tuple[Difference | None, Interval | None, Way | None]:
    if a.mean is None or b.mean is None:
        return None, None, None
    estimate = b.mean - a.mean
    half = float(
        looked.half_width(a, b, each_look, floor_sd=floor_sd, apart_u=apart_u, level=level)
    )
    if not 0 < half < math.inf:
        return Difference(estimate), None, None
    welch = difference_of_means(a, b, floor_sd=floor_sd, apart_u=apart_u, level=level)
    error = None if welch is None else welch.standard_error
    return (
        Difference(estimate, error, interval=Interval.about(estimate, half, level)),
        None,
        "each look",
    )


def _more_looked(
    a: Summary,
    b: Summary,
    shift: Difference | None,
    margin: float | None,
    each_look: EachLook,
    floor_sd: float,
    apart_u: float,
    level: float,
) -> int | None:
    """The fewest further cuts that give an answer, if shift and scatter stay as they are."""
    sd = b.sd if b.sd is not None else a.sd
    if shift is None or sd is None:
        return None
    n = np.arange(max(b.n + 1, looked.FEWEST), b.n + _MOST_CUTS + 1)
    at: Any = {"floor_sd": floor_sd, "apart_u": apart_u, "level": level}
    half = looked.half_width(a, b, each_look, second_n=n, second_sd=sd, **at)
    size = abs(shift.estimate)
    tells = size > half
    if margin is not None:
        tells |= size + half < margin
    found = n[tells & (half > 0)]
    return int(found[0]) - b.n if found.size else None


def _shift(
    a: Summary,
    b: Summary,
    floor_sd: float,
    apart_u: float,
    known_sd: float | None,
    known_df: float,
    level: float,
) -> tuple[Difference | None, Interval | None, Way | None]:
    if a.mean is None or b.mean is None:
        return None, None, None
    if a.sd is not None and b.sd is not None:
        welch = difference_of_means(a, b, floor_sd=floor_sd, apart_u=apart_u, level=level)
        return welch, None, "Welch and two one-sided tests"
    sd, df = known_sd, known_df
    for side in (a, b):
        if side.sd is not None:
            sd, df = side.sd, side.n - 1.0
    estimate = b.mean - a.mean
    if sd is None:
        return Difference(estimate), None, None
    # As in `difference_of_means`: rounding that is alike in all trials of a side stays in its mean.
    variance = sd**2 * (1 / a.n + 1 / b.n)
    if sd < floor_sd:
        variance, df = 2 * floor_sd**2, rounded_df(df)
    elif sd <= BEYOND * floor_sd:
        apart_u = math.hypot(apart_u, math.sqrt(2) * floor_sd)
    shift = difference_from_parts(estimate, [(variance, df)], level, fixed_u=apart_u)
    expected = None
    if shift.interval is not None:
        half = shift.interval.half_width
        expected = Interval.about(a.mean, half, level)
    return shift, expected, "prediction interval"


def _more_cuts(
    a: Summary,
    b: Summary,
    shift: Difference | None,
    margin: float | None,
    floor_sd: float,
    apart_u: float,
    known_sd: float | None,
    level: float,
) -> int | None:
    """The fewest further cuts that give an answer, if shift and scatter stay as they are."""
    if shift is None or a.sd is None:
        return None
    sd_after = b.sd if b.sd is not None else (known_sd if known_sd is not None else a.sd)
    floor2 = floor_sd**2
    var_before, df_before = a.sd**2 / a.n, a.n - 1.0
    if a.sd < floor_sd:
        var_before, df_before = floor2, rounded_df(df_before)
    first = max(1, 2 - b.n)
    n = np.arange(b.n + first, b.n + _MOST_CUTS + 1, dtype=float)
    var_after, lost_after = sd_after**2 / n, 1 / (n - 1)
    if sd_after < floor_sd:
        var_after = np.full_like(n, floor2)
        lost_after = np.where(n - 1 < FEW, lost_after, 0.0)
    hidden = [floor_sd <= sd <= BEYOND * floor_sd for sd in (a.sd, sd_after)]
    apart_u = math.hypot(apart_u, floor_sd * math.sqrt(sum(hidden)))
    variance = var_before + var_after + apart_u**2
    if not variance[0] > 0:
        return None
    # Welch and Satterthwaite, for every number of cuts at once.
    lost = (var_before / variance) ** 2 / df_before + (var_after / variance) ** 2 * lost_after
    df = 1 / np.maximum(lost, 1e-9)
    error, size = np.sqrt(variance), abs(shift.estimate)
    own_df = 1 / np.maximum(lost_after, 1e-9)
    few = np.minimum(own_df, df_before) < FEW

    def half(at: float) -> NDArray[np.float64]:
        # The guard of `difference.difference_from_parts`.
        each = (
            quantiles.student_t(at, df_before) ** 2 * var_before
            + quantiles.student_t(at, own_df) ** 2 * var_after
            + (quantiles.normal(at) * apart_u) ** 2
        )
        return np.maximum(quantiles.student_t(at, df) * error, np.where(few, np.sqrt(each), 0))

    tells = size > half((1 + level) / 2)
    if margin is not None:
        tells |= size + half(level) < margin
    found = np.flatnonzero(tells)
    return int(found[0]) + first if found.size else None


def _accepted(margin: float, margin_of: str, unit: SizeUnit) -> str:
    """ "the 0.05 degrees that you accept", or "0.05 degrees, half the tolerance"."""
    size = size_text(margin, unit)
    return f"{size}, {margin_of}" if margin_of else f"the {size} that you accept"


def _sentence(
    answer: Answer,
    a: Summary,
    b: Summary,
    shift: Difference | None,
    expected: Interval | None,
    margin: float | None,
    accepted: str,
    more: int | None,
    unit: SizeUnit,
    what: str,
    few: bool,
) -> Led:
    unsure, yet = "Cannot tell", "Cannot tell yet"
    if a.n == 0 or shift is None:
        when = "before" if a.n == 0 else "after"
        return Led(unsure, ": ", f"there is no {what} from {when} the swing.")
    if shift.interval is None or shift.standard_error is None:
        if few and min(a.n, b.n) < looked.FEWEST:
            when = (
                "after the swing" if a.n >= looked.FEWEST else "before the next swing and after it"
            )
            made = looked.few(min(a.n, b.n), what)
            return Led(yet, ": ", f"{made}; make at least {looked.FEWEST} {when}.")
        if a.n > 1 or b.n > 1:
            return Led(
                unsure,
                ": ",
                f"the {what}s are all alike to the caliper's last digit, so their scatter is "
                "unknown; read them with a finer caliper.",
            )
        made = f"1 {what} before and 1 after show no scatter"
        return Led(unsure, ": ", f"{made}; add at least 1 more.")
    moved = plus_minus_text(shift.estimate, shift.interval.half_width, unit)
    if answer == "came back":
        shown = f"the shift, {moved}, is within {accepted}."
        return Led("It came back to its stop", ": ", shown)
    if answer == "did not":
        where = (
            f" The {what} after the swing lies outside where the next one was expected."
            if expected is not None and b.n == 1
            else ""
        )
        if margin is not None and abs(shift.estimate) < margin:
            where += f" Whether the shift is within {accepted} is not shown."
        return Led("It did not come back to its stop", ": ", f"it moved by {moved}.{where}")
    start = f"the shift is {moved}"
    if margin is None:
        return Led(
            yet,
            ": ",
            f"{start}, so it may be none. Nothing shows a fault of the stop; to call it good, "
            "give the largest shift that you accept.",
        )
    if more is None:
        return Led(
            yet,
            ": ",
            f"{start}; more {what}s now would not give an answer. Make more before the next "
            "swing, with the same caliper and board after it, or accept a larger shift.",
        )
    trials = f"1 more {what}" if more == 1 else f"{more} more {what}s"
    return Led(yet, ": ", f"{start}, against {accepted}. About {trials} would tell.")
