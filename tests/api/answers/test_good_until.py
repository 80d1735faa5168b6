"""Until when a stop may be trusted, as machines, pages and card say it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.answers import history
from api.answers.good_until import good_until_by_stop
from tests.api.answers.test_history import checked_on
from tests.api.bench import Person
from tests.api.conftest import ON_BOTH

_FIRST = datetime(2025, 1, 6, 9, tzinfo=UTC)
_SQUARE = [("10.00", "10.01"), ("10.01", "10.00"), ("10.00", "10.00"), ("10.01", "10.02")]


@pytest.fixture
def person(client):
    return Person(client)


@pytest.fixture
def due(server):
    """Says when the machine's square is due, asked so many days after the first check."""

    def due(days: int) -> str:
        with server.reading() as store:
            found = history.read(store, "Window saw")
            moment = _FIRST + timedelta(days=days)
            (square,) = good_until_by_stop(found, moment).values()
            return square.sentence

    return due


def check(server, person, days, rows=_SQUARE, tolerance="0.5"):
    at = _FIRST + timedelta(days=days)
    return checked_on(server, person, at, rows, tolerance_deg=tolerance)


def test_a_machine_that_was_never_checked_is_due_at_once(person, due):
    person.post("/api/machines", {"name": "Window saw", "kind": "other"}, 201)
    assert due(0) == "Now: it has not been checked yet."


def test_a_machine_changed_since_it_was_measured_is_due_at_once(server, person, due):
    check(server, person, 0)
    at = (_FIRST + timedelta(days=1)).isoformat()
    change = {"machine": "Window saw", "kind": "moved", "at": at}
    person.post("/api/setup-changes", change, 201)
    assert due(2) == "Now: it was changed since it was measured."


def test_a_machine_that_is_out_is_adjusted_before_it_is_measured_again(server, person, due):
    check(server, person, 0, [("10.0", "18.0")] * 4, tolerance="0.05")
    assert due(1) == "Now: adjust it, then measure it again."


def test_a_machine_without_a_clear_verdict_needs_more_cuts(server, person, due):
    check(server, person, 0, [("10.00", "10.20"), ("10.20", "10.05")], tolerance="0.05")
    assert due(1) == "Now: more strips are needed for a verdict."


_ALSO = "Check it also after every blade change, move, adjustment or knock."


def test_few_checks_give_an_interval_and_no_chance(server, person, due):
    check(server, person, 0)
    # A person's own interval, 90 days where none is said: 6 January and 90 days.
    reason = "90 days, until more series with a tolerance tell how long it keeps"
    assert due(1) == f"Check it by about April 2025: {reason}. {_ALSO}"
    assert due(60) == f"Check it by 6 April 2025: {reason}. {_ALSO}"
    assert due(91).startswith("Overdue since 6 April 2025: ")
    check(server, person, 30)
    assert due(31) == (
        "Check it by about May 2025: by 2 series of its present state no chance can be told "
        "yet, so the interval is 90 days: longer after each one that kept well within the "
        f"tolerance, shorter after one outside. {_ALSO}"
    )
    # The second was used up: half as long again.
    check(server, person, 130)
    assert "so the interval is 135 days" in due(131)


@ON_BOTH
def test_more_checks_give_a_date_and_its_chance_wherever_machines_are(server, person, due, client):
    for days in range(0, 400, 60):
        check(server, person, days)
    # 360 days without a jump: (360 / (360 + 32.1)) ^ 0.6 = 0.95, 32.1 days after 1 January 2026.
    said = (
        "Good until 2 February 2026 (5 % chance of being out by then): no drift to the limit in "
        "7 series; a sudden jump may still come, and the longer none does, the later this date. "
        f"{_ALSO}"
    )
    assert due(361) == said
    (machine,) = person.get("/api/machines")
    (square,) = machine["stops"]
    assert (square["stop"]["name"], square["verdict"], square["chance"]) == (
        "square",
        "good enough",
        0.05,
    )
    assert square["good_until"].startswith("2026-02-02")
    history = person.get(f"/api/machines/{machine['id']}/history")
    assert history["standing"]["stops"] == machine["stops"]
    assert square["until"] in client.get(f"/machine/{machine['id']}").text
    # The card and the list of machines say the date alone.
    assert "2 February 2026" in client.get(f"/machine/{machine['id']}/card").text
    listed = client.get("/machines").text
    assert "It was to be checked again by <time" in listed
    assert ">2 February 2026</time>." in listed
    # No date is later than the interval that a person sets, and what is kept does not hide that.
    stop = client.patch(f"/api/stops/{square['stop']['id']}", json={"check_days": 7})
    assert stop.status_code == 200, stop.text
    ((sooner,),) = (machine["stops"] for machine in person.get("/api/machines"))
    assert sooner["good_until"].startswith("2026-01-08")
    assert "the interval that you set; by 7 series it could be longer" in sooner["until"]


def test_a_jump_that_was_seen_tells_what_another_one_would_do(server, person, due):
    off = [("10.00", "13.20"), ("10.01", "13.22"), ("10.00", "13.21"), ("10.02", "13.21")]
    for days in range(0, 600, 60):
        check(server, person, days, off if days < 300 else _SQUARE)
    # One jump of 0.458 degrees in 540 days: another would leave it outside 0.5 degrees with 0.47,
    # one that was missed for sure; (1 + 0.47) / 2 (1 - (540 / (540 + 11.0)) ^ 3.5) = 0.05, and
    # 11.0 days after 30 June 2026.
    assert due(541).startswith("Good until 11 July 2026 (5 % chance of being out by then)")
