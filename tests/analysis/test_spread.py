"""Mean, scatter and their intervals: certified data, published factors, simulated coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis import quantiles, spread
from analysis.sequential import FALSE_FINDING
from tests.analysis.published import case, cases

# Digits that a double can give of each certified standard deviation. NumAcc4 holds its
# differences of 0.1 in the last nine digits of ten million, so half of them are lost before
# any computation starts.
DIGITS = {
    "strd-lew": 14,
    "strd-michelso": 13.5,
    "strd-numacc1": 15,
    "strd-numacc2": 13.5,
    "strd-numacc4": 8,
}


def data(inputs):
    if "data" in inputs:
        return inputs["data"]
    return [inputs["first"], *(500 * inputs["pair"])]


def digits(found: float, certified: float) -> float:
    off = abs(found - certified) / abs(certified)
    return 15.0 if off == 0 else -math.log10(off)


# Source: NIST StRD, Univariate Summary Statistics, certified values; read in a public copy.
@pytest.mark.parametrize("id", DIGITS)
def test_certified_data_keep_their_digits(id):
    given = case(id)
    found = spread.summary(data(given.inputs))
    assert given.near(found.n, "n")
    assert given.near(found.mean, "mean")
    assert given.near(found.sd, "sd")
    assert given.near(spread.serial_correlation(data(given.inputs)), "lag1")
    assert digits(found.mean, given.expected["mean"]) >= 14.5
    assert digits(found.sd, given.expected["sd"]) >= DIGITS[id]


def test_the_guides_twenty_temperatures_come_out():
    # Source: JCGM 100:2008 (GUM), 4.4.3 and Table 1 (twenty temperature readings); from memory,
    # recomputed.
    given = case("gum-4.4.3-temperature")
    found = spread.summary(given.inputs["data_celsius"])
    assert given.near(found.n, "n")
    assert given.near(found.mean, "mean")
    assert given.near(found.sd, "sd")
    assert given.near(found.sd / math.sqrt(found.n), "sd_of_mean")


def test_confidence_limits_of_the_mean_come_out_as_published():
    # Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.2 confidence limits for the
    # mean, ZARR13.DAT (heat flow meter); read in a public copy.
    given = case("ehb-1.3.5.2-zarr13")
    found = spread.summary(given.inputs["data"])
    interval = spread.mean_interval(found.mean, found.sd, found.n, given.inputs["confidence"])
    for value, key in (
        (found.n, "n"),
        (found.mean, "mean"),
        (found.sd, "sd"),
        (quantiles.student_t(0.975, found.n - 1), "t"),
        (interval.low, "lower"),
        (interval.high, "upper"),
    ):
        assert given.near(value, key)


def test_very_few_repeats_give_the_published_wide_interval():
    # Source: Miller and Miller, Statistics for Analytical Chemistry, 3rd ed., 1994, pp. 54-55
    # (mercury, n = 3), as used in the Boost.Math t examples; from memory, recomputed.
    given = case("mercury-n3-ci")
    i = given.inputs
    interval = spread.mean_interval(i["mean"], i["sd"], i["n"], i["confidence"])
    assert given.near(interval.low, "lower")
    assert given.near(interval.high, "upper")
    assert given.near((i["mean"] - i["mu0"]) / (i["sd"] / math.sqrt(i["n"])), "t")


def test_confidence_limits_of_a_standard_deviation_come_out_as_published():
    # Source: NIST/SEMATECH e-Handbook, 7.2.3.1 confidence intervals and chi-square test for the
    # standard deviation (silicon wafers, N = 10, s = 13.97); read in a public copy.
    given = case("ehb-7.2.3.1-sd-ci-wafers")
    i = given.inputs
    for level, (low, high) in given.expected["interval"].items():
        interval = spread.sd_interval(i["sd"], i["n"], float(level))
        assert abs(interval.low - low) < 6e-6
        assert abs(interval.high - high) < 6e-6
    chi2 = (i["n"] - 1) * (i["sd"] / i["sigma0"]) ** 2
    assert given.near(chi2, "chi2")
    cdf, off = given.expected["cdf"], given.tolerance["per_key"]["cdf"]["abs"]
    low, high = (quantiles.chi_square(p, i["n"] - 1) for p in (cdf - off, cdf + off))
    assert low <= chi2 <= high


def test_tolerance_factors_are_the_published_exact_ones():
    # Source: ISO 16269-6:2014 / Krishnamoorthy and Mathew, Statistical Tolerance Regions, 2009:
    # two-sided factors, mean and standard deviation unknown, confidence 0.95; from memory,
    # recomputed.
    given = case("k2-two-sided-exact")
    for p in given.inputs["p"]:
        found = [
            spread.tolerance_factor(n, float(p), given.inputs["confidence"])
            for n in given.inputs["n"]
        ]
        assert given.near(found, p)


def test_the_handbooks_tolerance_factors_come_out():
    # Source: NIST/SEMATECH e-Handbook, 7.2.6.3 tolerance intervals for a normal distribution (43
    # wafers, p = 0.90, confidence 0.99); read in a public copy.
    given = case("ehb-7.2.6.3-wafers")
    n, p, level = (given.inputs[k] for k in ("n", "p", "confidence"))
    chi2 = quantiles.chi_square(1 - level, n - 1)
    assert given.near(chi2, "chi2_0.01_42")
    howe = quantiles.normal((1 + p) / 2) * math.sqrt((n - 1) * (1 + 1 / n) / chi2)
    assert given.near(howe, "k2_howe")
    # Howe's is an approximation to the exact factor, here a quarter of a percent low.
    assert 0 < spread.tolerance_factor(n, p, level) / howe - 1 < 0.005
    z, zg = quantiles.normal(p), quantiles.normal(level)
    a = 1 - zg**2 / (2 * (n - 1))
    b = z**2 - zg**2 / n
    assert given.near(a, "natrella_a")
    assert given.near(b, "natrella_b")
    assert given.near((z + math.sqrt(z * z - a * b)) / a, "k1_natrella")
    assert given.near(z * math.sqrt(n), "noncentrality")


def test_every_quantile_table_comes_out():
    # Source: NIST/SEMATECH e-Handbook, 1.3.6.7.2 critical values of Student t; from memory,
    # recomputed.
    t = case("student-t-table")
    for p in t.inputs["p"]:
        assert t.near([quantiles.student_t(float(p), df) for df in t.inputs["df"]], p)
    # Source: NIST/SEMATECH e-Handbook, 1.3.6.7.4 critical values of chi-square; from memory,
    # recomputed.
    chi = case("chi-square-table")
    for p in chi.inputs["p"]:
        assert chi.near([quantiles.chi_square(float(p), df) for df in chi.inputs["df"]], p)
    # Source: Standard normal quantiles (NIST e-Handbook 1.3.6.7.1); from memory, recomputed.
    z = case("normal-table")
    assert z.near([quantiles.normal(p) for p in z.inputs["p"]], "z")
    # Source: NIST/SEMATECH e-Handbook, 1.3.6.7.3 upper critical values of F, 5 %; from memory,
    # recomputed.
    f = case("f-table")
    assert f.near([quantiles.f(0.95, a, b) for a, b in f.inputs["df1_df2"]], "F")


def test_no_case_of_these_topics_is_left_out():
    ours = {
        "summary-statistics": {*DIGITS, "gum-4.4.3-temperature"},
        "confidence-intervals": {
            "ehb-1.3.5.2-zarr13",
            "mercury-n3-ci",
            "ehb-7.2.3.1-sd-ci-wafers",
        },
        "tolerance-intervals": {
            "k2-two-sided-exact",
            "ehb-7.2.6.3-wafers",
        },
        "quantiles": {"student-t-table", "chi-square-table", "normal-table", "f-table"},
    }
    for topic, tested in ours.items():
        assert {c.id for c in cases(topic)} == tested


def test_trials_of_two_saws_keep_the_trades_ranges():
    # Thousandths of an inch; common practice, no source.
    one, two = spread.summary([6, 10, 5, 11]), spread.summary([16, 17, 15, 14])
    assert (one.range, two.range) == (6, 3)
    assert two.mean > one.mean
    assert two.sd < one.sd


def test_none_and_one_and_equal_values_claim_nothing():
    assert spread.summary([]) == spread.Summary(0, None, None, None, None, None)
    assert spread.summary([math.nan, math.inf]).n == 0
    assert spread.summary([2.0]) == spread.Summary(1, 2.0, None, 2.0, 2.0, None)
    same = spread.summary([0.1, 0.1, 0.1, math.nan])
    assert (same.n, same.sd, same.range, same.mean) == (3, 0.0, 0.0, 0.1)
    assert spread.serial_correlation([1.0, 1.0, 1.0]) is None
    assert spread.serial_correlation([1.0, 2.0]) is None


def test_one_trial_is_refused_where_two_are_needed():
    with pytest.raises(ValueError, match="2 or more"):
        spread.tolerance_factor(1)
    with pytest.raises(ValueError, match="2 or more"):
        spread.own_scatter(1.0, 1, 0.5)


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40), st.floats(-1e9, 1e9))
def test_a_standard_deviation_is_never_negative_and_moves_with_nothing(values, shift):
    found = spread.summary(values)
    assert found.sd >= 0
    moved = spread.summary(np.asarray(values) + shift)
    # Adding the shift rounds each value by up to half a unit in its last place.
    assert abs(moved.sd - found.sd) <= 1e-9 * found.sd + 3e-7


def within(found: float, expected: float, n: int) -> bool:
    """Four standard deviations of a binomial share."""
    return abs(found - expected) < 4 * math.sqrt(expected * (1 - expected) / n)


@pytest.mark.parametrize("n", [2, 3, 5, 20])
def test_intervals_hold_as_often_as_they_say(rng, n):
    runs = 20_000
    x = rng.normal(0, 1, (runs, n))
    mean, sd = x.mean(axis=1), x.std(axis=1, ddof=1)
    new = rng.normal(0, 1, runs)
    half = spread.mean_interval(0, 1, n).half_width
    assert within(float(np.mean(np.abs(mean) <= half * sd)), 0.95, runs)
    of_sd = spread.sd_interval(1, n)
    assert within(float(np.mean((of_sd.low * sd <= 1) & (of_sd.high * sd >= 1))), 0.95, runs)
    half = spread.prediction_interval(0, 1, n).half_width
    assert within(float(np.mean(np.abs(new - mean) <= half * sd)), 0.95, runs)
    three = rng.normal(0, 1, (runs, 3)).mean(axis=1)
    half = spread.prediction_interval(0, 1, n, cuts=3).half_width
    assert within(float(np.mean(np.abs(three - mean) <= half * sd)), 0.95, runs)
    half = spread.tolerance_interval(0, 1, n).half_width
    from scipy import special

    held = special.ndtr(mean + half * sd) - special.ndtr(mean - half * sd)
    assert within(float(np.mean(held >= 0.95)), 0.95, runs)


@pytest.mark.parametrize(("own", "hand"), [(1.0, 0.0), (1.0, 0.5), (0.5, 1.0), (1.0, 1.0)])
@pytest.mark.parametrize("df", [None, 12])
def test_the_saws_own_scatter_is_bracketed_as_often_as_it_says(rng, own, hand, df):
    runs, n = 1500, 8
    sd = np.hypot(own, hand) * np.sqrt(rng.chisquare(n - 1, runs) / (n - 1))
    study = np.full(runs, hand) if df is None else hand * np.sqrt(rng.chisquare(df, runs) / df)
    held = 0
    for s, h in zip(sd, study, strict=True):
        found = spread.own_scatter(float(s), n, float(h), df)
        assert found.sd >= 0
        assert found.interval.low >= 0
        held += own in found.interval
    # The large-sample interval is at worst a little conservative.
    assert held / runs > 0.95 - 4 * math.sqrt(0.95 * 0.05 / runs)


def test_scatter_that_the_caliper_explains_is_said_to_be_hidden():
    hidden = spread.own_scatter(0.9, 6, 1.0)
    assert hidden.sd == 0
    assert hidden.hidden
    assert hidden.interval.low == 0
    shown = spread.own_scatter(5.0, 10, 1.0)
    assert not shown.hidden
    assert shown.sd == pytest.approx(math.sqrt(24))


def test_independent_trials_seldom_seem_to_resemble_each_other_however_often_one_looks() -> None:
    rng = np.random.default_rng(31)
    seen = np.zeros(4000, bool)
    x = rng.standard_normal((seen.size, 20))
    for n in range(10, 21):
        found = [spread.serial_correlation(each[:n]) or 0.0 for each in x[~seen]]
        seen[~seen] = np.array(found) > spread.serial_correlation_limit(n, FALSE_FINDING)
    # Against 2 / sqrt(n), 1.4 %: with drift and doubts, of two quantities, more than 5 % together.
    assert seen.mean() < 0.005
