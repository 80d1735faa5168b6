"""Which machines ask first for something to be done."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.answers import urgency
from api.answers.urgency import StopUrgency
from tests.api.answers.measuring import checked_on
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH

_SQUARE = [("10.00", "10.00"), ("10.01", "10.00"), ("10.00", "10.01"), ("10.01", "10.01")]


@ON_BOTH
def test_machines_come_by_what_asks_most_to_be_done(server, client):
    person, today = Person(client), datetime.now(UTC)

    def checked(machine, rows, days=1, **settings):
        settings = {"tolerance_deg": "0.2"} | settings
        checked_on(server, person, today - timedelta(days=days), rows, machine, **settings)

    checked("A good one", _SQUARE)
    checked("B overdue", _SQUARE, days=200)
    checked("C longer overdue", _SQUARE, days=300)
    person.post("/api/machines", {"name": "D new", "kind": "other"}, 201)
    checked("E moved", _SQUARE)
    person.post("/api/setup-changes", {"machine": "E moved", "kind": "moved"}, 201)
    checked("F open", [("10.00", "10.20"), ("10.20", "10.05")], tolerance_deg="0.02")
    checked("G out", [("10.00", "18.00"), ("10.01", "18.00")] * 2)
    checked("H without a need", _SQUARE, tolerance_deg=None)
    ordered = [(m["name"][0], m["urgency"]) for m in person.get("/api/machines?order=urgency")]
    assert ordered == [
        ("G", "needs adjusting"),
        ("F", "cannot tell yet"),
        ("D", "not known"),
        ("E", "not known"),
        ("H", "not known"),
        ("C", "due"),
        ("B", "due"),
        ("A", "good enough"),
    ]
    by_name = person.get("/api/machines")
    assert [m["name"][0] for m in by_name] == list("ABCDEFGH")
    overdue = by_name[1]["stops"][0]
    assert (overdue["urgency"], overdue["verdict"]) == ("due", "good enough")
    assert overdue["until"].startswith("Overdue since ")
    standing = person.get(f"/api/machines/{by_name[1]['id']}/history")["standing"]
    assert standing["urgency"] == "due"
    # For a work too, by the one date of the stop: one that is out for what it was measured for has
    # none, and may be good enough for this.
    rough = person.post("/api/works", {"name": "Rough frames", "tolerance_deg": "9"}, 201)["id"]
    stops = person.get(f"/api/works/{rough}/answer")["stops"]
    said = {stop["machine_name"][0]: stop["urgency"] for stop in stops}
    assert [name for name, each in said.items() if each == "due"] == ["B", "C"]
    assert [name for name, each in said.items() if each == "good enough"] == ["A", "G", "H"]
    of_machine = person.get("/api/machines/B overdue/works")[0]
    assert of_machine["until"] == stops[1]["until"] == overdue["until"]
    own, for_frames = of_machine["works"]
    assert (own["urgency"], for_frames["urgency"]) == ("due", "due")
    after = person.get(f"/api/series/{of_machine['series']}/next")
    assert [work["urgency"] for work in after["works"]] == ["due", "due"]
    assert "(due)" in client.get(f"/works/{rough}").text
    refused = client.get(f"/api/machines?order=urgency&after={by_name[0]['id']}")
    assert refused.status_code == 422


@pytest.mark.parametrize(
    ("stops", "said"),
    [
        ([], "not known"),
        ([("square", False, "not known")], "not known"),
        ([("square", False, "not known"), ("45 left", True, "good enough")], "good enough"),
        ([("square", False, "not known"), ("45 left", False, "not known")], "not known"),
        ([("square", True, "good enough"), ("45 left", False, "not known")], "not known"),
        ([("square", True, "due"), ("45 left", True, "cannot tell yet")], "cannot tell yet"),
    ],
)
def test_a_machine_is_as_urgent_as_its_stops_in_use(stops, said):
    assert urgency.of_machine(StopUrgency(*stop, None) for stop in stops) == said
