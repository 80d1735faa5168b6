"""Readings to angles: against polygons really cut, published tables, the trade's own numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from shapely import LineString, Polygon
from shapely.affinity import rotate, scale

from analysis import geometry
from analysis.geometry import series_values
from analysis.methods import METHODS, custom_method, method
from tests.analysis.conftest import (
    Saw,
    board_on,
    five_cut_strip,
    half_turn_strip,
    reversal_strip,
    roll_strip,
    width_at,
)
from tests.analysis.published import case

DEGREES = (0.001, 0.01, 0.1, 0.5, 1.0, 3.0, 6.0)
ANGLES = tuple(math.radians(s * d) for d in DEGREES for s in (1, -1))
SIDES = ("left", "right")
H = 19.0
IN = 25.4


def angle_of(key: str, baseline: float, *widths: float) -> float:
    """The angle that one trial of a method shows."""
    return float(series_values(method(key), [widths], baseline).angle_rad[0])


def close(found: float, true: float) -> bool:
    # Polygons of some hundred mm carry some 1e-13 mm; over the base that is 1e-15 rad or so.
    return abs(found - true) <= 1e-12 * abs(true) + 2e-14


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("e", ANGLES)
def test_a_reversal_gives_the_angle_that_was_cut_whatever_the_tilt_and_heights(e, side):
    for tilt, low, high in ((0.0, 0.0, 0.0), (0.02, H, H), (-0.05, 3.0, 3.0)):
        saw = Saw(e, tilt)
        widths = [
            width_at(reversal_strip(saw, side, low, H), 5.0),
            width_at(reversal_strip(saw, side, high, H), 245.0),
        ]
        found = series_values(method("reversal"), [widths], 250.0, inset_mm=5, strip_side=side)
        assert close(found.angle_rad[0], e)


@pytest.mark.parametrize("side", SIDES)
def test_a_reversal_may_be_read_at_different_heights_at_its_two_ends(side):
    saw = Saw(0.01, 0.04)
    widths = [
        width_at(reversal_strip(saw, side, 0.0, H), 10.0),
        width_at(reversal_strip(saw, side, H, H), 240.0),
    ]
    found = series_values(method("reversal"), [widths], 250.0, inset_mm=10, strip_side=side)
    assert close(found.angle_rad[0], 0.01)


def test_a_reversal_needs_no_parallel_edges_and_no_square_blank():
    crooked = Polygon([(-600, 0), (40, 0), (25, 260), (-580, 205)])
    strip = reversal_strip(Saw(0.02), "left", 0.0, H, crooked)
    found = series_values(method("reversal"), [[width_at(strip, 10), width_at(strip, 190)]], 180.0)
    assert close(found.angle_rad[0], 0.02)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("t", ANGLES)
def test_a_half_turn_gives_the_tilt_whatever_the_angle_and_the_end(t, side):
    for e, y in ((0.0, 10.0), (0.03, 10.0), (0.03, 240.0)):
        saw = Saw(e, t)
        widths = [width_at(half_turn_strip(saw, side, z), y) for z in (0.0, H)]
        found = series_values(method("half-turn"), [widths], thickness_mm=H, strip_side=side)
        assert close(found.tilt_rad[0], t)
        assert np.isnan(found.angle_rad[0])


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("e", ANGLES)
def test_a_roll_gives_angle_and_tilt_at_once(e, side):
    for t in (0.0, -0.015, 0.06):
        saw = Saw(e, t)
        widths = [width_at(roll_strip(saw, side, z, H), y) for y in (4.0, 246.0) for z in (0.0, H)]
        found = series_values(method("roll"), [widths], 250.0, H, 4.0, side)
        assert close(found.angle_rad[0], e)
        assert close(found.tilt_rad[0], t)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("e", ANGLES)
def test_five_cuts_give_the_angle_of_the_fence_exactly(e, side):
    strip = five_cut_strip(Saw(e), side)
    widths = [width_at(strip, 15.0), width_at(strip, 315.0)]
    found = series_values(method("five-cut"), [widths], 330.0, inset_mm=15, strip_side=side)
    assert close(found.angle_rad[0], e)


def test_the_simple_form_of_five_cuts_is_off_by_as_little_as_is_said():
    for degrees, share in ((0.5, 2e-4), (1.0, 8e-4)):
        e = math.radians(degrees)
        simple = math.atan((math.tan(e) + math.tan(3 * e)) / 4)
        assert abs(simple / e - 1) < share


@pytest.mark.parametrize("n", [3, 4, 6, 8])
@pytest.mark.parametrize("error", [0.0005, -0.003])
def test_the_last_gap_of_a_frame_gathers_all_its_cuts(n, error):
    """Pieces joined face to face: the gap between the last two faces is the errors of 2n cuts."""
    turn = 0.0
    corner = math.pi / 2 - math.pi / n + error
    for _ in range(n):
        # Both ends of a piece, as polygons: their faces' directions, then the piece turned.
        piece = Polygon(
            [(0, 0), (400, 0), (400 - 60 / math.tan(corner), 60), (60 / math.tan(corner), 60)]
        )
        placed = rotate(piece, math.degrees(turn), origin=(0, 0))
        x, y = np.diff(np.asarray(placed.exterior.coords)[[1, 2]], axis=0)[0]
        # The next piece starts on this face: its own first face lies at `corner` to its edge.
        turn = math.atan2(y, x) - corner
    opening = math.remainder(turn, 2 * math.pi)
    # Turned too far or not far enough, against a full circle.
    gap = 60 * math.tan(abs(opening))
    found = series_values(method("closing-miters"), [[gap]], 60.0, pieces=n).angle_rad[0]
    assert abs(found - abs(error)) < 1e-12


def test_the_blade_to_slot_is_one_angle_over_one_distance():
    blade = Saw(0.004).keep(board_on("left"), "left")
    front, back = (width_at(blade, y) for y in (20.0, 220.0))
    found = series_values(method("blade-to-slot"), [[front, back]], 200.0)
    assert close(found.angle_rad[0], 0.004)


# Strip ends and results: common practice, no source.
@pytest.mark.parametrize(
    ("fence", "open_end", "degrees"),
    [(0.584, 1.617, 3.682), (0.475, 0.482, 0.025), (0.520, 0.513, -0.025)],
)
def test_the_trades_own_check_values_come_out(fence, open_end, degrees):
    found = series_values(method("reversal"), [[fence * IN, open_end * IN]], 8.026 * IN)
    assert round(math.degrees(found.angle_rad[0]), 3) == degrees


def test_cone_angles_of_iso_1119_come_out_to_the_last_printed_digit():
    # Source: ISO 1119, Series of conical tapers and taper angles, table of taper ratios and cone
    # angles (degrees, minutes, seconds); from memory, recomputed.
    given = case("trig-iso1119-cone-angles")
    for ratio in given.inputs["taper_ratio_1_to"]:
        d, m, s = given.expected[f"1:{ratio}"]
        angle = 2 * angle_of("reversal", ratio, 0.0, 1.0)
        assert abs(math.degrees(angle) * 3600 - (d * 3600 + m * 60 + s)) <= given.tolerance["abs"]


def test_tapers_per_foot_come_out_as_tabled():
    # Source: Machinery's Handbook, table of tapers per foot and corresponding angles; from
    # memory, recomputed.
    given = case("trig-taper-per-foot")
    for name, taper in given.inputs["taper_in_per_foot"].items():
        half = angle_of("reversal", 12.0, 0.0, taper)
        for key, angle in (("included", 2 * half), ("half", half)):
            d, m, s = given.expected[name][key]
            assert abs(math.degrees(angle) * 3600 - (d * 3600 + m * 60 + s)) <= 1


def test_tangents_are_the_tabled_ones():
    # Source: Handbook of Mathematical Functions, NBS AMS 55, 1964, table of circular functions in
    # degrees (tangents to 8 places); from memory, recomputed.
    given = case("trig-tangent-table")
    relation = method("blade-to-slot").relations[0]
    for degrees in given.inputs["angle_deg"]:
        tangent = float(geometry.ratio(relation, math.radians(float(degrees))))
        assert given.near(tangent, "tan", degrees)
        assert given.near(300 * tangent, "rise_mm_per_300_mm", degrees)
        angle = angle_of("blade-to-slot", 300.0, 0.0, 300 * tangent)
        assert close(angle, math.radians(float(degrees)))


def test_slopes_are_the_tabled_arc_seconds():
    # Source: Slope and angle conversion (spirit-level sensitivity, slope in mm per metre against
    # seconds of arc): 1 arcsecond = 4.848 micrometres per metre; 1 mm/m = 206.26 arcseconds; from
    # memory, recomputed.
    given = case("trig-slope-sensitivity")
    slopes = given.inputs["slope_mm_per_m"]
    angles = np.degrees([angle_of("blade-to-slot", 1000.0, 0.0, slope) for slope in slopes])
    assert given.near(list(angles * 3600), "arcsec")
    assert given.near(list(angles), "deg")


def test_a_sine_bar_is_set_to_the_tabled_height():
    # Source: Machinery's Handbook, constants for setting a 5-inch sine bar; from memory,
    # recomputed.
    given = case("trig-sine-bar")
    for degrees, height in given.expected.items():
        run = math.sqrt(given.inputs["bar_length"] ** 2 - height**2)
        angle = math.degrees(angle_of("blade-to-slot", run, 0.0, height))
        assert abs(angle - float(degrees)) < 1e-3  # the height is printed to 5e-6


@given(st.floats(-0.5, 0.5), st.sampled_from(sorted(METHODS)), st.integers(3, 12))
def test_every_relation_is_undone_by_its_solution(e, key, n):
    for relation in METHODS[key].relations:
        if relation.terms:
            most = max(t.multiple * (n if t.per_piece else 1) for t in relation.terms)
            angle = e * 3 / most
            back = geometry.solve(relation, geometry.ratio(relation, angle, n), n)
            assert_allclose(back, angle, rtol=1e-13, atol=1e-300)


@given(st.floats(-1e6, 1e6))
def test_five_cuts_are_solved_for_any_strip_at_all(ratio):
    relation = method("five-cut").relations[0]
    e = float(geometry.solve(relation, ratio))
    assert abs(e) < math.pi / 6 + 1e-12
    if abs(ratio) < 1e3:
        assert_allclose(geometry.ratio(relation, e), ratio, rtol=1e-11, atol=1e-12)


def test_a_custom_relation_of_several_terms_is_solved():
    own = custom_method(
        {
            "key": "mine",
            "places": ["a", "b"],
            "quantity": "angle",
            "baseline": "length",
            "terms": [[2, 0.5], [1, 2], [0.5, 5]],
        }
    )
    for e in (-0.2, 1e-9, 0.1, 0.3):
        assert_allclose(
            geometry.solve(own.relations[0], geometry.ratio(own.relations[0], e)), e, rtol=1e-13
        )


@given(
    st.lists(st.floats(1, 60), min_size=4, max_size=4),
    st.sampled_from([k for k in METHODS if METHODS[k].swap and METHODS[k].relation("angle")]),
)
def test_swapping_the_ends_gives_the_same_size_and_the_other_sign(widths, key):
    m = METHODS[key]
    places = len(m.places)
    assert m.swap is not None
    as_read = np.array([widths[:places]])
    swapped = as_read[:, list(m.swap)]
    one, two = (series_values(m, w, 200.0, 19.0) for w in (as_read, swapped))
    assert_allclose(one.angle_rad, -two.angle_rad, rtol=1e-13, atol=1e-16)
    assert_allclose(one.tilt_rad, two.tilt_rad, rtol=1e-13, atol=1e-15)


@given(st.floats(1, 60), st.floats(1, 60), st.floats(-5, 5))
def test_a_zero_offset_of_the_caliper_cancels(a, b, offset):
    for key in ("reversal", "five-cut", "planed-thickness", "blade-to-slot"):
        one = series_values(method(key), [[a, b]], 200.0).angle_rad
        two = series_values(method(key), [[a + offset, b + offset]], 200.0).angle_rad
        assert_allclose(one, two, atol=1e-15 * 100)


def least_squares_plane(y, z, width, sign=1):
    """Angle, tilt and their covariance for a unit uncertainty in each corner: by least squares of
    width = w0 + sign (2 y tan angle + 2 z tan tilt), wherever the corners were read."""
    design = np.column_stack([np.ones_like(y), 2 * y, 2 * z])
    fit, *_ = np.linalg.lstsq(design, width, rcond=None)
    tangents = fit[1:] * sign
    # d arctan(x) = dx / (1 + x^2)
    jacobian = np.diag(1 / (1 + tangents**2))
    covariance = jacobian @ np.linalg.inv(design.T @ design)[1:, 1:] @ jacobian
    return *np.arctan(tangents), covariance


def test_the_corners_of_a_roll_are_the_least_squares_plane(rng):
    for side in SIDES:
        corners = rng.normal(12, 0.3, 4)
        y, z = np.array([0, 0, 240, 240.0]), np.array([0, H, 0, H])
        angle, tilt, _ = least_squares_plane(y, z, corners, 1 if side == "left" else -1)
        found = series_values(method("roll"), [corners], 240.0, H, strip_side=side)
        assert_allclose(found.angle_rad[0], angle, rtol=1e-10)
        assert_allclose(found.tilt_rad[0], tilt, rtol=1e-10)


def test_the_covariance_of_a_roll_is_what_repeated_rolls_scatter(rng):
    e, t, u = 0.01, -0.03, 0.02
    y, z = np.array([0, 0, 240, 240.0]), np.array([0, H, 0, H])
    true = 12 + 2 * y * math.tan(e) + 2 * z * math.tan(t)
    angle, tilt, unit_covariance = least_squares_plane(y, z, true)
    assert_allclose([angle, tilt], [e, t], rtol=1e-12)
    many = series_values(method("roll"), true + rng.normal(0, u, (40000, 4)), 240.0, H)
    scatter = np.cov(many.angle_rad, many.tilt_rad)
    # 40 000 draws: a variance is known to 0.7 %, one standard deviation
    assert_allclose(np.diag(unit_covariance) * u**2, np.diag(scatter), rtol=0.03)
    assert abs(scatter[0, 1]) < 0.03 * math.sqrt(scatter[0, 0] * scatter[1, 1])


def test_a_place_read_several_times_counts_as_the_mean_of_what_was_read():
    widths = [[[10.0, 10.2, np.nan], [11.0, np.nan, np.nan]], [[1, 2, 3], [np.nan] * 3]]
    found = series_values(method("reversal"), widths, 200.0)
    assert_allclose(found.deviation_mm, [0.9, np.nan])
    assert np.isnan(found.angle_rad[1])


def test_a_trial_not_complete_is_nan_and_spoils_no_other():
    found = series_values(method("roll"), [[10, 10, 11, np.nan], [10, 10, 11, 11]], 200.0, H)
    assert np.isnan(found.angle_rad[0])
    assert close(found.angle_rad[1], math.atan(1 / 400))


def test_no_trials_are_no_values():
    for m in METHODS.values():
        found = series_values(m, [], 200.0, H)
        assert found.angle_rad.shape == found.length_mm.shape == (0,)


def test_a_quantity_whose_own_length_is_missing_stays_empty_and_the_other_does_not():
    found = series_values(method("roll"), [[10, 10, 11, 11]], 200.0)
    assert close(found.angle_rad[0], math.atan(1 / 400))
    assert np.isnan(found.tilt_rad[0])
    assert np.isnan(series_values(method("reversal"), [[1, 2]]).angle_rad[0])


def test_lengths_are_revealed_as_read():
    assert series_values(method("stop-block"), [[150.02]]).length_mm[0] == 150.02
    planed = series_values(method("planed-thickness"), [[18.0, 18.2]], 200.0)
    assert close(planed.length_mm[0], 18.1)
    assert close(planed.angle_rad[0], math.atan(0.001))


def _between_flat_jaws(faces, middle, jaw, length):
    """What flat jaws read: nothing of the two faces under them reaches beyond the jaws.

    faces: where the left and the right face lie at distances from the fence end.
    """
    under = np.linspace(max(middle - jaw / 2, 0.0), min(middle + jaw / 2, length), 7)
    left, right = faces(under)
    return float(right.max() - left.min())


@pytest.mark.parametrize("inset", [0.0, 1.0, 3.0, 3.5, 10.0])
@pytest.mark.parametrize("jaw", [0.0, 2.0, 6.0, 9.0])
@pytest.mark.parametrize("key", ["reversal", "five-cut", "roll"])
def test_flat_jaws_that_touch_the_widest_point_under_them_show_the_angle_that_was_cut(
    key, jaw, inset
):
    length, m = 150.0, method(key)
    for degrees in (-1.0, -0.02, 0.02, 3.0):
        e = math.radians(degrees)
        other = math.tan(3 * e) if key == "five-cut" else math.tan(e)

        def faces(y, e=e, other=other):
            return -y * other, 15.0 + y * math.tan(e)

        fence, open_end = (
            _between_flat_jaws(faces, middle, jaw, length) for middle in (inset, length - inset)
        )
        widths = [fence, open_end] if key != "roll" else [fence, fence, open_end, open_end]
        found = series_values(m, [widths], length, 19.0, inset, jaw_width_mm=jaw)
        assert found.angle_rad[0] == pytest.approx(e, rel=1e-9)
        # Without the width of the jaws the angle is too small by what they reach past.
        unsaid = series_values(m, [widths], length, 19.0, inset).angle_rad[0]
        short = max(jaw / 2 - inset, 0.0) / (length - 2 * inset)
        assert 1 - unsaid / e == pytest.approx(short, rel=0.02, abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"baseline_mm": 20.0, "jaw_width_mm": 40.0}, "jaw_width"),
        ({"baseline_mm": 20.0, "jaw_width_mm": -1.0}, "jaw_width"),
        ({"baseline_mm": 20.0, "jaw_width_mm": math.nan}, "jaw_width"),
        ({"baseline_mm": 0.0}, "baseline"),
        ({"baseline_mm": -3.0}, "baseline"),
        ({"baseline_mm": math.nan}, "baseline"),
        ({"baseline_mm": math.inf}, "baseline"),
        ({"baseline_mm": 20.0, "inset_mm": 10.0}, "inset"),
        ({"baseline_mm": 20.0, "inset_mm": -1.0}, "inset"),
        ({"baseline_mm": 20.0, "inset_mm": math.nan}, "inset"),
        ({"baseline_mm": 20.0, "strip_side": "up"}, "strip_side"),
    ],
)
def test_a_length_that_cannot_be_is_refused_by_name(arguments, word):
    with pytest.raises(ValueError, match=word):
        series_values(method("reversal"), [[1.0, 2.0]], **arguments)


def test_other_things_that_cannot_be_are_refused_by_name():
    with pytest.raises(ValueError, match="thickness"):
        series_values(method("half-turn"), [[1.0, 2.0]], thickness_mm=0.0)
    with pytest.raises(ValueError, match="pieces"):
        series_values(method("closing-miters"), [[1.0]], 60.0, pieces=2)
    with pytest.raises(ValueError, match="widths"):
        series_values(method("reversal"), [[1.0, 2.0, 3.0]], 200.0)


def test_a_long_series_gives_what_its_parts_give(rng):
    widths = rng.normal(10, 0.3, (20_001, 2))
    whole = series_values(method("five-cut"), widths, 200.0).angle_rad
    for rows in (slice(0, 3), slice(8190, 8195), slice(20_000, None)):
        part = series_values(method("five-cut"), widths[rows], 200.0).angle_rad
        assert_allclose(whole[rows], part, rtol=1e-14)


def test_a_wrong_turn_shows_what_is_said_of_it():
    """A half-turn instead of a reversal reads no angle; a roll reads the right size."""
    saw = Saw(0.01, 0.02)
    flat = half_turn_strip(saw, "left", 5.0)
    assert abs(width_at(flat, 10) - width_at(flat, 240)) < 1e-9
    rolled = roll_strip(saw, "left", 5.0, H)
    found = series_values(
        method("reversal"), [[width_at(rolled, 10), width_at(rolled, 240)]], 230.0
    )
    assert close(found.angle_rad[0], 0.01)


def test_at_its_wide_end_the_strip_leans_away_from_itself():
    """The rule without left and right: the fresh face leans toward the piece that was kept."""
    for side in SIDES:
        for e in (0.01, -0.01):
            strip = reversal_strip(Saw(e), side, 0.0, H)
            wide_is_open = width_at(strip, 245) > width_at(strip, 5)
            leans_right = e > 0
            kept_is_right = side == "left"
            assert (leans_right == kept_is_right) == wide_is_open


def test_edges_out_of_parallel_bias_a_roll_by_half_and_a_reversal_not_at_all():
    d = 0.002
    tapered = Polygon([(-600, 0), (30, 0), (30, 250 + 30 * d), (-600, 250 - 600 * d)])
    saw = Saw(0.01)
    first = saw.keep(tapered, "left")
    # Turned over onto the other edge, which must then be laid along the fence.
    flipped = rotate(scale(first, yfact=-1, origin=(0, 0)), math.degrees(d), origin=(0, 0))
    low = flipped.bounds[1]
    strip = saw.keep(flipped, "right", at=-60)
    ends = [width_at(strip, low + y) for y in (20.0, 220.0)]
    found = series_values(method("roll"), [[ends[0]] * 2 + [ends[1]] * 2], 200.0, H, 0, "right")
    assert abs(abs(found.angle_rad[0] - 0.01) - d / 2) < 1e-4 * d + 1e-7


def test_a_setting_that_moved_between_the_cuts_shows_the_mean_of_the_two():
    """So do two halves of a fence out of line: each cut is made on its own half."""
    one, two = Saw(0.012), Saw(0.002)
    first = one.keep(board_on("left"), "left")
    strip = two.keep(scale(first, xfact=-1, origin=(0, 0)), "left", at=60)
    found = series_values(method("reversal"), [[width_at(strip, 10), width_at(strip, 240)]], 230.0)
    mean = math.atan((math.tan(0.012) + math.tan(0.002)) / 2)
    assert close(found.angle_rad[0], mean)


def test_a_roll_read_at_unequal_heights_lets_the_tilt_leak_in():
    saw = Saw(0.01, 0.03)
    low, high = 4.0, 9.0
    ends = [
        width_at(roll_strip(saw, "left", low, H), 10.0),
        width_at(roll_strip(saw, "left", high, H), 240.0),
    ]
    leak = ends[1] - ends[0] - 2 * 230 * math.tan(0.01)
    assert abs(leak - 2 * (high - low) * math.tan(0.03)) < 1e-9


@pytest.mark.parametrize(("degrees", "more"), [(1.0, 0.0005), (3.0, 0.012), (6.0, 0.1)])
def test_jaws_seated_square_to_one_face_read_as_little_more_as_is_said(degrees, more):
    e = math.radians(degrees)
    strip = reversal_strip(Saw(e), "left", 0.0, H, board_on("left", width=400.0))
    widths = []
    for y in (50.0, 250.0):
        # From the strip's first face, seated square: along the face's own normal.
        foot = (-y * math.tan(e), y)
        normal = (math.cos(e), math.sin(e))
        far = (foot[0] + 300 * normal[0], foot[1] + 300 * normal[1])
        widths.append(strip.buffer(0).intersection(LineString([foot, far])).length)
    found = series_values(method("reversal"), [widths], 200.0).angle_rad[0]
    assert math.degrees(found) - degrees == pytest.approx(more, rel=0.1)
