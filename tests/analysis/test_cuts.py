"""What is said of single cuts and of whose scatter it is, against saws whose truth is known.

The long form, on many grounds, is `python -m benchmarks.truth cuts`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis import spread
from analysis.caliper_study import HandStudy, hand_from
from analysis.methods import METHODS, custom_method
from benchmarks.truth import cuts as truth

FINE = math.radians(0.01)


def kept(rows):
    """Each statement held as often as it claims, or chance alone explains that it did not."""
    rows = list(rows)
    assert rows
    for row in rows:
        assert row.runs >= 50, row
        assert row.kept, row


@pytest.mark.parametrize("key", ["reversal", "five-cut", "closing-miters"])
def test_the_next_cut_and_nineteen_in_twenty_later_ones_lie_where_they_are_said_to(key):
    kept(truth.single_cuts(np.random.default_rng(12), key, FINE, 0.003, 200, 12))


@pytest.mark.parametrize("hand", [0.003, 0.05])
def test_a_perfect_saw_is_not_blamed_without_a_study_of_the_hand(hand):
    kept(truth.own_scatter(np.random.default_rng(3), "reversal", 0.0, hand, 150, 12))


@pytest.mark.parametrize("study", [0, 10])
def test_the_machines_own_scatter_is_that_of_its_single_cuts(study):
    kept(truth.own_scatter(np.random.default_rng(4), "five-cut", FINE, 0.01, 150, 12, study))


@pytest.mark.parametrize("pair", [("reversal", "five-cut"), ("closing-miters", "reversal")])
def test_equal_saws_are_not_told_apart_by_the_methods_that_measured_them(pair):
    kept(truth.steadiness(np.random.default_rng(7), pair, (0.003, 0.003), (8, 8), 300))


def test_a_loose_saw_is_found_though_its_strips_average_more_cuts():
    pair = ("reversal", "five-cut")
    kept(truth.steadiness(np.random.default_rng(7), pair, (0.01, 0.01), (10, 10), 60, ratio=4))


def test_two_hands_are_not_taken_for_two_saws():
    pair = ("reversal", "reversal")
    found = truth.steadiness(
        np.random.default_rng(8), pair, (0.003, 0.05), (8, 8), 200, one_hand=False
    )
    kept(found)


@pytest.mark.parametrize("people", [False, True])
def test_what_old_studies_and_other_people_say_of_a_hand_holds_now(people):
    kept(truth.hands(np.random.default_rng(9), 300, people=people))


def test_calipers_with_zeros_of_their_own_are_not_taken_for_machines_that_differ():
    kept(truth.sides(np.random.default_rng(10), 60))


@pytest.mark.parametrize("one_board", [True, False])
def test_a_straight_fence_is_not_called_out_of_line_for_the_length_of_its_boards(one_board):
    kept(truth.halves(np.random.default_rng(11), 60, one_board=one_board))


def test_one_fresh_study_of_this_hand_is_what_is_known():
    assert hand_from([HandStudy(0.02, 9)]) == HandStudy(0.02, 9)


def test_alike_studies_add_up_and_unlike_ones_take_away():
    alike = hand_from([HandStudy(0.02, 9), HandStudy(0.02, 9)])
    # Of two variances with nine degrees of freedom each, eighteen; a little less by logarithms.
    assert alike.sd == pytest.approx(0.02, rel=0.04)
    assert 16 < alike.df <= 18
    unlike = hand_from([HandStudy(0.01, 9), HandStudy(0.04, 9)])
    assert unlike.df < 3
    assert 0.01 < unlike.sd < 0.04


def test_an_old_study_counts_less_than_a_fresh_one():
    fresh, old = HandStudy(0.01, 9), HandStudy(0.03, 9, years=10)
    both = hand_from([fresh, old])
    assert abs(math.log(both.sd / fresh.sd)) < abs(math.log(both.sd / old.sd))
    assert hand_from([old]).df < 4


def test_without_a_study_no_hand_is_known():
    with pytest.raises(ValueError, match="studies: give at least 1"):
        hand_from([])


@pytest.mark.parametrize(
    ("key", "cuts", "share"),
    [
        ("reversal", 2, 1 / 2),
        ("half-turn", 2, 1 / 2),
        ("roll", 2, 1 / 2),
        ("five-cut", 4, 1 / 4),
        ("closing-miters", 8, 1 / 8),
        ("stop-block", 1, 1),
        ("planed-thickness", 1, 1),
        ("blade-to-slot", 0, 1),
        ("known-block", 0, 1),
        ("same-spot", 0, 1),
    ],
)
def test_each_method_says_how_many_cuts_a_trial_averages(key, cuts, share):
    of = METHODS[key]
    weights = of.cut_weights()
    assert len(weights) == cuts
    assert math.fsum(weights) == pytest.approx(1 if cuts else 0)
    assert of.cut_share() == pytest.approx(share)


def test_a_frame_averages_the_cuts_of_all_its_pieces():
    assert METHODS["closing-miters"].cut_weights(6) == pytest.approx((1 / 12,) * 12)
    assert METHODS["closing-miters"].cut_share(6) == pytest.approx(1 / 12)


OWN = {
    "key": "jig",
    "places": ["near", "far"],
    "quantity": "angle",
    "terms": [[2, 1]],
    "baseline": "length",
}


@pytest.mark.parametrize(
    ("given", "weights"),
    [
        ({}, (0.5, 0.5)),
        ({"terms": [[1, 1], [1, 3]]}, (0.25,) * 4),
        ({"terms": [[0.5, 1]]}, (1.0,)),
        ({"cuts": 1}, (1.0,)),
        ({"cuts": 0}, ()),
        ({"cuts": [0.25, 0.75]}, (0.25, 0.75)),
    ],
)
def test_a_method_of_ones_own_averages_what_it_says_or_as_often_as_it_counts(given, weights):
    assert custom_method(OWN | given).cut_weights() == pytest.approx(weights)


@pytest.mark.parametrize("cuts", [-1, 201, True, 1.5, "two", [], [0.5, 0.4], [1.5, -0.5], [True]])
def test_cuts_that_cannot_be_are_refused_in_words(cuts):
    with pytest.raises(ValueError, match=r"^cuts: give how many cuts a trial averages"):
        custom_method(OWN | {"cuts": cuts})


def test_a_mean_of_trials_that_average_tells_as_much_as_one_of_all_their_cuts():
    """Against the factor by simulation: n trials of k cuts, with n - 1 degrees of freedom."""
    n, share, runs = 6, 0.25, 40_000
    rng = np.random.default_rng(5)
    factor = spread.tolerance_factor(n, share=share)
    mean = rng.normal(0, math.sqrt(share / n), runs)
    sd = np.sqrt(rng.chisquare(n - 1, runs) / (n - 1))
    from scipy import special

    held = special.ndtr(mean + factor * sd) - special.ndtr(mean - factor * sd) >= 0.95
    assert abs(float(held.mean()) - 0.95) < 4 * math.sqrt(0.95 * 0.05 / runs)
