"""A line of the list of series says what the series says itself."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.bench import Person


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def test_the_list_says_of_each_series_what_the_series_itself_says(person):
    series = person.start(tolerance_deg="0.5")
    person.press("12.30", "12.40", "12.31", "12.42", "12.30", "12.39")
    (line,) = person.get("/api/series")["series"]
    whole = person.series(series)
    assert line["trials"] == 3
    assert line["machine"]["name"] == "Window saw"
    for name in ("mean", "expanded_uncertainty", "verdict", "sentence"):
        assert line["quantities"]["angle"][name] == whole["score"]["quantities"]["angle"][name]
    assert line["quantities"]["angle"]["verdict"] == "good enough"
    assert "readings" not in line


def test_every_line_says_to_the_last_digit_what_its_series_says(person):
    """Many are scored at once: of all methods, with what studies know, complete or not."""
    person.start()
    person.press("12.30", "12.40")  # before the caliper was studied
    person.start("Desk", method="same-spot", baseline=None, repeats=2)
    person.press("20.001", "20.012", "20.007", "20.004", "19.995", "20.002")
    person.start("Desk", method="known-block", baseline="25")
    person.press("25.01", "25.02", "25.01")
    person.start("Desk", method="known-block", baseline=None)
    person.press("25.01")
    person.start(tolerance_gap="0.1", tolerance_joint="150")
    person.press("12.30", "12.40", "12.31", "12.36", "12.30", "12.45", "12.2")
    person.start("Sled", baseline="8.026", unit="in", strip_side="right")
    person.press("0.475", "0.482", "0.520", "0.513", unit="in", caliper="other")
    person.start("Sled", method="roll", thickness="18.5", repeats=2)
    person.press("12.30", "12.31", "12.32", "12.33", "12.40", "12.42", "12.44", "12.41")
    person.start("Sled", method="five-cut")
    person.press("10.2", "10.9")
    person.start(
        method="stop-block", baseline=None, tolerance_length="0.5", tolerance_nominal="300"
    )
    person.press("300.1", "300.2", "300.4")
    person.start("Sled", method="closing-miters", baseline="60", pieces=6)
    person.press("0.4", "0.4")
    person.start("Sled")
    lines = person.get("/api/series")["series"]
    assert len(lines) == 11
    for line in lines:
        whole = person.series(line["id"])
        assert {name: whole[name] for name in line if name in whole and name != "trials"} == {
            name: line[name] for name in line if name not in ("trials", "quantities")
        }
        score = whole["score"]
        assert line["trials"] == score["trials"]
        assert list(line["quantities"]) == list(score["quantities"])
        for name, told in line["quantities"].items():
            assert told == {field: score["quantities"][name][field] for field in told}
