from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis import quantiles
from analysis.planning import (
    cuts_needed,
    effect_seen,
    plan,
    power,
    trial_sd,
)
from tests.analysis.chance import within_chance
from tests.analysis.published import case

_WORDS = {"two-sided": "either", "greater": "more", "less": "less"}


# Source: results of the R package pwr; read in a public copy.
@pytest.mark.parametrize("name", ["pwr-one-sample", "pwr-two-sample"])
def test_power_is_that_of_the_published_tables(name: str) -> None:
    found = case(name)
    powers = [
        power(
            c["d"],
            c.get("n", c.get("n1")),
            c.get("n2"),
            alpha=c["alpha"],
            alternative=_WORDS[c["alternative"]],  # type: ignore[arg-type]
        )
        for c in found.inputs["cases"]
    ]
    assert found.near(powers, "power")


def test_the_handbooks_number_of_cuts() -> None:
    # Source: NIST/SEMATECH e-Handbook, 7.2.2.2 sample sizes required (one-sided, alpha 0.05, beta
    # 0.10, shift of one standard deviation; then one pass with t); the page
    # https://www.itl.nist.gov/div898/handbook/prc/section2/prc222.htm read in part in a public
    # copy (the formula N >= (1.96/delta)^2 sigma^2); the worked numbers from memory, recomputed.
    found = case("ehb-7.2.2.2-sample-size")
    v = found.inputs
    effect, alpha, beta = v["delta_over_sigma"], v["alpha"], v["beta"]
    # ((z(1-alpha) + z(1-beta)) / effect)^2, then the same with Student's t.
    first = ((quantiles.normal(1 - alpha) + quantiles.normal(1 - beta)) / effect) ** 2
    df = math.ceil(first) - 1
    t = quantiles.student_t(1 - alpha, df) + quantiles.student_t(1 - beta, df)
    second = (t / effect) ** 2
    assert found.near(first, "n_normal")
    assert found.near(math.ceil(first), "n_normal_ceiling")
    assert found.near(second, "n_with_t8")
    assert found.near(math.ceil(second), "n_with_t8_ceiling")
    # The exact number agrees with the handbook's second pass.
    assert cuts_needed(effect, alpha=alpha, beta=beta, alternative="more") == math.ceil(second)


def test_power_by_simulation() -> None:
    runs = 20_000
    x = np.random.default_rng(1).normal(1.2, 1, (runs, 6))
    hits = int((stats.ttest_1samp(x, 0, axis=1).pvalue < 0.05).sum())
    assert within_chance(hits, runs, power(1.2, 6))
    y = np.random.default_rng(2).normal(0, 1, (runs, 6))
    hits = int((stats.ttest_ind(x, y, axis=1).pvalue < 0.05).sum())
    assert within_chance(hits, runs, power(1.2, 6, 6))


def test_power_never_leaves_zero_to_one_however_extreme_the_question() -> None:
    for n in (2, 3, 10, 1000):
        for effect in np.geomspace(1e-3, 1e4, 30).tolist():
            for alternative in ("either", "more", "less"):
                p = power(effect, n, alpha=1e-4, alternative=alternative)  # type: ignore[arg-type]
                assert 0 <= p <= 1 + 1e-12
    assert power(0, 5) == pytest.approx(0.05, rel=1e-9)


def test_the_number_of_cuts_is_the_fewest_that_do() -> None:
    for effect in (0.2, 0.5, 1.0, 2.0, 5.0):
        for two in (False, True):
            n = cuts_needed(effect, two_series=two)
            assert n is not None
            assert power(effect, n, n if two else None) >= 0.9
            if n > 2:
                assert power(effect, n - 1, n - 1 if two else None) < 0.9
    assert cuts_needed(-1.0) == cuts_needed(1.0)


@pytest.mark.parametrize("effect", [0.0, math.nan, math.inf, 1e-9])
def test_an_effect_that_no_number_of_cuts_shows_has_no_number(effect: float) -> None:
    assert cuts_needed(effect) is None


def test_the_smallest_effect_seen_has_just_the_wanted_power() -> None:
    for n in (2, 5, 30):
        assert power(effect_seen(n, beta=0.2), n) == pytest.approx(0.8, abs=1e-9)
        assert power(effect_seen(n, two_series=True), n, n) == pytest.approx(0.9, abs=1e-9)


def test_one_trial_scatters_by_what_its_two_readings_add() -> None:
    # 0.02 mm hand and caliper over 200 mm is 0.004 degrees (sqrt(2) 0.02 / (2 200)).
    sd = trial_sd(200, reading_sd_mm=0.02, resolution_mm=0)
    assert math.degrees(sd) == pytest.approx(0.00405, abs=1e-5)
    # 0.01 mm steps over 200 mm are 0.0006 degrees: q / sqrt(6) / (2 L).
    steps = trial_sd(200, reading_sd_mm=0, resolution_mm=0.01)
    assert steps == pytest.approx(0.01 / math.sqrt(6) / 400, rel=1e-12)
    # By simulation: readings that scatter and are rounded to the step.
    rng = np.random.default_rng(3)
    ends = 20 + rng.uniform(0, 0.01, 100_000) + rng.normal(0, 0.02, (2, 100_000))
    found = np.std(np.arctan(np.diff(np.round(ends, 2), axis=0) / 400))
    both = trial_sd(200, reading_sd_mm=0.02, resolution_mm=0.01)
    assert found == pytest.approx(both, rel=0.02)


def test_each_way_of_the_plan_just_reaches_the_wanted_certainty() -> None:
    error, length, own = math.radians(0.008), 150.0, math.radians(0.001)
    p = plan(error, length_mm=length, trials=4, own_sd_rad=own)
    assert p.cuts is not None
    assert p.width_mm is not None
    assert power(error / p.trial_sd_rad, p.cuts) >= 0.9
    wide = trial_sd(p.width_mm, reading_sd_mm=0.02, resolution_mm=0.01, own_sd_rad=own)
    assert power(error / wide, 4) == pytest.approx(0.9, abs=1e-6)
    assert p.width_mm > length
    assert f"{math.ceil(p.width_mm)} mm wide" in p.sentence
    fine = plan(error, length_mm=200, trials=4, own_sd_rad=own, reading_sd_mm=0.005)
    assert fine.resolution_mm is not None
    step = trial_sd(200, reading_sd_mm=0.005, resolution_mm=fine.resolution_mm, own_sd_rad=own)
    assert power(error / step, 4) == pytest.approx(0.9, abs=1e-6)


def test_no_board_is_promised_to_help_where_the_machine_scatters_too_much() -> None:
    p = plan(math.radians(0.003), length_mm=200, own_sd_rad=1e-3)
    assert p.width_mm is None
    assert p.resolution_mm is None
    assert p.cuts is not None
    assert "no board is wide enough" in p.sentence
    hopeless = plan(1e-9, length_mm=200, own_sd_rad=1e-3)
    assert hopeless.cuts is None
    assert "No number of strips" in hopeless.sentence


def test_a_finer_caliper_is_not_promised_to_help_where_the_hand_is_the_limit() -> None:
    p = plan(math.radians(0.003), length_mm=200)
    assert p.resolution_mm is None
    assert "finer caliper alone is not enough" in p.sentence


def test_without_any_scatter_two_cuts_do() -> None:
    p = plan(1e-3, length_mm=200, reading_sd_mm=0, resolution_mm=0)
    assert p.cuts == 2


def test_a_question_that_makes_no_sense_names_its_field() -> None:
    for call, field in (
        (lambda: plan(0, length_mm=200), "error"),
        (lambda: plan(math.nan, length_mm=200), "error"),
        (lambda: plan(1e-3, length_mm=0), "length"),
        (lambda: plan(1e-3, length_mm=200, trials=1), "trials"),
        (lambda: power(1, 1), "trials"),
        (lambda: power(1, 5, alpha=0), "alpha"),
        (lambda: cuts_needed(1, beta=1), "beta"),
    ):
        with pytest.raises(ValueError, match=field):
            call()
