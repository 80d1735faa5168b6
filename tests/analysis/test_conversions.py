from __future__ import annotations

import math
from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.conversions import (
    NAMES,
    Measure,
    convert,
    measures,
    plus_minus_text,
    size_text,
)


def test_one_degree_is_the_taper_that_its_tangent_says() -> None:
    # tan(1 degree) = 0.017455064928217585 (any table).
    assert convert(1, "deg", "thou/ft") == pytest.approx(12000 * 0.017455064928217585, rel=1e-14)
    assert convert(1, "deg", "mm/300mm") == pytest.approx(300 * 0.017455064928217585, rel=1e-14)
    assert convert(1, "deg", "mm/m") == pytest.approx(1000 * 0.017455064928217585, rel=1e-14)
    assert convert(1, "deg", "arcmin") == pytest.approx(60, rel=1e-15)


def test_a_taper_on_one_foot_is_the_same_taper_on_a_metre() -> None:
    assert convert(12, "thou/ft", "mm/m") == pytest.approx(1, rel=1e-15)


@given(
    angle=st.floats(-1.5, 1.5),
    there=st.sampled_from(get_args(Measure)),
    via=st.sampled_from(get_args(Measure)),
)
def test_there_and_back_is_where_one_started(angle: float, there: Measure, via: Measure) -> None:
    start = convert(angle, "rad", there)
    assert convert(convert(start, there, via), via, there) == pytest.approx(
        float(start), rel=1e-12, abs=1e-300
    )


def test_a_whole_array_is_converted_and_nan_stays_nan() -> None:
    result = convert(np.array([[0.0, 45.0], [np.nan, -45.0]]), "deg", "mm/m")
    np.testing.assert_allclose(result, [[0, 1000], [np.nan, -1000]], rtol=1e-14)


def test_every_measure_is_offered_and_named() -> None:
    assert set(measures(0.01)) == set(get_args(Measure)) == set(NAMES)


def test_a_right_angle_has_no_taper() -> None:
    with pytest.raises(ValueError, match="90 degrees"):
        convert(90, "deg", "mm/m")
    assert convert(90, "deg", "rad") == pytest.approx(math.pi / 2)


def test_an_unknown_measure_is_named_with_what_is_possible() -> None:
    with pytest.raises(ValueError, match=r"'gon'.*arcmin"):
        convert(1, "gon", "deg")  # type: ignore[arg-type]


def test_a_size_says_no_more_digits_than_its_uncertainty_supports() -> None:
    assert size_text(math.radians(-0.12345), "rad", math.radians(0.0123)) == "0.123 degrees"
    assert size_text(0.31, "mm") == "0.31 mm"
    assert size_text(0.007, "in") == "7 thou"
    assert size_text(0, "mm") == "0 mm"
    assert size_text(0.000012, "mm") == "0.000012 mm"
    assert plus_minus_text(-0.11, 0.038, "mm") == "0.110 ± 0.038 mm"
