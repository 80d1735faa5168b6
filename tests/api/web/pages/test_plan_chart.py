"""What could be seen with each number of cuts: readable however alike the widths are."""

from __future__ import annotations

from itertools import pairwise

from api.web.pages.plan import chart as plan_chart
from tests.api.web.pages.pictures import parsed


def test_widths_that_see_alike_keep_their_words_apart():
    curves = [plan_chart.Curve(f"{w} mm", [1 / n for n in range(2, 21)]) for w in range(6)]
    picture = parsed(plan_chart.picture(curves, 0.05, 7, "strip", "board width").svg)
    heights = sorted(
        float(e.get("y")[:-1]) for e in picture.iter() if (e.text or "").endswith(" mm")
    )
    assert len(heights) == 6
    assert all(b - a >= 9.9 for a, b in pairwise(heights))
    assert heights[-1] <= 98
    assert plan_chart.picture([], 0.05, None, "strip", "board width").svg == ""
