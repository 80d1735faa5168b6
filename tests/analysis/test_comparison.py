from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy import stats

from analysis import quantiles
from analysis.comparison import compare
from analysis.comparison_of_many import compare_many
from analysis.difference import Difference, difference_from_parts, difference_of_means
from analysis.spread import Summary, summary
from analysis.spread_ratio import spread_ratio, spread_ratio_from_sds
from analysis.variance import anova, brown_forsythe
from tests.analysis.chance import within_chance
from tests.analysis.published import case

# Thou from nominal; common practice, no source.
FIRST_SAW = [0.006, 0.010, 0.005, 0.011]
SECOND_SAW = [0.016, 0.017, 0.015, 0.014]


def test_the_second_saw_is_further_out_and_steadier() -> None:
    c = compare(FIRST_SAW, SECOND_SAW, names=("the first saw", "the second saw"), unit="in")
    assert (c.further_out, c.further_out_shown) == ("second", True)
    assert c.less_steady == "first"
    assert (c.first.range, c.second.range) == (pytest.approx(0.006), pytest.approx(0.003))
    # Four cuts each do not prove a ratio of two in spread; the sentence must say so.
    assert not c.less_steady_shown
    assert c.sentence == (
        "The second saw is further out: 15.5 thou against 8.0 thou (the means differ by 7.5 ± 5.1 "
        "thou). It looks steadier than the first saw (range 3 thou against 6 thou), but these "
        "strips do not prove it."
    )


def test_the_order_of_the_two_does_not_change_what_is_said_of_them() -> None:
    there, back = compare(FIRST_SAW, SECOND_SAW), compare(SECOND_SAW, FIRST_SAW)
    assert (back.further_out, back.less_steady) == ("first", "second")
    assert there.difference is not None
    assert back.difference is not None
    assert there.difference.estimate == -back.difference.estimate
    assert there.difference.p == back.difference.p


@pytest.mark.parametrize(("a", "b", "t", "p"), [("a", "b", "t", "p"), ("a2", "b2", "t2", "p2")])
def test_welch_agrees_with_published_small_samples(a: str, b: str, t: str, p: str) -> None:
    # Source: R t.test (unequal variances), two tiny samples; R Foundation; read in a public copy.
    data = case("r-welch-small").inputs
    # Published as first minus second; ours is second minus first.
    first, second = summary(data[b]), summary(data[a])
    parts = [((s.sd or 0.0) ** 2 / s.n, s.n - 1.0) for s in (first, second)]
    d = difference_from_parts((second.mean or 0.0) - (first.mean or 0.0), parts)
    assert case("r-welch-small").near(d.t, t)
    assert case("r-welch-small").near(d.p, p)
    # Of so few trials Welch's interval and p claim too much; what is said of them claims less.
    said = difference_of_means(first, second)
    assert said is not None
    assert (said.t, said.df) == (d.t, d.df)
    assert said.p is not None
    assert d.p is not None
    assert said.p > d.p


@pytest.mark.parametrize(("trials", "scatter"), [((2, 20), 1.0), ((2, 5), 3.0), ((3, 20), 1.0)])
def test_two_or_three_trials_claim_no_more_than_they_show(
    trials: tuple[int, int], scatter: float
) -> None:
    # Welch's interval alone holds in 88, 90 and 92 of 100, at 95 %.
    rng = np.random.default_rng(12)
    runs, outside, back = 1500, 0, 0
    for _ in range(runs):
        a, b = rng.normal(0, scatter, trials[0]), rng.normal(1, 1, trials[1])
        d = difference_of_means(summary(a), summary(b))
        assert d is not None
        assert d.interval is not None
        outside += 1 not in d.interval
        back += (d.within(1.0) or 0.0) < 0.05
    limit = 0.05 + 3 * math.sqrt(0.05 * 0.95 / runs)
    assert outside / runs < limit
    assert back / runs < limit


def test_interval_and_probability_agree_where_trials_are_few() -> None:
    a, b = summary([0.0, 1.0, 0.4]), summary([2.0, 2.3, 1.9, 2.1, 2.2, 2.4])
    for level in (0.5, 0.9, 0.95, 0.99, 0.9999):
        d = difference_of_means(a, b, apart_u=0.2, level=level)
        assert d is not None
        assert d.p is not None
        assert d.interval is not None
        # A difference just at the end of its interval has p = 1 - level, and each side half.
        half = d.interval.half_width
        assert d.within(abs(d.estimate) + half) == pytest.approx((1 - level) / 2, rel=1e-9)
        assert (d.p < 1 - level) == (0 not in d.interval)


def test_welch_and_paired_agree_with_the_sleep_data() -> None:
    # Source: Student, The probable error of a mean, Biometrika 6, 1908 (sleep data); results as
    # printed by R's t.test documentation example; from memory, recomputed.
    data = case("student-sleep-welch").inputs
    d = difference_of_means(summary(data["group2"]), summary(data["group1"]))
    p = paired_difference(data["group2"], data["group1"])
    assert d is not None
    for name, found in (("student-sleep-welch", d), ("student-sleep-paired", p)):
        assert found.interval is not None
        assert case(name).near(found.t, "t")
        assert case(name).near(found.df, "df")
        assert case(name).near(found.p, "p")
        assert case(name).near([found.interval.low, found.interval.high], "ci95")


def test_welch_and_pooled_agree_with_the_handbook_cars() -> None:
    # Source: NIST/SEMATECH e-Handbook, 1.3.5.3 two-sample t-test for equal means, AUTO83B.DAT;
    # read in a public copy.
    v = case("ehb-1.3.5.3-auto83b").inputs
    first = Summary(v["n2"], v["mean2"], v["sd2"], None, None, None)
    second = Summary(v["n1"], v["mean1"], v["sd1"], None, None, None)
    welch = difference_of_means(first, second)
    pooled = difference_of_means(first, second, kind="pooled")
    assert welch is not None
    assert pooled is not None
    assert case("ehb-1.3.5.3-auto83b").near(welch.t, "welch_t")
    assert case("ehb-1.3.5.3-auto83b").near(welch.df, "welch_df")
    assert case("ehb-1.3.5.3-auto83b").near(welch.p, "welch_p")
    assert case("ehb-1.3.5.3-auto83b").near(pooled.t, "pooled_t")
    assert case("ehb-1.3.5.3-auto83b").near(pooled.df, "pooled_df")
    assert pooled.standard_error is not None
    scale = math.sqrt(1 / v["n1"] + 1 / v["n2"])
    assert case("ehb-1.3.5.3-auto83b").near(pooled.standard_error / scale, "pooled_sd")
    assert case("ehb-1.3.5.3-auto83b").near(quantiles.student_t(0.975, 326), "t_crit_0.975_326")


def paired_difference(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> Difference:
    """Mean of second minus first, value by value, with Student's t."""
    s = summary(np.asarray(second, float) - np.asarray(first, float))
    assert s.mean is not None
    assert s.sd is not None
    return difference_from_parts(s.mean, [(s.sd**2 / s.n, s.n - 1.0)], level)


# Source: results of the R package equivalence on the clinic data; read in a public copy.
@pytest.mark.parametrize(
    "name", ["tost-welch-not-equivalent", "tost-pooled-equivalent", "tost-paired-equivalent"]
)
def test_two_one_sided_tests_agree_with_published_values(name: str) -> None:
    v = case(name).inputs
    if v["kind"] == "paired":
        d = paired_difference(v["b"], v["a"], level=0.90)
    else:
        found = difference_of_means(summary(v["b"]), summary(v["a"]), kind=v["kind"], level=0.90)
        assert found is not None
        d = found
    assert d.interval is not None
    p = d.within(v["epsilon"])
    assert p is not None
    assert case(name).near(d.estimate, "mean_diff")
    assert case(name).near(d.standard_error, "se_diff")
    assert case(name).near(d.df, "df")
    assert case(name).near([d.interval.low, d.interval.high], "ci90")
    assert case(name).near(p, "p")
    assert case(name).near(p < 0.05, "equivalent_at_0.05")


def test_a_margin_that_is_not_positive_is_refused() -> None:
    with pytest.raises(ValueError, match="margin"):
        paired_difference([1, 2], [2, 4]).within(0)


# Source: NIST StRD, Analysis of Variance, datasets SiRstv, SmLs01 and SmLs04, certified values;
# read in a public copy.
@pytest.mark.parametrize("name", ["strd-anova-sirstv", "strd-anova-smls01", "strd-anova-smls04"])
def test_analysis_of_variance_reaches_the_certified_digits(name: str) -> None:
    table = anova(case(name).inputs["groups"])
    assert table is not None
    for key, value in {
        "df_between": table.df_between,
        "ss_between": table.ss_between,
        "ms_between": table.ms_between,
        "F": table.f,
        "df_within": table.df_within,
        "ss_within": table.ss_within,
        "ms_within": table.ms_within,
        "r_squared": table.r_squared,
        "residual_sd": table.residual_sd,
    }.items():
        assert case(name).near(value, key)


def test_analysis_of_variance_agrees_with_the_handbook() -> None:
    # Source: NIST/SEMATECH e-Handbook, 7.4.3 one-way ANOVA table example (three levels, five
    # readings); from memory, recomputed.
    groups = case("ehb-7.4.3-anova").inputs["groups"]
    table = anova(groups)
    assert table is not None
    assert case("ehb-7.4.3-anova").near(table.ss_between, "ss_between")
    assert case("ehb-7.4.3-anova").near(table.ms_between, "ms_between")
    assert case("ehb-7.4.3-anova").near(table.ss_within, "ss_within")
    assert case("ehb-7.4.3-anova").near(table.ms_within, "ms_within")
    assert case("ehb-7.4.3-anova").near(table.f, "F")
    assert table.p == pytest.approx(stats.f_oneway(*groups).pvalue, rel=1e-10)


def test_the_ratio_of_spreads_agrees_with_the_handbook_ceramics() -> None:
    # Source: NIST/SEMATECH e-Handbook, 1.3.5.9 F-test for equality of two variances, ceramic
    # strength (JAHANMI2.DAT); read in a public copy.
    v = case("ehb-1.3.5.9-ceramic").inputs
    found = spread_ratio_from_sds(v["sd2"], v["n2"], v["sd1"], v["n1"])
    assert found.ratio is not None
    assert found.interval is not None
    assert found.p is not None
    f = found.ratio**2
    assert case("ehb-1.3.5.9-ceramic").near(f, "F")
    assert case("ehb-1.3.5.9-ceramic").near(1 - found.p / 2, "cdf")
    assert case("ehb-1.3.5.9-ceramic").near(f / found.interval.low**2, "upper_0.025")
    assert case("ehb-1.3.5.9-ceramic").near(f / found.interval.high**2, "lower_0.025")
    df = v["n1"] - 1
    assert case("ehb-1.3.5.9-ceramic").near(quantiles.f(0.95, df, df), "upper_0.05")
    assert case("ehb-1.3.5.9-ceramic").near(quantiles.f(0.05, df, df), "lower_0.05")


def test_tests_of_equal_spread_agree_with_the_handbook_gears() -> None:
    # Source: NIST/SEMATECH e-Handbook, 1.3.5.10 Levene test about medians (Brown-Forsythe),
    # GEAR.DAT; read in a public copy.
    groups = case("ehb-1.3.5.10-gear-brown-forsythe").inputs["groups"]
    for name, found, keys in (
        ("ehb-1.3.5.10-gear-brown-forsythe", brown_forsythe(groups), ("W", "p")),
        ("r-gear-levene-mean", brown_forsythe(groups, "mean"), ("W", "p")),
    ):
        assert case(name).near(found[0], keys[0])
        assert case(name).near(found[1], keys[1])


def test_the_interval_of_a_difference_holds_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    runs, held = 3000, 0
    for a, b in zip(rng.normal(0, 1, (runs, 4)), rng.normal(2, 3, (runs, 6)), strict=True):
        d = difference_of_means(summary(a), summary(b))
        assert d is not None
        assert d.interval is not None
        held += 2 in d.interval
    # Welch's interval is approximate: within two percent of its level here.
    assert abs(held / runs - 0.95) < 0.02


def test_the_interval_of_a_spread_ratio_holds_as_often_as_it_says() -> None:
    rng = np.random.default_rng(2)
    runs, held = 3000, 0
    for a, b in zip(rng.normal(0, 1, (runs, 5)), rng.normal(0, 2, (runs, 7)), strict=True):
        found = spread_ratio(a, b)
        assert found is not None
        assert found.interval is not None
        assert found.rule == "F"
        held += 2 in found.interval
    assert within_chance(held, runs, 0.95)


def test_heavy_tails_do_not_fake_a_difference_of_spreads() -> None:
    rng = np.random.default_rng(3)
    runs = 2000
    wrong, wrong_f, switched = 0, 0, 0
    draws = rng.laplace(size=(runs, 2, 40))
    for a, b in draws:
        found = spread_ratio(a, b)
        assert found is not None
        assert found.interval is not None
        wrong += 1 not in found.interval
        switched += found.rule == "Brown-Forsythe"
        by_f = spread_ratio_from_sds(a.std(ddof=1), 40, b.std(ddof=1), 40).interval
        assert by_f is not None
        wrong_f += 1 not in by_f
    assert switched / runs > 0.7
    assert wrong / runs < 0.10
    assert wrong_f / runs > 0.12


def test_with_heavy_tails_the_ratio_is_that_of_mean_absolute_deviations() -> None:
    rng = np.random.default_rng(8)
    a, b = rng.standard_t(1.5, 12), 2 * rng.standard_t(1.5, 30)
    found = spread_ratio(a, b)
    assert found is not None
    assert found.rule == "Brown-Forsythe"
    tau_a, tau_b = (np.abs(x - np.median(x)).sum() / (x.size - 1) for x in (a, b))
    assert found.ratio == pytest.approx(tau_b / tau_a, rel=1e-12)
    assert found.p == pytest.approx(stats.levene(a, b, center="median").pvalue, rel=1e-9)


def test_normal_scatter_is_rarely_taken_for_heavy_tails() -> None:
    rng = np.random.default_rng(4)
    runs = 2000
    switched = 0
    for a, b in rng.normal(size=(runs, 2, 20)):
        found = spread_ratio(a, b)
        assert found is not None
        switched += found.rule == "Brown-Forsythe"
    assert 0.02 < switched / runs < 0.08


@pytest.mark.parametrize("other", [1, -1])
def test_equally_far_out_is_seldom_called_further_out(other: int) -> None:
    rng = np.random.default_rng(5)
    runs, claimed = 2000, 0
    for a, b in zip(rng.normal(1, 0.3, (runs, 5)), rng.normal(other, 0.3, (runs, 5)), strict=True):
        c = compare(a, b)
        assert c.difference is not None
        claimed += c.further_out_shown
    assert within_chance(claimed, runs, 0.05)


def test_a_systematic_error_that_both_share_counts_only_across_nominal() -> None:
    a, b = [0.9, 1.0, 1.1, 1.0], [-1.5, -1.4, -1.6, -1.5]
    same_side = [1.5, 1.4, 1.6, 1.5]
    assert compare(a, b).further_out_shown
    assert not compare(a, b, shared_u=0.5).further_out_shown
    assert compare(a, same_side, shared_u=0.5).further_out_shown


def test_a_systematic_error_of_its_own_widens_the_difference() -> None:
    plain = compare(FIRST_SAW, SECOND_SAW).difference
    wide = compare(FIRST_SAW, SECOND_SAW, apart_u=0.005).difference
    assert plain is not None
    assert wide is not None
    assert plain.standard_error is not None
    assert wide.standard_error == pytest.approx(math.hypot(plain.standard_error, 0.005))


def test_alike_readings_are_not_taken_for_certainty() -> None:
    c = compare([1, 1, 1], [2, 2, 2], unit="mm")
    assert c.difference is not None
    assert c.difference.interval is None
    assert not c.further_out_shown
    assert "no scatter" in c.sentence
    # With the caliper's step known, the interval is as wide as that step allows.
    stepped = compare([1, 1, 1], [2, 2, 2], unit="mm", floor_sd=0.1)
    assert stepped.difference is not None
    assert stepped.difference.standard_error == pytest.approx(0.1 * math.sqrt(2))


@pytest.mark.parametrize(
    ("a", "b", "says"),
    [
        ([], [], "no strips yet"),
        ([], [1], "no strips yet"),
        ([1], [2], "1 strip"),
        ([1], [2, 3], "1 strip"),
        ([math.nan], [1, 2], "no strips yet"),
        ([0.1, 0.1, 0.1], [0.1, 0.1, 0.1], "no scatter"),
        ([1, 1, 1], [1, 2, 3], "steady"),
    ],
)
def test_too_little_to_compare_is_said_in_words(a: list[float], b: list[float], says: str) -> None:
    c = compare(a, b, unit="mm")
    assert says in c.sentence
    assert "nan" not in repr(c)
    assert not c.less_steady_shown


def test_parts_without_a_nominal_are_longer_or_shorter_not_further_out() -> None:
    c = compare([100.0, 100.1, 100.05], [101.0, 101.1, 101.0], unit="mm", nominal=None)
    assert c.further_out is None
    assert "more than" in c.sentence


def test_of_many_series_each_pair_pays_for_the_others() -> None:
    series = [
        [1.0, 2.0, 3.0, 1.5, 2.5],
        [1.1, 2.2, 3.1, 1.6, 2.5],
        [9.0, 10.0, 11.0, 9.5, 10.5],
    ]
    m = compare_many(series, names=["saw A", "saw B", "saw C"], unit="mm")
    assert [(p.first, p.second) for p in m.pairs if p.differs] == [(0, 2), (1, 2)]
    for pair in m.pairs:
        test = stats.ttest_ind(series[pair.second], series[pair.first], equal_var=False)
        assert pair.p_adjusted == pytest.approx(min(1, 3 * test.pvalue), rel=1e-9)
        interval = test.confidence_interval(1 - 0.05 / 3)
        assert pair.difference.interval is not None
        assert pair.difference.interval.low == pytest.approx(interval.low, rel=1e-9)
    assert m.sentence == "Saw C is above saw A by 8.00 mm; saw C is above saw B by 7.90 mm."
    assert "Bonferroni" in m.rule
    assert m.brown_forsythe_p is not None


def test_alike_machines_are_seldom_called_different() -> None:
    rng = np.random.default_rng(6)
    runs, claimed = 1000, 0
    for series in rng.normal(size=(runs, 4, 5)):
        m = compare_many(list(series), names=list("abcd"))
        claimed += any(p.differs for p in m.pairs)
    assert claimed / runs < 0.05 + 4 * math.sqrt(0.05 * 0.95 / runs)


@pytest.mark.parametrize("series", [[], [[1, 2]], [[1], [2], []], [[1, 1], [1, 1], [1, 1]]])
def test_many_with_too_little_answers_in_words(series: list[list[float]]) -> None:
    m = compare_many(series, names=[f"saw {i}" for i in range(len(series))])
    assert m.sentence
    assert "nan" not in repr(m)


def test_names_must_match_the_series() -> None:
    with pytest.raises(ValueError, match="one name for each"):
        compare_many([[1, 2]], names=[])


def test_few_trials_warn_that_one_odd_trial_may_make_a_machine_less_steady():
    rng = np.random.default_rng(11)
    steady = rng.normal(0, 0.01, 8)
    odd = np.append(rng.normal(0, 0.01, 7), 0.5)
    found = compare(steady, odd)
    assert found.less_steady_shown
    assert "one odd strip" in found.sentence
    many = compare(rng.normal(0, 0.01, 30), rng.normal(0, 0.2, 30))
    assert many.less_steady_shown
    assert "one odd strip" not in many.sentence


def test_no_saw_is_called_less_steady_by_odd_cuts_without_that_warning() -> None:
    """Equal saws, every tenth cut four times as wide: Fisher's F tells them apart too often."""
    rng = np.random.default_rng(18)
    runs = 300
    shown = unwarned = 0
    for _ in range(runs):
        cuts = rng.normal(0, np.where(rng.random((2, 12)) < 0.1, 4.0, 1.0))
        found = compare(*cuts)
        shown += found.less_steady_shown
        unwarned += found.less_steady_shown and "one odd strip" not in found.sentence
    assert shown > 0.08 * runs
    assert unwarned <= 0.05 * runs
