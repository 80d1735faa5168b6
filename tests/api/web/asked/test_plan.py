"""What is to be planned: usual values for what is left out, and no impossible ones."""

from __future__ import annotations

import math
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import Engine

from analysis.methods import METHODS
from api.answers.plan import Asked
from api.errors import InvalidField, NotFound
from api.web.asked.plan import READING_SD, RESOLUTION, asked_for, usual_width
from tests.api.conftest import ON_SQLITE

LEFT_OUT: dict[str, Any] = {
    "error_deg": None,
    "gap": None,
    "joint": None,
    "method": "reversal",
    "width": None,
    "unit": "mm",
    "inset": "0",
    "pieces": None,
    "cuts": 5,
    "resolution": None,
    "reading_sd": None,
    "own_sd_deg": None,
    "series": None,
    "alpha": 0.05,
    "beta": 0.1,
    "two_series": False,
}


@pytest.fixture
def ask(engine: Engine):
    def asked(**said: Any) -> Asked:
        with engine.connect() as store:
            return asked_for(store, METHODS, **(LEFT_OUT | said))

    return asked


@ON_SQLITE
@pytest.mark.parametrize(("unit", "per"), [("mm", 1.0), ("in", 25.4)])
def test_what_is_left_out_is_as_usual_in_the_unit_asked(ask, unit, per):
    found = ask(error_deg=0.05, unit=unit)
    assert found.error_rad == pytest.approx(math.radians(0.05))
    assert found.width_mm == pytest.approx(per * float(usual_width(METHODS["reversal"], unit)))
    assert found.resolution_mm == pytest.approx(per * float(RESOLUTION[unit]))
    assert found.reading_sd_mm == pytest.approx(per * float(READING_SD[unit]))
    assert (found.own_sd_rad, found.inset_mm) == (0.0, 0.0)


@ON_SQLITE
def test_a_method_over_a_thickness_takes_a_boards_usual_thickness(ask):
    assert ask(error_deg=0.05, method="half-turn").width_mm == 18.0


@ON_SQLITE
def test_a_gap_over_a_joint_is_an_error_as_well(ask):
    assert ask(gap="0,1", joint="150").error_rad == pytest.approx(math.atan(0.1 / 150))


@ON_SQLITE
@pytest.mark.parametrize(
    ("said", "field", "says"),
    [
        ({}, "error_deg", "is needed"),
        ({"error_deg": 0.0}, "error_deg", "above 0"),
        ({"error_deg": 45.1}, "error_deg", "at most 45"),
        ({"error_deg": 0.1, "gap": "1"}, "error_deg", "not both"),
        ({"gap": "0.1"}, "joint", "is needed"),
        ({"joint": "150"}, "gap", "is needed"),
        ({"gap": "150", "joint": "1"}, "gap", "swap them"),
        ({"error_deg": 0.1, "method": "guess"}, "method", "there is no method 'guess'"),
        ({"error_deg": 0.1, "method": "stop-block"}, "method", "shows no angle"),
        ({"error_deg": 0.1, "pieces": 6}, "pieces", "leave it out"),
        ({"error_deg": 0.1, "width": "wide"}, "width", "decimal number"),
        ({"error_deg": 0.1, "inset": ""}, "inset", "is needed"),
        ({"error_deg": 0.1, "inset": "100"}, "inset", "leaves nothing"),
        ({"error_deg": 0.1, "resolution": "0"}, "resolution", "greater than zero"),
        ({"error_deg": 0.1, "reading_sd": "-1"}, "reading_sd", "zero or more"),
        (
            {"error_deg": 0.1, "series": UUID(int=1), "own_sd_deg": 0.1},
            "series",
            "not both",
        ),
    ],
)
def test_what_cannot_be_planned_is_said_of_its_field(ask, said, field, says):
    with pytest.raises(InvalidField, match=says) as caught:
        ask(**said)
    assert caught.value.field == field


def test_a_series_that_there_is_not_is_not_found(ask):
    with pytest.raises(NotFound):
        ask(error_deg=0.1, series=UUID(int=1))
