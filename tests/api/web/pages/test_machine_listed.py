"""The rows of the Machines page."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest

from tests.api.answers.measuring import checked_on, measured
from tests.api.bench import Person

SQUARE = [("10.00", "10.00"), ("10.01", "10.00"), ("10.00", "10.01"), ("10.01", "10.01")]


def test_a_verdict_past_its_date_is_said_to_be_due_and_names_its_stop(server, client):
    person, today = Person(client), datetime.now(UTC)
    person.post("/api/machines", {"name": "Miter saw", "kind": "miter saw"}, 201)
    person.post("/api/stops", {"machine": "Miter saw", "name": "45", "nominal_deg": "45"}, 201)
    for days, machine in ((2, "Fine"), (200, "Sled"), (1, "Miter saw")):
        at = today - timedelta(days=days)
        checked_on(server, person, at, SQUARE, machine, tolerance_deg="0.2")
    rows = re.findall(r"<li data-machine.*?</li>", client.get("/machines").text, re.DOTALL)
    miter_saw, sled, fine = rows
    assert 'data-urgency="not known"' in miter_saw
    assert "not checked yet" in miter_saw
    assert "Stop <b>45</b>" in miter_saw
    assert 'data-urgency="due" data-verdict="good enough"' in sled
    for words in ("due</b>", "Checked 7 months ago", "It was to be checked again by"):
        assert words in sled
    assert 'data-urgency="good enough"' in fine
    assert "Checked 2 days ago. Check again by" in fine
    assert "due</b>" not in fine


def test_of_stops_that_need_adjusting_the_one_off_by_most_of_its_tolerance_is_shown(client):
    person = Person(client)
    person.post("/api/machines", {"name": "Miter saw", "kind": "miter saw"}, 201)
    person.post("/api/stops", {"machine": "Miter saw", "name": "b", "nominal_deg": "1"}, 201)
    # Nearly as far off; `square` has the wider tolerance, and is the one measured last.
    for stop, wide, tolerance in (("b", "18.0", "0.01"), ("square", "11.0", "0.1")):
        rows = [(f"10.0{n}", f"{wide}{1 - n}") for n in (0, 1, 0, 1)]
        measured(person, rows, "Miter saw", stop=stop, tolerance_deg=tolerance)
    page = client.get("/machines").text
    assert "Stop <b>b</b>" in page
    assert "Also: stop square." in page
    listed = person.get("/api/machines")[0]
    off = {each["stop"]["name"]: each["result"]["off_in_tolerances"] for each in listed["stops"]}
    assert off["b"] == pytest.approx(10 * off["square"], rel=0.1)
    standing = person.get(f"/api/machines/{listed['id']}/history")["standing"]
    assert standing["sentence"].startswith("b: ")
