"""The methods that judge the caliper, or the hand that holds it."""

from __future__ import annotations

from typing import Final

from analysis.methods.record import Method, Place, Relation, Step

KNOWN_BLOCK: Final = Method(
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

SAME_SPOT: Final = Method(
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
        "Take the caliper away between readings, else only the display is tested.",
        "One series for each person; several people on the same spots show whose hand differs.",
    ),
    needs="1 strip and 10 or more readings.",
    checks="the repeatability of caliper and hand",
    judges="hand",
)
