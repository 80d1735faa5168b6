"""The methods: what is cut, how the piece is turned, which places are read, what that reveals.

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
from types import MappingProxyType
from typing import Final, Literal, NamedTuple, cast

Quantity = Literal["angle", "tilt", "length"]
Side = Literal["left", "right"]
Action = Literal["lay", "cut", "turn", "cut again", "measure"]
AdjustedPart = Literal["fence", "blade tilt", "blade mount", "miter setting", "cutterhead", "stop"]

SAWING_CAUTIONS: Final = (
    "Keep the guards in place and wear eye and hearing protection.",
    "Hold the board, not the narrow strip, with your hands well clear of the blade.",
    "Let nothing trap the strip between the blade and a stop.",
    "Wait until the blade has stopped before you reach for the strip.",
    "A radial arm saw can climb toward you: hold it back all through the cut.",
    "The machine's manual, local rules and qualified help come before this page.",
)
STANDSTILL_CAUTIONS: Final = (
    "Unplug the machine before you measure at the blade or the cutterhead.",
    "The machine's manual, local rules and qualified help come before this page.",
)
_PRACTICE: Final = "common practice, no source"
_OWN_GEOMETRY: Final = (
    "relation derived from the cutting plane and checked by cutting polygons and planes"
)


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
    remove the error; None where no move follows from the number.
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


@dataclass(frozen=True, slots=True)
class Step:
    """One thing the person does; drawings are made from it.

    edge_on_fence: the board's edge that lies on the fence ("A", "B", ...; "raw" for one not
    yet cut). face_up: 1 or 2. board_side: the side of the blade on which the board that is
    kept lies; the strip or waste falls to the other one, `strip_falls`. fresh_cut: the edge
    or end that this cut makes. None where a step has no such thing.
    """

    action: Action
    text: str
    edge_on_fence: str | None = None
    face_up: int | None = None
    board_side: Side | None = None
    strip_falls: Side | None = None
    fresh_cut: str | None = None


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
    one on each half of the fence or over both, together tell the halves apart. definition: what
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
    noun: str = "trial"
    pieces: int | None = None
    cuts: tuple[float, ...] = (1.0,)
    steps: tuple[Step, ...] = ()
    cautions: tuple[str, ...] = ()
    traps: tuple[str, ...] = ()
    needs: str = ""
    checks: str = ""
    judges: Literal["machine", "hand", "caliper"] = "machine"
    tells_halves: bool = False
    source: str = _PRACTICE
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

    def relation(self, quantity: Quantity) -> Relation | None:
        """The relation for `quantity`, None where the method does not reveal it."""
        return next((r for r in self.relations if r.quantity == quantity), None)


_REACH_IN: Final = (
    "Reach in with the tips of the jaws, or give their width and the inset: flat jaws touch the "
    "widest point under them, so the length that counts is the one between the two places touched. "
    "3 mm at each end of a 200 mm strip left unsaid is 3 % of the angle."
)
_UNEQUAL: Final = (
    "Let the strips differ in width by a millimetre or more: a lost reading shows by that from "
    "the fourth strip on. Among strips of one width it cannot be noticed."
)
_TWO_HALVES: Final = (
    "A reversal averages the two halves of the fence: its cuts are made with the board once on "
    "each side of the blade. Where the halves are not in one line, parts cut later with the "
    "board on the left come out at the left half's error, not at this mean. A roll on the left "
    "and a roll on the right tell the halves apart."
)
_FENCE_END: Final = Place("fence end", "fence end", along=0.0)
_OPEN_END: Final = Place("open end", "open end", along=1.0)
_DIFFERENCE: Final = (-1.0, 1.0)
_TWO_CUTS: Final = (0.5, 0.5)
_LEANS: Final = (
    "the open end of the cut leans to the right",
    "the open end of the cut leans to the left",
)
_TILTS: Final = ("the cut leans to the right going up", "the cut leans to the left going up")
_FROM_ABOVE: Final = "seen from above with the fence at the bottom"
_FROM_THE_FENCE: Final = "seen from the fence toward the open end"


def _cut_angle(
    weights: tuple[float, ...],
    terms: tuple[Term, ...],
    base: str = "width of the board",
    insets: int = 2,
) -> Relation:
    return Relation(
        "angle",
        weights,
        terms,
        "baseline",
        insets,
        _LEANS,
        _FROM_ABOVE,
        "angle of the cut",
        base,
        "fence",
    )


def _blade_tilt(weights: tuple[float, ...], terms: tuple[Term, ...]) -> Relation:
    return Relation(
        "tilt",
        weights,
        terms,
        "thickness",
        0,
        _TILTS,
        _FROM_THE_FENCE,
        "tilt",
        "thickness of the board",
        "blade tilt",
    )


_REVERSAL: Final = Method(
    key="reversal",
    title="Reversal",
    summary="Cut, turn the board over on the same edge, cut a narrow strip: its two ends differ "
    "by twice the error of the cut.",
    places=(_FENCE_END, _OPEN_END),
    relations=(_cut_angle(_DIFFERENCE, (Term(2, 1),)),),
    swap=(1, 0),
    baseline="length of the cut, which is the width of the board",
    sided=True,
    tells_halves=True,
    noun="strip",
    cuts=_TWO_CUTS,
    steps=(
        Step(
            "lay",
            "Lay edge A on the fence, face 1 up, the board left of the blade.",
            "A",
            1,
            "left",
        ),
        Step("cut", "Cut the end clean.", "A", 1, "left", "right", "first face"),
        Step(
            "turn",
            "Turn the board over: face 2 up, the same edge A on the fence. "
            "It now lies right of the blade.",
            "A",
            2,
            "right",
        ),
        Step(
            "cut again",
            "Cut a narrow strip off the same end; it falls to the left. "
            "Mark the end that lay at the fence.",
            "A",
            2,
            "right",
            "left",
            "second face",
        ),
        Step(
            "measure",
            "Read the strip at its fence end, then at its open end.",
            "A",
            2,
            "right",
            "left",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        _TWO_HALVES,
        "A bow of the fence that is the same on both sides cancels for the same reason.",
        "If the other edge lay on the fence at the second cut, same face up (a half-turn), the "
        "strip reads zero whatever the error; with the other face up (a roll) it reads the "
        "right size, and the wrong sign if the strip fell on the other side. Many results near "
        "zero on a saw that a square calls out deserve the question which edge lay on the fence.",
        "If the setting moved between the two cuts, the strip shows the mean of the two.",
        "Swapping the strip's two ends gives the same size with the other sign.",
        _REACH_IN,
        _UNEQUAL,
        "Held square to one face of the strip the jaws read a little long: nothing at "
        "ordinary errors, 0.0005 degrees at 1 degree, 0.012 at 3.",
    ),
    needs="A straight board edge and straight fence halves. The board need not be square, nor its "
    "edges parallel.",
    checks="the angle of the cut in plan, as the mean of the two halves of the fence",
    source=f"{_PRACTICE}; {_OWN_GEOMETRY}",
)

_HALF_TURN: Final = Method(
    key="half-turn",
    title="Half-turn",
    summary="Cut, turn the board half around with the same face up, cut a narrow strip: its "
    "lower and upper edge differ by twice the tilt of the blade.",
    places=(
        Place("lower edge", "lower edge", up=0.0),
        Place("upper edge", "upper edge", up=1.0),
    ),
    relations=(_blade_tilt(_DIFFERENCE, (Term(2, 1),)),),
    swap=(1, 0),
    needs_thickness=True,
    sided=True,
    noun="strip",
    cuts=_TWO_CUTS,
    steps=(
        Step(
            "lay",
            "Lay edge A on the fence, face 1 up, the board left of the blade.",
            "A",
            1,
            "left",
        ),
        Step("cut", "Cut the end clean.", "A", 1, "left", "right", "first face"),
        Step(
            "turn",
            "Turn the board half around on the table: face 1 stays up, edge B comes to "
            "the fence. It now lies right of the blade.",
            "B",
            1,
            "right",
        ),
        Step(
            "cut again",
            "Cut a narrow strip off the same end; it falls to the left. Mark its upper edge.",
            "B",
            1,
            "right",
            "left",
            "second face",
        ),
        Step(
            "measure",
            "Read the strip at its lower edge, then at its upper edge, at one place along it.",
            "B",
            1,
            "right",
            "left",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "Read lower against upper edge at one place along the strip. End against end gauges "
        "the board's edges, not the saw.",
        "Where the jaws do not reach through, the thickness that counts is the height between "
        "the two places touched: give that.",
        "A thick board shows a small tilt better than a thin one.",
        "Taking the lower for the upper edge gives the same size with the other sign.",
        _UNEQUAL,
    ),
    needs="A board of even thickness with parallel edges.",
    checks="the tilt of the blade against the table",
    source=f"{_PRACTICE}; {_OWN_GEOMETRY}",
)

_ROLL: Final = Method(
    key="roll",
    title="Roll",
    summary="Cut, roll the board over onto its other edge and face, cut a narrow strip on the "
    "same side: its four corners give the angle and the tilt at once.",
    places=(
        Place("fence end lower", "fence end, lower edge", along=0.0, up=0.0),
        Place("fence end upper", "fence end, upper edge", along=0.0, up=1.0),
        Place("open end lower", "open end, lower edge", along=1.0, up=0.0),
        Place("open end upper", "open end, upper edge", along=1.0, up=1.0),
    ),
    # The least-squares plane through the four corners, which form a balanced design: its
    # slopes are these contrasts, uncorrelated with each other.
    relations=(
        _cut_angle((-0.5, -0.5, 0.5, 0.5), (Term(2, 1),)),
        _blade_tilt((-0.5, 0.5, -0.5, 0.5), (Term(2, 1),)),
    ),
    swap=(2, 3, 0, 1),
    baseline="length of the cut, which is the width of the board",
    needs_thickness=True,
    sided=True,
    tells_halves=True,
    noun="strip",
    cuts=_TWO_CUTS,
    steps=(
        Step(
            "lay",
            "Lay edge A on the fence, face 1 up, the board right of the blade.",
            "A",
            1,
            "right",
        ),
        Step("cut", "Cut the end clean.", "A", 1, "right", "left", "first face"),
        Step(
            "turn",
            "Roll the board over: face 2 up, edge B on the fence. It stays right of the blade.",
            "B",
            2,
            "right",
        ),
        Step(
            "cut again",
            "Cut a narrow strip off the same end; it falls to the left. "
            "Mark the end that lay at the fence and the upper edge.",
            "B",
            2,
            "right",
            "left",
            "second face",
        ),
        Step(
            "measure",
            "Read the four corners: fence end lower, fence end upper, open end "
            "lower, open end upper.",
            "B",
            2,
            "right",
            "left",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "It judges only the half of the fence that the board lies on. A roll on the left and a "
        "roll on the right tell the two halves apart.",
        "Edges out of parallel by an angle bias the result by half that angle.",
        "Read both ends at equal heights, else tilt leaks into the angle.",
        "Swapping the strip's two ends gives the same angle with the other sign.",
        _REACH_IN,
        _UNEQUAL,
    ),
    needs="A board of even thickness with straight and parallel edges.",
    checks="the angle of the cut on the half of the fence used, and the tilt of the blade",
    source=f"{_PRACTICE}; {_OWN_GEOMETRY}",
)

_FIVE_CUT: Final = Method(
    key="five-cut",
    title="Five cuts",
    summary="Cut the four sides of a panel in turn, each fresh edge laid on the fence, then a "
    "strip off the first side: its two ends differ by four times the error of the fence.",
    places=(_FENCE_END, _OPEN_END),
    relations=(_cut_angle(_DIFFERENCE, (Term(1, 1), Term(1, 3)), "length of the strip"),),
    swap=(1, 0),
    baseline="length of the fifth strip",
    sided=True,
    noun="strip",
    # The first cut only makes the edge from which the others are counted.
    cuts=(0.25, 0.25, 0.25, 0.25),
    steps=(
        Step(
            "lay",
            "Lay any straight edge of the panel on the fence, the panel right of the blade.",
            "raw",
            1,
            "right",
        ),
        Step("cut", "First cut: it makes edge A.", "raw", 1, "right", "left", "A"),
        Step(
            "turn",
            "Turn the panel a quarter so that the fresh edge A lies on the fence, same face up.",
            "A",
            1,
            "right",
        ),
        Step("cut", "Second cut: it makes edge B.", "A", 1, "right", "left", "B"),
        Step("turn", "Turn again: edge B on the fence.", "B", 1, "right"),
        Step("cut", "Third cut: it makes edge C.", "B", 1, "right", "left", "C"),
        Step("turn", "Turn again: edge C on the fence.", "C", 1, "right"),
        Step("cut", "Fourth cut: it makes edge D.", "C", 1, "right", "left", "D"),
        Step("turn", "Turn again: edge D on the fence.", "D", 1, "right"),
        Step(
            "cut again",
            "Fifth cut: a narrow strip off edge A; it falls to the left. Mark the "
            "end that lay at the fence.",
            "D",
            1,
            "right",
            "left",
            "second face",
        ),
        Step(
            "measure",
            "Read the strip at its fence end, then at its open end.",
            "D",
            1,
            "right",
            "left",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "Turn the panel the same way every time, with the same face up.",
        "It judges the half of the fence that the panel lies on.",
        "Swapping the strip's two ends gives the same size with the other sign.",
        _REACH_IN,
        _UNEQUAL,
    ),
    needs="A panel large enough to hold safely at all five cuts, and a straight fence.",
    checks="the angle between fence and blade path on the half of the fence used",
    source=f"{_PRACTICE}; {_OWN_GEOMETRY}",
)

_BLADE_TO_SLOT: Final = Method(
    key="blade-to-slot",
    title="Blade to slot",
    summary="Measure from the miter slot to one marked tooth, at the front and again at the "
    "back: the difference shows whether the blade is parallel to the slot.",
    places=(
        Place("front", "front of the blade", along=0.0),
        Place("back", "back of the blade", along=1.0),
    ),
    relations=(
        Relation(
            "angle",
            _DIFFERENCE,
            (Term(1, 1),),
            "baseline",
            0,
            (
                "the back of the blade is off to the right",
                "the back of the blade is off to the left",
            ),
            "seen from above from the front of the saw",
            words="angle of blade and slot",
            base="distance along the slot",
            adjusted_by="blade mount",
        ),
    ),
    swap=(1, 0),
    closed_jaws=False,
    cuts=(),
    baseline="distance along the slot between the two places where the tooth was measured",
    steps=(
        Step("lay", "Unplug the saw. Mark one tooth."),
        Step(
            "measure",
            "Bring the tooth to the front and measure from the slot on the left "
            "of the blade to the tooth.",
        ),
        Step("turn", "Turn the blade by hand until the same tooth is at the back."),
        Step("measure", "Measure to the same tooth at the back."),
    ),
    cautions=STANDSTILL_CAUTIONS,
    traps=(
        "Use the same tooth at both places, so that a bent blade does not show.",
        "Measured from a slot on the right of the blade, the sign is the other way round.",
        "A dial that grows as its plunger goes in counts the other way round too.",
    ),
    needs="A way to hold the caliper or dial square to the slot.",
    checks="whether the blade is parallel to the miter slot, not the angle of a cut",
)

_STOP_BLOCK: Final = Method(
    key="stop-block",
    title="Stop block",
    summary="Cut several parts against the stop and read the length of each: the spread shows how "
    "well the stop repeats.",
    places=(Place("part", "the part's length"),),
    relations=(Relation("length", (1.0,), adjusted_by="stop"),),
    noun="part",
    steps=(
        Step("lay", "Set the stop, and lay the part against it and the fence.", "A", 1, "left"),
        Step("cut", "Cut the part.", "A", 1, "left", "right"),
        Step(
            "measure",
            "Read its length, always at the same height and the same distance from the fence edge.",
            "A",
            1,
            "left",
            "right",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "Number the parts in the order they were cut: a stop that creeps shows as drift.",
        "Sawdust at the stop reads as a longer or shorter part; brush it away, or leave it on "
        "purpose to see what it does.",
        "Read every part at the same place: ends out of square read as spread.",
    ),
    needs="A stop, and parts short enough for the caliper.",
    checks="how well the stop repeats a length",
)

_PLANED_THICKNESS: Final = Method(
    key="planed-thickness",
    title="Planed thickness",
    summary="Plane a board and read its thickness at the left and at the right edge: the "
    "difference shows the cutterhead against the table.",
    places=(Place("left", "left edge", along=0.0), Place("right", "right edge", along=1.0)),
    # The taper of the board's section over its width is the angle between cutterhead and
    # table; the mean of the two edges is the thickness the machine repeats.
    relations=(
        Relation(
            "angle",
            _DIFFERENCE,
            (Term(1, 1),),
            "baseline",
            2,
            (
                "boards come out thicker at the right edge",
                "boards come out thicker at the left edge",
            ),
            "seen along the feed",
            words="taper over the width",
            base="width of the board",
            adjusted_by="cutterhead",
        ),
        Relation("length", (0.5, 0.5)),
    ),
    swap=(1, 0),
    baseline="width of the board",
    steps=(
        Step("lay", "Mark the left edge as the board goes in.", None, 1),
        Step("cut", "Plane it, one light pass over the whole face.", None, 1),
        Step("measure", "Read the thickness at the left edge, then at the right edge.", None, 1),
    ),
    cautions=(
        "Keep the guards in place and wear eye and hearing protection.",
        "Keep your hands off the board where it enters and stand aside of its path.",
        "The machine's manual, local rules and qualified help come before this page.",
    ),
    traps=(
        "Read away from the board's ends, where a planer may dig in.",
        "To use four corners, set repeats to two and read each edge near both ends.",
        "A board that rocks on the table shows the board, not the machine.",
    ),
    needs="A board that lies flat, with one face already true.",
    checks="whether cutterhead and table are parallel; positive means thicker at the right edge",
)

_CLOSING_MITERS: Final = Method(
    key="closing-miters",
    title="Closing miters",
    summary="Close a frame of n mitred pieces and read the gap at the last joint: it gathers the "
    "error of all 2n cuts.",
    places=(Place("gap", "gap at the last joint", along=1.0),),
    relations=(
        Relation(
            "angle",
            (1.0,),
            (Term(1, 2, per_piece=True),),
            "baseline",
            0,
            (
                "the corners are too obtuse (gap on the outside) or too acute (gap on the inside)",
                "the corners are too acute",
            ),
            words="error of each miter",
            base="length of the joint",
            adjusted_by="miter setting",
        ),
    ),
    closed_jaws=False,
    baseline="length of the joint",
    noun="frame",
    pieces=4,
    cuts=_TWO_CUTS,
    steps=(
        Step(
            "cut",
            "Cut both ends of every piece at the same miter setting, all opposite pieces "
            "to the same length.",
            "A",
            1,
            "left",
            "right",
        ),
        Step("lay", "Close all joints but the last."),
        Step(
            "measure",
            "Read the gap at the open side of the last joint. Note whether it is open "
            "on the outside of the frame or on the inside.",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "Open on the outside: the corners are too obtuse. Open on the inside: too acute; send "
        "that gap as a negative number, or keep it in a series of its own.",
        "Errors of two cuts that complete each other to a square corner cancel and do not show.",
        "Where the last joint stands open at both ends, what counts is how much wider it is open "
        "at one end than at the other.",
        "Pieces of unequal length open the joint too.",
    ),
    needs="Pieces of equal length in opposite pairs.",
    checks="the miter setting, as the mean error of all the cuts",
    source=f"{_PRACTICE}; {_OWN_GEOMETRY}",
)

_KNOWN_BLOCK: Final = Method(
    key="known-block",
    title="Known block",
    summary="Read a gauge block of stated size several times: the caliper's own offset.",
    places=(Place("block", "gauge block"),),
    relations=(Relation("length", (1.0,)),),
    closed_jaws=False,
    cuts=(),
    optional_baseline="the block's stated size",
    steps=(
        Step("lay", "Clean the jaws and the block and let both come to the room's temperature."),
        Step("measure", "Read the block, let go, and read it again."),
    ),
    traps=(
        "One size shows the offset only; a second, larger block shows the scale as well.",
        "A block warm from the hand is longer.",
    ),
    needs="A gauge block with a stated size.",
    checks="the caliper's own offset and scale",
    judges="caliper",
)

_SAME_SPOT: Final = Method(
    key="same-spot",
    title="Same spot",
    summary="Read one marked spot of one strip again and again: how well caliper and hand repeat.",
    places=(Place("spot", "the marked spot"),),
    relations=(Relation("length", (1.0,)),),
    closed_jaws=False,
    cuts=(),
    steps=(
        Step("lay", "Mark one spot on a strip."),
        Step("measure", "Read it, open the jaws, take the caliper away, and read it again."),
    ),
    traps=(
        "Take the caliper away between two readings, else only the display is tested.",
        "One series for each person; several people on the same spots show whose hand differs.",
    ),
    needs="One strip and ten or more readings.",
    checks="the repeatability of caliper and hand",
    judges="hand",
)

_BUILT_IN: Final = (
    _REVERSAL,
    _HALF_TURN,
    _ROLL,
    _FIVE_CUT,
    _BLADE_TO_SLOT,
    _STOP_BLOCK,
    _PLANED_THICKNESS,
    _CLOSING_MITERS,
    _KNOWN_BLOCK,
    _SAME_SPOT,
)
METHODS: Final[Mapping[str, Method]] = MappingProxyType({m.key: m for m in _BUILT_IN})
"""The built-in methods by their keys."""


def method(key: str, among: Mapping[str, Method] = METHODS) -> Method:
    """The method called `key`. Raises ValueError listing the known keys for any other."""
    try:
        return among[key]
    except (KeyError, TypeError):
        raise ValueError(f"method: {key!r} is not known; use one of {', '.join(among)}") from None


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


_CUSTOM_FIELDS: Final = frozenset(
    {
        "key", "title", "summary", "places", "quantity", "terms", "baseline", "sided",
        "closed_jaws", "repeats", "cuts", "needs", "checks", "source",
    }
)  # fmt: skip


def custom_method(data: Mapping[str, object]) -> Method:
    """A method of the user's own with one or two readings, from plain data.

    `key`, `places` (one or two labels in reading order; the second minus the first is the
    deviation) and `quantity` ("angle", "tilt" or "length") are needed. An angle or a tilt
    also needs `terms`, a list of [coefficient, multiple] with deviation / base = sum of
    coefficient * tan(multiple * angle), and an angle needs `baseline`, the words for what
    is measured as the baseline; a tilt is taken over the thickness. Of two places, a length
    is the mean. Optional: `title`, `summary`, `sided`, `closed_jaws`, `repeats`, `needs`,
    `checks`, `source`, and `cuts`: how many cuts a trial averages, or the weight of each; 0 for
    none. Without it a trial averages as many cuts as `terms` count the error times, so that a
    single cut is never taken to be steadier than it is.

    Raises ValueError with a sentence that names the field.
    """
    unknown = sorted(str(name) for name in set(data) - _CUSTOM_FIELDS)
    if unknown:
        raise ValueError(f"{unknown[0]}: not a field of a method; use {_listed(_CUSTOM_FIELDS)}")
    key = _text(data, "key")
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", key):
        raise ValueError(f"key: {key!r} must be small letters, digits and hyphens")
    if key in METHODS:
        raise ValueError(f"key: {key!r} is a built-in method; choose another key")
    quantity = _text(data, "quantity")
    if quantity not in ("angle", "tilt", "length"):
        raise ValueError(f"quantity: {quantity!r} must be angle, tilt or length")
    places = _places(data.get("places"), quantity)
    two = len(places) == 2
    repeats = data.get("repeats", 1)
    if isinstance(repeats, bool) or not isinstance(repeats, int) or not 1 <= repeats <= 100:
        raise ValueError("repeats: must be a whole number from 1 to 100")
    relation = _custom_relation(data, quantity, two)
    sided = _flag(data, "sided", False)
    baseline = _text(data, "baseline", None if quantity == "angle" else "")
    return Method(
        key=key,
        title=_text(data, "title", key),
        summary=_text(data, "summary", ""),
        places=places,
        relations=(relation,),
        swap=(1, 0) if two else None,
        closed_jaws=_flag(data, "closed_jaws", True),
        default_repeats=repeats,
        baseline=baseline if quantity == "angle" else None,
        needs_thickness=quantity == "tilt",
        sided=sided,
        noun="strip" if sided else "trial",
        cuts=_custom_cuts(data.get("cuts"), relation),
        steps=(Step("measure", "Read " + ", then ".join(p.label for p in places) + "."),),
        cautions=SAWING_CAUTIONS,
        needs=_text(data, "needs", ""),
        checks=_text(data, "checks", f"the {relation.words}"),
        source=_text(data, "source", "given by the user"),
        definition=dict(data),
    )


def _custom_relation(data: Mapping[str, object], quantity: str, two: bool) -> Relation:
    if quantity == "length":
        if "terms" in data:
            raise ValueError("terms: a length has none; leave it out")
        return Relation("length", (0.5, 0.5) if two else (1.0,))
    weights = _DIFFERENCE if two else (1.0,)
    terms = _terms(data.get("terms"))
    if quantity == "tilt":
        return _blade_tilt(weights, terms)
    return _cut_angle(weights, terms, _text(data, "baseline"), 2 if two else 0)


_MOST_CUTS: Final = 200


def _custom_cuts(value: object, relation: Relation) -> tuple[float, ...]:
    if value is None:
        value = max(1, math.ceil(sum(t.coefficient * t.multiple for t in relation.terms) - 1e-9))
        value = min(value, _MOST_CUTS)
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= _MOST_CUTS:
        return (1 / value,) * value if value else ()
    if (
        isinstance(value, list | tuple)
        and 1 <= len(value) <= _MOST_CUTS
        and all(isinstance(w, int | float) and not isinstance(w, bool) for w in value)
        and all(0 < w <= 1 for w in value)
        and abs(math.fsum(value) - 1) <= 0.01
    ):
        return tuple(map(float, value))
    raise ValueError(
        f"cuts: give how many cuts a trial averages, 0 to {_MOST_CUTS}, or the weight of each, "
        "such as [0.5, 0.5], 1 together"
    )


def _listed(names: frozenset[str]) -> str:
    return ", ".join(sorted(names))


def _text(data: Mapping[str, object], name: str, default: str | None = None) -> str:
    value = data.get(name, default)
    if not isinstance(value, str) or (default is None and not value.strip()):
        raise ValueError(f"{name}: give it as words")
    return value.strip()


def _flag(data: Mapping[str, object], name: str, default: bool) -> bool:
    value = data.get(name, default)
    if not isinstance(value, bool):
        raise ValueError(f"{name}: must be true or false")
    return value


def _places(value: object, quantity: str) -> tuple[Place, ...]:
    if (
        not isinstance(value, list | tuple)
        or not 1 <= len(value) <= 2
        or not all(isinstance(label, str) and label.strip() for label in value)
    ):
        raise ValueError("places: give a list of one or two names, in reading order")
    labels = [str(label).strip() for label in value]
    if len(set(labels)) != len(labels):
        raise ValueError("places: the two names must differ")
    spots = (0.5,) if len(labels) == 1 else (0.0, 1.0)
    if quantity == "tilt":
        return tuple(Place(la, la, up=s) for la, s in zip(labels, spots, strict=True))
    return tuple(Place(la, la, along=s) for la, s in zip(labels, spots, strict=True))


def _terms(value: object) -> tuple[Term, ...]:
    wrong = "terms: give a list of one to four pairs [coefficient, multiple], such as [[2, 1]]"
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= 4:
        raise ValueError(wrong)
    terms = []
    for pair in value:
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise ValueError(wrong)
        for number in pair:
            if isinstance(number, bool) or not isinstance(number, int | float):
                raise ValueError(wrong)
            # With positive terms the sum increases with the angle, so there is one solution.
            if not 0 < number <= 1000:
                raise ValueError("terms: each coefficient and multiple must be from 0 to 1000")
        terms.append(Term(float(pair[0]), float(pair[1])))
    return tuple(terms)
