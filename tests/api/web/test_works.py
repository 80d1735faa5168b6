"""Works over HTTP: said, corrected, undone; verdicts on every stop; how likely they succeed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tests.api.answers.measuring import measured, reversals
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.web.test_kept import statements

FRAME = {"kind": "frame", "sides": 4, "lengths": ["400", "300"], "joint": "70"}


@pytest.fixture
def person(client):
    return Person(client)


def closed(person, error_deg, rng, **settings):
    """A series of frames closed with miters that are all so much too obtuse."""
    gap = 70 * math.tan(math.radians(8 * error_deg))
    rows = [(f"{gap + rng.normal(0, 0.01):.2f}",) for _ in range(8)]
    return measured(person, rows, method="closing-miters", baseline="70", pieces=4, **settings)


def refused(client, body: Any, path: str = "/api/works", status: int = 422) -> str:
    answer = client.post(path, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()["detail"]


def stops_of(answer: Any) -> dict[str, Any]:
    return {s["machine_name"]: s for s in answer["stops"]}


def test_each_work_has_its_verdict_on_each_machine_and_the_series_own_is_first(person):
    rng = np.random.default_rng(2)
    boxes = person.post("/api/works", {"name": "Boxes", "tolerance_deg": "0.3"}, 201)
    doors = {"name": "Doors", "unit": "in", "gap": "0.004", "joint": "6"}
    doors = person.post("/api/works", doors, 201)
    assert [work["name"] for work in person.get("/api/works")] == ["Boxes", "Doors"]
    rows = reversals(0.1, 0.004, 6, rng)
    series = person.start(work="doors")
    for row in rows:
        person.press(*row)
    person.post(f"/api/series/{series}/finish")
    head = person.series(series)
    assert head["work"] == doors["id"]
    assert head["tolerance"]["gap"] == "0.1016"
    (saw,) = person.get("/api/machines/Window saw/works")
    assert [(v["name"], v["verdict"], v["own"]) for v in saw["works"]] == [
        ("Doors", "needs adjusting", True),
        ("Boxes", "good enough", False),
    ]
    assert saw["works"][1]["sentence"].endswith("from 6 strips: good enough for Boxes.")
    # A machine that changes is answered anew, and a stop that was not measured has no verdict.
    measured(person, rows, "Sled", tolerance_deg="0.05")
    (sled,) = person.get("/api/machines/Sled/works")
    assert next((v["name"], v["verdict"]) for v in sled["works"]) == (None, "needs adjusting")
    person.post("/api/machines", {"name": "New saw"}, 201)
    person.post("/api/setup-changes", {"machine": "Sled", "kind": "adjusted"}, 201)
    answer = person.get(f"/api/works/{boxes['id']}/answer")
    assert answer["parts"] is None
    said = stops_of(answer)
    assert said["Window saw"]["verdict"] == "good enough"
    assert (said["Sled"]["verdict"], said["New saw"]["verdict"]) == (None, None)
    assert "adjusted" in said["Sled"]["sentence"]
    assert said["New saw"]["sentence"] == "Not measured yet."
    both = person.client.post(
        "/api/series",
        json={"machine": "Sled", "method": "reversal", "baseline": "200", "unit": "mm",
              "strip_side": "left", "work": "Boxes", "tolerance_deg": "1"},
    )  # fmt: skip
    assert "leave it out: Boxes says what is needed" in both.json()["detail"]


def test_more_machines_take_no_more_statements(person, server):
    rng = np.random.default_rng(4)
    work = person.post("/api/works", {"name": "Boxes", "tolerance_deg": "0.1"}, 201)
    counts = []
    for name in ("Window saw", "Sled", "Bench saw"):
        for _ in range(2):
            measured(person, reversals(0.1, 0.02, 4, rng), name, tolerance_deg="0.1")
        address = f"/api/works/{work['id']}/answer"
        person.get(address)  # the date of a stop is kept until something happens to its machine
        with statements(server.engine) as ran:
            answer = person.get(address)
        assert {stop["verdict"] for stop in answer["stops"]} == {"cannot tell yet"}
        counts.append(len(ran))
    assert counts[1:] == counts[:-1]


def test_a_series_was_measured_for_another_work(person, client):
    boxes = person.post("/api/works", {"name": "Boxes", "tolerance_deg": "0.3"}, 201)
    doors = {"name": "Doors", "unit": "in", "gap": "0.004", "joint": "6"}
    doors = person.post("/api/works", doors, 201)
    measured(person, [("12.00", "12.10"), ("12.01", "12.10")], "Sled", tolerance_deg="0.05")
    (series,) = person.get("/api/machines/Sled/history")["series"]
    address = f"/api/series/{series['id']}"
    first = person.get(address)
    for work, said in ((boxes, {"deg": "0.3"}), (doors, {"gap": "0.1016", "joint": "152.4"})):
        found = client.patch(address, json={"work": work["name"]}).json()
        assert found["work"] == work["id"]
        assert {k: v for k, v in found["tolerance"].items() if v is not None} == said
    both = client.patch(address, json={"work": "Boxes", "tolerance_deg": "1"})
    assert "leave it out: Boxes says what is needed" in both.json()["detail"]
    # A tolerance of its own takes the place of the work, and comes back with the undoing.
    own = client.patch(address, json={"tolerance_deg": "0.05"}).json()
    assert (own["work"], own["tolerance"]) == (None, first["tolerance"])
    (page,) = [client.get(f"/series/{series['id']}").text]
    assert "Work: Boxes → Doors" in page
    person.post(f"/api/changes/{person.get('/api/changes')[-1]['id']}/undo")
    assert person.get(address)["work"] == doors["id"]


def test_parts_cut_at_a_stop_of_a_machine_that_was_merged_are_cut_at_the_same_setting(person):
    for machine, nominal in (("Old saw", "-5"), ("Saw", "-4")):
        person.post("/api/machines", {"name": machine}, 201)
        stop = {"machine": machine, "name": "left", "nominal_deg": nominal}
        person.post("/api/stops", stop, 201)
    joint = {"length": "90", "cuts": [{"machine": "Old saw", "stop": "left"}]}
    body = {"name": "Trays", "tolerance_deg": "0.1", "parts": {"kind": "joints", "joints": [joint]}}
    work = person.post("/api/works", body, 201)
    old = work["parts"]["joints"][0]["cuts"][0]["machine"]
    person.post(f"/api/machines/{old}/merge", {"into": "Saw"})
    said = person.get(f"/api/works/{work['id']}/answer")["parts"]["missing"]
    assert said == ["Saw, left of Old saw is not measured yet."]
    again = {"parts": work["parts"], "note": "as it was read"}
    assert person.client.patch(f"/api/works/{work['id']}", json=again).status_code == 200


@ON_SQLITE
def test_a_frame_says_how_likely_it_closes_from_all_that_its_stops_show(person):
    rng = np.random.default_rng(3)
    machine = person.post("/api/machines", {"name": "Window saw", "kind": "other"}, 201)["id"]
    left, right = (
        {"machine": machine, "name": name, "nominal_deg": nominal}
        for name, nominal in (("45 left", "-45"), ("45 right", "45"))
    )
    person.post("/api/stops", left, 201)
    right_id = person.post("/api/stops", right, 201)["id"]
    cuts = [{"machine": "Window saw", "stop": name} for name in ("45 left", "45 right")]
    body = {"name": "Frames", "gap": "0.2", "joint": "70", "parts": {**FRAME, "cuts": cuts}}
    work = person.post("/api/works", body, 201)
    assert work["parts"]["cuts"][1] == {"machine": machine, "stop": right_id}
    address = f"/api/works/{work['id']}/answer"
    parts = person.get(address)["parts"]
    assert parts["chances"] is None
    assert parts["missing"][0] == "Window saw, 45 left is not measured yet."
    # The one stop leaves its corners too obtuse, the other as much too acute.
    closed(person, 0.1, rng, stop="45 left")
    closed(person, -0.1, rng, stop="45 right")
    parts = person.get(address)["parts"]
    found = parts["chances"]
    assert found["within"] > 0.99
    assert abs(found["linear"]["gap_mm"]) < 0.05
    assert {s["stop"] for s in found["stops"]} == {"Window saw, 45 left", "Window saw, 45 right"}
    assert sum("lengths repeat on Window saw is" in s for s in parts["sentences"]) == 0
    assert any("How well lengths repeat on Window saw, 45 left" in s for s in parts["sentences"])
    both = "How well Window saw, 45 left and Window saw, 45 right come back between the cuts is not"
    assert any(s.startswith(both) for s in parts["sentences"])
    assert parts["sentences"][-1] == "The bevel of the cuts is not counted."
    # Both ends at one stop: the errors add up, at every corner.
    one = {**body, "name": "Frames of one stop", "parts": {**FRAME, "cuts": cuts[:1]}}
    address = f"/api/works/{person.post('/api/works', one, 201)['id']}/answer"
    worse = person.get(address)["parts"]
    assert worse["chances"]["within"] < 0.5
    assert abs(worse["chances"]["linear"]["gap_mm"]) == pytest.approx(0.24, abs=0.03)
    measured(person, [(f"{100 + 0.02 * (n % 3):.2f}",) for n in range(6)],
             method="stop-block", baseline=None)  # fmt: skip
    pieces = person.get(address)["parts"]["chances"]["matching"][0]
    assert 0.03 < pieces["differ_mm"] < 0.2


def test_parts_that_a_corrected_stop_no_longer_fits_are_told_on_the_page(person, client):
    person.post("/api/machines", {"name": "Saw"}, 201)
    stop = person.post("/api/stops", {"machine": "Saw", "name": "left", "nominal_deg": "-45"}, 201)[
        "id"
    ]
    parts = {**FRAME, "cuts": [{"machine": "Saw", "stop": "left"}]}
    body = {"name": "Frames", "tolerance_deg": "0.1", "parts": parts}
    work = person.post("/api/works", body, 201)
    changed = client.patch(f"/api/stops/{stop}", json={"nominal_deg": "-30"})
    assert changed.status_code == 200, changed.text
    shown = client.get(f"/works/{work['id']}")
    assert shown.status_code == 200
    assert "are cut at 45 degrees; stop left is at 30: correct the parts." in shown.text
    for said, status in ({"note": "old", "retired": True}, 200), ({"tolerance_deg": "0.2"}, 422):
        assert client.patch(f"/api/works/{work['id']}", json=said).status_code == status


def test_a_work_is_corrected_retired_and_undone_like_all_else(person, client):
    work = person.post("/api/works", {"name": "Boxes", "tolerance_deg": "0.1"}, 201)
    address = f"/api/works/{work['id']}"
    tag = client.get(address).headers["ETag"]
    body = {"name": "Small boxes", "gap": "0.2", "joint": "90", "who": "Ada"}
    changed = client.patch(address, json=body, headers={"If-Match": tag})
    assert changed.status_code == 200, changed.text
    assert (changed.json()["tolerance_deg"], changed.json()["gap"]) == (None, "0.2")
    assert client.patch(address, json=body, headers={"If-Match": tag}).status_code == 412
    renamed = person.get("/api/changes")[0]
    assert (renamed["subject_kind"], renamed["field"]) == ("work", "name")
    person.post(f"/api/changes/{renamed['id']}/undo")
    assert person.get(address) == work
    client.patch(address, json={"retired": True})
    assert person.get("/api/works") == []
    assert [w["name"] for w in person.get("/api/works?retired=true")] == ["Boxes"]
    client.patch(address, json={"retired": False})
    parts = {"kind": "joints", "joints": [{"length": "90", "cuts": [{"machine": "Saw"}]}]}
    person.post("/api/machines", {"name": "Saw"}, 201)
    assert client.patch(address, json={"parts": parts}).json()["parts"]["joints"][0]["count"] == 1
    kept = person.get(address)["parts"]
    client.patch(address, json={"note": "of ash"})
    assert person.get(address)["parts"] == kept
    client.patch(address, json={"parts": None})
    last = person.get("/api/changes")[-1]
    person.post(f"/api/changes/{last['id']}/undo")
    assert person.get(address)["parts"] == kept


def test_a_work_that_cannot_be_is_refused_in_a_sentence(person, client):
    person.post("/api/machines", {"name": "Saw"}, 201)
    person.post("/api/works", {"name": "Boxes", "tolerance_deg": "0.1"}, 201)
    again = {"name": " boxes", "tolerance_deg": "0.1"}
    assert "a work called boxes already" in refused(client, again, status=409)
    assert refused(client, {"name": "Doors"}) == (
        "tolerance_deg: say what the work needs, an error of a cut or a gap over a joint"
    )
    need = {"name": "Doors", "tolerance_deg": "0.1"}
    cut = {"machine": "Saw"}
    frame = {**FRAME, "cuts": [cut]}
    for more, said in (
        ({"gap": "0.1"}, "gap: give one need only"),
        ({"tolerance_deg": None, "gap": "0.1"}, "joint: is needed with gap"),
        ({"tolerance_deg": "far"}, "tolerance_deg: 'far' is not a plain decimal"),
        ({"tolerance_deg": "-1"}, "tolerance_deg: give an angle between 0 and 90 degrees"),
        ({"tolerance_deg": "60"}, "tolerance_deg: allows an error of more than 10 degrees"),
        ({"tolerance_deg": None, "gap": "1", "joint": "0"}, "joint: 0 mm must be"),
        ({"parts": {"kind": "frame", "sides": 4, "cuts": [cut]}}, "lengths: is needed"),
        ({"parts": {**frame, "lengths": ["400", "300", "200"]}}, "parts.lengths: give one length"),
        ({"parts": {**frame, "joint": None}}, "parts.joint: is needed"),
        ({"parts": frame}, "parts.cuts: the pieces of a frame of 4 are cut at 45 degrees; stop "),
        ({"parts": {"kind": "shelves", "count": 3, "length": "600", "cuts": [cut]}},
         "depth: is needed"),
        ({"parts": {"kind": "shelves", "count": 3, "length": "0", "depth": "9", "cuts": [cut]}},
         "parts.length: it must be greater than zero"),
        ({"parts": {"kind": "case", "width": "-4", "height": "9", "depth": "9", "cuts": [cut]}},
         "parts.width: it must be greater than zero"),
        ({"parts": {"kind": "joints", "joints": [{"length": "9", "cuts": [{"machine": "Sew"}]}]}},
         "parts.machine: there is no machine Sew"),
        ({"parts": {"kind": "joints", "joints": [{"length": "9", "cuts": [{**cut, "stop": "x"}]}]}},
         "parts.stop: the machine has no stop x; it has square"),
        ({"parts": {"kind": "boat"}}, "parts: needs a kind: frame, case, shelves or joints"),
        ({"parts": []}, "parts: needs a kind"),
    ):  # fmt: skip
        assert said in refused(client, need | more), more
    assert len(person.get("/api/works")) == 1
    often = {"machine": "Saw", "name": "5 left", "nominal_deg": "-5", "check_days": 1e308}
    answer = client.post("/api/stops", json=often)
    assert answer.json()["detail"] == "check_days: must be a whole number"
    missing = client.get("/api/works/01939d3e-7c1a-7000-8000-000000000000/answer")
    assert missing.status_code == 404
