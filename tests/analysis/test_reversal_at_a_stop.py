"""A reversal at a stop beside square gives the error from its nominal angle, as a strip has it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.budget import trial_uncertainty
from analysis.facts import SeriesFacts
from analysis.geometry import at_stop, nominal_mm, ratio, series_values, slope, solve
from analysis.guard import Guard, Sent
from analysis.methods import METHODS
from analysis.montecarlo import second_route

L = 140.0
REVERSAL = METHODS["reversal"]


def _strip(angle: float, side: str, seated: bool) -> list[float]:
    """The widths at fence end and open end of a strip that was cut at `angle` on both faces, the
    board turned over between the cuts: two lines in the plane, and where one meets the other."""
    sign = 1.0 if side == "left" else -1.0
    # The second cut leans as the saw does; the first, seen with the board turned, the other way.
    direction = np.array([math.sin(angle), math.cos(angle)])
    turned = np.array([-math.sin(angle), math.cos(angle)])
    corner = np.array([-sign * 60.0, 0.0])
    normal = np.array([-math.cos(angle), math.sin(angle)]) * sign
    across = normal if seated else np.array([-sign, 0.0])
    found = []
    for y in (0.0, L):
        place = direction * (y / math.cos(angle))
        # place + t * across = corner + u * turned
        t, _ = np.linalg.solve(np.column_stack([across, -turned]), corner - place)
        found.append(float(t))
    return found


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(
    ("nominal", "error"), [(5, 0.3), (-5, 0.3), (10, -1.0), (-10, 0.02), (2.5, 0.0), (0.5, -0.2)]
)
def test_the_error_from_nominal_is_that_of_a_strip_cut_in_coordinates(nominal, error, side):
    angle = math.radians(nominal + error)
    widths = _strip(angle, side, seated=abs(nominal) > 1)
    found = series_values(at_stop(REVERSAL, nominal), [widths], L, strip_side=side).angle_rad
    assert math.degrees(found[0]) == pytest.approx(error, abs=1e-9)


def test_ratio_slope_and_solution_belong_together_at_a_stop():
    (relation,) = at_stop(REVERSAL, -7.5).relations
    errors = np.radians([-2.0, -0.1, 0.0, 0.4, 3.0])
    np.testing.assert_allclose(solve(relation, ratio(relation, errors)), errors, atol=1e-15)
    step = 1e-6
    rise = (ratio(relation, errors + step) - ratio(relation, errors - step)) / (2 * step)
    np.testing.assert_allclose(slope(relation, errors), rise, rtol=1e-8)
    assert np.isnan(solve(relation, np.nan))


def test_a_length_that_is_hardly_known_counts_for_much_at_a_stop():
    """The wedge is large, so half a millimetre of length is 0.02 degrees, which at square is
    nothing; by Monte Carlo too."""
    widths = [[w] for w in _strip(math.radians(10.1), "left", seated=True)]
    u = {}
    for nominal in (0.0, 10.0):
        turned = widths if nominal else [[60.0], [60.0]]
        facts = SeriesFacts(at_stop(REVERSAL, nominal), [turned] * 5, baseline_mm=L)
        u[nominal] = math.degrees(trial_uncertainty(facts)[0])
    rise = math.tan(2 * math.radians(10.1)) / math.cos(math.radians(10.1))
    by_length = (
        rise
        * (0.5 / math.sqrt(3) / L)
        / float(slope(at_stop(REVERSAL, 10).relations[0], math.radians(0.1)))
    )
    assert u[10.0] > 2 * math.degrees(by_length) > 2 * u[0.0]
    drawn = second_route(facts, "angle", np.random.default_rng(3), 20_000)
    assert drawn.agreement.validated, drawn


@pytest.mark.parametrize(
    ("key", "nominal", "bevel"),
    [("reversal", 10.5, 0), ("reversal", 5, 2), ("half-turn", 3, 0), ("five-cut", 45, 0)],
)
def test_a_stop_beyond_reach_is_refused_with_the_methods_that_can(key, nominal, bevel):
    with pytest.raises(ValueError, match=r"^stop: .* measure this one by .*closing miters"):
        at_stop(METHODS[key], nominal, bevel)
    assert at_stop(METHODS["closing-miters"], 45) is METHODS["closing-miters"]
    assert at_stop(METHODS[key], 0) is METHODS[key]


def test_the_two_ends_of_a_strip_at_a_stop_are_not_taken_for_a_mistake():
    at = at_stop(REVERSAL, 10)
    wedge = nominal_mm(at, L, "right")
    assert wedge == pytest.approx(-L * math.tan(math.radians(20)) / math.cos(math.radians(10)))

    def asked(open_end: float, wedge_mm: float) -> bool:
        guard = Guard(REVERSAL, L, wedge_mm=wedge_mm)
        sent = Sent(round(open_end * 1e6), f"{open_end:.2f}", "mm")
        return guard.question(1, sent, [[70_000_000], []], []) is not None

    assert not asked(70 + wedge, wedge)
    assert asked(70 + wedge, 0)
    assert asked((70 + wedge) / 25.4, wedge)
