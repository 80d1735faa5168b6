"""The methods that read a narrow strip cut off a turned board or panel."""

from __future__ import annotations

from typing import Final

from analysis.methods.cautions import SAWING_CAUTIONS
from analysis.methods.record import PRACTICE, Method, Place, Step, Term
from analysis.methods.sawing import (
    DIFFERENCE,
    OWN_GEOMETRY,
    TWO_CUTS,
    blade_tilt,
    cut_angle,
)

_REACH_IN: Final = (
    "Reach in with the tips of the jaws, or give their width and the inset: flat jaws touch the "
    "widest point under them, so the length that counts is the one between the places touched. "
    "3 mm at each end of a 200 mm strip left unsaid is 3 % of the angle."
)
_UNEQUAL: Final = (
    "Let the strips differ in width by a millimetre or more: a lost reading shows by that from "
    "the fourth strip on. Among strips of one width it cannot be noticed."
)
_TWO_HALVES: Final = (
    "A reversal averages both halves of the fence: its cuts are made with the board once on "
    "each side of the blade. Where the halves are not in one line, parts cut later with the "
    "board on the left come out at the left half's error, not at this mean. A roll on the left "
    "and a roll on the right tell the halves apart."
)
_FENCE_END: Final = Place("fence end", "fence end", along=0.0)
_OPEN_END: Final = Place("open end", "open end", along=1.0)

REVERSAL: Final = Method(
    key="reversal",
    most_nominal_deg=10.0,
    title="Reversal",
    summary="Cut, turn the board over on the same edge, cut a narrow strip: its ends differ "
    "by twice the error of the cut.",
    places=(_FENCE_END, _OPEN_END),
    relations=(cut_angle(DIFFERENCE, (Term(2, 1),)),),
    swap=(1, 0),
    baseline="length of the cut, which is the width of the board",
    sided=True,
    tells_halves=True,
    noun="strip",
    cuts=TWO_CUTS,
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
        "If the setting moved between the cuts, the strip shows the mean of both.",
        "Swapping the strip's ends gives the same size with the other sign.",
        _REACH_IN,
        _UNEQUAL,
        "Held square to one face of the strip the jaws read a little long: nothing at "
        "ordinary errors, 0.0005 degrees at 1 degree, 0.012 degrees at 3.",
    ),
    needs="A straight board edge and straight fence halves. The board need not be square, nor its "
    "edges parallel.",
    checks="the angle of the cut in plan, as the mean of both halves of the fence",
    source=f"{PRACTICE}; {OWN_GEOMETRY}",
)

HALF_TURN: Final = Method(
    key="half-turn",
    most_nominal_deg=0.0,
    title="Half-turn",
    summary="Cut, turn the board half around with the same face up, cut a narrow strip: its "
    "lower and upper edge differ by twice the tilt of the blade.",
    places=(
        Place("lower edge", "lower edge", up=0.0),
        Place("upper edge", "upper edge", up=1.0),
    ),
    relations=(blade_tilt(DIFFERENCE, (Term(2, 1),)),),
    swap=(1, 0),
    needs_thickness=True,
    sided=True,
    noun="strip",
    cuts=TWO_CUTS,
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
        "the places touched: give that.",
        "A thick board shows a small tilt better than a thin one.",
        "Taking the lower for the upper edge gives the same size with the other sign.",
        _UNEQUAL,
    ),
    needs="A board of even thickness with parallel edges.",
    checks="the tilt of the blade against the table",
    source=f"{PRACTICE}; {OWN_GEOMETRY}",
)

ROLL: Final = Method(
    key="roll",
    most_nominal_deg=0.0,
    title="Roll",
    summary="Cut, roll the board over onto its other edge and face, cut a narrow strip on the "
    "same side: its 4 corners give the angle and the tilt at once.",
    places=(
        Place("fence end lower", "fence end, lower edge", along=0.0, up=0.0),
        Place("fence end upper", "fence end, upper edge", along=0.0, up=1.0),
        Place("open end lower", "open end, lower edge", along=1.0, up=0.0),
        Place("open end upper", "open end, upper edge", along=1.0, up=1.0),
    ),
    # The least-squares plane through the four corners, which form a balanced design: its
    # slopes are these contrasts, uncorrelated with each other.
    relations=(
        cut_angle((-0.5, -0.5, 0.5, 0.5), (Term(2, 1),)),
        blade_tilt((-0.5, 0.5, -0.5, 0.5), (Term(2, 1),)),
    ),
    swap=(2, 3, 0, 1),
    baseline="length of the cut, which is the width of the board",
    needs_thickness=True,
    sided=True,
    tells_halves=True,
    noun="strip",
    cuts=TWO_CUTS,
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
            "Read the 4 corners: fence end lower, fence end upper, open end lower, open end upper.",
            "B",
            2,
            "right",
            "left",
        ),
    ),
    cautions=SAWING_CAUTIONS,
    traps=(
        "It judges only the half of the fence that the board lies on. A roll on the left and a "
        "roll on the right tell the halves apart.",
        "Edges out of parallel by an angle bias the result by half that angle.",
        "Read both ends at equal heights, else tilt leaks into the angle.",
        "Swapping the strip's ends gives the same angle with the other sign.",
        _REACH_IN,
        _UNEQUAL,
    ),
    needs="A board of even thickness with straight and parallel edges.",
    checks="the angle of the cut on the half of the fence used, and the tilt of the blade",
    source=f"{PRACTICE}; {OWN_GEOMETRY}",
)

FIVE_CUT: Final = Method(
    key="five-cut",
    most_nominal_deg=0.0,
    title="Five cuts",
    summary="Cut the 4 sides of a panel in turn, each fresh edge laid on the fence, then a "
    "strip off the first side: its ends differ by 4 times the error of the fence.",
    places=(_FENCE_END, _OPEN_END),
    relations=(cut_angle(DIFFERENCE, (Term(1, 1), Term(1, 3)), "length of the strip"),),
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
        "Swapping the strip's ends gives the same size with the other sign.",
        _REACH_IN,
        _UNEQUAL,
    ),
    needs="A panel large enough to hold safely at all 5 cuts, and a straight fence.",
    checks="the angle between fence and blade path on the half of the fence used",
    source=f"{PRACTICE}; {OWN_GEOMETRY}",
)
