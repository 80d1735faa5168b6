"""Every advice is carried out on a simulated saw of polygons, and the strip is cut again."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from shapely import Polygon
from shapely.affinity import rotate, scale, translate

from analysis.advice import (
    ADJUSTING_CAUTIONS,
    AngleEstimate,
    Fence,
    advise,
    advise_cutterhead,
    advise_miters,
    advise_slot,
    advise_stop,
    advise_tilt,
    fence_halves,
)
from analysis.checks import checks
from analysis.facts import SeriesFacts
from analysis.geometry import series_values
from analysis.methods import Side, method
from analysis.recut import Found, found_by
from tests.analysis.chance import within_chance
from tests.analysis.conftest import width_at

FAR = 4000.0
WIDTH = 200.0
ANGLES = [math.radians(d) for d in (-3, -0.5, -0.01, 0.01, 0.5, 3)]
SIDES: list[Side] = ["left", "right"]


def _kept(board: Any, blade_rad: float, side: Side, at: float) -> Any:
    """What lies on one side of a blade whose line leans right by `blade_rad` from straight up."""
    run = math.tan(blade_rad)
    wall = -FAR if side == "left" else FAR
    corners = [(at - FAR * run, -FAR), (at + FAR * run, FAR), (wall * 2, FAR), (wall * 2, -FAR)]
    return board.intersection(Polygon(corners))


def deviation(blade_rad: float, fence_rad: float, strip_side: Side) -> float:
    """Open end minus fence end of a reversal's strip. The fence runs at `fence_rad`,
    counter-clockwise from the picture's horizontal, through the origin."""
    sign = 1 if strip_side == "left" else -1

    def on_fence(board: Any) -> Any:
        return rotate(board, math.degrees(fence_rad), origin=(0, 0))

    def off_fence(board: Any) -> Any:
        return rotate(board, -math.degrees(fence_rad), origin=(0, 0))

    board = Polygon([(-600, 0), (90, 0), (90, WIDTH), (-600, WIDTH)])
    board = scale(board, xfact=sign, origin=(0, 0))
    first = off_fence(_kept(on_fence(board), blade_rad, strip_side, 0))
    # The other face up, the same edge on the fence, moved along to let a strip fall.
    turned = translate(scale(first, xfact=-1, origin=(0, 0)), xoff=-60 * sign)
    strip = off_fence(_kept(on_fence(turned), blade_rad, strip_side, 0))
    return width_at(strip, WIDTH - 1e-9) - width_at(strip, 1e-9)


def reversal_angle(deviation_mm: float, strip_side: Side = "left") -> float:
    widths = [[0.0, deviation_mm]]
    found = series_values(method("reversal"), widths, WIDTH, strip_side=strip_side)
    return float(found.angle_rad[0])


def measured(blade_rad: float, fence_rad: float, strip_side: Side) -> float:
    d = deviation(blade_rad, fence_rad, strip_side)
    return reversal_angle(d, strip_side)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("angle", ANGLES)
def test_the_advised_turn_of_the_blade_takes_the_error_away(angle: float, side: Side) -> None:
    found = measured(angle, 0, side)
    assert found == pytest.approx(angle, rel=1e-6)
    advice = advise(Found(found), strip_side=side)
    # Counter-clockwise is positive; the picture's blade leans right by its angle.
    assert advice.blade_turn_rad is not None
    assert abs(deviation(angle - advice.blade_turn_rad, 0, side)) < 1e-6
    assert ("(counter-clockwise" in advice.sentence) == (angle > 0)


@pytest.mark.parametrize("pivot", SIDES)
@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("angle", ANGLES)
def test_the_advised_move_of_the_fence_takes_the_error_away(
    angle: float, side: Side, pivot: Side
) -> None:
    fence = Fence(span_mm=700, pivot=pivot, pitch_mm=1.25)
    move = advise(Found(measured(angle, 0, side)), strip_side=side, fence=fence).move
    assert move is not None
    # Pivot and adjusting point as points; the board's side is up in the picture.
    at = 700 if pivot == "left" else -700
    moved = move.distance_mm if move.toward_board else -move.distance_mm
    fence_rad = math.atan2(moved, at) if at > 0 else math.atan2(-moved, -at)
    assert abs(deviation(angle, fence_rad, side)) < 1e-6
    assert move.turns == pytest.approx(move.distance_mm / 1.25)
    assert ("toward the board by" in move.sentence) == move.toward_board


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("angle", ANGLES)
def test_the_advised_shim_takes_the_error_away(angle: float, side: Side) -> None:
    shim = advise(Found(measured(angle, 0, side)), strip_side=side, fence=Fence(400)).shim
    assert shim is not None
    left = shim.thickness_mm if shim.end == "left" else 0
    right = shim.thickness_mm if shim.end == "right" else 0
    assert abs(deviation(angle, math.atan2(right - left, shim.span_mm), side)) < 1e-6


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("angle", ANGLES)
def test_the_words_without_left_and_right_point_the_right_way(angle: float, side: Side) -> None:
    advice = advise(Found(angle), strip_side=side)
    wide = "open" if deviation(angle, 0, side) > 0 else "fence"
    assert f"wide at its {wide} end" in advice.sentence
    assert advice.blade_turn_rad is not None
    # Blade about the middle of its cut: at the wide end it must come toward the strip.
    height = WIDTH / 2 if wide == "open" else -WIDTH / 2
    before, after = height * math.tan(angle), height * math.tan(angle - advice.blade_turn_rad)
    toward_strip = -1 if side == "left" else 1
    assert (after - before) * toward_strip > 0
    # A fence turned about its middle: the end on the strip's side moves as the sentence says.
    fence_rad = -angle
    end = -300 if side == "left" else 300
    rises = end * math.tan(fence_rad) > 0
    assert ("goes toward the board" in advice.sentence) == rises


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("tilt", ANGLES)
def test_the_advised_tilt_takes_the_error_away(tilt: float, side: Side) -> None:
    """A half-turn seen from the fence along the blade is the reversal's picture, with the
    table for the fence: up is up from the table."""
    advice = advise_tilt(Found(measured(tilt, 0, side)), strip_side=side)
    assert advice.blade_turn_rad is not None
    assert abs(deviation(tilt - advice.blade_turn_rad, 0, side)) < 1e-6
    wide = "upper" if deviation(tilt, 0, side) > 0 else "lower"
    assert f"wide at its {wide} edge" in advice.sentence
    assert ("top goes to the left" in advice.sentence) == (tilt > 0)


@pytest.mark.parametrize("angle", ANGLES)
def test_the_back_of_the_blade_moved_as_advised_is_parallel_to_the_slot(angle: float) -> None:
    front, back = np.array([50.0, 0.0]), np.array([50.0 + 250 * math.tan(angle), 250.0])
    advice = advise_slot(Found(angle), distance_mm=250)
    assert advice.move is not None
    to_left = "comes to the left" in advice.sentence
    back[0] += -advice.move.distance_mm if to_left else advice.move.distance_mm
    assert back[0] == pytest.approx(front[0], abs=1e-9)


@pytest.mark.parametrize("pieces", [4, 6])
@pytest.mark.parametrize("error", [-0.004, 0.004])
def test_a_frame_cut_again_at_the_advised_miter_closes(pieces: int, error: float) -> None:
    """The frame is laid out point by point; positive is the corner's excess of each cut."""

    def last_joint(setting: float) -> tuple[float, float]:
        """Where the last piece's face meets the first's: gap outside less gap inside."""
        outer, width = 500.0, 60.0
        inset = width * math.tan(setting)
        piece = np.array([[0, 0], [outer, 0], [outer - inset, width], [inset, width]])
        # Each piece's left face (outer 0, inner 3) is laid on the one before's right face.
        place = piece.copy()
        first = place.copy()
        for _ in range(pieces - 1):
            run = place[2] - place[1]
            turn = math.atan2(run[1], run[0]) - math.atan2(*(piece[3] - piece[0])[::-1])
            c, s = math.cos(turn), math.sin(turn)
            place = place[1] + piece @ np.array([[c, s], [-s, c]])
        outside = float(np.linalg.norm(place[1] - first[0]))
        inside = float(np.linalg.norm(place[2] - first[3]))
        return outside, inside

    # A corner's share too large by `error` is a saw set too near to square by as much.
    setting = math.pi / pieces - error
    assert max(last_joint(math.pi / pieces)) < 1e-9
    assert max(last_joint(setting)) > 1
    advice = advise_miters(Found(error))
    further = "further from square" in advice.sentence
    mended = setting + (abs(error) if further else -abs(error))
    assert max(last_joint(mended)) < 1e-9


def test_a_gap_whose_side_is_not_known_is_told_both_ways() -> None:
    outside, inside = advise_miters(Found(0.01)).sentence, advise_miters(Found(-0.01)).sentence
    assert "further from square by 0.573 degrees where the gap is on the outside" in outside
    assert "nearer to square by as much where it is on the inside" in outside
    assert "further" not in inside


@pytest.mark.parametrize("angle", ANGLES)
def test_table_and_cutterhead_come_together_where_boards_are_thick(angle: float) -> None:
    left, right = 20.0, 20.0 + 300 * math.tan(angle)
    advice = advise_cutterhead(Found(angle), span_mm=300)
    assert advice.move is not None
    if "at the right" in advice.sentence:
        right -= advice.move.distance_mm
    else:
        left -= advice.move.distance_mm
    assert left == pytest.approx(right, abs=1e-9)


def test_a_stop_is_moved_the_way_that_mends_the_length() -> None:
    long = advise_stop(Found(0.31, 0.02, anew_u=0.01), pitch_mm=1)
    assert long.move is not None
    assert long.sentence.startswith(
        "Move the stop nearer to the blade by 0.310 ± 0.020 mm, 0.31 turns"
    )
    assert "further from the blade" in advise_stop(Found(-0.31, 0.02)).sentence
    assert advise_stop(Found(0.01, 0.02, anew_u=0.01)).leave_it
    assert long.blade_turn_rad is None


def test_the_sizes_of_a_known_move() -> None:
    # 0.1 degrees over 600 mm: 600 tan 0.1 = 1.0472 mm.
    advice = advise(Found(math.radians(0.1), math.radians(0.02)), fence=Fence(600, "left", 1.5))
    assert advice.move is not None
    assert advice.move.distance_mm == pytest.approx(1.0472, abs=5e-5)
    assert advice.move.uncertainty_mm == pytest.approx(0.2094, abs=5e-5)
    assert "1.05 ± 0.21 mm, 0.70 turns" in advice.move.sentence


def measured_reversals(
    rng: np.random.Generator, true_mm: np.ndarray, scatter_mm: float, n: int
) -> tuple[list[Found], np.ndarray]:
    """What n strips of each saw say whose ends differ by `true_mm`; the strips' angles."""
    series = len(true_mm)
    widths = np.full((series, n, 2), 10.0)
    widths[..., 1] += true_mm[:, np.newaxis] + rng.normal(0, scatter_mm, (series, n))
    reversal = method("reversal")
    angles = series_values(reversal, widths.reshape(-1, 2), WIDTH).angle_rad
    facts = SeriesFacts(reversal, np.empty(0), baseline_mm=WIDTH, repeatability_mm=1e-4)
    of = np.repeat(np.arange(series), n)
    said = checks(reversal, "angle", angles, of, [facts] * series)
    found = [
        found_by(
            reversal, "angle", float(mean), trials=n, u=float(u), anew_u=float(anew_u),
            anew_df=float(anew_df), expanded=float(expanded),
        )
        for mean, u, anew_u, anew_df, expanded in zip(
            said.mean, said.u, said.anew_u, said.anew_df, said.expanded, strict=True
        )
    ]  # fmt: skip
    return found, angles.reshape(series, n)


def test_a_recut_lies_where_it_was_expected() -> None:
    """By the mean's own uncertainty alone it was outside in 11 to 15 series of 100."""
    rng = np.random.default_rng(1)
    setting, series = 0.1, 600
    for n in (3, 5):
        found, _ = measured_reversals(rng, np.full(series, 3.0), 0.1, n)
        advice = [advise(f, fence=Fence(500.0), setting_mm=setting) for f in found]
        moved = np.array([0.0 if a.move is None else a.move.distance_mm for a in advice])
        slip = rng.uniform(-setting, setting, series)
        _, again = measured_reversals(rng, 3.0 - 2 * WIDTH * (moved + slip) / 500, 0.1, n)
        means = firsts = 0
        for at, told in enumerate(advice):
            if not told.leave_it:
                means += float(again[at].mean()) in told.predicted
                firsts += abs(float(again[at, 0])) <= told.first_within
        runs = sum(not a.leave_it for a in advice)
        assert runs >= 550
        assert min(means, firsts) >= 0.95 * runs


@pytest.mark.parametrize("n", [2, 3, 4, 8])
def test_a_saw_that_a_move_would_make_worse_is_left_alone(n: int) -> None:
    """An error as large as its own standard uncertainty: a move leaves more, on average."""
    rng = np.random.default_rng(2)
    found, _ = measured_reversals(rng, np.full(1000, 0.1 / math.sqrt(n)), 0.1, n)
    moved = sum(not advise(f).leave_it for f in found)
    assert moved <= 50 + 3 * math.sqrt(50 * 0.95)
    if n < 3:
        assert not moved


def test_an_error_that_a_move_could_leave_as_large_is_left_alone() -> None:
    advice = advise(Found(-0.001, 0.002, anew_u=0.001), fence=Fence(600))
    assert advice.leave_it
    assert advice.why_left == "not known closely"
    assert advice.move is None
    assert advice.shim is None
    assert advice.blade_turn_rad == 0
    assert advice.sentence.startswith("Leave it: the error found is 0.06 ± 0.11 degrees")
    assert "likely" not in advice.sentence
    assert -0.001 - advice.after_move == pytest.approx(advice.predicted.low)
    assert advise(Found(0)).why_left == "no error"
    assert advise_tilt(Found(0.001, 0.001, anew_u=0.0005)).leave_it
    assert not advise(Found(0.004, 0.002, anew_u=0.001)).leave_it


def test_what_can_not_be_set_closely_enough_is_left_alone() -> None:
    found, wide = Found(0.002, 0.0004, anew_u=0.0002), math.radians(0.2)
    for advice in (
        advise(found, fence=Fence(500), setting_mm=2),
        advise_tilt(found, setting_rad=wide),
        advise_slot(found, distance_mm=300, setting_mm=2),
        advise_miters(found, setting_rad=wide),
        advise_cutterhead(found, span_mm=300, setting_mm=2),
        advise_stop(found, setting_mm=2),
    ):
        assert advice.why_left == "not set closely"
        assert "can't be set closely enough" in advice.sentence
    assert not advise(found, fence=Fence(500), setting_mm=0.1).leave_it


def test_nothing_is_moved_after_one_strip_or_two() -> None:
    rng = np.random.default_rng(3)
    one, two, three = (
        advise(measured_reversals(rng, np.array([4.0]), 0.001, n)[0][0], fence=Fence(500))
        for n in (1, 2, 3)
    )
    assert one.why_left == two.why_left == "too few trials"
    assert one.move is None
    assert "1 strip shows nothing of how much the machine scatters" in one.sentence
    assert "Cut 2 more strips first" in one.sentence
    assert "Cut 1 more strip first" in two.sentence
    assert not three.leave_it
    # Nothing is cut between blade and slot: one reading of each end says what there is.
    slot = found_by(
        method("blade-to-slot"), "angle", 0.01, trials=1, u=1e-4, anew_u=1e-4,
        anew_df=math.inf, expanded=2e-4,
    )  # fmt: skip
    assert not advise_slot(slot, distance_mm=200).leave_it


def test_adjusting_never_comes_without_its_cautions() -> None:
    for advice in (
        advise(Found(0.01)),
        advise_tilt(Found(0.01)),
        advise_slot(Found(0.01), distance_mm=200),
        advise_miters(Found(0.01)),
        advise_cutterhead(Found(0.01), span_mm=300),
        advise_stop(Found(1)),
    ):
        assert advice.cautions == ADJUSTING_CAUTIONS
    told = " ".join(ADJUSTING_CAUTIONS)
    for word in ("Unplug", "guards", "eye and hearing", "not the narrow strip", "trap", "stopped"):
        assert word in told
    assert told.count("climb toward you") == 1
    # The last word is not this page's.
    assert "manual" in ADJUSTING_CAUTIONS[-1]


def test_advice_that_cannot_be_given_names_the_field() -> None:
    for call, field in (
        (lambda: advise(Found(1)), "angle"),
        (lambda: advise(Found(math.nan)), "angle"),
        (lambda: advise(Found(0.01, -1)), "uncertainty"),
        (lambda: advise(Found(0.01, anew_u=math.nan)), "uncertainty"),
        (lambda: advise(Found(0.01), setting_mm=-1), "setting"),
        (lambda: advise(Found(0.01), fence=Fence(0)), "span"),
        (lambda: advise(Found(0.01), fence=Fence(100, pitch_mm=0)), "pitch"),
        (lambda: advise_tilt(Found(1)), "angle"),
        (lambda: advise_miters(Found(1)), "angle"),
        (lambda: advise_slot(Found(0.01), distance_mm=0), "distance"),
        (lambda: advise_cutterhead(Found(0.01), span_mm=-1), "span"),
        (lambda: advise_stop(Found(math.nan)), "error"),
        (lambda: advise_stop(Found(1, -1)), "uncertainty"),
        (lambda: advise_stop(Found(1), pitch_mm=0), "pitch"),
    ):
        with pytest.raises(ValueError, match=field):
            call()


def test_fence_halves_out_of_line_are_told_apart_and_explain_the_reversal() -> None:
    left, right = AngleEstimate(0.002, 0.0002), AngleEstimate(0.0001, 0.0002)
    halves = fence_halves(left, right, AngleEstimate(0.00105, 0.0001))
    assert not halves.in_line
    assert halves.agrees is True
    assert halves.out_of_line.estimate == pytest.approx(0.0019)
    assert halves.out_of_line.standard_error == pytest.approx(0.0002 * math.sqrt(2))
    assert halves.mean_rad == pytest.approx(0.00105, rel=1e-5)
    assert "left come out at 0.115 degrees right" in halves.sentence
    odd = fence_halves(left, right, AngleEstimate(0.005, 0.0001))
    assert odd.agrees is False
    assert "does not agree" in odd.sentence


def test_a_reversal_on_bent_halves_shows_their_mean() -> None:
    """The board lies on the left half for one cut and on the right for the other."""
    left, right = 0.01, -0.004
    strip_d = WIDTH * (math.tan(left) + math.tan(right))
    halves = fence_halves(AngleEstimate(left, 1e-6), AngleEstimate(right, 1e-6))
    assert reversal_angle(strip_d) == pytest.approx(halves.mean_rad, rel=1e-12)


def test_halves_in_line_are_seldom_said_to_be_bent() -> None:
    rng = np.random.default_rng(2)
    runs = 2000
    bent = 0
    for a, b in rng.normal(0, 1e-4, (runs, 2)).tolist():
        bent += not fence_halves(AngleEstimate(a, 1e-4), AngleEstimate(b, 1e-4)).in_line
    assert within_chance(bent, runs, 0.05)


def test_halves_without_uncertainty_are_not_judged() -> None:
    halves = fence_halves(AngleEstimate(0.002, 0), AngleEstimate(0.001, 0))
    assert halves.out_of_line.interval is None
    assert "uncertainty" in halves.sentence
