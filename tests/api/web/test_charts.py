"""The parts of the pages' charts: readable, and well formed whatever the data."""

from __future__ import annotations

import pytest

from api.web.pages.shared import charts
from tests.api.web.pages.pictures import parsed


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0, 10, [0, 2, 4, 6, 8, 10]),
        (-0.12, 0.34, [-0.1, 0, 0.1, 0.2, 0.3]),
        (3.2, 3.9, [3.2, 3.4, 3.6, 3.8]),
        (1, 1, [1]),
    ],
)
def test_ticks_are_round_and_within_the_scale(low, high, expected):
    assert charts.round_values(low, high) == pytest.approx(expected, abs=1e-12)


def test_a_logarithmic_scale_has_few_enough_ticks_over_any_span():
    for high in (0.05, 0.5, 5, 500, 5e6):
        ticks = charts.round_values(0.01, high, 6, logarithmic=True)
        assert 2 <= len(ticks) <= 10
        assert all(0.01 * (1 - 1e-9) <= t <= high * (1 + 1e-9) for t in ticks)
    scale = charts.Scale(0.01, 1, 0, 100, logarithmic=True)
    assert scale.at(0.1) == pytest.approx(50)


@pytest.mark.parametrize("marker", charts.MARKERS)
def test_every_marker_is_a_shape_with_its_words(marker):
    shape = parsed(charts.mark(10, 20, marker, "dot", words="<b> & 'c'"))
    (drawn,) = (e for e in shape.iter() if e.get("class") == "dot")
    assert drawn.find("title").text == "<b> & 'c'"
