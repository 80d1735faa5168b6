"""Quantiles against what is known of them in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis import quantiles

_P = (0.005, 0.025, 0.31, 0.5, 0.8, 0.975, 0.999)


@pytest.mark.parametrize("p", _P)
def test_each_quantile_is_the_one_that_is_known_in_closed_form(p):
    # One degree of freedom makes Student's t the Cauchy distribution, two make chi-square the
    # exponential one and give F a power law.
    cauchy = math.tan(math.pi * (p - 0.5))
    assert quantiles.student_t(p, 1) == pytest.approx(cauchy, rel=1e-12, abs=1e-12)
    assert quantiles.chi_square(p, 2) == pytest.approx(-2 * math.log1p(-p), rel=1e-12)
    assert quantiles.f(p, 2, 7) == pytest.approx(7 / 2 * ((1 - p) ** (-2 / 7) - 1), rel=1e-9)


@pytest.mark.parametrize("p", _P)
def test_a_quantile_and_its_probability_undo_each_other(p):
    assert quantiles.normal_probability(quantiles.normal(p)) == pytest.approx(p)
    assert quantiles.student_t_probability(quantiles.student_t(p, 3.5), 3.5) == pytest.approx(p)
    assert quantiles.f_probability(quantiles.f(p, 4, 9), 4, 9) == pytest.approx(p)


@pytest.mark.parametrize("p", [0.6, 0.95, 0.99])
def test_the_distributions_agree_where_one_is_another(p):
    two_sided = (1 + p) / 2
    assert quantiles.student_t(p, math.inf) == pytest.approx(quantiles.normal(p), rel=1e-12)
    assert quantiles.chi_square(p, 1) == pytest.approx(quantiles.normal(two_sided) ** 2)
    assert quantiles.f(p, 1, 6) == pytest.approx(quantiles.student_t(two_sided, 6) ** 2)


def test_an_array_of_degrees_of_freedom_gives_an_array_of_the_same_values():
    df = np.array([1.0, 2.5, math.inf])
    found = quantiles.student_t(0.975, df)
    assert isinstance(found, np.ndarray)
    assert found.tolist() == [quantiles.student_t(0.975, each) for each in df]


def test_bisection_finds_where_a_level_is_reached():
    assert quantiles.reached(math.exp, 2.0, 0.0, 1.0) == pytest.approx(math.log(2), rel=1e-15)
    # Reached nowhere between: the end that comes nearest.
    assert quantiles.reached(math.exp, 9.0, 0.0, 1.0) == pytest.approx(1.0)
    assert quantiles.reached(math.exp, 0.5, 0.0, 1.0) == pytest.approx(0.0)
