"""Budgets against the examples of the GUM, and the resolution of a caliper from its texts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from analysis import budget, quantiles, spread, uncertainty
from analysis.facts import SeriesFacts
from analysis.methods import Relation, method
from analysis.uncertainty import Contribution, combine, resolution_nm
from tests.analysis.published import case, cases


def test_the_end_gauge_of_the_guide_comes_out():
    # Source: JCGM 100:2008 (GUM), H.1 end-gauge calibration, Table H.1, first order; read in a
    # public copy.
    given = case("gum-h1-end-gauge")
    i = given.inputs
    l_s, u_s, df_s = i["l_s_nm"]
    d = combine(
        Contribution(str(k), 0, "nm", "normal", u, 1, df)
        for k, (u, df) in enumerate(i["d_nm"]["components"])
    )
    assert given.near(d.effective_degrees_of_freedom, "nu_d")
    theta = math.hypot(i["theta"]["u_mean"], i["theta"]["cyclic_amplitude"] / math.sqrt(2))
    lines = {
        "l_s": Contribution("standard", l_s, "nm", "normal", u_s, 1, df_s),
        "d": Contribution(
            "difference", i["d_nm"]["mean"], "nm", "normal", d.combined, 1,
            d.effective_degrees_of_freedom,
        ),
        "d_alpha": Contribution(
            "expansion", 0, "1/K", "rectangular",
            uncertainty.rectangular(i["delta_alpha"]["half_width"]),
            -l_s * i["theta"]["value"], i["delta_alpha"]["df"],
        ),
        "d_theta": Contribution(
            "temperature", 0, "K", "rectangular",
            uncertainty.rectangular(i["delta_theta"]["half_width"]),
            -l_s * i["alpha_s"]["value"], i["delta_theta"]["df"],
        ),
        # First order: these come in through differences that are zero.
        "alpha_s": Contribution(
            "expansion of the standard", i["alpha_s"]["value"], "1/K", "rectangular",
            uncertainty.rectangular(i["alpha_s"]["half_width"]), 0.0,
        ),
        "theta": Contribution("deviation", i["theta"]["value"], "K", "arcsine", theta, 0.0),
    }  # fmt: skip
    for key in given.expected["components_nm"]:
        assert abs(lines[key].contribution - given.expected["components_nm"][key]) <= 0.06
    budget = combine(lines.values(), level=0.99)
    assert given.near(l_s + i["d_nm"]["mean"], "l_nm")
    assert given.near(budget.combined, "u_c_nm")
    assert given.near(budget.effective_degrees_of_freedom, "nu_eff")
    assert given.near(uncertainty.coverage_factor(16, 0.99), "t_0.99_two_sided_16")
    assert given.near(2.92 * budget.combined, "U99_nm")


def test_welch_satterthwaite_gives_the_guides_nineteen():
    # Source: JCGM 100:2008 (GUM), G.4.1 example (relative standard uncertainties 0.25 %, 0.57 %,
    # 0.82 % from 10, 5 and 15 readings); from memory, recomputed.
    given = case("gum-g4-welch-satterthwaite")
    budget = combine(
        Contribution(str(df), 0, "%", "normal", u, 1, df)
        for u, df in zip(given.inputs["relative_u_percent"], given.inputs["df"], strict=True)
    )
    assert given.near(budget.combined, "u_c_percent")
    assert given.near(budget.effective_degrees_of_freedom, "nu_eff")
    assert given.near(uncertainty.coverage_factor(19), "t_0.95_two_sided_19")
    assert given.near(budget.expanded, "U95_percent")


def test_how_poorly_few_readings_know_their_own_scatter():
    # Source: JCGM 100:2008 (GUM), E.4.3 and Table E.1: relative standard deviation of the sample
    # standard deviation of a mean of n readings; from memory, recomputed.
    given = case("gum-table-e1")
    found = [100 * spread.sd_relative_uncertainty(n) for n in given.inputs["n"]]
    assert given.near(found, "percent")


def test_bounds_and_rounding_have_the_guides_divisors():
    # Source: JCGM 100:2008 (GUM), 4.3.7 (rectangular), 4.3.9 (triangular, trapezoidal), H.1.3.4
    # (arcsine), F.2.2.1 (resolution: u = 0.29 delta x); from memory, recomputed.
    given = case("gum-distribution-divisors")
    i = given.inputs
    for key, value in (
        ("rectangular", uncertainty.rectangular(i["half_width"])),
        ("resolution_u", uncertainty.rounding(i["resolution"])),
    ):
        assert given.near(value, key)


def zero_of(weights, u):
    """What the caliper's zero, which all places share, adds to their contrast."""
    facts = SeriesFacts(method("stop-block"), np.empty(0), zero_u_mm=u)
    parts = budget.fixed_parts(Relation("length", weights), budget.InputUncertainties.of(facts))
    (line,) = (part for part in parts if part.source == budget.ZERO)
    return abs(line.u * line.sensitivity(10.0, 10.0))


def test_inputs_that_err_together_add_up_and_others_do_not():
    # Source: JCGM 100:2008 (GUM), 5.2.2 note 1: fully correlated inputs add linearly (ten 1
    # kilohm resistors, each u = 100 milliohm, in series: 1 ohm, not 0.32 ohm); from memory,
    # recomputed.
    given = case("gum-type-a-correlated-difference")
    n, u = given.inputs["n"], given.inputs["u_each_ohm"]
    assert given.near(zero_of((1.0,) * n, u), "u_correlated_ohm")
    apart = combine(Contribution(str(k), 0, "ohm", "normal", u) for k in range(n))
    assert given.near(apart.combined, "u_independent_ohm")
    # It cancels in a difference.
    assert zero_of((-1.0, 1.0), u) == 0


def test_no_case_of_the_topic_is_left_out():
    assert {c.id for c in cases("gum-linear")} == {
        "gum-h1-end-gauge",
        "gum-g4-welch-satterthwaite",
        "gum-table-e1",
        "gum-distribution-divisors",
        "gum-type-a-correlated-difference",
    }


def test_a_budget_of_nothing_is_zero_and_one_line_keeps_its_degrees_of_freedom():
    nothing = combine(())
    assert nothing.combined == nothing.expanded == 0
    assert nothing.effective_degrees_of_freedom is None
    one = combine([Contribution("s", 0, "mm", "Student's t", 1e-120, 1, 4)])
    assert one.effective_degrees_of_freedom == pytest.approx(4)
    assert one.coverage_factor == pytest.approx(quantiles.student_t(0.975, 4))
    assert combine([Contribution("b", 0, "mm", "rectangular", 1.0)]).coverage_factor == (
        pytest.approx(1.959964, abs=1e-6)
    )


def lines(*, trials=5, repeats=1, trial_sd=0.03, vary=True, **settings):
    """What the readings add to a difference of two places, in mm."""
    relation = Relation("length", (-1.0, 1.0))
    # The hand's own method: neither scale nor zero comes in.
    facts = SeriesFacts(method("same-spot"), np.empty(0), **settings)
    values = spread.Summary(trials, 0.0, trial_sd, None, None, None)
    return budget.of_series(relation, facts, values, values, repeats, vary).total.contributions


def test_scatter_over_trials_is_not_counted_twice():
    found = lines()
    assert [c.source for c in found] == ["scatter over 5 trials"]
    assert found[0].standard_uncertainty == pytest.approx(0.03 / math.sqrt(5))
    assert found[0].degrees_of_freedom == 4


def test_rounding_that_does_not_average_out_is_not_divided_by_the_number_of_trials():
    for m in (5, 500):
        # However much rounded readings scatter: the scatter may be made by the rounding.
        found = lines(trials=m, vary=False)
        assert found[1].contribution == pytest.approx(0.01 / math.sqrt(6))
    assert len(lines(vary=True)) == 1
    assert len(lines(vary=False, repeatability_mm=0.003)) == 1
    assert len(lines(vary=False, repeatability_mm=0.0029)) == 2
    # Ten readings of one spot that scatter by a count or so may come from a hand without scatter.
    assert len(lines(vary=False, repeatability_mm=0.009, repeatability_df=9)) == 2
    assert len(lines(vary=False, repeatability_mm=0.013, repeatability_df=9)) == 1


def test_one_trial_has_hand_and_caliper_and_the_stated_default():
    hand, count = lines(trials=1, trial_sd=None, vary=False)
    assert hand.contribution == pytest.approx(0.02 * math.sqrt(2))
    assert "assumed" in hand.source
    assert count.contribution == pytest.approx(0.01 / math.sqrt(6))
    hand, count = lines(
        trials=1, trial_sd=None, vary=False, repeatability_mm=0.012, repeatability_df=9,
        repeats=4,
    )  # fmt: skip
    assert hand.contribution == pytest.approx(0.012 * math.sqrt(2) / 2)
    assert hand.degrees_of_freedom == 9
    assert count.contribution == pytest.approx(0.01 / math.sqrt(6) / 2)
    # A hand steadier than the count reads the same wrong value each time.
    _, count = lines(trials=1, trial_sd=None, vary=False, repeatability_mm=0.002, repeats=4)
    assert count.contribution == pytest.approx(0.01 / math.sqrt(6))


def test_rounding_averages_out_from_a_third_of_a_count_as_the_rule_says(rng):
    """Own check of the rule: the bias that rounding leaves on a mean, over all offsets."""
    offsets = np.linspace(-0.5, 0.5, 41)
    x = rng.standard_normal(200_000)
    for sd, most in ((0.3, 0.06), (0.5, 0.01)):
        bias = [abs(float(np.round(o + sd * x).mean()) - o - sd * x.mean()) for o in offsets]
        assert max(bias) < most
    # And well below it, the mean is as wrong as one reading.
    assert abs(np.round(0.4 + 0.02 * x).mean() - 0.4) > 0.35


@pytest.mark.parametrize(
    ("sent", "unit", "count"),
    [
        (["12.34", "12.30"], "mm", 10_000),
        (["12.345", "12.341"], "mm", 1_000),
        (["12.345", "12.340"], "mm", 5_000),
        (["0.4750", "0.4820"], "in", 12_700),
        (["0.4755", "0.4820"], "in", 12_700),
        (["0.4753"], "in", 2_540),
        (["0.475"], "in", 25_400),
        (["12.3", "12.34"], "mm", 10_000),
        (["+0012.34 mm", "-0001.07 mm"], "mm", 10_000),
        (["203,86"], "mm", 10_000),
        (["01A+12.34"], "mm", 10_000),
        ([f"12.{i:02d}0" for i in range(10)], "mm", 10_000),
        (["12.340"] * 10 + ["12.350"], "mm", 5_000),
        ([f"{12 + i / 20:.2f}" for i in range(10)], "mm", 50_000),
        ([f"{12 + i / 10:.2f}" for i in range(10)], "mm", 100_000),
        ([f"{12 + i / 10:.2f}" for i in range(9)], "mm", 10_000),
        # One value again and again, as a block or a spot gives it.
        (["12.05", "12.10"] * 6, "mm", 10_000),
        (["100.00"] * 10, "mm", 10_000),
        (["12.3", "12.30", "012.30"] * 4 + ["12.40"], "mm", 10_000),
        (["1.000"] * 12, "in", 25_400),
        (["12.05", "12.10"], "mm", 10_000),
        # 0.02 mm, and 0.0005 in seen in mm, rounded to two, three or four decimals.
        ([f"{12 + i / 50:.2f}" for i in (0, 1, 2, 5, 7, 8, 9)], "mm", 20_000),
        ([f"{12 + i / 50:.2f}" for i in (0, 1, 2, 5, 7, 8)], "mm", 10_000),
        ([f"{12 + i / 50:.2f}" for i in range(9)] + ["12.31"], "mm", 10_000),
        ([f"{i * 0.0127:.2f}" for i in range(800, 824)], "mm", 12_700),
        ([f"{i * 0.0127:.2f}" for i in range(800, 810)], "mm", 10_000),
        ([f"{i * 0.0127:.3f}" for i in (800, 803, 812)], "mm", 12_700),
        (["10.1600", "10.1981", "10.3124"], "mm", 12_700),
        (["12"], "mm", None),
        ([], "mm", None),
    ],
)
def test_the_calipers_count_is_read_off_its_texts(sent, unit, count):
    assert resolution_nm(sent, unit) == count


def test_effective_degrees_of_freedom_lie_between_the_smallest_and_the_sum(rng):
    for _ in range(50):
        u = rng.uniform(0.1, 1, 4)
        df = rng.integers(1, 30, 4)
        found, _ = uncertainty.factor(u, df)
        assert df.min() - 1e-9 <= found <= df.sum() + 1e-9
    assert_allclose(uncertainty.factor([1, 1], [5, math.inf])[0], 20, rtol=1e-12)


@pytest.mark.parametrize(("n", "falls_short"), [(2, True), (3, False), (5, False), (10, False)])
def test_few_trials_beside_a_bound_hold_the_true_value_only_with_the_guard(n, falls_short, rng):
    """Scatter of n readings and a normal systematic part of equal size."""
    runs = 10_000
    sd = 1 / math.sqrt(n)
    error = rng.normal(0, 1, runs) / n**0.5 + rng.normal(0, sd, runs)
    u_a = np.sqrt(rng.chisquare(n - 1, runs) / (n - 1)) * sd
    held = {True: 0, False: 0}
    for guard in held:
        for e, u in zip(error, u_a, strict=True):
            _, k = uncertainty.factor((float(u), sd), (n - 1, math.inf), guard=guard)
            held[guard] += bool(abs(e) <= k * math.hypot(u, sd))
    least = 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)
    assert (held[False] / runs < least) == falls_short
    assert held[True] / runs > least
