"""What is said of a series is refused where it cannot be meant."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.facts import SeriesFacts
from analysis.methods import METHODS

_WIDTHS = [[10.0, 10.2]]
_AMOUNTS = (
    "resolution_mm",
    "repeatability_mm",
    "baseline_u_mm",
    "inset_u_mm",
    "scale_u",
    "straightness_mm",
    "zero_u_mm",
    "zero_at_mm",
)


def facts(**said: object) -> SeriesFacts:
    return SeriesFacts(METHODS["reversal"], _WIDTHS, baseline_mm=200.0, **said)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", _AMOUNTS)
@pytest.mark.parametrize("value", [-1e-9, math.nan, math.inf, -math.inf])
def test_an_uncertainty_that_is_none_is_refused_by_the_name_of_its_field(name, value):
    with pytest.raises(ValueError, match=f"^{name}: .* must be zero or more$"):
        facts(**{name: value})


@pytest.mark.parametrize("name", _AMOUNTS)
def test_nothing_uncertain_is_allowed(name):
    assert getattr(facts(**{name: 0.0}), name) == 0.0


@pytest.mark.parametrize("df", [0.0, -1.0, math.nan, math.inf])
def test_degrees_of_freedom_that_count_nothing_are_refused(df):
    with pytest.raises(ValueError, match=r"^repeatability_df: .* greater than zero$"):
        facts(repeatability_mm=0.02, repeatability_df=df)


def test_degrees_of_freedom_belong_to_a_repeatability_that_was_studied():
    assert facts(repeatability_mm=0.02, repeatability_df=2.5).hand_df == 2.5
    assert facts(repeatability_mm=0.02).hand_df is None
    assert facts(repeatability_df=2.5).hand_df is None


def test_visits_are_those_of_the_trials_asked_about_and_of_a_machine_alone():
    widths = [[10.0, 10.2]] * 3
    of_saw = SeriesFacts(METHODS["reversal"], widths, baseline_mm=200.0, visit=[1, 1, 2])
    assert np.array_equal(of_saw.several_visits(), [1, 1, 2])
    assert of_saw.several_visits(np.array([True, True, False])) is None
    assert SeriesFacts(METHODS["reversal"], widths, baseline_mm=200.0).several_visits() is None
    of_hand = SeriesFacts(METHODS["same-spot"], [[10.0]] * 3, visit=[1, 1, 2])
    assert of_hand.several_visits() is None
