"""Equal strips are equal, and scatter within the caliper's count proves nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import geometry, spread
from analysis.caliper_study import known_block
from analysis.comparison import compare
from analysis.comparison_of_many import compare_many
from analysis.counts import compared_bounds, each_varies, exact, scatter_bounds, widths_vary
from analysis.drift import trend
from analysis.methods import METHODS
from analysis.one_trial import rounding_sd
from analysis.quantiles import chi_square
from benchmarks.truth import rounding
from tests.analysis.chance import within_chance

FIRST = [(10.01, 10.36), (10.53, 10.88), (11.07, 11.42), (9.64, 9.99)]
SECOND = [(10.02, 10.37), (10.41, 10.77), (11.18, 11.53), (9.77, 10.12)]
REVERSAL = METHODS["reversal"]
ROUNDING = rounding_sd(REVERSAL, REVERSAL.relations[0], resolution_mm=0.01, base_mm=200.0)


def angles(widths: list[tuple[float, float]]) -> np.ndarray:
    return geometry.series_values(REVERSAL, np.array(widths), 200.0).angle_rad


@settings(max_examples=50)
@given(
    st.lists(st.integers(1, 15_000), min_size=2, max_size=12),
    st.sampled_from([10_000, 20_000, 12_700, 1_000]),
    st.integers(1, 16),
    st.lists(st.integers(-500, 500), min_size=4, max_size=4),
)
def test_strips_with_equal_deviations_have_no_scatter(
    strips: list[int], step_nm: int, repeats: int, off: list[int]
):
    # Each place is read `repeats` times, the last time a count further out.
    counts = np.array(strips)[:, np.newaxis, np.newaxis] + np.array(off)[:, np.newaxis]
    counts = counts + (np.arange(repeats) == repeats - 1)
    widths = counts * step_nm / 1e6
    for key, places in (("roll", 4), ("reversal", 2), ("planed-thickness", 2)):
        method = METHODS[key]
        values = geometry.series_values(method, widths[:, :places], 200.0, 20.0)
        for quantity in method.reveals:
            if quantity != "length":
                assert spread.summary(values.of(quantity)).sd == 0, (key, quantity)


def test_a_difference_of_counts_is_the_nearest_float():
    assert exact(np.array([10.36 - 10.01, 10.88 - 10.53, 0.1 + 0.2])).tolist() == [0.35, 0.35, 0.3]


def test_one_count_in_one_strip_of_four_makes_no_saw_less_steady():
    found = compare(angles(FIRST), angles(SECOND), floor_sd=ROUNDING)
    assert not found.less_steady_shown
    assert found.first.sd == 0
    assert found.spread is not None
    assert found.spread.p == 1
    assert "the caliper's count does not show" in found.sentence


def test_three_saws_within_one_count_are_not_told_apart_by_their_spreads():
    series = [angles(FIRST), angles(SECOND), angles(FIRST)]
    found = compare_many(series, names=["a", "b", "c"], floor_sd=ROUNDING)
    assert found.anova is found.brown_forsythe_p is None


@pytest.mark.parametrize(
    ("step", "hand", "trials", "stop"),
    [
        ("0.01 mm", 0.001, 4, False),
        ("0.01 mm", 0.003, 10, True),
        ("0.02 mm", 0.001, 20, True),
        ("0.0005 in", 0.03, 3, False),
    ],
)
def test_equal_saws_are_seldom_called_less_steady(step: str, hand: float, trials: int, stop: bool):
    wrong = rounding.alike(np.random.default_rng(5), 500, step, hand, trials, stop)
    assert wrong <= 25 or within_chance(wrong, 500, 0.05)


def test_three_times_the_scatter_is_told_from_ten_strips_of_each():
    found = rounding.told(np.random.default_rng(6), 500, "0.01 mm", 0.01)
    assert found >= 400 or within_chance(found, 500, 0.8)


def test_limits_of_a_standard_deviation_hold_at_the_worst_place_within_the_count():
    """Independent of the shop: rounded normal values, all of one place."""
    rng, runs = np.random.default_rng(7), 2000
    for n, sigma, at in ((5, 1.6, 0.2), (8, 0.4, 0.5), (20, 0.35, 0.0), (20, 0.1, 0.5)):
        low, high = chi_square(0.025, n - 1) / (n - 1), chi_square(0.975, n - 1) / (n - 1)
        values = np.rint(at + sigma * rng.standard_normal((runs, n)))
        missed = 0
        for sd in values.std(axis=1, ddof=1):
            within = scatter_bounds(float(sd), n, 1 / math.sqrt(12))
            missed += not within.least**2 / high <= sigma**2 <= within.most**2 / low
        assert missed <= 0.05 * runs or within_chance(missed, runs, 0.05), (n, sigma, at)


def test_far_above_the_count_the_bounds_close_in_on_what_was_computed():
    for of in (compared_bounds(100.0, 1.0), scatter_bounds(100.0, 10, 1.0)):
        assert of.least == pytest.approx(100, rel=2e-4)
        assert of.most == pytest.approx(100, rel=1e-4)
    assert compared_bounds(3.0, 0.0) == scatter_bounds(3.0, 2, 0.0) == (3.0, 3.0)


@pytest.mark.parametrize("ends", [(0.35, -0.35), (0.45, -0.2), (0.5, 0.5)])
def test_strips_cut_to_a_stop_by_a_steady_hand_hide_no_rounding(ends: tuple[float, float]):
    rng = np.random.default_rng(9)
    held = rounding.covered(rng, 60, 20, 0.002, ends)
    # A study whose ten readings lay at the edge of two counts proves no other hand.
    held += rounding.covered(rng, 60, 20, 0.002, ends, repeatability_mm=0.005, repeatability_df=9.0)
    held += rounding.covered(rng, 60, 2, 0.002, ends, repeats=10)
    assert held >= 0.93 * 180


def test_only_widths_that_differ_by_more_than_a_count_let_rounding_average_out():
    rng = np.random.default_rng(10)
    many = [np.round(10 + sd * rng.standard_normal((n, 2)), 2)
            for n in (2, 5, 12) for sd in (0.001, 0.01, 0.5)]  # fmt: skip
    # At the edge of two counts, one strip of another width, one place alone to a stop, one strip.
    many += [
        np.round(10.005 + 0.002 * rng.standard_normal((20, 2)), 2),
        np.where(np.arange(12)[:, np.newaxis] == 5, 12.0, [[10.0, 10.3]]),
        np.column_stack([np.full(9, 10.0), np.linspace(10, 11, 9)]),
        np.array([[10.0, 10.4]]),
        np.full((6, 2), np.nan),
    ]
    alone = [widths_vary(widths, 0.01) for widths in many]
    assert [n for n, vary in enumerate(alone) if vary and n % 3 == 2] == [2, 5, 8]
    assert not any(alone[9:])
    of = np.repeat(np.arange(len(many)), [len(widths) for widths in many])
    together = each_varies(np.concatenate(many), of, np.full(len(many), 0.01))
    assert together.tolist() == alone


def test_cuts_within_one_count_do_not_creep():
    steps = np.array([0.35] * 6 + [0.36] * 6) / 400
    assert trend(steps).shown
    found = trend(steps, rounding_u=ROUNDING)
    assert not found.shown
    creeping = trend(np.linspace(0.2, 0.5, 6) / 400, rounding_u=ROUNDING)
    assert creeping.shown


def test_a_block_read_at_the_edge_of_two_counts_shows_no_surer_offset():
    """Ten readings of 25.005 mm, half of them 25.00 and half 25.01: their mean is not that sure."""
    readings = [25.0, 25.01] * 5
    found = known_block([25.0] * 10, readings, resolution=0.01)
    assert found.offset is not None
    assert found.offset.interval is not None
    assert found.offset.standard_error > 0.01 / math.sqrt(12)
