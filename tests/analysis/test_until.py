"""Until when a stop may be trusted: the methods on invented histories, worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.until import (
    LONGEST_DAYS,
    OWN_DAYS,
    Followed,
    jump_within,
    staircase,
    until,
)
from benchmarks.truth import rows


def followed(days, off, **more):
    return Followed(np.array(days, float), np.array(off, float), 1.0, **more)


def test_before_there_is_anything_a_persons_own_interval_counts():
    alone = until(followed([0], [0.2]))
    assert (alone.days, alone.method, alone.chance) == (OWN_DAYS, "own interval", None)
    # Two checks of one day are one.
    assert until(followed([0.0, 0.3], [0.2, 0.1]), 30).days == 30
    with pytest.raises(ValueError, match="checks"):
        until(followed([], []))


@pytest.mark.parametrize(
    ("days", "off", "interval"),
    [
        ([0, 90], [0.2, 0.3], 135),  # used up, within 80 %: half as long again
        ([0, 90, 225], [0.2, 0.3, -0.79], 202.5),
        ([0, 40], [0.2, 0.3], 90),  # not used up: it shows nothing
        ([0, 90], [0.2, 0.9], 90),  # between 80 and 100 %: as it was
        ([0, 90], [0.2, -1.1], 45),  # outside: half
        ([0, 90, 130, 175], [0.2, 1.1, 0.1, 0.1], 67.5),  # 45, not used up, then used up
        ([0, 600, 1500, 2400], [0, 0, 0, 0], 303.75),  # 135, 202.5, 303.75
    ],
)
def test_while_checks_are_few_the_staircase_gives_the_interval(days, off, interval):
    assert staircase(np.array(days, float), np.array(off, float), 1.0, 90) == interval
    found = until(followed(days, off))
    assert (found.days, found.method) == (interval, "staircase")
    # A person's own interval is where it begins, and no date exceeds it.
    assert until(followed(days, off), 10).days <= 10


def test_the_staircase_has_two_ends():
    days = np.arange(12.0) * 1000
    assert staircase(days, np.zeros(12), 1.0, 90) == LONGEST_DAYS
    assert staircase(np.arange(12.0), np.full(12, 2.0), 1.0, 90) == 1


def test_the_chance_of_a_jump_is_that_of_a_rate_that_was_never_known():
    # (365 / (365 + 32.6)) ^ 0.6 = 0.95: a year of quiet checks allows a month.
    assert jump_within(32.6, 0, 365.0) == pytest.approx(0.05, abs=1e-4)
    # Two jumps in 400 days: (400 / 500) ^ 4.5
    assert jump_within(100.0, 2, 400.0) == pytest.approx(1 - 0.8**4.5)


def test_a_still_stop_is_good_for_an_eleventh_of_the_time_that_it_was_watched():
    days = np.arange(0, 600, 60)
    still = until(followed(days, 0.02 * (-1.0) ** np.arange(10)))
    assert (still.method, still.limits, still.checks) == ("control chart", "jumps", 10)
    assert still.days == pytest.approx(540 * (0.95 ** (-1 / 0.6) - 1), rel=0.01)
    assert still.chance == 0.05
    # Three jumps seen, as large as the tolerance: the date is sooner.
    jumpy = until(followed(days, 0.02 * (-1.0) ** np.arange(10), jumps=(1.0, -1.2, 0.9)))
    assert jumpy.days < still.days
    assert until(followed(days, np.zeros(10)), 10).limits == "longest"


def test_a_drift_is_followed_to_the_limit():
    days = np.arange(0, 1200, 100)
    off = 0.00088 * days + 0.001 * np.array([1, -1, 0, 1, -1, 0, 0, -1, 1, 0, -1, 1])
    found = until(followed(days, off))
    assert found.limits == "drift"
    assert found.drift == pytest.approx(0.00088, rel=0.01)
    # 1.0 is reached at day 1136, 36 days after the last check; the scatter takes some off.
    assert 20 < found.days < 36
    # By hand: the line of five checks 0, 0.2, 0.4, 0.7, 0.7 at 0, 10, 20, 30, 40 days has the slope
    # 0.019 and the mean 0.4 at day 20; residuals -0.02, -0.01, 0, 0.11, -0.08; s^2 = 0.0190 / 3.
    five = followed(np.arange(0, 50, 10), [0.0, 0.2, 0.4, 0.7, 0.7])
    told = until(five)
    assert told.drift == pytest.approx(0.019)
    s = math.sqrt(0.0190 / 3)
    today = s * math.sqrt(1 + 1 / 5 + 20**2 / 1000)
    # (1 - 0.78) / today = 2.19 of t with 3: 5.8 % are out already.
    assert (1 - 0.78) / today == pytest.approx(2.19, abs=0.01)
    assert told.days == 0


def test_only_the_present_state_tells_the_line_and_all_of_it_the_time_watched():
    days = np.arange(0, 600, 50)
    off = np.where(np.arange(12) < 6, 0.9, 0.0) + 0.01 * (-1.0) ** np.arange(12)
    found = until(followed(days, off, since=6, jumps=(-0.9,)))
    assert found.method == "control chart"
    assert abs(found.drift or 0) < 1e-3
    few = until(followed(days, off, since=8, jumps=(-0.9,)))
    assert (few.method, few.checks) == ("staircase", 4)
    # A machine that comes back to its stop badly may be out today.
    loose = until(followed(days, 0.6 * (-1.0) ** np.arange(12)))
    assert (loose.days, loose.limits) == (0.0, "scatter")


def test_a_stop_that_returns_badly_is_trusted_for_less_though_each_check_averages_its_visits():
    days, off = np.arange(0, 600, 60), 0.3 + 0.02 * (-1.0) ** np.arange(10)
    alone = until(followed(days, off))
    # Of four visits each: one visit differs from their mean by more, as far as is known.
    averaged = until(followed(days, off, returns=0.15, averaged=0.25))
    assert averaged.days < alone.days
    assert until(followed(days, off, returns=0.6, averaged=0.25)).days == 0
    # Of one visit each: checks that agree by chance do not show that it comes back better.
    assert until(followed(days, off, returns=0.6)).days == 0
    assert until(followed(days, off, returns=0.01)).days == alone.days


def test_no_more_stops_are_out_before_their_date_than_is_said():
    for row in rows.of("until", seed=3, short=True):
        assert row.kept, row
