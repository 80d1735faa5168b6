from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.drift import trend
from analysis.sequential import FALSE_FINDING
from tests.analysis.chance import within_chance


def test_cuts_that_creep_are_told_from_cuts_that_scatter() -> None:
    x = [0.0, 0.012, 0.018, 0.031, 0.039, 0.052, 0.058, 0.07]
    found = trend(x, unit="mm")
    line = stats.linregress(range(8), x)
    assert found.shown
    assert found.creep == pytest.approx(7 * line.slope, rel=1e-12)
    assert found.p == pytest.approx(line.pvalue, rel=1e-9)
    assert found.interval is not None
    half = stats.t.ppf(0.975, 6) * line.stderr * 7
    assert found.interval.half_width == pytest.approx(half, rel=1e-9)
    assert found.early == pytest.approx(np.mean(x[:4]))
    assert found.late == pytest.approx(np.mean(x[4:]))
    assert "crept by" in found.sentence
    assert not trend([0.0, 0.02, -0.01, 0.01, 0.0, -0.02], unit="mm").shown


def test_a_steady_series_is_seldom_said_to_creep() -> None:
    rng = np.random.default_rng(5)
    runs = 3000
    shown = sum(trend(x).shown for x in rng.normal(size=(runs, 6)))
    assert within_chance(shown, runs, FALSE_FINDING)


@pytest.mark.parametrize(
    ("values", "says", "shown"),
    [
        ([], "too few", False),
        ([1], "1 strip: too few", False),
        ([1, 2, math.nan, 3], "too few", False),
        ([0.1, 0.1, 0.1, 0.1], "all alike", False),
        ([1, 2, 3, 4], "moved evenly", True),
    ],
)
def test_a_drift_that_cannot_be_judged_is_said_in_words(
    values: list[float], says: str, shown: bool
) -> None:
    found = trend(values, unit="mm")
    assert says in found.sentence
    assert found.shown is shown
    assert "nan" not in repr(found)
