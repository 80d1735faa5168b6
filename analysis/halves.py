"""Which half of a fence a series judges."""

from __future__ import annotations

from functools import cache

from analysis.methods import METHODS, Side, steps_for


@cache
def half_judged(method: str, strip_side: Side) -> Side | None:
    """The half of the fence that a series by the method with that key judges; None where it is
    both, or none.

    Read off the method's steps: the board stays on one side of the blade throughout. Raises
    KeyError where no method has that key.
    """
    follows = METHODS[method]
    if not follows.sided:
        return None
    sides = {s.board_side for s in steps_for(follows, strip_side) if s.board_side is not None}
    return sides.pop() if len(sides) == 1 else None
