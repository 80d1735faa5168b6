"""The cheapest way to a verdict: what it may take, what it may not, and how it is said."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from analysis.conformity import Tolerance
from analysis.remedy import UncertaintyParts, as_planned, remedy
from analysis.sequential import EarlierScatter, half_width

BAND = Tolerance(-1.0, 1.0, "rad", "")
NOTHING = UncertaintyParts(
    trials=6,
    trial_sd=1e-12,
    hand_u=0.0,
    hand_df=None,
    rounding_u=0.0,
    shrinking_u=0.0,
    fixed_u=0.0,
    base_mm=None,
)
SAW = dataclasses.replace(NOTHING, trial_sd=0.1)
LENGTH = dataclasses.replace(
    NOTHING, shrinking_u=0.05, length_u=0.05, length_bound_mm=0.5, length_name="span"
)


def least(parts, **change):
    """The nearest to the limit that is told after a change."""
    low, high = 0.0, 1e6
    for _ in range(100):
        middle = (low + high) / 2
        low, high = (low, middle) if parts.tells(middle, **change) else (middle, high)
    return high


def test_a_result_outside_is_helped_as_one_as_far_inside():
    gap = least(SAW) * 0.7
    inside, outside = (remedy(1 + side * gap, BAND, SAW) for side in (-1, 1))
    below = remedy(-1 + gap, BAND, SAW)
    assert inside == outside == below
    assert inside.kind == "more cuts"


def test_one_more_cut_is_said_as_one():
    found = remedy(1 - least(SAW, more_cuts=1) * 1.001, BAND, SAW)
    assert (found.kind, found.amount) == ("more cuts", 1)
    assert found.sentence == "About 1 more strip should tell."
    several = remedy(1 - least(SAW, more_cuts=3) * 1.001, BAND, SAW)
    assert several.sentence == "About 3 more strips should tell."


def test_no_more_cuts_are_asked_for_than_a_person_makes():
    enough = remedy(1 - least(SAW, more_cuts=50) * 1.0001, BAND, SAW)
    assert enough.amount == 50
    assert remedy(1 - least(SAW, more_cuts=50) * 0.999, BAND, SAW).kind == "none"


def test_a_result_on_the_limit_itself_can_never_be_told():
    found = remedy(1.0, BAND, SAW)
    assert (found.kind, found.amount) == ("none", None)


def test_nobody_is_told_to_set_it_nearer_by_a_scatter_that_two_strips_show():
    two = dataclasses.replace(SAW, trials=2)
    found = remedy(1.0, BAND, two)
    assert (found.kind, found.amount) == ("more cuts", 1)
    assert found.sentence == "2 strips show too little of how they scatter: make 1 more."
    known = dataclasses.replace(two, earlier=EarlierScatter(0.1, 20.0, 4, 24, "2 March 2026"))
    assert remedy(1.0, BAND, known).kind == "none"


def test_the_cheapest_of_several_ways_is_named():
    """A length measured again takes half a minute, a cut at least one."""
    both = dataclasses.replace(LENGTH, trial_sd=0.05)
    gap = least(both) * 0.999
    assert remedy(1 - gap, BAND, dataclasses.replace(both, length_u=0.0)).kind == "more cuts"
    assert remedy(1 - gap, BAND, both).kind == "length"


def test_reading_again_is_dearer_the_more_strips_there_are():
    few = dataclasses.replace(SAW, trials=3, hand_u=0.1)
    many = dataclasses.replace(SAW, trials=30, hand_u=0.1)
    for sources, kind in ((few, "more readings"), (many, "more cuts")):
        gap = (
            max(least(sources, readings=2), least(sources, more_cuts=5)) * 1.001
        )  # so that each of the two would tell
        assert remedy(1 - gap, BAND, sources).kind == kind


def test_the_widest_bound_of_the_length_that_tells_is_named():
    gap = least(LENGTH) * 0.55
    found = remedy(1 - gap, BAND, LENGTH)
    assert found.kind == "length"
    assert found.amount == pytest.approx(0.2)
    assert least(LENGTH, length=0.2 / 0.5) <= gap < least(LENGTH, length=0.3 / 0.5)
    assert found.sentence == (
        "Measuring the span to within 0.2 mm, and saying so in the series, should tell."
    )


def test_a_length_known_as_well_as_a_shop_measures_it_is_not_asked_for_again():
    finest = dataclasses.replace(LENGTH, length_bound_mm=0.05)
    gap = least(finest) * 0.9
    assert remedy(1 - gap, BAND, finest).kind == "none"
    assert remedy(1 - gap, BAND, dataclasses.replace(finest, length_bound_mm=0.06)).kind == "length"


def test_a_length_off_by_its_caliper_is_helped_by_a_known_block():
    band = Tolerance(-1.0, 1.0, "mm", "")
    off = dataclasses.replace(NOTHING, fixed_u=0.05)
    assert "known block" in remedy(0.95, band, off).sentence
    assert "known block" not in remedy(0.95, BAND, off).sentence


def test_what_is_left_to_the_limit_is_said_in_the_unit_asked_for():
    off = dataclasses.replace(NOTHING, fixed_u=0.05)
    found = remedy(0.95, BAND, off, shown=(math.degrees(1.0), "degrees"))
    assert f"{math.degrees(0.05):.2g} degrees left to the limit" in found.sentence
    near = remedy(1.0, BAND, NOTHING, shown=(1000.0, "thou"))
    assert "0 thou from it" in near.sentence


def test_many_changes_at_once_expect_what_each_alone_expects():
    sources = dataclasses.replace(
        SAW, hand_u=0.05, rounding_u=0.01, shrinking_u=0.02, length_u=0.01, fixed_u=0.005
    )
    cuts, wide = np.array([0, 1, 7]), np.array([1.0, 1.5, 3.0])
    together = sources.expanded(more_cuts=cuts, wider=wide)
    alone = [sources.expanded(more_cuts=c, wider=w) for c, w in zip(cuts, wide, strict=True)]
    assert_allclose(together, alone, rtol=1e-15)


def test_what_stays_is_what_no_number_of_cuts_takes_away():
    """The furthest of the rounding, and 95 % of the rest."""
    sources = dataclasses.replace(
        SAW, rounding_u=0.03, rounding_bound=0.07, shrinking_u=0.05, fixed_u=0.12
    )
    assert sources.systematic() == pytest.approx(0.07 + 1.96 * 0.13, rel=1e-3)
    assert least(sources, more_cuts=10**9) == pytest.approx(sources.systematic(), rel=1e-3)


def test_the_way_named_is_by_the_rule_of_the_verdict():
    """A verdict that allows for a look after every trial takes more of them than one look does."""
    found = remedy(1 - 0.08, BAND, SAW)
    assert found.kind == "more cuts"
    n = SAW.trials + int(found.amount)
    assert half_width(n, 0.1, n - 1) <= 0.08 < half_width(n - 1, 0.1, n - 2)
    assert SAW.expanded(more_cuts=found.amount - 1) < 0.08


def test_one_trial_needs_two_more_or_earlier_series():
    one = dataclasses.replace(SAW, trials=1, trial_sd=None)
    found = remedy(0.5, BAND, one)
    assert (found.kind, found.amount) == ("more cuts", 2)
    assert found.sentence == "1 strip does not show how much strips scatter: make at least 2 more."
    part = remedy(0.5, BAND, dataclasses.replace(one, noun="part"))
    assert part.sentence.startswith("1 part does not show how much parts scatter: ")
    earlier = EarlierScatter(0.1, 11, 2, 13, "3 March 2026")
    found = remedy(0.6, BAND, dataclasses.replace(one, earlier=earlier))
    assert (found.kind, found.amount) == ("more cuts", 1)


@pytest.mark.parametrize(
    ("trials", "kind", "amount", "words"),
    [(2, "more cuts", 3, "3 more to go"), (5, "finish", None, "finish the series")],
)
def test_a_planned_series_is_told_what_is_left_of_it(trials, kind, amount, words):
    found = as_planned(5, trials)
    assert (found.kind, found.amount) == (kind, amount)
    assert words in found.sentence
