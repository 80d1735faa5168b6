"""Checks of what a machine is set and judged by (square, straight edges), of what turns, and of
miters and rebates that it cuts."""

from __future__ import annotations

from typing import Final

from analysis.methods.cautions import SAWING_CAUTIONS, STANDSTILL_CAUTIONS
from analysis.methods.record import PRACTICE, Method, Place, Relation, Step, Term
from analysis.methods.sawing import DIFFERENCE, TWO_CUTS

_LAID_OUT: Final = "relation derived from the drawn lines or laid edges, checked in coordinates"
_LINES: Final = (
    Place("near", "near end", along=0.0),
    Place("far", "far end", along=1.0),
)
_BETWEEN_PLACES: Final = "distance between the 2 places where the gap is read, square to the edge"
_GAPS: Final = (
    "Read the gap along the straight edge, each time between the same sides of both lines.",
    "Lines that begin at one point show the same, but the gap is then 0 near the edge and may be "
    "negative far from it: it counts as positive where the first line lies on the right.",
    "Hold the knife's flat side against what guides it: a pencil's line is wider than the error.",
)

REVERSED_SQUARE: Final = Method(
    key="reversed-square",
    title="Reversed try square",
    summary="Draw a line along the blade of a try square, turn the square over, draw a second "
    "line: the gap between the lines grows by twice the square's error.",
    places=_LINES,
    relations=(
        Relation(
            "angle",
            DIFFERENCE,
            (Term(2, 1),),
            "baseline",
            0,
            ("its inside angle is larger than 90 degrees", "its inside angle is below 90 degrees"),
            ways=("over 90 degrees", "under 90 degrees"),
            words="error of the square",
            base="distance between the 2 places",
        ),
    ),
    swap=(1, 0),
    closed_jaws=False,
    cuts=(),
    baseline=_BETWEEN_PLACES,
    picture="two lines",
    steps=(
        Step(
            "lay",
            "Clamp a flat board with one straight edge toward you. Hold the square's stock against "
            "this edge, the stock to the left of the blade.",
        ),
        Step("lay", "Draw a line with a knife along the blade, over its whole length."),
        Step(
            "turn",
            "Turn the square over: the stock lies against the same edge, now to the right of the "
            "blade.",
        ),
        Step(
            "lay",
            "Draw the second line along the same side of the blade, beginning about 5 mm to the "
            "left of the first.",
        ),
        Step(
            "measure",
            "Read the gap between the lines at their near end, by the edge, then at their far end.",
        ),
    ),
    traps=(
        *_GAPS,
        "A second line on the right of the first gives the same size with the other sign.",
        "A hollow or bulging edge of the board counts as an error of the square: use an edge that "
        "the method Three straight edges has shown to be straight.",
        "Draw both lines anew each time, else only the reading of the gap is repeated.",
    ),
    needs="A board with one straight edge, longer than twice the square's stock. Give the square a "
    "name of its own where the machine is asked for.",
    checks="the try square: how far its angle between stock and blade is from 90 degrees",
    source=f"{PRACTICE}; {_LAID_OUT}",
)

THREE_EDGES: Final = Method(
    key="three-edges",
    title="Three straight edges",
    summary="Lay 3 edges against each other in pairs, on 2 equal spacers, and read the gap "
    "in the middle: together the 3 gaps tell how hollow each edge is.",
    places=(
        Place("A B", "A against B", along=0.0),
        Place("B C", "B against C", along=0.3),
        Place("C A", "C against A", along=0.7),
        Place("spacer", "at the spacer", along=1.0),
    ),
    # Each gap is the spacer and the hollows of both edges: three equations for three hollows, of
    # which this is the solution for A. It does not change with the caliper's zero.
    relations=(Relation("length", (0.5, -0.5, 0.5, -0.5), words="hollow of edge A in its middle"),),
    closed_jaws=False,
    cuts=(),
    picture="edges",
    steps=(
        Step(
            "lay",
            "Mark the 3 edges A, B and C, and on each its middle and the 2 places, near its "
            "ends, where the spacers stand. A is the edge that you ask about.",
        ),
        Step(
            "lay",
            "Lay A and B flat on a table, edge toward edge, with an equal spacer between them at "
            "both marked ends.",
        ),
        Step(
            "lay",
            "Read the gap in the middle with the caliper's inside jaws, then do the same with B "
            "and C, and with C and A.",
        ),
        Step(
            "measure",
            "Read the gap in the middle of A and B, of B and C, of C and A, and last the gap right "
            "beside a spacer.",
        ),
    ),
    traps=(
        "Positive means hollow in the middle, negative means that the middle stands out.",
        "2 edges alone show only their sum: a hollow one fits a bulging one without a gap.",
        "The same 3 gaps tell the other edges too: for B enter B against C, C against A, A "
        "against B, in a series of B; for C enter C against A, A against B, B against C.",
        "Read all 4 gaps with the same jaws: inside and outside jaws have different zeros.",
        "Unequal spacers count as a hollow of a quarter of their difference: use 2 of one piece.",
        "It compares one place, the middle; an edge that waves may be straight there.",
    ),
    needs="3 edges of about one length, and 2 equal spacers, thick enough for the inside "
    "jaws, about 10 mm. Give edge A a name of its own where the machine is asked for.",
    checks="how far edge A is hollow in its middle, from a straight line through the 2 places "
    "where the spacers stand",
    source=f"{PRACTICE}; {_LAID_OUT}",
)

RUN_OUT: Final = Method(
    key="run-out",
    title="Run-out",
    summary="Turn a spindle, arbor or blade by hand through one full turn and read a dial "
    "indicator where it shows least and where it shows most.",
    places=(
        Place("smallest", "smallest", along=0.0),
        Place("largest", "largest", along=1.0),
    ),
    relations=(Relation("length", DIFFERENCE, words="total run-out"),),
    swap=(1, 0),
    closed_jaws=False,
    cuts=(),
    picture="round",
    steps=(
        Step("lay", "Unplug the machine. Fix the dial indicator to its table."),
        Step(
            "lay",
            "Set the tip square to the surface: at a spindle's round toward its axis, at a blade "
            "on its flat body close under the teeth.",
        ),
        Step("lay", "Turn it slowly by hand, always the same way, through one full turn."),
        Step("measure", "Send the smallest reading of the turn, then the largest."),
    ),
    cautions=STANDSTILL_CAUTIONS,
    traps=(
        "The number is the total run-out; the axis of a round is off by half of it (eccentricity).",
        "At the flat of a blade it grows with the distance from the axis: read all turns at one "
        "radius, and write the radius into the note.",
        "The largest and smallest of unsteady readings lie apart even where nothing runs out: a "
        "run-out as small as the scatter of the indicator is none.",
        "Dust and a dent count as run-out: wipe the surface, and look at what shows at one spot.",
        "Push neither at the blade nor at the belt while you read.",
    ),
    needs="A dial indicator that sends its readings, on a stand.",
    checks="the total run-out, largest less smallest reading of one turn",
    source="circular run-out as in ISO 1101; relation checked in coordinates",
)

REBATE_DEPTH: Final = Method(
    key="rebate-depth",
    title="Depth of a rebate",
    summary="Cut rebates or grooves at one setting and read the depth of each: the spread and "
    "drift of the depth.",
    places=(Place("depth", "depth of the rebate"),),
    relations=(Relation("length", (1.0,), words="depth of the rebate"),),
    noun="part",
    steps=(
        Step("lay", "Set the depth, and lay the part flat on the table and against the fence."),
        Step("cut", "Cut the rebate, with the part pressed down evenly over the whole cut."),
        Step(
            "measure",
            "Read its depth with the caliper's rod, square to the face, always at the same place "
            "along the part.",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "Number the parts in the order they were cut: a cutter that sinks shows as drift.",
        "A part that lifts from the table comes out shallow: press it down at the cutter with a "
        "push block, never with your fingers.",
        "Chips in the corner, or a rough bottom, keep the rod up: brush the rebate out.",
        "Set the caliper's foot on the face across the rebate, so that it does not tip.",
    ),
    needs="Flat parts, and a caliper with a depth rod. State the depth as nominal length with what "
    "it may be off for a verdict.",
    checks="how well machine and setting repeat a depth",
)

MITER_PAIR: Final = Method(
    key="miter-pair",
    title="Two miters",
    stop_deg=45.0,
    summary="Set 2 pieces mitered at 45 degrees against each other and reverse the corner at a "
    "straight edge, like a try square: the gap grows by 4 times the error of a miter.",
    places=_LINES,
    # The corner is 90 degrees and the errors of both miters; its reversal doubles that.
    relations=(
        Relation(
            "angle",
            DIFFERENCE,
            (Term(2, 2),),
            "baseline",
            0,
            ("the corner is too obtuse", "the corner is too acute"),
            ways=("too obtuse", "too acute"),
            words="error of each miter",
            base="distance between the 2 places",
            adjusted_by="miter setting",
        ),
    ),
    swap=(1, 0),
    closed_jaws=False,
    cuts=TWO_CUTS,
    baseline=_BETWEEN_PLACES,
    picture="two lines",
    steps=(
        Step("lay", "Set the saw to its 45 degree stop."),
        Step(
            "cut",
            "Cut the miter of 2 pieces with the same edge of each on the fence.",
            "A",
            1,
            "left",
            "right",
            shown="miter",
        ),
        Step(
            "lay",
            "Turn one piece over, set both miters tight against each other and clamp them to a "
            "corner. Clamp a flat board with one straight edge toward you.",
            shown="corner",
        ),
        Step(
            "lay",
            "Hold one leg of the corner with its outer edge against the straight edge, the leg to "
            "the left, the other leg away from you. Draw a line with a knife along its outer edge.",
            shown="corner at left",
        ),
        Step(
            "turn",
            "Turn the corner over: the same leg against the same edge, now to the right. Draw the "
            "second line along the same outer edge, beginning about 5 mm to the left of the first.",
            shown="corner at right",
        ),
        Step(
            "measure",
            "Read the gap between the lines at their near end, by the edge, then at their far end.",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        *_GAPS,
        "A second line on the right of the first gives the same size with the other sign.",
        "Pieces that slip, or a speck in the joint, change the corner: glue or clamp them, and "
        "look against the light for a gap in the joint.",
        "Edges of a piece that are not parallel count as an error where its outer edge did not lie "
        "on the fence.",
        "One miter cut at the left stop and one at the right show the mean of both stops.",
        "Only for miters of 45 degrees; a frame of other corners is for closing miters.",
    ),
    needs="2 straight pieces with parallel edges, each longer than the distance between the 2 "
    "places, and a board with a straight edge.",
    checks="the miter setting, as the mean error of both cuts; positive means that the saw is "
    "set too near to square",
    source=f"{PRACTICE}; {_LAID_OUT}",
)
