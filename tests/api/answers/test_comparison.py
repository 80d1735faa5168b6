"""Compare over HTTP, against a second computation from the same readings."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from fastapi.testclient import TestClient
from scipy import stats

from tests.api.bench import Person

LENGTH_IN = 8.026


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def cut(person, machine, thou, **settings):
    """A series of strips whose open ends are so many thou wider."""
    series = person.start(machine, **({"baseline": str(LENGTH_IN), "unit": "in"} | settings))
    for deviation in thou:
        person.press("0.500", f"{0.5 + deviation / 1000:.3f}", unit="in")
    return series


def degrees(thou):
    return np.degrees(np.arctan(np.array(thou) / 1000 / (2 * LENGTH_IN)))


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


def test_the_difference_and_its_interval_are_welchs(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    difference = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]["difference"]
    welch = stats.ttest_ind(degrees(SECOND), degrees(FIRST), equal_var=False)
    low, high = welch.confidence_interval(0.95)
    assert difference["estimate"] == pytest.approx(np.mean(degrees(SECOND) - degrees(FIRST)))
    assert difference["interval"]["low"] == pytest.approx(low, rel=2e-3)
    assert difference["interval"]["high"] == pytest.approx(high, rel=2e-3)
    # Beside the scatter, what more cuts would not lessen: length of the cut, inset, scale.
    length = LENGTH_IN * 25.4
    share = math.hypot(0.5 / length, 2 * 1.0 / length, 1e-4) / math.sqrt(3)
    scatter = [degrees(t).var(ddof=1) / 4 for t in (FIRST, SECOND)]
    own = [(share * degrees(t).mean()) ** 2 for t in (FIRST, SECOND)]
    error = math.sqrt(sum(scatter) + sum(own))
    assert difference["standard_error"] == pytest.approx(error, rel=1e-5)
    df = error**4 / sum(v**2 / 3 for v in scatter)
    assert difference["degrees_of_freedom"] == pytest.approx(df, rel=1e-5)
    p = 2 * stats.t.sf(difference["estimate"] / error, df)
    assert difference["p"] == pytest.approx(p, rel=1e-4)


def test_the_ratio_of_spreads_has_fishers_interval(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    ratio = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]["spread_ratio"]
    expected = degrees(SECOND).std(ddof=1) / degrees(FIRST).std(ddof=1)
    assert ratio["rule"] == "F"
    assert ratio["ratio"] == pytest.approx(expected, rel=1e-6)
    for end, level in (("low", 0.975), ("high", 0.025)):
        assert ratio["interval"][end] == pytest.approx(
            expected / math.sqrt(stats.f.ppf(level, 3, 3)), rel=1e-6
        )


def test_the_second_by_the_first_turns_round_with_them(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    there = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]
    back = person.get(f"/api/compare?a={b}&b={a}")["quantities"]["angle"]
    assert back["further_out"] == there["further_out"]
    assert back["less_steady"] == there["less_steady"]
    assert back["difference"]["estimate"] == -there["difference"]["estimate"]


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
    plain = stats.ttest_ind(groups[2], groups[0], equal_var=False).pvalue
    assert many["pairs"][1]["p_adjusted"] == pytest.approx(min(1, 3 * plain), rel=1e-6)
    assert many["sentence"].startswith("New is above")
    assert len(found["quantities"]["angle"]["series"]) == 3


def test_a_trial_that_was_taken_back_or_is_open_takes_no_part(person):
    a, b = cut(person, "Old saw", FIRST), cut(person, "New saw", SECOND)
    person.press("0.500", "0.900", "0.500", unit="in")
    person.post("/api/benches/main/take-back")
    person.post("/api/benches/main/take-back")
    second = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]["series"][1]
    assert second["trials"] == len(second["values"]) == 4


def test_series_without_trials_are_answered_in_words(person):
    a, b = cut(person, "Old saw", ()), cut(person, "New saw", (3,))
    angle = person.get(f"/api/compare?a={a}&b={b}")["quantities"]["angle"]
    assert angle["sentence"] == "Old saw has no trials yet; cut some to compare."
    assert angle["difference"] is angle["spread_ratio"] is None
    assert angle["further_out"] == {"series": None, "shown": False}


def test_two_series_of_one_machine_are_called_by_their_day(person):
    a, b = cut(person, "Saw", FIRST), cut(person, "Saw", SECOND)
    names = [s["name"] for s in person.get(f"/api/compare?a={a}&b={b}")["series"]]
    assert all(name.startswith("Saw on ") for name in names)
    assert names[0] != names[1]


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
    assert "20 thou more" in length["sentence"].replace("20.0", "20")


# ---- what cannot be compared


def refused(person, address, status=422):
    answer = person.client.get(address)
    assert answer.status_code == status, answer.text
    return answer.json()["detail"]


@pytest.mark.parametrize("method", ["half-turn", "stop-block", "blade-to-slot", "same-spot"])
def test_what_reveals_something_else_is_refused_with_a_sentence(person, method):
    a = cut(person, "Saw", FIRST)
    other = {"thickness": "0.75"} if method == "half-turn" else {}
    baseline = LENGTH_IN if method == "blade-to-slot" else None
    b = person.start("Other", method=method, unit="in", baseline=baseline, **other)
    detail = refused(person, f"/api/compare?a={a}&b={b}")
    assert detail.startswith("b: ")
    assert "choose series" in detail
    assert "more: " in refused(
        person, f"/api/compare?a={a}&b={cut(person, 'Third', FIRST)}&more={b}"
    )


def test_a_series_beside_itself_or_beside_none_is_refused(person):
    a = cut(person, "Saw", FIRST)
    nobody = "01939d3e-7c1a-7000-8000-000000000000"
    assert "same series as a" in refused(person, f"/api/compare?a={a}&b={a}")
    assert "no series with that id" in refused(person, f"/api/compare?a={a}&b={nobody}", 404)
    assert "b: must be a UUID" in refused(person, f"/api/compare?a={a}&b=saw")
    assert "b: is needed" in refused(person, f"/api/compare?a={a}")
    many = "".join(f"&more={nobody}" for _ in range(11))
    assert "give at most 12" in refused(person, f"/api/compare?a={a}&b={nobody}{many}")


# ---- back to its stop


def test_a_saw_that_came_back_within_the_margin_is_said_to_have(person):
    before = cut(person, "Saw", (10, 11, 10, 9, 10))
    person.post("/api/setup-changes", {"machine": "Saw", "kind": "swung and back"}, 201)
    after = cut(person, "Saw", (10, 10, 11, 10, 9))
    found = person.get(f"/api/compare/return?before={before}&after={after}&margin_deg=0.02")
    assert found["answer"] == "came back"
    assert found["more_cuts"] == 0
    assert (found["margin"], found["margin_from"]) == (pytest.approx(0.02), "given")
    assert found["sentence"].startswith("It came back to its stop")
    assert [c["kind"] for c in found["setup_changes"]] == ["swung and back"]
    # Two one-sided tests by hand, with Welch's standard error and degrees of freedom.
    a, b = degrees((10, 11, 10, 9, 10)), degrees((10, 10, 11, 10, 9))
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
        "Recorded between the two: adjusted, cleaned. A shift may come from that rather than "
        "from the stop."
    ]


def test_without_a_margin_half_the_tolerance_is_what_may_be_missed(person):
    before = cut(person, "Saw", (10, 14, 6, 11), tolerance_deg="0.04")
    after = cut(person, "Saw", (16, 5, 14, 3), tolerance_gap="0.004", tolerance_joint="6")
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    # Half of atan(4 thou over 6 in); that of the series after comes first.
    assert found["margin"] == pytest.approx(math.degrees(math.atan(0.004 / 6)) / 2)
    assert found["margin_from"] == "half the tolerance"
    assert found["answer"] == "cannot tell"
    assert found["more_cuts"] > 0
    assert f"About {found['more_cuts']} more cuts would tell" in found["sentence"]


def test_one_cut_after_the_swing_is_held_against_where_the_next_was_expected(person):
    before, after = cut(person, "Saw", (10, 11, 10, 9, 10)), cut(person, "Saw", (30,))
    found = person.get(f"/api/compare/return?before={before}&after={after}&margin_deg=0.02")
    a = degrees((10, 11, 10, 9, 10))
    half = stats.t.ppf(0.975, 4) * a.std(ddof=1) * math.sqrt(1 + 1 / 5)
    assert found["way"] == "prediction interval"
    assert found["expected"]["low"] == pytest.approx(a.mean() - half, rel=1e-6)
    assert found["expected"]["high"] == pytest.approx(a.mean() + half, rel=1e-6)
    assert found["answer"] == "did not"


def test_a_stop_block_comes_back_in_millimetres(person):
    stop = {"method": "stop-block", "baseline": None}
    before = person.start("Saw", **stop)
    person.press("412.10", "412.12", "412.11")
    after = person.start("Saw", **stop)
    person.press("412.11", "412.12", "412.10")
    address = f"/api/compare/return?before={before}&after={after}"
    assert person.get(f"{address}&margin_mm=0.1")["answer"] == "came back"
    assert "give margin_mm" in refused(person, f"{address}&margin_deg=0.1")


@pytest.mark.parametrize("margin", ["0", "-1", "nan", "inf", "much"])
def test_a_margin_that_cannot_be_names_its_field(person, margin):
    before, after = cut(person, "Saw", (10, 11)), cut(person, "Saw", (10, 12))
    address = f"/api/compare/return?before={before}&after={after}&margin_deg={margin}"
    assert refused(person, address).startswith("margin_deg: ")


@pytest.mark.parametrize("question", ["return", "adjustment"])
def test_before_and_after_are_of_one_machine_and_in_this_order(person, question):
    first, second = cut(person, "Saw", (10, 11)), cut(person, "Saw", (10, 12))
    other = cut(person, "Sled", (10, 11))
    address = f"/api/compare/{question}?before="
    assert "change the two round" in refused(person, f"{address}{second}&after={first}")
    assert "another machine" in refused(person, f"{address}{first}&after={other}")
    assert "show angle only" in refused(person, f"{address}{first}&after={second}&quantity=tilt")


def test_what_was_not_the_same_before_and_after_is_said(person):
    before = cut(person, "Saw", (10, 11))
    after = person.start("Saw", baseline="6", unit="in", inset="0.1")
    person.press("0.500", "0.510", "0.500", "0.511", unit="in", caliper="other one")
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    assert any("caliper, length of the cut, inset of the jaws" in note for note in found["notes"])


def test_a_reading_that_was_taken_back_is_of_no_other_caliper(person):
    before, after = cut(person, "Saw", (10, 11)), cut(person, "Saw", (10, 12))
    person.post(f"/api/series/{after}/resume")
    person.press("12.30")
    person.post("/api/benches/main/take-back")
    found = person.get(f"/api/compare/return?before={before}&after={after}")
    assert not any("caliper" in note for note in found["notes"])
    assert [s["calipers"] for s in (found["before"], found["after"])] == [["six-inch"]] * 2


# ---- before and after an adjustment


def test_an_adjustment_that_helped_is_said_to_have_and_by_how_much(person):
    before = cut(person, "Saw", (-60, -58, -61, -59, -60))
    person.post(
        "/api/setup-changes",
        {"machine": "Saw", "kind": "adjusted", "note": "half a turn", "at": str(datetime.now(UTC))},
        201,
    )
    after = cut(person, "Saw", (12, 14, 11, 12, 13))
    found = person.get(f"/api/compare/adjustment?before={before}&after={after}")
    was, now = (degrees(t) for t in ((60, 58, 61, 59, 60), (12, 14, 11, 12, 13)))
    assert found["answer"] == "helped"
    assert found["change"] == pytest.approx(now.mean() - was.mean(), rel=1e-6)
    assert found["interval"]["high"] < 0
    assert found["interval"]["low"] < found["change"] < found["interval"]["high"]
    assert "nearer to nominal" in found["sentence"]
    assert found["setup_changes"][0]["note"] == "half a turn"


def test_lengths_with_no_nominal_one_cannot_tell_what_nearer_means(person):
    stop = {"method": "stop-block", "baseline": None}
    before, after = person.start("Saw", **stop), person.start("Saw", **stop)
    address = f"/api/compare/adjustment?before={before}&after={after}"
    assert "no nominal length is known" in refused(person, address)


FAR, NEAR = (-60, -58, -61, -59, -60), (12, 14, 11, 12, 13)


def nearer_after(person, *kinds):
    """The answer where a saw cut nearer to nominal after something of these kinds happened."""
    before = cut(person, "Saw", FAR)
    for kind in kinds:
        person.post("/api/setup-changes", {"machine": "Saw", "kind": kind}, 201)
    after = cut(person, "Saw", NEAR)
    return person.get(f"/api/compare/adjustment?before={before}&after={after}")


@pytest.mark.parametrize(
    ("kinds", "done"),
    [
        (["moved"], "moved"),
        (["swung and back", "cleaned"], "cleaned"),
        (["moved", "cleaned", "moved"], "moved and cleaned"),
        (["other"], "changed in some other way"),
    ],
)
def test_what_is_not_done_to_cut_nearer_is_not_said_to_have_helped(person, kinds, done):
    found = nearer_after(person, *kinds)
    was, now = (abs(degrees(thou).mean()) for thou in (FAR, NEAR))
    assert found["answer"] == "nothing was adjusted"
    assert "helped" not in found["sentence"]
    assert found["sentence"] == (
        f"Between the two it was {done}, but no adjustment and no other blade is recorded: the"
        f" mean is {was:.4f} degrees from nominal before, {now:.4f} degrees after. If the machine"
        " was adjusted, say so on its page."
    )
    # What differs is told all the same.
    assert found["interval"]["low"] < found["change"] < found["interval"]["high"] < 0
    assert [c["kind"] for c in found["setup_changes"]] == kinds


@pytest.mark.parametrize("kinds", [["blade changed"], ["moved", "adjusted"]])
def test_another_blade_or_an_adjustment_among_others_may_have_helped(person, kinds):
    found = nearer_after(person, *kinds)
    assert found["answer"] == "helped"
    assert found["sentence"].startswith("It helped")


@pytest.mark.parametrize("kinds", [[], ["swung and back"]])
def test_where_nothing_was_done_nothing_is_said_to_have_helped(person, kinds):
    found = nearer_after(person, *kinds)
    assert found["answer"] == "nothing was changed"
    assert found["sentence"].startswith("Nothing is recorded between the two that could have")


def test_without_cuts_from_before_there_is_nothing_to_tell_apart(person):
    before = cut(person, "Saw", ())
    person.post("/api/setup-changes", {"machine": "Saw", "kind": "moved"}, 201)
    after = cut(person, "Saw", (12, 14))
    found = person.get(f"/api/compare/adjustment?before={before}&after={after}")
    assert found["answer"] == "nothing was adjusted"
    assert found["change"] is None
    assert found["sentence"] == (
        "Between the two it was moved, but no adjustment and no other blade is recorded. If the"
        " machine was adjusted, say so on its page."
    )
