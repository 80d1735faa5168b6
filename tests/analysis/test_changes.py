"""Whether a machine changed between its checks: alarms as rare as said, and told as soon."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize, stats

from analysis import changes
from analysis.changes import LIMITS, Measured, between_variance, looks

Array = NDArray[np.float64]
# Histories that are judged at once: more would not fit a processor's cache.
_TOGETHER = 50


def measured(values: Array, variances: Array | float = 1.0, rounding: float = 0.0) -> Measured:
    """Checks that share nothing, (..., n); variances (..., n)."""
    n = values.shape[-1]
    known = np.broadcast_to(variances, values.shape)[..., None, :]
    return Measured(
        values,
        np.broadcast_to(known, (*values.shape, n)),
        np.full(values.shape, rounding),
        np.zeros((0, *values.shape)),
    )


def told(
    histories: int, checks: int, play: Callable[[tuple[int, int]], Measured]
) -> NDArray[np.bool_]:
    """(histories, checks): whether each look tells a change."""
    blocks = range(0, histories, _TOGETHER)
    return np.concatenate([looks(play((_TOGETHER, checks))).told() for _ in blocks])


def at_most(hits: int, runs: int, rate: float) -> bool:
    """Whether chance allows so many hits where the rate is no more than `rate`."""
    return hits <= runs * rate + 3 * math.sqrt(runs * rate * (1 - rate))


def test_a_stable_machine_is_seldom_said_to_have_changed_however_often_one_looks() -> None:
    rng = np.random.default_rng(1)
    runs = 1500
    # With one uncertainty for all, the variance between checks changes nothing.
    hits = told(runs, 40, lambda shape: measured(rng.normal(size=shape))).any(axis=1).sum()
    assert at_most(hits, runs, 0.05)


def test_checks_of_unequal_uncertainty_raise_no_more_alarms() -> None:
    rng = np.random.default_rng(2)
    runs = 600

    def play(shape: tuple[int, int]) -> Measured:
        # Four checks of single trials to one of eight, and as much again between checks.
        u = rng.choice([1.0, 1.0, 1.0, 1.0, math.sqrt(1 / 8)], size=shape)
        return measured(np.hypot(u, 1.0) * rng.normal(size=shape), u**2)

    assert at_most(told(runs, 40, play).any(axis=1).sum(), runs, 0.05)


@pytest.mark.parametrize("count", [1.0, 4.0, 30.0])
def test_checks_that_are_alike_to_the_calipers_count_do_not_change(count: float) -> None:
    """Values in steps of `count` of their scatter; the deviation of a strip has u = count / 6^0.5
    of rounding, and two of them are compared."""
    rng = np.random.default_rng(3)
    runs = 300

    def play(shape: tuple[int, int]) -> Measured:
        middle = rng.uniform(-0.5, 0.5, (shape[0], 1))
        values = np.rint(middle + rng.normal(size=shape) / count) * count
        return measured(values, 1.0, count / math.sqrt(6))

    assert at_most(told(runs, 40, play).any(axis=1).sum(), runs, 0.05)


@pytest.mark.parametrize(
    ("change", "median"),
    [
        (lambda i: 2.0 * (i >= 15), 6),
        (lambda i: 3.0 * (i >= 15), 3),
        (lambda i: 0.2 * np.maximum(i - 14, 0), 11),
    ],
    ids=["a shift of 2 sigma", "a shift of 3 sigma", "a creep of 0.2 sigma a check"],
)
def test_a_change_after_fifteen_checks_is_told_soon(
    change: Callable[[Array], Array], median: int
) -> None:
    rng = np.random.default_rng(4)
    moved = change(np.arange(28.0))
    found = told(1000, 28, lambda shape: measured(rng.normal(size=shape) + moved))
    late = found[~found[:, :15].any(axis=1), 15:]
    delays = np.where(late.any(axis=1), late.argmax(axis=1) + 1, 99)
    assert np.median(delays) <= median


def test_each_look_is_a_t_test_of_every_split() -> None:
    """Second way: scipy's two-sample t of each split, and Quesenberry's Q of the latest check."""
    x = np.random.default_rng(5).normal(size=12)
    found = looks(measured(x))
    for k in range(4, 12):
        seen = x[: k + 1]
        p = [float(stats.ttest_ind(seen[:j], seen[j:]).pvalue) for j in range(2, k)]
        assert found.z["shift"][k] == pytest.approx(stats.norm.isf(min(p) / 2), rel=1e-9)
        assert found.place["shift"][k] == 2 + int(np.argmin(p))
        before = x[:k]
        t = math.sqrt(k / (k + 1)) * (x[k] - before.mean()) / before.std(ddof=1)
        q = stats.norm.ppf(stats.t.cdf(-abs(t), k - 1))
        assert found.z["outside"][k] == pytest.approx(-q, rel=1e-9)


def test_each_look_is_a_regression_on_every_creep() -> None:
    """Second way: the slope's t by ordinary least squares, for every onset."""
    x = np.random.default_rng(6).normal(size=12)
    found = looks(measured(x))
    for k in range(7, 12):
        at = np.arange(k + 1)
        p = [
            float(stats.linregress(np.maximum(at - onset, 0), x[: k + 1]).pvalue)
            for onset in range(k - changes.FEWEST_RISING + 1)
        ]
        assert found.z["creep"][k] == pytest.approx(stats.norm.isf(min(p) / 2), rel=1e-6)
        assert found.place["creep"][k] == int(np.argmin(p))


def test_unequal_checks_are_weighted_as_in_a_weighted_regression() -> None:
    """Second way: least squares of the checks divided by their own standard deviation, with the
    variance between checks by bisection of its defining equation."""
    rng = np.random.default_rng(7)
    n = 10
    u = rng.uniform(0.5, 2.0, n)
    x = np.hypot(u, 1.0) * rng.normal(size=n)
    wanted = stats.chi2.ppf(0.05, n - 1)

    def excess(tau2: float) -> float:
        w = 1 / (u**2 + tau2)
        return float((w * (x - np.average(x, weights=w)) ** 2).sum() - wanted)

    root = 1 / np.sqrt(u**2 + optimize.brentq(excess, 0, 1e3))
    t = []
    for j in range(2, n - 1):
        design = np.column_stack([root, root * (np.arange(n) >= j)])
        fit, squares, *_ = np.linalg.lstsq(design, root * x, rcond=None)
        error = math.sqrt(np.linalg.inv(design.T @ design)[1, 1] * squares[0] / (n - 2))
        t.append(abs(fit[1] / error))
    expected = stats.norm.isf(stats.t.sf(max(t), n - 2))
    assert looks(measured(x, u**2)).z["shift"][-1] == pytest.approx(expected, rel=1e-6)


def test_the_variance_between_checks_solves_the_equation_of_paule_and_mandel() -> None:
    """Second way: brentq on the defining equation; equal uncertainties leave s^2 - u^2."""
    rng = np.random.default_rng(8)
    seen = np.ones(9)
    u2 = rng.uniform(0.2, 3.0, 9)
    x = rng.normal(0, 2, 9)

    def excess(tau2: float) -> float:
        w = 1 / (u2 + tau2)
        return float((w * (x - np.average(x, weights=w)) ** 2).sum() - 8)

    assert between_variance(x, u2, seen) == pytest.approx(optimize.brentq(excess, 0, 1e3), rel=1e-6)
    equal = between_variance(x, np.full(9, 0.3), seen)
    assert equal == pytest.approx(x.var(ddof=1) - 0.3, rel=1e-9)
    assert between_variance(0.01 * x, u2, seen) == 0


def test_one_error_of_all_checks_hides_no_change_and_that_of_a_new_caliper_makes_none() -> None:
    rng = np.random.default_rng(9)
    x = 0.1 * rng.normal(size=24)
    x[12:] += 1.0
    one = measured(x, 0.01)
    shared = np.ones((1, 24))
    assert looks(Measured(x, one.variances, one.rounding, shared)).told().any()
    # Two calipers whose zeros are known to 0.7 each: that they differ by 1 is no change.
    first = (np.arange(24) < 12) * 0.7
    each = np.stack([first, 0.7 - first])
    assert not looks(Measured(x, one.variances, one.rounding, each)).told().any()


def test_a_look_sees_nothing_of_what_comes_after_it() -> None:
    rng = np.random.default_rng(10)
    x = rng.normal(size=30)
    whole, early = looks(measured(x)), looks(measured(x[:20]))
    for kind in LIMITS:
        np.testing.assert_allclose(whole.z[kind][:20], early.z[kind], rtol=1e-9)
    block = measured(x)
    last = looks(Measured(x, block.variances[-8:], block.rounding, block.shared))
    for kind in LIMITS:
        np.testing.assert_allclose(last.z[kind][1:], whole.z[kind][-7:], rtol=1e-9)
