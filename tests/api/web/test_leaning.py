"""The drawing of a lean: to the right side, as far as it says, and never out of its frame."""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree

import pytest

from analysis.methods import METHODS
from api.web.pages.shared.leaning import fence_move, leaning, turn_move

LEANING = [
    pytest.param(relation, id=f"{key} {relation.quantity}")
    for key, method in METHODS.items()
    for relation in method.relations
    if leaning(relation, 0.001, 0.0)
]


def parts(picture: str, kind: str) -> list[float]:
    """The numbers of the path of that class."""
    (path,) = (e for e in ElementTree.fromstring(picture).iter() if e.get("class") == kind)
    return [float(number) for number in re.findall(r"-?[0-9.]+", path.get("d", ""))]


def test_what_is_no_lean_has_no_drawing():
    (length,) = METHODS["stop-block"].relations
    assert leaning(length, 0.1, 0.01) == ""


def test_a_corner_of_miters_opens_as_its_words_say():
    (miter,) = METHODS["miter-pair"].relations
    for mean, words in ((0.001, "too obtuse"), (-0.001, "too acute")):
        picture = leaning(miter, mean, 0.0)
        assert words in picture
        foot_x, _, top_x, _ = parts(picture, "cut")
        # The other leg lies to the right.
        assert (top_x < foot_x) is (mean > 0)
        factor = int(re.findall(r"drawn (\d+) times", picture)[0])
        assert foot_x - top_x == pytest.approx(factor * 156 * math.tan(2 * mean), abs=0.06)


@pytest.mark.parametrize("relation", LEANING)
@pytest.mark.parametrize("mean", [-1.0, -0.001, 0.0, 1e-9, 0.02, 1.5])
@pytest.mark.parametrize("expanded", [0.0, 0.0005, 3.0])
def test_however_far_it_is_off_it_stays_in_its_frame(relation, mean, expanded):
    picture = leaning(relation, mean, min(expanded, 1.57 - abs(mean)))
    for kind in ("cut", "wedge", "true"):
        assert all(0 <= number <= 320 for number in parts(picture, kind)), picture


def test_a_cut_leans_to_the_side_that_its_words_say():
    (relation,) = METHODS["reversal"].relations
    for mean, words in ((0.001, relation.toward[0]), (-0.001, relation.toward[1])):
        picture = leaning(relation, mean, 0.0)
        foot_x, _, top_x, _ = parts(picture, "cut")
        assert (top_x > foot_x) is (mean > 0)
        assert words in picture
        assert f"{words}, if at all; drawn" in leaning(relation, mean, 0.002)


@pytest.mark.parametrize(
    ("mean", "times"), [(0.0, 1000), (1e-7, 1000), (0.001, 500), (0.01, 50), (0.25, 2), (1.2, 1)]
)
def test_it_is_drawn_as_many_times_as_far_as_is_said(mean, times):
    (relation,) = METHODS["reversal"].relations
    picture = leaning(relation, mean, 0.0)
    assert f"drawn {times} times as far" in picture
    foot_x, foot_y, top_x, top_y = parts(picture, "cut")
    drawn = min(times * (foot_y - top_y) * math.tan(mean), 96)
    assert top_x - foot_x == pytest.approx(drawn, abs=0.06)


@pytest.mark.parametrize("pivot", ["left", "right"])
@pytest.mark.parametrize("toward", [True, False])
def test_the_fence_is_moved_at_the_end_that_is_no_pivot(pivot, toward):
    picture = fence_move(pivot, toward)
    other = "right" if pivot == "left" else "left"
    way = "toward the board" if toward else "away from the board"
    assert f"the {other} end moves {way}" in picture
    x, start, tip = parts(picture, "turn")[:3]
    assert (x > 160) is (other == "right")
    assert (tip < start) is toward  # the board lies above the fence


@pytest.mark.parametrize("tilt", [True, False])
@pytest.mark.parametrize("to_left", [True, False])
def test_the_arrow_of_a_turn_points_to_the_side_that_is_said(tilt, to_left):
    picture = turn_move(tilt, to_left)
    start_x, _, _, _, tip_x = parts(picture, "turn")[:5]
    assert (tip_x < start_x) is to_left
    assert f"{'top' if tilt else 'far end'} to the {'left' if to_left else 'right'}" in picture
