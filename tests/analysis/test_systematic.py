"""What more trials would not lessen, against sums by hand."""

from __future__ import annotations

import math

import pytest

from analysis import uncertainty
from analysis.methods import METHODS
from analysis.one_trial import factor, rounding_sd
from analysis.planning import trial_sd
from analysis.score import SeriesFacts, score
from analysis.systematic import Systematic, between, systematic

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
    assert told.own_u == pytest.approx(expected, rel=1e-4)
    assert told.own_u < found.budget.combined
    assert told.zero_u == 0


def test_the_zero_of_the_caliper_is_apart_from_its_scale():
    found = budget_of(method=METHODS["stop-block"], widths_mm=[[[412.1]], [[412.12]]])
    told = systematic(found.budget, 25.4)
    assert told.zero_u == pytest.approx(0.02 / math.sqrt(3) / 25.4)
    assert told.own_u == pytest.approx(412.11 * 1e-4 / math.sqrt(3) / 25.4, rel=1e-6)


def test_one_caliper_s_zero_is_shared_and_that_of_two_is_each_one_s_own():
    first, second = Systematic(3.0, 4.0), Systematic(5.0, 12.0)
    assert between(first, second, one_caliper=True) == (5.0, (4.0, 12.0))
    assert between(first, second, one_caliper=False) == (0.0, (5.0, 13.0))


def test_without_a_budget_nothing_is_systematic():
    assert systematic(None) == Systematic(0.0, 0.0)


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
