"""The methods that read something else of a machine than a strip: blade, stop, planer, miters."""

from __future__ import annotations

from typing import Final

from analysis.methods.cautions import SAWING_CAUTIONS, STANDSTILL_CAUTIONS
from analysis.methods.record import PRACTICE, Method, Place, Relation, Step, Term
from analysis.methods.sawing import DIFFERENCE, OWN_GEOMETRY, TWO_CUTS

BLADE_TO_SLOT: Final = Method(
    key="blade-to-slot",
    most_nominal_deg=0.0,
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
            DIFFERENCE,
            (Term(1, 1),),
            "baseline",
            0,
            (
                "the back of the blade is off to the right",
                "the back of the blade is off to the left",
            ),
            "seen from above from the front of the saw",
            ways=("back to the right", "back to the left"),
            words="angle of blade and slot",
            base="distance along the slot",
            adjusted_by="blade mount",
        ),
    ),
    swap=(1, 0),
    closed_jaws=False,
    cuts=(),
    baseline="distance along the slot between the 2 places where the tooth was measured",
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

STOP_BLOCK: Final = Method(
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

PLANED_THICKNESS: Final = Method(
    key="planed-thickness",
    most_nominal_deg=0.0,
    title="Planed thickness",
    summary="Plane a board and read its thickness at the left and at the right edge: the "
    "difference shows the cutterhead against the table.",
    places=(Place("left", "left edge", along=0.0), Place("right", "right edge", along=1.0)),
    # The taper of the board's section over its width is the angle between cutterhead and
    # table; the mean of the two edges is the thickness the machine repeats.
    relations=(
        Relation(
            "angle",
            DIFFERENCE,
            (Term(1, 1),),
            "baseline",
            2,
            (
                "boards come out thicker at the right edge",
                "boards come out thicker at the left edge",
            ),
            "seen along the feed",
            ways=("thicker right", "thicker left"),
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
        "To use 4 corners, set repeats to 2 and read each edge near both ends.",
        "A board that rocks on the table shows the board, not the machine.",
    ),
    needs="A board that lies flat, with one face already true.",
    checks="whether cutterhead and table are parallel; positive means thicker at the right edge",
)

CLOSING_MITERS: Final = Method(
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
            ways=("", "too acute"),
            words="error of each miter",
            base="length of the joint",
            adjusted_by="miter setting",
        ),
    ),
    closed_jaws=False,
    baseline="length of the joint",
    noun="frame",
    pieces=4,
    cuts=TWO_CUTS,
    picture="last joint",
    steps=(
        Step(
            "cut",
            "Cut both ends of every piece at the same miter setting, all opposite pieces "
            "to the same length.",
            "A",
            1,
            "left",
            "right",
            shown="miter",
        ),
        Step("lay", "Close all joints but the last.", shown="frame"),
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
        "Errors of 2 cuts that complete each other to a square corner cancel and do not show.",
        "Where the last joint stands open at both ends, what counts is how much wider it is open "
        "at one end than at the other.",
        "Pieces of unequal length open the joint too.",
    ),
    needs="Pieces of equal length in opposite pairs.",
    checks="the miter setting, as the mean error of all the cuts",
    source=f"{PRACTICE}; {OWN_GEOMETRY}",
)
