from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.returning import came_back
from tests.analysis.chance import within_chance

BEFORE = [0.10e-3, -0.20e-3, 0.05e-3, 0.15e-3, -0.10e-3, 0.0]


def test_one_cut_outside_where_the_next_was_expected_did_not_come_back() -> None:
    r = came_back(BEFORE, [2e-3])
    assert (r.answer, r.way, r.more_cuts) == ("did not", "prediction interval", 0)
    assert r.expected is not None
    # The prediction interval written out: mean +/- t s sqrt(1 + 1/n).
    half = stats.t.ppf(0.975, 5) * np.std(BEFORE, ddof=1) * math.sqrt(1 + 1 / 6)
    assert r.expected.low == pytest.approx(-half, rel=1e-12)
    assert r.expected.high == pytest.approx(half, rel=1e-12)
    assert "outside where the next one was expected" in r.sentence


def test_one_cut_well_within_a_wide_margin_came_back() -> None:
    r = came_back(BEFORE, [0.1e-3], margin=1e-3)
    assert r.answer == "came back"
    assert r.p_within is not None
    assert r.p_within < 0.05


def test_coming_back_is_never_claimed_without_a_margin() -> None:
    r = came_back(BEFORE, [0.0, 0.01e-3, 0.0])
    assert r.answer == "cannot tell"
    assert "largest shift that you accept" in r.sentence


def test_a_shift_too_small_to_matter_came_back_though_it_shows() -> None:
    before = np.array([0, 1, 2, 1, 0, 2]) * 1e-5
    r = came_back(before, before + 5e-5, margin=1e-3)
    assert r.shift is not None
    assert r.shift.interval is not None
    assert 0 not in r.shift.interval
    assert r.answer == "came back"


def test_an_unmoved_stop_is_seldom_said_to_have_moved() -> None:
    rng = np.random.default_rng(1)
    for after in (1, 2, 5):
        runs, wrong = 1000, 0
        for x in rng.normal(size=(runs, 5 + after)):
            wrong += came_back(x[:5], x[5:], margin=0.1).answer == "did not"
        # Welch keeps at or a little below its level with two cuts.
        assert wrong / runs < 0.05 + 4 * math.sqrt(0.05 * 0.95 / runs)


def test_a_stop_off_by_the_margin_is_seldom_said_to_be_back() -> None:
    rng = np.random.default_rng(2)
    for after, margin in ((1, 4.0), (4, 2.0), (20, 1.0)):
        runs, wrong = 3000, 0
        for x in rng.normal(size=(runs, 20 + after)):
            wrong += came_back(x[:20], x[20:] + margin, margin=margin).answer == "came back"
        assert within_chance(wrong, runs, 0.05)


def test_a_stop_that_is_back_is_recognised_with_enough_cuts() -> None:
    rng = np.random.default_rng(3)
    right = sum(
        came_back(x[:15], x[15:], margin=1.5).answer == "came back"
        for x in rng.normal(size=(500, 30))
    )
    assert right > 450


def test_so_many_more_cuts_do_tell() -> None:
    before, after = BEFORE, [0.25e-3, 0.05e-3]
    r = came_back(before, after, margin=0.4e-3)
    assert r.answer == "cannot tell"
    assert r.more_cuts is not None
    assert f"{r.more_cuts} more strip" in r.sentence
    assert r.shift is not None
    mean, sd = float(np.mean(after)), float(np.std(after, ddof=1))

    def answer(more: int) -> str:
        # Cuts with just the mean and the scatter of those made.
        n = len(after) + more
        spread = np.linspace(-1, 1, n)
        cuts = mean + (spread - spread.mean()) / spread.std(ddof=1) * sd
        return came_back(before, cuts, margin=0.4e-3).answer

    assert answer(r.more_cuts) != "cannot tell"
    assert answer(r.more_cuts - 1) == "cannot tell"


def test_more_cuts_are_not_promised_to_help_where_they_cannot() -> None:
    # Two cuts before: what they leave open, no number of cuts after closes.
    r = came_back([0.0, 1e-3], [0.4e-3, 0.5e-3, 0.6e-3], margin=1e-4)
    assert r.answer == "cannot tell"
    assert r.more_cuts is None
    assert "would not give an answer" in r.sentence


def test_a_scatter_known_from_earlier_serves_where_each_side_has_one_cut() -> None:
    assert came_back([0.0], [1e-4], margin=1e-3).answer == "cannot tell"
    known = came_back([0.0], [1e-4], margin=1e-3, known_sd=1e-4, known_df=20)
    assert known.answer == "came back"
    assert known.shift is not None
    assert known.shift.df == pytest.approx(20)


def test_a_single_cut_before_takes_the_scatter_from_after() -> None:
    r = came_back([2e-3], BEFORE)
    assert (r.answer, r.way) == ("did not", "prediction interval")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ([], [], "no strip from before"),
        ([], [1.0], "no strip from before"),
        ([1.0], [], "no strip from after"),
        ([1.0, math.nan], [math.nan], "no strip from after"),
        ([1.0], [1.0], "add at least 1 more"),
        ([1.0, 1.0], [1.0, 1.0], "finer caliper"),
        ([0.1, 0.1, 0.1], [0.3], "finer caliper"),
    ],
)
def test_too_little_to_tell_is_said_in_words(
    before: list[float], after: list[float], says: str
) -> None:
    r = came_back(before, after, margin=1.0)
    assert r.answer == "cannot tell"
    assert says in r.sentence
    assert "nan" not in repr(r)


def test_alike_cuts_are_judged_by_the_calipers_step_where_that_is_known() -> None:
    assert came_back([1.0, 1.0], [1.0, 1.0], margin=1.0, floor_sd=0.1).answer == "came back"
    assert came_back([1.0, 1.0], [1.0], margin=1.0, floor_sd=0.1).answer == "came back"


@pytest.mark.parametrize(("before", "hand"), [(2, 1.0), (5, 0.05), (10, 0.2)])
def test_another_place_within_the_count_is_no_shift(before: int, hand: float) -> None:
    # In counts; a steady hand rounds every trial of a side alike. It was a shift in 10 to 28 %.
    rng = np.random.default_rng(24)
    runs, wrong, angle = 400, 0, 0.35
    for at in rng.uniform(0, 1, (runs, 2)):
        sides = []
        for n, place in zip((before, 1), at, strict=True):
            ends = place + np.array([[0.0], [angle]]) + hand * rng.standard_normal((2, n))
            near, far = np.rint(ends)
            sides.append(far - near)
        wrong += came_back(*sides, floor_sd=math.sqrt(2 / 12)).answer == "did not"
    assert wrong / runs < 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)


def test_a_margin_must_be_a_positive_number() -> None:
    for margin in (0, -1, math.nan, math.inf):
        with pytest.raises(ValueError, match="margin"):
            came_back(BEFORE, BEFORE, margin=margin)
