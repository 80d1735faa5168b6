"""Series over HTTP: started, fed, corrected, scored."""

from __future__ import annotations

import json
import math
import re
from typing import get_args

import numpy as np
import pytest
from fastapi.testclient import TestClient

from capture.records import Flag
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def test_readings_become_trials_with_signed_angles(person):
    series = person.start(baseline="8.026", unit="in")
    person.press("0.475", "0.482", "0.520", "0.513", unit="in")
    found = person.series(series)
    angles = [t["angle_deg"] for t in found["trials"]]
    # Common practice, no source: 7 thou over 8.026 in is 0.025 degrees.
    assert angles[0] == pytest.approx(0.025, abs=5e-4)
    assert angles[1] == pytest.approx(-angles[0], rel=1e-12)
    assert [r["place"] for r in found["trials"][0]["readings"]] == ["fence end", "open end"]
    assert found["trials"][0]["readings"][0]["mm"] == 12.065
    assert found["trials"][0]["deviation_mm"] == 0.1778


@ON_SQLITE
def test_a_strip_on_the_right_shows_the_other_sign(person):
    left = person.start()
    person.press("12.30", "12.40")
    right = person.start(strip_side="right")
    person.press("12.30", "12.40")
    one, other = (person.series(s)["trials"][0]["angle_deg"] for s in (left, right))
    assert one == pytest.approx(math.degrees(math.atan(0.1 / 400)))
    assert other == -one


@ON_SQLITE
def test_the_score_is_that_of_the_angles(person):
    series = person.start(tolerance_deg="0.2")
    rng = np.random.default_rng(5)
    widths = [f"{w:.2f}" for w in 12 + rng.normal(0, 0.05, 20)]
    person.press(*widths)
    pairs = np.array(widths, float).reshape(-1, 2)
    angles = np.degrees(np.arctan((pairs[:, 1] - pairs[:, 0]) / 400))
    angle = person.series(series)["score"]["quantities"]["angle"]
    assert angle["mean"] == pytest.approx(angles.mean(), rel=1e-9)
    assert angle["sd"] == pytest.approx(angles.std(ddof=1), rel=1e-9)
    assert angle["range"] == pytest.approx(np.ptp(angles), rel=1e-9)
    assert angle["verdict"] == "good enough"
    assert angle["coverage_factor"] > 2


@ON_SQLITE
def test_a_gap_over_a_joint_is_a_tolerance_too(person):
    series = person.start(tolerance_gap="0,1", tolerance_joint="150")
    person.press("12.30", "12.90", "12.30", "12.91", "12.30", "12.89")
    angle = person.series(series)["score"]["quantities"]["angle"]
    assert angle["tolerance"] == pytest.approx(math.degrees(math.atan(0.1 / 150)))
    assert angle["verdict"] == "needs adjusting"


@ON_SQLITE
def test_stop_block_reveals_lengths_and_no_angle(person):
    series = person.start(method="stop-block", baseline=None)
    person.press("412.10", "412.14")
    found = person.series(series)
    assert [t["length_mm"] for t in found["trials"]] == [412.10, 412.14]
    assert found["trials"][0]["angle_deg"] is None
    assert found["score"]["quantities"]["length"]["mean"] == pytest.approx(412.12)


@ON_SQLITE
def test_same_spot_takes_as_many_presses_as_asked(person):
    series = person.start(method="same-spot", baseline=None, repeats=3)
    person.press("12.30", "12.31", "12.30", "12.32")
    assert person.sent(series) == [["12.30", "12.31", "12.30"], ["12.32"]]
    assert [t["state"] for t in person.series(series)["trials"]] == ["complete", "open"]


def test_taking_back_by_button_and_by_closed_jaws(person):
    series = person.start()
    person.press("12.30", "12.40", "12.50")
    person.post("/api/benches/main/take-back")
    assert person.sent(series) == [["12.30", "12.40"]]
    person.press("0.01")
    assert person.sent(series) == [["12.30"]]
    assert person.get("/api/benches/main")["next"]["place"] == "open end"


def test_swapping_ends_changes_the_sign_only(person):
    series = person.start()
    person.press("12.30", "12.40")
    before = person.series(series)["trials"][0]["angle_deg"]
    person.post("/api/benches/main/swap-ends")
    trial = person.series(series)["trials"][0]
    assert trial["angle_deg"] == -before
    assert trial["flags"] == ["ends swapped"]
    assert [r["place"] for r in trial["readings"]] == ["open end", "fence end"]


@ON_SQLITE
def test_a_flag_reads_the_same_on_the_series_page_as_at_the_bench(person):
    series = person.start()
    person.press("312.30", "312.40")
    (said,) = person.series(series)["trials"][0]["flags"]
    at_the_bench = re.search(r'id="flags">(.*?)</script>', person.client.get("/bench/main").text)
    assert at_the_bench is not None
    words = json.loads(at_the_bench[1])
    assert words.keys() == set(get_args(Flag))
    assert words[said] == "longer than the jaws open"
    page = person.client.get(f"/series/{series}").text
    assert f'<span class="flag">{words[said]}</span>' in page


def test_a_bounced_press_is_kept_and_can_be_restored(person):
    series = person.start()
    first = person.reading("12.30")
    twice = person.reading("12.30", taken_at=first["taken_at"])
    person.post("/api/readings", [first, twice])
    assert person.sent(series) == [["12.30"]]
    person.post("/api/benches/main/restore", {"reading": twice["id"]})
    assert person.sent(series) == [["12.30", "12.30"]]


def test_finishing_frees_the_bench_and_readings_after_it_are_still_kept(person):
    series = person.start()
    person.press("12.30")
    assert person.post(f"/api/series/{series}/finish")["finished_at"] is not None
    person.press("12.40")
    bench = person.get("/api/benches/main")
    assert (bench["series"], bench["next"]) == (None, None)
    assert bench["last_reading"]["outcome"] == "no series"
    assert person.sent(series) == [["12.30"]]
    assert person.post(f"/api/series/{series}/finish")["finished_at"] is not None


def test_two_benches_never_mix(client):
    here, there = Person(client), Person(client, "by the door")
    one, other = here.start("A"), there.start("B")
    here.press("12.30")
    there.press("9.10", "9.20")
    here.press("12.40")
    assert here.sent(one) == [["12.30", "12.40"]]
    assert there.sent(other) == [["9.10", "9.20"]]


def test_a_machine_can_be_named_instead_of_numbered(person):
    person.start("Sled")
    body = {"machine": "Sled", "method": "stop-block"}
    assert person.post("/api/series", body, 201)["machine"]["name"] == "Sled"
    again = person.post("/api/machines", {"name": "Sled", "kind": "table saw sled"}, 201)
    assert [m["id"] for m in person.get("/api/machines")] == [again["id"]]


def test_setup_changes_are_recorded(person):
    person.start("Sled")
    change = person.post(
        "/api/setup-changes",
        {"machine": "Sled", "kind": "adjusted", "at": "2026-03-01T10:00:00+01:00"},
        201,
    )
    assert change["at"] == "2026-03-01T09:00:00Z"


@ON_SQLITE
@pytest.mark.parametrize(
    ("wrong", "field", "says"),
    [
        ({"method": "reverse"}, "method", "reversal"),
        ({"unit": "cm"}, "unit", "'mm' or 'in'"),
        ({"unit": None}, "unit", "'mm' or 'in'"),
        ({"strip_side": None}, "strip_side", "sets the sign"),
        ({"baseline": "0.5"}, "baseline", "less than a millimetre"),
        ({"baseline_within": "-1"}, "baseline_within", "zero or more"),
        ({"bench": "a/b"}, "bench", "slash"),
        ({"bench": "a\nb"}, "bench", "control characters"),
        ({"note": 7}, "note", "in quotes"),
        ({"baseline": "-3"}, "baseline", "greater than zero"),
        ({"baseline": "eight"}, "baseline", "decimal number"),
        ({"baseline": "1e3"}, "baseline", "decimal number"),
        ({"baseline": None}, "baseline", "give it"),
        ({"inset": "100"}, "inset", "leaves nothing"),
        ({"inset": "-1"}, "inset", "zero or more"),
        ({"strip_side": "up"}, "strip_side", "'left' or 'right'"),
        ({"repeats": 0}, "repeats", "greater than or equal to 1"),
        ({"method": "roll"}, "thickness", "give it"),
        ({"tolerance_deg": "0"}, "tolerance_deg", "between 0 and 90"),
        ({"tolerance_deg": "x"}, "tolerance_deg", "decimal number"),
        ({"tolerance_gap": "0.1"}, "tolerance_joint", "is needed"),
        ({"tolerance_joint": "100"}, "tolerance_gap", "is needed"),
        (
            {"tolerance_deg": "1", "tolerance_gap": "1", "tolerance_joint": "9"},
            "tolerance_gap",
            "one tolerance only",
        ),
        ({"tolerance_length": "1", "tolerance_nominal": "9"}, "tolerance_length", "angle"),
        ({"pieces": 6}, "pieces", "no pieces"),
        ({"machine": "nobody's"}, "machine", "there is Sled"),
        ({"colour": "red"}, "colour", "not a field"),
    ],
)
def test_a_setting_that_cannot_be_right_is_refused_by_name(person, wrong, field, says):
    person.start("Sled")
    body = {"machine": "Sled", "method": "reversal", "baseline": "200"}
    body |= {"unit": "mm", "strip_side": "left"} | wrong
    answer = person.client.post("/api/series", json=body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert says in problem["detail"]
    assert problem["errors"][0]["field"] == field


def test_what_cannot_be_done_now_says_what_to_do_first(person):
    for path in ("take-back", "swap-ends"):
        answer = person.client.post(f"/api/benches/main/{path}", json={})
        assert answer.status_code == 409
        assert "start one first" in answer.json()["detail"]
    person.start()
    assert (
        "measure first"
        in person.client.post("/api/benches/main/take-back", json={}).json()["detail"]
    )
    answer = person.client.post("/api/benches/main/pretend-press", json={})
    assert answer.status_code == 409
    assert "--pretend" in answer.json()["detail"]


def test_what_is_not_there_is_a_problem_document(person):
    nowhere = "00000000-0000-7000-8000-000000000000"
    for answer in (
        person.client.get(f"/api/series/{nowhere}"),
        person.client.post(f"/api/series/{nowhere}/finish", json={}),
        person.client.get("/api/nothing"),
    ):
        assert answer.status_code == 404
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == 404
    assert person.client.get("/api/readings").status_code == 405
    answer = person.client.post(
        "/api/machines", content=b"{", headers={"content-type": "application/json"}
    )
    assert answer.status_code == 422
    assert "not JSON" in answer.json()["detail"]


def test_a_page_key_burst_is_a_reading_and_says_whose(person):
    series = person.start()

    def burst(text: str, gap_ms: float) -> dict[str, object]:
        strokes = [
            {"key": k, "code": "", "shift": False, "at_ms": 1000 + gap_ms * i}
            for i, k in enumerate([*text, "Enter"])
        ]
        return {
            "id": person.reading("1")["id"],
            "taken_at": "2026-03-02T12:00:00Z",
            "strokes": strokes,
        }

    assert person.post("/api/benches/main/keys", burst("12,34", 12))["origin"] == "keys"
    assert person.post("/api/benches/main/keys", burst("12.40", 250))["origin"] == "typed"
    refused = person.post("/api/benches/main/keys", burst("12..40", 12))
    assert not refused["kept"]
    assert refused["reason"]
    assert person.sent(series) == [["12,34", "12.40"]]


@ON_SQLITE
def test_better_known_lengths_make_the_answer_surer(person):
    def expanded(**bounds: str) -> float:
        series = person.start(tolerance_deg="5", **bounds)
        person.press("12.00", "32.00", "12.00", "32.01", "12.00", "32.00")
        found: float = person.series(series)["score"]["quantities"]["angle"]["expanded_uncertainty"]
        return found

    usual = expanded()
    # The width of the jaws is not said, so its bound stays.
    assert expanded(baseline_within="0.05", inset_within="0.1") < usual
    assert expanded(straightness="0.5") > usual


@ON_SQLITE
def test_a_person_at_a_wrong_address_sees_a_page_and_a_program_a_problem(client):
    as_browser = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
    shown = client.get("/machines/attic", headers=as_browser)
    assert (shown.status_code, shown.headers["content-type"]) == (404, "text/html; charset=utf-8")
    assert "no page at this address" in shown.text
    assert 'href="/machines"' in shown.text
    for path, headers in (("/api/sawmills", as_browser), ("/machines/attic", {})):
        told = client.get(path, headers=headers)
        assert (told.status_code, told.json()["title"]) == (404, "Not Found")
        assert "/openapi.json" in told.json()["detail"]
