"""What an error does to the work, and which error an accepted gap allows."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest

from analysis.work import (
    AskedWork,
    Effect,
    Effects,
    allowed,
    angle_for_diagonals,
    angle_for_joint,
    angle_for_last_gap,
    diagonals_differ,
    effects,
    is_within,
    joint_gap,
    last_gap,
)

ALL = AskedWork(joint_mm=150.0, width_mm=400.0, height_mm=700.0, pieces=4)


def each(found: Effects) -> dict[str, Effect]:
    told = {field.name: getattr(found, field.name) for field in fields(found)}
    return {name: effect for name, effect in told.items() if effect is not None}


@pytest.mark.parametrize("angle", [-0.05, -0.001, 0.0, 0.0004, 0.03])
def test_the_uncertainty_is_that_of_the_angle_by_the_slope(angle: float) -> None:
    u, step = 0.0002, 1e-6
    below, above = (each(effects(angle + way * step, u, ALL)) for way in (-1, 1))
    found = each(effects(angle, u, ALL))
    assert found.keys() == {"joint", "side", "case", "frame"}
    for name, effect in found.items():
        slope = (above[name].mm - below[name].mm) / (2 * step)
        assert effect.expanded_mm == pytest.approx(slope * u, rel=1e-6), name


def test_the_effects_are_signed_as_the_angle() -> None:
    for name, effect in each(effects(-0.001, 0.0, ALL)).items():
        assert effect.mm < 0, name
        assert effect.mm == pytest.approx(-each(effects(0.001, 0.0, ALL))[name].mm), name


def test_nothing_is_said_of_what_was_not_asked() -> None:
    assert each(effects(0.001, 0.0, AskedWork())) == {}
    assert each(effects(0.001, 0.0, AskedWork(joint_mm=90.0))).keys() == {"joint"}
    assert each(effects(0.001, 0.0, AskedWork(height_mm=90.0))).keys() == {"side"}
    assert allowed(0.001, 0.0, ALL) == ()


def test_the_error_that_a_gap_allows_leaves_that_gap() -> None:
    limits = allowed(None, 0.0, replace(ALL, gap_mm=0.2))
    assert [limit.of for limit in limits] == ["joint", "case", "frame"]
    for limit in limits:
        assert each(effects(limit.limit_rad, 0.0, ALL))[limit.of].mm == pytest.approx(0.2, rel=1e-9)
        assert limit.within is None
        assert limit.sentence.endswith("either way in each cut.")


def test_an_error_is_inside_or_outside_only_by_more_than_its_uncertainty() -> None:
    for angle, u, within in (
        (0.5, 0.5, True),
        (-0.5, 0.5, True),
        (0.5, 0.51, None),
        (1.5, 0.5, None),
        (1.5, 0.49, False),
        (-1.5, 0.49, False),
    ):
        assert is_within(angle, u, 1.0) is within, (angle, u)
        gap = math.tan(1e-3) * 100.0
        (told,) = allowed(angle * 1e-3, u * 1e-3, AskedWork(joint_mm=100.0, gap_mm=gap))
        # On the limit itself the last bit of the arctangent would decide.
        if (abs(angle) + u, abs(angle) - u).count(1.0) == 0:
            assert told.within is within, (angle, u)


def test_a_gap_that_nothing_leaves_is_refused() -> None:
    with pytest.raises(ValueError, match="diagonals"):
        allowed(None, 0.0, replace(ALL, gap_mm=900.0))
    with pytest.raises(ValueError, match="pieces"):
        allowed(None, 0.0, AskedWork(joint_mm=100.0, pieces=2, gap_mm=0.1))


def test_the_work_is_said_in_mm_or_in_inches_and_thou() -> None:
    found = effects(0.001, 0.0002, ALL)
    assert [effect.sentence for effect in each(found).values()] == [
        "A joint 150 mm long stands 0.150 ± 0.030 mm open at one end.",
        "The side of a case 700 mm deep is 0.70 ± 0.14 mm out of square.",
        "The diagonals of a case 400 mm by 700 mm differ by 0.69 ± 0.14 mm.",
        "Set so for miters, the last joint of a frame of 4 pieces stands 1.20 ± 0.24 mm open.",
    ]
    inches = AskedWork(joint_mm=152.4, gap_mm=0.1016, unit="in")
    assert each(effects(0.001, 0.0, inches))["joint"].sentence == (
        "A joint 6 in long stands 6 thou open at one end."
    )
    assert [limit.sentence for limit in allowed(0.0001, 0.0001, inches)] == [
        "A gap of 4 thou over a joint 6 in long allows 0.0382 degrees either way in each cut; "
        "the error found, ± included, is within that."
    ]


@pytest.mark.parametrize("angle", [math.radians(d) for d in (-3, -0.5, -0.01, 0.01, 0.5, 3)])
def test_the_diagonals_of_a_leaning_case_are_those_of_its_corners(angle: float) -> None:
    a, b = 640.0, 310.0
    corners = np.array([[0, 0], [a, 0], [a + b * math.sin(angle), b * math.cos(angle)],
                        [b * math.sin(angle), b * math.cos(angle)]])  # fmt: skip
    long = np.linalg.norm(corners[2] - corners[0]) - np.linalg.norm(corners[3] - corners[1])
    found = float(diagonals_differ(angle, a, b))
    assert found == pytest.approx(float(long), rel=1e-9)
    assert angle_for_diagonals(found, a, b) == pytest.approx(angle, rel=1e-12)
    # The shop's formula for small errors.
    assert found == pytest.approx(2 * a * b * math.sin(angle) / math.hypot(a, b), rel=2e-3)


@pytest.mark.parametrize("pieces", [3, 4, 6, 8])
def test_the_last_gap_of_a_frame_is_what_its_pieces_leave(pieces: int) -> None:
    angle, joint = math.radians(0.05), 80.0
    # Turn from piece to piece by what its two miters leave of 180 degrees; the last face
    # should lie on the first.
    heading = 0.0
    for _ in range(pieces):
        heading += 2 * (math.pi / pieces + angle)
    leftover = heading - 2 * math.pi
    gap = joint * math.tan(leftover)
    assert float(last_gap(angle, joint, pieces)) == pytest.approx(gap, rel=1e-9)
    assert float(angle_for_last_gap(gap, joint, pieces)) == pytest.approx(angle, rel=1e-9)


def test_a_gap_at_a_joint_there_and_back() -> None:
    angles = np.array([-0.01, 0, 0.002])
    gaps = joint_gap(angles, 90)
    np.testing.assert_allclose(gaps, 90 * np.sin(angles) / np.cos(angles), rtol=1e-14)
    np.testing.assert_allclose(angle_for_joint(gaps, 90), angles, rtol=1e-14)


def test_work_that_cannot_be_names_its_field() -> None:
    for call, field in (
        (lambda: angle_for_joint(1, 0), "joint"),
        (lambda: angle_for_last_gap(1, 90, 2), "pieces"),
        (lambda: angle_for_diagonals(900, 400, 300), "diagonals"),
    ):
        with pytest.raises(ValueError, match=field):
            call()
