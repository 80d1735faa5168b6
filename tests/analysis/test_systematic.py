"""What more trials would not lessen, against sums by hand."""

from __future__ import annotations

import math

import pytest

from analysis import uncertainty
from analysis.methods import METHODS
from analysis.one_trial import factor, rounding_sd
from analysis.planning import trial_sd
from analysis.score import SeriesFacts, score
from analysis.systematic import (
    Between,
    Systematic,
    apart_u,
    between,
    fixed_u,
    systematic,
)

WIDTHS = [[[12.0], [12.3]], [[12.0], [12.4]], [[12.0], [12.35]]]


def budget_of(**facts):
    (found,) = score(SeriesFacts(**({"method": METHODS["reversal"]} | facts))).quantities.values()
    assert found.budget is not None
    return found


def test_what_more_cuts_lessen_is_no_part_of_it():
    found = budget_of(widths_mm=WIDTHS, baseline_mm=200.0, straightness_mm=0.1)
    told = systematic(found.budget)
    straight = 0.1 / math.sqrt(3) / 400
    relative = math.hypot(
        uncertainty.LENGTH_BOUND_MM / 200,
        2 * uncertainty.INSET_BOUND_MM / 200,
        uncertainty.USUAL_JAWS_MM / 2 / 200,
        1e-4,
    )
    expected = math.hypot(relative / math.sqrt(3) * abs(found.mean), straight)
    assert told.u == pytest.approx(expected, rel=1e-4)
    assert told.u < found.budget.combined
    assert fixed_u(found.budget) == pytest.approx(told.u, rel=1e-12)
    assert told.terms["caliper zero"] == 0
    # A longer cut than stated is a smaller angle; jaws further in than stated a larger one.
    assert told.terms["length of the cut"] < 0 < told.terms["inset"]


def test_the_zero_of_the_caliper_is_apart_from_its_scale():
    found = budget_of(method=METHODS["stop-block"], widths_mm=[[[412.1]], [[412.12]]])
    told = systematic(found.budget, 25.4)
    assert told.terms["caliper zero"] == pytest.approx(0.02 / math.sqrt(3) / 25.4)
    scale = 412.11 * 1e-4 / math.sqrt(3) / 25.4
    assert told.terms["caliper scale"] == pytest.approx(scale, rel=1e-6)


def test_what_one_caliper_adds_to_both_cancels_in_the_difference_and_doubles_in_the_sum():
    first = Systematic({"caliper zero": 3.0, "caliper scale": 4.0}, caliper="a")
    second = Systematic({"caliper zero": 3.0, "caliper scale": 6.0}, caliper="a")
    told = between(first, second)
    assert told.apart_u == pytest.approx(2.0)
    together = 6.0**2 + 10.0**2
    assert told.apart_u**2 + 4 * told.shared_u**2 == pytest.approx(together)


def test_what_two_calipers_add_is_each_ones_own():
    first = Systematic({"caliper zero": 3.0}, caliper="a")
    assert between(first, Systematic({"caliper zero": 4.0}, caliper="b")) == Between(0.0, 5.0)


def test_a_length_is_shared_on_one_board_and_else_counts_as_what_is_worse():
    def on(board, u):
        return Systematic({"length of the cut": u}, board=board)

    assert between(on("b", 3.0), on("b", 3.0)).apart_u == 0
    # It may be the same length or not: to one side of nominal it matters more if it is not,
    # across it more if it is.
    assert between(on("b", 3.0), on("c", 4.0)).apart_u == pytest.approx(5.0)
    assert between(on("b", 3.0), on(None, -4.0)).apart_u == pytest.approx(7.0)


def test_each_pair_of_several_has_its_own():
    of = [Systematic({"caliper zero": 2.0}, caliper=name) for name in "aab"]
    found = apart_u(of)
    assert found[0, 1] == 0
    assert found[0, 2] == found[2, 1] == pytest.approx(math.sqrt(8))


def test_without_a_budget_nothing_is_systematic():
    assert systematic(None) == Systematic()
    assert systematic(None).u == 0


@pytest.mark.parametrize("key", ["reversal", "five-cut", "roll", "blade-to-slot", "closing-miters"])
def test_rounding_alone_is_what_a_plan_reckons_with_for_a_perfect_hand(key):
    method = METHODS[key]
    relation = method.relations[0]
    expected = trial_sd(
        180.0, reading_sd_mm=0.0, resolution_mm=0.05, factor=factor(method, relation)
    )
    found = rounding_sd(method, relation, resolution_mm=0.05, base_mm=180.0)
    assert found == pytest.approx(expected, rel=1e-12)


def test_rounding_of_a_length_is_that_of_its_readings():
    method = METHODS["stop-block"]
    found = rounding_sd(method, method.relations[0], resolution_mm=0.01, base_mm=None)
    assert found == pytest.approx(0.01 / math.sqrt(12))


def test_a_reversal_counts_the_error_twice_and_a_five_cut_four_times():
    for key, times in (("reversal", 2), ("five-cut", 4)):
        method = METHODS[key]
        assert factor(method, method.relations[0]) == pytest.approx(times)
