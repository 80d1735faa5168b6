"""Every chart with what is hard to draw: no word over another or over a mark, at any width."""

from __future__ import annotations

import random
from datetime import timedelta
from itertools import pairwise
from uuid import UUID

import pytest

from api.web.pages.compare.chart import Row
from api.web.pages.compare.chart import picture as comparison
from api.web.pages.instruments.chart import block_chart, repeatability_chart
from api.web.pages.machine.chart import Change, history_chart
from api.web.pages.plan.chart import Curve
from api.web.pages.plan.chart import picture as plan
from api.web.pages.series.chart import Dot, budget_chart, strip_chart
from api.web.pages.shared.charts import fitted, strays, told_apart, width
from api.web.pages.works.chart import Gap, KnownError, errors_picture, gaps_picture
from api.web.shapes.scores import IntervalOut
from tests.api.web.pages.drawn import LETTERS, PANELS, boxes, overlaps
from tests.api.web.pages.pictures import of_class, words
from tests.api.web.pages.test_instruments_chart import blocks, spots
from tests.api.web.pages.test_machine_chart import NOON, line, phase
from tests.api.web.pages.test_series_chart import contribution

_LONG = "Sliding table saw with a scoring blade in the back room beside the window, "
_NAMES = [_LONG + end for end in ("fence left", "fence right", "outrigger", "W" * 60)]
_WIDE = IntervalOut(low=-0.9, high=0.3, level=0.95)


def strips(count: int, *bad: tuple[int, float]) -> list[Dot]:
    chance = random.Random(3)
    values = [chance.gauss(0.043, 0.004) for _ in range(count)]
    for at, value in bad:
        values[at] = value
    return [Dot(n + 1, v, 0.008, v > 0.052) for n, v in enumerate(values)]


def series(*bad: tuple[int, float], count: int = 250) -> str:
    dots = strips(count, *bad)
    mean = sum(d.value for d in dots) / count
    return strip_chart("Angle", "deg", dots, mean, _WIDE, (-0.05, 0.05), "strip").svg


def history(days: float, count: int, *bad: tuple[int, float]) -> str:
    found = line(*(0.01 * (n % 5) for n in range(count)), phases=(phase(count),))
    found.at = [NOON + timedelta(days=days * n) for n in range(count)]
    for at, value in bad:
        found.values[at] = value
    changes = [Change(n, NOON + timedelta(days=days * n + days / 3)) for n in range(1, count, 4)]
    return history_chart(found, changes, (-0.05, 0.05), "Angle").svg


def rows(count: int) -> list[Row]:
    values = [0.01, 0.012, 0.011, 0.012, 0.9]
    return [
        Row(_NAMES[i], "30 November 2026, 15:15", values[: 4 + i % 2], 0.1, 0.4)
        for i in range(count)
    ]


_ERRORS = [KnownError(f"{n}, square, Reversal", i / 100, 0.01) for i, n in enumerate(_NAMES * 3)]
_HARD = {
    "250 strips": series(),
    "250 strips, one bad": series((120, 2.9)),
    "250 strips, bad ones at both ends": series((0, 2.9), (249, 2.8), (100, -3.0)),
    "5 strips, one bad": series((3, -1.9), count=5),
    "the first of 5 bad": series((0, 12.345678), count=5),
    "one strip": strip_chart("A", "deg", strips(1), 0.04, None, None, "strip").svg,
    "a budget": budget_chart(
        "Budget", "deg", [contribution("scatter " * 20, 0.03), contribution("scale", 1e-6)], 0.05
    ),
    "checks of one day": history(0.02, 6),
    "checks of one minute": history(1e-5, 6),
    "checks of years, some on one day": history(400, 9),
    "200 checks, one bad": history(9, 200, (150, 4.0)),
    "8 checks, the first and last bad": history(30, 10, (0, -4.0), (9, 5.0)),
    "long names compared": comparison(rows(4), "deg", from_nominal=True).svg,
    "one name of moments": comparison(
        [Row("Saw", f"30 November 2026, 15:{n}", [0.1 + n], 0.1 + n, None) for n in (15, 16)],
        "mm",
        from_nominal=False,
    ).svg,
    "a plan": plan(
        [Curve(f"{w}.123 in", [1 / n for n in range(2, 21)], w == 2) for w in range(6)],
        0.05, 7, "strip", "board width",
    ).svg,
    "12 machines": errors_picture(_ERRORS, 0.02).svg,
    "12 machines, one far": errors_picture([*_ERRORS[:11], KnownError("Far", -8.0, 0.1)], 0.02).svg,
    "gaps": gaps_picture([Gap(n, 0.1 * i) for i, n in enumerate(_NAMES)], 0.1, "in").svg,
    "a gap far below the accepted": gaps_picture([Gap("Now", 0.001)], 0.1, "mm").svg,
    "40 studies": repeatability_chart([spots(0.02, 0.01)] * 40),
    "40 checks": block_chart([blocks((10.0, 0.01, 0.02), (50.0, 0.0, None))] * 40),
}  # fmt: skip


@pytest.mark.parametrize("panel", PANELS)
@pytest.mark.parametrize("hard", _HARD)
def test_no_word_stands_over_another_or_over_a_mark(hard: str, panel: float) -> None:
    assert overlaps(_HARD[hard], panel) == []


def test_one_bad_strip_leaves_the_others_as_high_as_they_were() -> None:
    held, with_bad = (
        [float(d.get("cy", "0%")[:-1]) for d in of_class(p, "dot") if d.tag == "circle"]
        for p in (series(), series((120, 2.9)))
    )
    assert max(with_bad) - min(with_bad) > 0.8 * (max(held) - min(held))
    assert any(w.startswith("+2.9") for w in words(series((120, 2.9))))


def test_strays_are_few_and_far_and_never_of_values_that_are_otherwise_equal() -> None:
    assert strays([1.0, 1.1, 0.9, 1.0, 9.0]) == {4}
    assert strays([1.0, 1.0, 1.0, 1.0, 9.0]) == set()
    assert strays([1.0, 1.1, 9.0]) == set()
    assert strays([1.0, 1.1, 0.9, 1.0, 8.0, 9.0]) == set()
    # Bars as long as the distance: nothing would be seen of the others anyway.
    assert strays([1.0, 1.1, 0.9, 1.0, 9.0], [9.0] * 5) == set()


def test_names_that_differ_still_do_when_they_are_cut() -> None:
    for most in (10.0, 17.0, 40.0):
        cut = told_apart(_NAMES, most)
        assert len(set(cut)) == len(_NAMES)
        assert all(width(c) <= most for c in cut)
    middle = [f"{'a' * 40} {n} {'b' * 40}" for n in range(3)]
    assert len(set(told_apart(middle, 17.0))) == 3
    assert fitted("Saw", 17.0) == "Saw"


def test_checks_of_one_day_stand_apart_with_their_times() -> None:
    picture = history(0.02, 6)
    dots = [float(d.get("cx", "0%")[:-1]) for d in of_class(picture, "check")]
    assert all(b - a >= 3.9 for a, b in pairwise(dots))
    # None stands within another that was of another day, either.
    crowded = line(0.0, 0.01, 0.02)
    crowded.at = [NOON, NOON + timedelta(minutes=2), NOON + timedelta(days=900)]
    crowded.series = [UUID(int=n) for n in range(3)]
    drawn = history_chart(crowded, [], None, "Angle")
    first, second, _ = (float(d.get("cx", "0%")[:-1]) for d in of_class(drawn.svg, "check"))
    assert second - first >= 3.9
    assert "drawn further apart" in " ".join(drawn.outside)
    assert any(":" in w for w in words(picture) if "Angle" not in w)


def test_the_key_names_what_is_drawn_and_nothing_else() -> None:
    plain = strip_chart("A", "mm", [Dot(1, 0.1, 0.0)], 0.1, None, None, "strip")
    said = " ".join(plain.keys)
    for word in ("tolerance", "second look", "beyond", "uncertain", "nominal"):
        assert word not in said
    full = " ".join(strip_chart("A", "deg", strips(250, (9, 3.0)), 0.05, _WIDE, (-0.05, 0.05)).keys)
    for word in ("tolerance", "second look", "beyond", "uncertain", "nominal"):
        assert word in full
    assert "diamond" not in " ".join(history_chart(line(0.1, 0.0), [], None, "A").keys)


def test_the_boxes_of_this_test_would_show_an_overlap() -> None:
    two = '<svg class="chart plot"><text x="10%" y="50%">one</text>{}</svg>'
    near = two.format('<text x="12%" y="50%">two</text>')
    assert overlaps(near, 330) == ["one over two"]
    assert overlaps(two.format('<circle cx="10%" cy="49%" r="3"/>'), 330) != []
    assert overlaps(two.format('<text x="40%" y="50%">two</text>'), 330) == []
    (box,) = boxes(two.format(""), 330)
    assert box.bottom - box.top < LETTERS
