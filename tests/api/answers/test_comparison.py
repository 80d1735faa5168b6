"""Compare over HTTP, against a second computation from the same readings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from fastapi.testclient import TestClient
from scipy import optimize, stats

from tests.api.answers.cutting import LENGTH_IN, cut, degrees
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


FIRST, SECOND = (6, 10, 5, 11), (16, 17, 15, 14)


def test_further_out_and_less_steady_are_told_apart(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    found = person.get(f"/api/compare?a={a}&b={b}")
    angle = found["quantities"]["angle"]
    # Common practice, no source: the second saw is further out, and steadier.
    assert angle["further_out"] == {"series": b, "shown": True}
    assert angle["less_steady"] == {"series": a, "shown": False}
    assert angle["sentence"].startswith("New saw is further out")
    assert "steadier" in angle["sentence"]
    first, second = angle["series"]
    # Ranges of 6 and 3 thou of deviation.
    assert first["range"] == pytest.approx(np.ptp(degrees(FIRST)), rel=1e-6)
    assert second["range"] == pytest.approx(np.ptp(degrees(SECOND)), rel=1e-6)
    assert [v["value"] for v in first["values"]] == pytest.approx(list(degrees(FIRST)))
    assert [v["number"] for v in first["values"]] == [1, 2, 3, 4]
    assert first["mean"] == first["out_by"] == pytest.approx(degrees(FIRST).mean())
    assert [s["head"]["machine"]["name"] for s in found["series"]] == ["Old saw", "New saw"]
    assert found["series"][0]["score"] == person.series(a)["score"]
    assert found["notes"] == []


# Of an angle's own size, standard: length of the cut, inset at both ends, half of jaws whose width
# is not said, scale.
SHARE = math.hypot(*(mm / (LENGTH_IN * 25.4) for mm in (0.5, 2.0, 3.0)), 1e-4) / math.sqrt(3)


def expanded(at, scatter, fixed):
    """Two means of four trials each: each part by its own quantile, in squares."""
    return math.hypot(stats.t.ppf(at, 3) * scatter, stats.norm.ppf(at) * fixed)


def p_of(size, scatter, fixed):
    """The p at which the interval of a difference of that size just reaches zero."""
    return 2 * optimize.brentq(
        lambda tail: expanded(1 - tail, scatter, fixed) - size, 1e-12, 0.4, xtol=1e-15
    )


def test_the_difference_has_welchs_error_and_an_interval_for_few_trials(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    difference = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]["difference"]
    assert difference["estimate"] == pytest.approx(np.mean(degrees(SECOND) - degrees(FIRST)))
    # Beside the scatter, what more trials would not lessen: length of the cut, inset, scale. One
    # board and one caliper give both the same share of it, so it counts for the difference alone.
    scatter = [degrees(t).var(ddof=1) / 4 for t in (FIRST, SECOND)]
    error = math.hypot(math.sqrt(sum(scatter)), SHARE * difference["estimate"])
    assert difference["standard_error"] == pytest.approx(error, rel=1e-5)
    df = error**4 / sum(v**2 / 3 for v in scatter)
    assert difference["degrees_of_freedom"] == pytest.approx(df, rel=1e-5)
    # Welch's interval holds less often than 95 % where a side has fewer than five trials.
    parts = math.sqrt(sum(scatter)), SHARE * difference["estimate"]
    half = expanded(0.975, *parts)
    assert difference["interval"]["low"] == pytest.approx(difference["estimate"] - half, rel=1e-5)
    assert difference["interval"]["high"] == pytest.approx(difference["estimate"] + half, rel=1e-5)
    assert difference["p"] == pytest.approx(p_of(difference["estimate"], *parts), rel=1e-4)


def test_the_ratio_of_spreads_has_fishers_interval(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    ratio = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]["spread_ratio"]
    first, second = (degrees(thou).std(ddof=1) for thou in (FIRST, SECOND))
    assert ratio["rule"] == "F"
    assert ratio["ratio"] == pytest.approx(second / first, rel=1e-6)
    # One end without the part of the larger spread that may be the rounding to a thou.
    rounding = math.degrees(0.001 / math.sqrt(6) / (2 * LENGTH_IN))
    low, high = (math.sqrt(sd**2 - rounding**2) for sd in (second, first))
    for end, expected, level in (("low", low / first, 0.975), ("high", second / high, 0.025)):
        assert ratio["interval"][end] == pytest.approx(
            expected / math.sqrt(stats.f.ppf(level, 3, 3)), rel=1e-4
        )


def test_the_second_by_the_first_turns_round_with_them(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    there = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]
    back = person.get(f"/api/compare?a={b}&b={a}")["quantities"]["angle"]
    assert back["further_out"] == there["further_out"]
    assert back["less_steady"] == there["less_steady"]
    assert back["difference"]["estimate"] == -there["difference"]["estimate"]


@ON_BOTH
def test_three_machines_pay_for_three_pairs(person):
    series = [
        cut(person, name, thou)
        for name, thou in (("Old", FIRST), ("New", SECOND), ("Sled", (1, 2, 1, 3)))
    ]
    found = person.get("/api/compare?a={}&b={}&more={}".format(*series))
    many = found["quantities"]["angle"]["many"]
    groups = [degrees(t) for t in (FIRST, SECOND, (1, 2, 1, 3))]
    assert many["anova_p"] == pytest.approx(stats.f_oneway(*groups).pvalue, rel=1e-6)
    assert [(p["first"], p["second"]) for p in many["pairs"]] == [
        (series[0], series[1]),
        (series[0], series[2]),
        (series[1], series[2]),
    ]
    # With what the length of one board is off by.
    scatter, gap = [g.var(ddof=1) / 4 for g in groups], groups[2].mean() - groups[0].mean()
    # The sled scatters by no more than the caliper's count, which then does not average out.
    count = math.degrees(0.001 / math.sqrt(6) / (2 * LENGTH_IN))
    plain = p_of(abs(gap), math.sqrt(scatter[0] + scatter[2]), math.hypot(SHARE * gap, count))
    assert many["pairs"][1]["p_adjusted"] == pytest.approx(min(1, 3 * plain), rel=1e-4)
    assert many["sentence"].startswith("New is above")
    assert len(found["quantities"]["angle"]["series"]) == 3


@ON_BOTH
def test_a_trial_that_was_taken_back_or_is_open_takes_no_part(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    person.post(f"/api/series/{b}/resume")
    person.press("0.500", "0.900", "0.500", unit="in")
    person.post("/api/benches/main/take-back")
    person.post("/api/benches/main/take-back")
    second = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]["series"][1]
    assert second["trials"] == len(second["values"]) == 4


def test_series_without_trials_are_answered_in_words(person):
    a, b = cut(person, "Old saw", ()), cut(person, "New saw", (3,))
    angle = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]
    assert angle["sentence"] == "Old saw has no strips yet; make some to compare."
    assert angle["difference"] is angle["spread_ratio"] is None
    assert angle["further_out"] == {"series": None, "shown": False}


def test_a_roll_compares_with_both_it_reveals(person):
    roll = {"method": "roll", "thickness": "0.75"}
    a, b = (
        person.start(name, baseline=str(LENGTH_IN), unit="in", **roll) for name in ("One", "Two")
    )
    found = person.get(f"/api/compare?a={a}&b={b}")
    assert list(found["quantities"]) == ["angle", "tilt"]
    c = cut(person, "Saw", FIRST)
    found = person.get(f"/api/compare?a={a}&b={c}")
    assert list(found["quantities"]) == ["angle"]
    assert "different methods: Roll shows the angle" in found["notes"][0]


def test_lengths_are_compared_as_errors_where_a_nominal_length_is_known(person):
    stop = {"method": "stop-block", "baseline": None, "tolerance_length": "0.2"}
    a = person.start("Stop one", **stop, tolerance_nominal="412")
    person.press("412.10", "412.14", "412.12")
    b = person.start("Stop two", **stop, tolerance_nominal="300")
    person.press("300.02", "300.05", "299.98")
    length = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["length"]
    first, second = length["series"]
    assert (first["mean"], second["mean"]) == (
        pytest.approx(412.12),
        pytest.approx(300.05 / 1.5 + 100, abs=1),
    )
    assert first["out_by"] == pytest.approx(0.12)
    assert [v["value"] for v in second["values"]] == [300.02, 300.05, 299.98]
    assert length["difference"]["estimate"] == pytest.approx(0.05 / 3 - 0.12)
    assert length["further_out"]["series"] == a
    assert length["unit"] == "mm"


def test_lengths_without_a_nominal_one_are_not_further_out(person):
    stop = {"method": "stop-block", "baseline": None, "unit": "in"}
    a = person.start("Stop one", **stop)
    person.press("12.010", "12.012", "12.011", unit="in")
    b = person.start("Stop two", **stop)
    person.press("12.030", "12.031", "12.032", unit="in")
    length = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["length"]
    assert length["further_out"] == {"series": None, "shown": False}
    assert length["series"][0]["out_by"] is None
    assert length["difference"]["estimate"] == pytest.approx(0.020 * 25.4)
    assert "20.00 thou more" in length["sentence"]
