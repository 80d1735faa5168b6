"""A machine's stops over HTTP: made, named by series, corrected, and merged with their machine."""

from __future__ import annotations

import csv

import pytest
from fastapi.testclient import TestClient

from api.server import Server
from api.store import doctor
from tests.api.bench import Person


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def machine(person: Person, name: str) -> str:
    made: str = person.post("/api/machines", {"name": name, "kind": "miter saw"}, 201)["id"]
    return made


def stop(person: Person, machine: str, name: str, nominal: str, status: int = 201) -> dict:
    body = {"machine": machine, "name": name, "nominal_deg": nominal}
    return person.post("/api/stops", body, status)


def stops(person: Person, machine: str, query: str = "") -> list[tuple[str, float]]:
    found = person.get(f"/api/machines/{machine}/stops{query}")
    return [(each["name"], each["nominal_deg"]) for each in found]


def correct(person: Person, path: str, body: dict, status: int = 200) -> dict:
    answer = person.client.patch(path, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


def columns(person: Person) -> list[tuple[str, str]]:
    header, *rows = csv.reader(person.client.get("/api/trials.csv").text.splitlines())
    stop, nominal = header.index("stop"), header.index("nominal_deg")
    return [(row[stop], row[nominal]) for row in rows]


def test_a_series_belongs_to_the_stop_that_it_names_and_to_square_else(person, server: Server):
    saw = machine(person, "Window saw")
    assert stops(person, saw) == [("square", 0)]
    left = stop(person, saw, " 5  left", "-5,0")
    assert (left["name"], left["nominal_deg"], left["bevel_deg"]) == ("5  left", -5, 0)
    taken = stop(person, saw, "5 LEFT", "-4", 409)["detail"]
    assert "a stop 5  left already, at -5 degrees" in taken
    for nominal, says in (("67.5", "from -60 to 60 degrees"), ("left", "plain number of degrees")):
        assert says in stop(person, saw, "odd", nominal, 422)["detail"]

    person.start(machine="Window saw")
    person.press("12.30", "12.41")
    second = person.start(machine="Window saw", stop="5 left")
    said = person.series(second)["stop"]
    assert said == {"id": left["id"], "name": "5  left", "nominal_deg": -5, "bevel_deg": 0}
    person.press("12.30", "12.41")
    settings = {"method": "reversal", "machine": saw, "stop": "45 left", "baseline": "9"}
    unknown = person.post("/api/series", settings, 422)["detail"]
    assert "no stop 45 left; it has square, 5  left" in unknown
    assert columns(person) == [("square", "0.0"), ("5  left", "-5.0")]
    with server.reading() as store:
        assert list(doctor.findings(store)) == []


def test_a_stop_is_corrected_and_what_series_rest_on_is_not(person: Person):
    saw = machine(person, "Window saw")
    made = stop(person, saw, "5 left", "-4")
    path = f"/api/stops/{made['id']}"
    assert correct(person, path, {"nominal_deg": "-5"})["nominal_deg"] == -5
    person.start(machine="Window saw", stop="5 left")
    person.press("12.30", "12.41")
    refused = correct(person, path, {"nominal_deg": "-4"}, 409)["detail"]
    assert "their errors are from -5 degrees" in refused
    cursor = person.client.get("/api/trials.csv").links["next"]["url"]
    correct(person, path, {"name": "left 5", "check_days": 30, "note": "worn", "who": "Ada"})
    assert ",left 5,-5.0," in person.client.get(cursor).text  # it comes again in pulls of new rows
    square = person.get(f"/api/machines/{saw}/stops")[0]["id"]
    assert (
        "stays as it is"
        in correct(person, f"/api/stops/{square}", {"retired": True}, 409)["detail"]
    )
    correct(person, path, {"retired": True})
    retired = {"machine": saw, "stop": "left 5", "method": "reversal", "strip_side": "left"}
    refused = person.post("/api/series", retired | {"baseline": "200", "unit": "mm"}, 422)
    assert [e["field"] for e in refused["errors"]] == ["stop"]
    assert "left 5 is retired" in refused["detail"]
    assert stops(person, saw) == [("square", 0)]
    assert stops(person, saw, "?retired=true") == [("square", 0), ("left 5", -5)]

    changes = person.get("/api/changes")
    renamed = next(each for each in changes if each["field"] == "name")
    assert (renamed["subject_kind"], renamed["before"], renamed["who"]) == ("stop", "5 left", "Ada")
    person.post(f"/api/changes/{renamed['id']}/undo")
    now = person.get(path)
    assert (now["name"], now["check_days"], now["note"]) == ("5 left", None, None)


def test_a_series_moves_to_another_stop_and_with_another_machine_to_the_same_one(person, server):
    saw = machine(person, "Window saw")
    other = machine(person, "Bench saw")
    stop(person, saw, "5 left", "-5")
    stop(person, other, "5 Left", "-5")
    stop(person, saw, "3 right", "3")
    stop(person, other, "3 right", "3.5")
    series = person.start(machine="Window saw")
    person.press("12.30", "12.41")
    path = f"/api/series/{series}"
    square = person.series(series)["trials"][0]["angle_deg"]
    at_three = correct(person, path, {"stop": "3 right"})
    assert at_three["trials"][0]["angle_deg"] == pytest.approx(square - 3, abs=0.002)
    moved = correct(person, path, {"machine": "Bench saw"})
    assert moved["stop"]["name"] == "3 right of Window saw"
    back = moved["corrections"][-1]
    person.post(f"/api/changes/{back['id']}/undo")
    assert person.series(series)["stop"] == at_three["stop"]
    moved = correct(person, path, {"machine": "Bench saw", "stop": "5 left"})
    assert (moved["machine"]["name"], moved["stop"]["name"]) == ("Bench saw", "5 Left")
    with server.reading() as store:
        assert list(doctor.findings(store)) == []


def test_the_wedge_of_a_stop_is_flagged_as_another_unit_only_where_it_is_at_square(person):
    saw = machine(person, "Window saw")
    stop(person, saw, "10 right", "10")
    series = person.start(machine="Window saw", stop="10 right", baseline="300", unit="mm")
    person.press("4.50", "115.40")
    assert person.series(series)["trials"][0]["flags"] == []
    for at, flags in (("square", ["unit slip?"]), ("10 right", [])):
        correct(person, f"/api/series/{series}", {"stop": at})
        assert person.series(series)["trials"][0]["flags"] == flags


def test_merging_machines_merges_the_same_stops_and_brings_the_others(person, server: Server):
    saw, other = machine(person, "Window saw"), machine(person, "Bench saw")
    for of, name, nominal in ((saw, "5 left", "-5"), (other, "5 left", "-5"), (saw, "3", "3")):
        stop(person, of, name, nominal)
    stop(person, saw, "unused", "7")
    worn = stop(person, saw, "worn", "9")["id"]
    there = person.get(f"/api/machines/{other}/stops")[-1]
    correct(person, f"/api/stops/{there['id']}", {"retired": True})
    series = {}
    for name in ("square", "5 left", "3", "worn"):
        series[name] = person.start(machine="Window saw", stop=name)
        person.press("12.30", "12.41")
    correct(person, f"/api/stops/{worn}", {"retired": True})
    before = {name: person.series(each)["stop"] for name, each in series.items()}
    person.post(f"/api/machines/{saw}/merge", {"into": "Bench saw"})
    brought = [("square", 0), ("5 left", -5), ("3", 3), ("unused", 7)]
    assert stops(person, other) == brought
    after = {name: person.series(each)["stop"] for name, each in series.items()}
    ids = {each["id"] for each in person.get(f"/api/machines/{other}/stops?retired=true")}
    assert {name: each["name"] for name, each in after.items()} == {n: n for n in series}
    assert {each["id"] for each in after.values()} <= ids
    merged = next(c for c in person.get("/api/changes") if c["field"] == "merged into")
    person.post(f"/api/changes/{merged['id']}/undo")
    assert {name: person.series(each)["stop"] for name, each in series.items()} == before
    assert stops(person, other) == [("square", 0)]
    with server.reading() as store:
        assert list(doctor.findings(store)) == []
