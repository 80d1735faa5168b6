"""Readings over HTTP: stored once and in order, and what can't be right refused alone."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from uuid import UUID

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import event

from api.server import Server
from api.settings import Settings
from api.web.app import build
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE, local_client


@pytest.fixture
def person(client: TestClient) -> Person:
    return Person(client)


def counts(told):
    return told["stored"], told["known"]


def test_the_same_batch_again_stores_nothing(person):
    series = person.start()
    batch = person.press("12.30", "12.40", "12.50")
    more = [*batch, person.reading("12.60")]
    assert counts(person.post("/api/readings", batch)) == (0, 3)
    assert counts(person.post("/api/readings", [*more, more[-1]])) == (1, 4)
    assert person.sent(series) == [["12.30", "12.40"], ["12.50", "12.60"]]


@ON_SQLITE
@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"id": "17"}, "UUID"),
        ({"sent": "Err 3"}, "no reading"),
        ({"sent": "12.3 45.6"}, "no reading"),
        ({"sent": "nan"}, "no reading"),
        ({"sent": "1,234.5"}, "no reading"),
        ({"sent": "12.34 in"}, "says in"),
        ({"unit": "furlong"}, "'mm' or 'in'"),
        ({"taken_at": "yesterday"}, "a moment such as"),
        ({"taken_at": "9999-12-31T23:59:59-05:00"}, "between 1970 and 2200"),
        ({"taken_at": "0001-01-01T00:00:00+12:00"}, "between 1970 and 2200"),
        ({"nm": 5}, "send the same"),
        ({"sent": "hello", "nm": 10_000_000}, "no reading"),
        ({"sent": "#1 12.40 20.1", "nm": 12_400_000}, "no reading"),
        ({"sent": "12.40", "pattern": "(?P<value>"}, "pattern"),
        (
            {"sent": "#1 12.40", "pattern": "#[0-9] (?P<value>.*)", "nm": 12_000_000},
            "send the same",
        ),
        ({"sent": "12.40\0"}, "NUL"),
        ({"colour": "red"}, "not a field"),
    ],
)
def test_a_bad_reading_is_refused_alone_and_by_its_id(person, wrong, says):
    series = person.start()
    first, bad, last = (person.reading(sent) for sent in ("12.30", "12.40", "12.50"))
    bad |= wrong
    answer = person.client.post("/api/readings", json=[first, bad, last])
    assert answer.status_code == 422
    told = answer.json()
    assert says in told["detail"]
    assert told["errors"][0]["field"].startswith("1.")
    assert (told["stored"], told["known"]) == (2, 0)
    assert [refused["id"] for refused in told["refused"]] == [bad["id"]]
    assert says in told["refused"][0]["why"]
    assert [o["id"] for o in told["outcomes"]] == [first["id"], last["id"]]
    assert person.sent(series) == [["12.30", "12.50"]]


@ON_SQLITE
def test_a_line_read_by_a_pattern_is_read_by_it_again(person):
    series = person.start()
    pattern = r"(?P<label>CH[0-9]) +(?P<value>[-+0-9.]+) .*"
    person.press("CH1 12.30 20.1C", pattern=pattern, nm=12_300_000)
    person.press("CH1 12.40 20.1C", pattern=pattern)
    (trial,) = person.series(series)["trials"]
    assert [r["mm"] for r in trial["readings"]] == [12.30, 12.40]
    assert [r["sent"] for r in trial["readings"]] == ["CH1 12.30 20.1C", "CH1 12.40 20.1C"]


@ON_SQLITE
@pytest.mark.parametrize(
    "other", [{"sent": "12.31"}, {"unit": "in"}, {"caliper": "another"}, {"bench": "side"}]
)
def test_an_id_that_is_known_with_another_value_is_a_conflict(person, other):
    series = person.start()
    (stored,) = person.press("12.30")
    new = person.reading("12.40")
    answer = person.client.post("/api/readings", json=[stored | other, stored, new])
    told = answer.json()
    assert answer.status_code == 409
    assert "another value" in told["detail"]
    assert [refused["id"] for refused in told["refused"]] == [stored["id"]]
    assert (told["stored"], told["known"]) == (1, 1)
    assert person.sent(series) == [["12.30", "12.40"]]


def test_one_id_twice_in_a_request_with_two_values_is_a_conflict_too(person):
    series = person.start()
    first = person.reading("12.30")
    answer = person.client.post("/api/readings", json=[first, first | {"sent": "12.31"}])
    assert answer.status_code == 409
    assert answer.json()["stored"] == 1
    assert person.sent(series) == [["12.30"]]


def test_what_became_of_each_reading_is_in_the_answer(person):
    person.start()
    readings = [person.reading(sent) for sent in ("12.30", "12.40", "0.00")]
    told = person.post("/api/readings", readings)
    kinds = ["kept", "complete", "taken back"]
    assert told["outcomes"] == [
        {"id": r["id"], "kind": kind} for r, kind in zip(readings, kinds, strict=True)
    ]


def test_what_is_asked_is_in_the_answer_and_at_the_bench_until_it_is_answered(person):
    series = person.start()
    bench = "/api/benches/main"
    person.press("11.40", "11.44", "11.52", "11.55")
    assert person.get(bench)["awaiting"] is None
    odd = person.reading("114.20")
    (asked,) = person.post("/api/readings", [odd])["outcomes"]
    assert (asked["id"], asked["kind"]) == (odd["id"], "asked")
    assert asked["question"].startswith("114.20? The last strips were near 11.4")
    found = person.get(bench)
    said = {"id": odd["id"], "sent": "114.20", "question": asked["question"]}
    assert found["awaiting"] == said | {"asked": "factor 10"}
    assert (found["next"]["trial"], found["next"]["place"]) == (3, "fence end")
    # Answered with the caliper, and by the buttons.
    (right,) = person.post("/api/readings", [person.reading("11.42")])["outcomes"]
    assert (right["kind"], person.get(bench)["awaiting"]) == ("kept", None)
    for act, sent in (("take-back", ["11.42"]), ("restore", ["11.42", "1.14"])):
        (waits,) = person.press("1.14")
        assert person.get(bench)["awaiting"]["id"] == waits["id"]
        person.post(f"{bench}/{act}", {"reading": waits["id"]})
        assert person.get(bench)["awaiting"] is None
        assert person.sent(series)[2] == sent


def test_a_refusal_that_cannot_be_kept_holds_up_none_of_the_others(person):
    good = {"id": str(UUID(int=7)), "caliper": "a", "text": "Err", "reason": "no number"}
    good |= {"heard_at": "2026-03-02T12:00:00Z"}
    bad = good | {"id": str(UUID(int=8)), "heard_at": "yesterday"}
    answer = person.client.post("/api/refusals", json=[bad, good])
    assert answer.status_code == 422
    assert answer.json()["stored"] == 1
    assert [refused["id"] for refused in answer.json()["refused"]] == [bad["id"]]


def test_a_file_that_another_program_holds_is_said_and_nothing_taken_for_kept(tmp_path):
    server = Server(Settings(data=tmp_path))
    server.engine.dispose()
    event.listen(server.engine, "connect", lambda c, _: c.execute("PRAGMA busy_timeout=0"))
    with local_client(build(server)) as client:
        person = Person(client)
        person.start()
        held_up = person.reading("12.30")
        with closing(sqlite3.connect(tmp_path / "bothends.sqlite", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            answer = client.post("/api/readings", json=[held_up])
            assert (answer.status_code, answer.json()["title"]) == (503, "Service Unavailable")
            assert "nothing was changed" in answer.json()["detail"]
            assert "another program holds" in answer.json()["detail"]
        assert counts(person.post("/api/readings", [held_up])) == (1, 0)
    server.close()
