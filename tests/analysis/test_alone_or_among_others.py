"""A trial has the same value, to the bit, alone, among others, and when its series is replayed."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.budget import trial_uncertainty
from analysis.facts import SeriesFacts
from analysis.geometry import series_values
from analysis.methods import METHODS, custom_method

_CURVED = custom_method(
    {
        "key": "sled-turn",
        "title": "Sled turn",
        "places": ["runner end", "far corner"],
        "quantity": "angle",
        "terms": [[1, 1], [1, 3], [0.5, 5]],
        "baseline": "length of the sled's fence",
    }
)
_METHODS = (*METHODS.values(), _CURVED)


@st.composite
def _series(draw: st.DrawFn) -> tuple[SeriesFacts, int]:
    """A series of any method, of counts as a caliper shows them, and one of its trials."""
    method = draw(st.sampled_from(_METHODS))
    repeats = draw(st.sampled_from((1, 2, 3, 9, 17)))
    trials = draw(st.integers(2, 70))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    widths = np.round(rng.normal(11.4, 0.4, (trials, len(method.places), repeats)), 2)
    # Some places are read less often than others: a person pressed once where three were due.
    read = rng.integers(1, repeats + 1, (trials, len(method.places), 1))
    widths[np.arange(repeats) >= read] = np.nan
    facts = SeriesFacts(
        method=method,
        widths_mm=widths,
        baseline_mm=draw(st.sampled_from((184.0, 203.8604, 61.3))),
        thickness_mm=draw(st.sampled_from((19.0, 18.3))),
        inset_mm=draw(st.sampled_from((0.0, 3.1))),
        strip_side=draw(st.sampled_from(("left", "right"))),
        unit="mm",
        resolution_mm=0.01,
        pieces=method.pieces,
        repeatability_mm=draw(st.sampled_from((None, 0.013))),
        repeatability_df=draw(st.sampled_from((3.0, 11.0))),
    )
    return facts, draw(st.integers(0, trials - 1))


def _told(facts: SeriesFacts, widths: np.ndarray) -> np.ndarray:
    values = series_values(
        facts.method,
        widths,
        facts.baseline_mm,
        facts.thickness_mm,
        facts.inset_mm,
        facts.strip_side,
        facts.pieces,
    )
    of = SeriesFacts(**{n: getattr(facts, n) for n in facts.__slots__} | {"widths_mm": widths})
    each = [trial_uncertainty(of, quantity) for quantity in facts.method.reveals]
    return np.array(
        [values.deviation_mm, values.angle_rad, values.tilt_rad, values.length_mm, *each]
    )


@settings(max_examples=300)
@given(_series())
def test_a_trial_says_the_same_alone_and_in_its_series(drawn: tuple[SeriesFacts, int]) -> None:
    facts, at = drawn
    among = _told(facts, facts.widths_mm)[:, at]
    alone = _told(facts, facts.widths_mm[at : at + 1])[:, 0]
    np.testing.assert_array_equal(alone, among)
    half = _told(facts, facts.widths_mm[at // 2 : at + 1])[:, -1]
    np.testing.assert_array_equal(half, among)
    by_column = _told(facts, np.asfortranarray(facts.widths_mm))[:, at]
    np.testing.assert_array_equal(by_column, among)
