"""Many series at once must give what each of them gives alone."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.checks import checks
from analysis.facts import SeriesFacts
from analysis.methods import METHODS
from analysis.score import score
from tests.analysis.many import together

MACHINE = [m for m in METHODS.values() if m.judges == "machine"]


def some_series(method, rng, trials, **more):
    """A series of cuts with the scatter, rounding and settings of a real one."""
    repeats = more.pop("repeats", 1)
    scatter = more.pop("scatter", 0.03)
    widths = rng.normal(10 + rng.normal(0, 0.2), scatter, (trials, len(method.places), repeats))
    return SeriesFacts(
        method,
        np.round(widths, 2),
        strip_side=str(rng.choice(["left", "right"])),
        baseline_mm=float(rng.uniform(90, 400)),
        thickness_mm=float(rng.uniform(15, 60)),
        inset_mm=float(rng.choice([0.0, 5.0])),
        pieces=int(rng.integers(3, 9)) if method.pieces else None,
        **more,
    )


@pytest.mark.parametrize("method", MACHINE, ids=lambda m: m.key)
def test_a_long_history_says_of_each_series_what_the_series_says_itself(method):
    rng = np.random.default_rng(8)
    many = [some_series(method, rng, trials) for trials in (1, 2, 3, 4, 5, 20)]
    many += [some_series(method, rng, n, scatter=0.001) for n in (2, 7)]  # rounding stays
    many += [some_series(method, rng, n, scatter=0.0) for n in (1, 3, 9, 10)]
    many += [
        some_series(
            method, rng, n, scatter=0.01, repeatability_mm=0.02, repeatability_df=df, repeats=2
        )
        for n in (2, 9, 30)
        for df in (None, 2.0, 9.0)
    ]
    many += [some_series(method, rng, n, repeats=3) for n in (1, 4)]
    many += [some_series(method, rng, 1, resolution_mm=0.1)]
    many += [
        some_series(
            method, rng, n, repeatability_mm=0.006, repeatability_df=3.0, scale_u=2e-4,
            straightness_mm=0.05, zero_u_mm=0.004, zero_at_mm=40.0, inset_u_mm=0.2,
            baseline_u_mm=0.1,
        )
        for n in (1, 2, 6)
    ]  # fmt: skip
    many += [
        some_series(method, rng, 6, scatter=scatter, visit=visit)
        for visit in ([1, 1, 1, 2, 2, 2], [1, 2, 3, 3, 3, 5])
        for scatter in (0.001, 0.01, 0.1)
    ]
    for quantity in method.reveals:
        found = together(method, quantity, many)
        for index, facts in enumerate(many):
            alone = score(facts).quantities[quantity]
            assert found.trials[index] == alone.trials
            assert found.mean[index] == pytest.approx(alone.mean, rel=1e-9, abs=1e-15)
            assert found.expanded[index] == pytest.approx(alone.expanded_uncertainty, rel=1e-9)
            assert found.coverage_factor[index] == pytest.approx(alone.coverage_factor, rel=1e-9)
            assert found.u[index] == pytest.approx(alone.budget.combined, rel=1e-9)
            unlimited = alone.effective_degrees_of_freedom is None
            df = np.inf if unlimited else alone.effective_degrees_of_freedom
            assert found.df[index] == pytest.approx(df, rel=1e-9)
            sd = np.nan if alone.sd is None else alone.sd
            assert found.sd[index] == pytest.approx(sd, rel=1e-9, abs=1e-15, nan_ok=True)


def test_a_series_without_a_complete_trial_has_no_value_and_hides_none():
    rng = np.random.default_rng(2)
    method = METHODS["reversal"]
    facts = [some_series(method, rng, 3) for _ in range(3)]
    found = checks(method, "angle", [0.001, np.nan, 0.003], [0, 1, 2], facts)
    assert found.trials.tolist() == [1, 0, 1]
    assert found.mean[[0, 2]].tolist() == [0.001, 0.003]
    assert np.isnan([found.mean[1], found.expanded[1], found.coverage_factor[1]]).all()


def test_a_series_whose_length_was_never_given_has_no_uncertainty():
    method = METHODS["reversal"]
    found = checks(method, "angle", [0.001], [0], [SeriesFacts(method, np.empty(0))])
    assert np.isnan(found.expanded[0])


def test_no_series_at_all_gives_empty_arrays():
    found = checks(METHODS["roll"], "tilt", [], [], [])
    assert found.mean.shape == found.expanded.shape == (0,)


def test_a_caliper_study_is_never_taken_for_the_machine():
    with pytest.raises(ValueError, match="same-spot shows no length of a machine"):
        checks(METHODS["same-spot"], "length", [], [], [])
