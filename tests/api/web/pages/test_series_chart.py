"""A series as pictures: a dot for each trial, limits only where they fit, bars to scale."""

from __future__ import annotations

import pytest

from api.web.pages.series.chart import Dot, budget_chart, strip_chart
from api.web.shapes.scores import ContributionOut, IntervalOut
from tests.api.web.pages.pictures import of_class, words


def strip(*dots: Dot, tolerance=None, interval=None, unit="deg"):
    mean = sum(d.value for d in dots) / len(dots)
    return strip_chart("Angle", unit, dots, mean, interval, tolerance)


def test_each_trial_is_a_dot_that_says_its_number_and_value():
    picture = strip(Dot(1, 0.05, 0.01), Dot(3, -0.02, 0.01, doubted=True)).svg
    dots = of_class(picture, "dot")
    assert [d.tag.rpartition("}")[2] for d in dots] == ["circle", "polygon"]
    assert [d[0].text for d in dots] == ["1: +0.050°", "3: −0.020°"]
    (bars,) = of_class(picture, "bars")
    assert bars.get("d").count("V") == 2
    assert "2 strips, mean" in picture


def test_one_exact_trial_without_an_interval_can_be_drawn():
    chart = strip(Dot(1, 0.0, 0.0))
    assert chart.outside == ()
    assert "nan" not in chart.svg
    assert not of_class(chart.svg, "bars")
    assert not of_class(chart.svg, "spread")
    assert of_class(chart.svg, "nominal")


def test_a_length_has_no_line_at_zero():
    assert not of_class(strip(Dot(1, 0.0, 0.1), unit="mm").svg, "nominal")


def test_the_interval_of_the_mean_is_a_band_and_a_bar():
    interval = IntervalOut(low=0.0, high=0.1, level=0.95)
    picture = strip(Dot(1, 0.02, 0.0), Dot(2, 0.08, 0.0), interval=interval).svg
    assert len(of_class(picture, "spread")) == 1
    assert len(of_class(picture, "interval")) == 1


def test_an_interval_wider_than_the_axis_does_not_shade_all_of_it():
    dots = [Dot(n, 0.02 + n / 1000, 0.0) for n in range(1, 5)]
    wide = IntervalOut(low=-0.9, high=1.0, level=0.95)
    chart = strip_chart("Angle", "deg", [*dots, Dot(5, 9.0, 0.0)], 0.0235, wide, None)
    assert not of_class(chart.svg, "spread")
    assert len(of_class(chart.svg, "interval")) == 1
    assert "beyond the axis" in " ".join(chart.keys)


@pytest.mark.parametrize(("limit", "shown"), [(0.2, True), (0.39, True), (0.41, False)])
def test_limits_far_wider_than_all_else_are_left_out_and_that_is_said(limit, shown):
    # The trials span 0.1 degrees; eight times that are the widest limits drawn.
    chart = strip(Dot(1, 0.0, 0.0), Dot(2, 0.1, 0.0), tolerance=(-limit, limit))
    assert ("The tolerance is outside the picture." not in chart.outside) == shown
    assert len(of_class(chart.svg, "limit")) == (2 if shown else 0)


def test_of_many_trials_every_one_is_drawn_and_few_enough_are_numbered():
    picture = strip(*(Dot(n, n / 100, 0.001) for n in range(1, 101))).svg
    assert len(of_class(picture, "dot")) == 100
    assert len({w for w in words(picture) if w.isdecimal()}) <= 25


def contribution(source: str, value: float) -> ContributionOut:
    return ContributionOut(
        source=source,
        value=None,
        unit="mm",
        distribution="normal",
        standard_uncertainty=value,
        sensitivity=1.0,
        contribution=value,
        degrees_of_freedom=None,
    )


def test_contributions_are_bars_to_one_scale_with_the_combined_one_last():
    picture = budget_chart(
        "Budget", "mm", [contribution("scatter", 0.03), contribution("scale", 0.04)], 0.05
    )
    widths = [float(bar.get("width")[:-1]) for bar in of_class(picture, "budget-bar")]
    assert [w / widths[-1] for w in widths] == pytest.approx([0.6, 0.8, 1.0], abs=1e-3)
    assert "combined standard uncertainty" in words(picture)


def test_a_budget_of_nothing_is_drawn_as_nothing():
    (bar,) = of_class(budget_chart("Budget", "deg", [], 0.0), "budget-bar")
    assert bar.get("width") == "0.30%"
