"""What goes out: degrees for radians, mm as they are, null where nothing is known."""

from __future__ import annotations

import math

import pytest
from fastapi.testclient import TestClient

from analysis.interval import Interval
from api.web import convert
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [(math.pi, "rad", 180.0), (-math.pi / 2, "rad", -90.0), (2.0, "in", 50.8), (0.3, "mm", 0.3)],
)
def test_a_value_goes_out_in_degrees_or_mm(value, unit, expected):
    assert convert.outward_of(value, unit) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("quantity", "expected"), [("angle", 180.0), ("tilt", 180.0), ("length", math.pi)]
)
def test_angles_are_turned_into_degrees_and_lengths_are_not(quantity, expected):
    assert convert.outward(math.pi, quantity) == pytest.approx(expected)


def test_an_interval_is_converted_at_both_ends_and_none_stays_null():
    found = convert.optional_interval(Interval(-math.pi, math.pi, 0.9), math.degrees)
    assert found is not None
    assert (found.low, found.high, found.level) == (-180.0, 180.0, 0.9)
    assert convert.optional_interval(None, math.degrees) is None


def test_a_series_without_a_complete_trial_says_null_and_no_number(person):
    series = person.start()
    for sent in ((), ("12.30",)):
        person.press(*sent)
        found = person.series(series)
        angle = found["score"]["quantities"]["angle"]
        for name in ("mean", "sd", "range", "expanded_uncertainty", "mean_interval", "verdict"):
            assert angle[name] is None, name
        assert (angle["unit"], angle["trials"], angle["budget"]) == ("deg", 0, [])
        assert found["tolerance"] is None
        assert found["score"]["study"] is None
    (trial,) = found["trials"]
    assert (trial["angle_deg"], trial["deviation_mm"]) == (None, None)


@ON_SQLITE
def test_the_parts_of_a_sentence_are_the_sentence_and_hold_its_numbers(person):
    series = person.start(tolerance_deg="0.5")
    person.press("12.30", "12.40", "12.31", "12.42", "12.30", "12.39")
    angle = person.series(series)["score"]["quantities"]["angle"]
    parts = angle["sentence_parts"]
    assert "".join(part["text"] for part in parts) == angle["sentence"]
    measures = [part["measure"] for part in parts if part["measure"] is not None]
    assert measures
    assert any(
        m["value"] == pytest.approx(abs(angle["mean"]))
        and m["uncertainty"] == pytest.approx(angle["expanded_uncertainty"])
        for m in measures
    )


@ON_SQLITE
def test_a_budget_in_degrees_adds_up_to_the_uncertainty_in_degrees(person):
    series = person.start()
    person.press("12.30", "12.40", "12.31", "12.42", "12.30", "12.39")
    angle = person.series(series)["score"]["quantities"]["angle"]
    combined = math.hypot(*(line["contribution"] for line in angle["budget"]))
    assert combined * angle["coverage_factor"] == pytest.approx(angle["expanded_uncertainty"])
    for line in angle["budget"]:
        assert abs(line["sensitivity"]) * line["standard_uncertainty"] == pytest.approx(
            line["contribution"]
        )
