"""Whether a saw came back to its stop, over HTTP."""

from __future__ import annotations

import math

import pytest
from fastapi.testclient import TestClient
from scipy import stats

from tests.api.answers.cutting import LENGTH_IN, cut, degrees, refused
from tests.api.answers.measuring import measured
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


@ON_BOTH
def test_a_saw_that_came_back_within_the_margin_is_said_to_have(person):
    # They scatter beyond what rounding to a thou can make.
    thou_before, thou_after = (10, 13, 10, 7, 10), (10, 10, 12, 10, 8)
    before = cut(person, "Saw", thou_before)
    person.post("/api/setup-changes", {"machine": "Saw", "kind": "swung and back"}, 201)
    after = cut(person, "Saw", thou_after)
    found = person.get(f"/api/compare/return?before={before}&after={after}&margin_deg=0.02")
    assert found["answer"] == "came back"
    assert found["more_cuts"] == 0
    assert (found["margin"], found["margin_from"]) == (pytest.approx(0.02), "given")
    assert found["sentence"].startswith("It came back to its stop")
    assert [c["kind"] for c in found["setup_changes"]] == ["swung and back"]
    # Two one-sided tests by hand, with Welch's standard error and degrees of freedom.
    a, b = degrees(thou_before), degrees(thou_after)
    welch = stats.ttest_ind(b, a, equal_var=False)
    error = math.sqrt(a.var(ddof=1) / 5 + b.var(ddof=1) / 5)
    p = stats.t.cdf((abs(b.mean() - a.mean()) - 0.02) / error, welch.df)
    assert found["p_within"] == pytest.approx(p, rel=1e-6)
    assert found["shift"]["interval"]["low"] == pytest.approx(
        welch.confidence_interval(0.95).low, rel=1e-6
    )


def test_a_saw_that_moved_is_said_to_have_and_by_how_much(person):
    before, after = cut(person, "Saw", (10, 11, 10, 9)), cut(person, "Saw", (20, 21, 20, 22))
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    assert found["answer"] == "did not"
    assert found["shift"]["estimate"] == pytest.approx(
        degrees((20, 21, 20, 22)).mean() - degrees((10, 11, 10, 9)).mean()
    )
    assert (found["margin"], found["margin_from"]) == (None, None)


def test_a_shift_with_an_adjustment_in_between_is_not_laid_on_the_stop_alone(person):
    before = cut(person, "Saw", (10, 11, 10, 9))
    for kind in ("adjusted", "swung and back", "cleaned"):
        person.post("/api/setup-changes", {"machine": "Saw", "kind": kind}, 201)
    after = cut(person, "Saw", (20, 21, 20, 22))
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    assert found["notes"] == [
        "Recorded between these series: adjusted, cleaned. A shift may come from that rather than "
        "from the stop."
    ]


@ON_BOTH
def test_without_a_margin_half_the_tolerance_is_what_may_be_missed(person):
    before = cut(person, "Saw", (10, 14, 6, 11), tolerance_deg="0.04")
    after = cut(person, "Saw", (16, 5, 14, 3), tolerance_gap="0.004", tolerance_joint="6")
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    # Half of atan(4 thou over 6 in); that of the series after comes first.
    assert found["margin"] == pytest.approx(math.degrees(math.atan(0.004 / 6)) / 2)
    assert found["margin_from"] == "half the tolerance"
    assert found["answer"] == "cannot tell"
    assert found["more_cuts"] > 0
    assert f"About {found['more_cuts']} more strips would tell" in found["sentence"]


def test_one_cut_after_the_swing_is_held_against_where_the_next_was_expected(person):
    before, after = cut(person, "Saw", (10, 11, 10, 9, 10)), cut(person, "Saw", (30,))
    found = person.get(f"/api/compare/return?before={before}&after={after}&margin_deg=0.02")
    a = degrees((10, 11, 10, 9, 10))
    # The board's length is the same for both, and so off by one share of the shift.
    length = LENGTH_IN * 25.4
    share = math.hypot(*(mm / length for mm in (0.5, 2.0, 3.0)), 1e-4) / math.sqrt(3)
    scatter = a.var(ddof=1) * (1 + 1 / 5)
    # Trials that scatter by less than three counts may be rounded alike, on either side.
    count = math.degrees(0.001 / math.sqrt(6) / (2 * LENGTH_IN))
    shift = degrees((30,))[0] - a.mean()
    error = math.hypot(math.sqrt(scatter), math.sqrt(2) * count, share * shift)
    half = stats.t.ppf(0.975, error**4 / (scatter**2 / 4)) * error
    assert found["way"] == "prediction interval"
    assert found["expected"]["low"] == pytest.approx(a.mean() - half, rel=1e-6)
    assert found["expected"]["high"] == pytest.approx(a.mean() + half, rel=1e-6)
    assert found["answer"] == "did not"


def test_a_stop_block_comes_back_in_millimetres(person):
    stop = {"method": "stop-block", "baseline": None, "strips": 3}
    rows = ("412.10", "412.12", "412.11"), ("412.11", "412.12", "412.10")
    before, after = (measured(person, [(r,) for r in of], "Saw", **stop) for of in rows)
    address = f"/api/compare/return?before={before}&after={after}"
    assert person.get(f"{address}&margin_mm=0.1")["answer"] == "came back"
    assert "give margin_mm" in refused(person, f"{address}&margin_deg=0.1")


@pytest.mark.parametrize("margin", ["0", "-1", "nan", "inf", "much"])
def test_a_margin_that_cannot_be_names_its_field(person, margin):
    before, after = cut(person, "Saw", (10, 11)), cut(person, "Saw", (10, 12))
    address = f"/api/compare/return?before={before}&after={after}&margin_deg={margin}"
    assert refused(person, address).startswith("margin_deg: ")
