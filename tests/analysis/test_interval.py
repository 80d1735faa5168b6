"""The interval that every question shares."""

from __future__ import annotations

import math

import pytest

from analysis.interval import Interval


def test_both_ends_belong_to_an_interval_and_nothing_beyond():
    held = Interval(-1.0, 2.0)
    assert all(value in held for value in (-1.0, 0.0, 2.0))
    assert not any(value in held for value in (math.nextafter(-1.0, -2), math.nextafter(2.0, 3)))


def test_what_is_no_number_lies_in_no_interval():
    assert math.nan not in Interval(-math.inf, math.inf)
    assert math.inf in Interval(0.0, math.inf)


def test_an_interval_about_a_centre_has_it_in_the_middle():
    found = Interval.about(3.0, 0.5, 0.9)
    assert (found.low, found.high, found.level) == (2.5, 3.5, 0.9)
    assert found.half_width == pytest.approx(0.5)


def test_an_interval_of_no_width_holds_its_centre_alone():
    found = Interval.about(0.25, 0.0)
    assert found.half_width == 0
    assert 0.25 in found
    assert math.nextafter(0.25, 1) not in found
