"""What the analysis is told of a series is what its row says, exactly."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.methods import METHODS
from api.store.facts import facts_of, method_of, resolution_mm, tolerance_of

OWN = {
    "key": "sled-turn",
    "title": "Sled turn",
    "places": ["runner end", "far corner"],
    "quantity": "angle",
    "terms": [[1, 1]],
    "baseline": "length of the sled's fence",
}


def row(**said: object) -> SimpleNamespace:
    """A row of `series` that says nothing of a tolerance or of how well lengths are known."""
    nothing = dict.fromkeys(
        ("method_data", "thickness_nm", "pieces", "baseline_within", "inset_within", "straightness",
         "thickness_within", "jaw_width_nm", "tolerance_deg", "tolerance_gap", "tolerance_joint",
         "tolerance_length", "tolerance_nominal", "strips", "finished_at")
    )  # fmt: skip
    usual = {"method": "reversal", "unit": "mm", "strip_side": "left", "baseline_nm": 200_000_000,
             "inset_nm": 2_500_000, "nominal_deg": "0", "bevel_deg": "0"}  # fmt: skip
    return SimpleNamespace(**(nothing | usual | said))


def test_a_method_of_ones_own_is_the_one_that_it_was_measured_by():
    assert method_of(row()) is METHODS["reversal"]
    own = method_of(row(method="sled-turn", method_data=OWN))
    assert [place.key for place in own.places] == OWN["places"]
    assert method_of(row(method="sled-turn", method_data=dict(reversed(OWN.items())))) is own


def test_lengths_come_in_millimetres_and_bounds_as_standard_uncertainties():
    widths = np.array([[[10.0], [10.2]]])
    found = facts_of(
        row(
            unit="in",
            baseline_within="0.02",
            inset_within="0.01",
            straightness="0.002",
            thickness_within="0.004",
            jaw_width_nm=6_000_000,
        ),
        widths,
        0.0127,
    )
    assert (found.baseline_mm, found.thickness_mm, found.inset_mm) == (200.0, None, 2.5)
    # Anywhere within a bound: that over the square root of three (JCGM 100, 4.3.7).
    assert found.baseline_u_mm == pytest.approx(0.02 * 25.4 / math.sqrt(3))
    assert found.inset_u_mm == pytest.approx(0.01 * 25.4 / math.sqrt(3))
    assert found.thickness_u_mm == pytest.approx(0.004 * 25.4 / math.sqrt(3))
    assert found.jaw_width_mm == 6.0
    assert found.straightness_mm == pytest.approx(0.002 * 25.4)
    assert (found.resolution_mm, found.unit, found.tolerance) == (0.0127, "in", None)
    unknown = facts_of(row(), widths, 0.01)
    assert unknown.baseline_u_mm is unknown.inset_u_mm is unknown.straightness_mm is None
    assert unknown.thickness_u_mm is unknown.jaw_width_mm is None


@pytest.mark.parametrize(
    ("said", "unit", "low", "high"),
    [
        ({"tolerance_deg": " 0,1 "}, "rad", math.radians(-0.1), math.radians(0.1)),
        (
            {"tolerance_gap": "0.004", "tolerance_joint": "6", "unit": "in"},
            "rad",
            -math.atan(0.004 / 6),
            math.atan(0.004 / 6),
        ),
        ({"tolerance_length": "0.1", "tolerance_nominal": "150"}, "mm", 149.9, 150.1),
        (
            {"tolerance_length": "0.01", "tolerance_nominal": "6", "unit": "in"},
            "mm",
            5.99 * 25.4,
            6.01 * 25.4,
        ),
    ],
)
def test_a_tolerance_is_the_one_that_was_given(said, unit, low, high):
    found = tolerance_of(row(**said))
    assert found.unit == unit
    assert (found.low, found.high) == (pytest.approx(low), pytest.approx(high))


def test_the_words_of_an_angle_are_those_that_were_typed():
    assert tolerance_of(row(tolerance_deg=" 0,10 ")).text == "0,10 degrees"
    assert tolerance_of(row()) is None


@pytest.mark.parametrize(
    "said",
    [
        {"tolerance_deg": "0"},
        {"tolerance_deg": "90"},
        {"tolerance_gap": "0", "tolerance_joint": "150"},
        {"tolerance_length": "0", "tolerance_nominal": "150"},
    ],
)
def test_a_tolerance_that_allows_nothing_is_refused(said):
    with pytest.raises(ValueError, match=r"tolerance|gap"):
        tolerance_of(row(**said))


def test_of_readings_in_both_units_the_coarser_count_holds():
    fine, coarse = [("12.31", "mm"), ("12.34", "mm")], [("0.481", "in"), ("0.482", "in")]
    assert resolution_mm(fine) == pytest.approx(0.01)
    assert resolution_mm(coarse) == pytest.approx(0.0254)
    assert resolution_mm(fine + coarse) == resolution_mm(coarse + fine) == pytest.approx(0.0254)


def test_without_readings_the_usual_count_is_taken():
    assert resolution_mm([]) == 0.01
