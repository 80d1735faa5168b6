"""A machine's history, over HTTP."""

from __future__ import annotations

import math
import statistics
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.api.answers.measuring import (
    MONDAY,
    checked_on,
    history,
    machine_of,
    measured,
    reversals,
)
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH
from tests.ptys import until
from tests.whole.forked import serving


@pytest.fixture
def person(client):
    return Person(client)


# ---- the series


@ON_BOTH
def test_the_history_says_of_each_series_what_the_series_says_itself(person):
    rng = np.random.default_rng(4)
    machine = "Window saw"
    many = [
        measured(person, reversals(0.06, 0.03, 5, rng), machine, tolerance_deg="0.05"),
        measured(person, reversals(-0.2, 0.03, 1, rng), machine, inset="4"),
        measured(person, reversals(0.01, 0.0, 3, rng), machine),  # rounding stays
        measured(person, [("0.584", "1.617"), ("0.585", "1.614")], machine, baseline="8.026",
                 unit="in", strip_side="right"),
        measured(person, [("10.0", "10.1", "10.3", "10.4"), ("10.1", "10.2", "10.3", "10.6")],
                 machine, method="roll", thickness="19"),
        measured(person, [("10.02", "10.11"), ("10.03", "10.11")], machine, method="half-turn",
                 baseline=None, thickness="38"),
        measured(person, [("10.2", "10.9")], machine, method="five-cut"),
        measured(person, [("300.1",), ("300.2",), ("300.4",)], machine, method="stop-block",
                 baseline=None, tolerance_length="0.5", tolerance_nominal="300"),
        measured(person, [("0.4",), ("0.5",)], machine, method="closing-miters", baseline="60",
                 pieces=6),
        measured(person, [("19.1", "19.3"), ("19.2", "19.3")], machine, method="planed-thickness"),
        measured(person, [("10.00", "10.30"), ("10.01", "10.33")], machine, method="blade-to-slot"),
    ]  # fmt: skip
    found = history(person)
    assert [s["id"] for s in found["series"]] == many
    for told in found["series"]:
        alone = person.series(told["id"])["score"]["quantities"]
        assert told["quantities"].keys() == alone.keys()
        for name, quantity in told["quantities"].items():
            for field in ("mean", "sd", "expanded_uncertainty", "coverage_factor"):
                other = alone[name][field]
                expected = None if other is None else pytest.approx(other, rel=1e-9, abs=1e-12)
                assert quantity[field] == expected, (told["method"], name, field)
            assert quantity["verdict"] == alone[name]["verdict"]
            assert quantity["trials"] == alone[name]["trials"]
            assert quantity["unit"] == alone[name]["unit"]


def test_what_studies_know_of_the_caliper_is_known_in_the_history_too(person):
    rng = np.random.default_rng(5)
    measured(person, reversals(0.06, 0.03, 1, rng))
    spot = [(f"{20 + rng.normal(0, 0.005):.3f}",) for _ in range(12)]
    measured(person, spot, "Desk", method="same-spot", baseline=None)
    later = measured(person, reversals(0.06, 0.03, 1, rng))
    told = {s["id"]: s for s in history(person)["series"]}[later]["quantities"]["angle"]
    alone = person.series(later)["score"]["quantities"]["angle"]
    assert told["expanded_uncertainty"] == pytest.approx(alone["expanded_uncertainty"], rel=1e-9)
    usual = math.degrees(1.96 * math.sqrt(2) * 0.02 / 400)
    assert told["expanded_uncertainty"] < usual / 2  # 0.02 mm was not taken for granted


def test_a_study_of_a_caliper_is_no_check_of_the_machine(person):
    measured(person, [("20.01",), ("20.02",)], method="same-spot", baseline=None)
    found = history(person)
    assert found["series"][0]["quantities"] == {}
    assert found["series"][0]["trials"] == 2
    assert found["drift"] == {}
    assert found["standing"]["sentence"].startswith("Not checked yet")


def test_a_trial_without_all_its_readings_counts_for_nothing(person):
    measured(person, [("10.00", "10.40"), ("10.00",)])
    series = history(person)["series"][0]
    assert (series["trials"], series["quantities"]["angle"]["trials"]) == (1, 1)


def test_two_calipers_of_one_trial_are_told_apart(person):
    series = person.start()
    person.press("10.00", caliper="red one")
    person.press("10.40", caliper="blue one")
    person.post(f"/api/series/{series}/finish")
    assert sorted(history(person)["series"][0]["calipers"]) == ["blue one", "red one"]


@ON_BOTH
def test_two_calipers_are_no_third_one_that_is_called_like_both(person):
    for calipers in (("jaw left", "jaw left"), ("jaw", "left")):
        series = person.start()
        for caliper, sent in zip(calipers, ("10.00", "10.40"), strict=True):
            person.press(sent, caliper=caliper)
        person.post(f"/api/series/{series}/finish")
    found = [set(s["calipers"]) for s in history(person)["series"]]
    assert sorted(found, key=len) == [{"jaw left"}, {"jaw", "left"}]


@ON_BOTH
def test_a_machine_is_found_by_its_name_as_well(person):
    measured(person, [("10.00", "10.40")], "<script>alert(1)</script> saw")
    found = person.get("/api/machines/%3Cscript%3Ealert(1)%3C%2Fscript%3E%20saw/advice")
    assert found["machine"]["name"] == "<script>alert(1)</script> saw"


def test_an_unknown_machine_is_said_to_be_one(client):
    answer = client.get("/api/machines/nowhere/history")
    assert answer.status_code == 404
    assert "there is no machine nowhere" in answer.json()["detail"]


# ---- drift


def test_each_phase_between_setup_changes_is_judged_by_its_own_checks(server, person):
    rng = np.random.default_rng(6)
    for week in range(12):
        lean = 0.03 if week < 6 else 0.10
        checked_on(server, person, MONDAY + timedelta(weeks=week), reversals(lean, 0.02, 4, rng))
    change = person.post(
        "/api/setup-changes",
        {
            "machine": machine_of(person),
            "kind": "moved",
            "at": (MONDAY + timedelta(weeks=5, days=3)).isoformat(),
        },
        201,
    )
    line = history(person)["drift"]["reversal/angle"]
    assert [(p["start"], p["stop"], p["since"]) for p in line["phases"]] == [(0, 6, 0), (6, 12, 6)]
    assert [p["setup_changes"] for p in line["phases"]] == [[], [change["id"]]]
    for phase in line["phases"]:
        values = line["values"][phase["start"] : phase["stop"]]
        # Four trials each, so all checks weigh the same.
        assert phase["centre"] == pytest.approx(statistics.fmean(values), rel=1e-6)
        assert phase["sigma"] >= statistics.stdev(values) * (1 - 1e-6)
        assert phase["upper"] - phase["centre"] == pytest.approx(phase["centre"] - phase["lower"])
        expected = line["expected"][phase["start"] : phase["stop"]]
        assert expected[:2] == [None, None]
        assert all(
            low < value < high for value, (low, high) in zip(values[2:], expected[2:], strict=True)
        )
    assert line["suspected_shifts"] == []
    assert line["creeps"] == []
    assert line["sentence"].startswith("No change shows since the last setup change: 6 series")


def test_a_stop_that_creeps_is_told_from_when_to_when(server, person):
    rng = np.random.default_rng(9)
    ids = [
        checked_on(
            server,
            person,
            MONDAY + timedelta(weeks=week),
            reversals(0.02 + 0.006 * max(week - 7, 0), 0.02, 4, rng),
        )
        for week in range(20)
    ]
    line = history(person)["drift"]["reversal/angle"]
    (creep,) = line["creeps"]
    assert line["suspected_shifts"] == []
    assert ids.index(creep["first"]) in range(4, 11)
    assert creep["last"] == ids[-1]
    assert ids.index(creep["told_at"]) in range(8, 18)
    assert creep["after"] - creep["before"] == pytest.approx(0.072, abs=0.015)
    assert creep["sentence"] in line["sentence"]
    assert line["phases"][0]["since"] > 8


def test_checks_of_one_strip_and_no_scatter_are_alike_and_never_creep(server, person):
    for week in range(6):
        rows = [("10.01", "10.36"), ("10.53", "10.88"), ("11.07", "11.42"), ("9.64", "9.99")]
        checked_on(server, person, MONDAY + timedelta(weeks=week), rows[: 1 + week % 4])
    line = history(person)["drift"]["reversal/angle"]
    assert line["sentence"] == (
        "No change shows: all 6 series are alike to the caliper's last digit."
    )
    assert (line["creeps"], line["suspected_shifts"], line["phases"][0]["out"]) == ([], [], [])


def test_a_stop_that_slipped_unrecorded_is_suspected_with_its_date(server, person):
    rng = np.random.default_rng(7)
    ids = [
        checked_on(
            server,
            person,
            MONDAY + timedelta(weeks=week),
            reversals(0.02 if week < 9 else 0.06, 0.02, 4, rng),
        )
        for week in range(16)
    ]
    found = history(person)
    (shift,) = found["drift"]["reversal/angle"]["suspected_shifts"]
    assert shift["series"] == ids[9]
    assert shift["at"].startswith("2025-03-10")
    assert shift["first_at"] <= shift["at"] <= shift["last_at"]
    assert shift["p"] < 0.01
    assert shift["after"] - shift["before"] == pytest.approx(0.04, abs=0.005)
    assert "10 March 2025" in shift["sentence"]


@ON_BOTH
def test_checks_before_and_after_a_change_of_the_same_moment_are_kept_apart(server, person):
    rng = np.random.default_rng(8)
    for week in range(2):
        checked_on(server, person, MONDAY + timedelta(weeks=week), reversals(0, 0.02, 2, rng))
    at = (MONDAY + timedelta(weeks=1)).isoformat()
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "cleaned", "at": at}, 201)
    phases = history(person)["drift"]["reversal/angle"]["phases"]
    assert [(p["start"], p["stop"]) for p in phases] == [(0, 1), (1, 2)]


@ON_BOTH
def test_lengths_of_different_parts_are_compared_by_their_error(person):
    for nominal in (300, 450):
        measured(
            person, [(f"{nominal + 0.2:.1f}",), (f"{nominal + 0.4:.1f}",)], method="stop-block",
            baseline=None, tolerance_length="0.5", tolerance_nominal=str(nominal),
        )  # fmt: skip
    for length in ("100.0", "24.9", "100.4"):  # wanted length not said
        measured(person, [(length,)], method="stop-block", baseline=None)
    for least, most in (("0.00", "0.05"), ("0.10", "0.13")):
        measured(person, [(least, most)], method="run-out", baseline=None)
    lines = history(person)["drift"]
    assert {key: line["values"] for key, line in lines.items()} == {
        "stop-block/length": pytest.approx([0.3, 0.3]),
        "stop-block/length, parts of 100.0 mm": pytest.approx([0.0, 0.4]),
        "stop-block/length, parts of 24.9 mm": [0.0],
        "run-out/length": pytest.approx([0.05, 0.03]),
    }
    page = person.client.get("/machine/Window saw").text
    assert "Stop block: length of about 100 mm" in page


def test_the_halves_of_a_fence_have_histories_of_their_own(person):
    corners = [("10.00", "10.00", "10.40", "10.41"), ("10.01", "10.00", "10.43", "10.40")]
    swapped = [("10.00", "10.00", "10.10", "10.11"), ("10.01", "10.00", "10.13", "10.10")]
    right = measured(person, corners, method="roll", thickness="19", strip_side="left")
    left = measured(person, swapped, method="roll", thickness="19", strip_side="right")
    reversal = measured(person, [("10.00", "10.20"), ("10.00", "10.22")])
    found = history(person)
    assert found["drift"].keys() == {
        "roll/angle/left",
        "roll/angle/right",
        "roll/tilt",
        "reversal/angle",
    }
    # The strip falls left of the blade when the board stays right of it.
    assert found["drift"]["roll/angle/right"]["series"] == [right]
    halves = found["fence_halves"]
    assert (halves["left"], halves["right"], halves["reversal"]) == (left, right, reversal)
    assert halves["right_deg"] == pytest.approx(math.degrees(math.atan(0.41 / 400)), rel=0.02)
    assert halves["left_deg"] == pytest.approx(-math.degrees(math.atan(0.105 / 400)), rel=0.1)
    assert not halves["in_line"]
    assert "out of line" in halves["sentence"]


@ON_BOTH
def test_rolls_on_either_side_of_a_setup_change_are_no_pair(person):
    corners = [("10.00", "10.00", "10.40", "10.41"), ("10.01", "10.00", "10.43", "10.40")]
    measured(person, corners, method="roll", thickness="19", strip_side="left")
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted"}, 201)
    measured(person, corners, method="roll", thickness="19", strip_side="right")
    assert history(person)["fence_halves"] is None


def test_what_a_first_history_would_wait_for_is_loaded_before_anybody_asks(tmp_path):
    with serving(tmp_path / "shop") as server:
        loaded = Path(f"/proc/{server.process.pid}/maps")
        assert until(lambda: "scipy/special" in loaded.read_text(), 60)
        assert server.get("/api/health")["status"] == "ok"
        server.stop()
        assert server.log.read_text() == ""
