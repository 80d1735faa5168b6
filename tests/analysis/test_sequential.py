"""Confidence sequences: their formula by a second route, and what they hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, stats

from analysis import sequential
from analysis.sequential import EarlierScatter, earlier_scatter, half_width, with_earlier


@pytest.mark.parametrize(("n", "df"), [(3, 2), (4, 3), (12, 11), (1, 6), (5, 10)])
def test_the_half_width_is_where_a_mixture_of_noncentral_t_reaches_twenty(n, df):
    """An independent computation: Student's t under effects drawn from N(0, 1 / 0.1), by numerical
    integration, against Student's t without an effect."""
    t = float(half_width(n, 1.0, df)) * math.sqrt(n)

    def weighed(effect):
        density = stats.norm.pdf(effect, scale=math.sqrt(10))
        return stats.nct.pdf(t, df, effect * math.sqrt(n)) * density

    mixture, _ = integrate.quad(weighed, -25, 25, points=[0, t / math.sqrt(n)], limit=200)
    assert mixture / stats.t.pdf(t, df) == pytest.approx(20, rel=1e-3)


def test_a_known_variance_has_the_boundary_of_robbins():
    """|S_n| = sqrt((n + r) ln((n + r) / (r alpha^2))), r = 0.1 (from memory)."""
    n = np.array([1, 2, 7, 50])
    boundary = np.sqrt((n + 0.1) * np.log((n + 0.1) / (0.1 * 0.05**2)))
    assert_allclose(half_width(n, 2.0, math.inf), 2.0 * boundary / n, rtol=1e-12)
    assert_allclose(half_width(n, 2.0, 1e9), 2.0 * boundary / n, rtol=1e-6)


def test_too_few_trials_have_no_limits():
    assert np.isinf(half_width([1, 2], [math.nan, 0.0], [0, 1])).all()
    assert sequential.own(1, None) == sequential.own(2, 0.1) == math.inf
    assert sequential.own(3, 0.0) == 0.0


def looked_at(rng, runs, most, effect=0.0, earlier=None):
    """(runs,) whether the sequence ever lay above the true mean, and at which n it first told a
    value `effect` standard deviations away; most + 1 for never."""
    x = rng.standard_normal((runs, most))
    n = np.arange(1, most + 1)
    mean = np.cumsum(x, axis=1) / n
    squares = np.maximum(np.cumsum(x * x, axis=1) - n * mean**2, 0)
    sd = np.sqrt(squares / np.maximum(n - 1, 1))
    half = half_width(n, sd, n - 1)
    if earlier is not None:
        by_them = [
            [float(with_earlier(k, s if k > 1 else None, e)) for k, s in zip(n, row, strict=True)]
            for row, e in zip(sd, earlier, strict=True)
        ]
        half = np.minimum(half, by_them)
    told = effect - mean >= half
    first = np.where(told.any(axis=1), told.argmax(axis=1) + 1, most + 1)
    return (mean - half > 0).any(axis=1), first


def test_a_person_who_looks_after_every_trial_is_misled_as_rarely_as_said():
    rng = np.random.default_rng(12)
    misled, _ = looked_at(rng, 20_000, 40)
    assert 0.005 < misled.mean() < 0.025


@pytest.mark.parametrize(("effect", "within"), [(3.0, 4), (2.0, 6)])
def test_a_clear_result_is_told_soon(effect, within):
    rng = np.random.default_rng(13)
    _, first = looked_at(rng, 20_000, 12, effect)
    assert np.median(first) <= within


def test_earlier_series_tell_sooner_and_mislead_no_more():
    """Also where the true scatter differs from series to series by 1.5 (one standard deviation)."""
    rng = np.random.default_rng(14)
    runs, most = 2000, 6
    own = np.exp(0.4 * rng.standard_normal((runs, 3)))
    sds = own * np.sqrt(rng.chisquare(4, (runs, 3)) / 4)
    now = np.exp(0.4 * rng.standard_normal((runs, 1)))
    earlier = [earlier_scatter([(5, s) for s in row], "then") for row in sds / now]
    misled, first = looked_at(rng, runs, most, 3.0, earlier)
    assert misled.mean() < 0.025 + 3 * math.sqrt(0.025 / runs)
    assert np.median(first) <= 3


def test_one_trial_means_something_only_with_earlier_series_of_several_trials():
    known = EarlierScatter(0.1, 8, 2, 10, "then")
    assert 0.3 < float(with_earlier(1, None, known)) < 0.6
    assert math.isinf(with_earlier(1, None, EarlierScatter(0.1, 1, 1, 2, "then")))
    # Much more scatter than then is not the scatter of then.
    assert math.isinf(with_earlier(2, 0.19, known))
    assert math.isfinite(with_earlier(2, 0.17, known))


def test_earlier_series_are_pooled_by_their_degrees_of_freedom():
    found = earlier_scatter([(3, 0.1), (1, 9.0), (5, 0.2)], "3 March 2026")
    assert found is not None
    assert found.sd == pytest.approx(math.sqrt((2 * 0.01 + 4 * 0.04) / 6))
    assert (found.degrees_of_freedom, found.series, found.trials) == (6, 2, 8)
    assert earlier_scatter([(1, 0.0)], "then") is None


@pytest.mark.parametrize(
    ("planned", "ended", "trials", "counted", "rule"),
    [
        (None, True, 5, 5, "each look"),
        (5, False, 5, 5, "not yet"),
        (1, False, 1, 1, "each look"),
        (5, False, 6, 6, "each look"),
        (5, True, 5, 5, "one look"),
        (5, True, 5, 4, "each look"),
        (5, True, 6, 5, "each look"),
        (1, True, 1, 1, "each look"),
    ],
)
def test_the_rule_follows_from_what_was_planned(planned, ended, trials, counted, rule):
    assert sequential.rule(planned, ended, trials, counted) == rule
