"""Which half of a fence a series judges."""

from __future__ import annotations

from functools import cache

from analysis.methods import Method, Side, steps_for


@cache
def half_judged(method: Method, strip_side: Side) -> Side | None:
    """The half of the fence that a series by the method judges; None where it is both, or none.

    From the method's steps: it judges one half where the board always lies on the same side of the
    blade.
    """
    if not method.sided:
        return None
    sides = {s.board_side for s in steps_for(method, strip_side) if s.board_side is not None}
    return sides.pop() if len(sides) == 1 else None
