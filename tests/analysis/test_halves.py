"""Which half of the fence a method judges."""

from __future__ import annotations

import pytest

from analysis.halves import half_judged
from analysis.methods import METHODS


def test_a_board_that_stays_on_one_side_of_the_blade_judges_that_half() -> None:
    # The strip falls on the other side of the blade than the board.
    for method in (METHODS["roll"], METHODS["five-cut"]):
        assert half_judged(method, "left") == "right"
        assert half_judged(method, "right") == "left"


@pytest.mark.parametrize("method", ["reversal", "half-turn"])
def test_a_board_that_changes_sides_judges_both_halves(method: str) -> None:
    assert half_judged(METHODS[method], "left") is None
    assert half_judged(METHODS[method], "right") is None


@pytest.mark.parametrize("method", ["blade-to-slot", "stop-block", "same-spot"])
def test_what_is_not_cut_along_the_fence_judges_no_half(method: str) -> None:
    assert half_judged(METHODS[method], "left") is None
