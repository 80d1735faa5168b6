"""What is said of the width of jaws, and of the unit of a caliper, counts in the series that it is
said of, and in those that begin since then."""

from __future__ import annotations

import math

import pytest

from capture.records import CaliperState
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.studying import block, studies


@pytest.fixture
def person(client) -> Person:
    return Person(client)


def patched(person: Person, path: str, body: dict, status: int = 200):
    answer = person.client.patch(path, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def angle(length: float) -> float:
    """Of a strip whose ends differ by 4 mm."""
    return math.degrees(math.atan(4 / (2 * length)))


def test_a_series_takes_the_jaws_of_the_caliper_at_its_bench_and_keeps_them(person):
    person.press("1.00")
    first = person.start()
    person.press("12.00", "16.00")
    assert person.series(first)["jaw_width"] is None
    assert person.series(first)["trials"][0]["angle_deg"] == pytest.approx(angle(200))
    said = patched(person, "/api/calipers/six-inch", {"jaw_width": "0.25", "unit": "in"})
    assert said["jaw_width_mm"] == 6.35
    second = person.start(baseline="8", unit="in", inset="0.05")
    person.press("12.00", "16.00")
    found = person.series(second)
    assert found["jaw_width"] == "0.25"
    short = (0.05 + 0.125) * 25.4
    assert found["trials"][0]["angle_deg"] == pytest.approx(angle(8 * 25.4 - short))
    patched(person, "/api/calipers/six-inch", {"jaw_width": None})
    # Neither the one that was there before nor the one since then is another now.
    assert person.series(first)["trials"][0]["angle_deg"] == pytest.approx(angle(200))
    assert person.series(second)["jaw_width"] == "0.25"
    third = person.start()
    assert person.series(third)["jaw_width"] is None
    own = person.start(jaw_width="5")
    assert person.series(own)["jaw_width"] == "5"


def test_a_series_reads_in_the_unit_of_the_caliper_at_its_bench_and_keeps_it(person, server):
    person.press("1.00")
    first = person.start()
    patched(person, "/api/calipers/six-inch", {"readings_unit": "in"})
    second = person.start()
    # A line that says its unit is read in that.
    (one, _) = person.press("0.5", "12.75 mm")
    patched(person, "/api/calipers/six-inch", {"readings_unit": None})
    # Neither the one that was there before nor the one since then is another now.
    person.press("0.52", "12.85 mm")
    found = person.series(second)
    assert (person.series(first)["readings_unit"], found["readings_unit"]) == (None, "in")
    read = [[r["mm"] for r in t["readings"]] for t in found["trials"]]
    assert read == [[12.7, 12.75], [13.208, 12.85]]
    assert (one["unit"], found["trials"][0]["readings"][0]["unit"]) == ("mm", "in")
    assert person.series(person.start())["readings_unit"] is None
    # Of a caliper that was renamed; a study asks for the caliper itself.
    patched(person, "/api/calipers/six-inch", {"name": "old", "readings_unit": "in"})
    assert person.series(person.start())["readings_unit"] == "in"
    study = {"method": "same-spot", "bench": "elsewhere"}
    assert person.post("/api/calipers/old/studies", study, 201)["readings_unit"] == "in"
    # Two calipers of one bench that do not count the same: each reading stays as it was kept.
    server.heard_of([CaliperState("main", name, "listening") for name in ("six-inch", "deep")])
    assert person.series(person.start())["readings_unit"] is None


def test_correcting_the_jaws_of_a_series_changes_its_values_and_no_other(person, client):
    other, series = person.start(jaw_width="6"), person.start(jaw_width="6")
    person.press("12.00", "16.00", "12.00", "16.00", "12.00")
    before = client.get("/api/trials.jsonl").text
    changed = patched(person, f"/api/series/{series}", {"jaw_width": "4"})
    assert changed["jaw_width"] == "4"
    assert [t["angle_deg"] for t in changed["trials"]] == [pytest.approx(angle(198))] * 2 + [None]
    mean = changed["score"]["quantities"]["angle"]["mean"]
    assert mean == pytest.approx(angle(198))
    # What comes next goes on with it, and a pull brings the changed rows.
    person.press("16.00")
    found = person.series(series)["trials"]
    assert [t["angle_deg"] for t in found] == [pytest.approx(angle(198))] * 3
    assert [[r["sent"] for r in t["readings"]] for t in found] == [["12.00", "16.00"]] * 3
    assert client.get("/api/trials.jsonl").text != before
    assert person.series(other)["jaw_width"] == "6"
    assert patched(person, f"/api/series/{series}", {"note": "dusty"})["jaw_width"] == "4"
    assert patched(person, f"/api/series/{series}", {"jaw_width": None})["note"] == "dusty"
    assert person.series(series)["trials"][0]["angle_deg"] == pytest.approx(angle(200))


@pytest.mark.parametrize(
    ("width", "says"),
    [("wide", "decimal number"), ("-1", "zero or more"), ("101", "wider than the jaws of any")],
)
def test_jaws_that_cannot_be_are_refused_in_a_sentence_and_nothing_changes(person, width, says):
    series = person.start(jaw_width="6")
    refused = patched(person, f"/api/series/{series}", {"jaw_width": width}, 422)
    assert (refused["errors"][0]["field"], says in refused["errors"][0]["message"]) == (
        "jaw_width", True,
    )  # fmt: skip
    assert person.series(series)["jaw_width"] == "6"
    person.press("12.00")
    refused = patched(person, "/api/calipers/six-inch", {"jaw_width": width}, 422)
    assert refused["errors"][0]["field"] == "jaw_width"
    patched(person, "/api/calipers/nobody", {"jaw_width": "6"}, 404)
    tilt = person.start(method="half-turn", baseline=None, thickness="20")
    refused = patched(person, f"/api/series/{tilt}", {"jaw_width": "6"}, 422)
    assert "does not ask for it" in refused["errors"][0]["message"]


@ON_SQLITE
@pytest.mark.parametrize(
    "settings",
    [
        {"baseline_within": "200"},
        {"inset_within": "100"},
        {"inset": "10", "inset_within": "90"},
        {"method": "half-turn", "baseline": None, "thickness": "20", "thickness_within": "20"},
    ],
)
def test_a_length_that_may_be_off_by_all_of_itself_is_refused(person, settings):
    (field,) = (name for name in settings if name.endswith("_within"))
    asked = {"baseline": "200", "unit": "mm", "strip_side": "left", "method": "reversal"}
    machine = person.post("/api/machines", {"name": "Window saw", "kind": "other"}, 201)["id"]
    body = {"machine": machine, "bench": "main"} | asked | settings
    refused = person.post("/api/series", body, 422)["errors"][0]
    assert (refused["field"], "shows nothing" in refused["message"]) == (field, True)


@ON_SQLITE
def test_jaws_as_wide_as_a_short_cut_are_refused(person):
    series = person.start(baseline="40")
    refused = patched(person, f"/api/series/{series}", {"jaw_width": "90"}, 422)["errors"][0]
    assert "leave nothing of a baseline" in refused["message"]
    assert patched(person, f"/api/series/{series}", {"jaw_width": " "})["jaw_width"] is None


def test_a_thickness_that_is_well_known_makes_a_tilt_better_known(person):
    def expanded(**settings) -> float:
        series = person.start(method="half-turn", baseline=None, thickness="20", **settings)
        person.press("10.00", "12.00", "10.00", "12.00")
        found = person.series(series)["score"]["quantities"]["tilt"]
        return found["expanded_uncertainty"]

    usual = expanded()
    assert expanded(thickness_within="0.05") < 0.7 * usual
    assert expanded(thickness_within="2") > 2 * usual


def test_what_is_not_known_of_a_block_counts_in_what_it_shows_of_the_caliper(person):
    sent = ("10.01", "10.02", "10.01", "10.02", "10.01", "10.02")
    block(person, "10", *sent)
    exact = studies(person)["blocks_now"]["offset"]["standard_uncertainty"]
    series = block(person, "10", *sent, baseline_within="0.01")
    found = studies(person)["blocks_now"]["offset"]["standard_uncertainty"]
    assert found == pytest.approx(math.hypot(exact, 0.01 / math.sqrt(3)))
    lines = person.series(series)["score"]["quantities"]["length"]["budget"]
    stated = next(c for c in lines if c["source"] == "stated size of the block")
    assert stated["contribution"] == pytest.approx(0.01 / math.sqrt(3))
    begun = {"method": "known-block", "block": "20", "block_within": "0.002", "instead": True}
    assert person.post("/api/calipers/six-inch/studies", begun, 201)["baseline_within"] == "0.002"
    begun["block_within"] = "-1"
    refused = person.post("/api/calipers/six-inch/studies", begun, 422)
    assert refused["errors"][0]["field"] == "block_within"
