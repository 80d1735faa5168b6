"""Every caliper on record, and how it fares in words."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.instruments.calipers import in_words, lasting, since
from api.store.engine import open_engine
from api.store.journal import Journal
from api.store.rows.calipers import known_calipers
from api.store.stamps import new_id, now
from capture.records import CaliperState, Reading
from capture.spec import parse_spec
from tests.api.bench import Person
from tests.api.studying import NAME


@pytest.fixture
def person(client) -> Person:
    return Person(client)


def test_every_caliper_that_was_ever_heard_is_on_record(person):
    person.press("12.30", caliper="Zeta")
    person.press("12.31", "12.32", caliper="alpha")
    found = person.get("/api/calipers")
    assert [(c["name"], c["readings"], c["heard"], c["bench"]) for c in found] == [
        ("alpha", 2, "not now", "main"),
        ("Zeta", 1, "not now", "main"),
    ]
    assert found[0]["state"] == "not listened to"
    assert found[0]["words"].startswith("Not listened to now. Last heard ")


def test_what_came_since_is_counted_once_whoever_took_it_in(person, server):
    person.press("12.30", "12.31")
    person.press("12.30", caliper="other")
    elsewhere = open_engine(server.engine.url.render_as_string(hide_password=False))
    try:
        for count in range(2, 5):
            for _ in range(2):  # nothing new in between
                found = {c["name"]: c["readings"] for c in person.get("/api/calipers")}
                assert found == {NAME: count, "other": 1}
            Journal(elsewhere).keep(
                [Reading(new_id(), "main", NAME, "12.30", "mm", 12_300_000, now())]
            )
            with elsewhere.connect() as store:
                known = {k.name: k.readings for k in known_calipers(store)}
            assert known == {NAME: count + 1, "other": 1}
    finally:
        elsewhere.dispose()


def test_a_caliper_used_at_two_benches_is_one_and_stands_where_it_was_heard_last(client):
    Person(client, "north").press("12.30")
    south = Person(client, "south")
    late = (datetime(2060, 1, 1, tzinfo=UTC)).isoformat()
    south.press("12.31", taken_at=late)
    (found,) = south.get("/api/calipers")
    assert (found["readings"], found["bench"]) == (2, "south")
    assert datetime.fromisoformat(found["last_heard"]) == datetime(2060, 1, 1, tzinfo=UTC)


def test_a_caliper_that_sent_only_nonsense_is_on_record_too(person):
    refusal = {
        "id": "01939d3e-7c1a-7000-8000-000000000001",
        "caliper": "broken",
        "text": "E1",
        "reason": "a message",
        "heard_at": "2026-03-02T12:00:00Z",
    }
    person.post("/api/refusals", [refusal])
    (found,) = person.get("/api/calipers")
    assert (found["name"], found["readings"], found["last_heard"]) == ("broken", 0, None)


def test_what_is_typed_into_the_page_is_no_instrument_that_is_missing(person):
    person.press("12.30", caliper="typed", origin="typed")
    (found,) = person.get("/api/calipers")
    assert found["heard"] == "page"
    assert "types into the Bench page" in found["words"]


def test_nobody_heard_yet_is_an_empty_list_and_an_unknown_one_is_said(person):
    assert person.get("/api/calipers") == []
    answer = person.client.get("/api/calipers/ghost/studies")
    assert answer.status_code == 404
    assert "ghost" in answer.json()["detail"]


NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (3, "a moment"),
        (45, "40 seconds"),
        (60, "1 minute"),
        (3 * 60, "3 minutes"),
        (2 * 3600, "2 hours"),
        (26 * 3600, "1 day"),
    ],
)
def test_how_long_a_caliper_is_quiet_is_said_as_people_say_it(seconds, words):
    assert lasting(NOON - timedelta(seconds=seconds), NOON) == words
    assert in_words("quiet", NOON - timedelta(seconds=seconds), NOON) == f"Quiet for {words}."


def test_when_a_caliper_was_heard_last_is_said_as_people_say_it():
    assert since(NOON, NOON) == "just now"
    assert since(NOON - timedelta(minutes=5), NOON) == "5 minutes ago"
    assert since(NOON - timedelta(days=1), NOON) == "yesterday"
    assert "press its send button" in in_words("listening", None, NOON)


def test_an_instrument_that_this_server_brought_itself_is_heard_here(server):
    server.instruments.add(parse_spec("serial:socket://127.0.0.1:9,name=demo"))
    server.heard_of([CaliperState("north", "ring gauge", "listening")])
    with server.reading() as store:
        found = {each.name: (each.heard, each.spec) for each in server.calipers_on_record(store)}
    assert found == {"demo": ("here", None), "ring gauge": ("elsewhere", None)}
