"""The scatter of a stop from visit to visit is told apart from that of the strips of one visit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.adjustment import adjusted
from analysis.comparison import compare
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.methods import METHODS
from analysis.returning import came_back
from analysis.score import QuantityScore, score
from analysis.visits import units, visits
from tests.analysis.published import case


def test_between_and_within_are_those_of_a_published_analysis_of_variance():
    """JCGM 100, H.5, by its daily means and standard deviations, five readings a day."""
    published = case("gum-h5-anova")
    given = published.inputs
    shape = np.array([-2.0, -1, 0, 1, 2]) / math.sqrt(2.5)
    days = zip(given["daily_means"], given["daily_sds"], strict=True)
    values = np.concatenate([(mean - 10) + sd * shape for mean, sd in days])
    found = visits(values, np.repeat(np.arange(10), 5).tolist(), "mm")
    assert published.near(found.between, "s_B")
    assert published.near(found.within, "s_b")
    assert found.told  # F is 2.26, and 2.12 is exceeded in 5 %
    assert found.returns == pytest.approx(math.hypot(found.between, found.within))
    # Chi squared with 40 degrees of freedom, from a table: 24.433 and 59.342.
    low, high = found.within * math.sqrt(40 / 59.342), found.within * math.sqrt(40 / 24.433)
    interval = found.within_interval
    assert (interval.low, interval.high) == pytest.approx((low, high), rel=1e-4)


@pytest.mark.parametrize("strips", [(2, 2), (4, 1, 1), (8, 1, 2, 3, 1), (2,) * 12])
@pytest.mark.parametrize("between", [0.3, 3.0])
def test_intervals_hold_the_truth_at_their_rate_from_two_to_twelve_visits(strips, between):
    rng = np.random.default_rng(len(strips) * 100 + round(between * 10))
    of = np.repeat(np.arange(len(strips)), strips)
    runs = 400
    held = within = 0
    for _ in range(runs):
        values = rng.normal(0, between, len(strips))[of] + rng.normal(0, 1, of.size)
        found = visits(values, of.tolist(), "mm")
        held += between in found.between_interval
        within += 1.0 in found.within_interval
    # Three standard deviations of so many runs below 95 %.
    assert min(held, within) > runs * (0.95 - 3 * math.sqrt(0.05 * 0.95 / runs))


def test_one_strip_a_visit_does_not_tell_the_stop_from_the_cutting():
    found = visits([0.1, 0.3, 0.2], [1, 2, 4], "mm")
    assert (found.within, found.between, found.told) == (None, None, None)
    assert found.returns == pytest.approx(0.1)
    assert "2 strips or more at each visit" in found.sentence
    assert visits([0.1, 0.3], [2, 2], "mm") is None


def test_the_sentence_says_only_what_is_told():
    steady = visits([1.00, 1.01, 1.01, 1.00, 1.005, 1.004], [1, 1, 2, 2, 3, 3], "mm")
    assert not steady.told
    assert "no scatter beyond that of the strips" in steady.sentence
    jumping = visits([1.00, 1.01, 2.01, 2.00, 1.505, 1.504], [1, 1, 2, 2, 3, 3], "mm")
    assert jumping.told
    assert "scatters from visit to visit by 0.5 mm" in jumping.sentence
    equal = visits([1.0, 1.0, 1.0, 1.0], [1, 1, 2, 2], "mm")
    assert (equal.between, equal.told) == (0, False)


def length(parts: list[float], visit: list[int] | None, **more) -> QuantityScore:
    """Of parts cut to a stop, by a caliper and a hand that add nothing."""
    facts = SeriesFacts(
        METHODS["stop-block"], np.array(parts)[:, np.newaxis], resolution_mm=1e-6,
        repeatability_mm=0.0, zero_u_mm=0.0, scale_u=0.0, visit=visit, **more,
    )  # fmt: skip
    return score(facts).quantities["length"]


def test_the_result_of_several_visits_counts_them_and_not_their_strips():
    """Visits of 101, 102 and 104.5 mm: 102.5, and 4.303 times 1.803 / sqrt(3)."""
    parts, visit = [101.0, 101.0, 102.1, 101.9, 102.0, 104.5], [1, 1, 2, 2, 2, 3]
    found = length(parts, visit, tolerance=Tolerance.length(100, 110))
    assert found.mean == pytest.approx(102.5)
    assert found.expanded_uncertainty == pytest.approx(4.3027 * 1.80278 / math.sqrt(3), rel=1e-3)
    assert found.coverage_factor == pytest.approx(4.3027, rel=1e-4)
    assert next(c.source for c in found.budget.contributions) == "scatter over 3 visits"
    assert found.verdict == "cannot tell yet"
    said = found.remedy.sentence
    assert "more visits should tell: go away and back to the stop before each." in said
    # Of one visit, wherever it stands in the numbers, nothing changes.
    alone = length(parts, None)
    assert length(parts, [4] * 6) == alone
    assert alone.expanded_uncertainty < found.expanded_uncertainty
    # Visits that agree by chance are never surer than their strips.
    agree = length([101.0, 102.0, 101.0, 102.001], [1, 1, 2, 2])
    by_strips = length([101.0, 102.0, 101.0, 102.001], None)
    assert agree.expanded_uncertainty == pytest.approx(by_strips.expanded_uncertainty)


@pytest.mark.parametrize("strips", [(4, 1, 1), (2,) * 4])
def test_a_mean_of_visits_and_its_verdict_hold_at_their_rates_though_one_looks_after_each(strips):
    """Where the stop scatters as much as single strips; the true length is just outside."""
    rng = np.random.default_rng(sum(strips) * 10 + len(strips))
    visit = np.repeat(np.arange(len(strips)), strips)
    runs = 100
    held = following = wrong = 0
    for _ in range(runs):
        at = rng.normal(0, 1, len(strips) + 1)
        parts = 100 + at[visit] + rng.normal(0, 1, visit.size)
        found = length(parts.tolist(), visit.tolist())
        held += 100 in found.mean_interval
        following += 100 + at[-1] + rng.normal() in found.prediction
        wrong += any(
            length(
                parts[:n].tolist(), visit[:n].tolist(), tolerance=Tolerance.length(90, 99.9)
            ).verdict
            == "good enough"
            for n in range(visit.size - 2, visit.size + 1)
        )
    # Three standard deviations of so many runs from 95 % and 5 %.
    assert min(held, following) > runs * (0.95 - 3 * math.sqrt(0.05 * 0.95 / runs))
    assert wrong < runs * (0.05 + 3 * math.sqrt(0.05 * 0.95 / runs))


@pytest.mark.parametrize(
    ("visits_of", "strips"), [((3, 3), (1, 2)), ((2, 6), (4, 1)), ((4, 1), (4, 1))]
)
def test_series_of_visits_that_only_return_otherwise_are_not_told_apart(visits_of, strips):
    """Strips counted one by one would tell most of them apart: each visit has its own error."""
    rng = np.random.default_rng(31)
    runs, wrong = 150, 0
    for _ in range(runs):
        of = [np.repeat(np.arange(k), n) for k, n in zip(visits_of, strips, strict=True)]
        values = [
            10 + rng.normal(0, 1, k)[v] + rng.normal(0, 0.3, v.size)
            for k, v in zip(visits_of, of, strict=True)
        ]
        found = units(values, of)
        assert [x.size for x in found.values] == list(visits_of)
        back = came_back(*found.values, apart_u=found.uneven_u, counted=found.counted)
        beside = compare(*found.values, counted=found.counted)
        helped = adjusted(*found.values, counted=found.counted)
        assert "repeats better" in beside.sentence or min(visits_of) == 1
        wrong += (
            back.answer == "did not" or beside.further_out_shown or helped.answer != "cannot tell"
        )
    # Three standard deviations of so many runs above 5 %.
    assert wrong < runs * (0.05 + 3 * math.sqrt(0.05 * 0.95 / runs))


def test_trials_of_one_visit_each_are_their_own_units():
    values = [np.array([1.0, 2.0, 4.0]), np.array([3.0])]
    found = units(values, [np.ones(3, np.int64), np.full(1, 2)])
    assert found.counted == "trial"
    assert all(a is b for a, b in zip(found.values, values, strict=True))


def test_fewer_strips_in_the_one_visit_widen_where_it_is_expected():
    """One strip scatters by 1, the mean of four by half: what is more is 3 / 4 of the variance."""
    visit = np.repeat([1, 2, 3], 4)
    shape = np.tile([-1.0, 1.0, -1.0, 1.0], 3) * math.sqrt(3 / 4)
    found = units([shape, np.array([0.0])], [visit, np.ones(1, np.int64)])
    # Student's t with 9 degrees of freedom, from a table.
    assert found.uneven_u == pytest.approx(2.2622 / 1.95996 * math.sqrt(3 / 4), rel=1e-4)
