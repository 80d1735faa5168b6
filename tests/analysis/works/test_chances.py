"""How likely a work succeeds, against a second simulation and against what follows exactly."""

from __future__ import annotations

import dataclasses
import math
import random

import numpy as np
import pytest

from analysis.visits import Returns
from analysis.works.assemblies import Cut, case, frame, joints, shelves
from analysis.works.chances import chances, likely, pair_differs
from analysis.works.known import KnownLength, KnownStop, drawn
from analysis.works.sentences import told, uncounted
from benchmarks.truth import rows
from tests.analysis.chance import within_chance

DEG = math.radians(1)
LEFT = KnownStop("Saw, 45 left", 0.05 * DEG, 0.004 * DEG, 0.003 * DEG, 0.012 * DEG, 8)
RIGHT = dataclasses.replace(LEFT, called="Saw, 45 right", mean_rad=-0.02 * DEG)
TRUE = KnownStop("Sled", 0.0, 0.0, 0.0, 0.0, math.inf)


def test_a_frame_succeeds_as_often_as_in_a_simulation_piece_by_piece():
    stops = [dataclasses.replace(LEFT, length=KnownLength(0.05, 6)), RIGHT]
    work = frame([300.0] * 3, 60.0, (Cut(0), Cut(1, -1.0)), 0)
    accepted = 0.1
    found = chances(work, stops, [accepted] * 3, np.random.default_rng(1), 20_000)
    chance = random.Random(2)
    runs, kept = 2_000, 0
    for _ in range(runs):
        error, sd = [], []
        for stop in stops:
            larger = math.sqrt(stop.df / chance.gammavariate(stop.df / 2, 2))
            sd.append(stop.trial_sd * larger)
            shifted = chance.gauss(0, stop.anew_u * larger) + chance.gauss(0, stop.fixed_u)
            error.append(stop.mean_rad + shifted)
        length_sd = 0.05 * math.sqrt(6 / chance.gammavariate(3, 2))
        sides = [300 + chance.gauss(0, length_sd) for _ in range(3)]
        ends = [(chance.gauss(error[0], sd[0]), -chance.gauss(error[1], sd[1])) for _ in range(3)]
        worst = 0.0
        for k in range(3):
            a, b, c = (sides[(k + i) % 3] for i in range(3))
            corner = math.acos((a * a + b * b - c * c) / (2 * a * b))
            wedge = corner - math.pi / 3 - ends[k][1] - ends[(k + 1) % 3][0]
            worst = max(worst, 60 * abs(math.tan(wedge)))
        kept += worst <= accepted
    assert 0.4 < found.within < 0.97
    assert within_chance(kept, runs, found.within)
    assert sum(found.worst.values()) == pytest.approx(1)


def test_the_linear_sum_and_the_draws_agree_on_one_joint_that_is_known_well():
    stop = dataclasses.replace(LEFT, df=math.inf)
    work = joints([(150.0, (Cut(0),), 1)])
    accepted = 0.18
    found = chances(work, [stop], [accepted], np.random.default_rng(3))
    u = 150 * math.hypot(stop.u, stop.cut_sd)
    assert found.linear.gap_mm == pytest.approx(150 * math.tan(stop.mean_rad), rel=1e-9)
    assert found.linear.expanded_mm == pytest.approx(1.96 * u, rel=1e-3)
    assert found.within == pytest.approx(found.linear.within, abs=4 * found.u)
    # What few trials leave open makes the chance smaller, not the sum.
    few = chances(work, [LEFT], [accepted], np.random.default_rng(3))
    assert few.within < found.within - 4 * found.u
    assert few.linear == found.linear


def test_the_stop_that_is_furthest_out_contributes_most_and_what_it_has_to_reach_is_enough():
    work = frame([400.0, 300.0] * 2, 70.0, (Cut(0), Cut(1, -1.0)), 0)
    bad = dataclasses.replace(LEFT, mean_rad=0.25 * DEG)
    rng = np.random.default_rng(5)
    found = chances(work, [bad, RIGHT], [0.25] * 4, rng, 20_000)
    assert [part.stop.called for part in found.parts] == ["Saw, 45 left", "Saw, 45 right"]
    assert found.within < 0.5
    assert found.parts[0].without_mm < found.parts[1].without_mm
    reach = found.parts[0].reach_rad
    assert found.parts[1].reach_rad is None
    assert reach is not None
    for share, enough in ((0.97, True), (1.1, False)):
        each = [
            likely(
                work,
                [
                    dataclasses.replace(bad, mean_rad=way * share * reach, anew_u=0, fixed_u=0),
                    RIGHT,
                ],
                [0.25] * 4,
                rng,
                20_000,
            )
            for way in (-1, 1)
        ]
        assert (min(each) >= 0.945) is enough
    sentences = " ".join(told(work, found, [0.25] * 4, "mm"))
    assert "Saw, 45 left contributes most" in sentences
    assert "not enough to mend Saw, 45 right alone" in sentences


def test_where_the_scatter_is_too_much_the_scatter_has_to_be_less():
    rough = dataclasses.replace(LEFT, mean_rad=0.0, trial_sd=0.1 * DEG)
    work = joints([(150.0, (Cut(0),), 4)])
    found = chances(work, [rough], [0.2] * 4, np.random.default_rng(6), 20_000)
    (part,) = found.parts
    assert part.reach_rad is None
    assert part.reach_sd is not None
    assert found.together_rad is None
    steady = dataclasses.replace(rough, trial_sd=part.reach_sd, anew_u=0, fixed_u=0)
    kept = likely(work, [steady], [0.2] * 4, np.random.default_rng(7), 20_000)
    assert kept == pytest.approx(0.95, abs=0.015)


def test_two_pieces_cut_to_one_stop_differ_by_what_the_next_two_would():
    assert pair_differs(0.0, 4, 0.1) == (0.0, 1.0)
    most, within = pair_differs(0.05, 4, 0.2)
    chance = random.Random(8)
    runs = 4_000
    # From the scatter of five trials to the next two pieces, the true scatter being one.
    held = [0, 0]
    for _ in range(runs):
        sd = math.sqrt(chance.gammavariate(2, 2) / 4)
        apart = abs(chance.gauss(0, 1) - chance.gauss(0, 1)) / sd * 0.05
        held[0] += apart <= most
        held[1] += apart <= 0.2
    assert within_chance(held[0], runs, 0.95)
    assert within_chance(held[1], runs, within)
    row = shelves(3, 500.0, 250.0, (Cut(0), Cut(0)), 0)
    unknown = chances(row, [TRUE], [0.2] * 6, np.random.default_rng(9), 1_000)
    assert unknown.within == 1.0
    (pieces,) = unknown.matching
    assert pieces.differ_mm is None
    assert "lengths repeat on Sled is not known" in told(row, unknown, [0.2] * 6, "mm")[-1]


def test_a_gap_for_each_joint_is_asked_for():
    work = joints([(150.0, (Cut(0),), 2)])
    for accepted in ([0.1], [0.1, 0.0]):
        with pytest.raises(ValueError, match="accepted"):
            likely(work, [LEFT], accepted, np.random.default_rng(1))


def test_works_succeed_as_often_as_is_said():
    for row in rows.of("works", seed=5, short=True):
        assert row.kept, row


def test_a_saw_that_is_swung_between_the_cuts_returns_anew_for_each():
    """Variances add: of a cut its own and the return's; of a mean of one visit also that one's."""
    known = Returns((0.05 * DEG) ** 2, 10**6, (0.03 * DEG) ** 2, 10**6)  # returns within 0.04
    stop = dataclasses.replace(LEFT, anew_u=0.0, fixed_u=0.0, df=math.inf, returned=known)
    cuts, draws = [0] * 4, 40_000

    def spread(of: KnownStop) -> tuple[float, float]:
        drew = drawn([of], cuts, [], np.random.default_rng(4), draws)
        assert of.u == pytest.approx(drew.error_rad.std(), rel=0.02, abs=1e-9)
        assert of.cut_sd == pytest.approx(drew.cut_rad.std(), rel=0.02)
        return drew.error_rad.std() / DEG, drew.cut_rad.std() / DEG

    in_turn = dataclasses.replace(stop, swung=True, mean_df=math.inf)
    assert spread(in_turn) == pytest.approx((0.0, math.hypot(0.012, 0.04)), rel=0.02)
    one_visit = dataclasses.replace(stop, swung=True)
    assert spread(one_visit) == pytest.approx((0.04, math.hypot(0.012, 0.04)), rel=0.02)
    # Set once for all cuts: they share the return, and nothing more of it is in single cuts.
    assert spread(stop) == pytest.approx((0.04 * math.sqrt(2), 0.012), rel=0.02)


def test_what_is_not_counted_is_said():
    swung = dataclasses.replace(LEFT, swung=True)
    ends = (Cut(0), Cut(1))
    unknown, stood, bevel = uncounted(frame([400.0] * 4, 70.0, ends, 0), [swung, TRUE])
    assert stood.startswith(f"{TRUE.called} counted as when measured")
    assert unknown.startswith("How well Saw, 45 left comes back between the cuts is not known")
    assert bevel == "The bevel of the cuts is not counted."
    stood, of_case = uncounted(case(600.0, 300.0, 250.0, ends, 0), [LEFT, RIGHT])
    assert stood.startswith(f"{LEFT.called} and {RIGHT.called} counted as when measured: if the")
    known = [dataclasses.replace(s, mean_df=3.0) for s in (LEFT, RIGHT)]
    assert uncounted(case(600.0, 300.0, 250.0, ends, 0), known) == (of_case,)
    assert "nor how square the ends of the sides are" in of_case
