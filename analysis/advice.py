"""The move that removes an error, and the effect of an error on the work.

Left and right are as seen from above with the fence at the bottom and the board above it.
The cut's error is positive when its open end leans to the right. Without left and right, for
every saw: at its wide end the strip's cut leans away from the strip, so there the blade has to
come nearer to the strip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.conversions import SizeUnit, plus_minus_text, size_text
from analysis.difference import Difference, difference_from_parts
from analysis.interval import Interval
from analysis.methods import SAWING_CAUTIONS, Side
from analysis.recut import ENOUGH, Found
from analysis.systematic import NOTHING, Systematic, combined_u
from analysis.units import positive

Array = NDArray[np.float64]

WhyLeft = Literal["no error", "too few trials", "not known closely", "not set closely"]

ADJUSTING_CAUTIONS: Final = (
    "Unplug the machine before you adjust it.",
    "Tighten every lock again, and turn the blade around once by hand before you plug it in.",
    *SAWING_CAUTIONS,
)


@dataclass(frozen=True, slots=True)
class Fence:
    """How a fence is adjusted: it turns about a pivot at one end, and is moved `span_mm`
    from it, by a screw of `pitch_mm` if there is one. `pivot`: which end, as seen from above."""

    span_mm: float
    pivot: Side = "left"
    pitch_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Move:
    """The move at the adjusting point, square to the fence, with its uncertainty (95 %).

    toward_board is None where no fence is moved; the sentence gives the direction.
    """

    distance_mm: float
    uncertainty_mm: float
    toward_board: bool | None
    turns: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Shim:
    """A shim between fence and board, or behind a bolted fence, at its `end`, `span_mm` from
    the place where the board or the fence keeps touching."""

    thickness_mm: float
    uncertainty_mm: float
    end: Side
    span_mm: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to move, in which direction, how far; and what to expect then.

    blade_turn_rad: how far the blade or arm turns, counter-clockwise positive seen from
    above (for a tilt: its top to the left positive); None where no blade turns. predicted:
    where the mean of as many trials, cut and measured after that, lies with 95 % or more: in
    radians from nominal, of a length in mm; first_within: how far the first of them alone;
    after_move: how far their mean, also where a move is not advised. move and shim are None
    where there is none, and where nothing should be changed; why_left says why. what: the sentence
    without what to expect.
    """

    leave_it: bool
    why_left: WhyLeft | None
    blade_turn_rad: float | None
    move: Move | None
    shim: Shim | None
    predicted: Interval
    first_within: float
    after_move: float
    what: str
    sentence: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AngleEstimate:
    """An angle in radians, its standard uncertainty and degrees of freedom; systematic: what
    more trials do not reduce, which may be shared with another, beside u_rad."""

    angle_rad: float
    u_rad: float
    df: float = math.inf
    systematic: Systematic = NOTHING


@dataclass(frozen=True, slots=True)
class FenceHalves:
    """The errors of the two halves of a fence.

    out_of_line: left half's error minus the right half's, with its interval. mean_rad: what
    a reversal shows, the mean of the two, with its expanded uncertainty. against_reversal: a
    reversal's result minus that mean.
    """

    out_of_line: Difference
    in_line: bool
    mean_rad: float
    mean_expanded_rad: float | None
    against_reversal: Difference | None
    agrees: bool | None
    sentence: str


def advise(
    found: Found,
    *,
    strip_side: Side = "left",
    fence: Fence | None = None,
    setting_mm: float = 0.0,
) -> Advice:
    """How to remove a cut's angle error.

    strip_side: on which side of the blade the strip fell at the last cut. setting_mm: how closely
    the adjusting point of the fence can be set, play and steps of its dial included.
    No change is advised where it may leave as much error as there is (`Found.no_better`), or
    where too few trials show the machine's scatter.
    Formulas: move and shim = span tan|e|, uncertainty span U / cos^2 e; turns = move / pitch; a
    setting turns the fence by setting cos^2(e) / span.
    For e > 0 the blade turns counter-clockwise, or the fence clockwise: right end away from
    the board, left end toward it. Source: plane geometry, checked by cutting polygons.
    Raises ValueError for an angle of 45 degrees or more, a negative uncertainty or setting,
    a span or pitch that is not positive.
    """
    _check(found, fence, setting_mm)
    angle_rad, expanded_rad = found.error, found.expanded
    setting = 0.0
    if fence is not None:
        setting = setting_mm * math.cos(angle_rad) ** 2 / fence.span_mm
    left = _left(found, setting)
    if left is not None:
        return left
    size = _sized(angle_rad, expanded_rad, "rad")
    open_wide = (angle_rad > 0) == (strip_side == "left")
    blade_way = "counter-clockwise" if angle_rad > 0 else "clockwise"
    fence_way = "clockwise" if angle_rad > 0 else "counter-clockwise"
    words = (
        f"The strip is wide at its {'open' if open_wide else 'fence'} end. Turn the blade or arm "
        f"by {size} so that there it comes nearer to the strip ({blade_way}, seen from above "
        f"with the fence at the bottom); or turn the fence by as much, {fence_way}: its end on "
        f"the strip's side goes {'toward' if open_wide else 'away from'} the board."
    )
    move = shim = None
    if fence is not None:
        move, shim = _move(angle_rad, expanded_rad, fence), _shim(angle_rad, expanded_rad, fence)
        words = f"{words} {move.sentence}"
    return _change(found, setting, words, turn=angle_rad, move=move, shim=shim)


def advise_tilt(found: Found, *, strip_side: Side = "left", setting_rad: float = 0.0) -> Advice:
    """How to remove a blade's tilt error; arguments and errors as for `advise`.

    A positive tilt leans to the right going up, seen from the fence: the blade's top goes
    to the left. setting_rad: how closely the tilt can be set.
    """
    _check(found, None, setting_rad)
    left = _left(found, setting_rad)
    if left is not None:
        return left
    tilt_rad = found.error
    size = _sized(tilt_rad, found.expanded, "rad")
    upper_wide = (tilt_rad > 0) == (strip_side == "left")
    words = (
        f"The strip is wide at its {'upper' if upper_wide else 'lower'} edge. Tilt the blade by "
        f"{size} so that there it comes nearer to the strip: its top goes to the "
        f"{'left' if tilt_rad > 0 else 'right'}, seen from the fence toward the open end."
    )
    return _change(found, setting_rad, words, turn=tilt_rad)


def advise_slot(found: Found, *, distance_mm: float, setting_mm: float = 0.0) -> Advice:
    """How to bring the blade parallel to the miter slot; errors as for `advise`.

    distance_mm: along the slot, between front and back. With a positive angle the back is too far
    to the right, so it moves to the left by distance tan|e|.
    """
    _check(found, None, setting_mm)
    positive("distance", distance_mm)
    angle_rad = found.error
    setting = setting_mm * math.cos(angle_rad) ** 2 / distance_mm
    left = _left(found, setting)
    if left is not None:
        return left
    distance = distance_mm * math.tan(abs(angle_rad))
    uncertainty_mm = distance_mm * found.expanded / math.cos(angle_rad) ** 2
    way = "left" if angle_rad > 0 else "right"
    words = (
        "Turn the blade's mount, or the table under it, so that the back of the blade comes to the "
        f"{way} by {_sized(distance, uncertainty_mm, 'mm')} against the slot, seen from the front. "
        "Set fence and miter gauge again after that."
    )
    move = Move(distance, uncertainty_mm, None, None, words)
    return _change(found, setting, words, turn=angle_rad, move=move, again="Then measure again")


def advise_miters(found: Found, *, frame: bool = True, setting_rad: float = 0.0) -> Advice:
    """How to correct a miter setting by corners cut at it; errors as for `advise`.

    With a positive angle the corners are too obtuse (a frame's last joint is open on the outside),
    because the saw is set too near to square: set it further from square by |e|; with a negative
    one nearer. frame: whether the error is known by the gap of a frame, else with its sign.
    setting_rad: how closely the miter can be set.
    """
    _check(found, None, setting_rad)
    left = _left(found, setting_rad)
    if left is not None:
        return left
    size = _sized(found.error, found.expanded, "rad")
    words = f"Set the miter {'further from' if found.error > 0 else 'nearer to'} square by {size}"
    # A gap on the inside is negative only if the person said so; a caliper sends no minus sign.
    words += (
        " where the gap is on the outside of the frame; nearer to square by as much where it is on "
        "the inside."
        if frame and found.error > 0
        else "."
    )
    return _change(found, setting_rad, words)


def advise_cutterhead(found: Found, *, span_mm: float, setting_mm: float = 0.0) -> Advice:
    """How to bring table and cutterhead parallel; errors as for `advise`.

    span_mm: between the two adjusting points across the feed. With a positive angle boards
    are thicker at the right edge, seen along the feed: reduce the distance of table and head
    there.
    """
    _check(found, None, setting_mm)
    positive("span", span_mm)
    angle_rad = found.error
    setting = setting_mm * math.cos(angle_rad) ** 2 / span_mm
    left = _left(found, setting)
    if left is not None:
        return left
    distance = span_mm * math.tan(abs(angle_rad))
    uncertainty_mm = span_mm * found.expanded / math.cos(angle_rad) ** 2
    side = "right" if angle_rad > 0 else "left"
    words = (
        f"Bring table and cutterhead nearer together at the {side}, seen along the feed, by "
        f"{_sized(distance, uncertainty_mm, 'mm')}."
    )
    move = Move(distance, uncertainty_mm, None, None, words)
    return _change(found, setting, words, move=move, again="Then plane and measure again")


def advise_stop(found: Found, *, pitch_mm: float | None = None, setting_mm: float = 0.0) -> Advice:
    """How to move a stop whose parts are off their length by an error in mm (too long: positive).

    No change is advised where it may leave as much, as for `advise`. Raises
    ValueError for an error that is no number, a negative uncertainty or setting, a pitch that is
    not positive.
    """
    error_mm = found.error
    if not math.isfinite(error_mm):
        raise ValueError("error: give the mean length less the wanted one, in mm")
    _check_uncertainty(found, setting_mm)
    turns = None if pitch_mm is None else abs(error_mm) / positive("pitch", pitch_mm)
    left = _left(found, setting_mm, "mm")
    if left is not None:
        return left
    way = "nearer to" if error_mm > 0 else "further from"
    words = f"Move the stop {way} the blade by {_sized(error_mm, found.expanded, 'mm')}"
    words += f", {turns:.2f} turns of the screw." if turns is not None else "."
    move = Move(abs(error_mm), found.expanded, None, turns, words)
    return _change(found, setting_mm, words, move=move, unit="mm")


def fence_halves(
    left: AngleEstimate,
    right: AngleEstimate,
    reversal: AngleEstimate | None = None,
    *,
    level: float = 0.95,
) -> FenceHalves:
    """The two halves of a fence, from a roll with the board on each side of the blade.

    left: the roll with the board left of the blade, and so on the left half; right: the
    other. reversal: result of a reversal on the same saw, to see whether they agree.
    The reversal shows tan(left) + tan(right) = 2 tan(mean). Interval by Welch and
    Satterthwaite, with what they do not share of their systematic errors: two rolls of one board
    by one caliper are not independent. Edges out of parallel are not in it: by d, they bias each
    roll by about d / 2, in opposite directions where the same end of the board was cut.
    """
    halves = difference_from_parts(
        left.angle_rad - right.angle_rad,
        [(left.u_rad**2, left.df), (right.u_rad**2, right.df)],
        level,
        fixed_u=combined_u((left.systematic, right.systematic), (1.0, -1.0)),
        guard=True,
    )
    mean = math.atan((math.tan(left.angle_rad) + math.tan(right.angle_rad)) / 2)
    of_mean = difference_from_parts(
        mean,
        [(left.u_rad**2 / 4, left.df), (right.u_rad**2 / 4, right.df)],
        level,
        fixed_u=combined_u((left.systematic, right.systematic), (0.5, 0.5)),
        guard=True,
    )
    in_line = halves.interval is not None and 0 in halves.interval
    against = agrees = None
    if reversal is not None:
        against = difference_from_parts(
            reversal.angle_rad - mean,
            [
                (left.u_rad**2 / 4, left.df),
                (right.u_rad**2 / 4, right.df),
                (reversal.u_rad**2, reversal.df),
            ],
            level,
            fixed_u=combined_u(
                (left.systematic, right.systematic, reversal.systematic), (-0.5, -0.5, 1.0)
            ),
            guard=True,
        )
        agrees = None if against.interval is None else 0 in against.interval
    return FenceHalves(
        halves,
        in_line,
        mean,
        None if of_mean.interval is None else of_mean.interval.half_width,
        against,
        agrees,
        _halves_sentence(left, right, halves, agrees),
    )


def _move(angle_rad: float, expanded_rad: float, fence: Fence) -> Move:
    distance = fence.span_mm * math.tan(abs(angle_rad))
    uncertainty_mm = fence.span_mm * expanded_rad / math.cos(angle_rad) ** 2
    toward = (angle_rad > 0) == (fence.pivot == "right")
    turns = None if fence.pitch_mm is None else distance / fence.pitch_mm
    size = _sized(distance, uncertainty_mm, "mm")
    point = "right" if fence.pivot == "left" else "left"
    words = (
        f"With the pivot at its {fence.pivot} end: move the adjusting point at the {point} "
        f"{'toward the board' if toward else 'away from the board'} by {size}"
    )
    words += f", {turns:.2f} turns of the screw." if turns is not None else "."
    return Move(distance, uncertainty_mm, toward, turns, words)


def _shim(angle_rad: float, expanded_rad: float, fence: Fence) -> Shim:
    thickness = fence.span_mm * math.tan(abs(angle_rad))
    uncertainty_mm = fence.span_mm * expanded_rad / math.cos(angle_rad) ** 2
    end: Side = "left" if angle_rad > 0 else "right"
    size = _sized(thickness, uncertainty_mm, "mm")
    words = (
        f"Or shim the {end} end by {size}, {size_text(fence.span_mm, 'mm')} from where the other "
        "end touches: between fence and board, or behind a fence that is bolted on."
    )
    return Shim(thickness, uncertainty_mm, end, fence.span_mm, words)


def _change(
    found: Found,
    setting: float,
    words: str,
    *,
    turn: float | None = None,
    move: Move | None = None,
    shim: Shim | None = None,
    again: str = "Then cut again",
    unit: SizeUnit = "rad",
) -> Advice:
    half, first = found.within(found.trials, setting), found.within(1, setting)
    return Advice(
        leave_it=False,
        why_left=None,
        blade_turn_rad=turn,
        move=move,
        shim=shim,
        predicted=Interval(-half, half),
        first_within=first,
        after_move=half,
        what=words,
        sentence=f"{words} {again}{_expected(found, half, first, unit)}",
        cautions=ADJUSTING_CAUTIONS,
    )


def _expected(found: Found, half: float, first: float, unit: SizeUnit) -> str:
    if not half:
        return "."
    of = "" if unit == "rad" else " of the wanted length, by the same caliper"
    within = size_text(half, unit, half)
    if found.trials == 1:
        return f": expect an error within ± {within}{of}."
    return (
        f": expect the mean of {found.trials} {found.noun}s within ± {within}{of}, and the "
        f"first {found.noun} alone within ± {size_text(first, unit, first)}."
    )


def _sized(value: float, expanded: float, unit: SizeUnit) -> str:
    return plus_minus_text(value, expanded, unit) if expanded else size_text(value, unit)


def _left(found: Found, setting: float, unit: SizeUnit = "rad") -> Advice | None:
    """The advice to leave it, None where a move makes it better."""
    half = found.within(found.trials, setting)
    if found.error == 0:
        why: WhyLeft = "no error"
        words = "Leave it: there is no error to correct."
    elif not found.scatter_known:
        why = "too few trials"
        words = f"Do not move it yet: {too_few(found.trials, found.noun)}"
    elif found.no_better(setting):
        why = "not known closely" if found.no_better() else "not set closely"
        words = (
            f"Leave it: the error found is {_sized(found.error, found.expanded, unit)}, and after "
            f"a move by it the mean of as many {found.noun}s may still be off by "
            f"{size_text(half, unit, half)}. "
        )
        words += (
            f"To know it better, cut more {found.noun}s before you move anything."
            if why == "not known closely"
            else "It can't be set closely enough to gain by that."
        )
    else:
        return None
    return Advice(
        leave_it=True,
        why_left=why,
        blade_turn_rad=0.0 if unit == "rad" else None,
        move=None,
        shim=None,
        predicted=Interval.about(found.error, found.within(found.trials)),
        first_within=found.within(1),
        after_move=half,
        what=words,
        sentence=words,
        cautions=(),
    )


def too_few(trials: int, noun: str) -> str:
    """Why so few trials are not enough to move anything, and how many more are."""
    more = ENOUGH - trials
    shown = f"1 {noun} shows nothing" if trials == 1 else f"{trials} {noun}s show too little"
    return (
        f"{shown} of how much the machine scatters from cut to cut, and a move by that may make "
        f"it worse. Cut {more} more {noun}{'s' if more > 1 else ''} first."
    )


def _check(found: Found, fence: Fence | None, setting: float) -> None:
    if not abs(found.error) < math.pi / 4:
        raise ValueError("angle: an error of 45 degrees or more is no error of adjustment")
    _check_uncertainty(found, setting)
    if fence is not None:
        positive("span", fence.span_mm)
        if fence.pitch_mm is not None:
            positive("pitch", fence.pitch_mm)


def _check_uncertainty(found: Found, setting: float) -> None:
    for u in (found.expanded, found.anew_u, found.own_u, found.shared_u):
        if not 0 <= u < math.inf:
            raise ValueError("uncertainty: it is zero or more; give the expanded uncertainty")
    if not 0 <= setting < math.inf:
        raise ValueError("setting: it is zero or more; say how closely the point can be set")


def _halves_sentence(
    left: AngleEstimate, right: AngleEstimate, halves: Difference, agrees: bool | None
) -> str:
    if halves.interval is None:
        return "Give each roll's uncertainty to tell the halves of the fence apart."
    size = plus_minus_text(halves.estimate, halves.interval.half_width, "rad")
    if 0 in halves.interval:
        sentences = [
            f"Both halves of the fence are in one line, as far as this shows ({size}), if the "
            "board's edges are parallel."
        ]
    else:
        sentences = [
            f"The halves of the fence are out of line by {size}, if the board's edges are "
            "parallel: edges that are not show by as much as they are out. Parts cut with the "
            f"board on the left come out at {_leaning(left)}, on the right at {_leaning(right)}; "
            "a reversal shows the mean of both."
        ]
    if agrees is False:
        sentences.append(
            "The reversal does not agree with that mean: check that the board's edges are "
            "parallel, and which edge lay on the fence."
        )
    return " ".join(sentences)


def _leaning(estimate: AngleEstimate) -> str:
    u = math.hypot(estimate.u_rad, estimate.systematic.u)
    size = size_text(estimate.angle_rad, "rad", 2 * u)
    if estimate.angle_rad == 0:
        return size
    return f"{size} {'right' if estimate.angle_rad > 0 else 'left'}"
