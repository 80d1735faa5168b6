"""By which rule a verdict is said: looks while it runs, a planned number, earlier series."""

from __future__ import annotations

import pytest

from tests.api.answers.measuring import history, measured
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH

FEW = [("12.00", "12.04"), ("12.00", "12.05"), ("12.00", "12.03")]


@pytest.fixture
def person(client):
    return Person(client)


def angle(person, series):
    return person.series(series)["score"]["quantities"]["angle"]


def press(person, strips):
    for strip in strips:
        person.press(*strip)


@ON_BOTH
def test_a_planned_series_has_its_verdict_at_its_end(person):
    """And the bench hears of it, though no reading came."""
    series = person.start(tolerance_deg="0.012", strips=3)
    assert person.series(series)["strips"] == 3
    press(person, FEW)
    found = angle(person, series)
    assert (found["rule"], found["verdict"]) == ("not yet", "cannot tell yet")
    assert "finish the series" in found["sentence"]
    person.post(f"/api/series/{series}/finish", {})
    found = angle(person, series)
    assert (found["rule"], found["verdict"]) == ("one look", "good enough")
    assert history(person)["standing"]["verdict"] == "good enough"
    unplanned = person.start("Birch sled", tolerance_deg="0.012")
    press(person, FEW)
    person.post(f"/api/series/{unplanned}/finish", {})
    assert angle(person, unplanned)["verdict"] == "cannot tell yet"


@pytest.mark.parametrize("strips", [0, -1, 1001, 2.5])
def test_a_number_of_strips_that_cannot_be_is_refused(person, strips):
    answer = person.client.post(
        "/api/series",
        json={"machine": "Window saw", "method": "stop-block", "strips": strips},
    )
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "strips"


@ON_BOTH
def test_one_strip_is_judged_by_this_machines_earlier_series_until_a_setup_change(person):
    five = [("12.00", f"{12 + d / 100:.2f}") for d in (3, 4, 5, 4, 3)]
    for _ in range(2):
        measured(person, five, tolerance_deg="0.05")
    one = person.start(tolerance_deg="0.05")
    press(person, [("12.00", "12.04")])
    found = angle(person, one)
    assert (found["rule"], found["verdict"]) == ("earlier series", "good enough")
    assert "2 earlier series of this machine since" in found["sentence"]
    assert history(person)["standing"]["verdict"] == "good enough"
    assert "2 earlier series" in history(person)["standing"]["sentence"]
    (listed,) = [s for s in person.get("/api/series")["series"] if s["id"] == one]
    assert listed["quantities"]["angle"]["verdict"] == "good enough"
    # Another person's hand is not the one whose scatter is known.
    other = person.start(tolerance_deg="0.05", person="Ines")
    press(person, [("12.00", "12.04")])
    assert angle(person, other)["verdict"] == "cannot tell yet"
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted"}, 201)
    after = person.start(tolerance_deg="0.05")
    press(person, [("12.00", "12.04")])
    assert angle(person, after)["verdict"] == "cannot tell yet"
