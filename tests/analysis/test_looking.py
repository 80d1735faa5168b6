"""What a person at the saw is told who looks after every strip, and stops at the first verdict."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter

import numpy as np
import pytest

from analysis.conformity import UNKNOWN, Tolerance
from analysis.facts import SeriesFacts
from analysis.methods import METHODS
from analysis.score import score

L = 200.0
RUNS = 150


def strips(rng, angle, saw, hand, runs=RUNS, most=12):
    """(runs, most, 2) what a caliper with 0.01 mm steps reads of reversed strips."""
    e = rng.normal(angle, saw, (runs, most))
    ends = rng.uniform(9, 11, (runs, most, 1)) + np.stack([0 * e, 2 * L * np.tan(e)], axis=-1)
    return np.round((ends + rng.normal(0, hand, ends.shape)) / 0.01) * 0.01


def first_verdict(widths, tolerance, **said):
    """The first verdict that is told while the strips are cut, and after how many."""
    for n in range(1, len(widths) + 1):
        facts = SeriesFacts(
            METHODS["reversal"], widths[:n], baseline_mm=L, tolerance=tolerance, **said
        )
        found = score(facts).quantities["angle"].verdict
        if found != UNKNOWN:
            return found, n
    return UNKNOWN, len(widths) + 1


def setting(saw_deg, hand):
    """The saw's scatter and that of a trial, in radians."""
    saw = math.radians(saw_deg)
    return saw, math.hypot(saw, hand * math.sqrt(2) / (2 * L))


@pytest.mark.parametrize(("saw_deg", "hand"), [(0.02, 0.005), (0.004, 0.02)])
def test_stopping_at_the_first_verdict_is_wrong_as_rarely_as_said(saw_deg, hand):
    """The true value on the limit: where each look was judged alone, 10 % were "good enough" and
    30 % "needs adjusting" at the first verdict."""
    rng = np.random.default_rng(21)
    saw, sd = setting(saw_deg, hand)
    limit = 6 * sd
    told = Counter(
        first_verdict(w, Tolerance.angle(limit))[0] for w in strips(rng, limit, saw, hand)
    )
    most = 0.025 + 2 * math.sqrt(0.025 / RUNS)
    assert told["good enough"] / RUNS <= most
    assert told["needs adjusting"] / RUNS <= most


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize(("effect", "within"), [(3, 4), (2, 6)])
def test_a_clear_result_is_told_soon(effect, within, side):
    """Where the lengths are known well: what all strips share is added outside."""
    rng = np.random.default_rng(22)
    saw, sd = setting(0.02, 0.005)
    limit = 4 * sd
    widths = strips(rng, limit + side * effect * sd, saw, 0.005)
    told = [first_verdict(w, Tolerance.angle(limit), inset_u_mm=0.0) for w in widths[:60]]
    assert np.median([n for _, n in told]) <= within
    assert {v for v, _ in told} <= {"good enough" if side < 0 else "needs adjusting", UNKNOWN}


def test_a_planned_number_gives_the_strength_of_one_look_and_no_more_error():
    """On the limit and 1.5 standard deviations inside, looked at after each of six strips."""
    rng = np.random.default_rng(23)
    saw, sd = setting(0.02, 0.005)
    limit, n = Tolerance.angle(6 * sd), 6
    told: dict[tuple[float, bool], int] = {}
    for inside in (0.0, 1.5):
        for w in strips(rng, limit.high - inside * sd, saw, 0.005, most=n):
            facts = SeriesFacts(
                METHODS["reversal"], w, baseline_mm=L, tolerance=limit, planned=n, ended=True
            )
            running, _ = first_verdict(w, limit, planned=n)
            assert running == UNKNOWN
            for planned in (n, None):
                found = score(dataclasses.replace(facts, planned=planned)).quantities["angle"]
                key = (inside, planned is not None)
                told[key] = told.get(key, 0) + (found.verdict == "good enough")
    assert told[0.0, True] / RUNS <= 0.025 + 2 * math.sqrt(0.025 / RUNS)
    assert told[1.5, True] / RUNS > 0.7 > 0.4 > told[1.5, False] / RUNS
