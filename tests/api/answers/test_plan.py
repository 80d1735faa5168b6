"""Plan over HTTP: its promises hold for simulated cuts of such saws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fastapi.testclient import TestClient
from scipy import stats

from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def chance_to_see(error_deg, sd_deg, cuts, alpha=0.05, other=None):
    """The power of Student's two-sided test, by a library's noncentral t."""
    df = cuts - 1 if other is None else cuts + other - 2
    root = math.sqrt(cuts if other is None else cuts * other / (cuts + other))
    shift, t = error_deg / sd_deg * root, stats.t.ppf(1 - alpha / 2, df)
    return stats.nct.sf(t, df, shift) + stats.nct.cdf(-t, df, shift)


def test_the_cuts_asked_for_see_the_error_and_one_fewer_do_not(person):
    found = person.get("/api/plan?error_deg=0.01&width=200&method=reversal")
    # Two readings, each repeating to 0.02 mm and rounded to 0.01 mm (JCGM 100, 4.3.7).
    sd = math.degrees(math.sqrt(2 * (0.02**2 + 0.01**2 / 12)) / (2 * 200))
    assert found["trial_sd_deg"] == pytest.approx(sd, rel=1e-12)
    n = found["cuts_needed"]
    assert chance_to_see(0.01, sd, n) >= 0.9 > chance_to_see(0.01, sd, n - 1)
    assert found["power"] == pytest.approx(chance_to_see(0.01, sd, 5), rel=1e-6)
    assert found["sentences"][0] == (
        f"To see an error of 0.01 degrees on a board 200 mm wide, make {n} strips."
    )


def test_the_width_and_the_caliper_asked_for_are_just_enough(person):
    address = "/api/plan?error_deg=0.01&cuts=5"
    found = person.get(f"{address}&width=100")
    width = found["width_needed_mm"]
    assert width > 100
    assert "5 strips are enough on a board" in found["sentences"][1]
    enough = person.get(f"{address}&width={width:.4f}")
    assert enough["power"] == pytest.approx(0.9, abs=1e-5)
    coarse = person.get("/api/plan?error_deg=0.02&cuts=4&width=200&resolution=1&reading_sd=0.001")
    finer = coarse["resolution_needed_mm"]
    assert f"shows {finer:.2g} mm or finer" in " ".join(coarse["sentences"])
    fine = person.get(
        f"/api/plan?error_deg=0.02&cuts=4&width=200&resolution={finer:.6f}&reading_sd=0.001"
    )
    assert fine["power"] == pytest.approx(0.9, abs=1e-4)


def test_the_table_shows_what_each_width_and_number_of_cuts_sees(person):
    found = person.get("/api/plan?error_deg=0.05&width=184&cuts=6&own_sd_deg=0.01&beta=0.2")
    table = found["table"]
    assert 184 in table["widths_mm"]
    assert table["cuts"] == [2, 3, 4, 5, 6, 7, 10, 15, 20]
    for width, row in zip(table["widths_mm"], table["smallest_deg"], strict=True):
        hand = math.sqrt(2 * (0.02**2 + 0.01**2 / 12)) / (2 * width)
        # A reversal averages two cuts.
        sd = math.hypot(0.01 / math.sqrt(2), math.degrees(hand))
        for cuts, smallest in zip(table["cuts"], row, strict=True):
            assert chance_to_see(smallest, sd, cuts) == pytest.approx(0.8, abs=1e-6)
    assert found["seen_deg"] == table["smallest_deg"][table["widths_mm"].index(184)][4]


def test_two_machines_take_more_cuts_than_one(person):
    one = person.get("/api/plan?error_deg=0.005&width=200")
    two = person.get("/api/plan?error_deg=0.005&width=200&two_series=true")
    assert two["cuts_needed"] > one["cuts_needed"]
    n, sd = two["cuts_needed"], two["trial_sd_deg"]
    assert chance_to_see(0.005, sd, n, other=n) >= 0.9
    assert chance_to_see(0.005, sd, n - 1, other=n - 1) < 0.9
    assert "a difference of 0.005 degrees" in two["sentences"][0]
    assert "with each machine" in two["sentences"][0]


def test_a_gap_over_a_joint_is_an_error_too(person):
    by_gap = person.get("/api/plan?gap=0,1&joint=150")
    assert by_gap["error_deg"] == pytest.approx(math.degrees(math.atan(0.1 / 150)))
    inches = person.get("/api/plan?gap=0.004&joint=6&unit=in")
    assert inches["width_mm"] == pytest.approx(8 * 25.4)
    assert "on a board 8 in wide" in inches["sentences"][0]
    assert inches["resolution_mm"] == pytest.approx(0.0127)


@pytest.mark.parametrize(
    ("query", "gain"),
    [
        ("method=reversal&width=200", 2 / math.sqrt(2)),
        ("method=five-cut&width=200", 4 / math.sqrt(2)),
        ("method=half-turn&width=200", 2 / math.sqrt(2)),
        # The mean of two corners at each end.
        ("method=roll&width=200", 2.0),
        # One gap of four pieces counts the error eight times.
        ("method=closing-miters&width=200&pieces=4", 8.0),
        ("method=blade-to-slot&width=200", 1 / math.sqrt(2)),
        ("method=reversal&width=210&inset=5", 2 / math.sqrt(2)),
    ],
)
def test_each_method_counts_the_error_as_often_as_it_does(person, query, gain):
    found = person.get(f"/api/plan?error_deg=0.05&{query}")
    reading = math.sqrt(0.02**2 + 0.01**2 / 12)
    assert found["trial_sd_deg"] == pytest.approx(math.degrees(reading / (gain * 200)), rel=1e-9)


@ON_BOTH
def test_a_machine_that_scatters_is_planned_for_by_its_own_series(person):
    series = person.start()
    rng = np.random.default_rng(8)
    deviations = [round(0.3 + d, 2) for d in rng.normal(0, 0.15, 12)]
    person.press(*(w for d in deviations for w in ("12.00", f"{12 + d:.2f}")))
    found = person.get(f"/api/plan?error_deg=0.05&series={series}")
    sd = np.degrees(np.arctan(np.array(deviations) / 400)).std(ddof=1)
    hand = math.degrees(math.sqrt(2 * (0.02**2 + 0.01**2 / 12)) / 400)
    # A reversal averages two cuts, so that a single one scatters by the root of two more.
    cut = math.sqrt(2 * (sd**2 - hand**2))
    assert found["own_sd_deg"] == pytest.approx(cut, rel=1e-6)
    # A frame of four averages eight: the same machine's frames scatter less.
    frames = person.get(f"/api/plan?error_deg=0.05&method=closing-miters&series={series}")
    assert frames["own_sd_deg"] == pytest.approx(cut, rel=1e-6)
    gap = math.degrees(math.sqrt(0.02**2 + 0.01**2 / 12) / (8 * 200))
    assert frames["trial_sd_deg"] == pytest.approx(math.hypot(cut / math.sqrt(8), gap), rel=1e-6)
    assert found["cuts_needed"] > person.get("/api/plan?error_deg=0.05")["cuts_needed"]


def test_a_machine_that_scatters_too_much_for_any_board_is_told_so(person):
    found = person.get("/api/plan?error_deg=0.01&own_sd_deg=0.02&cuts=3")
    assert found["width_needed_mm"] is found["resolution_needed_mm"] is None
    assert "the machine itself scatters too much" in found["sentences"][1]
    hopeless = person.get("/api/plan?error_deg=0.0001&own_sd_deg=2")
    assert hopeless["cuts_needed"] is None
    assert hopeless["sentences"][0].startswith("No number of strips up to 10000")


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("", "error_deg: is needed"),
        ("error_deg=0", "error_deg: must be above 0"),
        ("error_deg=nan", "error_deg: must be above 0"),
        ("error_deg=-0.1", "error_deg: must be above 0"),
        ("error_deg=0.1&gap=1", "not both"),
        ("gap=1", "joint: is needed"),
        ("gap=9&joint=3", "gap: must be smaller than its joint"),
        ("error_deg=0.1&width=wide", "width: 'wide' is not a plain decimal number"),
        ("error_deg=0.1&width=0", "width: 0 mm must be greater than zero"),
        ("error_deg=0.1&width=20&inset=10", "inset: leaves nothing of the width"),
        ("error_deg=0.1&inset=-1", "inset: -1 mm must be zero or more"),
        ("error_deg=0.1&method=guess", "method: there is no method 'guess'; use one of reversal"),
        ("error_deg=0.1&method=stop-block", "method: Stop block shows no angle"),
        ("error_deg=0.1&pieces=4", "pieces: Reversal has no pieces"),
        ("error_deg=0.1&cuts=1", "cuts: "),
        ("error_deg=0.1&alpha=0", "alpha: "),
        ("error_deg=0.1&own_sd_deg=nan", "own_sd_deg: "),
        ("error_deg=0.1&unit=furlong", "unit: must be 'mm' or 'in'"),
        (
            "error_deg=0.1&own_sd_deg=0.1&series=01939d3e-7c1a-7000-8000-000000000000",
            "series: give this or the scatter of single cuts, not both",
        ),
    ],
)
def test_a_plan_that_cannot_be_names_its_field(person, query, words):
    answer = person.client.get(f"/api/plan?{query}")
    assert answer.status_code == 422, answer.text
    assert words in answer.json()["detail"]


def test_a_series_that_shows_no_scatter_is_no_plan(person):
    series = person.start()
    person.press("12.30", "12.40")
    answer = person.client.get(f"/api/plan?error_deg=0.1&series={series}")
    assert "fewer than 2 strips" in answer.json()["detail"]
    tilt = person.client.get(f"/api/plan?error_deg=0.1&series={series}&method=half-turn")
    assert "does not show the tilt" in tilt.json()["detail"]
