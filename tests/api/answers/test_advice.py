"""What to move on a machine, over HTTP."""

from __future__ import annotations

import math

import pytest

from tests.api.answers.measuring import (
    machine_of,
    measured,
    refused,
)
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH


@pytest.fixture
def person(client):
    return Person(client)


@ON_BOTH
def test_the_move_at_the_adjusting_point_takes_the_error_away(person):
    series = measured(person, [("10.00", "10.40"), ("10.01", "10.42"), ("10.00", "10.39")])
    angle = person.series(series)["score"]["quantities"]["angle"]
    e = math.radians(angle["mean"])
    machine = machine_of(person)
    advice = person.get(f"/api/machines/{machine}/advice?pivot=left&span=600&pitch=1.25")
    (told,) = advice["advice"]
    assert advice["series"] == series
    assert told["move"]["distance_mm"] == pytest.approx(600 * math.tan(e))
    assert told["move"]["turns"] == pytest.approx(600 * math.tan(e) / 1.25)
    expanded = math.radians(angle["expanded_uncertainty"])
    assert told["move"]["uncertainty_mm"] == pytest.approx(600 * expanded / math.cos(e) ** 2)
    assert told["move"]["toward_board"] is False  # open end leans right, pivot left
    assert told["blade_turn_deg"] == pytest.approx(angle["mean"])
    # The recut is uncertain once more, and the first strip of it more than the mean.
    assert told["predicted"]["trials"] == 3
    assert told["predicted"]["high"] > 1.4 * angle["expanded_uncertainty"]
    assert told["predicted"]["first_within"] > told["predicted"]["high"]
    other = person.get(f"/api/machines/{machine}/advice?pivot=right&span=600")["advice"][0]
    assert other["move"]["toward_board"] is True
    assert any("Unplug" in caution for caution in advice["cautions"])


@pytest.mark.parametrize(
    ("kind", "own", "climbs"),
    [
        ("table saw", "Stand beside", False),
        ("radial arm saw", "hold it back", True),
        ("saw", "", True),
    ],
)
def test_the_cautions_before_a_move_are_those_of_the_kind_of_machine(person, kind, own, climbs):
    series = measured(person, [("10.00", "10.40"), ("10.01", "10.42"), ("10.00", "10.39")])
    machine = machine_of(person)
    person.client.patch(f"/api/machines/{machine}", json={"kind": kind}).raise_for_status()
    said = " ".join(person.get(f"/api/machines/{machine}/advice")["cautions"])
    pages = (f"/machine/{machine}/mend", f"/series/{series}", f"/series/{series}/report")
    for told in (said, *(person.client.get(page).text for page in pages)):
        assert own in told
        assert ("climb toward you" in told) == climbs


def test_nothing_is_moved_after_one_strip(person):
    measured(person, [("10.00", "10.40")])
    path = f"/api/machines/{machine_of(person)}/advice?span=600"
    (told,) = person.get(path)["advice"]
    assert (told["leave_it"], told["why_left"], told["move"]) == (True, "too few trials", None)
    assert "Cut 2 more strips first" in told["sentence"]
    page = person.client.get(f"/machine/{machine_of(person)}/mend").text
    assert "do not move it yet: 1 strip shows nothing" in page
    assert "Tighten every lock" not in page


def test_what_is_moved_in_coarse_steps_is_left_alone(person, client):
    measured(person, [("10.00", "10.40"), ("10.01", "10.42"), ("10.00", "10.39")])
    path = f"/api/machines/{machine_of(person)}/advice?span=600"
    (told,) = person.get(f"{path}&setting=2")["advice"]
    assert (told["leave_it"], told["why_left"]) == (True, "not set closely")
    assert not person.get(f"{path}&setting=0.1")["advice"][0]["leave_it"]
    assert refused(client, f"{path}&setting_deg=-1")["field"] == "setting_deg"
    rows = [("10.00", "10.20"), ("10.01", "10.21"), ("10.00", "10.20")]
    tilted = {"method": "half-turn", "baseline": None, "thickness": "38"}
    measured(person, rows, "Tilted saw", **tilted)
    path = f"/api/machines/{machine_of(person, 'Tilted saw')}/advice"
    assert person.get(f"{path}?setting_deg=0.5")["advice"][0]["why_left"] == "not set closely"
    assert not person.get(f"{path}?setting_deg=0.01")["advice"][0]["leave_it"]


def test_a_span_in_inches_is_the_same_span(person):
    measured(person, [("10.00", "10.40"), ("10.01", "10.42"), ("10.00", "10.41")])
    path = f"/api/machines/{machine_of(person)}/advice"
    inches = person.get(f"{path}?span=24&pitch=0.05&unit=in")["advice"]
    assert inches == person.get(f"{path}?span=609.6&pitch=1.27")["advice"]


def test_an_error_lost_in_its_uncertainty_is_left_alone(person):
    measured(person, [("10.00", "10.03"), ("10.03", "10.00"), ("10.01", "10.02")])
    (told,) = person.get(f"/api/machines/{machine_of(person)}/advice?span=600")["advice"]
    assert told["leave_it"]
    assert told["move"] is None


def test_advice_from_before_a_change_says_so(person):
    measured(person, [("10.00", "10.40"), ("10.01", "10.42")])
    person.post("/api/setup-changes", {"machine": "Window saw", "kind": "adjusted"}, 201)
    advice = person.get(f"/api/machines/{machine_of(person)}/advice")
    assert "measure again before you move anything" in advice["notes"][0]


@ON_BOTH
def test_each_kind_of_check_has_its_own_mending(person):
    for method, rows, settings, words in (
        ("half-turn", [("10.00", "10.60")] * 3, {"baseline": None, "thickness": "38"},
         "its top goes to the left"),
        ("blade-to-slot", [("10.00", "10.60")] * 3, {}, "back of the blade comes to the left"),
        ("planed-thickness", [("19.00", "19.60")] * 3, {}, "nearer together at the right"),
        ("closing-miters", [("1.60",)] * 3, {"baseline": "60"}, "further from square"),
        ("stop-block", [("300.80",)] * 3, {"baseline": None, "tolerance_length": "0.2",
         "tolerance_nominal": "300"}, "Move the stop nearer to the blade"),
    ):  # fmt: skip
        machine = f"saw for {method}"
        measured(person, rows, machine, method=method, **settings)
        told = person.get(f"/api/machines/{machine_of(person, machine)}/advice")["advice"]
        assert any(words in t["sentence"] for t in told), told


def test_what_cannot_be_advised_on_says_why(person, client):
    measured(person, [("10.00", "10.40")])
    elsewhere = measured(person, [("10.00", "10.40")], "Attic saw")
    study = measured(person, [("20.01",)], method="same-spot", baseline=None)
    empty = person.start("New saw")
    path = f"/api/machines/{machine_of(person)}/advice"
    assert refused(client, f"{path}?span=wide")["field"] == "span"
    assert refused(client, f"{path}?span=0")["field"] == "span"
    assert refused(client, f"{path}?span=600&pitch=-1")["field"] == "pitch"
    assert refused(client, f"{path}?pivot=middle")["field"] == "pivot"
    assert "none of this machine's" in refused(client, f"{path}?series={elsewhere}")["message"]
    assert "checks the caliper" in refused(client, f"{path}?series={study}")["message"]
    other = f"/api/machines/{machine_of(person, 'New saw')}/advice"
    assert "measure it first" in refused(client, other)["message"]
    assert "measure first" in refused(client, f"{other}?series={empty}")["message"]
