from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.capability import capability
from tests.analysis.chance import within_chance
from tests.analysis.published import case


def test_the_indices_of_the_handbook() -> None:
    # Source: NIST/SEMATECH e-Handbook, 6.1.6 what is process capability (USL 20, LSL 8, mean 16,
    # standard deviation 2); from memory, recomputed.
    found = case("ehb-6.1.6-capability")
    v = found.inputs
    c = capability(v["mean"], v["sd"], v["lsl"], v["usl"], target=14)
    for key, value in {"Cp": c.cp, "Cpu": c.cpu, "Cpl": c.cpl, "Cpk": c.cpk, "k": c.k}.items():
        assert found.near(value, key)
    # Printed in the note of the same case.
    assert c.cpm == pytest.approx(0.7071, abs=5e-5)


def test_rejects_of_a_centred_process_are_as_tabled() -> None:
    # Source: Rejects outside both limits for a centred normal process against Cp (NIST e-Handbook
    # 6.1.6 table; ISO 22514); from memory, recomputed.
    found = case("cp-to-ppm")
    parts = [capability(0, 1 / (3 * cp), -1, 1).rejects for cp in found.inputs["Cp"]]
    assert found.near([1e6 * (r or 0) for r in parts], "ppm")


def test_the_interval_of_cp_is_as_published() -> None:
    # Source: Montgomery, Introduction to Statistical Quality Control, confidence interval on Cp
    # (USL 62, LSL 38, n = 20, S = 1.75); Wiley; same formula as NIST e-Handbook 6.1.6; from
    # memory, recomputed.
    found = case("montgomery-cp-ci")
    v = found.inputs
    c = capability(50, v["sd"], v["lsl"], v["usl"], trials=v["n"])
    assert c.cp_interval is not None
    assert found.near(c.cp, "Cp")
    assert found.near(c.cp_interval.low, "lower")
    assert found.near(c.cp_interval.high, "upper")


def test_the_interval_of_cp_holds_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    runs, held = 2000, 0
    for x in rng.normal(size=(runs, 8)):
        c = capability(float(x.mean()), float(x.std(ddof=1)), -3, 3, trials=8)
        assert c.cp_interval is not None
        held += 1 in c.cp_interval
    assert within_chance(held, runs, 0.95)


@pytest.mark.parametrize(("sd", "says"), [(None, "at least two parts"), (0.0, "finer caliper")])
def test_an_unknown_scatter_is_said_in_words(sd: float | None, says: str) -> None:
    c = capability(1, sd, 0, 2)
    assert c.cp is None
    assert says in c.sentence
    assert "nan" not in repr(c)


def test_limits_the_wrong_way_round_are_refused() -> None:
    for lower, upper in ((2, 1), (1, 1), (math.nan, 1)):
        with pytest.raises(ValueError, match="limits"):
            capability(1, 1, lower, upper)
