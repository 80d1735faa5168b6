"""Charts of the pages: well formed whatever the data, readable, and honest."""

from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree

import pytest

from api.web.pages.compare import chart as comparison_chart
from api.web.pages.plan import chart as plan_chart
from api.web.pages.shared import charts


def parsed(picture):
    return ElementTree.fromstring(picture)


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
    assert shape.find("title").text == "<b> & 'c'"
    assert shape.get("class") == "dot"


def row(*values, half=0.01, name="Saw"):
    mean = sum(values) / len(values) if values else None
    return comparison_chart.Row(name, values, mean, half if values else None)


def test_a_comparison_shows_every_trial_in_its_own_shape():
    picture = parsed(
        comparison_chart.picture([row(0.1, 0.2, 0.3), row(-0.1, 0.0)], "deg", from_nominal=True)
    )
    dots = [e for e in picture.iter() if "dot" in (e.get("class") or "").split()]
    assert [e.tag.rpartition("}")[2] for e in dots] == ["circle"] * 3 + ["polygon"] * 2
    assert [e for e in picture.iter() if e.get("class") == "nominal"]


def test_equal_trials_and_series_without_any_can_be_drawn():
    picture = comparison_chart.picture([row(5.0, 5.0, half=0.0), row()], "mm", from_nominal=False)
    assert "no trials yet" in picture
    assert "nan" not in picture
    parsed(picture)
    assert comparison_chart.picture([row(), row()], "deg", from_nominal=True) == ""


def test_a_name_that_looks_like_code_is_drawn_as_a_name():
    name = "<script>alert(1)</script>" * 10
    picture = comparison_chart.picture([row(1.0, name=name), row(2.0)], "mm", from_nominal=False)
    assert "<script" not in picture
    shown = [e.text for e in parsed(picture).iter() if e.text and e.text.startswith("A <script>")]
    assert len(shown[0]) < 45


def test_widths_that_see_alike_keep_their_words_apart():
    curves = [plan_chart.Curve(f"{w} mm", [1 / n for n in range(2, 21)]) for w in range(6)]
    picture = parsed(plan_chart.picture(curves, 0.05, 7))
    heights = sorted(float(e.get("y")) for e in picture.iter() if (e.text or "").endswith(" mm"))
    assert len(heights) == 6
    assert all(b - a >= 14.9 for a, b in pairwise(heights))
    assert heights[-1] <= 242
    assert plan_chart.picture([], 0.05, None) == ""
