"""A machine's history, what to move, and what its error does to the work, over HTTP."""

from __future__ import annotations

import math
import statistics
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from uuid import UUID

import numpy as np
import pytest

from api.answers.moments import ago
from api.web.routes.series import new_series
from api.web.shapes import SeriesIn
from tests.api.bench import Person
from tests.ptys import until
from tests.whole.serving import serving

_MONDAY = datetime(2025, 1, 6, 9, tzinfo=UTC)


@pytest.fixture
def person(client):
    return Person(client)


def measured(person, rows, machine="Window saw", **settings):
    """A finished series whose trials read `rows`; its id."""
    series = person.start(machine, **settings)
    unit = settings.get("unit", "mm")
    for row in rows:
        person.press(*row, unit=unit)
    person.post(f"/api/series/{series}/finish")
    return series


def reversals(error_deg, scatter_mm, trials, rng, baseline_mm=200.0):
    """Two widths of each strip that a saw so far off would leave."""
    deviation = 2 * baseline_mm * math.tan(math.radians(error_deg))
    return [
        (
            f"{10 + rng.normal(0, scatter_mm):.2f}",
            f"{10 + deviation + rng.normal(0, scatter_mm):.2f}",
        )
        for _ in range(trials)
    ]


def checked_on(server, person, at, rows, machine="Window saw", **settings):
    """A series of the past."""
    made = person.post("/api/machines", {"name": machine, "kind": "other"}, 201)
    body = {"machine": made["id"], "method": "reversal", "baseline": "200"}
    body |= {"unit": "mm", "strip_side": "left"} | settings
    series = server.journal.start(new_series(SeriesIn(**body), UUID(made["id"])), at)
    for row in rows:
        person.press(*row)
    server.journal.finish(series, at + timedelta(minutes=20))
    return str(series)


def machine_of(person, name="Window saw"):
    return next(m["id"] for m in person.get("/api/machines") if m["name"] == name)


def history(person, name="Window saw"):
    return person.get(f"/api/machines/{machine_of(person, name)}/history")


def refused(client, path):
    answer = client.get(path)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.json()["errors"][0]


# ---- the series


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


def test_two_calipers_are_no_third_one_that_is_called_like_both(person):
    for calipers in (("jaw left", "jaw left"), ("jaw", "left")):
        series = person.start()
        for caliper, sent in zip(calipers, ("10.00", "10.40"), strict=True):
            person.press(sent, caliper=caliper)
        person.post(f"/api/series/{series}/finish")
    found = [set(s["calipers"]) for s in history(person)["series"]]
    assert sorted(found, key=len) == [{"jaw left"}, {"jaw", "left"}]


def test_a_machine_is_found_by_its_name_as_well(person):
    measured(person, [("10.00", "10.40")], "<script>alert(1)</script> saw")
    found = person.get("/api/machines/%3Cscript%3Ealert(1)%3C%2Fscript%3E%20saw/advice")
    assert found["machine"]["name"] == "<script>alert(1)</script> saw"


def test_an_unknown_machine_is_said_to_be_one(client):
    answer = client.get("/api/machines/nowhere/history")
    assert answer.status_code == 404
    assert "there is no machine nowhere" in answer.json()["detail"]


# ---- drift


def test_limits_are_those_of_individuals_and_phases_end_at_setup_changes(server, person):
    rng = np.random.default_rng(6)
    for week in range(12):
        lean = 0.03 if week < 6 else 0.10
        checked_on(server, person, _MONDAY + timedelta(weeks=week), reversals(lean, 0.02, 4, rng))
    change = person.post(
        "/api/setup-changes",
        {
            "machine": machine_of(person),
            "kind": "moved",
            "at": (_MONDAY + timedelta(weeks=5, days=3)).isoformat(),
        },
        201,
    )
    line = history(person)["drift"]["reversal/angle"]
    assert [(p["start"], p["stop"]) for p in line["phases"]] == [(0, 6), (6, 12)]
    assert [p["setup_changes"] for p in line["phases"]] == [[], [change["id"]]]
    for phase in line["phases"]:
        values = line["values"][phase["start"] : phase["stop"]]
        ranges = [abs(b - a) for a, b in pairwise(values)]
        # NIST/SEMATECH e-Handbook 6.3.2.2: mean +- 3 MR / 1.128
        half = 3 * statistics.fmean(ranges) / 1.128
        assert phase["centre"] == pytest.approx(statistics.fmean(values), rel=1e-9)
        assert phase["upper"] - phase["centre"] == pytest.approx(half, rel=1e-3)
        assert phase["lower"] == pytest.approx(2 * phase["centre"] - phase["upper"])
    assert line["suspected_shifts"] == []
    assert line["ewma"]["start"] == 6
    assert len(line["ewma"]["values"]) == 6


def test_a_stop_that_slipped_unrecorded_is_suspected_with_its_date(server, person):
    rng = np.random.default_rng(7)
    ids = [
        checked_on(
            server,
            person,
            _MONDAY + timedelta(weeks=week),
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


def test_checks_before_and_after_a_change_of_the_same_moment_are_kept_apart(server, person):
    rng = np.random.default_rng(8)
    for week in range(2):
        checked_on(server, person, _MONDAY + timedelta(weeks=week), reversals(0, 0.02, 2, rng))
    at = (_MONDAY + timedelta(weeks=1)).isoformat()
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "cleaned", "at": at}, 201)
    phases = history(person)["drift"]["reversal/angle"]["phases"]
    assert [(p["start"], p["stop"]) for p in phases] == [(0, 1), (1, 2)]


def test_lengths_of_different_parts_are_compared_by_their_error(person):
    for nominal in (300, 450):
        measured(
            person, [(f"{nominal + 0.2:.1f}",), (f"{nominal + 0.4:.1f}",)], method="stop-block",
            baseline=None, tolerance_length="0.5", tolerance_nominal=str(nominal),
        )  # fmt: skip
    measured(person, [("100.0",)], method="stop-block", baseline=None)  # wanted length not said
    line = history(person)["drift"]["stop-block/length"]
    assert line["values"] == pytest.approx([0.3, 0.3])


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


def test_rolls_on_either_side_of_a_setup_change_are_no_pair(person):
    corners = [("10.00", "10.00", "10.40", "10.41"), ("10.01", "10.00", "10.43", "10.40")]
    measured(person, corners, method="roll", thickness="19", strip_side="left")
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted"}, 201)
    measured(person, corners, method="roll", thickness="19", strip_side="right")
    assert history(person)["fence_halves"] is None


# ---- how it stands


def test_how_it_stands_is_what_was_found_last_and_how_old_that_is(person):
    rng = np.random.default_rng(9)
    measured(person, reversals(0.2, 0.02, 5, rng), tolerance_deg="0.05")
    last = measured(person, reversals(0.01, 0.02, 5, rng), tolerance_deg="0.05")
    standing = history(person)["standing"]
    assert (standing["verdict"], standing["series"]) == ("good enough", last)
    assert "Checked today" in standing["sentence"]


def test_after_a_setup_change_nothing_is_known_until_it_is_measured_again(person):
    rng = np.random.default_rng(10)
    measured(person, reversals(0.01, 0.02, 5, rng), tolerance_deg="0.05")
    change = person.post(
        "/api/setup-changes", {"machine": "Window saw", "kind": "blade changed"}, 201
    )
    standing = history(person)["standing"]
    assert standing["verdict"] is None
    assert standing["setup_change"] == change["id"]
    assert "given another blade" in standing["sentence"]
    assert "how it stands now is not known" in standing["sentence"]
    measured(person, reversals(0.01, 0.02, 5, rng), tolerance_deg="0.05")
    assert history(person)["standing"]["verdict"] == "good enough"


def test_what_asks_for_something_to_be_done_comes_before_what_is_fine(person):
    rng = np.random.default_rng(11)
    bad = measured(
        person, [("10.00", "10.60"), ("10.01", "10.60"), ("10.00", "10.61")], method="half-turn",
        baseline=None, thickness="38", tolerance_deg="0.1",
    )  # fmt: skip
    measured(person, reversals(0.0, 0.02, 5, rng), tolerance_deg="0.05")
    standing = history(person)["standing"]
    assert (standing["verdict"], standing["series"]) == ("needs adjusting", bad)
    assert standing["quantity"] == "tilt"


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-1, "today"), (0, "today"), (1, "yesterday"), (2, "2 days ago"), (20, "20 days ago"),
        (21, "3 weeks ago"), (59, "8 weeks ago"), (60, "2 months ago"), (90, "3 months ago"),
        (729, "24 months ago"), (731, "2 years ago"),
    ],
)  # fmt: skip
def test_an_age_is_said_in_words_a_person_would_use(days, words):
    now = datetime(2026, 6, 10, 12).astimezone()
    assert ago(now - timedelta(days=days), now) == words


# ---- what to move


def test_the_move_at_the_adjusting_point_takes_the_error_away(person):
    series = measured(person, [("10.00", "10.40"), ("10.01", "10.42"), ("10.00", "10.39")])
    angle = person.series(series)["score"]["quantities"]["angle"]
    e = math.radians(angle["mean"])
    machine = machine_of(person)
    advice = person.get(f"/api/machines/{machine}/advice?pivot=left&span=600&pitch=1.25")
    (told,) = advice["advice"]
    assert advice["series"] == series
    assert told["move"]["distance_mm"] == pytest.approx(600 * math.tan(e))
    assert told["move"]["turns"] == pytest.approx(600 * math.tan(e) / 1.25)
    expanded = math.radians(angle["expanded_uncertainty"])
    assert told["move"]["uncertainty_mm"] == pytest.approx(600 * expanded / math.cos(e) ** 2)
    assert told["move"]["toward_board"] is False  # open end leans right, pivot left
    assert told["blade_turn_deg"] == pytest.approx(angle["mean"])
    assert told["predicted"]["high"] == pytest.approx(angle["expanded_uncertainty"])
    other = person.get(f"/api/machines/{machine}/advice?pivot=right&span=600")["advice"][0]
    assert other["move"]["toward_board"] is True
    assert any("Unplug" in caution for caution in advice["cautions"])


def test_a_span_in_inches_is_the_same_span(person):
    measured(person, [("10.00", "10.40"), ("10.01", "10.42")])
    path = f"/api/machines/{machine_of(person)}/advice"
    inches = person.get(f"{path}?span=24&pitch=0.05&unit=in")["advice"]
    assert inches == person.get(f"{path}?span=609.6&pitch=1.27")["advice"]


def test_an_error_lost_in_its_uncertainty_is_left_alone(person):
    measured(person, [("10.00", "10.03"), ("10.03", "10.00"), ("10.01", "10.02")])
    (told,) = person.get(f"/api/machines/{machine_of(person)}/advice?span=600")["advice"]
    assert told["leave_it"]
    assert told["move"] is None


def test_advice_from_before_a_change_says_so(person):
    measured(person, [("10.00", "10.40"), ("10.01", "10.42")])
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted"}, 201)
    advice = person.get(f"/api/machines/{machine_of(person)}/advice")
    assert "measure again before you move anything" in advice["notes"][0]


def test_each_kind_of_check_has_its_own_mending(person):
    for method, rows, settings, words in (
        ("half-turn", [("10.00", "10.60")] * 3, {"baseline": None, "thickness": "38"},
         "its top goes to the left"),
        ("blade-to-slot", [("10.00", "10.60")] * 3, {}, "back of the blade comes to the left"),
        ("planed-thickness", [("19.00", "19.60")] * 3, {}, "nearer together at the right"),
        ("closing-miters", [("1.60",)] * 3, {"baseline": "60"}, "further from square"),
        ("stop-block", [("300.8",)] * 3, {"baseline": None, "tolerance_length": "0.2",
         "tolerance_nominal": "300"}, "Move the stop nearer to the blade"),
    ):  # fmt: skip
        machine = f"saw for {method}"
        measured(person, rows, machine, method=method, **settings)
        told = person.get(f"/api/machines/{machine_of(person, machine)}/advice")["advice"]
        assert any(words in t["sentence"] for t in told), told


def test_what_cannot_be_advised_on_says_why(person, client):
    measured(person, [("10.00", "10.40")])
    elsewhere = measured(person, [("10.00", "10.40")], "Attic saw")
    study = measured(person, [("20.01",)], method="same-spot", baseline=None)
    empty = person.start("New saw")
    path = f"/api/machines/{machine_of(person)}/advice"
    assert refused(client, f"{path}?span=wide")["field"] == "span"
    assert refused(client, f"{path}?span=0")["field"] == "span"
    assert refused(client, f"{path}?span=600&pitch=-1")["field"] == "pitch"
    assert refused(client, f"{path}?pivot=middle")["field"] == "pivot"
    assert "none of this machine's" in refused(client, f"{path}?series={elsewhere}")["message"]
    assert "checks the caliper" in refused(client, f"{path}?series={study}")["message"]
    other = f"/api/machines/{machine_of(person, 'New saw')}/advice"
    assert "measure it first" in refused(client, other)["message"]
    assert "measure first" in refused(client, f"{other}?series={empty}")["message"]


# ---- what it does to the work


def test_an_error_is_told_as_the_gaps_it_leaves(person):
    query = "angle_deg=0.06&u_deg=0.01&joint=150&width=400&height=700&pieces=4"
    found = person.get(f"/api/work?{query}")
    e, u = math.radians(0.06), math.radians(0.01)
    assert found["joint"]["mm"] == pytest.approx(150 * math.tan(e))
    assert found["joint"]["expanded_uncertainty_mm"] == pytest.approx(150 * u, rel=1e-5)
    assert found["side"]["mm"] == pytest.approx(700 * math.tan(e))
    # The law of cosines, for the corners of 90 degrees more and less the error.
    long, short = (
        math.sqrt(400**2 + 700**2 - 2 * 400 * 700 * math.cos(math.pi / 2 + way * e))
        for way in (1, -1)
    )
    assert found["case"]["mm"] == pytest.approx(long - short, rel=1e-8)
    assert found["frame"]["mm"] == pytest.approx(150 * math.tan(8 * e))
    for name in ("joint", "side", "case", "frame"):
        more = person.get(f"/api/work?{query.replace('0.06', '0.061')}")[name]["mm"]
        slope = (more - found[name]["mm"]) / math.radians(0.001)
        assert found[name]["expanded_uncertainty_mm"] == pytest.approx(slope * u, rel=1e-3)


def test_an_accepted_gap_allows_the_error_that_leaves_it(person):
    query = "joint=150&gap=0.2&width=400&height=700&pieces=4"
    allowed = {a["of"]: a["deg"] for a in person.get(f"/api/work?{query}")["allowed"]}
    assert allowed.keys() == {"joint", "case", "frame"}
    for name, deg in allowed.items():
        back = person.get(f"/api/work?angle_deg={deg!r}&{query}")
        assert back[name]["mm"] == pytest.approx(0.2, rel=1e-9)


def test_a_gap_is_kept_only_beyond_the_uncertainty(person):
    for angle, u, within in (
        ("-0.06", "0.005", True),
        ("-0.06", "0.03", None),
        ("-0.06", "0", True),
        ("-0.2", "0.03", False),
        ("0.09", "0.03", None),
    ):
        query = f"angle_deg={angle}&u_deg={u}&joint=150&gap=0.2"  # the gap allows 0.076 degrees
        (told,) = person.get(f"/api/work?{query}")["allowed"]
        assert told["within"] is within


def test_inches_are_answered_in_inches(person):
    # common practice, no source: 3.682 degrees is 1.033 in over twice 8.026 in
    found = person.get("/api/work?angle_deg=3.6820&joint=8.026&unit=in")
    assert found["joint"]["mm"] == pytest.approx((1.617 - 0.584) / 2 * 25.4, rel=1e-4)
    assert "8.026 in" in found["joint"]["sentence"]
    assert "516.5 thou" in found["joint"]["sentence"]


def test_what_makes_no_work_names_the_field(client):
    for query, field in (
        ("angle_deg=far", "angle_deg"),
        ("angle_deg=nan", "angle_deg"),
        ("angle_deg=45&joint=10", "angle_deg"),
        ("angle_deg=1&u_deg=-1&joint=10", "u_deg"),
        ("angle_deg=1&joint=0", "joint"),
        ("angle_deg=1&width=100", "height"),
        ("angle_deg=1&pieces=4", "joint"),
        ("angle_deg=1&pieces=2&joint=10", "pieces"),
        ("angle_deg=1&pieces=4.5&joint=10", "pieces"),
        ("angle_deg=20&pieces=4&joint=10", "pieces"),
        ("gap=0.1", "joint"),
        ("gap=900&width=400&height=300", "gap"),
        ("joint=10&unit=ft", "unit"),
    ):
        assert refused(client, f"/api/work?{query}")["field"] == field, query


def test_what_a_first_history_would_wait_for_is_loaded_before_anybody_asks(tmp_path):
    with serving(tmp_path / "shop") as server:
        loaded = Path(f"/proc/{server.process.pid}/maps")
        assert until(lambda: "scipy/special" in loaded.read_text(), 60)
        assert server.get("/api/health")["status"] == "ok"
        server.stop()
        assert server.log.read_text() == ""
