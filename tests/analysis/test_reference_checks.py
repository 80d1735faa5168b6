"""The reference checks against lines, edges and rounds that are laid out point by point."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.advice import Found, advise_miters
from analysis.expected import Places
from analysis.facts import SeriesFacts
from analysis.geometry import at_stop, series_values
from analysis.guard import Guard, Sent
from analysis.methods import METHODS
from analysis.score import score

ERRORS = (-0.03, -0.001, 0.0, 0.0004, 0.02)


def direction(angle: float) -> np.ndarray:
    return np.array([math.cos(angle), math.sin(angle)])


def turned_over(points: np.ndarray) -> np.ndarray:
    """Like a page, about a line square to the straight edge."""
    return points * [-1, 1]


def gaps(corner: np.ndarray, heights: tuple[float, float]) -> list[float]:
    """Between the line along the standing leg of a corner and that of the corner turned over.

    corner: end of the leg on the edge, the vertex, end of the standing leg; the edge is y = 0.
    """
    first = corner - corner[1]
    second = turned_over(first) - [5, 0]

    def x_at(leg: np.ndarray, y: float) -> float:
        foot, top = leg[1], leg[2]
        return float(foot[0] + (y - foot[1]) / (top[1] - foot[1]) * (top[0] - foot[0]))

    return [x_at(first, y) - x_at(second, y) for y in heights]


def found(key: str, readings: list[float], baseline: float | None = None):
    return series_values(METHODS[key], [readings], baseline)


@pytest.mark.parametrize("error", ERRORS)
def test_a_square_drawn_twice_shows_its_error(error):
    inside = math.pi / 2 + error
    # The stock lies to the left, so its inside angle is counted from there.
    square = np.array([-150 * direction(0), [0, 0], 300 * direction(math.pi - inside)])
    readings = gaps(square, (10.0, 260.0))
    assert min(readings) > -20
    assert found("reversed-square", readings, 250.0).angle_rad[0] == pytest.approx(error, abs=1e-12)


@pytest.mark.parametrize("first", ERRORS)
@pytest.mark.parametrize("second", ERRORS)
def test_a_corner_of_two_miters_shows_their_mean_error(first, second):
    """Each piece is cut from coordinates, and they are set together face on face."""
    width = 40.0

    def piece(error: float) -> np.ndarray:
        """Its long edge from the far end to the point of the miter, and the miter's inner end."""
        sharp = math.pi / 4 + error
        return np.array([[-300, 0], [0, 0], [-width / math.tan(sharp), width]])

    lying = piece(first)
    # The other piece is turned over and laid with its face on this one's, point on point.
    other = turned_over(piece(second))
    face, onto = other[2], lying[2]
    turn = math.atan2(onto[1], onto[0]) - math.atan2(face[1], face[0])
    c, s = math.cos(turn), math.sin(turn)
    standing = other[0] @ np.array([[c, s], [-s, c]])
    corner = np.array([lying[0], [0, 0], standing])
    inside = math.pi - math.atan2(standing[1], standing[0])
    assert inside == pytest.approx(math.pi / 2 + first + second, abs=1e-12)
    readings = gaps(corner, (20.0, 240.0))
    mean = (first + second) / 2
    assert (readings[1] - readings[0]) / 220 == pytest.approx(2 * math.tan(2 * mean), abs=1e-12)
    assert found("miter-pair", readings, 220.0).angle_rad[0] == pytest.approx(mean, abs=1e-12)


def test_miters_set_as_advised_make_a_square_corner():
    for error in (0.01, -0.01):
        advice = advise_miters(Found(error), frame=False)
        # The angle from square of the saw: what it lacks there is too much at the sharp corner.
        setting = math.pi / 4 - error
        further = "further from square by 0.573 degrees." in advice.sentence
        assert further or "nearer to square by 0.573 degrees." in advice.sentence
        assert setting + (0.01 if further else -0.01) == pytest.approx(math.pi / 4)


@pytest.mark.parametrize("nominal", [22.5, -30.0])
def test_two_miters_are_refused_at_a_stop_of_another_angle(nominal):
    pair = METHODS["miter-pair"]
    with pytest.raises(ValueError, match=r"^stop: Two miters .* 45 degrees.*by closing miters$"):
        at_stop(pair, nominal)
    with pytest.raises(ValueError, match=r"up to 10 degrees.* by closing miters or two miters$"):
        at_stop(METHODS["reversal"], 45)
    for at in ((45, 0), (-45, 0), (0, 45), (0, 0)):
        assert at_stop(pair, *at) is pair


HOLLOWS = {"A": 0.21, "B": -0.34, "C": 0.055}


def edge(hollow: float) -> np.ndarray:
    """Points along an edge that looks up, its ends on the x axis, hollow in its middle."""
    x = np.linspace(-400, 400, 801)
    wave = 0.02 * np.sin(np.pi * x / 100)
    return np.column_stack([x, -hollow * (1 - (x / 400) ** 2) + wave])


def middle_gap(lower: float, upper: float, spacer: float, rng: np.random.Generator) -> float:
    """Two edges facing each other on spacers at their ends, anywhere on the table."""
    lower_edge, upper_edge = edge(lower), edge(upper) * [-1, -1] + [0, spacer]
    angle, place = rng.uniform(0, 6), rng.uniform(-500, 500, 2)
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, s], [-s, c]])
    one, two = (points @ turn + place for points in (lower_edge, upper_edge))
    for end in (0, -1):
        assert np.linalg.norm(one[end] - two[-1 - end]) == pytest.approx(spacer)
    return float(np.linalg.norm(one[400] - two[400]))


@pytest.mark.parametrize("asked", ["ABC", "BCA", "CAB"])
@pytest.mark.parametrize("zero", [0.0, 0.7])
def test_three_edges_laid_in_pairs_tell_how_hollow_each_is(asked, zero, rng):
    spacer = 12.0
    gap = {
        frozenset(pair): middle_gap(HOLLOWS[pair[0]], HOLLOWS[pair[1]], spacer, rng)
        for pair in ("AB", "BC", "CA")
    }
    own, second, third = asked
    readings = [gap[frozenset(p)] + zero for p in ((own, second), (second, third), (third, own))]
    revealed = found("three-edges", [*readings, spacer + zero]).length_mm[0]
    assert revealed == pytest.approx(HOLLOWS[own], abs=1e-9)
    # By the three equations, each gap the sum of two hollows.
    sums = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1]])
    solved = np.linalg.solve(sums, [g - zero - spacer for g in readings])
    assert revealed == pytest.approx(solved[0], abs=1e-9)


@pytest.mark.parametrize("difference", [-0.08, 0.08])
def test_unequal_spacers_count_by_a_quarter_as_the_trap_says(difference):
    a, b, c = HOLLOWS.values()
    middle = 12 + difference / 2
    readings = [middle + a + b, middle + b + c, middle + c + a, 12.0]
    off = found("three-edges", readings).length_mm[0] - a
    assert off == pytest.approx(difference / 4, abs=1e-12)


@pytest.mark.parametrize("eccentric", [0.0, 0.01, 0.4])
def test_a_round_off_its_axis_runs_out_by_twice_its_eccentricity(eccentric):
    radius, turn = 25.0, np.linspace(0, 2 * math.pi, 3601)
    # Where a dial on the x axis meets the circle, its middle turning about the axis.
    x, y = eccentric * np.cos(turn), eccentric * np.sin(turn)
    dial = x + np.sqrt(radius**2 - y**2) - radius
    revealed = found("run-out", [dial.min(), dial.max()]).length_mm[0]
    assert revealed == pytest.approx(2 * eccentric, abs=1e-9)


def test_a_tilted_blade_runs_out_by_twice_its_radius_times_the_tilt():
    tilt, turn = 0.002, np.linspace(0, 2 * math.pi, 3601)
    for radius in (60.0, 120.0):
        # The axial place of the spot under the dial: the blade's plane turns about the axis.
        normal = np.column_stack(
            [np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.full(3601, np.cos(tilt))]
        )
        dial = -normal[:, 0] * radius / normal[:, 2]
        revealed = found("run-out", [dial.min(), dial.max()]).length_mm[0]
        assert revealed == pytest.approx(2 * radius * math.tan(tilt), abs=1e-9)


def test_depths_of_rebates_are_spread_and_mean_of_what_is_read():
    depths = [[6.02], [6.05], [5.98], [6.03]]
    told = score(SeriesFacts(METHODS["rebate-depth"], depths)).quantities["length"]
    assert told.mean == pytest.approx(np.mean(depths))
    assert told.sd == pytest.approx(np.std(depths, ddof=1))


HONEST = {
    "reversed-square": [5.02, 5.61],
    "miter-pair": [5.1, 4.37],
    "three-edges": [10.12, 9.97, 10.08, 10.0],
    "run-out": [-0.02, 0.05],
    "rebate-depth": [6.02],
}


@pytest.mark.parametrize("key", HONEST)
def test_honest_readings_are_not_asked_about_and_a_slip_of_the_point_is(key):
    guard = Guard(METHODS[key], 250.0)
    assert isinstance(guard, Places)
    readings = [round(mm * 1e6) for mm in HONEST[key]]
    earlier = [[[nm] for nm in readings]] * 4

    def asked(place: int, nm: int) -> bool:
        strip = [[each] if i < place else [] for i, each in enumerate(readings)]
        sent = Sent(nm, f"{nm / 1e6:.2f}", "mm")
        return guard.question(place, sent, strip if place else [], earlier) is not None

    assert not any(asked(place, nm) for place, nm in enumerate(readings))
    if key != "run-out":
        assert asked(len(readings) - 1, readings[-1] * 10)
    else:
        assert asked(1, 5_000_000)


@pytest.mark.parametrize("key", ["reversed-square", "miter-pair"])
def test_of_one_pair_of_lines_it_is_said_that_drawing_them_is_not_counted(key):
    told = score(SeriesFacts(METHODS[key], [[5.0, 5.2]], baseline_mm=200.0))
    assert "how well its lines are drawn" in told.notes[0]
    more = score(SeriesFacts(METHODS[key], [[5.0, 5.2], [5.0, 5.1]], baseline_mm=200.0))
    assert not any("lines are drawn" in note for note in more.notes)
