"""What a method is: the places that are read, how the result follows from them, the steps.

A method is data. `geometry.series_values` solves it by its `relations`, pairing
fills its `places` in order, drawings are made from its `steps`; a new method is a new
record and no new code.

Left and right are always as seen from above with the fence at the bottom.
The fence end of a cut is the end that lies at the fence, the open end the other one. In this
view the saw cuts the plane x = y tan(angle) + z tan(tilt), so a positive angle leans
to the right at the open end and a positive tilt leans to the right going up.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal, NamedTuple, cast

Quantity = Literal["angle", "tilt", "length"]
Side = Literal["left", "right"]
Action = Literal["lay", "cut", "turn", "cut again", "measure"]
AdjustedPart = Literal["fence", "blade tilt", "blade mount", "miter setting", "cutterhead", "stop"]
Picture = Literal["two lines", "edges", "round", "last joint"]
Shown = Literal["miter", "corner", "corner at left", "corner at right", "frame"]

PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Place:
    """One place that is read. `along`: 0 fence end, 1 open end; `up`: 0 lower, 1 upper edge."""

    key: str
    label: str
    along: float = 0.5
    up: float = 0.5


class Term(NamedTuple):
    """coefficient * tan(multiple * angle); `multiple` counts for each piece if `per_piece`."""

    coefficient: float
    multiple: float
    per_piece: bool = False


@dataclass(frozen=True, slots=True)
class Relation:
    """How one quantity follows from the places of a trial.

    contrast = sum(weights[i] * width at place i). With no `terms` the quantity is a length
    and is the contrast itself. Else contrast / base = sum over terms of
    coefficient * tan(multiple * quantity), solved for the quantity in radians; the base is
    the baseline, or the thickness. insets: at how many ends of the baseline the jaws stand in
    from it (`geometry.effective_length` for both).

    toward: what a positive and what a negative value looks like, as seen from `view`; none for a
    length. words: the name of the quantity, for a heading. base: what the contrast is divided
    by, as a short label. adjusted_by: what is moved on the machine to
    remove the error; None where no move follows from the number. nominal_rad: the angle that the
    quantity is the error from (`geometry.at_stop`). ways: `toward` in the two or three words that
    stand beside a number.
    """

    quantity: Quantity
    weights: tuple[float, ...]
    terms: tuple[Term, ...] = ()
    over: Literal["baseline", "thickness"] | None = None
    insets: int = 0
    toward: tuple[str, str] = ("", "")
    view: str = ""
    words: str = "length"
    base: str = ""
    adjusted_by: AdjustedPart | None = None
    nominal_rad: float = 0.0
    ways: tuple[str, str] = ("", "")

    @property
    def leans(self) -> tuple[str, str]:
        """`toward`, said of the stop's nominal angle where that is not square."""
        if not self.nominal_rad:
            return self.toward
        positive, negative = (f"{way} of the stop's nominal angle" for way in self.toward)
        return positive, negative


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the person does; drawings are made from it.

    edge_on_fence: the board's edge that lies on the fence ("A", "B", ...; "raw" for one not
    yet cut). face_up: 1 or 2. board_side: the side of the blade on which the board that is
    kept lies; the strip or waste falls to the other one, `strip_falls`. fresh_cut: the edge
    or end that this cut makes. None where a step has no such thing. shown: mitred pieces, in place
    of a board that is cut square; "at left" and "at right" is where the leg on the edge lies.
    """

    action: Action
    text: str
    edge_on_fence: str | None = None
    face_up: int | None = None
    board_side: Side | None = None
    strip_falls: Side | None = None
    fresh_cut: str | None = None
    shown: Shown | None = None


@dataclass(frozen=True, slots=True)
class Method:
    """A method, whole. `places` are in reading order; `swap[i]` is the place that place i
    becomes when the strip's two ends were mixed up, None where it has no ends.

    closed_jaws: a press with closed jaws takes the last reading back; False where the method's own
    readings can be as small as 0.05 mm. baseline: what is measured as the baseline, None if
    none is needed. optional_baseline: what a form may ask for in its place, None for nothing.
    sided: the side to which the strip fell at the last cut sets the sign. noun: the word for one
    trial. pieces: for methods of several mitred pieces, their number unless the series gives it.
    cuts: the weights with which the errors of single cuts enter the value of a trial; of a method
    of several pieces those of one piece, each then divided by their number; none where nothing is
    cut.
    checks: what the number is the error of. judges: a machine, the hand that holds the caliper
    (the spread is the answer), or the caliper itself (its offset is). tells_halves: series of it,
    one on each half of the fence or over both, together tell the halves apart. most_nominal_deg: up
    to which angle from square it measures a stop; None: any. stop_deg: the one angle, of miter or
    of bevel, at which it measures, None for any; a machine may have only `square` on record.
    picture: what its places are drawn on, None for a strip or part. definition: what
    `custom_method` made it of, None for a built-in one.
    """

    key: str
    title: str
    summary: str
    places: tuple[Place, ...]
    relations: tuple[Relation, ...]
    swap: tuple[int, ...] | None = None
    closed_jaws: bool = True
    default_repeats: int = 1
    baseline: str | None = None
    optional_baseline: str | None = None
    needs_thickness: bool = False
    sided: bool = False
    noun: str = "measurement"
    pieces: int | None = None
    cuts: tuple[float, ...] = (1.0,)
    steps: tuple[Step, ...] = ()
    cautions: tuple[str, ...] = ()
    traps: tuple[str, ...] = ()
    needs: str = ""
    checks: str = ""
    judges: Literal["machine", "hand", "caliper"] = "machine"
    tells_halves: bool = False
    most_nominal_deg: float | None = None
    stop_deg: float | None = None
    picture: Picture | None = None
    source: str = PRACTICE
    definition: Mapping[str, object] | None = field(default=None, hash=False)
    reveals: tuple[Quantity, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "reveals", tuple(r.quantity for r in self.relations))

    def cut_weights(self, pieces: int | None = None) -> tuple[float, ...]:
        """The weight of each cut in the value of a trial, of a frame of so many pieces."""
        n = pieces or self.pieces or 1
        return tuple(weight / n for weight in self.cuts) * n

    def cut_share(self, pieces: int | None = None) -> float:
        """The variance of a trial for one of a single cut, sum of w^2; 1 where nothing is cut.

        var(trial) = sum of w^2 var(cut) + var(measuring), cuts being independent (JCGM 100, 5.1.2).
        """
        return math.fsum(w * w for w in self.cut_weights(pieces)) or 1.0

    @property
    def ways(self) -> dict[Quantity, tuple[str, str]]:
        """`Relation.ways` of each quantity that has a direction."""
        return {r.quantity: r.ways for r in self.relations if any(r.ways)}

    def relation(self, quantity: Quantity) -> Relation | None:
        """The relation for `quantity`, None where the method does not reveal it."""
        return next((r for r in self.relations if r.quantity == quantity), None)


_OTHER: Final = {"left": "right", "right": "left"}


def steps_for(method: Method, strip_side: Side) -> tuple[Step, ...]:
    """The steps of `method` where the strip falls to `strip_side` of the blade.

    Methods without a side are returned unchanged. Raises ValueError for another side.
    """
    if strip_side not in _OTHER:
        raise ValueError(f"strip_side: {strip_side!r} must be left or right")
    if strip_side == "left" or not method.sided:
        return method.steps
    return tuple(_mirrored(step) for step in method.steps)


def _mirrored(step: Step) -> Step:
    def side(value: Side | None) -> Side | None:
        return None if value is None else cast(Side, _OTHER[value])

    return replace(
        step,
        text=re.sub(r"\b(left|right)\b", lambda m: _OTHER[m[1]], step.text),
        board_side=side(step.board_side),
        strip_falls=side(step.strip_falls),
    )
