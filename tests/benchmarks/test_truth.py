"""The bench that plays saws whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Iterator
from types import SimpleNamespace

import numpy as np
import pytest

from analysis import geometry
from analysis.methods import METHODS
from benchmarks.__main__ import MODULES
from benchmarks.truth import rows, shop
from benchmarks.truth.rows import Row

EXACT = shop.Caliper(step_nm=1, hand_mm=0.0)
TURNED = shop.Saw(angle_rad=0.02, tilt_rad=-0.03)


@pytest.mark.parametrize("key", METHODS)
def test_a_strip_cut_in_coordinates_shows_the_angle_that_the_saw_was_set_to(key: str):
    played = shop.play(np.random.default_rng(1), key, TURNED, EXACT, series=2, trials=3)
    facts = played.facts(1)
    found = geometry.series_values(
        facts.method, facts.widths_mm, facts.baseline_mm, facts.thickness_mm, pieces=facts.pieces
    )
    for quantity in facts.method.reveals:
        truth = {"angle": 0.02, "tilt": -0.03, "length": played.length_mm[1]}[quantity]
        assert found.of(quantity) == pytest.approx(truth, abs=2e-7), quantity


def test_each_cut_of_a_trial_scatters_by_itself_and_a_setup_for_all_of_its_trials():
    rng = np.random.default_rng(2)
    saw = shop.Saw(cut_sd=0.001, setup_sd=np.repeat([0.0, 0.01], 400), drift=0.1)
    angle = shop.play(rng, "five-cut", saw, series=800, trials=4).angle_rad
    assert angle.shape == (800, 4, 5)
    still = angle - 0.1 * np.arange(4)[:, np.newaxis]
    assert still[:400].std(axis=(1, 2)).mean() == pytest.approx(0.001, rel=0.1)
    assert still[:400].mean(axis=(1, 2)).std() == pytest.approx(0.001 / math.sqrt(20), rel=0.2)
    assert still[400:].mean(axis=(1, 2)).std() == pytest.approx(0.01, rel=0.2)


@pytest.mark.parametrize("step_nm", [10_000, 20_000, 12_700])
def test_a_caliper_sends_whole_counts_of_what_its_zero_and_scale_make_of_a_size(step_nm: int):
    rng = np.random.default_rng(3)
    caliper = shop.Caliper(step_nm, hand_mm=0.0, zero_mm=0.05, scale=1e-3)
    saw = shop.Saw(length_mm=100.0)
    counts = shop.play(rng, "known-block", saw, caliper, series=1, trials=2, repeats=3).counts_nm
    assert counts.shape == (1, 2, 1, 3)
    assert set((counts % step_nm).ravel().tolist()) == {0}
    assert abs(counts / 1e6 - 100.15).max() <= step_nm / 2e6 + 1e-9


def test_flat_jaws_touch_the_widest_point_under_them():
    for inset, jaw, short in ((0.0, 6.0, 3.0), (2.0, 6.0, 5.0), (4.0, 6.0, 8.0)):
        board, caliper = shop.Board(150.0, inset_mm=inset), shop.Caliper(1, 0.0, jaw_mm=jaw)
        rng = np.random.default_rng(4)
        fence, open_end = shop.play(
            rng, "reversal", shop.Saw(0.01), caliper, board, series=1, trials=1
        ).widths_mm[0, 0, :, 0]
        assert open_end - fence == pytest.approx((150 - short) * 2 * math.tan(0.01), abs=2e-6)


def test_a_rate_that_misses_its_claim_by_more_than_chance_stands_out():
    wrong = Row("sure", "a saw", "at least", 0.95, 900, 1000)
    assert not wrong.kept
    assert not Row("sure", "a saw", "at most", 0.05, 100, 1000).kept
    assert not Row("sure", "a saw", "about", 0.5, 400, 1000).kept
    assert Row("sure", "a saw", "at least", 0.95, 945, 1000).kept
    assert Row("sure", "a saw", "at most", 0.05, 0, 1000).kept
    # 0 of 20: 0 to 16.8 %, 1 - 0.025^(1/20), exact for none found.
    assert Row("", "", "at most", 0.0, 0, 20).interval()[1] == pytest.approx(1 - 0.025 ** (1 / 20))
    *_, line = rows.table([wrong]).splitlines()
    assert (
        line
        == "| sure | at least 95.0 % | **90.0 % of 1,000 (88.0 % to 91.8 %)** | a saw |".replace(
            "88.0 % to", "88.0 to"
        )
    )


def test_a_module_says_the_same_alone_and_among_all(monkeypatch: pytest.MonkeyPatch):
    def drawn(rng: np.random.Generator, short: bool) -> Iterator[Row]:
        yield Row("drawn", "", "about", 0.5, int(rng.integers(1000)), 1000 if short else 10_000)

    monkeypatch.setattr(rows.importlib, "import_module", lambda _: SimpleNamespace(rows=drawn))
    once, again = list(rows.of("one", 1, True)), list(rows.of("one", 1, True))
    assert once == again
    assert once != list(rows.of("one", 2, True))
    assert once != list(rows.of("another", 1, True))


def test_it_is_no_part_of_the_figures_of_speed():
    assert "truth" not in MODULES
