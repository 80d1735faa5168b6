"""What a set-up proposes over HTTP: as last time, for which work, how many strips."""

from __future__ import annotations

import numpy as np
import pytest

from tests.api.answers.measuring import measured, reversals
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


@pytest.fixture
def person(client):
    return Person(client)


def proposed(person: Person, **query: str):
    answer = person.client.get("/api/set-up/proposed", params={"machine": "Window saw", **query})
    assert answer.status_code == 200, answer.text
    return answer.json()


def names(found) -> list[str]:
    return [work["name"] for work in found["works"]]


def test_a_work_to_start_with_becomes_one_of_the_shops_own_and_is_chosen_next_time(person):
    person.post("/api/machines", {"name": "Window saw", "kind": "other"}, 201)
    first = proposed(person)
    assert names(first) == ["picture frame", "case work", "carpentry"]
    assert {work["note"] for work in first["works"]} == {"common practice, no source"}
    assert {(work["work"], work["chosen"]) for work in first["works"]} == {(None, False)}
    assert (first["series"], first["settings"], first["method"]) == (None, None, None)
    assert first["strips"]["strips"] == 5
    # What is refused makes no work.
    body = {"machine": "Window saw", "method": "reversal", "work": "Case work", "unit": "mm"}
    assert person.client.post("/api/series", json=body).status_code == 422
    assert person.get("/api/works") == []
    series = person.start(work="Case work", person="Ada", inset="3", strip_side="right")
    (made,) = person.get("/api/works")
    assert (made["name"], made["tolerance_deg"]) == ("case work", "0.1")
    assert made["note"] == "common practice, no source"
    assert person.series(series)["work"] == made["id"]
    again = proposed(person)
    assert names(again) == ["case work", "picture frame", "carpentry"]
    chosen = again["works"][0]
    assert (chosen["work"], chosen["before"], chosen["chosen"]) == (made["id"], True, True)
    settings = again["settings"]
    assert (again["series"], again["same_stop"]) == (series, True)
    assert (settings["baseline"], settings["unit"], settings["inset"]) == ("200", "mm", "3")
    assert (settings["strip_side"], settings["person"]) == ("right", "Ada")
    # The work says what is needed: what is proposed starts as it is.
    assert settings["tolerance_deg"] is None
    person.post(
        "/api/series",
        {**settings, "machine": "Window saw", "work": "case work", "strips": 5},
        201,
    )
    # What is made does not hang on how it is checked, nor what is usual on there being a machine.
    assert names(proposed(person, method="roll"))[0] == "case work"
    assert names(proposed(person, work="carpentry"))[0] == "carpentry"
    fresh = person.get("/api/set-up/proposed?method=stop-block")
    assert (fresh["machine"], fresh["settings"], fresh["strips"]["strips"]) == (None, None, 5)
    assert {work["name"]: work["chosen"] for work in fresh["works"]} == dict.fromkeys(
        ("case work", "picture frame", "carpentry"), False
    )
    assert fresh["strips"]["sentence"].startswith("5 parts to begin with")
    refused = person.client.get(
        "/api/set-up/proposed", params={"machine": "Window saw", "work": "boats"}
    )
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "work")


@ON_SQLITE
def test_what_does_not_fit_another_stop_or_machine_is_not_proposed(person):
    measured(person, [("12.00", "12.10"), ("12.01", "12.10")], tolerance_deg="0.2")
    machine = person.get("/api/machines")[0]["id"]
    for name, nominal in (("5 left", "-5"), ("45 left", "-45")):
        person.post("/api/stops", {"machine": machine, "name": name, "nominal_deg": nominal}, 201)
    near = proposed(person, stop="5 left")
    assert (near["same_stop"], near["settings"]["tolerance_deg"]) == (False, "0.2")
    far = proposed(person, stop="45 left")
    assert (far["settings"], far["method"], far["unit"]) == (None, None, "mm")
    # Of a new machine the method and the unit of last time are known, and no length.
    person.post("/api/machines", {"name": "Sled", "kind": "other"}, 201)
    new = proposed(person, machine="Sled")
    assert (new["series"], new["settings"]) == (None, None)
    assert (new["method"], new["unit"]) == ("reversal", "mm")


@ON_SQLITE
def test_the_number_of_strips_follows_the_need_and_what_the_stop_has_shown(person):
    # One strip shows no scatter, and is not among those that the number is said to follow from.
    measured(person, reversals(0.0, 0.02, 1, np.random.default_rng(1)), tolerance_deg="0.02")
    rng = np.random.default_rng(4)
    # 0.02 mm of each reading over 2 x 200 mm: a trial scatters by about 0.004 degrees.
    for _ in range(2):
        measured(person, reversals(0.0, 0.02, 6, rng), tolerance_deg="0.02")
    own = proposed(person)["strips"]
    assert own["by_history"] is True
    assert 3 <= own["strips"] <= 6
    assert own["sentence"] == (
        f"{own['strips']} strips: by how the latest 12 strips scattered, so many tell as a rule."
    )
    person.post("/api/works", {"name": "gauges", "tolerance_deg": "0.007"}, 201)
    finer = proposed(person, work="gauges")["strips"]
    assert finer["strips"] is None or finer["strips"] > own["strips"]
    person.post("/api/works", {"name": "gauge blocks", "tolerance_deg": "0.0005"}, 201)
    none = proposed(person, work="gauge blocks")["strips"]
    assert none["strips"] is None
    assert "20 strips would not tell: what they leave uncertain is more" in none["sentence"]
    # A number that was planned counts, strip by strip, until its end.
    series = person.start(tolerance_deg="0.02", strips=6)
    # It can still be changed, until the first strip is read.
    address = f"/api/series/{series}"
    changed = person.client.patch(address, json={"strips": 3})
    assert (changed.status_code, changed.json()["strips"]) == (200, 3)
    for made, row in enumerate(reversals(0.0, 0.02, 3, rng), start=1):
        person.press(*row)
        said = person.get("/api/benches/main")["progress"]
        assert (said["strips"], said["planned"], said["enough"]) == (made, 3, made == 3)
    late = person.client.patch(address, json={"strips": 9})
    assert late.status_code == 409
    assert "is said before the first one is read" in late.json()["detail"]
    assert said["sentence"] == "3 of 3 strips made: finish the series for the verdict."
    assert person.series(series)["progress"] == said
    # Without one, the verdict is enough, and before it what would tell is said.
    person.post(f"/api/series/{series}/finish")
    person.start(tolerance_deg="0.02")
    rows = reversals(0.0, 0.02, 12, rng)
    person.press(*rows[0])
    said = person.get("/api/benches/main")["progress"]
    assert said["sentence"].startswith("1 strip made. ")
    assert said["enough"] is False
    for row in rows[1:]:
        person.press(*row)
    said = person.get("/api/benches/main")["progress"]
    assert (said["enough"], said["sentence"]) == (True, "12 strips made: it is enough now.")
