"""The gaps of joints, frames, cases and shelves, against pieces laid out in coordinates."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from analysis.work import last_gap
from analysis.works.assemblies import Cut, case, closed_corners, frame, joints, shelves

ENDS = (Cut(0), Cut(0))


def one(gaps, errors, off=()):
    return gaps(np.array([errors], float), np.array([off], float).reshape(1, -1))[0]


def test_a_joint_stands_open_by_the_errors_of_its_cuts():
    work = joints([(150.0, (Cut(0),), 1), (80.0, (Cut(0), Cut(1, -1.0)), 2)])
    gaps = one(work.gaps, [0.01, 0.02, 0.005, -0.03, -0.001])
    opened = [150 * math.tan(0.01), 80 * math.tan(0.015), 80 * math.tan(0.029)]
    assert gaps == pytest.approx(opened, rel=1e-12)
    assert work.joints == ("joint 1", "joint 2, number 1", "joint 2, number 2")


@pytest.mark.parametrize("n", [3, 4, 6])
def test_miters_that_are_all_alike_open_every_joint_of_a_frame_alike(n):
    work = frame([300.0] * n, 70.0, ENDS, 0)
    e = math.radians(0.2)
    gaps = one(work.gaps, [e] * (2 * n), [0.0] * n)
    assert gaps == pytest.approx([70 * math.tan(2 * e)] * n, rel=1e-9)
    # What the joints share stands open at the last one where the others are closed.
    shared = np.arctan(one(work.signed, [e] * (2 * n), [0.0] * n) / 70).sum()
    assert 70 * math.tan(-shared) == pytest.approx(float(last_gap(e, 70.0, n)), rel=1e-9)


def test_any_frame_closes_and_no_shape_nearby_shares_its_joints_more_evenly():
    rng = np.random.default_rng(4)
    nominal = np.array([420.0, 260.0, 420.0, 260.0, 420.0, 260.0])
    made = 2 * math.pi / 3 + rng.normal(0, 0.01, (3, 6))
    lengths = nominal + rng.normal(0, 0.3, (3, 6))
    found = closed_corners(made, lengths, nominal)
    for corners, sides, cut in zip(found, lengths, made, strict=True):
        at, heading = 0j, 0.0
        for side, corner in zip(sides, corners, strict=True):
            at += cmath.rect(side, heading)
            heading += math.pi - corner
        assert abs(at) < 1e-6
        assert heading == pytest.approx(2 * math.pi, abs=1e-9)
        least = ((corners - cut) ** 2).sum()
        for _ in range(20):
            other = closed_corners((cut + rng.normal(0, 0.002, 6))[None], sides[None], nominal)[0]
            assert ((other - cut) ** 2).sum() > least * (1 - 1e-3)


def test_a_frame_of_three_has_the_corners_that_its_lengths_leave():
    lengths = [300.4, 299.9, 300.1]
    work = frame([300.0] * 3, 60.0, ENDS, 0)
    gaps = one(work.gaps, [0.0] * 6, [s - 300 for s in lengths])
    for k, gap in enumerate(gaps):
        one_side, next_side, across = (lengths[(k + i) % 3] for i in range(3))
        # The law of cosines.
        cosine = (one_side**2 + next_side**2 - across**2) / (2 * one_side * next_side)
        assert gap == pytest.approx(60 * abs(math.tan(math.acos(cosine) - math.pi / 3)), rel=1e-9)


def test_shelves_between_two_faces_stand_open_as_their_corners_do():
    rng = np.random.default_rng(5)
    depth, length = 280.0, 600.0
    errors, off = rng.normal(0, 0.002, 6), rng.normal(0, 0.2, 3)
    gaps = one(shelves(3, length, depth, ENDS, 0).gaps, errors, off)
    # Each shelf's corners: front left, back left, front right, back right, along the faces.
    shelf = [
        (0.0, depth * math.tan(left), length + more, length + more + depth * math.tan(right))
        for left, right, more in zip(errors[0::2], errors[1::2], off, strict=True)
    ]
    touching = [[x - min(s[:2]) for x in s] for s in shelf]
    face = max(max(s[2:]) for s in touching)
    seen = [gap for s in touching for gap in (max(s[:2]), face - min(s[2:]))]
    assert gaps == pytest.approx(seen, rel=1e-12)
    two = case(length, 700.0, depth, ENDS, 0)
    both = one(shelves(2, length, depth, ENDS, 0).gaps, errors[:4], off[:2])
    assert one(two.gaps, errors[:4], [*off[:2], 5.0, -5.0]) == pytest.approx(both)


def test_parts_that_cannot_be_name_their_field():
    for call, field in (
        (lambda: frame([300.0] * 2, 70.0, ENDS, 0), "sides"),
        (lambda: frame([300.0, 200.0, 300.0, 210.0], 70.0, ENDS, 0), "lengths"),
        (lambda: frame([300.0] * 4, 0.0, ENDS, 0), "joint"),
        (lambda: case(300.0, -1.0, 70.0, ENDS, 0), "height"),
        (lambda: shelves(0, 300.0, 70.0, ENDS, 0), "count"),
        (lambda: shelves(61, 300.0, 70.0, ENDS, 0), "count"),
        (lambda: shelves(2, 300.0, math.nan, ENDS, 0), "depth"),
        (lambda: joints([(90.0, (), 1)]), "cuts"),
        (lambda: joints([(90.0, (Cut(0),), 0)]), "count"),
        (lambda: joints([]), "count"),
    ):
        with pytest.raises(ValueError, match=f"^{field}: "):
            call()
