"""Fractions of an inch and written units, wherever a length is typed over HTTP."""

from __future__ import annotations

import pytest

from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


@pytest.fixture
def person(client):
    return Person(client)


@ON_SQLITE
def test_a_length_typed_as_a_fraction_is_kept_as_the_decimal_that_is_exactly_it(person, client):
    """8 1/32 in is 8.03125 in and 203.99375 mm: the set-up, a correction, a work and a question."""
    series = person.start(
        baseline='8-1/32"', unit="mm", tolerance_gap="1/64 in", tolerance_joint="6 in"
    )
    head = person.series(series)
    assert (head["baseline"], head["tolerance"]["gap"]) == ("203.99375", "0.396875")
    said = {"unit": "in", "baseline": "8 1/32", "tolerance_gap": "1/64", "tolerance_joint": "6"}
    assert client.patch(f"/api/series/{series}", json=said).status_code == 200
    corrected = person.series(series)
    assert (corrected["baseline"], corrected["tolerance"]["gap"]) == ("8.03125", "0.015625")

    case = {"kind": "case", "width": "15 3/4", "height": "7 7/8", "depth": "6"}
    case["cuts"] = [{"machine": "Window saw"}]
    work = {"name": "Case", "unit": "in", "gap": "1/64", "joint": "6", "parts": case}
    made = person.post("/api/works", work, 201)
    assert (made["gap"], made["parts"]["width"]) == ("0.015625", "15.75")
    answer = client.patch(f"/api/works/{made['id']}", json={"gap": "1/32"})
    assert answer.json()["gap"] == "0.03125"

    plan = {"gap": "1/64 in", "joint": '6"', "unit": "mm"}
    asked = client.get("/api/plan", params=plan).json()
    assert asked == client.get("/api/plan", params={"gap": "0.396875", "joint": "152.4"}).json()


@ON_SQLITE
def test_a_fraction_that_cannot_be_is_refused_at_its_field(person, client):
    body = {"machine": "Window saw", "method": "reversal", "unit": "in", "strip_side": "left"}
    person.post("/api/machines", {"name": "Window saw", "kind": "other"}, 201)
    answer = client.post("/api/series", json=body | {"baseline": "8 5/4"})
    (wrong,) = answer.json()["errors"]
    assert wrong["field"] == "baseline"
    assert "beside whole inches the fraction is less than one" in wrong["message"]


@ON_SQLITE
def test_a_reading_typed_as_a_fraction_counts_and_a_caliper_that_sends_one_is_not_guessed_at(
    person, client
):
    series = person.start(baseline="8 1/32", unit="in")
    # 29/64 in = 11.509375 mm and 15/32 in = 11.90625 mm, by 25.4 mm per inch.
    person.press("29/64", "15/32 in", unit="in", origin="typed")
    (trial,) = person.series(series)["trials"]
    assert [r["mm"] for r in trial["readings"]] == [11.509375, 11.90625]
    assert [r["sent"] for r in trial["readings"]] == ["29/64", "15/32 in"]
    # The number without a unit counts mm from now on; the one that names its unit stays.
    assert client.patch(f"/api/series/{series}", json={"readings_unit": "mm"}).status_code == 200
    (trial,) = person.series(series)["trials"]
    assert [r["mm"] for r in trial["readings"]] == [0.453125, 11.90625]

    def refused(**more) -> str:
        answer = client.post("/api/readings", json=[person.reading("8 5/4", **more)])
        assert answer.status_code == 422
        return answer.json()["detail"]

    assert "beside whole inches" in refused(unit="in", origin="typed")
    assert "a fraction; set the instrument to decimals" in refused(unit="in", origin="button")
