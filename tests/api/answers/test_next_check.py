"""When a machine is due for its next check, as its card says it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.answers import history
from api.answers.next_check import next_check
from tests.api.answers.test_history import checked_on
from tests.api.bench import Person

_FIRST = datetime(2025, 1, 6, 9, tzinfo=UTC)
_SQUARE = [("10.00", "10.01"), ("10.01", "10.00"), ("10.00", "10.00"), ("10.01", "10.02")]


@pytest.fixture
def person(client):
    return Person(client)


@pytest.fixture
def due(server):
    """Says when the machine is due, asked so many days after the first check."""

    def due(days: int) -> str:
        with server.reading() as store:
            found = history.read(store, "Window saw")
            return next_check(found, _FIRST + timedelta(days=days))

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
    assert due(1) == "Now: more trials are needed for a verdict."


def test_two_checks_say_nothing_of_how_often_one_is_usual(server, person, due):
    for days in (0, 30):
        check(server, person, days)
    assert due(31) == (
        "After every blade change, move, adjustment or knock, and before work that needs this"
        " tolerance."
    )


def test_a_good_machine_is_due_as_often_as_it_was_checked_so_far(server, person, due):
    # Gaps of 30, 7 and 10 days; the second check of one day is no gap.
    for days in (0, 30, 30, 37, 47):
        check(server, person, days)
    always = "(as often as so far), and after every blade change, move, adjustment or knock."
    assert due(50) == f"By 4 March 2025 {always}"
    assert due(58) == f"Overdue since 4 March 2025 {always}"
