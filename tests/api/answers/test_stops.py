"""What is said of a machine is said of each of its stops by itself."""

from __future__ import annotations

import math

import pytest
from fastapi.testclient import TestClient

from api.store import doctor
from tests.api.answers.cutting import refused
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH

STEADY = (0.01, 0.02, 0.01, 0.03, 0.02)
OFF = (1.61, 1.60, 1.62, 1.60, 1.61)


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def cut(person: Person, stop: str, deviations_mm: tuple[float, ...], at: float = 0.0) -> str:
    """A finished series whose strips widen by so much beyond what the nominal angle makes."""
    series = person.start(machine="Saw", stop=stop, tolerance_deg="0.1")
    for d in deviations_mm:
        person.press("12.00", f"{12 + at + d:.2f}")
    person.post(f"/api/series/{series}/finish")
    return series


@ON_BOTH
def test_each_stop_has_its_own_state_history_and_scatter(person: Person):
    machine = person.post("/api/machines", {"name": "Saw", "kind": "miter saw"}, 201)["id"]
    square = cut(person, "square", STEADY)
    alone = person.get(f"/api/machines/{machine}/history")
    assert alone["standing"]["sentence"].startswith("The open end")  # of one stop none is named
    body = {"machine": "Saw", "name": "5 right", "nominal_deg": "5"}
    person.post("/api/stops", body, 201)
    # 200 tan(10 degrees) / cos(5 degrees), and half of what the deviations add is the error.
    five = cut(person, "5 right", OFF, at=35.40)
    again = cut(person, "5 right", OFF, at=35.41)

    found = person.get(f"/api/machines/{machine}/history")
    standing = found["standing"]
    assert (standing["verdict"], standing["series"]) == ("needs adjusting", again)
    assert standing["sentence"].startswith(
        "5 right: the open end of the cut leans to the right of the stop's nominal angle: "
    )
    by_stop = {each["stop"]["name"]: each for each in standing["stops"]}
    assert by_stop["square"]["verdict"] == "good enough"
    assert by_stop["square"]["sentence"] == alone["standing"]["sentence"]
    assert by_stop["5 right"]["series"] == again
    assert list(found["drift"]) == ["reversal/angle", "reversal/angle at 5 right"]
    line = found["drift"]["reversal/angle at 5 right"]
    assert (line["stop"], line["nominal_deg"], line["series"]) == ("5 right", 5, [five, again])
    assert line["values"][0] == pytest.approx(0.222, abs=0.003)  # the error, not the angle
    assert [s["stop"]["name"] for s in found["series"]] == ["square", "5 right", "5 right"]
    (listed,) = person.get("/api/machines")
    assert [s["verdict"] for s in listed["stops"]] == ["good enough", "needs adjusting"]

    series = person.series(five)
    assert series["nominal_deg"] == 5
    angle = series["score"]["quantities"]["angle"]
    assert series["actual_deg"] == pytest.approx(5 + angle["mean"])
    assert line["expanded_uncertainty"][0] == pytest.approx(angle["expanded_uncertainty"], rel=1e-6)
    told = refused(person, f"/api/compare/return?before={square}&after={five}")
    assert "was cut at the stop 5 right" in str(told)
    both = person.get(f"/api/compare?a={square}&b={five}")
    assert any("different stops: square (0 degrees), 5 right (5" in note for note in both["notes"])
    assert [s["name"] for s in both["series"]] == ["Saw, square", "Saw, 5 right"]
    advice = person.get(f"/api/machines/{machine}/advice?span=600")
    assert any("for the stop 5 right" in note for note in advice["notes"])


def test_a_retired_stop_says_nothing_of_how_the_machine_is_now(person: Person):
    machine = person.post("/api/machines", {"name": "Saw", "kind": "miter saw"}, 201)["id"]
    made = person.post("/api/stops", {"machine": "Saw", "name": "5", "nominal_deg": "5"}, 201)
    cut(person, "5", OFF, at=35.40)
    cut(person, "square", STEADY)
    history = f"/api/machines/{machine}/history"
    assert person.get(history)["standing"]["verdict"] == "needs adjusting"
    assert person.client.patch(f"/api/stops/{made['id']}", json={"retired": True}).status_code < 300
    found = person.get(history)
    assert found["standing"]["verdict"] == "good enough"
    assert len(found["series"]) == 2


@ON_BOTH
def test_away_and_back_between_strips_tells_the_stop_from_the_cutting(person: Person, server):
    series = person.start(machine="Saw", baseline="200")
    bench = "/api/benches/main"
    person.post(f"{bench}/away", status=409)  # nothing was cut yet
    # Millimetres: three visits, whose strips repeat far better than the stop does.
    for number, mean in enumerate((0.10, 0.50, 0.30)):
        if number:
            person.post(f"{bench}/away", {"to_deg": "45"})
        for d in (mean, mean + 0.02, mean + 0.01):
            person.press("12.00", f"{12 + d:.2f}")
    assert "nothing" not in person.post(f"{bench}/away")
    assert person.post(f"{bench}/away", status=409)["detail"].startswith("no strip was cut since")
    person.post(f"{bench}/stayed")
    person.press("12.00", "12.30")
    found = person.series(series)
    assert [t["visit"] for t in found["trials"]] == [1, 1, 1, 2, 2, 2, 3, 3, 3, 3]
    told = found["visits"]["angle"]
    assert (told["strips"], told["told"]) == ([3, 3, 4], True)
    # d = 2 L tan e, so half a millimetre in 400.
    assert told["between"] == pytest.approx(math.degrees(0.2 / 400), rel=0.02)
    low, high = (told["between_interval"][end] for end in ("low", "high"))
    assert low < told["between"] < high
    assert told["within"] < told["between"] / 10
    assert "stop scatters from visit to visit" in told["sentence"]
    drifted = found["trend"]["angle"]
    assert (drifted["shown"], drifted["creep"]) == (False, None)
    assert "several visits" in drifted["sentence"]
    # Student's t with 2 degrees of freedom, 4.303: three visits, not ten strips.
    result = found["score"]["quantities"]["angle"]
    assert result["expanded_uncertainty"] > 4.3 * told["between"] / math.sqrt(3)
    assert "counts visits to the stop" in " ".join(found["score"]["notes"])
    listed = person.get(f"/api/machines/{found['machine']['id']}/history")["series"]
    (check,) = (one["quantities"]["angle"] for one in listed if one["id"] == series)
    assert check["expanded_uncertainty"] == pytest.approx(result["expanded_uncertainty"])
    (line,) = person.get("/api/series")["series"]
    assert line["quantities"]["angle"]["sentence"] == result["sentence"]

    person.post(f"/api/series/{series}/finish")
    corrected = person.post(f"/api/series/{series}/trials/4/stayed", {"who": "Ada"})
    assert [t["visit"] for t in corrected["trials"]] == [1] * 6 + [2] * 4
    change = corrected["corrections"][-1]
    assert (change["field"], change["before"], change["after"]) == ("visit", "next", "same")
    assert "in the same visit" in person.client.get(f"/series/{series}").text
    person.post(f"/api/changes/{change['id']}/undo")
    assert person.series(series)["visits"] == found["visits"]
    # A move carries the visits with it, and no setup change is written.
    moved = person.post(f"/api/series/{series}/trials/4/move", {"rest": True})
    assert [t["visit"] for t in moved["trials"]] == [2, 2, 2, 3, 3, 3, 3]
    compared = person.get(f"/api/compare?a={series}&b={moved['id']}")
    assert any("each visit counts once" in note for note in compared["notes"])
    # The series has one visit left, and one visit beside two shows nothing of the return.
    beside = compared["quantities"]["angle"]
    assert (beside["counted"], beside["spread_ratio"]) == ("visit", None)
    assert beside["difference"]["interval"] is None
    assert "1 visit cannot show how a machine comes back" in beside["sentence"]
    back = person.get(f"/api/compare/return?before={series}&after={moved['id']}")
    # No number of strips was planned, so each of them may have been a look.
    assert (back["counted"], back["way"]) == ("visit", None)
    assert "1 visit shows no scatter" in back["sentence"]
    page = person.client.get(f"/compare?a={series}&b={moved['id']}").text
    assert "Not compared between visits" in page
    assert back["sentence"] in page
    history = person.get(f"/api/machines/{found['machine']['id']}/history")
    assert history["setup_changes"] == []
    with server.reading() as store:
        assert list(doctor.findings(store)) == []


def test_visits_of_planned_series_are_one_look_at_their_means(person: Person):
    found = []
    for visits in ((0.10, 0.50, 0.30), (0.32,)):
        strips = 2 * len(visits)
        found.append(person.start(machine="Saw", baseline="200", strips=strips))
        for number, mean in enumerate(visits):
            if number:
                person.post("/api/benches/main/away")
            for d in (mean, mean + 0.02):
                person.press("12.00", f"{12 + d:.2f}")
        person.post(f"/api/series/{found[-1]}/finish")
    before, after = found
    back = person.get(f"/api/compare/return?before={before}&after={after}")
    assert (back["counted"], back["way"]) == ("visit", "prediction interval")
    page = person.client.get(f"/compare?a={before}&b={after}").text
    assert "where the next visit was expected" in page


@ON_BOTH
def test_the_map_says_what_six_stops_have_in_common(person: Person):
    """A saw whose zero is off by 0.3 degrees, measured at six stops with boards of their own."""
    machine = person.post("/api/machines", {"name": "Saw", "kind": "miter saw"}, 201)["id"]
    address = f"/api/machines/{machine}/map"
    assert person.get(address)["told"] == "too few"
    for nominal in (-10, -5, 0, 5, 10):
        name = "square"
        if nominal:
            name = f"{nominal} degrees"
            body = {"machine": "Saw", "name": name, "nominal_deg": str(nominal)}
            person.post("/api/stops", body, 201)
        known = {"baseline_within": "0.05", "inset_within": "0.05", "tolerance_deg": "0.1"}
        jaws = {"baseline": "150", "inset": "5", "jaw_width": "6"}  # they are 140 apart
        series = person.start(machine="Saw", stop=name, **jaws, **known)
        angle = math.radians(nominal + 0.3)
        wedge = 2 * math.tan(angle) if nominal == 0 else math.tan(2 * angle) / math.cos(angle)
        for d in (0.00, 0.02, -0.01, 0.01, -0.02):
            person.press("90.00", f"{90 + 140 * wedge + d:.2f}")
        person.post(f"/api/series/{series}/finish")
    # At 45 degrees by two miters: the same lean to the right leaves their corner too acute.
    body = {"machine": "Saw", "name": "45 right", "nominal_deg": "45"}
    person.post("/api/stops", body, 201)
    of_pair = {"method": "miter-pair", "baseline": "200", "tolerance_deg": "0.1"}
    series = person.start(machine="Saw", stop="45 right", **of_pair)
    for d in (0.00, 0.02, -0.01, 0.01, -0.02):
        person.press("6.00", f"{6 - 400 * math.tan(math.radians(0.6)) + d:.2f}")
    person.post(f"/api/series/{series}/finish")
    body = {"machine": "Saw", "name": "bevel", "nominal_deg": "0", "bevel_deg": "45"}
    person.post("/api/stops", body, 201)
    found = person.get(address)
    assert [s["stop"]["nominal_deg"] for s in found["stops"]] == [-10, -5, 0, 5, 10, 45]
    assert {s["verdict"] for s in found["stops"]} == {"needs adjusting"}
    assert (found["told"], found["first"], found["bad_stop"]) == ("pattern", "zero", None)
    assert found["zero"]["value"] == pytest.approx(0.3, abs=0.01)
    assert found["zero"]["expanded_uncertainty"] < 0.02
    assert found["left_out"] == ["bevel"]
    assert "setting the machine square moves every stop with it" in found["sentence"]
