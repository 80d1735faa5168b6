"""Which stop and which work a series belongs to, wherever pages show it."""

from __future__ import annotations

import pytest

from api.web.pages.works.chart import Gap, gaps_picture
from tests.api.answers.measuring import measured
from tests.api.bench import Person
from tests.api.web.pages.pictures import of_class, words

ROWS = [("48.60", "12.53"), ("48.71", "12.63"), ("48.69", "12.60")]


@pytest.fixture
def person(client):
    return Person(client)


def page(person: Person, path: str) -> str:
    answer = person.client.get(path)
    assert answer.status_code == 200, answer.text
    return " ".join(answer.text.split())


def test_every_list_of_series_names_the_stop_where_a_machine_has_several(person):
    saw = person.post("/api/machines", {"name": "Window saw", "kind": "miter saw"}, 201)["id"]
    stop = person.post("/api/stops", {"machine": saw, "name": "5 left", "nominal_deg": "-5"}, 201)
    square = measured(person, [("12.00", "12.10"), ("12.01", "12.12")])
    left = measured(person, ROWS, stop="5 left")
    alone = measured(person, [("12.00", "12.10"), ("12.01", "12.12")], "Sled")

    listed = page(person, "/series")
    for shown in ("Window saw, 5 left: Reversal", "Window saw, square: Reversal", "Sled: Reversal"):
        assert shown in listed
    table = page(person, f"/machine/{saw}").partition('id="series-title"')[2]
    assert '<th scope="col">Stop</th>' in table
    assert "<td>5 left</td>" in table
    assert '<th scope="col">Stop</th>' not in page(person, "/machine/Sled")
    # Two stops are compared, and nobody asks whether the saw came back from one to the other.
    compared = page(person, f"/compare?a={square}&b={left}")
    assert "5 left, Reversal, 3 strips" in compared
    assert "5 left, Reversal, <time" in compared
    assert "Did it come back to its stop?" not in compared

    one = page(person, f"/series/{left}")
    assert "<h1" in one
    assert "Window saw, 5 left: Reversal</h1>" in one
    assert "Window saw, 5 left: Reversal</h1>" in page(person, f"/series/{left}/report")
    actual = person.series(left)["actual_deg"]
    assert "Nominal −5°; it cuts at <b>" in one
    assert f'value="{actual!r}"' in one
    assert "Nominal" not in page(person, f"/series/{alone}")
    answer = person.client.patch(f"/api/stops/{stop['id']}", json={"check_days": 30})
    assert answer.status_code == 200
    changed = page(person, f"/machine/{saw}").partition('id="changed-title"')[2]
    assert "Stop 5 left: days between series: none → 30" in changed
    assert "data-undo=" in changed


def test_a_series_of_two_visits_numbers_them_and_says_what_they_show(person):
    series = person.start()
    for number, row in enumerate([("12.00", "12.10"), ("12.01", "12.12")] * 2):
        if number == 2:
            person.post("/api/benches/main/away")
        person.press(*row)
    for path in (f"/series/{series}", f"/series/{series}/report"):
        shown = page(person, path)
        assert '<th scope="col">Visit</th>' in shown
        assert shown.count("Over 2 visits") == 1
        # None of the strips of one visit is said to be of another one.
        assert shown.count('data-act="stayed"') == (1 if path.endswith(series) else 0)


def test_a_set_up_is_refused_where_the_method_does_not_measure_the_stop(person):
    saw = person.post("/api/machines", {"name": "Window saw", "kind": "miter saw"}, 201)["id"]
    body = {"machine": saw, "name": "45 left", "nominal_deg": "-45"}
    stop = person.post("/api/stops", body, 201)["id"]
    for method, stop_id, status in (
        ("reversal", stop, 422),
        ("miter-pair", stop, 200),
        ("reversal", saw, 422),
    ):
        answer = person.client.get(f"/api/set-up?method={method}&stop={stop_id}")
        assert answer.status_code == status
        if status == 422:
            assert [error["field"] for error in answer.json()["errors"]] == ["stop"]


def test_a_series_names_its_work_and_says_when_the_work_needs_something_else(person):
    body = {"name": "Doors", "unit": "in", "gap": "0.004", "joint": "6"}
    work = person.post("/api/works", body, 201)
    assert work["need"] == "A gap of no more than 0.004 in over a joint of 6 in."
    series = measured(person, [("12.00", "12.10"), ("12.01", "12.12")], work="Doors")
    address = f"/series/{series}"
    assert "for Doors" in page(person, address)
    assert "Doors needs" not in page(person, address)
    answer = person.client.patch(f"/api/works/{work['id']}", json={"gap": "0.008"})
    assert answer.status_code == 200
    assert "Doors needs something else now than this series" in page(person, address)


def test_the_angle_itself_is_said_where_the_method_tells_which_way_a_cut_leans(person):
    saw = person.post("/api/machines", {"name": "Window saw", "kind": "miter saw"}, 201)["id"]
    for name, nominal in (("45 right", "45"), ("45 left", "-45"), ("22.5 left", "-22.5")):
        body = {"machine": saw, "name": name, "nominal_deg": nominal}
        person.post("/api/stops", body, 201)
    # A corner that is too obtuse: of miters that lean less far than the stop says.
    for stop, way in (("45 right", -1), ("45 left", 1)):
        rows = [("90.00", "90.20"), ("90.00", "90.25")]
        series = measured(person, rows, stop=stop, method="miter-pair", baseline="150")
        found = person.series(series)
        mean = found["score"]["quantities"]["angle"]["mean"]
        assert mean > 0.01
        assert found["actual_deg"] == pytest.approx(found["nominal_deg"] + way * mean)
        (told,) = [
            each for each in person.get(f"/api/machines/{saw}/map")["stops"]
            if each["stop"]["name"] == stop
        ]  # fmt: skip
        assert told["error_deg"] == pytest.approx(way * mean)
        assert "it cuts at" in page(person, f"/series/{series}")
    settings = {"stop": "22.5 left", "method": "closing-miters", "baseline": "60", "pieces": 8}
    series = measured(person, [("0.20",), ("0.25",)], **settings)
    assert person.series(series)["actual_deg"] is None
    assert "it cuts at" not in page(person, f"/series/{series}")


@pytest.mark.parametrize(("unit", "shown"), [("mm", "0.076 mm"), ("in", "3 thou")])
def test_the_picture_of_a_work_says_gaps_in_the_works_unit(unit, shown):
    picture = gaps_picture([Gap("Now", 0.0762)], 0.1, unit).svg
    assert shown in words(picture)
    (number,) = of_class(picture, "len")
    assert float(number.get("data-value", "nan")) == 0.0762
