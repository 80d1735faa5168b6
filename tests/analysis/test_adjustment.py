"""The answer agrees with 'further out', and its interval covers as often as stated."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from analysis.adjustment import _answer, adjusted
from analysis.comparison import compare

BEFORE = np.radians([-0.31, -0.30, -0.33, -0.28, -0.31])


def test_an_adjustment_that_took_most_of_the_error_away_helped():
    after = np.radians([-0.09, -0.11, -0.06, -0.10, -0.09])
    found = adjusted(BEFORE, after)
    assert found.answer == "helped"
    assert math.degrees(found.change) == pytest.approx(0.090 - 0.306, abs=1e-12)
    assert found.interval.high < 0
    assert found.change in found.interval
    assert found.sentence.startswith("It helped: the mean is nearer to nominal by 0.216 degrees")
    assert "0.306 degrees from nominal before, 0.090 degrees after" in found.sentence


def test_an_overshoot_to_the_same_size_is_no_help():
    found = adjusted(BEFORE, -BEFORE)
    assert found.answer == "cannot tell"
    assert 0 in found.interval
    assert "Cannot tell yet" in found.sentence


def test_an_adjustment_the_wrong_way_made_it_worse():
    found = adjusted(np.radians([0.01, 0.02, 0.00]), np.radians([-0.11, -0.12, -0.13]))
    assert found.answer == "made it worse"
    assert found.interval.low > 0
    assert "further from nominal" in found.sentence


def test_before_and_after_change_places_with_the_answer():
    after = np.radians([-0.09, -0.11, -0.06])
    there, back = adjusted(BEFORE, after), adjusted(after, BEFORE)
    assert (there.answer, back.answer) == ("helped", "made it worse")
    assert back.change == -there.change
    assert back.interval.low == pytest.approx(-there.interval.high, rel=1e-12)
    assert back.interval.high == pytest.approx(-there.interval.low, rel=1e-12)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ([], [0.1, 0.2], "there is no cut from before"),
        ([0.1, 0.2], [math.nan], "there is no cut from after"),
        ([0.1, 0.2], [0.1], "1 strip shows no scatter"),
        ([0.1, 0.1], [0.2, 0.2], "no scatter to judge by"),
    ],
)
def test_too_little_to_judge_by_is_said_in_words(before, after, words):
    found = adjusted(before, after, unit="mm")
    assert found.answer == "cannot tell"
    assert found.interval is None
    assert words in found.sentence


def test_lengths_are_judged_from_their_nominal_and_said_in_thou():
    found = adjusted([12.010, 12.011, 12.009], [12.001, 12.002, 12.0], nominal=12, unit="in")
    assert found.answer == "helped"
    assert "thou" in found.sentence
    assert found.change == pytest.approx(-0.009, abs=1e-12)


def test_the_ends_are_the_least_and_most_over_both_intervals():
    """Against a plain search over a grid of the two intervals, for all signs."""
    grid = np.linspace(-1, 1, 201)
    for estimate, total in itertools.product((-3.0, -0.6, 0.0, 0.4, 2.0), repeat=2):
        means = ((total - estimate) / 2, (total + estimate) / 2)
        # At half the risk in any case, so that an answer at the whole of it is not counted.
        _, got = _answer(means, lambda _: 0.5 * 2.241402727604947, 0.0, 0.95)
        # Both ends at half the risk: the normal's 98.75 % quantile. From memory: 2.2414.
        x = estimate + grid[:, None] * 0.5 * 2.241402727604947
        y = total + grid[None, :] * 0.5 * 2.241402727604947
        change = np.sign(x * y) * np.minimum(abs(x), abs(y))
        assert got.low == pytest.approx(change.min(), abs=0.012)
        assert got.high == pytest.approx(change.max(), abs=0.012)


@pytest.mark.parametrize("after", [0.0, 0.004, 0.03, -0.03, -0.1])
def test_the_interval_holds_the_true_change_as_often_as_it_says(after):
    rng = np.random.default_rng(17)
    sd, n, rounds, held, wrong = 0.03, 5, 1500, 0, 0
    truth = abs(after) - 0.03
    for _ in range(rounds):
        found = adjusted(rng.normal(0.03, sd, n), rng.normal(after, sd, n))
        held += truth in found.interval
        wrong += found.answer == ("helped" if truth >= 0 else "made it worse")
    # 95 % less three standard errors of a share over so many rounds.
    slack = 3 * math.sqrt(0.95 * 0.05 / rounds)
    assert held / rounds >= 0.95 - slack
    assert wrong / rounds <= 0.05 + slack


@pytest.mark.parametrize(
    ("first", "second", "loose"), [(2, 6, 0.2), (2, 6, 1.0), (3, 3, 5.0), (6, 3, 5.0)]
)
def test_few_cuts_and_unequal_scatter_do_not_make_it_hold_less_often(first, second, loose):
    """Welch's interval alone held in as few as 89 %, and answered wrongly in 11 %."""
    rng = np.random.default_rng(23)
    rounds, held, wrong = 250, 0, 0
    for after in (0.06, -0.06):
        for _ in range(rounds):
            found = adjusted(rng.normal(0.06, 0.03, first), rng.normal(after, 0.03 * loose, second))
            held += 0 in found.interval
            wrong += found.answer != "cannot tell"
    slack = 3 * math.sqrt(0.95 * 0.05 / (2 * rounds))
    assert held / (2 * rounds) >= 0.95 - slack
    assert wrong / (2 * rounds) <= 0.05 + slack


def test_the_answer_is_that_of_further_out():
    rng = np.random.default_rng(3)
    for _ in range(200):
        a, b = rng.normal(0.05, 0.04, 6), rng.normal(rng.normal(0, 0.1), 0.03, 6)
        pair, found = compare(a, b, apart_u=0.0057), adjusted(a, b, apart_u=0.0057)
        shown = {"first": "helped", "second": "made it worse", None: "cannot tell"}
        expected = shown[pair.further_out] if pair.further_out_shown else "cannot tell"
        assert found.answer == expected
        # The interval agrees with the answer.
        assert (0 in found.interval) == (found.answer == "cannot tell")
